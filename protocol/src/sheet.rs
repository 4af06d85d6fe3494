//! A sheet: the procedure that a warm-up follows.

use crate::json::FromJson;
use crate::map::Map;
use crate::{ChannelKey, PhaseKey, RoleKey, StepKey, car::Band};
use serde::{Deserialize, Serialize};

/// A procedure: phases, and in them steps.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, FromJson)]
pub struct Sheet {
    /// Its key, which the chief begins it by.
    pub key: String,
    /// What the crew calls it.
    pub name: String,
    /// Phases in order. One of them, the last, is the shut-down.
    pub phases: Vec<Phase>,
}

/// A part of a sheet with bands of its own.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, FromJson)]
pub struct Phase {
    /// Its key.
    pub key: PhaseKey,
    /// What the crew calls it.
    pub name: String,
    /// An abort leads here.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub shut_down: bool,
    /// The engine is meant to be firing in this phase.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub firing: bool,
    /// Bands that hold in this phase in place of the car's own.
    #[serde(default, skip_serializing_if = "Map::is_empty")]
    pub bands: Map<ChannelKey, Band>,
    /// What the chief allows it to use of the fuel.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fuel_allowance: Option<FuelAllowance>,
    /// Steps in order.
    pub steps: Vec<Step>,
}

/// What a phase may use of the fuel, in litres; `usual_l` is at most `most_l`.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, FromJson)]
pub struct FuelAllowance {
    /// What it usually uses.
    pub usual_l: f64,
    /// What it uses at worst.
    pub most_l: f64,
}

/// One thing to be done and marked.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, FromJson)]
pub struct Step {
    /// Its key.
    pub key: StepKey,
    /// What is to be true before it is marked.
    pub text: String,
    /// Whose step it is.
    pub owner: RoleKey,
    /// What can go wrong, and for whom.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub caution: Option<String>,
    /// Nothing after a safety step can be marked before it, and skipping it takes two people.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub safety: bool,
    /// It waits for every ordered step before it. Safety steps are always ordered.
    pub ordered: bool,
    /// Conditions on readings.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub gates: Vec<Gate>,
    /// It must have been the current step for this long before it can be marked, in milliseconds.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub dwell_ms: Option<i64>,
    /// It should be marked within this long of becoming current, in milliseconds.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub limit_ms: Option<i64>,
    /// The call that the chief's page offers when the limit has passed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub late_call: Option<String>,
}

/// A condition on one channel that must hold, on a good reading, before a step can be marked.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, FromJson)]
pub struct Gate {
    /// The channel.
    pub channel: ChannelKey,
    /// What must be true of it.
    #[serde(flatten)]
    pub must: Must,
    /// It must have been true without a break for this long, in milliseconds.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub for_ms: i64,
}

fn is_zero(value: &i64) -> bool {
    *value == 0
}

/// What a gate asks of a reading, in the channel's unit.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, FromJson)]
#[serde(rename_all = "snake_case")]
pub enum Must {
    /// At least this.
    AtLeast(f64),
    /// At most this.
    AtMost(f64),
    /// Within the band that holds at the time (`true` is the only value).
    InBand(bool),
}

impl Must {
    /// Whether the value meets it, under the band that holds at the time.
    pub fn met(&self, value: f64, band: Option<Band>) -> bool {
        match self {
            Self::AtLeast(limit) => value >= *limit,
            Self::AtMost(limit) => value <= *limit,
            Self::InBand(_) => band.is_some_and(|band| band.holds(value)),
        }
    }
}

impl Sheet {
    /// Every step in order, with its phase.
    pub fn steps(&self) -> impl Iterator<Item = (&Phase, &Step)> {
        self.phases
            .iter()
            .flat_map(|phase| phase.steps.iter().map(move |step| (phase, step)))
    }

    /// The step with that key, and its phase.
    pub fn step(&self, key: &StepKey) -> Option<(&Phase, &Step)> {
        self.steps().find(|(_, step)| step.key == *key)
    }

    /// The phase with that key.
    pub fn phase(&self, key: &PhaseKey) -> Option<&Phase> {
        self.phases.iter().find(|phase| phase.key == *key)
    }
}
