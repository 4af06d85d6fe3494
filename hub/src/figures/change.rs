//! A lasting change of a flow: the lever was moved, the fuel was changed. Readings in, yes or no out.

use super::robust;
use std::collections::VecDeque;

/// How long a change must last, and what it is set against, in seconds. Shorter is a blip of the
/// throttle. This and the limits below are settings, no source.
const LASTS_S: f64 = 4.0;
const BEFORE_S: f64 = 8.0;
/// Readings that either part needs.
const LEAST: usize = 4;
/// Change that matters, as a share of the larger flow.
const SHARE: f64 = 0.15;
/// Share of the readings on either side that must be nearer to its own level.
const KEEPS: f64 = 0.9;
/// Below this a meter at rest wanders, L/min.
const AT_REST: f64 = 0.1;

/// Watches for a lasting change.
#[derive(Clone, Debug, Default)]
pub struct ChangeWatch {
    readings: VecDeque<(f64, f64)>,
}

impl ChangeWatch {
    /// Takes one reading: seconds, L/min. True when a change has just been seen to last; it began
    /// about four seconds before. Readings older than the newest are ignored.
    pub fn push(&mut self, t_s: f64, flow_l_per_min: f64) -> bool {
        if !(t_s.is_finite() && flow_l_per_min.is_finite())
            || self.readings.back().is_some_and(|(t, _)| t_s <= *t)
        {
            return false;
        }
        self.readings.push_back((t_s, flow_l_per_min));
        while self
            .readings
            .front()
            .is_some_and(|(t, _)| t_s - t > LASTS_S + BEFORE_S)
        {
            self.readings.pop_front();
        }
        let part = |late: bool| -> Vec<f64> {
            let inside = |(t, _): &&(f64, f64)| (t_s - t <= LASTS_S) == late;
            self.readings
                .iter()
                .filter(inside)
                .map(|(_, v)| *v)
                .collect()
        };
        let (before, after) = (part(false), part(true));
        if before.len() < LEAST || after.len() < LEAST {
            return false;
        }
        let (Some(was), Some(is)) = (robust::median(&before), robust::median(&after)) else {
            return false;
        };
        let larger = was.abs().max(is.abs());
        // On the one side then, on the other now, but for a stray reading or two.
        let keeps = |part: &[f64], level: f64, other: f64| {
            let near = |v: &&f64| (*v - level).abs() < (*v - other).abs();
            part.iter().filter(near).count() as f64 >= KEEPS * part.len() as f64
        };
        let changed = larger > AT_REST
            && (is - was).abs() > SHARE * larger
            && keeps(&before, was, is)
            && keeps(&after, is, was);
        if changed {
            // The next change is one from here.
            self.readings.retain(|(t, _)| t_s - t <= LASTS_S / 2.0);
        }
        changed
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Seconds at which a change was seen, of a flow read ten times a second.
    fn seen(flow: impl Fn(f64) -> f64) -> Vec<f64> {
        let mut watch = ChangeWatch::default();
        let times = (0..600).map(|i| f64::from(i) / 10.0);
        times.filter(|t| watch.push(*t, flow(*t))).collect()
    }

    fn noise(t: f64) -> f64 {
        0.3 * (t * 37.0).sin()
    }

    #[test]
    fn one_move_of_the_lever_is_seen_once_and_soon() {
        for to in [24.0, 36.0] {
            let at = seen(|t| if t < 30.0 { 30.0 } else { to } + noise(t));
            assert!(at.len() == 1 && (30.0..36.0).contains(&at[0]), "{at:?}");
        }
    }

    #[test]
    fn noise_a_blip_and_a_meter_at_rest_are_no_change() {
        assert!(seen(|t| 30.0 + noise(t)).is_empty());
        let blip = seen(|t| 30.0 + noise(t) + if (30.0..31.5).contains(&t) { 25.0 } else { 0.0 });
        assert!(blip.is_empty(), "{blip:?}");
        assert!(seen(|t| 0.2 * noise(t)).is_empty());
        assert!(seen(|t| if t < 30.0 { 30.0 } else { 31.5 } + noise(t)).is_empty());
    }
}
