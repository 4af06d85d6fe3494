//! The latest reading of each channel, and how far it can be trusted.

use super::feed::Batch;
use spinover_protocol::{
    Millis,
    car::Channel,
    message::{Frame, Quality, SRC_NONE, SRC_TYPED},
};

/// A typed reading counts as fresh for this long: a person looked at a gauge, and cannot look twenty times a second.
pub const TYPED_OLD_AFTER_MS: i64 = 30_000;
/// After this many samples in a row that agree with one another, a jump is taken for real rather than for a spike.
const JUMP_CONFIRMED_BY: u8 = 3;

/// The latest reading of one channel.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Latest {
    value: f64,
    came: Millis,
    suspect: bool,
    source: u8,
}

/// A value with its time in seconds, for the rate of change.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Point {
    t_s: f64,
    value: f64,
}

#[derive(Clone, Debug, PartialEq, Default)]
struct State {
    latest: Option<Latest>,
    /// The last value that was believed.
    believed: Option<Point>,
    /// A value too far from it to be believed yet, and how many have agreed with it.
    jump: Option<(Point, u8)>,
}

/// All channels of a car.
#[derive(Clone, Debug, PartialEq)]
pub struct Channels {
    channels: Vec<Channel>,
    states: Vec<State>,
    frames: u64,
}

impl Channels {
    /// Channels that nothing has been heard of.
    pub fn new(channels: &[Channel]) -> Self {
        Self {
            channels: channels.to_vec(),
            states: vec![State::default(); channels.len()],
            frames: 0,
        }
    }

    /// Takes a source's values in. Without a source time, the time of arrival serves for the rate of change.
    pub fn take(&mut self, now: Millis, source: usize, batch: &Batch) {
        let t_s = batch.t_s.unwrap_or(now as f64 / 1000.0);
        let source = u8::try_from(source).unwrap_or(SRC_NONE - 2);
        for &(index, value) in &batch.values {
            let (Some(channel), Some(state)) =
                (self.channels.get(index), self.states.get_mut(index))
            else {
                continue;
            };
            let suspect = !channel.plausible.holds(value)
                || !state.rate_is_honest(channel.max_rate, Point { t_s, value });
            state.latest = Some(Latest {
                value,
                came: now,
                suspect,
                source,
            });
        }
    }

    /// Takes a reading that a person typed in, unless a source is delivering that channel well.
    pub fn take_typed(&mut self, now: Millis, index: usize, value: f64) {
        let live =
            self.reading(now, index).1 == Quality::Good && self.source(index) != Some(SRC_TYPED);
        if let (false, Some(channel), Some(state)) =
            (live, self.channels.get(index), self.states.get_mut(index))
        {
            let suspect = !channel.plausible.holds(value);
            state.latest = Some(Latest {
                value,
                came: now,
                suspect,
                source: SRC_TYPED,
            });
        }
    }

    /// A channel's value, quality and age in milliseconds.
    pub fn reading(&self, now: Millis, index: usize) -> (Option<f64>, Quality, i64) {
        let Some((channel, latest)) = self
            .channels
            .get(index)
            .zip(self.states.get(index).and_then(|state| state.latest))
        else {
            return (None, Quality::None, 0);
        };
        let age = (now - latest.came).max(0);
        let old_after = if latest.source == SRC_TYPED {
            TYPED_OLD_AFTER_MS
        } else {
            channel.old_after_ms
        };
        let quality = match latest {
            _ if age > old_after => Quality::Old,
            Latest { suspect: true, .. } => Quality::Suspect,
            _ => Quality::Good,
        };
        (Some(latest.value), quality, age)
    }

    /// A channel's value when it is good.
    pub fn good(&self, now: Millis, index: usize) -> Option<f64> {
        match self.reading(now, index) {
            (value, Quality::Good, _) => value,
            _ => None,
        }
    }

    /// Where a channel's latest reading came from.
    pub fn source(&self, index: usize) -> Option<u8> {
        self.states.get(index)?.latest.map(|latest| latest.source)
    }

    /// All of them as one frame; each call counts one up.
    pub fn frame(&mut self, now: Millis) -> Frame {
        self.frames += 1;
        let mut frame = Frame {
            n: self.frames,
            now,
            ..Frame::default()
        };
        for index in 0..self.channels.len() {
            let (value, quality, age) = self.reading(now, index);
            frame.v.push(value);
            frame.q.push(quality.letter());
            frame.age.push(age);
            frame.src.push(self.source(index).unwrap_or(SRC_NONE));
        }
        frame
    }
}

impl State {
    fn rate_is_honest(&mut self, max_rate: Option<f64>, point: Point) -> bool {
        let Some(max_rate) = max_rate else {
            return true;
        };
        let near = |from: Point| {
            let dt = point.t_s - from.t_s;
            // Sources that stamp whole seconds give several rows one time; a rate needs time to have passed, and after a
            // long silence anything may have happened.
            dt <= 0.0 && from.value == point.value
                || dt > 0.0 && (point.value - from.value).abs() <= max_rate * dt
        };
        let Some(believed) = self.believed else {
            self.believed = Some(point);
            return true;
        };
        if near(believed)
            || (point.t_s <= believed.t_s
                && self.jump.is_none()
                && (point.value - believed.value).abs() <= max_rate)
        {
            // The reference moves on only with time, so that several rows of one second are all held against the second before.
            if point.t_s != believed.t_s {
                self.believed = Some(point);
            }
            self.jump = None;
            return true;
        }
        let agreed = match self.jump {
            Some((from, count))
                if (point.value - from.value).abs()
                    <= max_rate * (point.t_s - from.t_s).max(1.0) =>
            {
                count + 1
            }
            _ => 1,
        };
        self.jump = Some((point, agreed));
        if agreed >= JUMP_CONFIRMED_BY {
            self.believed = Some(point);
            self.jump = None;
            return true;
        }
        false
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use spinover_protocol::{car::Band, units::Unit};

    fn channels() -> Channels {
        Channels::new(&[Channel {
            key: "oil_pressure".into(),
            label: "oil".into(),
            unit: Unit::Psi,
            decimals: 0,
            plausible: Band {
                low: 0.0,
                high: 300.0,
            },
            max_rate: Some(100.0),
            old_after_ms: 1_000,
            band: None,
        }])
    }

    fn quality_after(samples: &[(f64, f64)]) -> Vec<Quality> {
        let mut channels = channels();
        let take = |(t_s, value): &(f64, f64)| {
            channels.take(
                0,
                0,
                &Batch {
                    t_s: Some(*t_s),
                    values: vec![(0, *value)],
                },
            );
            channels.reading(0, 0).1
        };
        samples.iter().map(take).collect()
    }

    #[test]
    fn outside_the_plausible_range_is_suspect_and_silence_is_old() {
        let mut channels = channels();
        assert_eq!(channels.reading(0, 0), (None, Quality::None, 0));
        channels.take(
            10,
            0,
            &Batch {
                t_s: None,
                values: vec![(0, 60.0)],
            },
        );
        assert_eq!(
            channels.reading(1_010, 0),
            (Some(60.0), Quality::Good, 1_000)
        );
        assert_eq!(channels.reading(1_011, 0).1, Quality::Old);
        channels.take(
            2_000,
            0,
            &Batch {
                t_s: None,
                values: vec![(0, 301.0)],
            },
        );
        assert_eq!(channels.reading(2_000, 0).1, Quality::Suspect);
        assert_eq!(channels.frame(2_000).q, "s");
    }

    #[test]
    fn a_spike_is_suspect_and_what_follows_is_not() {
        use Quality::{Good, Suspect};
        let seen = quality_after(&[
            (0.0, 60.0),
            (0.1, 61.0),
            (0.2, 240.0),
            (0.3, 61.0),
            (0.4, 62.0),
        ]);
        assert_eq!(seen, [Good, Good, Suspect, Good, Good]);
    }

    #[test]
    fn a_real_jump_is_believed_once_it_stays() {
        use Quality::{Good, Suspect};
        let seen = quality_after(&[
            (0.0, 60.0),
            (0.1, 200.0),
            (0.2, 201.0),
            (0.3, 202.0),
            (0.4, 203.0),
        ]);
        assert_eq!(seen, [Good, Suspect, Suspect, Good, Good]);
    }

    #[test]
    fn rows_with_one_time_are_held_against_the_second_before() {
        use Quality::{Good, Suspect};
        let seen = quality_after(&[
            (0.0, 60.0),
            (1.0, 120.0),
            (1.0, 140.0),
            (1.0, 155.0),
            (2.0, 215.0),
            (3.0, 30.0),
        ]);
        assert_eq!(seen, [Good, Good, Good, Good, Good, Suspect]);
    }

    #[test]
    fn a_typed_reading_does_not_push_a_live_one_aside() {
        let mut channels = channels();
        channels.take_typed(0, 0, 55.0);
        assert_eq!(channels.reading(TYPED_OLD_AFTER_MS, 0).1, Quality::Good);
        channels.take(
            100,
            3,
            &Batch {
                t_s: None,
                values: vec![(0, 60.0)],
            },
        );
        channels.take_typed(200, 0, 70.0);
        assert_eq!(
            (channels.reading(200, 0).0, channels.source(0)),
            (Some(60.0), Some(3))
        );
    }
}
