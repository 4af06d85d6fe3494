//! What the black-box tests, the benches and the screenshots stand on: the real binary, real sockets, a real browser.
//!
//! Nothing here looks into the hub: it is started as a program, and talked to over its own wire. A phone is the same state
//! machine that the app runs ([`spinover_protocol::link::Link`]) with a socket of its own.
#![forbid(unsafe_code)]

pub mod app;
pub mod browser;
pub mod chief;
pub mod cold_start;
pub mod data;
pub mod day;
pub mod fan;
pub mod faults;
pub mod http;
pub mod hub;
pub mod nats;
pub mod netns;
pub mod phone;
pub mod process;
pub mod proxy;
pub mod raw;
pub mod recording;
pub mod wall_clock;
pub mod wide;

use serde_json::Value;
use std::time::{Duration, Instant};

/// How long a test waits for what should come in a blink. Machines that build and test at once are slow, and a test that
/// fails for that tells nothing; one that waits for good would tell nothing either.
pub const DEADLINE: Duration = Duration::from_secs(40);
/// Between two looks at something that does not say when it changes.
const LOOK_EVERY: Duration = Duration::from_millis(25);

/// Prints what a bench came to: a line for programs, or to read.
pub fn tell(told: &Value, json: bool) {
    match json {
        true => println!("{told}"),
        false => println!("{told:#}"),
    }
}

/// Looks again and again until there is something to return.
///
/// # Panics
/// When there is nothing by the deadline, naming what was waited for.
pub async fn eventually<T>(what: &str, look: impl AsyncFnMut() -> Option<T>) -> T {
    let found = soon(look).await;
    found.unwrap_or_else(|| panic!("waited {DEADLINE:?} in vain for {what}"))
}

/// Looks again and again until there is something to return; nothing if there is none by the deadline.
pub async fn soon<T>(mut look: impl AsyncFnMut() -> Option<T>) -> Option<T> {
    let begun = Instant::now();
    loop {
        if let Some(found) = look().await {
            return Some(found);
        }
        if begun.elapsed() >= DEADLINE {
            return None;
        }
        tokio::time::sleep(LOOK_EVERY).await;
    }
}
