//! What the tests of the book share: a small car, a small sheet, events, and ways to wait.
#![allow(dead_code, reason = "each test file uses a part of it")]

use spinover::book::{Reader, Rows};
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
        key: format!("ch{n}").as_str().into(),
        label: format!("Channel {n}"),
        unit: Unit::Rpm,
        decimals: 1,
        plausible: Band {
            low: -1e12,
            high: 1e12,
        },
        max_rate: None,
        old_after_ms: 1000,
        band: Some(Band {
            low: 10.0,
            high: 20.0,
        }),
    };
    Car {
        team: "Larkspur Racing".to_owned(),
        name: "Kestrel".to_owned(),
        channels: (0..channels).map(channel).collect(),
        roles: vec![],
        calls: vec![],
        tank_l: None,
        reserve_l: None,
        fuel: None,
    }
}

/// A sheet with steps `a`, `b`, `c` and a shut-down step `z`.
pub fn sheet() -> Sheet {
    let step = |key: &str| Step {
        key: key.into(),
        text: format!("Step {key} is done"),
        owner: "chief".into(),
        caution: None,
        safety: false,
        ordered: true,
        gates: vec![],
        dwell_ms: None,
        limit_ms: None,
        late_call: None,
    };
    let phase = |key: &str, shut_down, steps: &[&str]| Phase {
        key: key.into(),
        name: format!("Phase {key}"),
        shut_down,
        firing: false,
        bands: BTreeMap::new(),
        steps: steps.iter().map(|key| step(key)).collect(),
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
