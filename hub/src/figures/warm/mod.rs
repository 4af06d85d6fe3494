//! Time to a target temperature with an 80 % interval, from this warm-up so far and earlier ones; no I/O, no clock.
//!
//! What carries the forecast is how earlier warm-ups of the same engine went from this
//! temperature (those of like engine speed first), at the pace of this one so far. A first-order
//! fit with its prior from the same warm-ups joins in with the share that its past errors earn. The
//! interval comes from forecasting every earlier warm-up from the others. Without earlier
//! warm-ups a first-order fit that must reach the target carries it, held to the slope of the last
//! minute. Method, measured errors and limits: `docs/figures-warm.md`.
//!
//! The constants were chosen on warm-ups of one road car at idle, by leave-one-out; nothing here
//! is known of the temperatures a nitro engine should have.
mod fit;
mod forecast;
mod history;
mod track;

pub use fit::{
    FirstOrderFit, FitError, RiseFit, RisePrior, first_order_fit, free_rise_fit, rise_fit,
};
pub use history::WarmCurve;

use forecast::{Calibration, fit_left, fit_now, point, progress};
use history::{Past, Standing, rise_prior};
use track::Track;

/// What a forecast rests on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Basis {
    /// The target is reached.
    Reached,
    /// Earlier warm-ups, and a first-order fit with its prior from them.
    History,
    /// This warm-up alone: a first-order fit that must reach the target, held to the last slope.
    ThisRunOnly,
    /// This warm-up alone and too young for a fit: the slope so far.
    SlopeOnly,
}

/// When the target will be reached.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Forecast {
    /// Seconds from the last row until the temperature first reaches the target.
    pub eta_s: f64,
    /// Low end of the 80 % interval, s.
    pub lo_s: f64,
    /// High end of the 80 % interval, s.
    pub hi_s: f64,
    /// What it rests on.
    pub basis: Basis,
    /// How many earlier warm-ups had a say.
    pub n_history: usize,
}

/// Why there is no forecast.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
#[serde(rename_all = "snake_case", tag = "why")]
pub enum CantSay {
    /// No usable temperature yet.
    NoReading,
    /// The last usable temperature is too long ago.
    Old {
        /// Age of the last usable temperature, s.
        age_s: f64,
    },
    /// The engine speed says that the engine is not running.
    NotRunning,
    /// The temperature is falling or has just fallen.
    Falling,
    /// Too little of a rise yet, and no earlier warm-up that passed this temperature.
    TooEarly,
    /// It has stopped rising short of the target.
    LevelledOff {
        /// Where, deg C.
        at_c: f64,
    },
    /// Most like warm-ups before this one levelled off short of the target.
    OutOfReach {
        /// Highest temperature they reached, deg C.
        highest_c: f64,
        /// How many levelled off below the target.
        runs: usize,
        /// Of how many that passed this temperature and were watched long enough.
        of: usize,
    },
}

/// A temperature older than this carries no forecast, s.
const OLD_S: f64 = 30.0;
/// Without a rise for this long it has levelled off, s; with earlier warm-ups, also longer than
/// `STALLED_STEPS` times what they took over the same degree.
const LEVEL_S: f64 = 180.0;
const STALLED_STEPS: f64 = 3.0;
/// Window of the slope, s.
const SLOPE_S: f64 = 60.0;
/// The slope counts once this much has been risen, deg C, over this long, s.
const SLOPE_LEAST_C: f64 = 2.0;
const SLOPE_LEAST_S: f64 = 10.0;
/// Without earlier warm-ups: the heating rate at the target is taken as exp(-1), 37 %, of that at
/// the start, give or take. Own judgement; leave-one-out is kind to anything from 0.8 to 1.3.
const ALONE_U: f64 = 1.0;
const ALONE_SD_LN_U: f64 = 0.3;
/// Share of the rise from which on the bend that was seen counts in full.
const BEND_TRUSTED_AT: f64 = 0.5;
/// An engine whose speed, over 10 s, has come back to this many times its lowest is under a load that
/// comes and goes: the bend of an idling one does not come.
const DRIVEN_SWING: f64 = 1.5;
/// What that adds to the spread of the logarithm of the error. Measured on two driven road cars.
const DRIVEN_SD_LN: f64 = 0.4;
/// Below this no engine idles, rpm. Common practice, no source.
const IDLE_LEAST_RPM: f64 = 500.0;
/// The fit alone may be at most this much shorter or longer than the last slope says.
const SLOPE_HOLDS: (f64, f64) = (1.0, 3.0);
/// Spread of the logarithm of the error without earlier warm-ups: at the target, and what is
/// added with the cube of what is left of the rise; and by how much more the target may come
/// late than early. Measured on the recordings (docs/figures-warm.md).
const ALONE_SD_LN: (f64, f64) = (0.1, 0.5);
const ALONE_LATE_LN: f64 = 1.0;

/// Follows one warm-up and forecasts when it reaches a target.
///
/// `new` forecasts every earlier warm-up from the others once: work grows with their number
/// squared (measured in a release build: 4.5 ms for 11, 47 ms for 44). `push` does constant work,
/// and one small fit at each new degree (at worst 34 us). `forecast` asks each earlier warm-up
/// once (8 us with 11). Memory grows with degrees risen, not with time.
pub struct Warm {
    target_c: f64,
    pasts: Vec<Past>,
    calibration: Calibration,
    track: Track,
    fit: Option<RiseFit>,
    reached: bool,
}

impl Warm {
    /// A forecast of when `target_c` (deg C) is reached, given earlier warm-ups of the same
    /// engine, oldest or newest first alike. Curves that rise by less than two degrees are left out.
    pub fn new(target_c: f64, history: Vec<WarmCurve>) -> Warm {
        let pasts: Vec<Past> = history.iter().filter_map(Past::new).collect();
        let calibration = Calibration::new(&pasts, target_c);
        Warm {
            target_c,
            pasts,
            calibration,
            track: Track::new(false),
            fit: None,
            reached: false,
        }
    }

    /// Earlier warm-ups in use.
    pub fn history_len(&self) -> usize {
        self.pasts.len()
    }

    /// Target, deg C.
    pub fn target_c(&self) -> f64 {
        self.target_c
    }

    /// Takes the next row: time s, temperature deg C (NaN where blank), engine speed rpm where known.
    ///
    /// Repeated times are fine. A clock that runs back by more than 5 s starts over. One wild
    /// reading is ignored, two that agree are believed. A fall of 3 deg C starts the rise over.
    pub fn push(&mut self, t_s: f64, temp_c: f64, rpm: Option<f64>) {
        if self.track.push(t_s, temp_c, rpm) {
            self.refit();
            // Whole-degree ripple just below the target does not undo that it was reached.
            self.reached = self
                .track
                .rise()
                .is_some_and(|r| r.highest_c() >= self.target_c);
        }
    }

    /// The flow, or whatever heats the engine, was changed at `t_s`: pace and fit start again.
    pub fn note_change(&mut self, t_s: f64) {
        self.track.note_change(t_s);
        self.refit();
    }

    fn refit(&mut self) {
        let Some(now) = self.standing() else {
            self.fit = None;
            return;
        };
        let fit = fit_now(&now, self.target_c, |from| {
            rise_prior(self.pasts.iter(), from, self.target_c).or_else(|| {
                let plateau = self.target_c + (self.target_c - now.start_c) / ALONE_U.exp_m1();
                let u = ((plateau - from) / (plateau - self.target_c)).ln();
                (u > 0.0).then(|| RisePrior {
                    ln_u: u.ln(),
                    sd_ln_u: ALONE_SD_LN_U,
                })
            })
        });
        self.fit = fit;
    }

    fn standing(&self) -> Option<Standing<'_>> {
        let rise = self.track.rise()?;
        Some(Standing {
            start_c: rise.start_c,
            base_c: self.track.base_c(),
            passages: &rise.passages,
            dwell_s: (self.track.good()?.0 - rise.passages.last()?.t_s).max(0.0),
            rpm: self.track.rpm_means(),
        })
    }

    /// Seconds to the target as of the last row, or why that cannot be said.
    pub fn forecast(&self) -> Result<Forecast, CantSay> {
        let (Some(now), Some((t_good, temp)), Some(t)) =
            (self.standing(), self.track.good(), self.track.now_s())
        else {
            return Err(CantSay::NoReading);
        };
        if temp >= self.target_c || self.reached {
            return Ok(Forecast {
                eta_s: 0.0,
                lo_s: 0.0,
                hi_s: 0.0,
                basis: Basis::Reached,
                n_history: self.pasts.len(),
            });
        }
        if t - t_good > OLD_S {
            return Err(CantSay::Old { age_s: t - t_good });
        }
        if self.track.stopped() {
            return Err(CantSay::NotRunning);
        }
        if self.track.falling() {
            return Err(CantSay::Falling);
        }
        self.out_of_reach(&now)?;
        // While the temperature is blank, nothing is known but that time goes by.
        let f = self.as_of(&now)?;
        let later = |s: f64| (s - (t - t_good)).max(0.0);
        Ok(Forecast {
            eta_s: later(f.eta_s),
            lo_s: later(f.lo_s),
            hi_s: later(f.hi_s),
            ..f
        })
    }

    /// The forecast as of the last usable temperature.
    fn as_of(&self, now: &Standing<'_>) -> Result<Forecast, CantSay> {
        let point = point(now, self.pasts.iter(), self.target_c, self.fit.as_ref());
        let Some(point) = point else {
            return self.alone(now);
        };
        if now.dwell_s > LEVEL_S.max(STALLED_STEPS * point.longest_step_s) {
            return Err(CantSay::LevelledOff { at_c: now.temp_c() });
        }
        let done = progress(now.start_c, now.temp_c(), self.target_c);
        let (eta_s, lo_s, hi_s) = self.calibration.forecast(&point, done);
        Ok(Forecast {
            eta_s,
            lo_s,
            hi_s,
            basis: Basis::History,
            n_history: point.runs,
        })
    }

    /// Whether most earlier warm-ups that passed this temperature levelled off short of the target.
    fn out_of_reach(&self, now: &Standing<'_>) -> Result<(), CantSay> {
        let temp = now.temp_c();
        let passed = || {
            self.pasts
                .iter()
                .filter(|p| p.rise.start_c < temp && p.rise.highest_c() >= temp)
        };
        let short: Vec<&Past> = passed()
            .filter(|p| p.levelled_below(self.target_c))
            .collect();
        let reached = passed()
            .filter(|p| p.rise.highest_c() >= self.target_c)
            .count();
        if short.len() > reached {
            return Err(CantSay::OutOfReach {
                highest_c: short
                    .iter()
                    .map(|p| p.rise.highest_c())
                    .fold(temp, f64::max),
                runs: short.len(),
                of: short.len() + reached,
            });
        }
        Ok(())
    }

    /// Without a like earlier warm-up: the fit that must reach the target, held to the last slope.
    fn alone(&self, now: &Standing<'_>) -> Result<Forecast, CantSay> {
        let temp = now.temp_c();
        if now.dwell_s > LEVEL_S {
            return Err(CantSay::LevelledOff { at_c: temp });
        }
        let last = now.passages.last().ok_or(CantSay::NoReading)?.t_s;
        // The start was only found, not passed, so the slope counts from the first degree risen.
        let from_t = now
            .time_at(now.compare_from_c())
            .unwrap_or(last)
            .max((last - SLOPE_S).min(now.time_at(temp - SLOPE_LEAST_C).unwrap_or(last)));
        let risen = temp - now.temp_at(from_t).max(now.compare_from_c());
        let took = last - from_t;
        if risen < SLOPE_LEAST_C.min(0.5 * (self.target_c - now.start_c)) || took < SLOPE_LEAST_S {
            return Err(CantSay::TooEarly);
        }
        // A reading that sits longer than its last degrees took slows the slope.
        let per_degree = (took / risen).max((took + now.dwell_s) / (risen + 1.0));
        let waited = now.dwell_s.min(0.95 * per_degree);
        let slope = ((self.target_c - temp) * per_degree - waited).max(0.5);
        let fitted = self
            .fit
            .as_ref()
            .and_then(|f| Some((fit_left(f, now, self.target_c)?, f.sd_ln_eta.unwrap_or(0.3))));
        let done = progress(now.start_c, temp, self.target_c);
        let to_go = (1.0 - done).powi(3);
        let base = ALONE_SD_LN.0 + ALONE_SD_LN.1 * to_go;
        let base = if speed_swing(now) > DRIVEN_SWING {
            base.hypot(DRIVEN_SD_LN)
        } else {
            base
        };
        let (eta_s, sd, basis) = match fitted {
            Some((s, sd)) => {
                // Early on the bend to come is a guess: half of it counts at a quarter of the rise.
                let bend = self.bend_seen(now) * (done / BEND_TRUSTED_AT).min(1.0);
                let s = s.clamp(SLOPE_HOLDS.0 * slope, SLOPE_HOLDS.1 * slope);
                (
                    (bend * s.ln() + (1.0 - bend) * slope.ln()).exp(),
                    base.hypot(sd.min(0.5)),
                    Basis::ThisRunOnly,
                )
            }
            None => (slope, base.hypot(0.5), Basis::SlopeOnly),
        };
        // 80 % of a normal spread lies within 1.28 standard deviations.
        let spread = 1.2816 * sd;
        Ok(Forecast {
            eta_s,
            lo_s: eta_s * (-spread).exp(),
            hi_s: eta_s * (spread + ALONE_LATE_LN * to_go).exp(),
            basis,
            n_history: 0,
        })
    }

    /// How much of the bend that the fit expects has been seen, 0 to 1: the second half of the
    /// degrees risen against the first.
    ///
    /// Oil that is only just getting its heat, or an engine under rising load, does not slow down
    /// yet, and there the slope is the better guide.
    fn bend_seen(&self, now: &Standing<'_>) -> f64 {
        if speed_swing(now) > DRIVEN_SWING {
            return 0.0;
        }
        let temp = now.temp_c();
        let from = now.compare_from_c();
        let times = [from, 0.5 * (from + temp), temp].map(|c| now.time_at(c));
        let [Some(a), Some(b), Some(c)] = times else {
            return 0.0;
        };
        let plateau = self.target_c + (self.target_c - now.start_c) / ALONE_U.exp_m1();
        let time = |low: f64, high: f64| ((plateau - low) / (plateau - high)).ln();
        let middle = 0.5 * (from + temp);
        let expected = (time(middle, temp) / time(from, middle)).ln();
        let seen = ((c - b).max(0.1) / (b - a).max(0.1)).ln();
        (seen / expected).clamp(0.0, 1.0)
    }

    /// The forecast in words for a screen.
    pub fn words(&self) -> String {
        match self.forecast() {
            Ok(f) => f.words(self.target_c),
            Err(why) => why.words(self.target_c),
        }
    }
}

/// How far the engine speed has risen again, over the lowest before, at the degrees passed so far; 1
/// where it is not known. A cold engine's idle falls as it warms; under a changing load it comes back.
fn speed_swing(now: &Standing<'_>) -> f64 {
    let speeds = now.passages.iter().filter_map(|passage| passage.rpm[0]);
    // Means that the start is a part of say nothing of the load.
    let speeds = speeds.filter(|rpm| *rpm >= IDLE_LEAST_RPM);
    let (_, swing) = speeds.fold((f64::INFINITY, 1.0_f64), |(low, swing), rpm| {
        (low.min(rpm), swing.max(rpm / low))
    });
    swing
}

impl Forecast {
    /// In words: when, how sure, and what it rests on.
    pub fn words(&self, target_c: f64) -> String {
        if self.basis == Basis::Reached {
            return format!("{target_c:.0} °C reached");
        }
        let rests = match (self.basis, self.n_history) {
            (Basis::History, 1) => "1 earlier warm-up".to_string(),
            (Basis::History, n) => format!("{n} earlier warm-ups"),
            (Basis::SlopeOnly, _) => "the slope so far alone".to_string(),
            _ => "this warm-up alone".to_string(),
        };
        format!(
            "{target_c:.0} °C in {} ({} to {}; from {rests})",
            minutes(self.eta_s),
            minutes(self.lo_s),
            minutes(self.hi_s)
        )
    }
}

/// Minutes and seconds, `4:05`.
fn minutes(s: f64) -> String {
    let s = s.round().max(0.0) as u64;
    format!("{}:{:02}", s / 60, s % 60)
}

impl CantSay {
    /// In words: why not.
    pub fn words(&self, target_c: f64) -> String {
        match *self {
            CantSay::NoReading => "can't say: no temperature yet".into(),
            CantSay::Old { age_s } => {
                format!("can't say: the temperature is {age_s:.0} s old")
            }
            CantSay::NotRunning => "can't say: the engine is not running".into(),
            CantSay::Falling => "can't say: the temperature is falling".into(),
            CantSay::TooEarly => "can't say yet: too little of a rise".into(),
            CantSay::LevelledOff { at_c } => format!(
                "won't get there at this flow: levelled off at {at_c:.0} °C, target {target_c:.0} °C"
            ),
            CantSay::OutOfReach {
                highest_c,
                runs,
                of,
            } => format!(
                "won't get there at this flow: {runs} of {of} earlier warm-ups levelled off below \
                 {target_c:.0} °C, the highest at {highest_c:.0} °C"
            ),
        }
    }
}
