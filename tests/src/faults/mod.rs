//! Real faults against the built hub: each makes one happen to a crew at work, and says what was lost.
//!
//! `bench_faults` runs all of them; `tests/tests/faults.rs` those that are quick everywhere.

pub mod disk;
pub mod laptop;
pub mod radio;
pub mod scene;

use scene::Lost;
use serde::Serialize;
use serde_json::Value;
use std::{future::Future, pin::Pin};

/// What came of a fault.
#[derive(Debug, Serialize)]
pub struct Outcome {
    /// Its name.
    pub fault: &'static str,
    /// What should happen.
    pub expected: &'static str,
    /// It did; nothing where the fault could not be made here.
    pub survived: Option<bool>,
    /// Why not, or why it could not be made.
    pub why: String,
    /// What was lost, where there was a crew at work.
    pub lost: Option<Lost>,
    /// What else was measured.
    pub seen: Value,
}

/// What a fault finds out: what was lost, and what else was seen; or in one sentence why it could not be made here.
pub enum Found {
    /// It was made.
    Made(Option<Lost>, Value),
    /// It could not be made on this machine.
    Skipped(String),
}

type Making = Pin<Box<dyn Future<Output = anyhow::Result<Found>>>>;

/// A fault: its name, what should happen, and how it is made.
pub type Fault = (&'static str, &'static str, fn() -> Making);

macro_rules! faults {
    ($($place:ident :: $name:ident, $expected:literal;)*) => {
        &[$((stringify!($name), $expected, || Box::pin($place::$name())),)*]
    };
}

/// Every fault.
pub const ALL: &[Fault] = faults![
    radio::slow_and_uneven, "300 ms each way and as much jitter: everything arrives, later";
    radio::stalls_as_from_loss, "streams that stall as from lost packets: every event arrives once, phones say so when they hear nothing";
    radio::resets, "connections reset over and over: phones come back by themselves and miss no event";
    radio::ten_seconds_of_silence, "nothing gets through for 10 s: phones say so, come back, and what was pressed meanwhile is done once";
    radio::radio_switched_off, "the hub's network interface down for 10 s: as with silence";
    radio::narrow_link, "96 kbit/s for five phones: events arrive, readings are thinned rather than late";
    radio::stuck_phone, "a phone that reads nothing: nobody else notices, and the hub keeps little for it";
    radio::five_hundred_join_at_once, "500 phones within a second: all are in, and the crew's readings go on";
    laptop::asleep, "the hub stopped for 8 s as by a closed lid: phones say so, all goes on when it wakes";
    laptop::clock_jumps, "the wall clock an hour on and two back while it runs, and back at a start: times in the record never go back";
    laptop::port_taken, "another program has the port: said in a sentence, and the book is as it was";
    laptop::asked_to_stop, "asked to stop in a warm-up: phones are told, everything is in one file";
    laptop::killed, "killed in a warm-up: nothing that was acknowledged is lost, of readings a quarter of a second";
    laptop::no_more_files, "no file handles left: those who are in go on, others come in when there are handles again";
    disk::disk_full, "a full disk: said, commands refused with the reason, readings shown; afterwards it goes on";
    disk::file_at_its_limit, "a file that may not grow: as with a full disk";
    disk::book_locked, "another program holds the book for 8 s: said, commands refused, readings shown and kept";
    disk::book_in_use, "a second hub on the same book: refused in a sentence, the first goes on";
];

/// Makes one happen.
pub fn make(fault: &Fault) -> Outcome {
    let (name, expected, make) = *fault;
    // In a thread of its own, so that a broken promise, which panics, is told as well.
    let making = std::thread::spawn(move || tokio::runtime::Runtime::new()?.block_on(make()));
    let (survived, why, lost, seen) = match making.join() {
        Ok(Ok(Found::Made(lost, seen))) => {
            let wrong = lost.as_ref().map_or_else(String::new, Lost::wrong);
            (Some(wrong.is_empty()), wrong, lost, seen)
        }
        Ok(Ok(Found::Skipped(why))) => (None, why, None, Value::Null),
        Ok(Err(error)) => (Some(false), format!("{error:#}"), None, Value::Null),
        Err(said) => {
            let owned = said.downcast_ref::<String>().cloned();
            let words = owned.or_else(|| said.downcast_ref::<&str>().map(|&text| text.to_owned()));
            (
                Some(false),
                words.unwrap_or_else(|| "it broke".to_owned()),
                None,
                Value::Null,
            )
        }
    };
    Outcome {
        fault: name,
        expected,
        survived,
        why,
        lost,
        seen,
    }
}
