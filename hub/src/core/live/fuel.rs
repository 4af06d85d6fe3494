//! The fuel: used so far, left in the tank, needed for the rest of the sheet, and to spare at worst.

use super::{asks, figure};
use crate::figures::{
    fuel::{Allowance, FuelCall, FuelLimits, FuelState, FuelUsed, Tank, Used, fuel_state},
    quantity::Litres,
};
use spinover_protocol::{
    Millis, PhaseKey, message::FigureNow, record::Warmup, sheet::Phase, units::Unit,
};
use std::collections::BTreeMap;

/// What the meter says, of the whole warm-up and of the phase under way.
pub(super) struct Fuel {
    all: FuelUsed,
    phase: FuelUsed,
    /// Which phase that is, and from when on.
    of: Option<(PhaseKey, Millis)>,
}

impl Fuel {
    pub(super) fn new() -> Self {
        Self {
            all: FuelUsed::new(FuelLimits::default()),
            phase: FuelUsed::new(FuelLimits::default()),
            of: None,
        }
    }

    /// Counts anew when another phase has begun.
    pub(super) fn follow(&mut self, warmup: &Warmup) {
        let now = warmup
            .phase()
            .map(|phase| (phase.key.clone(), phase_since(warmup, phase)));
        if now != self.of {
            self.phase = FuelUsed::new(FuelLimits::default());
            self.of = now;
        }
    }

    /// Takes one flow: seconds, litres per minute.
    pub(super) fn push(&mut self, t_s: f64, flow_l_per_min: f64) {
        self.all.push(t_s, flow_l_per_min);
        // Readings that are played to a hub started again are older than the phase.
        if self
            .of
            .as_ref()
            .is_some_and(|(_, since)| t_s * 1e3 >= *since as f64)
        {
            self.phase.push(t_s, flow_l_per_min);
        }
    }

    /// `used_l` is what phases used in earlier warm-ups.
    pub(super) fn figures(
        &self,
        now_s: f64,
        warmup: &Warmup,
        used_l: &BTreeMap<PhaseKey, Vec<f64>>,
    ) -> Vec<FigureNow> {
        // A recording that is played fast is ahead of the clock; its own last time then counts.
        let used = self.all.used_at(now_s);
        let mut figures = vec![FigureNow {
            value: Some(used.likely_l.0),
            unit: Some(Unit::Litre),
            low: Some(used.least_l.0),
            high: Some(used.most_l.0),
            ..figure("fuel_used", "Fuel used", used_words(&used))
        }];
        let Some(tank_l) = warmup.car.tank_l else {
            return figures;
        };
        let tank = Tank {
            filled_l: Litres(tank_l),
            fill_error_l: Litres(0.0),
            unusable_l: Litres(0.0),
        };
        let reserve_l = warmup.car.reserve_l.unwrap_or(0.0);
        let ahead = Ahead::of(warmup, &self.phase.used_at(now_s), used_l);
        let state = fuel_state(used, tank, &ahead.allowances, reserve_l);
        figures.push(FigureNow {
            value: Some(state.left_l.0),
            unit: Some(Unit::Litre),
            low: Some(state.left_least_l.0),
            high: Some((tank_l - state.used.least_l.0).max(0.0)),
            attention: state.call != FuelCall::Enough,
            ask: asks::fuel(state.call),
            ..figure("fuel_left", "Fuel left", left_words(&state, &ahead))
        });
        if !ahead.allowances.is_empty() {
            figures.extend(need_figures(&state, &ahead));
        }
        figures
    }
}

/// When the procedure came into the phase that it is in: with the last mark before it.
fn phase_since(warmup: &Warmup, phase: &Phase) -> Millis {
    let before = warmup
        .sheet
        .phases
        .iter()
        .take_while(|earlier| earlier.key != phase.key);
    let marks = before
        .flat_map(|earlier| &earlier.steps)
        .filter_map(|step| Some(warmup.steps.get(&step.key)?.at));
    let aborted = warmup.aborted.as_ref().map(|said| said.at);
    marks.chain(aborted).max().unwrap_or(warmup.begun_at)
}

/// What the sheet still has to come.
struct Ahead {
    allowances: Vec<Allowance>,
    by_chief: usize,
    by_book: usize,
    /// Names of phases with a firing engine whose need nobody knows.
    unknown: Vec<String>,
    /// The phase under way, if it has used more than it should at worst.
    over: Option<String>,
}

impl Ahead {
    /// The phase under way, less what it has used, and all after it.
    fn of(warmup: &Warmup, used_here: &Used, used_l: &BTreeMap<PhaseKey, Vec<f64>>) -> Self {
        let mut ahead = Self {
            allowances: Vec::new(),
            by_chief: 0,
            by_book: 0,
            unknown: Vec::new(),
            over: None,
        };
        // With every step done there is nothing to come.
        let Some((here, _)) = warmup.current().filter(|_| warmup.closed_at.is_none()) else {
            return ahead;
        };
        let still = warmup
            .sheet
            .phases
            .iter()
            .skip_while(|phase| phase.key != here.key)
            .filter(|phase| warmup.aborted.is_none() || phase.shut_down);
        for phase in still {
            let learned = used_l
                .get(&phase.key)
                .and_then(|used| Allowance::learned(phase.name.as_str(), used).ok());
            let allowance = match (phase.fuel_allowance, learned) {
                (Some(chiefs), _) => {
                    ahead.by_chief += 1;
                    Allowance::of_chief(phase.name.as_str(), chiefs.usual_l, chiefs.most_l)
                }
                (None, Some(learned)) => {
                    ahead.by_book += 1;
                    learned
                }
                (None, None) => {
                    if phase.firing {
                        ahead.unknown.push(phase.name.clone());
                    }
                    continue;
                }
            };
            if phase.key == here.key && used_here.likely_l > allowance.most_l {
                ahead.over = Some(phase.name.clone());
            }
            ahead.allowances.push(if phase.key == here.key {
                rest(allowance, used_here)
            } else {
                allowance
            });
        }
        ahead
    }

    /// Whose numbers these are.
    fn words(&self) -> String {
        let phases = |count: usize| match count {
            1 => "1 phase".to_owned(),
            _ => format!("{count} phases"),
        };
        let mut parts = Vec::new();
        if self.by_chief > 0 {
            parts.push(format!(
                "the sheet's allowance for {}",
                phases(self.by_chief)
            ));
        }
        if self.by_book > 0 {
            parts.push(format!("earlier warm-ups for {}", phases(self.by_book)));
        }
        let mut words = parts.join(", ");
        if let Some(over) = &self.over {
            words += &format!("; {over} has used more than it should, and may go on to");
        }
        if !self.unknown.is_empty() {
            words += &format!(
                "; NOT counted, no number known: {}",
                self.unknown.join(", ")
            );
        }
        words
    }
}

/// What is left of an allowance. A phase that has used it up already goes on using, by how much nobody knows.
fn rest(allowance: Allowance, used: &Used) -> Allowance {
    let less = |litres: Litres, used: Litres| Litres((litres.0 - used.0).max(0.0));
    Allowance {
        likely_l: less(allowance.likely_l, used.likely_l),
        most_l: less(allowance.most_l, used.least_l),
        ..allowance
    }
}

// Each phone shows values in its own units, so the words that go with them hold no number that has one.

fn used_words(used: &Used) -> String {
    match used.gaps {
        0 => "every reading since the warm-up began".to_owned(),
        _ => format!("{:.0} s of flow not seen", used.gap_s.0),
    }
}

fn left_words(state: &FuelState, ahead: &Ahead) -> String {
    let words = match (state.call, ahead.allowances.is_empty()) {
        (FuelCall::Enough, true) => "nothing known of what is still needed",
        (FuelCall::Close, true) => "could be below the reserve",
        (FuelCall::Short, true) => "below the reserve",
        (FuelCall::Enough, false) => "enough for the rest of the sheet, also at worst",
        (FuelCall::Close, false) => {
            "COULD RUN SHORT: not enough for the rest of the sheet at worst"
        }
        (FuelCall::Short, false) => "SHORT: not enough for the rest of the sheet",
    };
    format!("{words}; reckoned from a full tank")
}

fn need_figures(state: &FuelState, ahead: &Ahead) -> [FigureNow; 2] {
    let (margin, worst) = (state.margin_l.0, state.margin_worst_l.0);
    let call = match state.call {
        FuelCall::Enough => "what is left over if everything goes worst",
        FuelCall::Close => "SHORT if everything goes worst",
        FuelCall::Short => "SHORT even as things usually go",
    };
    [
        FigureNow {
            value: Some(state.needed_l.0),
            unit: Some(Unit::Litre),
            low: Some(state.needed_l.0),
            high: Some(state.needed_most_l.0),
            ..figure(
                "fuel_needed",
                "Fuel needed",
                format!(
                    "for the rest of the sheet, with the reserve: {}",
                    ahead.words()
                ),
            )
        },
        FigureNow {
            value: Some(worst),
            unit: Some(Unit::Litre),
            low: Some(worst),
            high: Some(margin),
            attention: state.call != FuelCall::Enough,
            ..figure("fuel_margin", "Fuel to spare", call.to_owned())
        },
    ]
}
