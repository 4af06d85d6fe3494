//! The time slip: what it says, whether it agrees with itself, how it compares. Pure functions.
//!
//! Marks stand at 60, 330, 660 and 1000 ft from the start; a speed printed at a mark is the mean
//! over the 66 ft before it, so mph = 45 / seconds (66 ft x 3600 / 5280; exact).

use serde::Serialize;

use super::quantity::{Gravities, MilesPerHour, Seconds};
use super::{CantSay, plausible, robust};

/// Length of a speed trap, feet.
pub const TRAP_FT: f64 = 66.0;
/// Where the marks stand, feet.
pub const MARKS_FT: [f64; 4] = [60.0, 330.0, 660.0, 1000.0];
/// Feet per second in one mile per hour: 22/15, exact.
const FPS_PER_MPH: f64 = 22.0 / 15.0;
/// Standard gravity in feet per second squared.
const G_FT_S2: f64 = 9.806_65 / 0.3048;
/// Mean acceleration over an interval above which a slip is not believed (no source; well above
/// what any driven wheel holds over tens of metres).
const MOST_G: f64 = 7.0;
/// How finely a slip is printed: half the last digit of times and of speeds.
const TIME_STEP_S: f64 = 0.000_5;
const SPEED_STEP_MPH: f64 = 0.005;

/// Speed through a trap from the time in it.
///
/// # Errors
/// [`CantSay::Implausible`] for a time that is not positive.
pub fn trap_speed(time: Seconds) -> Result<MilesPerHour, CantSay> {
    plausible("trap time, s,", time.0, f64::MIN_POSITIVE, 1e6)?;
    Ok(MilesPerHour(45.0 / time.0))
}

/// Time in a trap from the speed through it.
///
/// # Errors
/// [`CantSay::Implausible`] for a speed that is not positive.
pub fn trap_time(speed: MilesPerHour) -> Result<Seconds, CantSay> {
    plausible("trap speed, mph,", speed.0, f64::MIN_POSITIVE, 1e6)?;
    Ok(Seconds(45.0 / speed.0))
}

/// A slip as typed or imported; what is not on it is `None`.
#[derive(Copy, Clone, Debug, Default, PartialEq, Serialize)]
pub struct Slip {
    /// Reaction: from the green to leaving the stage beam. Negative: left before the green.
    pub reaction_s: Option<Seconds>,
    /// Elapsed time at 60, 330, 660 and 1000 ft, counted from leaving the stage beam.
    pub times_s: [Option<Seconds>; 4],
    /// Speed through the trap before 60 (never printed), 330, 660 and 1000 ft.
    pub speeds_mph: [Option<MilesPerHour>; 4],
}

/// A stretch between two marks (or the start and the first mark).
#[derive(Copy, Clone, Debug, PartialEq, Serialize)]
pub struct Interval {
    /// Where it begins, feet from the start.
    pub from_ft: f64,
    /// Where it ends, feet from the start.
    pub to_ft: f64,
    /// Time in it.
    pub time_s: Seconds,
    /// Mean speed in it.
    pub mean_mph: MilesPerHour,
    /// Mean acceleration from the middle (in time) of the interval before to the middle of this
    /// one; for the first, from the start as if from standstill. The car rolls the depth of the
    /// stage beam before the clock starts, so the first is somewhat too high.
    pub accel_g: Gravities,
}

/// Something on the slip that does not fit.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(tag = "check", rename_all = "snake_case")]
pub enum Misfit {
    /// Time does not grow from one mark to the next.
    TimesNotRising {
        /// The later mark, feet.
        mark_ft: f64,
    },
    /// Mean acceleration over an interval is more than a car can do.
    TooQuick {
        /// End of the interval, feet.
        mark_ft: f64,
        /// The acceleration it would take.
        accel_g: Gravities,
    },
    /// A printed speed does not fit the times around it.
    SpeedOff {
        /// The mark, feet.
        mark_ft: f64,
        /// The printed speed.
        printed_mph: MilesPerHour,
        /// Lowest that the times allow for a car that accelerates all the way.
        low_mph: MilesPerHour,
        /// Highest that they allow; none at the last mark.
        high_mph: Option<MilesPerHour>,
    },
    /// The car slowed between two marks: lifted, or lost drive, or a number is wrong.
    Slowed {
        /// The mark by which it had slowed, feet.
        mark_ft: f64,
    },
}

/// What a slip says.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct SlipFacts {
    /// The intervals between marks whose times are known.
    pub intervals: Vec<Interval>,
    /// What does not fit; empty where all does.
    pub misfits: Vec<Misfit>,
    /// Left before the green; the starter and the rule book decide.
    pub left_early: Option<bool>,
    /// Reaction plus elapsed time to the last mark: from the green, as the race is won.
    pub from_green_s: Option<Seconds>,
    /// Seconds in the last trap, from its speed.
    pub last_trap_s: Option<Seconds>,
}

/// Reads a slip.
///
/// # Errors
/// [`CantSay::TooFew`] where not even one time is on it; [`CantSay::Implausible`] for a time or
/// speed that is not positive (or a reaction beyond ±10 s).
pub fn slip(slip: &Slip) -> Result<SlipFacts, CantSay> {
    for time in slip.times_s.iter().flatten() {
        plausible("elapsed time, s,", time.0, f64::MIN_POSITIVE, 100.0)?;
    }
    for speed in slip.speeds_mph.iter().flatten() {
        plausible("speed, mph,", speed.0, f64::MIN_POSITIVE, 500.0)?;
    }
    if let Some(reaction) = slip.reaction_s {
        plausible("reaction, s,", reaction.0, -10.0, 10.0)?;
    }
    let known: Vec<(f64, f64)> = MARKS_FT
        .iter()
        .zip(&slip.times_s)
        .filter_map(|(ft, time)| time.map(|t| (*ft, t.0)))
        .collect();
    if known.is_empty() {
        return Err(CantSay::TooFew {
            what: "times",
            have: 0,
            need: 1,
        });
    }
    let (intervals, mut misfits) = intervals(&known);
    speed_misfits(slip, &intervals, &mut misfits);
    let last_time = known.last().map(|k| k.1);
    Ok(SlipFacts {
        left_early: slip.reaction_s.map(|r| r.0 < 0.0),
        from_green_s: slip
            .reaction_s
            .zip(last_time)
            .map(|(r, t)| Seconds(r.0 + t)),
        last_trap_s: slip.speeds_mph[3].map(|v| Seconds(45.0 / v.0)),
        intervals,
        misfits,
    })
}

/// The intervals between known marks, as far as times rise, and what is odd about them.
fn intervals(known: &[(f64, f64)]) -> (Vec<Interval>, Vec<Misfit>) {
    let (mut out, mut misfits) = (Vec::<Interval>::new(), Vec::new());
    let mut from = (0.0, 0.0);
    // The standing start: no speed at no time.
    let mut before = (0.0, 0.0);
    for &(ft, t) in known {
        let time = t - from.1;
        if time <= 0.0 {
            misfits.push(Misfit::TimesNotRising { mark_ft: ft });
            break;
        }
        let mean = (ft - from.0) / time;
        let middle = 0.5 * (from.1 + t);
        let accel = (mean - before.0) / (middle - before.1) / G_FT_S2;
        if accel > MOST_G {
            misfits.push(Misfit::TooQuick {
                mark_ft: ft,
                accel_g: Gravities(accel),
            });
        }
        if mean < before.0 {
            misfits.push(Misfit::Slowed { mark_ft: ft });
        }
        out.push(Interval {
            from_ft: from.0,
            to_ft: ft,
            time_s: Seconds(time),
            mean_mph: MilesPerHour(mean / FPS_PER_MPH),
            accel_g: Gravities(accel),
        });
        before = (mean, middle);
        from = (ft, t);
    }
    (out, misfits)
}

/// A car that accelerates all the way passes a mark faster than its mean before it, and slower
/// than its mean after it; and a trap's mean lies below the speed at the mark itself. Rounding of
/// the printed digits is allowed for.
fn speed_misfits(slip: &Slip, intervals: &[Interval], misfits: &mut Vec<Misfit>) {
    for (mark, speed) in MARKS_FT.iter().zip(&slip.speeds_mph) {
        let Some(speed) = speed else { continue };
        let slack = |i: &Interval| i.mean_mph.0 * 2.0 * TIME_STEP_S / i.time_s.0 + SPEED_STEP_MPH;
        let before = intervals.iter().find(|i| i.to_ft == *mark);
        let after = intervals.iter().find(|i| i.from_ft == *mark);
        let low = before.map(|i| i.mean_mph.0 - slack(i));
        let high = after.map(|i| i.mean_mph.0 + slack(i));
        let too_low = low.is_some_and(|low| speed.0 < low);
        let too_high = high.is_some_and(|high| speed.0 > high);
        if too_low || too_high {
            misfits.push(Misfit::SpeedOff {
                mark_ft: *mark,
                printed_mph: *speed,
                low_mph: MilesPerHour(low.unwrap_or(0.0)),
                high_mph: high.map(MilesPerHour),
            });
        }
    }
    let printed: Vec<(f64, f64)> = MARKS_FT
        .iter()
        .zip(&slip.speeds_mph)
        .filter_map(|(ft, v)| v.map(|v| (*ft, v.0)))
        .collect();
    for pair in printed.windows(2) {
        let seen = misfits.contains(&Misfit::Slowed { mark_ft: pair[1].0 });
        if pair[1].1 < pair[0].1 && !seen {
            misfits.push(Misfit::Slowed { mark_ft: pair[1].0 });
        }
    }
}

/// One number of a slip against the same of earlier runs.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Comparison {
    /// What is compared (`"60 ft time"`).
    pub what: String,
    /// Its value on this slip.
    pub value: f64,
    /// Median of the earlier runs.
    pub usual: f64,
    /// This minus usual; for times, negative is quicker.
    pub difference: f64,
    /// How many robust standard deviations that is; none with fewer than five earlier runs.
    pub robust_z: Option<f64>,
    /// Earlier runs that had it.
    pub runs: usize,
}

/// Earlier runs that it takes to speak of a usual spread.
const SPREAD_NEEDS: usize = 5;

/// Compares a slip with earlier ones, number by number.
pub fn compare(this: &Slip, earlier: &[Slip]) -> Vec<Comparison> {
    let mut out = Vec::new();
    let mut add = |what: String, of: &dyn Fn(&Slip) -> Option<f64>, step: f64| {
        let Some(value) = of(this) else { return };
        let seen: Vec<f64> = earlier.iter().filter_map(of).collect();
        let Some(usual) = robust::median(&seen) else {
            return;
        };
        let spread = robust::mad_sigma(&seen).unwrap_or(0.0).max(step);
        out.push(Comparison {
            what,
            value,
            usual,
            difference: value - usual,
            robust_z: (seen.len() >= SPREAD_NEEDS).then(|| (value - usual) / spread),
            runs: seen.len(),
        });
    };
    add(
        "reaction".to_owned(),
        &|s| s.reaction_s.map(|r| r.0),
        TIME_STEP_S,
    );
    for (i, ft) in MARKS_FT.iter().enumerate() {
        add(
            format!("{ft:.0} ft time"),
            &|s| s.times_s[i].map(|t| t.0),
            TIME_STEP_S,
        );
        add(
            format!("{ft:.0} ft speed"),
            &|s| s.speeds_mph[i].map(|v| v.0),
            SPEED_STEP_MPH,
        );
    }
    for i in 1..MARKS_FT.len() {
        let between = |s: &Slip| Some(s.times_s[i]?.0 - s.times_s[i - 1]?.0);
        let what = format!("{:.0} to {:.0} ft", MARKS_FT[i - 1], MARKS_FT[i]);
        add(what, &between, TIME_STEP_S);
    }
    out
}

impl Misfit {
    /// One plain clause.
    pub fn words(&self) -> String {
        match self {
            Misfit::TimesNotRising { mark_ft } => {
                format!("the {mark_ft:.0} ft time is not after the one before it")
            }
            Misfit::TooQuick { mark_ft, accel_g } => {
                format!("the {mark_ft:.0} ft time would take {:.1} g", accel_g.0)
            }
            Misfit::SpeedOff {
                mark_ft,
                printed_mph,
                low_mph,
                high_mph,
            } => {
                let v = printed_mph.0;
                match high_mph {
                    Some(high) => format!(
                        "{v:.2} mph at {mark_ft:.0} ft does not fit the times ({:.1} to {:.1})",
                        low_mph.0, high.0
                    ),
                    None => format!(
                        "{v:.2} mph at {mark_ft:.0} ft does not fit the times (over {:.1})",
                        low_mph.0
                    ),
                }
            }
            Misfit::Slowed { mark_ft } => format!("slower by {mark_ft:.0} ft than before it"),
        }
    }
}

impl SlipFacts {
    /// One plain sentence for a phone.
    pub fn words(&self) -> String {
        let mut s = self
            .intervals
            .iter()
            .map(|i| {
                format!(
                    "to {:.0} ft {:.3} s, {:.1} g",
                    i.to_ft, i.time_s.0, i.accel_g.0
                )
            })
            .collect::<Vec<_>>()
            .join("; ");
        if self.left_early == Some(true) {
            s.push_str("; left before the green");
        }
        if self.misfits.is_empty() {
            s.push_str("; the slip agrees with itself");
        }
        for misfit in &self.misfits {
            s.push_str("; CHECK: ");
            s.push_str(&misfit.words());
        }
        s
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A made-up slip computed from a known motion: 4 g for the first second, fading in
    /// proportion to speed. Times and trap speeds are exact for that motion.
    fn made() -> Slip {
        // v' = a - k v, so v = v_end (1 - e^-kt), x = v_end t - v / k.
        let (a, k) = (4.0 * G_FT_S2, 0.18);
        let v_end = a / k;
        let x = |t: f64| v_end * t - v_end / k * (1.0 - (-k * t).exp());
        let at = |ft: f64| {
            let (mut low, mut high) = (0.0, 30.0);
            for _ in 0..200 {
                let middle = 0.5 * (low + high);
                if x(middle) < ft {
                    low = middle
                } else {
                    high = middle
                }
            }
            0.5 * (low + high)
        };
        let speed = |ft: f64| Some(MilesPerHour(45.0 / (at(ft) - at(ft - TRAP_FT))));
        Slip {
            reaction_s: Some(Seconds(0.062)),
            times_s: MARKS_FT.map(|ft| Some(Seconds((at(ft) * 1000.0).round() / 1000.0))),
            speeds_mph: [None, speed(330.0), speed(660.0), speed(1000.0)],
        }
    }

    #[test]
    fn a_trap_of_66_feet() {
        assert_eq!(trap_speed(Seconds(0.15)).unwrap().0, 300.0);
        assert!((trap_time(MilesPerHour(300.0)).unwrap().0 - 0.15).abs() < 1e-15);
        assert!(trap_speed(Seconds(0.0)).is_err() && trap_time(MilesPerHour(-1.0)).is_err());
    }

    #[test]
    fn a_true_slip_agrees_with_itself() {
        let facts = slip(&made()).unwrap();
        assert!(facts.misfits.is_empty(), "{facts:?}");
        assert_eq!(facts.intervals.len(), 4);
        assert!(
            (facts.intervals[0].accel_g.0 - 4.0).abs() < 0.4,
            "{facts:?}"
        );
        let g: Vec<f64> = facts.intervals.iter().map(|i| i.accel_g.0).collect();
        assert!(g.windows(2).all(|w| w[1] < w[0]), "{g:?}");
        assert_eq!(facts.left_early, Some(false));
        assert!(facts.words().contains("agrees with itself"));
    }

    #[test]
    fn a_mistyped_digit_is_found() {
        type Spoil = fn(&mut Slip);
        let faults: [(&str, Spoil); 4] = [
            ("660 ft speed 30 low", |s| {
                s.speeds_mph[2] = s.speeds_mph[2].map(|v| MilesPerHour(v.0 - 30.0))
            }),
            ("330 ft time 0.5 late", |s| {
                s.times_s[1] = s.times_s[1].map(|t| Seconds(t.0 + 0.5))
            }),
            ("60 ft time tenfold", |s| {
                s.times_s[0] = s.times_s[0].map(|t| Seconds(t.0 * 10.0))
            }),
            ("1000 ft speed 60 low", |s| {
                s.speeds_mph[3] = s.speeds_mph[3].map(|v| MilesPerHour(v.0 - 60.0))
            }),
        ];
        for (what, spoil) in faults {
            let mut s = made();
            spoil(&mut s);
            let facts = slip(&s).unwrap();
            assert!(!facts.misfits.is_empty(), "{what}");
            assert!(facts.words().contains("CHECK"), "{what}");
        }
    }

    #[test]
    fn a_missing_number_leaves_the_rest() {
        let mut s = made();
        s.times_s[1] = None;
        s.speeds_mph = [None; 4];
        let facts = slip(&s).unwrap();
        assert_eq!(facts.intervals.len(), 3);
        assert_eq!(facts.intervals[1].from_ft, 60.0);
        assert!(facts.misfits.is_empty(), "{facts:?}");
        assert!(slip(&Slip::default()).is_err());
    }

    #[test]
    fn a_red_light_is_said_and_not_judged() {
        let mut s = made();
        s.reaction_s = Some(Seconds(-0.012));
        let facts = slip(&s).unwrap();
        assert_eq!(facts.left_early, Some(true));
        assert!(facts.words().contains("left before the green"));
        let last = s.times_s[3].unwrap().0;
        assert!((facts.from_green_s.unwrap().0 - (last - 0.012)).abs() < 1e-12);
    }

    #[test]
    fn comparison_is_with_the_usual_run() {
        let this = made();
        let earlier: Vec<Slip> = (0..6)
            .map(|i| {
                let mut s = made();
                s.times_s[0] = s.times_s[0].map(|t| Seconds(t.0 + 0.01 + 0.001 * f64::from(i)));
                s
            })
            .collect();
        let all = compare(&this, &earlier);
        let sixty = all.iter().find(|c| c.what == "60 ft time").unwrap();
        assert!((sixty.difference + 0.0125).abs() < 1e-9, "{sixty:?}");
        assert!(sixty.robust_z.unwrap() < -3.0);
        let few = compare(&this, &earlier[..4]);
        assert!(few.iter().all(|c| c.robust_z.is_none() && c.runs == 4));
        assert!(compare(&this, &[]).is_empty());
    }
}
