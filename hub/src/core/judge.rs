//! Whether a reading can be believed, by the one source's readings of the channel before it.
//!
//! It only marks. Every value is shown at once, and a mark costs an honest jump one sample: the second that agrees is good again.

use super::stuck::Still;
use spinover_protocol::{car::Channel, trust::Doubt};

/// A jump of more than this part of the plausible span between two readings is doubted, where the car file gives no `max_rate`.
/// Common practice, no source; `docs/quality.md` has what it marks in real recordings.
const JUMP_PART: f64 = 0.25;
/// Rows that carry one time are taken to lie within this many seconds: recorders that write whole seconds give several.
const SAME_TIME_S: f64 = 1.0;

/// A value with its time in seconds.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Point {
    t_s: f64,
    value: f64,
}

/// What one source said of one channel, as far as it serves to judge the next.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Judge {
    /// The last value that was believed.
    believed: Option<Point>,
    /// A value too far from it to be believed yet.
    jump: Option<Point>,
    still: Still,
}

impl Judge {
    /// Judges the next reading: `raw` as the sensor gave it, `value` after calibration, `t_s` by the source's own clock in seconds.
    pub fn judge(&mut self, channel: &Channel, t_s: f64, raw: f64, value: f64) -> Option<Doubt> {
        let stuck = self.still.push(t_s, raw, channel.sensor.stuck_after_ms);
        if !channel.plausible.holds(value) {
            return Some(Doubt::Range);
        }
        if !self.believes(channel, Point { t_s, value }) {
            return Some(match channel.max_rate {
                Some(_) => Doubt::Rate,
                None => Doubt::Spike,
            });
        }
        stuck.then_some(Doubt::Stuck)
    }

    /// Another calibration holds: values before it say nothing about how far the next may be from them.
    pub fn calibrated(&mut self) {
        (self.believed, self.jump) = (None, None);
    }

    fn believes(&mut self, channel: &Channel, point: Point) -> bool {
        let Some(believed) = self.believed else {
            self.believed = Some(point);
            return true;
        };
        // The median of three, one sample later: of what was believed, what jumped and what comes now, the two that agree are right.
        // A row written twice agrees with itself, and is no second sample.
        let agrees = |jump: Point| jump != point && near(channel, jump, point);
        if near(channel, believed, point) || self.jump.is_some_and(agrees) {
            // The reference moves on only with time, so that several rows of one second are all held against the second before.
            if point.t_s != believed.t_s || self.jump.is_some() {
                self.believed = Some(point);
            }
            self.jump = None;
            return true;
        }
        self.jump = Some(point);
        false
    }
}

/// Whether the sensor can honestly have gone from one to the other.
fn near(channel: &Channel, from: Point, to: Point) -> bool {
    let span = channel.plausible.high - channel.plausible.low;
    let dt = to.t_s - from.t_s;
    let reach = match channel.max_rate {
        Some(rate) if dt > 0.0 => rate * dt,
        Some(rate) => rate * SAME_TIME_S,
        // After a long silence anything may have happened.
        None if dt * 1000.0 > channel.old_after_ms as f64 => f64::INFINITY,
        None => span * JUMP_PART,
    };
    (to.value - from.value).abs() <= reach
}

#[cfg(test)]
mod tests {
    use super::*;
    use spinover_protocol::units::Unit;

    fn channel(max_rate: Option<f64>) -> Channel {
        Channel {
            label: "oil".into(),
            decimals: 0,
            max_rate,
            old_after_ms: 1_000,
            ..Channel::new("oil_pressure", Unit::Psi, (0.0, 300.0))
        }
    }

    fn doubts(max_rate: Option<f64>, samples: &[(f64, f64)]) -> Vec<Option<Doubt>> {
        let channel = channel(max_rate);
        let mut judge = Judge::default();
        let one = |&(t_s, value): &(f64, f64)| judge.judge(&channel, t_s, value, value);
        samples.iter().map(one).collect()
    }

    #[test]
    fn a_spike_is_marked_and_what_follows_is_not() {
        let samples = [
            (0.0, 60.0),
            (0.1, 61.0),
            (0.2, 240.0),
            (0.3, 61.0),
            (0.4, 62.0),
        ];
        let rate = Some(Doubt::Rate);
        assert_eq!(
            doubts(Some(100.0), &samples),
            [None, None, rate, None, None]
        );
        let spike = Some(Doubt::Spike);
        assert_eq!(doubts(None, &samples), [None, None, spike, None, None]);
    }

    #[test]
    fn a_real_jump_costs_one_sample() {
        let samples = [(0.0, 60.0), (0.1, 200.0), (0.2, 201.0), (0.3, 202.0)];
        let rate = Some(Doubt::Rate);
        assert_eq!(doubts(Some(100.0), &samples), [None, rate, None, None]);
    }

    #[test]
    fn the_same_row_twice_does_not_confirm_itself() {
        let samples = [(0.0, 60.0), (0.1, 240.0), (0.1, 240.0), (0.2, 61.0)];
        let spike = Some(Doubt::Spike);
        assert_eq!(doubts(None, &samples), [None, spike, spike, None]);
    }

    #[test]
    fn rows_with_one_time_are_held_against_the_second_before() {
        let samples = [
            (0.0, 60.0),
            (1.0, 120.0),
            (1.0, 140.0),
            (1.0, 155.0),
            (2.0, 215.0),
            (3.0, 30.0),
        ];
        let seen = doubts(Some(100.0), &samples);
        assert_eq!(seen, [None, None, None, None, None, Some(Doubt::Rate)]);
    }

    #[test]
    fn out_of_range_is_no_reference_for_what_follows() {
        let samples = [(0.0, 60.0), (0.1, 310.0), (0.2, 60.0)];
        let range = Some(Doubt::Range);
        assert_eq!(doubts(Some(100.0), &samples), [None, range, None]);
    }

    #[test]
    fn after_a_silence_a_channel_may_be_anywhere() {
        assert_eq!(doubts(None, &[(0.0, 60.0), (1.5, 290.0)]), [None, None]);
    }
}
