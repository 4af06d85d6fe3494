//! What the tests of the book share: a small car, a small sheet, events, and ways to wait.
#![allow(dead_code, reason = "each test file uses a part of it")]

use spinover::book::{Book, BookError, Reader, Rows, export, import};
use spinover_protocol::{
    car::{Band, Car, Channel},
    event::{Audience, Event, EventBody, Right, Who},
    sheet::{Phase, Sheet, Step},
    units::Unit,
};
use std::collections::BTreeMap;

/// A car with channels `ch0`, `ch1`, ...
pub fn car(channels: usize) -> Car {
    let channel = |n: usize| Channel {
        label: format!("Channel {n}"),
        decimals: 1,
        old_after_ms: 1000,
        band: Some(Band {
            low: 10.0,
            high: 20.0,
        }),
        ..Channel::new(
            &format!("ch{n}"),
            Unit::Rpm,
            Band {
                low: -1e12,
                high: 1e12,
            },
        )
    };
    Car {
        team: "Larkspur Racing".to_owned(),
        name: "Kestrel".to_owned(),
        channels: (0..channels).map(channel).collect(),
        ..Car::default()
    }
}

/// A sheet with steps `a`, `b`, `c` and a shut-down step `z`.
pub fn sheet() -> Sheet {
    let step = |key: &str| Step {
        key: key.into(),
        text: format!("Step {key} is done"),
        owner: "chief".into(),
        ordered: true,
        ..Step::default()
    };
    let phase = |key: &str, shut_down, steps: &[&str]| Phase {
        key: key.into(),
        name: format!("Phase {key}"),
        shut_down,
        steps: steps.iter().map(|key| step(key)).collect(),
        ..Phase::default()
    };
    Sheet {
        key: "pit".to_owned(),
        name: "Pit warm-up".to_owned(),
        phases: vec![
            phase("one", false, &["a", "b", "c"]),
            phase("off", true, &["z"]),
        ],
    }
}

/// Somebody.
pub fn who(name: &str) -> Who {
    Who {
        id: format!("phone-of-{name}").as_str().into(),
        name: name.to_owned(),
        role: "chief".into(),
    }
}

/// An event by Ada; its time is its number in seconds.
pub fn event(seq: u64, body: EventBody) -> Event {
    let command = Some(spinover_protocol::CommandId(format!("command-{seq}")));
    Event {
        seq,
        at: seq as i64 * 1000,
        by: Some(who("Ada")),
        command,
        body,
    }
}

/// A warm-up begins.
pub fn begun(seq: u64, id: &str, channels: usize) -> Event {
    event(
        seq,
        EventBody::WarmupBegun {
            id: id.to_owned(),
            sheet: Box::new(sheet()),
            car: Box::new(car(channels)),
            today: Box::default(),
        },
    )
}

/// A warm-up ends.
pub fn closed(seq: u64) -> Event {
    event(seq, EventBody::WarmupClosed {})
}

/// Somebody calls.
pub fn called(seq: u64) -> Event {
    event(
        seq,
        EventBody::Called {
            to: Audience::All,
            text: format!("call {seq}"),
            stop: false,
        },
    )
}

/// Somebody joins.
pub fn joined(seq: u64, name: &str) -> Event {
    event(
        seq,
        EventBody::PersonJoined {
            who: who(name),
            right: Right::Crew,
        },
    )
}

/// A step is marked.
pub fn marked(seq: u64, step: &str) -> Event {
    event(
        seq,
        EventBody::StepMarked {
            step: step.into(),
            readings: BTreeMap::from([("ch0".into(), 1.5)]),
        },
    )
}

/// Waits for an answer of the book, at most half a minute.
pub fn answer<T>(receiver: tokio::sync::oneshot::Receiver<T>) -> T {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_time()
        .build()
        .unwrap();
    let waited = runtime.block_on(async {
        tokio::time::timeout(std::time::Duration::from_secs(30), receiver).await
    });
    waited.expect("an answer within 30 s").expect("an answer")
}

/// A warm-up written out whole.
pub fn document(reader: &Reader, id: &str) -> Vec<u8> {
    let mut document = Vec::new();
    let lost = export::json(reader, id, &mut document).unwrap();
    assert_eq!(lost, Vec::<String>::new());
    document
}

/// Takes a warm-up that was written out into a book; its id there.
pub fn taken_in(document: &[u8], book: &Book, id: Option<&str>) -> Result<String, BookError> {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .build()
        .unwrap();
    let read = import::Document::read(document).unwrap();
    runtime.block_on(read.into_book(book, id))
}

/// All readings of a warm-up as rows of time, channels and the bits of values.
pub fn all_rows(reader: &Reader, id: &str) -> Vec<(i64, Vec<(u16, u64)>)> {
    let (rows, lost) = reader.rows(id, Default::default()).unwrap();
    assert_eq!(lost, Vec::<String>::new());
    bits(&rows)
}

/// Rows with the bits of values.
pub fn bits(rows: &Rows) -> Vec<(i64, Vec<(u16, u64)>)> {
    let mut all = Vec::new();
    let done: Result<(), ()> = rows.each_row(|time, cells| {
        all.push((
            time,
            cells
                .iter()
                .map(|(channel, value)| (*channel, value.to_bits()))
                .collect(),
        ));
        Ok(())
    });
    done.unwrap();
    all
}

/// A warm-up of the demo's car by the demo's first sheet, made up: every reading goes towards the middle of the band that
/// holds, with noise, and somewhat differently each time. `bend` can change a reading: channel key, seconds since the step
/// `nitro_on` was marked, value. Gives the number of the next event.
pub fn lifelike(
    book: &spinover::book::Book,
    id: &str,
    first_seq: u64,
    begun_at: i64,
    seed: u64,
    bend: impl Fn(&str, Option<f64>, f64) -> f64,
) -> u64 {
    use rand::{Rng, SeedableRng, rngs::SmallRng};
    let mut rng = SmallRng::seed_from_u64(seed);
    let car = spinover::files::demo::car().unwrap().car;
    let sheet = spinover::files::demo::sheets().unwrap().remove(0);
    let crew = [("Ada", "chief"), ("Bea", "idle"), ("Cy", "fuel")];
    let person = |n: usize| Who {
        id: format!("phone-{n}").as_str().into(),
        name: crew[n].0.to_owned(),
        role: crew[n].1.into(),
    };
    let mut record = spinover_protocol::record::Record {
        seq: first_seq - 1,
        ..Default::default()
    };
    let mut seq = first_seq;
    let mut events = Vec::new();
    let mut say =
        |at: i64, by: usize, body: EventBody, record: &mut spinover_protocol::record::Record| {
            let event = Event {
                seq,
                at,
                by: Some(person(by)),
                command: None,
                body,
            };
            record.apply(&event);
            events.push(event);
            seq += 1;
            seq - 1
        };
    for n in 0..crew.len() {
        say(
            begun_at,
            n,
            EventBody::PersonJoined {
                who: person(n),
                right: Right::Crew,
            },
            &mut record,
        );
    }
    let begun = EventBody::WarmupBegun {
        id: id.to_owned(),
        sheet: Box::new(sheet.clone()),
        car: Box::new(car.clone()),
        today: Box::default(),
    };
    say(begun_at, 0, begun, &mut record);
    let offsets: Vec<f64> = car
        .channels
        .iter()
        .map(|_| rng.random_range(-0.06..0.06))
        .collect();
    let mut values: Vec<Option<f64>> = vec![None; car.channels.len()];
    let mut batches = Vec::new();
    let mut at = begun_at;
    let mut nitro = None;
    for (n, (_, step)) in sheet.steps().enumerate() {
        // How long this step takes; dwell and gates are for the core, not for a picture.
        let until = at + rng.random_range(3_000..7_000) + step.dwell_ms.unwrap_or(0);
        while at < until {
            at += 50;
            let mut batch = Vec::new();
            let warmup = record.warmup.as_ref().unwrap();
            for (place, channel) in car.channels.iter().enumerate() {
                let Some(band) = warmup.band_now(&channel.key) else {
                    continue;
                };
                let width = band.high - band.low;
                let target = (band.low + band.high) / 2.0 + offsets[place] * width;
                let slow = channel.key.as_str().contains("temp")
                    || channel.key.as_str().starts_with("egt");
                let tau_s = if slow { 12.0 } else { 1.5 };
                let value = values[place].get_or_insert(target);
                *value += (target - *value) * (0.05 / tau_s);
                let noisy = *value + rng.random_range(-0.02..0.02) * width;
                let bent = bend(
                    channel.key.as_str(),
                    nitro.map(|since| (at - since) as f64 / 1e3),
                    noisy,
                );
                let fine = 10f64.powi(i32::from(channel.decimals));
                batch.push((place, at * 1000, (bent * fine).round() / fine));
            }
            batches.push(batch);
        }
        let readings = step.gates.iter().filter_map(|gate| {
            let (place, _) = car.channel(&gate.channel)?;
            Some((gate.channel.clone(), values[place]?))
        });
        say(
            at,
            0,
            EventBody::StepMarked {
                step: step.key.clone(),
                readings: readings.collect(),
            },
            &mut record,
        );
        if step.key.as_str() == "nitro_on" {
            nitro = Some(at);
        }
        if n % 7 == 3 {
            let stop = n == 10;
            let body = EventBody::Called {
                to: Audience::All,
                text: if stop {
                    "Leak left bank"
                } else {
                    "Eyes on oil"
                }
                .to_owned(),
                stop,
            };
            let call = say(at + 10, 1, body, &mut record);
            say(at + 1_200, 2, EventBody::Seen { call }, &mut record);
        }
    }
    say(
        at + 500,
        1,
        EventBody::Noted {
            text: "Plug 6 wet & wiped".to_owned(),
        },
        &mut record,
    );
    say(at + 1_000, 0, EventBody::WarmupClosed {}, &mut record);
    answer(book.append(events)).unwrap();
    for batch in batches {
        book.readings(id, batch);
    }
    answer(book.flush()).unwrap();
    seq
}
