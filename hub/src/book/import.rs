//! Warm-ups from elsewhere, taken into the book: from another book's export, or from a recording. They never touch the
//! journal: their events keep numbers of their own, and the hub's record is not rebuilt from them.

use super::{
    BLOCK_ROWS, Book, BookError, Edit,
    commit::{seal, text},
    edit,
    photos::Picture,
    rows::{Reading, Rows},
    said, store,
};
use base64::{Engine, prelude::BASE64_STANDARD as BASE64};
use rusqlite::{Connection, params};
use serde::{
    Deserialize, Deserializer,
    de::{Error, MapAccess, Visitor},
};
use spinover_protocol::{
    ChannelKey, Millis,
    book::{MAX_PHOTOS, Said, is_photo},
    car::Car,
    event::{Event, EventBody},
    sheet::{Phase, Sheet},
};
use std::{collections::BTreeMap, fmt, io::Read};

/// The first words of an exported warm-up.
pub const FORMAT: &str = "spinover warm-up 1";

/// The time column of an exported CSV: seconds since the warm-up began.
pub const OWN_TIME: &str = "t_s";

/// A warm-up on its way into the book. Until it is finished nobody sees it; given up, nothing stays of it.
#[derive(Debug)]
pub struct Import {
    book: Book,
    n: i64,
    next_row: i64,
    waiting: Rows,
}

/// An id like the hub's own, from the time it began.
pub fn id_of(begun_at: Millis) -> String {
    match jiff::Timestamp::from_millisecond(begun_at) {
        Ok(time) => time.strftime("%Y-%m-%dT%H-%M-%S-%3fZ").to_string(),
        Err(_) => format!("{begun_at}"),
    }
}

/// The events of a recording that has none: it began, and it ended.
pub fn bare_events(
    id: &str,
    name: &str,
    car: &Car,
    begun_at: Millis,
    closed_at: Millis,
) -> Vec<Event> {
    // A sheet without steps: nothing is claimed to have been done.
    let phase = Phase {
        key: "recorded".into(),
        name: name.to_owned(),
        shut_down: true,
        firing: false,
        fuel_allowance: None,
        bands: BTreeMap::new(),
        steps: vec![],
    };
    let sheet = Sheet {
        key: "recorded".to_owned(),
        name: name.to_owned(),
        phases: vec![phase],
    };
    let begun = EventBody::WarmupBegun {
        id: id.to_owned(),
        sheet: Box::new(sheet),
        car: Box::new(car.clone()),
        today: Box::default(),
    };
    let event = |seq, at, body| Event {
        seq,
        at,
        by: None,
        command: None,
        body,
    };
    vec![
        event(1, begun_at, begun),
        event(2, closed_at, EventBody::WarmupClosed {}),
    ]
}

impl Book {
    /// Begins to take a warm-up in. The events must be one warm-up's: joinings, then `warmup_begun`, then the rest, numbers
    /// ascending.
    ///
    /// # Errors
    /// [`BookError::Duplicate`] when its id is in the book, [`BookError::Refused`] when the events are no warm-up.
    pub async fn import(&self, events: Vec<Event>, remarks: Edit) -> Result<Import, BookError> {
        let n = self.writer.ask(move |desk| {
            let checked = checked(&events)?;
            let n = desk.ids.take(&checked.id)?;
            begin(desk.conn, n, &checked, &events, &remarks)?;
            Ok(n)
        });
        let n = n.await.unwrap_or(Err(BookError::Closed))?;
        Ok(Import {
            book: self.clone(),
            n,
            next_row: 0,
            waiting: Rows::default(),
        })
    }
}

impl Import {
    /// Adds one row of readings.
    ///
    /// # Errors
    /// When the disk fails; the import is then best dropped.
    pub async fn row(&mut self, row: &[Reading]) -> Result<(), BookError> {
        self.waiting.push(row);
        if self.waiting.len() >= BLOCK_ROWS {
            self.write().await?;
        }
        Ok(())
    }

    /// Adds what its figures said, in order of time.
    ///
    /// # Errors
    /// When the disk fails; the import is then best dropped.
    pub async fn said(&mut self, figures: Vec<Said>) -> Result<(), BookError> {
        let n = self.n;
        let written = self.book.writer.ask(move |desk| {
            let tx = desk.conn.transaction()?;
            for said in &figures {
                said::insert(&tx, n, said)?;
            }
            Ok(tx.commit()?)
        });
        written.await.unwrap_or(Err(BookError::Closed))
    }

    async fn write(&mut self) -> Result<(), BookError> {
        let rows = std::mem::take(&mut self.waiting);
        let (n, first) = (self.n, self.next_row);
        self.next_row += rows.len() as i64;
        // A block at a time, so that a hub that is at work meanwhile never waits for a whole recording.
        let written = self
            .book
            .writer
            .ask(move |desk| seal(desk.conn, n, first, &rows));
        written.await.unwrap_or(Err(BookError::Closed))
    }

    /// Makes it a warm-up like any other.
    ///
    /// # Errors
    /// When the disk fails.
    pub async fn finish(mut self) -> Result<(), BookError> {
        self.write().await?;
        let n = self.n;
        let done = self.book.writer.ask(move |desk| {
            desk.conn
                .execute("UPDATE warmups SET purged = 0 WHERE n = ?1", [n])?;
            Ok(())
        });
        done.await.unwrap_or(Err(BookError::Closed))
    }
}

struct Checked {
    id: String,
    begun_at: Millis,
    closed_at: Option<Millis>,
    sheet: Sheet,
    car: Car,
}

fn checked(events: &[Event]) -> Result<Checked, BookError> {
    let refused = |why: &str| {
        Err(BookError::Refused(format!(
            "these events are no warm-up: {why}"
        )))
    };
    let mut found: Option<Checked> = None;
    let mut last = 0;
    for event in events {
        if event.seq <= last {
            return refused("their numbers do not ascend");
        }
        last = event.seq;
        match (&event.body, &mut found) {
            (EventBody::WarmupBegun { id, sheet, car, .. }, None) => {
                let (sheet, car) = ((**sheet).clone(), (**car).clone());
                found = Some(Checked {
                    id: id.clone(),
                    begun_at: event.at,
                    closed_at: None,
                    sheet,
                    car,
                });
            }
            (EventBody::WarmupBegun { .. }, Some(_)) => return refused("a second one begins"),
            (EventBody::PersonJoined { .. }, None) => {}
            (_, None) => return refused("they do not begin with one"),
            (EventBody::WarmupClosed {}, Some(found)) => found.closed_at = Some(event.at),
            _ => {}
        }
    }
    found.map_or_else(|| refused("none begins"), Ok)
}

fn begin(
    conn: &mut Connection,
    n: i64,
    warmup: &Checked,
    events: &[Event],
    remarks: &Edit,
) -> Result<(), BookError> {
    let tx = conn.transaction()?;
    tx.execute(
        "INSERT INTO warmups (n, id, begun_at, closed_at, sheet, team, car, channels, purged) VALUES (?1,?2,?3,?4,?5,?6,?7,?8,2)",
        params![
            n,
            warmup.id,
            warmup.begun_at,
            warmup.closed_at,
            warmup.sheet.name,
            warmup.car.team,
            warmup.car.name,
            text(&warmup.car.channels)?
        ],
    )?;
    for event in events {
        let json = text(event)?;
        let sum = store::sum(&[json.as_bytes()]);
        tx.prepare_cached("INSERT INTO imported (warmup, seq, json, sum) VALUES (?1,?2,?3,?4)")?
            .execute(params![n, event.seq as i64, json, sum])?;
    }
    edit::write(&tx, n, remarks)?;
    tx.commit()?;
    Ok(())
}

/// Takes away what an import left that was not finished. Its id stays taken.
pub(super) fn clear_unfinished(conn: &mut Connection) -> Result<(), BookError> {
    let mut query = conn.prepare("SELECT n FROM warmups WHERE purged = 2")?;
    let left: Vec<i64> = query
        .query_map([], |row| row.get(0))?
        .collect::<Result<_, _>>()?;
    drop(query);
    for n in left {
        let tx = conn.transaction()?;
        edit::take_away(&tx, n)?;
        tx.execute("DELETE FROM warmups WHERE n = ?1", [n])?;
        tx.commit()?;
    }
    Ok(())
}

/// A warm-up as [`super::export::json`] writes it.
#[derive(Debug, Deserialize)]
pub struct Document {
    /// [`FORMAT`].
    pub format: String,
    /// What is known of it besides its events.
    pub warmup: Remarks,
    /// Its events, and before them the last joinings of those who were there.
    pub events: Vec<Event>,
    /// Its readings, row by row.
    pub readings: Vec<DocumentRow>,
    /// What its figures said, in order of time.
    #[serde(default)]
    pub figures: Vec<Said>,
    /// Its photos.
    #[serde(default)]
    pub photos: Vec<DocumentPhoto>,
}

/// A photo in an exported warm-up.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
pub struct DocumentPhoto {
    /// Its name, as in the list of what is known.
    pub name: String,
    /// The file, in base 64 (RFC 4648).
    pub base64: String,
}

/// What people wrote about a warm-up.
#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub struct Remarks {
    /// Its id.
    pub id: String,
    source: String,
    place: String,
    weather: String,
    driver: String,
    note: String,
    tags: Vec<String>,
    photos: Vec<String>,
}

/// One row: seconds since the beginning, and values by channel key.
#[derive(Debug, PartialEq)]
pub struct DocumentRow {
    /// Seconds since the warm-up began.
    pub t_s: f64,
    /// Channel keys and values.
    pub values: Vec<(String, f64)>,
}

impl<'de> Deserialize<'de> for DocumentRow {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Row;
        impl<'de> Visitor<'de> for Row {
            type Value = DocumentRow;

            fn expecting(&self, f: &mut fmt::Formatter) -> fmt::Result {
                f.write_str("an object with t and channel keys")
            }

            fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<DocumentRow, A::Error> {
                let (mut t_s, mut values) = (None, Vec::new());
                while let Some((key, value)) = map.next_entry::<String, f64>()? {
                    match key.as_str() {
                        "t" => t_s = Some(value),
                        _ => values.push((key, value)),
                    }
                }
                Ok(DocumentRow {
                    t_s: t_s.ok_or_else(|| A::Error::missing_field("t"))?,
                    values,
                })
            }
        }
        deserializer.deserialize_map(Row)
    }
}

impl Document {
    /// Reads an exported warm-up.
    ///
    /// # Errors
    /// [`BookError::Refused`], with the line, when it is none.
    pub fn read(from: impl Read) -> Result<Self, BookError> {
        let document: Self = serde_json::from_reader(std::io::BufReader::new(from))
            .map_err(|error| BookError::Refused(format!("this is no exported warm-up: {error}")))?;
        if document.format != FORMAT {
            return Err(BookError::Refused(format!(
                "this is {:?}, not {FORMAT:?}",
                document.format
            )));
        }
        Ok(document)
    }

    /// Takes the warm-up into a book, under another id if one is given.
    ///
    /// # Errors
    /// As for [`Book::import`], and when a reading's channel is not the car's.
    pub async fn into_book(
        mut self,
        book: &Book,
        new_id: Option<&str>,
    ) -> Result<String, BookError> {
        let readings = std::mem::take(&mut self.readings);
        let photos = self.take_photos()?;
        let was = self.warmup.photos.clone();
        let (id, begun_at, channels) = self.begun(new_id)?;
        let places: BTreeMap<&str, usize> = channels
            .iter()
            .enumerate()
            .map(|(place, key)| (key.as_str(), place))
            .collect();
        let figures = std::mem::take(&mut self.figures);
        if figures.windows(2).any(|two| two[0].at > two[1].at) {
            return Err(BookError::Refused(
                "what its figures said is not in order of time".to_owned(),
            ));
        }
        let mut import = self.begin(book).await?;
        import.said(figures).await?;
        let mut row = Vec::new();
        for DocumentRow { t_s, values } in readings {
            let t_us = micros(begun_at, t_s);
            row.clear();
            for (key, value) in values {
                let place = places.get(key.as_str());
                let place = place
                    .ok_or_else(|| BookError::Refused(format!("the car has no channel {key}")))?;
                row.push((*place, t_us, value));
            }
            import.row(&row).await?;
        }
        import.finish().await?;
        let mut names = BTreeMap::new();
        for (name, bytes) in &photos {
            let closed = Err(BookError::Closed);
            names.insert(name, book.attach(&id, bytes)?.await.unwrap_or(closed)?);
        }
        if !names.is_empty() {
            // In the order in which they were there; one that did not come with it is in no book.
            let list = was.into_iter().filter_map(|name| match is_photo(&name) {
                true => names.get(&name).cloned(),
                false => Some(name),
            });
            let edit = Edit {
                photos: Some(list.collect()),
                ..Edit::default()
            };
            let done = book.edit(&id, edit).await;
            done.unwrap_or(Err(BookError::Closed))?;
        }
        Ok(id)
    }

    /// Its photos by name, looked at before anything is taken in: a file from elsewhere is not believed.
    fn take_photos(&mut self) -> Result<Vec<(String, Vec<u8>)>, BookError> {
        let photos = std::mem::take(&mut self.photos);
        if photos.len() > MAX_PHOTOS {
            return Err(BookError::Refused(format!(
                "it has more than {MAX_PHOTOS} photos"
            )));
        }
        photos
            .into_iter()
            .map(|DocumentPhoto { name, base64 }| {
                let refused =
                    |why: String| BookError::Refused(format!("photo {name} in it: {why}"));
                let bytes = BASE64
                    .decode(base64)
                    .map_err(|error| refused(error.to_string()))?;
                Picture::take(&bytes).map_err(refused)?;
                Ok((name, bytes))
            })
            .collect()
    }

    /// Its id, when it began, and its channels' keys. It gets another id if one is given.
    pub(super) fn begun(
        &mut self,
        new_id: Option<&str>,
    ) -> Result<(String, Millis, Vec<ChannelKey>), BookError> {
        for event in &mut self.events {
            if let EventBody::WarmupBegun { id, car, .. } = &mut event.body {
                if let Some(new) = new_id {
                    new.clone_into(id);
                }
                let channels = car.channels.iter().map(|channel| channel.key.clone());
                return Ok((id.clone(), event.at, channels.collect()));
            }
        }
        Err(BookError::Refused(
            "it has no warmup_begun event".to_owned(),
        ))
    }

    /// Begins to take it in, without its readings.
    pub(super) async fn begin(self, book: &Book) -> Result<Import, BookError> {
        let was = self.warmup;
        let remarks = Edit {
            source: Some(was.source),
            place: Some(was.place),
            weather: Some(was.weather),
            driver: Some(was.driver),
            note: Some(was.note),
            tags: Some(was.tags),
            // Pictures are added when they are on the disk.
            photos: Some(
                was.photos
                    .into_iter()
                    .filter(|name| !is_photo(name))
                    .collect(),
            ),
        };
        book.import(self.events, remarks).await
    }
}

/// Reads a CSV as [`super::export::csv`] writes it: `t_s`, then channel keys. Gives rows as they were, to the microsecond.
///
/// # Errors
/// [`BookError::Refused`], with the line, at the first cell that is not what it should be.
pub fn own_csv(
    from: impl Read,
    car: &Car,
    begun_at: Millis,
) -> Result<Vec<Vec<Reading>>, BookError> {
    let refused = |why: String| BookError::Refused(why);
    let mut csv = csv::Reader::from_reader(from);
    let header = csv
        .headers()
        .map_err(|error| refused(error.to_string()))?
        .clone();
    if header.get(0) != Some(OWN_TIME) {
        return Err(refused(format!("its first column is not {OWN_TIME}")));
    }
    let place = |key: &str| car.channel(&key.into()).map(|(place, _)| place);
    let places: Vec<usize> = header
        .iter()
        .skip(1)
        .map(|key| place(key).ok_or_else(|| refused(format!("the car has no channel {key}"))))
        .collect::<Result<_, _>>()?;
    let mut rows = Vec::new();
    for record in csv.records() {
        let record = record.map_err(|error| refused(error.to_string()))?;
        let line = record.position().map_or(0, csv::Position::line);
        let number = |text: &str| {
            let number = text.parse::<f64>().ok().filter(|number| number.is_finite());
            number.ok_or_else(|| refused(format!("line {line}: {text:?} is not a finite number")))
        };
        let t_us = micros(begun_at, number(&record[0])?);
        let cells = places
            .iter()
            .zip(record.iter().skip(1))
            .filter(|(_, text)| !text.is_empty());
        rows.push(
            cells
                .map(|(place, text)| Ok((*place, t_us, number(text)?)))
                .collect::<Result<_, BookError>>()?,
        );
    }
    Ok(rows)
}

/// Microseconds since 1970 of a time in seconds since a warm-up began. Exact for every time that an export holds: a
/// microsecond is more than a rounding error up to a century.
pub fn micros(begun_at: Millis, t_s: f64) -> i64 {
    begun_at
        .saturating_mul(1000)
        .saturating_add((t_s * 1e6).round() as i64)
}
