//! The simulated crew: what hands do to the controls when a step is marked. Pure: time and what is read are passed in.
//!
//! The chief marks a step when it is done, so hands act when the step *before* is marked, after a moment, as people do;
//! marking a step early only makes them quicker. How long things take and by how much a knob is turned is common
//! practice with no source.

use super::controls::Order;
use super::engine::{Inputs, Params, Truth};
use std::collections::BTreeSet;

/// The starter is let go when the engine runs faster than this by itself, in rpm.
const STARTED_RPM: f64 = 900.0;
/// Nobody holds the starter longer than this, in seconds; then it rests.
const STARTER_LONGEST_S: f64 = 60.0;
const STARTER_RESTS_S: f64 = 10.0;
/// Knobs are trimmed at idle only, below this, in rpm.
const IDLES_BELOW_RPM: f64 = 3_500.0;

/// A control.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Knob {
    Starter,
    Ignition,
    Petrol,
    Nitro,
    ClutchAir,
    Flow,
    Bleed,
    Throttle,
}

impl Knob {
    fn from_key(key: &str) -> Option<Self> {
        Some(match key {
            "starter" => Self::Starter,
            "ignition" => Self::Ignition,
            "fuel_petrol" => Self::Petrol,
            "fuel_nitro" => Self::Nitro,
            "clutch_air" => Self::ClutchAir,
            "flow_lever" => Self::Flow,
            "bleed" => Self::Bleed,
            "throttle" => Self::Throttle,
            _ => return None,
        })
    }

    fn set(self, inputs: &mut Inputs, value: f64) {
        let on = value >= 0.5;
        match self {
            Self::Starter => inputs.starter = on,
            Self::Ignition => inputs.ignition = on,
            Self::Petrol => inputs.petrol = on,
            Self::Nitro => inputs.nitro = on,
            Self::ClutchAir => inputs.clutch_air = on,
            Self::Flow => inputs.flow_lever = value,
            Self::Bleed => inputs.bleed = value,
            Self::Throttle => inputs.throttle = value,
        }
    }
}

/// The hands on the controls.
#[derive(Clone, Debug)]
pub(super) struct Crew {
    aim_rpm: f64,
    aim_flow: f64,
    /// What is to be done, and when.
    plan: Vec<(f64, Knob, f64)>,
    /// Controls that a person has taken over.
    theirs: BTreeSet<Knob>,
    /// Since when the starter is held, and whether to start the engine or only to turn it.
    cranking: Option<(f64, bool)>,
    /// The flow, or the idle, is being trimmed; next turn of the knob at this time.
    trim_flow: Option<f64>,
    trim_idle: Option<f64>,
}

impl Crew {
    pub(super) fn new(params: &Params) -> Self {
        Self {
            aim_rpm: params.idle_rpm,
            aim_flow: params.idle_flow,
            plan: Vec::new(),
            theirs: BTreeSet::new(),
            cranking: None,
            trim_flow: None,
            trim_idle: None,
        }
    }

    /// Takes what was asked.
    pub(super) fn take(&mut self, order: Order, now: f64, inputs: &mut Inputs) {
        match order {
            Order::Set(key, value) => {
                if let Some(knob) = Knob::from_key(&key) {
                    self.theirs.insert(knob);
                    self.plan.retain(|(_, planned, _)| *planned != knob);
                    if knob == Knob::Starter {
                        self.cranking = None;
                    }
                    knob.set(inputs, value);
                }
            }
            Order::Marked(step) => self.marked(&step, now, inputs),
            Order::ShutDown => self.shut_down(inputs),
        }
    }

    fn marked(&mut self, step: &str, now: f64, inputs: &mut Inputs) {
        use Knob::{ClutchAir, Flow, Ignition, Nitro, Petrol, Throttle};
        match step {
            // A new warm-up begins, or this one is over: every hand is back where it was.
            "area_clear" | "made_safe" => {
                self.shut_down(inputs);
                self.theirs.clear();
                self.at(now, ClutchAir, 0.0);
            }
            "fuel_off_ignition_off" => {
                self.shut_down(inputs);
                self.crank(now + 1.5, false);
            }
            "spin_over" if self.cranking.is_none() => self.crank(now, false),
            "cylinders_clear" => self.let_go(inputs),
            "ignition_on" => self.at(now, Ignition, 1.0),
            "recorder_on" => self.at(now + 1.0, ClutchAir, 1.0),
            "clutch_air_on" => self.at(now, ClutchAir, 1.0),
            "clutch_charge" | "start_petrol"
                if self.cranking.is_none()
                    && !self.planned(Petrol)
                    && !inputs.petrol
                    && !inputs.nitro =>
            {
                self.at(now, Ignition, 1.0);
                self.at(now + 0.8, Petrol, 1.0);
                self.crank(now + 0.4, true);
            }
            "oil_pressure_up" => {
                self.at(now + 1.0, Nitro, 1.0);
                self.at(now + 3.0, Petrol, 0.0);
            }
            "nitro_on" => {
                self.at(now, Nitro, 1.0);
                self.at(now + 1.0, Petrol, 0.0);
            }
            "clean_on_nitro" => self.trim_flow = Some(now + 1.0),
            // The pump's flow follows the idle, so the flow is kept at its number while the idle is set.
            "flow_trimmed" => self.trim_idle = Some(now + 1.0),
            "leaks_checked" => {
                self.trim_flow = None;
                self.trim_idle = None;
            }
            "ignition_off" | "switches_off" => self.at(now, Ignition, 0.0),
            "fuel_shut" | "fuel_off" | "engine_stopped" => self.shut_down(inputs),
            "roll_to_water" => {
                self.trim_flow = None;
                self.trim_idle = None;
                self.at(now + 1.0, Throttle, 0.35);
                self.at(now + 2.5, Throttle, 0.0);
            }
            "burnout" => self.at(now, Throttle, 0.0),
            "burnout_stop" => {
                self.at(now, Throttle, 0.0);
                self.trim_flow = Some(now + 4.0);
                self.trim_idle = Some(now + 4.0);
            }
            "pre_stage" => {
                self.trim_flow = None;
                self.trim_idle = None;
                self.at(now + 0.5, Flow, self.aim_flow * 1.15);
            }
            "stage" => {
                self.at(now + 1.0, Throttle, 1.0);
                self.at(now + 5.0, Throttle, 0.0);
            }
            "run" | "chute_out" => self.at(now, Throttle, 0.0),
            _ => {}
        }
    }

    /// Ignition and fuel off, starter and throttle let go: whoever holds them, and whatever was planned.
    fn shut_down(&mut self, inputs: &mut Inputs) {
        self.plan.clear();
        self.trim_flow = None;
        self.trim_idle = None;
        self.let_go(inputs);
        inputs.ignition = false;
        inputs.petrol = false;
        inputs.nitro = false;
        inputs.throttle = 0.0;
    }

    fn let_go(&mut self, inputs: &mut Inputs) {
        self.cranking = None;
        self.plan.retain(|(_, knob, _)| *knob != Knob::Starter);
        inputs.starter = false;
    }

    fn crank(&mut self, from: f64, to_start: bool) {
        self.cranking = Some((from, to_start));
        self.at(from, Knob::Starter, 1.0);
    }

    fn at(&mut self, when: f64, knob: Knob, value: f64) {
        if !self.theirs.contains(&knob) {
            self.plan.push((when, knob, value));
        }
    }

    fn planned(&self, knob: Knob) -> bool {
        self.plan.iter().any(|(_, planned, _)| *planned == knob)
    }

    /// Does what is due.
    pub(super) fn tick(&mut self, now: f64, seen: &Truth, inputs: &mut Inputs) {
        // In the order in which it was planned, so that of two for one knob the later stands.
        let (due, later) = std::mem::take(&mut self.plan)
            .into_iter()
            .partition(|(when, _, _)| *when <= now);
        self.plan = later;
        let due: Vec<(f64, Knob, f64)> = due;
        for (_, knob, value) in due {
            knob.set(inputs, value);
        }
        if let Some((since, to_start)) = self.cranking {
            let tired = now - since > STARTER_LONGEST_S;
            if to_start && (tired || seen.rpm > STARTED_RPM) {
                self.let_go(inputs);
                // It would not start: no more petrol into it.
                inputs.petrol &= !tired;
            } else if tired {
                // Turned again after a rest, since the chief has not yet said that the cylinders are clear.
                self.let_go(inputs);
                self.crank(now + STARTER_RESTS_S, false);
            }
        }
        if seen.rpm > IDLES_BELOW_RPM || inputs.throttle > 0.0 {
            return;
        }
        if let Some(turn) = self
            .trim_flow
            .filter(|turn| now >= *turn && !self.theirs.contains(&Knob::Flow))
        {
            self.trim_flow = Some(turn + 1.5);
            let off = self.aim_flow - seen.fuel_flow;
            if off.abs() > 0.01 * self.aim_flow {
                let most = 0.06 * self.aim_flow;
                inputs.flow_lever = (inputs.flow_lever + (0.7 * off).clamp(-most, most))
                    .clamp(0.5 * self.aim_flow, 1.6 * self.aim_flow);
            }
        }
        if let Some(turn) = self
            .trim_idle
            .filter(|turn| now >= *turn && !self.theirs.contains(&Knob::Bleed))
        {
            self.trim_idle = Some(turn + 2.5);
            let off = self.aim_rpm - seen.rpm;
            if off.abs() > 25.0 {
                inputs.bleed = (inputs.bleed + (off / 300.0).clamp(-0.25, 0.25)).clamp(0.0, 6.0);
            }
        }
    }
}

/// The run of a car that warms up by itself: seconds from its start, and the step that is marked then. After the last
/// it cools down and begins again.
pub(super) const BY_ITSELF: [(f64, &str); 18] = [
    (2.0, "area_clear"),
    (8.0, "fuel_off_ignition_off"),
    (18.0, "spin_over"),
    (20.0, "cylinders_clear"),
    (24.0, "brake_clutch"),
    (27.0, "ignition_on"),
    (29.0, "recorder_on"),
    (33.0, "clutch_air_on"),
    (37.0, "clutch_charge"),
    (42.0, "start_petrol"),
    (46.0, "oil_pressure_up"),
    (51.0, "nitro_on"),
    (57.0, "clean_on_nitro"),
    (72.0, "flow_trimmed"),
    (168.0, "leaks_checked"),
    (176.0, "ignition_off"),
    (179.0, "fuel_shut"),
    (190.0, "made_safe"),
];
/// Length of such a run in seconds, with the rest after it.
pub(super) const BY_ITSELF_S: f64 = 220.0;
