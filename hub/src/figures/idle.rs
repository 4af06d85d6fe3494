//! Is the idle settled? A window of rpm readings in, a state out. Holds readings, no clock.
//!
//! Slope and spread over the window are robust (Theil-Sen, median absolute deviation), so a
//! dropped or doubled reading does not move them. Hunting is a rhythm found beside a curved trend,
//! so that a settling engine is not taken for a hunting one.

use std::collections::VecDeque;

use serde::Serialize;

use super::CantSay;
use super::quantity::{Rpm, Seconds};
use super::rhythm::rhythm;
use super::robust;
use super::settle::{moving_state, step};

/// Most readings kept, whatever the rate; at 100 a second the default window holds 2000.
const MOST_READINGS: usize = 20_000;
/// Cells that the window is divided in; each speaks by its median. Bounds the pairs to sort.
const CELLS: f64 = 100.0;
/// Fewest cells that are judged.
const FEWEST: usize = 8;

/// When an idle counts as settled; the chief's settings.
#[derive(Copy, Clone, Debug, PartialEq, Serialize)]
pub struct IdleLimits {
    /// Window looked at, seconds.
    pub window_s: f64,
    /// Least of it that must be filled, seconds.
    pub least_s: f64,
    /// Longest silence inside the window and up to now, seconds; a longer one starts it anew.
    pub silence_s: f64,
    /// Below this the engine does not run, rpm.
    pub running_rpm: f64,
    /// Slope below which it is not moving, rpm per second.
    pub slope_rpm_per_s: f64,
    /// Robust spread above which it is unsteady, rpm.
    pub spread_rpm: f64,
    /// Peak-to-peak swing above which a rhythm is hunting, and anything else unsteady, rpm.
    pub swing_rpm: f64,
    /// Nearness to the end value at which it has settled, rpm.
    pub band_rpm: f64,
}

impl Default for IdleLimits {
    /// Common practice, no source; to be set to the engine.
    fn default() -> Self {
        IdleLimits {
            window_s: 20.0,
            least_s: 8.0,
            silence_s: 3.0,
            running_rpm: 300.0,
            slope_rpm_per_s: 2.0,
            spread_rpm: 20.0,
            swing_rpm: 60.0,
            band_rpm: 20.0,
        }
    }
}

/// What the idle is doing.
#[derive(Copy, Clone, Debug, PartialEq, Serialize)]
#[serde(tag = "state", rename_all = "snake_case")]
pub enum IdleState {
    /// Neither moving, nor swinging, nor unsteady.
    Settled,
    /// Moving, ever slower.
    Settling {
        /// Where it is heading.
        to_rpm: Option<Rpm>,
        /// Time until within the band of that.
        settle_s: Option<Seconds>,
        /// Lower end of the 80 % interval of that time.
        settle_lo_s: Option<Seconds>,
        /// Upper end; none where the end is not in sight.
        settle_hi_s: Option<Seconds>,
    },
    /// Swinging in a rhythm.
    Hunting {
        /// Peak-to-peak swing.
        swing_rpm: Rpm,
        /// Time of one cycle.
        period_s: Seconds,
    },
    /// Moving, without slowing down.
    Drifting,
    /// Went from one level to another at once.
    Stepped {
        /// By how much.
        by_rpm: Rpm,
        /// How long ago.
        ago_s: Seconds,
    },
    /// Wide spread with no rhythm.
    Unsteady,
}

impl IdleState {
    /// The state in one word.
    pub fn word(&self) -> &'static str {
        match self {
            IdleState::Settled => "settled",
            IdleState::Settling { .. } => "settling",
            IdleState::Hunting { .. } => "hunting",
            IdleState::Drifting => "drifting",
            IdleState::Stepped { .. } => "stepped",
            IdleState::Unsteady => "unsteady",
        }
    }
}

/// The idle over the window.
#[derive(Copy, Clone, Debug, PartialEq, Serialize)]
pub struct Idle {
    /// What it is doing.
    #[serde(flatten)]
    pub state: IdleState,
    /// Where it stands now: the line through the window at its end (the median when hunting).
    pub rpm: Rpm,
    /// Robust slope, rpm per second.
    pub slope_rpm_per_s: f64,
    /// Lower end of the slope's 80 % interval.
    pub slope_lo_rpm_per_s: f64,
    /// Upper end of the slope's 80 % interval.
    pub slope_hi_rpm_per_s: f64,
    /// Robust spread about the line.
    pub spread_rpm: Rpm,
    /// Standard uncertainty of `rpm`.
    pub rpm_sd: Rpm,
    /// Length of the window that this rests on: the whole, or its last part where that settled.
    pub window_s: Seconds,
}

/// Watches the idle: push readings, ask for the state. `now` sorts some
/// thousand slopes and tries some hundred frequencies (3 to 4 ms measured in a build without
/// optimisation), so ask a few times a second, not at every reading.
#[derive(Clone, Debug)]
pub struct IdleWatch {
    limits: IdleLimits,
    readings: VecDeque<(f64, f64)>,
    refused: u32,
}

impl Default for IdleWatch {
    fn default() -> Self {
        IdleWatch::new(IdleLimits::default())
    }
}

impl IdleWatch {
    /// Starts with an empty window.
    pub fn new(limits: IdleLimits) -> Self {
        IdleWatch {
            limits,
            readings: VecDeque::new(),
            refused: 0,
        }
    }

    /// The settings.
    pub fn limits(&self) -> IdleLimits {
        self.limits
    }

    /// Readings refused so far: not a number, negative, or older than the newest.
    pub fn refused(&self) -> u32 {
        self.refused
    }

    /// Takes one reading. An engine that stops, or a long silence, starts the window anew.
    pub fn push(&mut self, t_s: f64, rpm: f64) {
        let newest = self.readings.back().map(|r| r.0);
        if !t_s.is_finite() || !rpm.is_finite() || rpm < 0.0 || newest.is_some_and(|t| t_s < t) {
            self.refused += 1;
            return;
        }
        if newest.is_some_and(|t| t_s - t > self.limits.silence_s) {
            self.readings.clear();
        }
        if rpm < self.limits.running_rpm {
            // Kept alone, as the sign that it stopped; a start is then not seen as a trend.
            self.readings.clear();
        } else if self
            .readings
            .back()
            .is_some_and(|r| r.1 < self.limits.running_rpm)
        {
            self.readings.clear();
        }
        self.readings.push_back((t_s, rpm));
        while self.readings.len() > MOST_READINGS
            || self
                .readings
                .front()
                .is_some_and(|r| t_s - r.0 > self.limits.window_s)
        {
            self.readings.pop_front();
        }
    }

    /// Forgets what was before an adjustment at `t_s`, so that before and after do not mix.
    pub fn adjusted(&mut self, t_s: f64) {
        self.readings.retain(|r| r.0 > t_s);
    }

    /// The state at `now_s`.
    ///
    /// # Errors
    /// [`CantSay`]: nothing read yet, newest reading too old, engine not running, or watched for
    /// too short a time since the start, the last adjustment or the last silence.
    pub fn now(&self, now_s: f64) -> Result<Idle, CantSay> {
        let limits = &self.limits;
        let Some(&(newest, last)) = self.readings.back() else {
            return Err(CantSay::Missing { what: "engine rpm" });
        };
        if now_s - newest > limits.silence_s {
            return Err(CantSay::Old {
                age_s: now_s - newest,
                limit_s: limits.silence_s,
            });
        }
        if last < limits.running_rpm {
            return Err(CantSay::NotRunning);
        }
        let span = newest - self.readings[0].0;
        if span < limits.least_s {
            return Err(CantSay::TooShort {
                have_s: span,
                need_s: limits.least_s,
            });
        }
        let (x, y) = self.cells(newest);
        let Some(whole) = judge(&x, &y, limits) else {
            return Err(CantSay::TooFew {
                what: "readings",
                have: x.len(),
                need: FEWEST,
            });
        };
        if let IdleState::Hunting { .. } = whole.state {
            return Ok(whole.idle(span));
        }
        if whole.state != IdleState::Settled {
            // A step or an approach that is over still tilts the whole window. The last part of it
            // may say settled by itself, but a short look must be surer that it is not moving.
            let most = limits.slope_rpm_per_s;
            // A slow source needs a longer part for as many cells.
            let from = x
                .partition_point(|t| *t < -limits.least_s)
                .min(x.len().saturating_sub(FEWEST));
            let late = judge(&x[from..], &y[from..], limits).filter(|late| {
                late.state == IdleState::Settled
                    && late.line.slope.abs() < most
                    && late.line.slope_lo > -1.5 * most
                    && late.line.slope_hi < 1.5 * most
            });
            if let Some(late) = late {
                return Ok(late.idle(-x[from]));
            }
        }
        let mut idle = whole.idle(span);
        // A step tilts or spreads the whole window, or is not seen yet by its medians.
        if let Some(step) = step(&x, &y, whole.line, limits) {
            idle.state = IdleState::Stepped {
                by_rpm: Rpm(step.by),
                ago_s: Seconds(step.ago),
            };
            idle.rpm = Rpm(step.level);
        }
        Ok(idle)
    }

    /// The window in cells: time before the newest reading (so negative) and the median rpm.
    fn cells(&self, newest: f64) -> (Vec<f64>, Vec<f64>) {
        let width = self.limits.window_s / CELLS;
        let (mut x, mut y) = (Vec::new(), Vec::new());
        let mut cell: Vec<(f64, f64)> = Vec::new();
        let mut index = i64::MIN;
        let mut flush = |cell: &mut Vec<(f64, f64)>| {
            if !cell.is_empty() {
                let values: Vec<f64> = cell.iter().map(|r| r.1).collect();
                x.push(cell.iter().map(|r| r.0).sum::<f64>() / cell.len() as f64);
                y.push(robust::median(&values).unwrap_or(values[0]));
                cell.clear();
            }
        };
        for &(t, rpm) in &self.readings {
            let at = ((t - newest) / width).floor() as i64;
            if at != index {
                flush(&mut cell);
                index = at;
            }
            cell.push((t - newest, rpm));
        }
        flush(&mut cell);
        (x, y)
    }
}

/// A window judged.
struct Judged {
    state: IdleState,
    line: robust::TheilSen,
    spread: f64,
    median: f64,
    cells: usize,
}

impl Judged {
    fn idle(&self, window_s: f64) -> Idle {
        Idle {
            state: self.state,
            rpm: Rpm(match self.state {
                IdleState::Hunting { .. } => self.median,
                // x counts back from the newest reading, so the line's end is its intercept.
                _ => self.line.intercept_joint,
            }),
            slope_rpm_per_s: self.line.slope,
            slope_lo_rpm_per_s: self.line.slope_lo,
            slope_hi_rpm_per_s: self.line.slope_hi,
            spread_rpm: Rpm(self.spread),
            // A median's standard error is 1.253 sigma / sqrt n; at the end of a line it is twice.
            rpm_sd: Rpm(2.0 * 1.253 * self.spread / (self.cells as f64).sqrt()),
            window_s: Seconds(window_s),
        }
    }
}

/// Judges cells of readings; `None` for fewer than [`FEWEST`].
fn judge(x: &[f64], y: &[f64], limits: &IdleLimits) -> Option<Judged> {
    if x.len() < FEWEST {
        return None;
    }
    let line = robust::theil_sen(x, y, robust::Z80)?;
    let rest: Vec<f64> = x
        .iter()
        .zip(y)
        .map(|(x, y)| y - line.intercept_joint - line.slope * x)
        .collect();
    let spread = robust::mad_sigma(&rest)?;
    // The median deviation does not see an excursion that takes less than half of the window, so
    // the range of the middle nine tenths is looked at too; strays fall in the rest.
    let mut sorted = rest.clone();
    sorted.sort_unstable_by(f64::total_cmp);
    let range =
        robust::quantile_of_sorted(&sorted, 0.95) - robust::quantile_of_sorted(&sorted, 0.05);
    let unsteady = spread > limits.spread_rpm || range > limits.swing_rpm;
    // Over the window it must also have gone farther than it scatters.
    let went = line.slope.abs() * (x[x.len() - 1] - x[0]);
    let moving = went > spread
        && line.slope.abs() > limits.slope_rpm_per_s
        && (line.slope_lo > 0.0 || line.slope_hi < 0.0);
    let rhythm = rhythm(x, y).filter(|r| r.swing > limits.swing_rpm);
    let state = match rhythm {
        Some(r) => IdleState::Hunting {
            swing_rpm: Rpm(r.swing),
            period_s: Seconds(r.period),
        },
        None => match moving.then(|| moving_state(x, y, limits)) {
            // Within the band of where it is going, it is as steady as its spread says.
            None | Some(IdleState::Settled) if unsteady => IdleState::Unsteady,
            None => IdleState::Settled,
            Some(state) => state,
        },
    };
    Some(Judged {
        state,
        line,
        spread,
        median: robust::median(y)?,
        cells: x.len(),
    })
}

impl Idle {
    /// One plain sentence for a phone.
    pub fn words(&self) -> String {
        let rpm = self.rpm.0;
        match self.state {
            IdleState::Settled => {
                format!("settled at {rpm:.0} rpm (± {:.0})", self.spread_rpm.0)
            }
            IdleState::Settling {
                to_rpm, settle_s, ..
            } => match (to_rpm, settle_s) {
                (Some(to), Some(s)) if s.0 < 1.0 => {
                    format!("all but settled at {:.0} rpm", to.0)
                }
                (Some(to), Some(s)) => {
                    format!("settling to {:.0} rpm, {:.0} s more", to.0, s.0.ceil())
                }
                _ => format!("settling, {rpm:.0} rpm now"),
            },
            IdleState::Hunting {
                swing_rpm,
                period_s,
            } => {
                format!("hunting: {:.0} rpm every {:.1} s", swing_rpm.0, period_s.0)
            }
            IdleState::Drifting => format!(
                "drifting {} {:.1} rpm a second, {rpm:.0} rpm now",
                if self.slope_rpm_per_s > 0.0 {
                    "up"
                } else {
                    "down"
                },
                self.slope_rpm_per_s.abs()
            ),
            IdleState::Stepped { by_rpm, ago_s } => format!(
                "stepped {} {:.0} rpm {:.0} s ago, {rpm:.0} rpm now",
                if by_rpm.0 > 0.0 { "up" } else { "down" },
                by_rpm.0.abs(),
                ago_s.0
            ),
            IdleState::Unsteady => {
                format!(
                    "unsteady: ± {:.0} rpm with no rhythm, {rpm:.0} rpm",
                    self.spread_rpm.0
                )
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use rand::rngs::SmallRng;
    use rand::{Rng, SeedableRng};

    use super::*;

    /// Feeds `rpm(t)` plus uniform noise of the given half-width for `seconds` at `hz`.
    fn watch(seconds: f64, hz: f64, noise: f64, seed: u64, rpm: impl Fn(f64) -> f64) -> IdleWatch {
        let mut rng = SmallRng::seed_from_u64(seed);
        let mut w = IdleWatch::default();
        for i in 0..=(seconds * hz) as u32 {
            let t = f64::from(i) / hz;
            let wobble = if noise > 0.0 {
                rng.random_range(-noise..noise)
            } else {
                0.0
            };
            w.push(t, (rpm(t) + wobble).round());
        }
        w
    }

    #[test]
    fn a_steady_engine_is_settled() {
        for hz in [2.0, 10.0, 50.0] {
            let idle = watch(25.0, hz, 30.0, 1, |_| 2400.0).now(25.0).unwrap();
            assert_eq!(idle.state, IdleState::Settled, "{hz} {idle:?}");
            assert!((idle.rpm.0 - 2400.0).abs() < 25.0, "{idle:?}");
            assert!(idle.words().starts_with("settled at 2"), "{}", idle.words());
        }
    }

    #[test]
    fn hunting_has_its_period_and_swing() {
        for (period, swing, hz) in [(2.1, 90.0, 10.0), (0.9, 120.0, 20.0), (5.0, 200.0, 4.0)] {
            let w = watch(25.0, hz, 15.0, 2, |t| {
                2400.0 + swing / 2.0 * (std::f64::consts::TAU * t / period).sin()
            });
            let idle = w.now(25.0).unwrap();
            let IdleState::Hunting {
                swing_rpm,
                period_s,
            } = idle.state
            else {
                panic!("{period} {idle:?}");
            };
            assert!(
                (period_s.0 / period - 1.0).abs() < 0.02,
                "{period} {period_s}"
            );
            assert!(
                (swing_rpm.0 / swing - 1.0).abs() < 0.15,
                "{swing} {swing_rpm}"
            );
        }
    }

    #[test]
    fn a_sawtooth_is_hunting_too() {
        let w = watch(25.0, 20.0, 5.0, 3, |t| 2300.0 + 150.0 * (t / 2.5).fract());
        let idle = w.now(25.0).unwrap();
        assert_eq!(idle.state.word(), "hunting", "{idle:?}");
    }

    #[test]
    fn a_decaying_approach_is_settling_with_its_time() {
        for (tau, off) in [(8.0, 300.0), (12.0, -400.0)] {
            let end = 20.0;
            let w = watch(end, 10.0, 8.0, 4, |t| 2400.0 + off * (-t / tau).exp());
            let idle = w.now(end).unwrap();
            let IdleState::Settling {
                to_rpm,
                settle_s,
                settle_lo_s,
                settle_hi_s,
            } = idle.state
            else {
                panic!("{tau} {idle:?}");
            };
            let truth = (tau * (off.abs() * (-end / tau).exp() / 20.0).ln()).max(0.0);
            assert!((to_rpm.unwrap().0 - 2400.0).abs() < 25.0, "{idle:?}");
            assert!(
                (settle_s.unwrap().0 - truth).abs() < 6.0,
                "{truth} {idle:?}"
            );
            assert!(settle_lo_s.unwrap() <= settle_s.unwrap());
            assert!(settle_hi_s.is_none_or(|hi| hi >= settle_s.unwrap()));
        }
    }

    #[test]
    fn a_straight_move_is_drifting_with_its_slope() {
        let w = watch(25.0, 5.0, 20.0, 5, |t| 2600.0 - 6.0 * t);
        let idle = w.now(25.0).unwrap();
        assert_eq!(idle.state, IdleState::Drifting);
        assert!((idle.slope_rpm_per_s + 6.0).abs() < 0.8, "{idle:?}");
        assert!(idle.words().contains("down 6") || idle.words().contains("down 5"));
    }

    #[test]
    fn wide_noise_is_unsteady_and_not_hunting() {
        let mut hunting = 0;
        for seed in 0..100 {
            let idle = watch(25.0, 5.0, 150.0, seed, |_| 2400.0).now(25.0).unwrap();
            hunting += u32::from(idle.state.word() == "hunting");
        }
        assert_eq!(hunting, 0);
        let idle = watch(25.0, 5.0, 150.0, 7, |_| 2400.0).now(25.0).unwrap();
        assert_eq!(idle.state, IdleState::Unsteady, "{idle:?}");
    }

    #[test]
    fn lost_and_doubled_readings_do_not_unsettle_it() {
        let mut w = IdleWatch::default();
        for i in 0..250_u32 {
            let t = f64::from(i) / 10.0;
            let rpm = match i % 40 {
                13 => 4800.0,
                27 => 1200.0,
                _ => 2400.0 + f64::from(i % 3) * 5.0,
            };
            w.push(t, rpm);
        }
        let idle = w.now(25.0).unwrap();
        assert_eq!(idle.state, IdleState::Settled, "{idle:?}");
        assert!((idle.rpm.0 - 2405.0).abs() < 10.0);
    }

    #[test]
    fn it_says_when_it_cannot_say() {
        let w = IdleWatch::default();
        assert!(matches!(w.now(0.0), Err(CantSay::Missing { .. })));
        let mut w = watch(25.0, 5.0, 10.0, 8, |_| 2400.0);
        assert!(matches!(w.now(30.0), Err(CantSay::Old { .. })));
        w.adjusted(20.0);
        let short = w.now(25.0).unwrap_err();
        assert!(matches!(short, CantSay::TooShort { .. }), "{short:?}");
        w.push(25.1, 0.0);
        assert_eq!(w.now(25.1), Err(CantSay::NotRunning));
        w.push(25.2, 2400.0);
        assert!(matches!(w.now(25.2), Err(CantSay::TooShort { .. })));
        w.push(25.0, 2400.0);
        w.push(26.0, f64::NAN);
        assert_eq!(w.refused(), 2);
    }

    #[test]
    fn a_step_is_said_at_once() {
        for (at, ago) in [(23.0, 2.0), (20.0, 5.0)] {
            let w = watch(
                25.0,
                10.0,
                12.0,
                12,
                |t| if t < at { 2400.0 } else { 2250.0 },
            );
            let idle = w.now(25.0).unwrap();
            let IdleState::Stepped { by_rpm, ago_s } = idle.state else {
                panic!("{idle:?}");
            };
            assert!((by_rpm.0 + 150.0).abs() < 10.0 && (ago_s.0 - ago).abs() < 0.5);
            assert!((idle.rpm.0 - 2250.0).abs() < 10.0);
            assert!(
                idle.words().starts_with("stepped down 1"),
                "{}",
                idle.words()
            );
        }
    }

    #[test]
    fn settled_again_soon_after_a_step() {
        let w = watch(
            30.0,
            10.0,
            12.0,
            11,
            |t| {
                if t < 21.0 { 2600.0 } else { 2400.0 }
            },
        );
        let idle = w.now(30.0).unwrap();
        assert_eq!(idle.state, IdleState::Settled, "{idle:?}");
        assert!((idle.rpm.0 - 2400.0).abs() < 10.0 && idle.window_s.0 < 9.0);
    }

    #[test]
    fn a_slow_drift_under_noise_is_not_called_settled_by_a_short_look() {
        for seed in 0..20 {
            let w = watch(25.0, 4.0, 40.0, seed, |t| 2400.0 - 5.0 * t);
            let state = w.now(25.0).unwrap().state;
            assert_ne!(state, IdleState::Settled, "seed {seed}");
        }
    }

    #[test]
    fn a_long_silence_starts_the_window_anew() {
        let mut w = watch(25.0, 5.0, 10.0, 9, |_| 2400.0);
        w.push(40.0, 2400.0);
        assert!(matches!(w.now(40.0), Err(CantSay::TooShort { .. })));
    }
}
