//! A team's plan as the network that `figures::schedule` reckons with: who and what is taken by each task, by place.

use crate::figures::schedule::spread::Spread;
use crate::figures::schedule::{self, BadPlan, Network};
use spinover_protocol::RoleKey;
use spinover_protocol::turnaround::{Guess, Plan};

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
pub struct Turnaround {
    /// The plan.
    pub plan: Plan,
    /// The network.
    pub network: Network,
    /// What the network's tasks use, by place.
    pub things: Vec<Thing>,
    /// The warm-up's place among the tasks.
    pub warm_up: Option<usize>,
}

impl Turnaround {
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
