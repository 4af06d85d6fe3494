//! The burn-outs of warm-ups that went as far as one: how long, how high, and how alike they were. Numbers in, numbers out.
//!
//! A burn-out is looked for in the phase with the key `burnout`, in the readings of `engine_rpm`. It is the longest time
//! that the engine spent above the middle between idle and the highest speed: the width at half height, as peaks of any
//! kind are commonly measured. Where marks are set by a thumb, this is not.

use super::Comparison;
use crate::figures::robust::{median, quantile_of_sorted};
use serde::Serialize;

/// The engine must reach this many times its idle speed, or there was no burn-out (no source: a choice).
const RISE: f64 = 1.5;
/// A silence longer than this ends a burn-out, in seconds: what was not read is not made up.
const GAP_S: f64 = 1.0;

/// One burn-out.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Burnout {
    /// The warm-up.
    pub warmup: String,
    /// How long the engine was above the middle between idle and peak, in seconds.
    pub length_s: f64,
    /// The highest engine speed, in the channel's unit.
    pub peak: f64,
}

/// How long and how high, of the speeds read in the phase: seconds and values, in order of time. None where the engine did not
/// rise above its idle.
pub fn measure(speeds: &[(f64, f64)]) -> Option<(f64, f64)> {
    let mut sorted: Vec<f64> = speeds.iter().map(|(_, value)| *value).collect();
    sorted.sort_by(f64::total_cmp);
    let peak = *sorted.last()?;
    // Most of the phase is spent at idle: rolling to the water before, and standing after.
    let idle = quantile_of_sorted(&sorted, 0.25);
    if idle <= 0.0 || peak < idle * RISE {
        return None;
    }
    let half = f64::midpoint(idle, peak);
    let mut longest = 0.0f64;
    let mut since: Option<f64> = None;
    let mut before: Option<(f64, f64)> = None;
    for &(t_s, value) in speeds {
        // Where a straight line between two readings crosses the middle.
        let crossed = |before: Option<(f64, f64)>| match before {
            Some((was_s, was)) if was != value && (was - half) * (value - half) <= 0.0 => {
                was_s + (t_s - was_s) * (half - was) / (value - was)
            }
            _ => t_s,
        };
        let gap = before.is_some_and(|(was_s, _)| t_s - was_s > GAP_S);
        if let (true, Some(from), Some((was_s, _))) = (gap, since, before) {
            longest = longest.max(was_s - from);
            since = None;
        }
        let near = before.filter(|_| !gap);
        match (value >= half, since) {
            (true, None) => since = Some(crossed(near)),
            (false, Some(from)) => {
                longest = longest.max(crossed(near) - from);
                since = None;
            }
            _ => {}
        }
        before = Some((t_s, value));
    }
    if let (Some(from), Some((last_s, _))) = (since, before) {
        longest = longest.max(last_s - from);
    }
    Some((longest, peak))
}

/// The burn-out of this warm-up and those of the others, in words; nothing where none had one.
pub fn words(comparison: &Comparison) -> Vec<String> {
    let (this, others): (Vec<&Burnout>, Vec<&Burnout>) = comparison
        .burnouts
        .iter()
        .partition(|burnout| burnout.warmup == comparison.entry.id);
    let of = |value: fn(&Burnout) -> f64| {
        let mut values: Vec<f64> = others.iter().map(|burnout| value(burnout)).collect();
        values.sort_by(f64::total_cmp);
        Some((*values.first()?, median(&values)?, *values.last()?))
    };
    let mut lines = Vec::new();
    if let Some(this) = this.first() {
        lines.push(format!(
            "burn-out: {:.1} s, highest engine speed {:.0} rpm",
            this.length_s, this.peak
        ));
    }
    if let (Some(length), Some(peak)) = (of(|burnout| burnout.length_s), of(|burnout| burnout.peak))
    {
        lines.push(format!(
            "burn-outs of {} others: {:.1} s in the middle ({:.1} to {:.1} s), highest engine speed {:.0} rpm ({:.0} to {:.0} rpm)",
            others.len(), length.1, length.0, length.2, peak.1, peak.0, peak.2
        ));
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Idle, a rise, a top and a fall, twenty readings a second.
    fn speeds(top_s: f64, top: f64) -> Vec<(f64, f64)> {
        let ramp_s = 0.5;
        (0..800)
            .map(|n| {
                let t_s = f64::from(n) * 0.05;
                let up = ((t_s - 10.0) / ramp_s).clamp(0.0, 1.0);
                let down = ((10.0 + ramp_s + top_s + ramp_s - t_s) / ramp_s).clamp(0.0, 1.0);
                (t_s, 2_000.0 + (top - 2_000.0) * up.min(down))
            })
            .collect()
    }

    #[test]
    fn a_trapezium_is_as_wide_at_half_height_as_geometry_says() {
        for (top_s, top) in [(3.0, 7_800.0), (4.21, 8_000.0)] {
            let (length_s, peak) = measure(&speeds(top_s, top)).unwrap();
            // Half-way up one side to half-way down the other: the top and half of each side.
            assert!((length_s - (top_s + 0.5)).abs() < 0.05, "{length_s}");
            assert!((peak - top).abs() < 1.0);
        }
    }

    #[test]
    fn idling_is_no_burn_out_and_silence_ends_one() {
        assert_eq!(measure(&speeds(3.0, 2_900.0)), None);
        assert_eq!(measure(&[]), None);
        let mut cut = speeds(6.0, 8_000.0);
        cut.retain(|(t_s, _)| !(12.0..14.0).contains(t_s));
        let (length_s, _) = measure(&cut).unwrap();
        assert!((length_s - 2.75).abs() < 0.1, "{length_s}");
    }
}
