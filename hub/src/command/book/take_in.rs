//! `spinover book import`: a file from elsewhere becomes a warm-up of the book. A recording is read by the same source
//! that replays it, so that what the book gets is what the screens would have shown.

use super::{Data, Failure, Remarks, answered, attach, columnar, runtime};
use crate::{
    book::{
        Book, Edit, Reading,
        import::{Document, OWN_TIME, bare_events, own_csv},
    },
    core::feed::{FaultKind, Report},
    files::{CarFile, load_car},
    sources::{
        Feed, Source,
        index::ChannelIndex,
        map::{ReplayMap, TimeForm},
        replay::Replay,
        spec::Speed,
    },
};
use clap::Args;
use spinover_protocol::{Millis, message::SourceState};
use std::{
    collections::BTreeMap,
    fs::File,
    io::{BufRead, BufReader, Read, Write},
    path::{Path, PathBuf},
    sync::Arc,
};

#[derive(Debug, Args)]
pub(super) struct ImportArgs {
    #[command(flatten)]
    data: Data,
    /// The file: an export (`json`, `parquet`, or `csv` with --car), or a recording with --car.
    file: PathBuf,
    /// The car file; its `column` keys say how the recording's columns become channels. Not needed for a json export.
    #[arg(long, value_name = "FILE")]
    car: Option<PathBuf>,
    /// When it began, by RFC 3339 (2026-05-16T14:03:22Z). When absent: the first time in the recording if it has dates,
    /// else when the file was last written.
    #[arg(long, value_name = "TIME")]
    begun: Option<jiff::Timestamp>,
    /// The id that it gets; when absent its own, or one made from the time it began.
    #[arg(long)]
    id: Option<String>,
    #[command(flatten)]
    remarks: Remarks,
}

/// A recording's rows, with times in microseconds since 1970.
struct Taken {
    rows: Vec<Vec<Reading>>,
    begun_at: Millis,
    faults: BTreeMap<FaultKind, (u64, String)>,
}

impl ImportArgs {
    pub(super) fn run(self, out: &mut impl Write) -> Result<(), Failure> {
        let name = self
            .file
            .file_name()
            .unwrap_or_default()
            .to_string_lossy()
            .into_owned();
        let head = self.head()?;
        let photos = self.remarks.photos()?;
        if head.starts_with('{') {
            let document = Document::read(self.open()?)?;
            let (book, _) = Book::open(&self.data.data)?;
            let id = runtime()?.block_on(async {
                let id = document.into_book(&book, self.id.as_deref()).await?;
                answered(book.edit(&id, self.remarks.edit()).await)?;
                attach(&book, &id, &photos).await?;
                book.close().await.map(|()| id)
            })?;
            return Ok(writeln!(out, "{id} is in the book")?);
        }
        if head.starts_with(columnar::MAGIC) {
            columnar::ready()?;
            let (id, edit) = (self.id.as_deref(), self.remarks.edit());
            let id = columnar::take_in(&self.file, &self.data.data, id, edit, &photos)?;
            return Ok(writeln!(out, "{id} is in the book")?);
        }
        let Some(path) = &self.car else {
            return Err(Failure::Input(format!(
                "{name} is a recording: give --car with a car file that maps its columns to channels"
            )));
        };
        let file = load_car(path).map_err(|errors| Failure::Input(errors.to_string()))?;
        let own = head
            .split(',')
            .next()
            .is_some_and(|first| first.trim() == OWN_TIME);
        let taken = match own {
            true => self.own(&file)?,
            false => self.recording(&file)?,
        };
        for (kind, (count, text)) in &taken.faults {
            eprintln!(
                "spinover: left out, {} {count} times, such as: {text}",
                kind.name()
            );
        }
        let Some(last_us) = taken.rows.iter().flatten().map(|(_, t_us, _)| *t_us).max() else {
            return Err(Failure::Input(format!(
                "{name} holds no reading of this car's channels"
            )));
        };
        let id = self.id.clone().unwrap_or_else(|| id_of(taken.begun_at));
        let stem = self
            .file
            .file_stem()
            .unwrap_or_default()
            .to_string_lossy()
            .into_owned();
        let events = bare_events(
            &id,
            &stem,
            &file.car,
            taken.begun_at,
            last_us.div_euclid(1000) + 1,
        );
        let remarks = Edit {
            source: Some(format!("imported from {name}")),
            ..self.remarks.edit()
        };
        let (book, _) = Book::open(&self.data.data)?;
        let readings: usize = taken.rows.iter().map(Vec::len).sum();
        let rows = taken.rows.len();
        runtime()?.block_on(async {
            let mut import = book.import(events, remarks).await?;
            for row in &taken.rows {
                import.row(row).await?;
            }
            import.finish().await?;
            attach(&book, &id, &photos).await?;
            book.close().await
        })?;
        Ok(writeln!(
            out,
            "{id} is in the book: {readings} readings in {rows} rows"
        )?)
    }

    fn open(&self) -> Result<BufReader<File>, Failure> {
        let file = File::open(&self.file);
        Ok(BufReader::new(file.map_err(|error| {
            Failure::Input(format!("{}: {error}", self.file.display()))
        })?))
    }

    /// The first line, or as much of it as tells what the file is.
    fn head(&self) -> Result<String, Failure> {
        let mut line = Vec::new();
        let read = self.open()?.take(4096).read_until(b'\n', &mut line);
        read.map_err(|error| Failure::Input(format!("{}: {error}", self.file.display())))?;
        Ok(String::from_utf8_lossy(&line)
            .trim_start_matches('\u{feff}')
            .trim()
            .to_owned())
    }

    fn begun_or_written(&self) -> Result<Millis, Failure> {
        if let Some(begun) = self.begun {
            return Ok(begun.as_millisecond());
        }
        let written = std::fs::metadata(&self.file)
            .and_then(|data| data.modified())
            .ok();
        let written = written.and_then(|time| jiff::Timestamp::try_from(time).ok());
        written.map(|time| time.as_millisecond()).ok_or_else(|| {
            Failure::Input("give --begun: it cannot be told when the file was written".to_owned())
        })
    }

    fn own(&self, file: &CarFile) -> Result<Taken, Failure> {
        let begun_at = self.begun_or_written()?;
        let rows = own_csv(self.open()?, &file.car, begun_at)?;
        Ok(Taken {
            rows,
            begun_at,
            faults: BTreeMap::new(),
        })
    }

    fn recording(&self, file: &CarFile) -> Result<Taken, Failure> {
        let map = file.replay.as_ref().ok_or_else(|| {
            Failure::Input(
                "the car file maps no columns; give its channels column = \"...\"".to_owned(),
            )
        })?;
        let (batches, faults) = play(&self.file, file, map)?;
        let first = batches.iter().find_map(|(t_s, _)| *t_s).unwrap_or(0.0);
        let dated = map.time.form == TimeForm::Rfc3339 && self.begun.is_none();
        let begun_at = match dated {
            true => (first * 1e3).floor() as Millis,
            false => self.begun_or_written()?,
        };
        let origin_us = begun_at * 1000
            - if dated {
                begun_at * 1000
            } else {
                (first * 1e6).round() as i64
            };
        let micros = |t_s: f64| origin_us + (t_s * 1e6).round() as i64;
        let mut now_us = begun_at * 1000;
        let mut rows = Vec::with_capacity(batches.len());
        for (t_s, values) in batches {
            now_us = t_s.map_or(now_us, micros);
            rows.push(
                values
                    .into_iter()
                    .map(|(channel, value)| (channel, now_us, value))
                    .collect(),
            );
        }
        Ok(Taken {
            rows,
            begun_at,
            faults,
        })
    }
}

type Played = (
    Vec<(Option<f64>, Vec<(usize, f64)>)>,
    BTreeMap<FaultKind, (u64, String)>,
);

/// Everything that the replaying source makes of a recording, without waiting.
fn play(path: &Path, file: &CarFile, map: &ReplayMap) -> Result<Played, Failure> {
    let index = Arc::new(ChannelIndex::new(&file.car));
    let replay = Replay::open(index, path, map, Speed::Max, false);
    let replay = replay.map_err(|error| Failure::Input(format!("{error:#}")))?;
    let (mut batches, mut faults) = (Vec::new(), BTreeMap::<FaultKind, (u64, String)>::new());
    runtime()?.block_on(async {
        let (to, mut from) = tokio::sync::mpsc::channel(256);
        let playing = tokio::spawn(Box::new(replay).run(Feed::new(0, to)));
        while let Some((_, report)) = from.recv().await {
            match report {
                Report::Batch(batch) => batches.push((batch.t_s, batch.values)),
                Report::Fault(fault) => {
                    faults.entry(fault.kind).or_insert((0, fault.text)).0 += fault.count
                }
                Report::State(SourceState::Ended) => break,
                Report::State(_) => {}
            }
        }
        match playing.await {
            Ok(Ok(())) => Ok(()),
            Ok(Err(error)) => Err(Failure::Failed(format!("{error:#}"))),
            Err(error) => Err(Failure::Failed(error.to_string())),
        }
    })?;
    Ok((batches, faults))
}

/// An id like the hub's own, from the time it began.
fn id_of(begun_at: Millis) -> String {
    match jiff::Timestamp::from_millisecond(begun_at) {
        Ok(time) => time.strftime("%Y-%m-%dT%H-%M-%S-%3fZ").to_string(),
        Err(_) => format!("{begun_at}"),
    }
}
