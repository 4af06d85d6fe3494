//! What a team counts over a season: how long each part has been in, and when it is due.

use crate::json::FromJson;
use crate::{Millis, StepKey, TaskKey, record::Said};
use serde::{Deserialize, Serialize};

/// Something that is counted until a part is changed.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, FromJson)]
pub struct Counter {
    /// Its key: `rods`.
    pub key: String,
    /// What the crew calls it.
    pub label: String,
    /// What counts.
    #[serde(flatten)]
    pub counts: Counts,
    /// It is due at that many.
    pub limit: f64,
    /// It is warned of from that many.
    pub warn_at: f64,
    /// What to mind.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub caution: Option<String>,
}

/// What counts.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, FromJson)]
#[serde(tag = "counts", rename_all = "snake_case")]
pub enum Counts {
    /// Warm-ups of which any step was marked.
    #[default]
    WarmUps,
    /// Runs: the mark of the step by which a run begins.
    Runs {
        /// The step, on whatever sheet.
        step: StepKey,
    },
    /// Burn-outs: the mark of the step that is one.
    BurnOuts {
        /// The step, on whatever sheet.
        step: StepKey,
    },
    /// Marks of a step.
    Steps {
        /// The step, on whatever sheet.
        step: StepKey,
    },
    /// Times that a task was done between rounds.
    Tasks {
        /// The task, in whatever plan.
        task: TaskKey,
    },
    /// Seconds of the engine above a speed, while a warm-up was recorded.
    EngineSeconds {
        /// The speed, rpm.
        above_rpm: f64,
    },
}

impl Counts {
    /// The step whose marks count, where it is a step's.
    pub fn step(&self) -> Option<&StepKey> {
        match self {
            Self::Runs { step } | Self::BurnOuts { step } | Self::Steps { step } => Some(step),
            _ => None,
        }
    }
}

/// How all counters stand.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, FromJson)]
pub struct Now {
    /// Each, in the file's order.
    pub counters: Vec<CounterNow>,
}

/// How a counter stands.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, FromJson)]
pub struct CounterNow {
    /// Which, and its limits.
    pub counter: Counter,
    /// How many since the part was last changed.
    pub count: f64,
    /// Earlier parts, the latest first.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub before: Vec<Life>,
}

/// A part that was changed.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, FromJson)]
pub struct Life {
    /// When it was changed, by whom, and the remark.
    pub changed: Said,
    /// How many it had then.
    pub count: f64,
}

/// Whether a part is due.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Due {
    /// Not yet.
    Fine,
    /// Soon: from `warn_at` on.
    Soon,
    /// At its limit or over it.
    Now,
}

impl CounterNow {
    /// Whether it is due. Nothing is locked by it: whether the car runs is the crew chief's word.
    pub fn due(&self) -> Due {
        if self.count >= self.counter.limit {
            Due::Now
        } else if self.count >= self.counter.warn_at {
            Due::Soon
        } else {
            Due::Fine
        }
    }

    /// Since when the part is in; nothing when it was never changed.
    pub fn since(&self) -> Option<Millis> {
        self.before.first().map(|life| life.changed.at)
    }
}
