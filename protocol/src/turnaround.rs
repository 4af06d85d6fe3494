//! The time between rounds: the plan of what must be done from the car's return to the pit until it is called to the lanes, what was
//! done about it, and how it stands.

use crate::json::FromJson;
use crate::map::Map;
use crate::{
    Millis, RoleKey, TaskKey,
    event::{Event, EventBody, Who},
    today::Told,
};
use serde::{Deserialize, Serialize};

/// What must be done between rounds.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, FromJson)]
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
    /// The chief is told once the chance to be in time falls below that, 0 to 1.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tell_below: Option<f64>,
}

/// One task.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, FromJson)]
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
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize, FromJson)]
pub struct Guess {
    /// At best.
    pub low: f64,
    /// Most likely.
    pub likely: f64,
    /// At worst.
    pub high: f64,
}

/// How many people a role has.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, FromJson)]
pub struct Hands {
    /// The role.
    pub role: RoleKey,
    /// How many.
    pub number: usize,
}

/// Something that there are few of.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, FromJson)]
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

/// A turnaround under way, or the last one: the plan, and what was done about it.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, FromJson)]
pub struct Turnaround {
    /// The plan, as it was when it began.
    pub plan: Plan,
    /// When it began.
    pub begun_at: Millis,
    /// When it was closed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub closed_at: Option<Millis>,
    /// When the car will be called to the lanes, as far as is known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lanes_at: Option<Millis>,
    /// What was done about each task; those that nothing was done about are absent.
    #[serde(default, skip_serializing_if = "Map::is_empty")]
    pub tasks: Map<TaskKey, Progress>,
    /// What the hub has said to be late, oldest first; the latest of each task.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub told: Vec<LateTold>,
}

/// What the hub has said to be late.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, FromJson)]
pub struct LateTold {
    /// The task; absent: it is the chance.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub task: Option<TaskKey>,
    /// When it was said.
    pub at: Millis,
    /// For what call to the lanes: another one may be told of again.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lanes_at: Option<Millis>,
    /// By how many minutes the task was late.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub late_min: Option<f64>,
    /// The chance that it was.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub chance: Option<f64>,
    /// Who has seen it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub seen: Option<Stamp>,
}

/// What was done about a task.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, FromJson)]
pub struct Progress {
    /// It was started; absent where it was only said to be done.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub started: Option<Stamp>,
    /// It was done.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub done: Option<Stamp>,
    /// How many more minutes it would take, as whoever does it last said.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub late: Option<Told<f64>>,
}

/// Who did something, and when.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, FromJson)]
pub struct Stamp {
    /// When.
    pub at: Millis,
    /// By whom.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub by: Option<Who>,
}

/// Why something cannot be done about a task now.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Block {
    /// No such task.
    NoSuchTask,
    /// The turnaround is closed.
    Closed,
    /// It is under way already.
    Started,
    /// It is done already.
    Done,
    /// Nothing was done about it.
    NotStarted,
    /// That task comes first.
    After(TaskKey),
    /// That task, which waits for it, has been started.
    Before(TaskKey),
}

impl Turnaround {
    /// A turnaround of which nothing is done.
    pub fn begin(plan: &Plan, at: Millis, lanes_at: Option<Millis>) -> Self {
        Self {
            plan: plan.clone(),
            begun_at: at,
            lanes_at,
            ..Self::default()
        }
    }

    /// Whether the task is done.
    pub fn is_done(&self, task: &TaskKey) -> bool {
        self.tasks
            .get(task)
            .is_some_and(|progress| progress.done.is_some())
    }

    /// Since when the task is under way, where it is.
    pub fn since(&self, task: &TaskKey) -> Option<Millis> {
        let progress = self.tasks.get(task)?;
        match progress.done {
            None => Some(progress.started.as_ref()?.at),
            Some(_) => None,
        }
    }

    /// How long the task took, in minutes, where its start and its end were both marked.
    pub fn took_min(&self, task: &TaskKey) -> Option<f64> {
        let progress = self.tasks.get(task)?;
        let (started, done) = (progress.started.as_ref()?, progress.done.as_ref()?);
        Some((done.at - started.at) as f64 / 60_000.0)
    }

    /// Whether the task can be started, or said to be done without.
    ///
    /// # Errors
    /// What is in the way.
    pub fn may_start(&self, key: &TaskKey) -> Result<&Task, Block> {
        let (_, task) = self.plan.task(key).ok_or(Block::NoSuchTask)?;
        if self.closed_at.is_some() {
            return Err(Block::Closed);
        }
        if self.is_done(key) {
            return Err(Block::Done);
        }
        if self.since(key).is_some() {
            return Err(Block::Started);
        }
        match task.after.iter().find(|before| !self.is_done(before)) {
            Some(before) => Err(Block::After(before.clone())),
            None => Ok(task),
        }
    }

    /// Whether the task can be said to be done.
    ///
    /// # Errors
    /// What is in the way.
    pub fn may_finish(&self, key: &TaskKey) -> Result<&Task, Block> {
        match self.may_start(key) {
            Err(Block::Started) => Ok(self.plan.task(key).ok_or(Block::NoSuchTask)?.1),
            other => other,
        }
    }

    /// Whether the last that was said about the task can be taken back: not when what waits for it has been started.
    ///
    /// # Errors
    /// What is in the way.
    pub fn may_undo(&self, key: &TaskKey) -> Result<&Task, Block> {
        let (_, task) = self.plan.task(key).ok_or(Block::NoSuchTask)?;
        if self.closed_at.is_some() {
            return Err(Block::Closed);
        }
        if !self.tasks.contains_key(key) {
            return Err(Block::NotStarted);
        }
        let next = self
            .plan
            .tasks
            .iter()
            .find(|next| next.after.contains(key) && self.tasks.contains_key(&next.key));
        match next {
            Some(next) => Err(Block::Before(next.key.clone())),
            None => Ok(task),
        }
    }

    /// What was told of late and nobody has seen yet; not of what is done, nor of another call than the one that holds.
    pub fn unseen(&self) -> impl Iterator<Item = &LateTold> {
        let open = self.closed_at.is_none();
        self.told.iter().filter(move |told| {
            let done = told.task.as_ref().is_some_and(|task| self.is_done(task));
            open && told.seen.is_none() && !done && told.lanes_at == self.lanes_at
        })
    }

    /// Whose it is to say "seen" to what was told: the task's owner's; nobody's but the chief's where it is the chance.
    pub fn late_owner(&self, told: Option<&TaskKey>) -> Option<&RoleKey> {
        Some(&self.plan.task(told?)?.1.owner)
    }

    /// Folds in what happened; whatever is about something else is passed over.
    pub fn apply(&mut self, event: &Event) {
        let stamp = || {
            Some(Stamp {
                at: event.at,
                by: event.by.clone(),
            })
        };
        match &event.body {
            EventBody::TurnaroundClosed {} => self.closed_at = Some(event.at),
            EventBody::LanesCallSet { lanes_at } => self.lanes_at = *lanes_at,
            EventBody::TaskStarted { task } => {
                self.tasks.entry(task.clone()).or_default().started = stamp();
            }
            EventBody::TaskDone { task } => {
                self.tasks.entry(task.clone()).or_default().done = stamp();
            }
            EventBody::TaskLate { task, left_min } => {
                self.tasks.entry(task.clone()).or_default().late = Some(Told {
                    at: event.at,
                    by: event.by.clone(),
                    value: *left_min,
                });
            }
            EventBody::LateTold {
                task,
                late_min,
                chance,
            } => {
                self.told.retain(|told| told.task != *task);
                self.told.push(LateTold {
                    task: task.clone(),
                    at: event.at,
                    lanes_at: self.lanes_at,
                    late_min: *late_min,
                    chance: *chance,
                    seen: None,
                });
            }
            EventBody::LateSeen { task } => {
                for told in self.told.iter_mut().filter(|told| told.task == *task) {
                    told.seen = stamp();
                }
            }
            EventBody::TaskUndone { task } => {
                // Done goes back to under way, and that to not started.
                let running = self
                    .tasks
                    .get_mut(task)
                    .filter(|progress| progress.done.is_some() && progress.started.is_some());
                match running {
                    Some(progress) => progress.done = None,
                    None => {
                        self.tasks.remove(task);
                    }
                }
            }
            _ => {}
        }
    }
}

/// How the turnaround stands, as the hub reckons it.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, FromJson)]
pub struct Now {
    /// The hub's clock when it was reckoned.
    pub now: Millis,
    /// The name of the plan that can be begun.
    pub plan: String,
    /// What can be said of the one under way; absent when none is.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub outlook: Option<Box<Outlook>>,
}

/// What can be said of a turnaround under way. Times are the hub's clock.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, FromJson)]
pub struct Outlook {
    /// The chance that all is done before the call to the lanes, 0 to 1; absent when there is no call.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub chance: Option<f64>,
    /// When the warm-up can start; absent when it has.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ready: Option<Between>,
    /// When the warm-up must start for nine in ten of what follows to be in time.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub start_by: Option<Millis>,
    /// When all is done.
    pub end: Between,
    /// Each task, in the plan's order.
    pub tasks: Vec<TaskNow>,
    /// The longest chain of what is left, first task first.
    pub path: Vec<TaskKey>,
    /// What would help, best first.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub helps: Vec<HelpNow>,
    /// The air when the car will run; absent where nobody measured it today.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub air: Option<Box<AirThen>>,
}

/// The air at the call to the lanes, or when all is done where there is no call, and what it does to the flow.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, FromJson)]
pub struct AirThen {
    /// For when.
    pub at: Millis,
    /// When the air was last measured.
    pub seen_at: Millis,
    /// From how many measurements.
    pub readings: usize,
    /// How many more were left out as odd.
    #[serde(default, skip_serializing_if = "is_nought")]
    pub odd: usize,
    /// Density altitude as last measured, metres.
    pub altitude_now_m: f64,
    /// Density altitude then, metres.
    pub altitude_m: Likely,
    /// Temperature as last measured, degrees Celsius.
    pub temp_now_c: f64,
    /// Temperature then, degrees Celsius.
    pub temp_c: Likely,
    /// The flow that it wants; absent where there is no rule for the flow.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub flow: Option<FlowThen>,
    /// What the day has been: when, and the density altitude in metres.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub trend: Vec<(Millis, f64)>,
    /// What is to come: when, and the density altitude's low end, middle and high end in metres.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub course: Vec<(Millis, f64, f64, f64)>,
}

/// A value that is not known exactly.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize, FromJson)]
pub struct Likely {
    /// One in ten is lower.
    pub low: f64,
    /// The middle.
    pub middle: f64,
    /// One in ten is higher.
    pub high: f64,
}

/// The flow that the air will want, litres a minute. Nothing sets it: it is told.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize, FromJson)]
pub struct FlowThen {
    /// For the air as last measured.
    pub now_l_per_min: f64,
    /// Then.
    pub l_per_min: Likely,
    /// By earlier warm-ups, since the chief has set no rule.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub by_book: bool,
    /// That air is outside of what the rule rests on.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub outside: bool,
}

fn is_nought(number: &usize) -> bool {
    *number == 0
}

/// A time that is not known exactly.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, FromJson)]
pub struct Between {
    /// One in ten is earlier.
    pub from: Millis,
    /// The middle.
    pub middle: Millis,
    /// One in ten is later.
    pub to: Millis,
}

/// A task as it stands.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, FromJson)]
pub struct TaskNow {
    /// Which.
    pub task: TaskKey,
    /// When it will start, in the middle; when the reckoning was made for what has started.
    pub start: Millis,
    /// When it will be done, in the middle.
    pub finish: Millis,
    /// Minutes that it can be later without making the end later.
    pub slack_min: f64,
    /// Minutes to spare before the call to the lanes: below zero, the task is late. Absent without a call, and when it is done.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub spare_min: Option<f64>,
    /// In which share of what may come all the rest waits for it, 0 to 1.
    pub critical: f64,
    /// It has taken longer than its longest guess.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub over: bool,
    /// From how many earlier turnarounds its time was learned; 0: it is the file's guess alone.
    #[serde(default)]
    pub learned: usize,
}

/// Something that would help.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, FromJson)]
pub struct HelpNow {
    /// What.
    #[serde(flatten)]
    pub help: Help,
    /// How many minutes earlier all is done then, on average.
    pub earlier_min: f64,
    /// How much better the chance is then.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub chance: Option<f64>,
}

/// What helps.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, FromJson)]
#[serde(tag = "help", rename_all = "snake_case")]
pub enum Help {
    /// A hand with that task, so that it takes a quarter less.
    Quicker {
        /// The task.
        task: TaskKey,
    },
    /// One more pair of hands for that role.
    Hands {
        /// The role.
        role: RoleKey,
    },
    /// One more of what there are few of.
    OneMore {
        /// Its key in [`Plan::few`].
        thing: String,
    },
}
