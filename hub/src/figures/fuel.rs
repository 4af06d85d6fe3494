//! Fuel used, left, and still needed: sums with bounds. No I/O, no clock.
//!
//! Used is the trapezoid sum of the flow readings. Where the readings have a gap, nothing is
//! bridged silently: the gap's own share is kept apart, with the least and most it can have been.

use serde::Serialize;

use super::CantSay;
use super::quantity::{Litres, Seconds};
use super::robust;

/// What the sum takes for granted; the chief's settings.
#[derive(Copy, Clone, Debug, PartialEq, Serialize)]
pub struct FuelLimits {
    /// Longest time between two readings that still counts as watched, seconds. Longer is a gap.
    pub gap_limit_s: f64,
    /// The most the system can flow, litres per minute; bounds what a gap can have used. Where it
    /// is not known, the largest flow seen stands in, and the result says so.
    pub most_flow_l_per_min: Option<f64>,
    /// The meter's own error, as a share of what it reads (0.02 is 2 %).
    pub meter_error: f64,
}

impl Default for FuelLimits {
    /// Gap limit 2 s, most flow unknown, meter error 2 %: common practice, no source.
    fn default() -> Self {
        FuelLimits {
            gap_limit_s: 2.0,
            most_flow_l_per_min: None,
            meter_error: 0.02,
        }
    }
}

/// Running sum of fuel used.
#[derive(Clone, Debug)]
pub struct FuelUsed {
    limits: FuelLimits,
    last: Option<(f64, f64)>,
    largest_flow: f64,
    measured_l: f64,
    gap_likely_l: f64,
    gap_s: f64,
    gaps: u32,
    refused: u32,
    late: u32,
    watched_s: f64,
}

/// Fuel used so far.
#[derive(Copy, Clone, Debug, PartialEq, Serialize)]
pub struct Used {
    /// Sum over the times that were watched; gaps add nothing here.
    pub measured_l: Litres,
    /// Best single number: measured, plus each gap at the mean of the flows at its two ends.
    pub likely_l: Litres,
    /// Least it can have been: the meter reads high, and nothing flowed in the gaps.
    pub least_l: Litres,
    /// Most it can have been: the meter reads low, and the gaps ran at the most flow.
    pub most_l: Litres,
    /// Number of gaps.
    pub gaps: u32,
    /// Total length of the gaps.
    pub gap_s: Seconds,
    /// Total time watched.
    pub watched_s: Seconds,
    /// True where a gap is bounded only by the largest flow seen, since the most flow is not set.
    pub bound_is_seen_flow: bool,
    /// Readings refused because they were negative or not a number.
    pub refused: u32,
    /// Readings left out because they were older than one already summed.
    pub late: u32,
}

impl Default for FuelUsed {
    fn default() -> Self {
        FuelUsed::new(FuelLimits::default())
    }
}

impl FuelUsed {
    /// Starts at nothing used.
    pub fn new(limits: FuelLimits) -> Self {
        FuelUsed {
            limits,
            last: None,
            largest_flow: 0.0,
            measured_l: 0.0,
            gap_likely_l: 0.0,
            gap_s: 0.0,
            gaps: 0,
            refused: 0,
            late: 0,
            watched_s: 0.0,
        }
    }

    /// Takes one flow reading. Readings at an equal time replace one another without adding
    /// anything; a reading older than the last is counted and left out; a reading that is not a
    /// number, or negative, is counted and refused, and so leaves a gap if it lasts.
    pub fn push(&mut self, t_s: f64, flow_l_per_min: f64) {
        if !t_s.is_finite() || !flow_l_per_min.is_finite() || flow_l_per_min < 0.0 {
            self.refused += 1;
            return;
        }
        self.largest_flow = self.largest_flow.max(flow_l_per_min);
        let Some((last_s, last_flow)) = self.last else {
            self.last = Some((t_s, flow_l_per_min));
            return;
        };
        let dt = t_s - last_s;
        if dt < 0.0 {
            self.late += 1;
            return;
        }
        let litres = 0.5 * (last_flow + flow_l_per_min) * dt / 60.0;
        if dt > self.limits.gap_limit_s {
            self.gaps += 1;
            self.gap_s += dt;
            self.gap_likely_l += litres;
        } else {
            self.measured_l += litres;
            self.watched_s += dt;
        }
        self.last = Some((t_s, flow_l_per_min));
    }

    /// What was used up to the newest reading.
    pub fn used(&self) -> Used {
        self.used_with_open_gap(0.0)
    }

    /// What was used up to `now_s`. Silence since the newest reading, once longer than the gap
    /// limit, counts as a gap: it widens the bounds, and is taken as going on at the last flow.
    pub fn used_at(&self, now_s: f64) -> Used {
        let silent = self.last.map_or(0.0, |(t, _)| now_s - t);
        self.used_with_open_gap(if silent > self.limits.gap_limit_s {
            silent
        } else {
            0.0
        })
    }

    fn used_with_open_gap(&self, open_s: f64) -> Used {
        let last_flow = self.last.map_or(0.0, |(_, flow)| flow);
        let gap_s = self.gap_s + open_s;
        let most_flow = self
            .limits
            .most_flow_l_per_min
            .unwrap_or(0.0)
            .max(self.largest_flow);
        let gap_likely = self.gap_likely_l + last_flow * open_s / 60.0;
        let error = self.limits.meter_error.abs();
        Used {
            measured_l: Litres(self.measured_l),
            likely_l: Litres(self.measured_l + gap_likely),
            least_l: Litres(self.measured_l * (1.0 - error).max(0.0)),
            most_l: Litres((self.measured_l + most_flow * gap_s / 60.0) * (1.0 + error)),
            gaps: self.gaps + u32::from(open_s > 0.0),
            gap_s: Seconds(gap_s),
            watched_s: Seconds(self.watched_s),
            bound_is_seen_flow: gap_s > 0.0 && self.limits.most_flow_l_per_min.is_none(),
            refused: self.refused,
            late: self.late,
        }
    }
}

impl Used {
    /// One plain sentence for a phone.
    pub fn words(&self) -> String {
        let mut s = format!(
            "used {:.1} L ({:.1} to {:.1})",
            self.likely_l.0, self.least_l.0, self.most_l.0
        );
        if self.gaps > 0 {
            s.push_str(&format!("; {:.0} s of flow not seen", self.gap_s.0));
        }
        s
    }
}

/// What a phase of the sheet is allowed to use.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Allowance {
    /// The phase.
    pub phase: String,
    /// What it usually uses.
    pub likely_l: Litres,
    /// What it may use at worst.
    pub most_l: Litres,
    /// How many earlier warm-ups it was learned from; 0 is the chief's own number.
    pub learned_from: usize,
}

/// Earlier warm-ups that it takes before a phase's use is learned rather than the chief's own.
/// With five, the largest seen is exceeded by the next in one of six (exchangeable runs: 1/(n+1)).
pub const ALLOWANCE_NEEDS: usize = 5;

impl Allowance {
    /// The chief's own number: likely and worst case.
    pub fn of_chief(phase: impl Into<String>, likely_l: f64, most_l: f64) -> Self {
        Allowance {
            phase: phase.into(),
            likely_l: Litres(likely_l),
            most_l: Litres(most_l.max(likely_l)),
            learned_from: 0,
        }
    }

    /// Learned from what the phase used in earlier warm-ups: the median, and at worst the largest
    /// seen plus one robust spread.
    ///
    /// # Errors
    /// [`CantSay::TooFew`] below [`ALLOWANCE_NEEDS`] usable values.
    pub fn learned(phase: impl Into<String>, earlier_l: &[f64]) -> Result<Self, CantSay> {
        let mut seen: Vec<f64> = earlier_l
            .iter()
            .copied()
            .filter(|l| l.is_finite() && *l >= 0.0)
            .collect();
        if seen.len() < ALLOWANCE_NEEDS {
            return Err(CantSay::TooFew {
                what: "earlier warm-ups",
                have: seen.len(),
                need: ALLOWANCE_NEEDS,
            });
        }
        seen.sort_by(f64::total_cmp);
        let median = robust::median_of_sorted(&seen);
        let spread = robust::mad_sigma(&seen).unwrap_or(0.0);
        Ok(Allowance {
            phase: phase.into(),
            likely_l: Litres(median),
            most_l: Litres(seen[seen.len() - 1] + spread),
            learned_from: seen.len(),
        })
    }
}

/// What the tank held before the first flow reading.
#[derive(Copy, Clone, Debug, PartialEq, Serialize)]
pub struct Tank {
    /// What was put in, litres.
    pub filled_l: Litres,
    /// How far off that can be, litres either way.
    pub fill_error_l: Litres,
    /// What the pump cannot draw, litres.
    pub unusable_l: Litres,
}

/// How the fuel stands.
#[derive(Copy, Clone, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum FuelCall {
    /// Enough, also at worst.
    Enough,
    /// Enough as things usually go, short at worst.
    Close,
    /// Short even as things usually go.
    Short,
}

/// Fuel left against what is still needed.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct FuelState {
    /// Used so far.
    pub used: Used,
    /// Usable fuel left, likely.
    pub left_l: Litres,
    /// Usable fuel left, at least.
    pub left_least_l: Litres,
    /// Needed for the phases to come, likely.
    pub needed_l: Litres,
    /// Needed for the phases to come, at most.
    pub needed_most_l: Litres,
    /// Left minus needed, likely.
    pub margin_l: Litres,
    /// Left at least, minus needed at most: the number to trust.
    pub margin_worst_l: Litres,
    /// What to call.
    pub call: FuelCall,
}

/// Fuel left, needed and the margin at worst. `still` are the allowances of what the sheet still
/// has to come, the rest of the current phase included; `reserve_l` is what must remain.
pub fn fuel_state(used: Used, tank: Tank, still: &[Allowance], reserve_l: f64) -> FuelState {
    let usable = tank.filled_l.0 - tank.unusable_l.0;
    let left = usable - used.likely_l.0;
    let left_least = usable - tank.fill_error_l.0.abs() - used.most_l.0;
    let needed: f64 = still.iter().map(|a| a.likely_l.0).sum::<f64>() + reserve_l;
    let needed_most: f64 = still.iter().map(|a| a.most_l.0).sum::<f64>() + reserve_l;
    let (margin, worst) = (left - needed, left_least - needed_most);
    FuelState {
        used,
        // A tank cannot hold less than nothing; the margins below keep what is lacking.
        left_l: Litres(left.max(0.0)),
        left_least_l: Litres(left_least.max(0.0)),
        needed_l: Litres(needed),
        needed_most_l: Litres(needed_most),
        margin_l: Litres(margin),
        margin_worst_l: Litres(worst),
        call: if margin < 0.0 {
            FuelCall::Short
        } else if worst < 0.0 {
            FuelCall::Close
        } else {
            FuelCall::Enough
        },
    }
}

impl FuelState {
    /// One plain sentence for a phone.
    pub fn words(&self) -> String {
        let (used, left, needed) = (self.used.likely_l.0, self.left_l.0, self.needed_l.0);
        match self.call {
            FuelCall::Enough => format!(
                "enough fuel: used {used:.1} L, left {left:.1}, needs {needed:.1}; {:.1} over at worst",
                self.margin_worst_l.0
            ),
            FuelCall::Close => format!(
                "fuel close: used {used:.1} L, left {left:.1}, needs {needed:.1}; short {:.1} L at worst",
                -self.margin_worst_l.0
            ),
            FuelCall::Short => format!(
                "SHORT OF FUEL by {:.1} L: left {left:.1}, needs {needed:.1}",
                -self.margin_l.0
            ),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(a: f64, b: f64) -> bool {
        (a - b).abs() < 1e-9
    }

    #[test]
    fn a_ramp_is_summed_exactly() {
        let mut fuel = FuelUsed::default();
        for i in 0..=60 {
            fuel.push(f64::from(i), 12.0 * f64::from(i) / 60.0);
        }
        let used = fuel.used();
        assert!(close(used.measured_l.0, 6.0), "{used:?}");
        assert_eq!(used.gaps, 0);
        assert!(close(used.watched_s.0, 60.0));
        assert!(close(used.least_l.0, 5.88) && close(used.most_l.0, 6.12));
    }

    #[test]
    fn a_gap_is_bounded_and_not_bridged() {
        let limits = FuelLimits {
            meter_error: 0.0,
            ..FuelLimits::default()
        };
        let mut fuel = FuelUsed::new(limits);
        for t in [0.0, 1.0, 31.0, 32.0] {
            fuel.push(t, 6.0);
        }
        let used = fuel.used();
        assert!(close(used.measured_l.0, 0.2));
        assert!(close(used.likely_l.0, 3.2));
        assert!(close(used.least_l.0, 0.2) && close(used.most_l.0, 3.2));
        assert!(used.bound_is_seen_flow);
        assert_eq!((used.gaps, used.gap_s.0), (1, 30.0));

        let mut fuel = FuelUsed::new(FuelLimits {
            most_flow_l_per_min: Some(20.0),
            ..limits
        });
        for t in [0.0, 1.0, 31.0, 32.0] {
            fuel.push(t, 6.0);
        }
        let used = fuel.used();
        assert!(close(used.most_l.0, 10.2), "{used:?}");
        assert!(!used.bound_is_seen_flow);
    }

    #[test]
    fn silence_up_to_now_widens_the_bounds() {
        let mut fuel = FuelUsed::new(FuelLimits {
            meter_error: 0.0,
            ..FuelLimits::default()
        });
        fuel.push(0.0, 6.0);
        fuel.push(1.0, 6.0);
        assert_eq!(fuel.used_at(2.0), fuel.used());
        let used = fuel.used_at(11.0);
        assert!(
            close(used.least_l.0, 0.1) && close(used.likely_l.0, 1.1),
            "{used:?}"
        );
        assert_eq!(used.gaps, 1);
    }

    #[test]
    fn bad_late_and_repeated_readings_add_nothing() {
        let mut fuel = FuelUsed::default();
        fuel.push(0.0, 6.0);
        fuel.push(0.0, 6.0);
        fuel.push(1.0, f64::NAN);
        fuel.push(1.0, -3.0);
        fuel.push(f64::INFINITY, 6.0);
        fuel.push(1.0, 6.0);
        fuel.push(0.5, 600.0);
        let used = fuel.used();
        assert!(close(used.measured_l.0, 0.1), "{used:?}");
        assert_eq!((used.refused, used.late), (3, 1));
    }

    fn tank(filled: f64) -> Tank {
        Tank {
            filled_l: Litres(filled),
            fill_error_l: Litres(0.5),
            unusable_l: Litres(1.0),
        }
    }

    #[test]
    fn the_call_follows_the_worst_case() {
        let mut fuel = FuelUsed::default();
        for i in 0..=60 {
            fuel.push(f64::from(i), 10.0);
        }
        let still = [
            Allowance::of_chief("idle", 10.0, 12.0),
            Allowance::of_chief("to the lanes", 8.0, 9.0),
        ];
        for (filled, call) in [
            (40.0, FuelCall::Enough),
            (31.0, FuelCall::Close),
            (28.0, FuelCall::Short),
        ] {
            let state = fuel_state(fuel.used(), tank(filled), &still, 1.0);
            assert_eq!(state.call, call, "{state:?}");
            assert!(state.margin_worst_l.0 <= state.margin_l.0);
        }
        let short = fuel_state(fuel.used(), tank(28.0), &still, 1.0).words();
        assert!(short.starts_with("SHORT OF FUEL by 2.0 L"), "{short}");
    }

    #[test]
    fn an_allowance_is_learned_only_from_enough() {
        assert!(matches!(
            Allowance::learned("idle", &[3.0, 3.1, f64::NAN, 3.2, 3.0]),
            Err(CantSay::TooFew {
                have: 4,
                need: 5,
                ..
            })
        ));
        let learned = Allowance::learned("idle", &[3.0, 3.1, 2.9, 3.2, 4.0]).unwrap();
        assert!(close(learned.likely_l.0, 3.1));
        assert!(learned.most_l.0 > 4.0);
    }
}
