//! What people measure and set for the figures: the weather, the mix, the chief's rule for the flow, bleed turns, the time slip. Types only.

use crate::json::FromJson;
use crate::map::Map;
use crate::{ChannelKey, Millis, event::Who, trust::Calibration};
use serde::{Deserialize, Serialize};

/// The air at the car.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, FromJson)]
pub struct Conditions {
    /// Air temperature, degrees Celsius.
    pub temp_c: f64,
    /// Pressure at the car itself (station pressure, not reduced to sea level), hPa.
    pub pressure_hpa: f64,
    /// Relative humidity, percent.
    pub rh_pct: f64,
    /// Where it was measured.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub place: Option<String>,
}

/// What hydrometer and thermometer say of the fuel in the can.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, FromJson)]
pub struct MixReading {
    /// Specific gravity: density at `temp_c` over that of water at 60 degF.
    pub sg: f64,
    /// Temperature of the fuel, degrees Celsius.
    pub temp_c: f64,
}

/// What the can is to hold, for what to add to it.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, FromJson)]
pub struct CanPlan {
    /// What it holds now, litres.
    pub held_l: f64,
    /// Nitromethane in that, percent by volume; the mix last measured when absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub held_pct: Option<f64>,
    /// What it is to hold, litres.
    pub want_l: f64,
    /// Nitromethane wanted in it, percent by volume.
    pub want_pct: f64,
    /// Temperature of all liquids as they are poured, degrees Celsius.
    pub temp_c: f64,
}

/// The crew chief's rule for the flow: what was right once, and how it moves with the air.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, FromJson)]
pub struct FlowBaseline {
    /// The flow that was right, L/min.
    pub flow_l_per_min: f64,
    /// Air density then, kg/m3.
    pub density_kg_m3: f64,
    /// Air temperature then, degrees Celsius.
    pub temp_c: f64,
    /// Percent of flow for one percent of air density; 1 keeps the mass of fuel to the mass of air.
    pub pct_per_pct_density: f64,
    /// Percent of flow for one kelvin of air temperature, on top of what density does.
    pub pct_per_k: f64,
    /// How far off the rule usually is, percent of flow (one standard deviation).
    pub sd_pct: f64,
}

/// What is printed on a time slip; what is not on it is absent. Elapsed times count from leaving the stage beam.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize, FromJson)]
pub struct TimeSlip {
    /// From the green to leaving the stage beam, seconds; below zero: before the green.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reaction_s: Option<f64>,
    /// Elapsed time at 60 ft, seconds.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub t60_s: Option<f64>,
    /// Elapsed time at 330 ft, seconds.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub t330_s: Option<f64>,
    /// Elapsed time at 660 ft, seconds.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub t660_s: Option<f64>,
    /// Elapsed time at 1000 ft, seconds.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub t1000_s: Option<f64>,
    /// Speed at 330 ft, mph.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub v330_mph: Option<f64>,
    /// Speed at 660 ft, mph.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub v660_mph: Option<f64>,
    /// Speed at 1000 ft, mph.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub v1000_mph: Option<f64>,
}

/// Something that a person told, when and who.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, FromJson)]
pub struct Told<T> {
    /// When.
    pub at: Millis,
    /// By whom.
    pub by: Option<Who>,
    /// What.
    pub value: T,
}

/// What holds for the day rather than for one warm-up: it is carried from each warm-up to the next.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, FromJson)]
pub struct Today {
    /// The weather last typed in.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub conditions: Option<Told<Conditions>>,
    /// The mix last measured.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mix: Option<Told<MixReading>>,
    /// What the can is to hold.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub can: Option<Told<CanPlan>>,
    /// The chief's rule for the flow, where it was set from a phone; else the car file's holds, if it has one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub flow: Option<Told<FlowBaseline>>,
    /// Calibrations that the chief set, by channel; for others the car file's holds.
    #[serde(default, skip_serializing_if = "Map::is_empty")]
    pub calibrations: Map<ChannelKey, Told<Calibration>>,
}

impl Today {
    /// Nothing is known of the day.
    pub fn is_empty(&self) -> bool {
        *self == Self::default()
    }
}
