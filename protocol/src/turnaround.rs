//! The time between rounds: the plan of what must be done from the car's return to the pit until it is called to the lanes, as the
//! team wrote it.

use crate::{RoleKey, TaskKey};
use serde::{Deserialize, Serialize};

/// What must be done between rounds.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Plan {
    /// Its key: `between_rounds`.
    pub key: String,
    /// Its name.
    pub name: String,
    /// The task that is the warm-up itself.
    pub warm_up: TaskKey,
    /// The tasks, in the order of the file.
    pub tasks: Vec<Task>,
    /// How many people a role has, where it is not one.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub people: Vec<Hands>,
    /// What there are few of: the hoist, the stand.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub few: Vec<Few>,
}

/// One task.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Task {
    /// Its key, unique in the plan.
    pub key: TaskKey,
    /// What to do.
    pub text: String,
    /// Whose task it is.
    pub owner: RoleKey,
    /// How long it takes.
    pub minutes: Guess,
    /// The tasks that must be done first.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub after: Vec<TaskKey>,
    /// Whose hands it takes besides the owner's.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub with: Vec<RoleKey>,
    /// What it takes of that there are few of, by the keys of [`Plan::few`].
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub needs: Vec<String>,
    /// What to mind.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub caution: Option<String>,
}

/// How long a task takes, in minutes: the shortest, the likely and the longest.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Guess {
    /// At best.
    pub low: f64,
    /// Most likely.
    pub likely: f64,
    /// At worst.
    pub high: f64,
}

/// How many people a role has.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Hands {
    /// The role.
    pub role: RoleKey,
    /// How many.
    pub number: usize,
}

/// Something that there are few of.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Few {
    /// Its key.
    pub key: String,
    /// What the crew calls it.
    pub label: String,
    /// How many.
    pub number: usize,
}

impl Plan {
    /// Where a task stands in the plan, and the task.
    pub fn task(&self, key: &TaskKey) -> Option<(usize, &Task)> {
        self.tasks
            .iter()
            .enumerate()
            .find(|(_, task)| task.key == *key)
    }

    /// How many people a role has: one where the plan does not say.
    pub fn people_of(&self, role: &RoleKey) -> usize {
        let said = self.people.iter().find(|hands| hands.role == *role);
        said.map_or(1, |hands| hands.number)
    }
}
