//! Source time to hub time.

use spinover_protocol::Millis;
use std::collections::BTreeMap;

/// For each source with a clock of its own, how far the hub's clock was ahead of it when it was first heard, in microseconds.
#[derive(Clone, Debug, Default)]
pub struct Times {
    offsets: BTreeMap<usize, i64>,
}

impl Times {
    /// A time on the hub's clock, in microseconds. Spans between a source's readings stay the source's own, so a recording
    /// played fast keeps its true spans.
    pub fn hub_us(&mut self, now: Millis, source: usize, t_s: Option<f64>) -> i64 {
        let Some(t_s) = t_s else { return now * 1000 };
        let t_us = (t_s * 1e6).round() as i64;
        t_us.saturating_add(
            *self
                .offsets
                .entry(source)
                .or_insert((now * 1000).saturating_sub(t_us)),
        )
    }
}
