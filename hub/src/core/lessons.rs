//! What earlier warm-ups of this car teach the figures. The book fills it in; here is only what it holds.

use super::{day_air::AirSeen, turnaround::Took};
use crate::figures::{bleed::Adjustment, flow::Case, slip::Slip, warm::WarmCurve};
use spinover_protocol::PhaseKey;
use std::{collections::BTreeMap, sync::Arc};

/// Lessons of earlier warm-ups, oldest first throughout.
#[derive(Clone, Debug, Default)]
pub struct Lessons {
    /// How the engine warmed, for the forecast.
    pub warmed: Vec<WarmCurve>,
    /// At what flow it ran in what air.
    pub flows: Vec<Case>,
    /// What each phase used of the fuel, in litres; one number a warm-up that saw the whole phase.
    pub used_l: BTreeMap<PhaseKey, Vec<f64>>,
    /// What turns of the idle's air bleeds did.
    pub bleeds: Vec<Adjustment>,
    /// Time slips.
    pub slips: Vec<Slip>,
    /// How long the tasks between rounds took.
    pub took: Arc<Took>,
    /// What was measured of the air of late, oldest first.
    pub airs: Vec<AirSeen>,
}
