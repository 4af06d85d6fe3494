//! Counts what could not be taken, and tells the hub of it at a rate that a person can read.

use super::{Feed, HubGone};
use crate::core::feed::{Fault, FaultKind};
use std::{collections::BTreeMap, time::Duration};
use tokio::time::Instant;

/// A kind of fault is reported at most once in this time; what comes in between is counted.
pub const REPORT_EVERY: Duration = Duration::from_millis(500);
/// Longest text of a fault, in characters.
const TEXT_CHARS: usize = 200;

/// One source's faults, by kind. A flood costs a counter each, and no text.
#[derive(Debug, Default)]
pub struct Tally {
    kinds: BTreeMap<FaultKind, Kind>,
}

#[derive(Debug, Default)]
struct Kind {
    waiting: u64,
    text: String,
    told: Option<Instant>,
}

impl Tally {
    /// Counts one. The words are asked for only if they will be told.
    pub fn note(&mut self, kind: FaultKind, words: impl FnOnce() -> String) {
        self.note_many(kind, 1, words);
    }

    /// Counts several of one kind at once.
    pub fn note_many(&mut self, kind: FaultKind, count: u64, words: impl FnOnce() -> String) {
        let entry = self.kinds.entry(kind).or_default();
        // The first of those that wait is the one that is told: of a flood, the words of one are as good as another's.
        if entry.waiting == 0 {
            entry.text = short(&words(), TEXT_CHARS);
        }
        entry.waiting += count;
    }

    /// What is due to be told now.
    pub fn due(&mut self, now: Instant) -> Vec<Fault> {
        self.take(
            |kind| {
                kind.told
                    .is_none_or(|told| now.duration_since(told) >= REPORT_EVERY)
            },
            now,
        )
    }

    /// All that has not been told yet, due or not: for the end of a source.
    pub fn rest(&mut self, now: Instant) -> Vec<Fault> {
        self.take(|_| true, now)
    }

    /// Something waits to be told.
    pub fn waits(&self) -> bool {
        self.kinds.values().any(|kind| kind.waiting > 0)
    }

    fn take(&mut self, ready: impl Fn(&Kind) -> bool, now: Instant) -> Vec<Fault> {
        let mut told = Vec::new();
        for (kind, entry) in &mut self.kinds {
            if entry.waiting > 0 && ready(entry) {
                entry.told = Some(now);
                told.push(Fault {
                    kind: *kind,
                    count: std::mem::take(&mut entry.waiting),
                    text: std::mem::take(&mut entry.text),
                });
            }
        }
        told
    }
}

/// Tells the hub of these faults.
///
/// # Errors
/// When the hub has gone.
pub async fn tell(feed: &Feed, faults: Vec<Fault>) -> Result<(), HubGone> {
    for fault in faults {
        feed.fault(fault.kind, fault.count, fault.text).await?;
    }
    Ok(())
}

/// The text, cut to so many characters with a sign of it, and with control characters made visible.
pub fn short(text: &str, chars: usize) -> String {
    let mut out = String::new();
    for (count, c) in text.chars().enumerate() {
        if count + 1 >= chars && text.chars().nth(chars).is_some() {
            out.push('…');
            break;
        }
        out.push(if c.is_control() { '·' } else { c });
    }
    out
}

/// Outside bytes as text for a message: cut short, unprintables replaced.
pub fn quoted(bytes: &[u8]) -> String {
    // Enough bytes for 40 characters of any kind.
    let text = String::from_utf8_lossy(&bytes[..bytes.len().min(200)]);
    short(text.trim(), 40)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_flood_is_counted_and_told_twice_a_second_at_most() {
        let mut tally = Tally::default();
        let start = Instant::now();
        let (mut told, mut texts) = (Vec::new(), 0);
        for n in 0..100_000_u64 {
            tally.note(FaultKind::Malformed, || {
                texts += 1;
                "not JSON".to_owned()
            });
            told.extend(tally.due(start + Duration::from_micros(n * 20)));
        }
        // Two seconds of flood.
        assert!(told.len() <= 5, "{}", told.len());
        told.extend(tally.rest(start + Duration::from_secs(3)));
        assert_eq!(told.iter().map(|fault| fault.count).sum::<u64>(), 100_000);
        assert!(texts <= 6, "{texts} texts were made");
        assert!(!tally.waits());
    }

    #[test]
    fn kinds_do_not_hold_each_other_up() {
        let mut tally = Tally::default();
        let now = Instant::now();
        tally.note(FaultKind::Malformed, || "a".to_owned());
        assert_eq!(tally.due(now).len(), 1);
        tally.note(FaultKind::Malformed, || "b".to_owned());
        tally.note(FaultKind::Absurd, || "c".to_owned());
        let told = tally.due(now + Duration::from_millis(100));
        assert_eq!(
            told.iter().map(|fault| fault.kind).collect::<Vec<_>>(),
            [FaultKind::Absurd]
        );
        assert!(tally.waits());
    }

    #[test]
    fn texts_are_cut_and_made_printable() {
        assert_eq!(short("abc", 3), "abc");
        assert_eq!(short("abcd", 3), "ab…");
        assert_eq!(short("a\u{1b}[2Jb", 20), "a·[2Jb");
        assert_eq!(short(&"ä".repeat(500), 200).chars().count(), 200);
        assert!(quoted(&[0xff; 10_000]).chars().count() <= 40);
    }
}
