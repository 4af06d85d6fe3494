//! How fast one message reaches many: the hub, general brokers and a floor under the same load, for `bench_fanout`.
//!
//! Every server gets a message from one source over TCP and sends it to every client over WebSocket. The source and the clients are
//! this process, held to one core; the server is another, held to the other core. Each message carries a number (the *stamp*, the
//! first channel's reading), by which a client finds out when the source wrote it.

pub mod crowd;
pub mod floor;
pub mod servers;
pub mod source;
pub mod wire;

use std::{
    process::Command,
    sync::atomic::{AtomicU64, Ordering},
    time::Instant,
};

pub use crate::wide::CHANNELS;
/// The first stamp: all have seven digits, so that all messages are as long.
pub const FIRST_STAMP: u64 = 1_000_000;
/// What stands before the stamp in a readings frame.
pub const MARK: &[u8] = br#"{"type":"readings"#;

/// When each message was written, by its stamp.
#[derive(Debug)]
pub struct Stamps {
    begun: Instant,
    sent_ns: Vec<AtomicU64>,
}

impl Stamps {
    /// Room for so many messages.
    pub fn new(room: usize) -> Self {
        Self {
            begun: Instant::now(),
            sent_ns: (0..room).map(|_| AtomicU64::new(0)).collect(),
        }
    }

    /// Nanoseconds since these stamps began.
    pub fn now_ns(&self) -> u64 {
        self.begun.elapsed().as_nanos() as u64
    }

    /// Notes that this one is being written now.
    pub fn note(&self, stamp: u64) {
        let place = (stamp - FIRST_STAMP) as usize;
        if let Some(slot) = self.sent_ns.get(place) {
            slot.store(self.now_ns(), Ordering::Release);
        }
    }

    /// When it was written, if it was.
    pub fn sent_ns(&self, stamp: u64) -> Option<u64> {
        let place = usize::try_from(stamp.checked_sub(FIRST_STAMP)?).ok()?;
        match self.sent_ns.get(place)?.load(Ordering::Acquire) {
            0 => None,
            at => Some(at),
        }
    }
}

/// Holds a process, with all threads that it has and will have, to one core. False where that cannot be.
pub fn pin(pid: u32, core: usize) -> bool {
    let done = Command::new("taskset")
        .args(["-a", "-c", "-p", &core.to_string(), &pid.to_string()])
        .output();
    done.is_ok_and(|output| output.status.success())
}

/// Processor time of a process so far in nanoseconds, from the scheduler's own count: the ticks of `stat` are too coarse for ten phones.
/// Nothing where the kernel keeps none, or a thread has ended meanwhile.
pub fn cpu_ns(pid: u32) -> Option<u64> {
    let mut all = 0;
    for thread in std::fs::read_dir(format!("/proc/{pid}/task")).ok()? {
        let text = std::fs::read_to_string(thread.ok()?.path().join("schedstat")).ok()?;
        all += text.split_whitespace().next()?.parse::<u64>().ok()?;
    }
    Some(all)
}

/// Servers are held to one core, and sources and clients to the other.
const SERVERS_CORE: usize = 0;
const LOADS_CORE: usize = 1;

/// Holds this process to the load's core: the servers' core, where there are two and it can be.
pub fn apart() -> Option<usize> {
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    (cores > 1 && pin(std::process::id(), LOADS_CORE)).then_some(SERVERS_CORE)
}

/// What a bench is asked that measures one load for a time.
#[derive(clap::Parser)]
pub struct Asked {
    /// One line of numbers.
    #[arg(long)]
    pub json: bool,
    /// How long it is measured.
    #[arg(long, default_value_t = 20.0)]
    pub seconds: f64,
}

/// How y grows with x, as a power of x: its exponent, and what it is multiplied by, of the least squares line through the logarithms.
/// An exponent of 1 is linear.
pub fn power(points: &[(f64, f64)]) -> (f64, f64) {
    let logs: Vec<(f64, f64)> = points.iter().map(|(x, y)| (x.ln(), y.ln())).collect();
    let count = logs.len() as f64;
    let mean = |pick: fn(&(f64, f64)) -> f64| logs.iter().map(pick).sum::<f64>() / count;
    let (x, y) = (mean(|log| log.0), mean(|log| log.1));
    let over: f64 = logs.iter().map(|log| (log.0 - x) * (log.1 - y)).sum();
    let under: f64 = logs.iter().map(|log| (log.0 - x).powi(2)).sum();
    let exponent = over / under;
    (exponent, (y - exponent * x).exp())
}

/// The value that so many of all do not pass; sorts them.
pub fn quantile(values: &mut [u32], part: f64) -> f64 {
    if values.is_empty() {
        return f64::NAN;
    }
    values.sort_unstable();
    let place = ((values.len() as f64 * part).ceil() as usize).clamp(1, values.len());
    f64::from(values[place - 1])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_exponent_of_a_power_is_found_and_a_quantile_is_one_of_the_values() {
        let cubes = [1.0, 10.0, 50.0].map(|x: f64| (x, 7.0 * x.powi(3)));
        assert!((power(&cubes).0 - 3.0).abs() < 1e-9);
        let mut values = [5, 1, 4, 2, 3];
        assert_eq!(quantile(&mut values, 0.5), 3.0);
        assert_eq!(quantile(&mut values, 0.99), 5.0);
    }
}
