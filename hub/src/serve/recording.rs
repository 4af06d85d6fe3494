//! A recording from elsewhere over HTTP, for the chief: its columns are looked at, what a person says of them is tried, and it is taken into
//! the book as a warm-up. The work is that of `spinover book columns` and `import`.

use super::{
    App,
    book::{Chief, refused},
};
use crate::{
    book::{
        Book, BookError, Edit,
        import::{bare_events, id_of},
    },
    files::{
        CarFile,
        columns::{Candidate, beginning, car_file, look},
        parse_car,
    },
    sources::whole::{self, Whole},
};
use axum::{
    Json, Router,
    body::Bytes,
    extract::{DefaultBodyLimit, State, rejection::BytesRejection},
    http::StatusCode,
    response::{IntoResponse, Response},
    routing::post,
};
use spinover_protocol::{
    MAX_TEXT,
    car::Car,
    recording::{
        Found, Kept, LOOKED_AT, LookedAt, MAX_RECORDING, ROWS_SHOWN, ReadAs, TakeIn, TakenIn,
        WrongLine,
    },
};
use std::{io::Write, sync::Arc};

/// What is said of the columns may take so much more than the recording itself, in bytes.
const MAX_SAID: usize = 256 * 1024;
/// Recordings that began in the same millisecond and are told apart by a number.
const SAME_TIME: usize = 100;

/// The routes.
pub fn routes() -> Router<Arc<App>> {
    Router::new()
        .route(
            "/api/book/recording/look",
            post(look_at).layer(DefaultBodyLimit::max(LOOKED_AT + 4_096)),
        )
        .route(
            "/api/book/recording",
            post(take_in).layer(DefaultBodyLimit::max(MAX_RECORDING + MAX_SAID)),
        )
}

fn wrong(why: impl std::fmt::Display) -> Box<Response> {
    Box::new((StatusCode::BAD_REQUEST, format!("{why}\n")).into_response())
}

/// `POST /api/book/recording/look`: the body is the beginning of a recording.
async fn look_at(State(app): State<Arc<App>>, _: Chief, body: Bytes) -> Response {
    let looked =
        tokio::task::spawn_blocking(move || look(&beginning(body.to_vec()), Some(&app.car)));
    let Ok(Some(columns)) = looked.await else {
        return *wrong(
            "no header with a column of times under it (seconds, HH:MM:SS or RFC 3339) was found",
        );
    };
    let found = columns.candidates.into_iter().map(|one| Found {
        header: one.header,
        nth: one.nth,
        low: one.low,
        high: one.high,
        samples: one.samples,
        key: one.key.as_str().into(),
        unit: one.unit,
    });
    Json(LookedAt {
        time: columns.time,
        form: columns.form.to_owned(),
        columns: found.collect(),
        others: columns.others,
    })
    .into_response()
}

/// `POST /api/book/recording`: the body's first line is a [`TakeIn`], the rest the recording.
async fn take_in(
    State(app): State<Arc<App>>,
    _: Chief,
    body: Result<Bytes, BytesRejection>,
) -> Response {
    let body = match body {
        Ok(body) => body,
        Err(error) if error.status() == StatusCode::PAYLOAD_TOO_LARGE => {
            let text = format!(
                "a recording may have {} MB at most here; `spinover book import` takes a larger one\n",
                MAX_RECORDING / 1024 / 1024
            );
            return (StatusCode::PAYLOAD_TOO_LARGE, text).into_response();
        }
        Err(error) => return error.into_response(),
    };
    let Ok(_turn) = app.heavy.acquire().await else {
        return refused(&BookError::Closed);
    };
    let car = app.car.clone();
    let read = tokio::task::spawn_blocking(move || read(&body, &car)).await;
    let (said, file, whole) = match read {
        Ok(Ok(read)) => read,
        Ok(Err(refusal)) => return *refusal,
        Err(_) => return *wrong("this recording cannot be read"),
    };
    let mut told = told(&file.car, &whole);
    if said.take {
        match keep(&app.book, &said, &file.car, whole).await {
            Ok(id) => told.id = Some(id),
            Err(error) => return refused(&error),
        }
    }
    Json(told).into_response()
}

/// Reads what was sent by what was said of it.
fn read(body: &[u8], car: &Car) -> Result<(TakeIn, CarFile, Whole), Box<Response>> {
    let end = body.iter().position(|byte| *byte == b'\n');
    let end = end.ok_or_else(|| wrong("the first line says what the columns are"))?;
    let said: TakeIn = serde_json::from_slice(&body[..end]).map_err(wrong)?;
    let recording = &body[end + 1..];
    let head = &recording[..recording.len().min(LOOKED_AT)];
    let columns = look(&beginning(head.to_vec()), Some(car))
        .ok_or_else(|| wrong("no header with a column of times under it was found"))?;
    let kept = said
        .columns
        .iter()
        .map(|kept| chosen(kept, &columns.candidates))
        .collect::<Result<Vec<_>, _>>()
        .map_err(wrong)?;
    if kept.is_empty() {
        return Err(wrong("every column is left out"));
    }
    for (n, one) in kept.iter().enumerate() {
        if kept[..n].iter().any(|other| other.key == one.key) {
            return Err(wrong(format!("two columns would be {}", one.key)));
        }
    }
    // The same car file that `spinover book columns` proposes, so that there is one way in.
    let text = car_file(&columns, &kept, &car.team, &car.name, Some(car));
    let file = parse_car("columns", &text).map_err(wrong)?;
    let map = file.replay.as_ref();
    let map = map.ok_or_else(|| wrong("every column is left out"))?;
    let failed = |error: std::io::Error| wrong(format!("it cannot be put aside: {error}"));
    let mut aside = tempfile::Builder::new()
        .suffix(".csv")
        .tempfile()
        .map_err(failed)?;
    aside.write_all(recording).map_err(failed)?;
    aside.flush().map_err(failed)?;
    let begun = (!whole::dated(map)).then_some(said.begun);
    let whole = whole::read(aside.path(), &file.car, map, begun, said.begun)
        .map_err(|error| wrong(format!("{error:#}")))?;
    Ok((said, file, whole))
}

fn chosen(kept: &Kept, found: &[Candidate]) -> Result<Candidate, String> {
    let same = |one: &&Candidate| one.header == kept.header && one.nth == kept.nth;
    let found = found.iter().find(same);
    let found = found.ok_or_else(|| format!("there is no column {:?}", kept.header))?;
    Ok(Candidate {
        key: kept.key.to_string(),
        unit: Some(kept.unit),
        ..found.clone()
    })
}

fn told(car: &Car, whole: &Whole) -> TakenIn {
    let mut channels: Vec<ReadAs> = car
        .channels
        .iter()
        .map(|channel| ReadAs {
            key: channel.key.clone(),
            label: channel.label.clone(),
            unit: channel.unit,
            readings: 0,
            low: None,
            high: None,
        })
        .collect();
    for (channel, _, value) in whole.rows.iter().flatten() {
        let channel = &mut channels[*channel];
        channel.readings += 1;
        channel.low = Some(channel.low.map_or(*value, |low| low.min(*value)));
        channel.high = Some(channel.high.map_or(*value, |high| high.max(*value)));
    }
    let begun_us = whole.begun_at * 1000;
    let first = whole.rows.iter().take(ROWS_SHOWN).map(|row| {
        let mut values = vec![None; channels.len()];
        for (channel, _, value) in row {
            values[*channel] = Some(*value);
        }
        let t_us = row.first().map_or(begun_us, |(_, t_us, _)| *t_us);
        ((t_us - begun_us) as f64 / 1e6, values)
    });
    TakenIn {
        id: None,
        begun_at: whole.begun_at,
        lasts_ms: whole
            .last_us()
            .map_or(0, |last| (last - begun_us).div_euclid(1000) + 1),
        rows: whole.rows.len() as u64,
        first: first.collect(),
        channels,
        wrong: whole
            .wrong
            .iter()
            .map(|(line, what)| WrongLine {
                line: *line,
                what: what.clone(),
            })
            .collect(),
        wrong_count: whole.faults.values().map(|(count, _)| count).sum(),
    }
}

/// Takes it into the book.
async fn keep(book: &Book, said: &TakeIn, car: &Car, whole: Whole) -> Result<String, BookError> {
    let Some(last_us) = whole.last_us() else {
        return Err(BookError::Refused(
            "it holds no reading of these columns".to_owned(),
        ));
    };
    let name: String = said.name.chars().take(MAX_TEXT).collect();
    let sheet = name
        .rsplit_once('.')
        .map_or(name.as_str(), |(stem, _)| stem);
    let base = id_of(whole.begun_at);
    let mut n = 1;
    let mut import = loop {
        let id = match n {
            1 => base.clone(),
            _ => format!("{base}-{n}"),
        };
        let events = bare_events(
            &id,
            sheet,
            car,
            whole.begun_at,
            last_us.div_euclid(1000) + 1,
        );
        let remarks = Edit {
            source: Some(format!("imported from {name}")),
            ..Edit::default()
        };
        match book.import(events, remarks).await {
            Ok(import) => break (id, import),
            Err(BookError::Duplicate(_)) if n < SAME_TIME => n += 1,
            Err(error) => return Err(error),
        }
    };
    for row in &whole.rows {
        import.1.row(row).await?;
    }
    import.1.finish().await?;
    Ok(import.0)
}
