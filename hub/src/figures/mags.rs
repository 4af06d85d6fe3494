//! The two magnetos' timing: how far apart, and drifting how fast. Holds readings, no clock.
//!
//! Shown small, since nothing can be done about it during a warm-up; recorded all the same.

use std::collections::VecDeque;

use serde::Serialize;

use super::quantity::{Degrees, Seconds};
use super::{CantSay, robust};

/// Cells that the window is divided in; bounds the pairs to sort.
const CELLS: usize = 120;

/// What to look at; the chief's settings.
#[derive(Copy, Clone, Debug, PartialEq, Serialize)]
pub struct MagLimits {
    /// Window looked at, seconds.
    pub window_s: f64,
    /// Least of it that must be filled, seconds.
    pub least_s: f64,
    /// Oldest that the newest pair may be, seconds.
    pub age_s: f64,
    /// Difference worth a word, degrees.
    pub apart_deg: f64,
    /// Drift of one or of the difference worth a word, degrees a minute.
    pub drift_deg_per_min: f64,
}

impl Default for MagLimits {
    /// Common practice, no source.
    fn default() -> Self {
        MagLimits {
            window_s: 60.0,
            least_s: 10.0,
            age_s: 3.0,
            apart_deg: 1.0,
            drift_deg_per_min: 0.5,
        }
    }
}

/// A robust slope with its 80 % interval, degrees a minute.
#[derive(Copy, Clone, Debug, PartialEq, Serialize)]
pub struct Drift {
    /// Slope.
    pub deg_per_min: f64,
    /// Lower end of its interval.
    pub lo_deg_per_min: f64,
    /// Upper end of its interval.
    pub hi_deg_per_min: f64,
}

/// How the magnetos stand.
#[derive(Copy, Clone, Debug, PartialEq, Serialize)]
pub struct Mags {
    /// First magneto, median of the window.
    pub first_deg: Degrees,
    /// Second magneto, median of the window.
    pub second_deg: Degrees,
    /// First minus second, median of the pairs.
    pub apart_deg: Degrees,
    /// Robust spread of the difference.
    pub apart_spread_deg: Degrees,
    /// Drift of the first.
    pub first_drift: Drift,
    /// Drift of the second.
    pub second_drift: Drift,
    /// Drift of the difference.
    pub apart_drift: Drift,
    /// Change of the difference since the first window of this warm-up.
    pub since_start_deg: Degrees,
    /// Length of the window.
    pub window_s: Seconds,
    /// True where the difference or a drift passes the settings.
    pub noted: bool,
}

/// Watches both magnetos: push pairs, ask for the state.
#[derive(Clone, Debug)]
pub struct MagWatch {
    limits: MagLimits,
    pairs: VecDeque<(f64, f64, f64)>,
    first_apart: Option<f64>,
}

impl Default for MagWatch {
    fn default() -> Self {
        MagWatch::new(MagLimits::default())
    }
}

impl MagWatch {
    /// Starts with an empty window.
    pub fn new(limits: MagLimits) -> Self {
        MagWatch {
            limits,
            pairs: VecDeque::new(),
            first_apart: None,
        }
    }

    /// Takes both timings read at one time, degrees before top dead centre. Pairs that are not
    /// numbers, or older than the newest, are ignored.
    pub fn push(&mut self, t_s: f64, first_deg: f64, second_deg: f64) {
        let late = self.pairs.back().is_some_and(|p| t_s < p.0);
        if late || ![t_s, first_deg, second_deg].iter().all(|v| v.is_finite()) {
            return;
        }
        self.pairs.push_back((t_s, first_deg, second_deg));
        while self
            .pairs
            .front()
            .is_some_and(|p| t_s - p.0 > self.limits.window_s)
        {
            self.pairs.pop_front();
        }
        if self.first_apart.is_none() && t_s - self.pairs[0].0 >= self.limits.least_s {
            let apart: Vec<f64> = self.pairs.iter().map(|p| p.1 - p.2).collect();
            self.first_apart = robust::median(&apart);
        }
    }

    /// How they stand at `now_s`.
    ///
    /// # Errors
    /// [`CantSay`]: nothing read, newest pair too old, or watched for too short a time.
    pub fn now(&self, now_s: f64) -> Result<Mags, CantSay> {
        let Some(newest) = self.pairs.back().map(|p| p.0) else {
            return Err(CantSay::Missing {
                what: "magneto timing",
            });
        };
        if now_s - newest > self.limits.age_s {
            return Err(CantSay::Old {
                age_s: now_s - newest,
                limit_s: self.limits.age_s,
            });
        }
        let span = newest - self.pairs[0].0;
        if span < self.limits.least_s {
            return Err(CantSay::TooShort {
                have_s: span,
                need_s: self.limits.least_s,
            });
        }
        // Runs of equal length, each by its medians, so that a fast source costs no more.
        let run = self.pairs.len().div_ceil(CELLS);
        let pairs: Vec<(f64, f64, f64)> = self.pairs.iter().copied().collect();
        let column = |of: fn(&(f64, f64, f64)) -> f64| -> Vec<f64> {
            pairs
                .chunks(run)
                .filter_map(|c| robust::median(&c.iter().map(of).collect::<Vec<_>>()))
                .collect()
        };
        let t = column(|p| p.0);
        let (first, second, apart) = (column(|p| p.1), column(|p| p.2), column(|p| p.1 - p.2));
        let drift = |y: &[f64]| {
            robust::theil_sen(&t, y, robust::Z80)
                .map(|line| Drift {
                    deg_per_min: line.slope * 60.0,
                    lo_deg_per_min: line.slope_lo * 60.0,
                    hi_deg_per_min: line.slope_hi * 60.0,
                })
                .ok_or(CantSay::TooFew {
                    what: "readings",
                    have: 1,
                    need: 2,
                })
        };
        let middle = |y: &[f64]| robust::median(y).unwrap_or(f64::NAN);
        let (first_drift, second_drift, apart_drift) =
            (drift(&first)?, drift(&second)?, drift(&apart)?);
        let apart_deg = middle(&apart);
        let sure = |d: &Drift| {
            d.deg_per_min.abs() > self.limits.drift_deg_per_min
                && (d.lo_deg_per_min > 0.0 || d.hi_deg_per_min < 0.0)
        };
        Ok(Mags {
            first_deg: Degrees(middle(&first)),
            second_deg: Degrees(middle(&second)),
            apart_deg: Degrees(apart_deg),
            apart_spread_deg: Degrees(robust::mad_sigma(&apart).unwrap_or(0.0)),
            noted: apart_deg.abs() > self.limits.apart_deg
                || [&first_drift, &second_drift, &apart_drift]
                    .into_iter()
                    .any(sure),
            first_drift,
            second_drift,
            apart_drift,
            since_start_deg: Degrees(apart_deg - self.first_apart.unwrap_or(apart_deg)),
            window_s: Seconds(span),
        })
    }
}

impl Mags {
    /// One plain sentence for a phone.
    pub fn words(&self) -> String {
        format!(
            "mags {:.1}° and {:.1}°, {:.1}° apart, drifting {:+.1}° a minute",
            self.first_deg.0,
            self.second_deg.0,
            self.apart_deg.0.abs(),
            self.apart_drift.deg_per_min
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn watch(apart: f64, drift_per_min: f64, seconds: u32) -> MagWatch {
        let mut w = MagWatch::default();
        for i in 0..=seconds * 5 {
            let t = f64::from(i) / 5.0;
            let wobble = 0.1 * f64::from(i % 3) - 0.1;
            w.push(
                t,
                58.0 + wobble,
                58.0 - apart + wobble - drift_per_min * t / 60.0,
            );
        }
        w
    }

    #[test]
    fn equal_and_still_is_not_noted() {
        let mags = watch(0.3, 0.0, 60).now(60.0).unwrap();
        assert!((mags.apart_deg.0 - 0.3).abs() < 0.05, "{mags:?}");
        assert!(!mags.noted && mags.since_start_deg.0.abs() < 0.05);
    }

    #[test]
    fn apart_or_drifting_is_noted() {
        assert!(watch(1.6, 0.0, 60).now(60.0).unwrap().noted);
        let mags = watch(0.2, 1.2, 120).now(120.0).unwrap();
        assert!(mags.noted, "{mags:?}");
        assert!((mags.apart_drift.deg_per_min - 1.2).abs() < 0.1, "{mags:?}");
        assert!((mags.since_start_deg.0 - 1.7).abs() < 0.2, "{mags:?}");
        assert!(mags.words().contains("+1.2°"), "{}", mags.words());
    }

    #[test]
    fn a_lost_tooth_reading_does_not_move_it() {
        let mut w = watch(0.3, 0.0, 60);
        for i in 0..5 {
            w.push(60.1 + 0.1 * f64::from(i), 90.0, 57.7);
        }
        let mags = w.now(60.6).unwrap();
        assert!((mags.apart_deg.0 - 0.3).abs() < 0.06, "{mags:?}");
    }

    #[test]
    fn it_says_when_it_cannot_say() {
        let mut w = MagWatch::default();
        assert!(matches!(w.now(0.0), Err(CantSay::Missing { .. })));
        w.push(0.0, 58.0, 58.0);
        w.push(f64::NAN, 58.0, 58.0);
        assert!(matches!(w.now(0.0), Err(CantSay::TooShort { .. })));
        assert!(matches!(w.now(9.0), Err(CantSay::Old { .. })));
    }
}
