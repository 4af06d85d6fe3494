//! When a network of tasks will be done, of which each has an owner, waits for others, and takes nobody knows how long. Used
//! between rounds: can the warm-up start in time for the call to the lanes? Times are minutes from now; nothing here reads a clock.
//!
//! [`Network`] is the plan, checked; [`path`] the critical path, [`spread`] how long a task takes, [`crew`] who can do what when
//! there is one pair of hands, [`chance`] many draws of all that, [`help`] what would gain most, [`learn`] what earlier
//! turnarounds say about the guesses.

pub mod chance;
pub mod crew;
pub mod help;
pub mod learn;
pub mod path;
pub mod spread;

use spread::Spread;
use std::fmt;

/// A task of a plan.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Task {
    /// How long it takes, guessed or learned.
    pub spread: Spread,
    /// The tasks that must be done before it starts, by their places.
    pub after: Vec<usize>,
    /// What it takes one each of while it runs (a pair of hands, the only hoist), by their places in [`Network::number`].
    pub uses: Vec<usize>,
}

/// How far a task is.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub enum Stage {
    /// Not started.
    #[default]
    Waiting,
    /// Started so many minutes ago.
    Running {
        /// Minutes since it was started.
        spent_min: f64,
    },
    /// Done.
    Done,
}

/// A plan whose tasks have an order.
#[derive(Clone, Debug, PartialEq)]
pub struct Network {
    tasks: Vec<Task>,
    number: Vec<usize>,
    order: Vec<usize>,
    follow: Vec<Vec<usize>>,
}

/// What is wrong with a plan.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum BadPlan {
    /// There are no tasks.
    Empty,
    /// A task names one that is not there.
    NoSuchTask {
        /// Which task does.
        task: usize,
    },
    /// A task uses something that is not there, or the same twice.
    NoSuchUse {
        /// Which task does.
        task: usize,
    },
    /// Each of these waits for the next, and the last for the first, so that none can ever start.
    Ring(Vec<usize>),
}

impl fmt::Display for BadPlan {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Empty => write!(f, "no tasks"),
            Self::NoSuchTask { task } => write!(f, "task {task} waits for one that is not there"),
            Self::NoSuchUse { task } => write!(f, "task {task} uses what is not there"),
            Self::Ring(ring) => write!(f, "tasks {ring:?} wait for each other"),
        }
    }
}

impl std::error::Error for BadPlan {}

impl Network {
    /// Checks a plan. `number` says how many there are of each thing that tasks use.
    ///
    /// # Errors
    /// [`BadPlan`], of which [`BadPlan::Ring`] names the tasks that wait for each other.
    pub fn new(mut tasks: Vec<Task>, number: Vec<usize>) -> Result<Self, BadPlan> {
        let n = tasks.len();
        if n == 0 {
            return Err(BadPlan::Empty);
        }
        for (at, task) in tasks.iter_mut().enumerate() {
            if task.after.iter().any(|before| *before >= n) {
                return Err(BadPlan::NoSuchTask { task: at });
            }
            task.after.sort_unstable();
            task.after.dedup();
            let uses = task.uses.len();
            task.uses.sort_unstable();
            task.uses.dedup();
            let there = |thing: &usize| number.get(*thing).is_some_and(|number| *number > 0);
            if task.uses.len() != uses || !task.uses.iter().all(there) {
                return Err(BadPlan::NoSuchUse { task: at });
            }
        }
        let mut follow = vec![Vec::new(); n];
        for (at, task) in tasks.iter().enumerate() {
            for before in &task.after {
                follow[*before].push(at);
            }
        }
        let order = order(&tasks, &follow).ok_or_else(|| BadPlan::Ring(ring(&tasks)))?;
        Ok(Self {
            tasks,
            number,
            order,
            follow,
        })
    }

    /// The tasks.
    pub fn tasks(&self) -> &[Task] {
        &self.tasks
    }

    /// How many there are of each thing.
    pub fn number(&self) -> &[usize] {
        &self.number
    }

    /// The tasks that wait for that one.
    pub fn follow(&self, task: usize) -> &[usize] {
        &self.follow[task]
    }

    /// The same plan with one more of a thing.
    #[must_use]
    pub fn with_one_more(&self, thing: usize) -> Self {
        let mut more = self.clone();
        more.number[thing] += 1;
        more
    }

    /// All that must be done before a task can start, directly or not.
    pub fn before(&self, task: usize) -> Vec<bool> {
        let mut before = vec![false; self.tasks.len()];
        let mut open = self.tasks[task].after.clone();
        while let Some(next) = open.pop() {
            if !before[next] {
                before[next] = true;
                open.extend(&self.tasks[next].after);
            }
        }
        before
    }
}

/// The tasks so that each comes after what it waits for; none when some wait for each other.
fn order(tasks: &[Task], follow: &[Vec<usize>]) -> Option<Vec<usize>> {
    let mut waits: Vec<usize> = tasks.iter().map(|task| task.after.len()).collect();
    let mut order: Vec<usize> = (0..tasks.len()).filter(|at| waits[*at] == 0).collect();
    let mut at = 0;
    while at < order.len() {
        for next in &follow[order[at]] {
            waits[*next] -= 1;
            if waits[*next] == 0 {
                order.push(*next);
            }
        }
        at += 1;
    }
    (order.len() == tasks.len()).then_some(order)
}

/// One ring of tasks that wait for each other. Only called where there is one.
fn ring(tasks: &[Task]) -> Vec<usize> {
    // Taking away what waits for nothing left until nothing more goes leaves rings and what waits for them; going backwards
    // from any of those never ends, so that it comes back to where it was.
    let mut left = vec![true; tasks.len()];
    loop {
        let free = (0..tasks.len())
            .find(|at| left[*at] && tasks[*at].after.iter().all(|before| !left[*before]));
        match free {
            Some(at) => left[at] = false,
            None => break,
        }
    }
    let mut walked: Vec<usize> = Vec::new();
    let mut next = left.iter().position(|left| *left);
    while let Some(at) = next {
        if let Some(first) = walked.iter().position(|was| *was == at) {
            return walked.split_off(first);
        }
        walked.push(at);
        next = tasks[at].after.iter().copied().find(|before| left[*before]);
    }
    walked
}

#[cfg(test)]
mod tests {
    use super::*;

    fn after(after: &[usize]) -> Task {
        Task {
            after: after.to_vec(),
            ..Task::default()
        }
    }

    #[test]
    fn a_ring_is_named_without_those_that_only_wait_for_it() {
        let tasks = vec![
            after(&[]),
            after(&[0, 3]),
            after(&[1]),
            after(&[2]),
            after(&[3]),
        ];
        let mut ring = match Network::new(tasks, Vec::new()) {
            Err(BadPlan::Ring(ring)) => ring,
            other => panic!("{other:?}"),
        };
        ring.sort_unstable();
        assert_eq!(ring, [1, 2, 3]);
    }

    #[test]
    fn a_task_that_waits_for_itself_is_a_ring() {
        assert_eq!(
            Network::new(vec![after(&[0])], Vec::new()),
            Err(BadPlan::Ring(vec![0]))
        );
    }

    #[test]
    fn what_is_not_there_cannot_be_used() {
        let task = Task {
            uses: vec![0],
            ..Task::default()
        };
        for number in [vec![], vec![0]] {
            assert_eq!(
                Network::new(vec![task.clone()], number),
                Err(BadPlan::NoSuchUse { task: 0 })
            );
        }
        assert_eq!(Network::new(Vec::new(), Vec::new()), Err(BadPlan::Empty));
    }

    #[test]
    fn before_is_all_that_comes_before() {
        let network = Network::new(
            vec![after(&[]), after(&[0]), after(&[1]), after(&[])],
            vec![],
        )
        .unwrap();
        assert_eq!(network.before(2), [true, true, false, false]);
    }
}
