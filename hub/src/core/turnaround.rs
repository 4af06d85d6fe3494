//! A team's plan as the network that `figures::schedule` reckons with, and the reckoning of how a turnaround stands. The reckoning takes
//! milliseconds, so it is a thing of its own that can be done elsewhere: nothing of it may hold up a reading or a mark.

use super::day_air::AirQuestion;
use crate::figures::schedule::chance::{self, Question, outlook};
use crate::figures::schedule::help::{Help, what_helps};
use crate::figures::schedule::learn::{Learned, learn};
use crate::figures::schedule::spread::Spread;
use crate::figures::schedule::{self, BadPlan, Network, Stage};
use spinover_protocol::turnaround::{self, Between, Guess, Plan, TaskNow, Turnaround};
use spinover_protocol::{Millis, RoleKey, TaskKey};
use std::collections::BTreeMap;
use std::sync::Arc;

/// Something that tasks take while they run.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Thing {
    /// A person of that role.
    Hands(RoleKey),
    /// One of what there are few of, by its place in the plan.
    Few(usize),
}

/// A plan and its network; tasks have the same places in both.
#[derive(Clone, Debug)]
pub struct PlanNetwork {
    /// The plan.
    pub plan: Plan,
    /// The network.
    pub network: Network,
    /// What the network's tasks use, by place.
    pub things: Vec<Thing>,
    /// The warm-up's place among the tasks.
    pub warm_up: Option<usize>,
}

impl PlanNetwork {
    /// Makes the network.
    ///
    /// # Errors
    /// A plan that no turnaround file can have: [`crate::files::load_turnaround`] refuses those.
    pub fn new(plan: Plan) -> Result<Self, BadPlan> {
        let mut things: Vec<Thing> = (0..plan.few.len()).map(Thing::Few).collect();
        let mut number: Vec<usize> = plan.few.iter().map(|few| few.number).collect();
        let mut tasks = Vec::new();
        for (at, task) in plan.tasks.iter().enumerate() {
            let mut uses: Vec<usize> = task
                .needs
                .iter()
                .map(|need| plan.few.iter().position(|few| few.key == *need))
                .collect::<Option<_>>()
                .ok_or(BadPlan::NoSuchUse { task: at })?;
            for role in std::iter::once(&task.owner).chain(&task.with) {
                let hands = Thing::Hands(role.clone());
                let place = things.iter().position(|thing| *thing == hands);
                uses.push(place.unwrap_or_else(|| {
                    things.push(hands);
                    number.push(plan.people_of(role));
                    things.len() - 1
                }));
            }
            let after = task
                .after
                .iter()
                .map(|before| Some(plan.task(before)?.0))
                .collect::<Option<_>>()
                .ok_or(BadPlan::NoSuchTask { task: at })?;
            tasks.push(schedule::Task {
                spread: spread(task.minutes),
                after,
                uses,
            });
        }
        Ok(Self {
            network: Network::new(tasks, number)?,
            warm_up: plan.task(&plan.warm_up).map(|(at, _)| at),
            plan,
            things,
        })
    }

    /// What a thing is called: a role's key, or the label of what there are few of.
    pub fn name(&self, thing: usize) -> &str {
        match &self.things[thing] {
            Thing::Hands(role) => role.as_str(),
            Thing::Few(at) => &self.plan.few[*at].label,
        }
    }
}

fn spread(guess: Guess) -> Spread {
    Spread {
        low_min: guess.low,
        likely_min: guess.likely,
        high_min: guess.high,
    }
}

/// What each task took over its likely guess in earlier turnarounds, oldest first.
pub type Took = BTreeMap<TaskKey, Vec<f64>>;

/// Adds what a turnaround that is over teaches.
pub fn teach(turnaround: &Turnaround, took: &mut Took) {
    for task in &turnaround.plan.tasks {
        if let Some(minutes) = turnaround.took_min(&task.key)
            && task.minutes.likely > 0.0
        {
            let shares = took.entry(task.key.clone()).or_default();
            shares.push(minutes / task.minutes.likely);
        }
    }
}

/// What a reckoning needs; it is made where the state is, and done anywhere.
#[derive(Clone, Debug)]
pub struct Reckoning {
    /// The hub's clock.
    pub now: Millis,
    /// The name of the plan that can be begun.
    pub plan: String,
    /// The turnaround under way.
    pub turnaround: Option<Turnaround>,
    /// What earlier ones teach.
    pub took: Arc<Took>,
    /// What is known of the air.
    pub air: AirQuestion,
}

/// When somebody says that a task takes so many minutes more, it is taken as from 0.8 to 1.5 times that (own judgement, no source).
const SAID: (f64, f64) = (0.8, 1.5);

impl Reckoning {
    /// Reckons.
    pub fn run(&self) -> turnaround::Now {
        turnaround::Now {
            now: self.now,
            plan: self.plan.clone(),
            outlook: self
                .turnaround
                .as_ref()
                .filter(|turnaround| turnaround.closed_at.is_none())
                .and_then(|turnaround| Some(Box::new(self.outlook(turnaround)?))),
        }
    }

    /// Minutes since, never below nought.
    fn minutes_since(&self, at: Millis) -> f64 {
        ((self.now - at) as f64 / 60_000.0).max(0.0)
    }

    fn at(&self, minutes: f64) -> Millis {
        self.now + (minutes * 60_000.0).round() as Millis
    }

    fn outlook(&self, turnaround: &Turnaround) -> Option<turnaround::Outlook> {
        let mut plan = turnaround.plan.clone();
        let learned: Vec<Learned> = plan
            .tasks
            .iter()
            .map(|task| learn(self.took.get(&task.key).map_or(&[], Vec::as_slice)))
            .collect();
        for (task, learned) in plan.tasks.iter_mut().zip(&learned) {
            task.minutes = self.guess(turnaround, &task.key, task.minutes, learned.times);
        }
        let stages: Vec<Stage> = plan
            .tasks
            .iter()
            .map(|task| match turnaround.since(&task.key) {
                Some(since) => Stage::Running {
                    spent_min: self.minutes_since(since),
                },
                None if turnaround.is_done(&task.key) => Stage::Done,
                None => Stage::Waiting,
            })
            .collect();
        // The plan was good when it was begun; one from an older book that is not any more gets no reckoning, and no panic.
        let network = PlanNetwork::new(plan).ok()?;
        let due_min = turnaround
            .lanes_at
            .map(|at| (at - self.now) as f64 / 60_000.0);
        let question = Question {
            ready: network.warm_up,
            due_min,
            ..Question::default()
        };
        let said = outlook(&network.network, &stages, &question);
        let helps = what_helps(&network.network, &stages, &question);
        let tasks = network.plan.tasks.iter().zip(&said.tasks).zip(&stages);
        let tasks = tasks
            .zip(&learned)
            .map(|(((task, chance), stage), learned)| TaskNow {
                task: task.key.clone(),
                start: self.at(chance.start_min),
                finish: self.at(chance.finish_min),
                slack_min: chance.slack_min,
                spare_min: due_min
                    .filter(|_| *stage != Stage::Done)
                    .map(|due| due - said.path_min + chance.slack_min),
                critical: chance.critical,
                over: chance.over,
                learned: learned.cases,
            })
            .collect();
        // Without a call it is for when the car will be ready for one.
        let runs_at = turnaround.lanes_at;
        let runs_at = runs_at.unwrap_or_else(|| self.at(said.end.median_min));
        let between = |range: chance::Range| Between {
            from: self.at(range.p10_min),
            middle: self.at(range.median_min),
            to: self.at(range.p90_min),
        };
        Some(turnaround::Outlook {
            chance: said.chance,
            ready: said.ready.map(between),
            start_by: said.start_by_min.map(|min| self.at(min)),
            end: between(said.end),
            tasks,
            path: said
                .path
                .iter()
                .map(|at| network.plan.tasks[*at].key.clone())
                .collect(),
            helps: helps
                .iter()
                .map(|gain| turnaround::HelpNow {
                    help: network.help(gain.help),
                    earlier_min: gain.earlier_min,
                    chance: gain.chance,
                })
                .collect(),
            air: self.air.then(runs_at.max(self.now)).map(Box::new),
        })
    }

    /// A task's guesses: the file's, as earlier turnarounds correct them, or what somebody has said of it since.
    fn guess(&self, turnaround: &Turnaround, task: &TaskKey, file: Guess, times: f64) -> Guess {
        let said = turnaround
            .tasks
            .get(task)
            .and_then(|progress| progress.late.as_ref());
        let Some(said) = said else {
            return Guess {
                low: file.low * times,
                likely: file.likely * times,
                high: file.high * times,
            };
        };
        let before = turnaround
            .since(task)
            .map_or(0.0, |since| (said.at - since) as f64 / 60_000.0);
        Guess {
            low: before + SAID.0 * said.value,
            likely: before + said.value,
            high: before + SAID.1 * said.value,
        }
    }
}

impl PlanNetwork {
    fn help(&self, help: Help) -> turnaround::Help {
        match help {
            Help::Shorten { task, .. } => turnaround::Help::Quicker {
                task: self.plan.tasks[task].key.clone(),
            },
            Help::OneMore { thing } => match &self.things[thing] {
                Thing::Hands(role) => turnaround::Help::Hands { role: role.clone() },
                Thing::Few(at) => turnaround::Help::OneMore {
                    thing: self.plan.few[*at].key.clone(),
                },
            },
        }
    }
}
