//! Source time to hub time.
//!
//! Spans between a source's readings stay the source's own, so a recording played fast keeps its true spans. Only a live clock that has
//! proved to run at about the hub's pace is kept from wandering off: when it is out by more than [`OUT_US`], its readings are moved
//! back onto the hub's time bit by bit, so that no reading is ever put before one that came earlier.

use super::{feed::Batch, skew::Skew};
use spinover_protocol::{Millis, message::SourceClock};
use std::collections::BTreeMap;

/// A clock is known to be one after this long, in microseconds.
const KNOWN_US: i64 = 10_000_000;
/// And if it runs within this of the hub's pace. Quartz keeps to 0.01 %, a bare microcontroller to 1 or 2 %; what is faster or slower
/// is a recording played at a pace of its own. Common practice, no source.
const CLOCK_PACE: f64 = 0.02;
/// The drift is told after this long, in microseconds: the hub's clock ticks in milliseconds, so that it is good to some 20 ppm then.
const DRIFT_US: i64 = 60_000_000;
/// Out by more than this, in microseconds, a clock's readings are moved back; and until they are within the second.
const OUT_US: f64 = 250_000.0;
const IN_US: f64 = 20_000.0;
/// So fast at most: five hundredths of a second in a second.
const BACK_PACE: f64 = 0.05;
/// What is out by more than this for [`LEAP_S`] has leapt: the sender started again, or was set.
const LEAP_US: f64 = 1_000_000.0;
const LEAP_S: i64 = 5;
/// Batches of the latest time that are remembered, to know one that comes twice.
const SAME_TIME: usize = 16;

/// For each source with a clock of its own, how it runs.
#[derive(Clone, Debug, Default)]
pub struct Times {
    clocks: BTreeMap<usize, Clock>,
    /// Sources whose time is no clock's: recordings and simulations.
    played: Vec<bool>,
}

#[derive(Clone, Debug)]
struct Clock {
    /// What is added to its time, in microseconds.
    offset_us: i64,
    last_us: i64,
    late_us: i64,
    skew: Skew,
    moving: bool,
    leapt: Option<Leap>,
    /// Batches that carried the latest time.
    same_time: Vec<Batch>,
    /// It has only ever told whole seconds, and then several batches of one second are honest.
    whole: bool,
}

/// Readings that are all out by more than a clock can be.
#[derive(Clone, Copy, Debug)]
struct Leap {
    since: Millis,
    batches: u32,
    least_us: i64,
    most_us: i64,
}

impl Times {
    /// Says which sources play a recording or a simulation: their times are taken as they are, whatever they do.
    pub fn played(&mut self, played: Vec<bool>) {
        self.played = played;
    }

    /// Whether the very same batch with the same time has just come from that source. Recorders that write whole seconds repeat
    /// themselves honestly, and are not held to it.
    pub fn is_twice(&mut self, source: usize, batch: &Batch) -> bool {
        let (Some(t_s), Some(clock)) = (batch.t_s, self.clocks.get_mut(&source)) else {
            return false;
        };
        clock.whole &= t_s.fract() == 0.0;
        if clock
            .same_time
            .last()
            .is_some_and(|last| last.t_s != batch.t_s)
        {
            clock.same_time.clear();
        }
        if clock.same_time.contains(batch) {
            return !clock.whole;
        }
        if clock.same_time.len() < SAME_TIME {
            clock.same_time.push(batch.clone());
        }
        false
    }

    /// A batch's time on the hub's clock, in microseconds.
    pub fn hub_us(&mut self, now: Millis, source: usize, batch: &Batch) -> i64 {
        let now_us = now * 1000;
        let Some(t_s) = batch.t_s else { return now_us };
        let t_us = (t_s * 1e6).round() as i64;
        let played = self.played.get(source).copied().unwrap_or(false);
        let clock = self.clocks.entry(source).or_insert_with(|| Clock {
            offset_us: now_us.saturating_sub(t_us),
            last_us: t_us,
            late_us: 0,
            skew: Skew::default(),
            moving: false,
            leapt: None,
            same_time: vec![batch.clone()],
            whole: t_s.fract() == 0.0,
        });
        if !played {
            clock.follow(now, t_us);
        }
        clock.last_us = clock.last_us.max(t_us);
        t_us.saturating_add(clock.offset_us)
    }

    /// How a source's clock runs; nothing for one that has none, plays a recording, or has been heard too briefly.
    pub fn clock(&self, source: usize) -> Option<SourceClock> {
        let clock = self.clocks.get(&source)?;
        let line = clock.line().filter(|line| line.span_us >= KNOWN_US)?;
        let least_us = line.least_us(clock.last_us);
        Some(SourceClock {
            offset_s: least_us / 1e6,
            drift_ppm: (line.span_us >= DRIFT_US).then(|| line.drift() * 1e6),
            late_ms: ((clock.late_us as f64 - least_us) / 1e3).max(0.0),
            over_s: line.span_us as f64 / 1e6,
        })
    }
}

impl Clock {
    /// The line under its delays, where it is a clock.
    fn line(&self) -> Option<super::skew::Line> {
        let line = self.skew.line()?;
        (line.span_us >= KNOWN_US && line.drift().abs() <= CLOCK_PACE).then_some(line)
    }

    fn follow(&mut self, now: Millis, t_us: i64) {
        let now_us = now * 1000;
        self.late_us = now_us.saturating_sub(t_us);
        let Some(line) = self.line() else {
            self.skew.push(now_us, t_us);
            return;
        };
        if self.has_leapt(now, self.late_us, line.least_us(t_us)) {
            // Its next time follows its last one, as it did; how much later, only the hub's clock can say.
            let last_us = self.last_us.saturating_add(self.offset_us);
            self.offset_us = now_us.max(last_us).saturating_sub(t_us);
            self.skew = Skew::default();
            (self.moving, self.leapt) = (false, None);
        }
        if self.leapt.is_none() {
            self.skew.push(now_us, t_us);
            self.move_back(line.least_us(t_us), t_us);
        }
    }

    /// Whether it has been out by about the same for so long that it must have leapt.
    fn has_leapt(&mut self, now: Millis, late_us: i64, least_us: f64) -> bool {
        if (late_us as f64 - least_us).abs() < LEAP_US {
            self.leapt = None;
            return false;
        }
        let leap = self.leapt.get_or_insert(Leap {
            since: now,
            batches: 0,
            least_us: late_us,
            most_us: late_us,
        });
        leap.batches += 1;
        leap.least_us = leap.least_us.min(late_us);
        leap.most_us = leap.most_us.max(late_us);
        if (leap.most_us - leap.least_us) as f64 > LEAP_US {
            // It goes on changing: no clock that was set, but one that is played at another pace, or a way that is jammed. Watched anew.
            self.skew = Skew::default();
            self.leapt = None;
            return false;
        }
        leap.batches >= 5 && now - leap.since >= LEAP_S * 1000
    }

    fn move_back(&mut self, least_us: f64, t_us: i64) {
        let passed_us = t_us - self.last_us;
        let out_us = least_us - self.offset_us as f64;
        self.moving = out_us.abs() > if self.moving { IN_US } else { OUT_US };
        if self.moving && passed_us > 0 {
            let pace = (out_us / 10e6).clamp(-BACK_PACE, BACK_PACE);
            self.offset_us += (pace * passed_us as f64) as i64;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use rand::{Rng, SeedableRng, rngs::SmallRng};

    fn at(t_s: f64) -> Batch {
        Batch {
            t_s: Some(t_s),
            values: vec![(0, 1.0)],
        }
    }

    /// A sender at 10 a second whose clock runs so much faster than the hub's, over a way that takes 5 ms and now and then much longer.
    /// Gives each reading's true time and the time it was put at, in seconds.
    fn send(times: &mut Times, seed: u64, drift: f64, extra_s: f64, for_s: f64) -> Vec<(f64, f64)> {
        let mut rng = SmallRng::seed_from_u64(seed);
        let mut last = 0;
        (0..(for_s * 10.0) as i64)
            .map(|n| {
                let true_s = n as f64 / 10.0;
                // One-sided, with a long tail, and in order as on one connection.
                let late: f64 = 0.005 - extra_s * (1.0 - rng.random::<f64>()).ln();
                last = last.max(((true_s + late) * 1000.0) as i64);
                let t_s = 7_000.0 + true_s * (1.0 + drift);
                (true_s, times.hub_us(last, 0, &at(t_s)) as f64 / 1e6)
            })
            .collect()
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(48))]

        /// The bound: the hub's tick, and twice the extra delay over the time that was watched.
        #[test]
        fn the_drift_is_found_through_one_sided_delays(
            seed in any::<u64>(), ppm in -19_000.0..19_000.0_f64, extra_s in 0.0..0.05_f64
        ) {
            let mut times = Times::default();
            let put = send(&mut times, seed, ppm / 1e6, extra_s, 130.0);
            let clock = times.clock(0).unwrap();
            let bound = 1e6 * (0.001 + 2.0 * extra_s) / 120.0;
            let found = clock.drift_ppm.unwrap();
            // The line is in the source's time: a clock that is fast by d is ahead of it by d / (1 + d).
            let expected = ppm / (1.0 + ppm / 1e6);
            prop_assert!((found - expected).abs() <= bound, "{found} for {expected}, bound {bound}");
            prop_assert!(put.windows(2).all(|two| two[0].1 <= two[1].1), "never back");
            // Known after 10 s, so from then on within the bound at which readings are moved back, and what it takes to do it.
            let worst = put.iter().map(|(t, put)| (t - put).abs()).fold(0.0, f64::max);
            prop_assert!(worst <= 0.55 + 10.0 * extra_s, "{worst}");
        }

        #[test]
        fn a_recording_keeps_its_spans_at_any_pace(
            pace in 0.01..1000.0_f64, played in any::<bool>(), spans in prop::collection::vec(0.0..5.0_f64, 1..400)
        ) {
            // Where nobody says that it is played, only a pace that no clock has shows it.
            prop_assume!(played || (pace - 1.0).abs() > 0.05);
            let mut times = Times::default();
            times.played(vec![played]);
            let (mut t_s, mut first) = (100.0, None);
            for span in spans {
                t_s += span;
                let now = (t_s / pace * 1000.0) as Millis;
                let put = times.hub_us(now, 0, &at(t_s));
                let (from_s, from_us) = *first.get_or_insert((t_s, put));
                prop_assert!((put - from_us - ((t_s - from_s) * 1e6_f64).round() as i64).abs() <= 1);
            }
        }
    }

    #[test]
    fn a_sender_that_starts_again_is_put_at_the_hubs_time_again() {
        let mut times = Times::default();
        send(&mut times, 1, 0.0, 0.002, 30.0);
        // It was off for 8 s, and its time goes on where it was.
        let put: Vec<f64> = (0..200)
            .map(|n| {
                let now = 38_000 + n * 100;
                times.hub_us(now, 0, &at(7_030.0 + n as f64 / 10.0)) as f64 / 1e3 - now as f64
            })
            .collect();
        assert!(put[0] < -7_900.0);
        assert!(
            put[60..].iter().all(|out| out.abs() < 10.0),
            "{:?}",
            &put[55..70]
        );
    }

    #[test]
    fn the_same_twice_is_known_and_a_recorder_of_whole_seconds_is_not_held_to_it() {
        let mut times = Times::default();
        let mut twice = |source, t_s| {
            let twice = times.is_twice(source, &at(t_s));
            times.hub_us(0, source, &at(t_s));
            twice
        };
        assert!(!twice(0, 1.5));
        assert!(twice(0, 1.5));
        assert!(!twice(0, 1.6));
        assert!(twice(0, 1.6));
        assert!(!twice(1, 5.0) && !twice(1, 5.0) && !twice(1, 6.0) && !twice(1, 6.0));
    }
}
