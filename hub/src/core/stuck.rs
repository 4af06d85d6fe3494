//! Whether a sensor has stopped moving that never was still before.
//!
//! Nobody has to say how noisy a sensor is: it is learned from its own readings. A sensor counts as lively when its last values went up
//! and down without a direction, as noise does, rather than along, as a warming engine does. When such a sensor then gives one and the
//! same number for far longer than it ever did, it is stuck. Where it rests at the end of its range of late (a stopped engine at 0, a
//! gauge at its stop), it is at rest, and nothing is said. The rule and its numbers are ours: common practice, no source;
//! `docs/quality.md` has what it finds in real recordings.

use spinover_protocol::Millis;
use std::collections::VecDeque;

/// Values in a row, each unlike the one before, by which a sensor is known.
const KNOWN_BY: usize = 40;
/// So many of them are remembered for the range that it was in.
const RANGE_OF: usize = 256;
/// Part of the steps that turn back. Pure noise turns two times in three, a steady climb never.
const TURNS: f64 = 0.4;
/// So many different ones among them: a sensor that flickers between two or three steps of its own is as good as still.
const LEVELS: usize = 8;
/// It is stuck after so many times the longest that it stood still among those values, in samples and in seconds.
const LONGER: f64 = 30.0;
/// And not before this, in seconds.
const LEAST_S: f64 = 5.0;
/// A sensor of which the car file says how long it can be still is judged from this many equal samples on.
const LEAST_SAMPLES: u32 = 3;

/// One value, and how long it stood.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Run {
    value: f64,
    since_s: f64,
    samples: u32,
    lasted_s: f64,
}

/// What one sensor's readings say about its being stuck.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Still {
    /// The latest values, each unlike the one before; the last is the present one.
    runs: VecDeque<Run>,
    /// How long the present one may stand: in samples and seconds. Worked out once, when it has stood for a while.
    limit: Option<Option<(f64, f64)>>,
}

impl Still {
    /// Takes the next value; whether the sensor is stuck with it. `declared` is the car file's word on how long it can be still,
    /// 0 for any time.
    pub fn push(&mut self, t_s: f64, value: f64, declared: Option<Millis>) -> bool {
        match self.runs.back_mut() {
            Some(run) if run.value == value => {
                run.samples += 1;
                run.lasted_s = t_s - run.since_s;
            }
            last => {
                if let Some(last) = last {
                    last.lasted_s = t_s - last.since_s;
                }
                if self.runs.len() == RANGE_OF {
                    self.runs.pop_front();
                }
                let (since_s, samples, lasted_s) = (t_s, 1, 0.0);
                self.runs.push_back(Run {
                    value,
                    since_s,
                    samples,
                    lasted_s,
                });
                self.limit = None;
                return false;
            }
        }
        let Some(run) = self.runs.back().copied() else {
            return false;
        };
        match declared {
            Some(0) => false,
            // A stopped engine's gauge is honest at 0, however noisy it is otherwise.
            Some(ms) => {
                run.value != 0.0
                    && run.samples >= LEAST_SAMPLES
                    && run.lasted_s * 1000.0 >= ms as f64
            }
            None => {
                if run.lasted_s < LEAST_S {
                    return false;
                }
                let limit = match self.limit {
                    Some(limit) => limit,
                    None => *self.limit.insert(self.may_stand()),
                };
                limit.is_some_and(|(samples, seconds)| {
                    f64::from(run.samples) > samples && run.lasted_s > seconds
                })
            }
        }
    }

    /// How long the present value may stand, in samples and seconds; nothing where the sensor is not lively, or at rest.
    fn may_stand(&self) -> Option<(f64, f64)> {
        let before = self.runs.len() - 1;
        let first = before.checked_sub(KNOWN_BY)?;
        let lately: Vec<&Run> = self.runs.range(first..before).collect();
        let turned = |three: &&[&Run]| {
            (three[1].value - three[0].value) * (three[2].value - three[1].value) < 0.0
        };
        let turns = lately.windows(3).filter(turned).count();
        let present = self.runs.back()?.value;
        let known = || self.runs.range(..before).map(|run| run.value);
        let mut levels: Vec<f64> = lately.iter().map(|run| run.value).collect();
        levels.sort_by(f64::total_cmp);
        levels.dedup();
        let inside = known().any(|value| value < present) && known().any(|value| value > present);
        if !inside || levels.len() < LEVELS || (turns as f64) < TURNS * (KNOWN_BY - 2) as f64 {
            return None;
        }
        let samples = lately.iter().map(|run| run.samples).max()?;
        let seconds = lately.iter().map(|run| run.lasted_s).fold(0.0, f64::max);
        Some((LONGER * f64::from(samples), LONGER * seconds))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{Rng, SeedableRng, rngs::SmallRng};

    /// Feeds values at 10 a second; when it was first called stuck, in seconds.
    fn first_stuck(values: impl IntoIterator<Item = f64>, declared: Option<Millis>) -> Option<f64> {
        let mut still = Still::default();
        values.into_iter().enumerate().find_map(|(n, value)| {
            let t_s = n as f64 * 0.1;
            still.push(t_s, value, declared).then_some(t_s)
        })
    }

    fn noise(seed: u64, step: f64) -> impl FnMut(f64) -> f64 {
        let mut rng = SmallRng::seed_from_u64(seed);
        move |level: f64| {
            let noisy = level + rng.random_range(-1.0..1.0);
            (noisy / step).round() * step
        }
    }

    #[test]
    fn a_noisy_sensor_that_freezes_is_found_within_seconds() {
        for seed in 0..200 {
            let mut sensor = noise(seed, 0.1);
            let live: Vec<f64> = (0..300).map(|_| sensor(60.0)).collect();
            let frozen = live[200];
            let inside = live.iter().any(|value| *value < frozen)
                && live.iter().any(|value| *value > frozen);
            let values = live.into_iter().chain((0..600).map(|_| frozen));
            let found = first_stuck(values, None);
            // At the end of its range it cannot be told from one at rest.
            let right = found.is_some_and(|at| (30.0..50.0).contains(&at)) == inside;
            assert!(right, "{seed}: {found:?}");
        }
    }

    #[test]
    fn what_rests_honestly_is_never_stuck() {
        for seed in 0..200 {
            let mut sensor = noise(seed, 0.1);
            // Never moved at all.
            assert_eq!(first_stuck((0..5_000).map(|_| 12.5), None), None);
            // A whole-degree temperature that climbs and stays.
            let climb = (0..3_000).map(|n| (f64::from(n) / 60.0).min(40.0).floor());
            assert_eq!(first_stuck(climb, None), None);
            // An engine that is noisy, runs down, and stands at 0.
            let run = (0..3_000).map(|n| match n {
                0..600 => sensor(60.0),
                600..640 => sensor(60.0 - 1.5 * f64::from(n - 600)).max(0.0),
                _ => 0.0,
            });
            let run: Vec<f64> = run.collect();
            assert_eq!(first_stuck(run, None), None, "{seed}");
        }
    }

    #[test]
    fn the_car_files_word_goes_before_what_was_learned() {
        let frozen = || (0..200).map(|_| 12.5);
        assert_eq!(first_stuck(frozen(), Some(3_000)), Some(3.0));
        assert_eq!(first_stuck((0..200).map(|_| 0.0), Some(3_000)), None);
        let mut sensor = noise(1, 0.1);
        let live: Vec<f64> = (0..300).map(|_| sensor(60.0)).collect();
        let values = live.into_iter().chain((0..600).map(|_| 60.0));
        assert_eq!(first_stuck(values, Some(0)), None);
    }

    #[test]
    fn one_that_moves_again_is_believed_again() {
        let mut sensor = noise(3, 0.1);
        let mut still = Still::default();
        let mut t_s = 0.0;
        let mut push = |value| {
            t_s += 0.1;
            still.push(t_s, value, None)
        };
        assert!((0..300).all(|_| !push(sensor(60.0))));
        assert!((0..200).any(|_| push(60.0)));
        assert!(!push(60.1));
    }
}
