//! What would help: each task that all may wait for made shorter, and one more of each thing that tasks share, played through on the
//! same luck as the plan itself, so that small gains show. It advises; who helps whom is the chief's.

use super::chance::{Luck, Question, Rest, play};
use super::crew::Schedule;
use super::{Network, Stage};
use serde::Serialize;

/// Something that could be done about the plan.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[serde(tag = "do", rename_all = "snake_case")]
pub enum Help {
    /// That task is done in less time.
    Shorten {
        /// Which task.
        task: usize,
        /// By which share of what is left of it.
        by: f64,
    },
    /// One more of a thing (a pair of hands, a tool).
    OneMore {
        /// Which thing.
        thing: usize,
    },
}

/// What it gains.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Gain {
    /// What is done.
    #[serde(flatten)]
    pub help: Help,
    /// How much earlier all is done, on average, in minutes.
    pub earlier_min: f64,
    /// By how much that can be off from too few draws alone: one standard deviation, in minutes.
    pub earlier_sd_min: f64,
    /// How much better the chance to be in time is; none without a time.
    pub chance: Option<f64>,
}

/// By how much a task is made shorter: a quarter. Ours, no source; what matters is which task gains most.
pub const SHORTER_BY: f64 = 0.25;

/// A task that is waited for in fewer than one in so many draws is not looked at: shortening it gains next to nothing.
const SELDOM: usize = 20;

/// What helps, best first; only what surely gains something (by two standard deviations).
pub fn what_helps(network: &Network, stages: &[Stage], question: &Question) -> Vec<Gain> {
    let luck = Luck::new(network.tasks().len(), question.draws.max(2), question.seed);
    let rest = Rest::of(network, stages);
    let mut base = Vec::with_capacity(question.draws);
    let mut waited = vec![0_usize; network.tasks().len()];
    play(network, stages, &rest, &luck, |schedule| {
        base.push(schedule.end());
        mark_waited(schedule, stages, &mut waited);
    });
    let mut gains = Vec::new();
    let mut weigh = |help: Help, ends: &[f64]| {
        gains.push(gain(help, &base, ends, question.due_min));
    };
    let seldom = base.len() / SELDOM;
    for task in (0..waited.len()).filter(|at| waited[*at] > seldom) {
        let mut shorter = Rest {
            left: rest.left.clone(),
            path: rest.path.clone(),
        };
        shorter.left[task].shorten(1.0 - SHORTER_BY);
        let ends = ends(network, stages, &shorter, &luck);
        let by = SHORTER_BY;
        weigh(Help::Shorten { task, by }, &ends);
    }
    for thing in 0..network.number().len() {
        // More of what at most one open task uses gains nothing.
        let users = network
            .tasks()
            .iter()
            .zip(stages)
            .filter(|(task, stage)| **stage != Stage::Done && task.uses.contains(&thing));
        if users.count() < 2 {
            continue;
        }
        let more = network.with_one_more(thing);
        let ends = ends(&more, stages, &rest, &luck);
        weigh(Help::OneMore { thing }, &ends);
    }
    gains.retain(|gain| gain.earlier_min > 2.0 * gain.earlier_sd_min && gain.earlier_min > 0.05);
    gains.sort_by(|a, b| b.earlier_min.total_cmp(&a.earlier_min));
    gains
}

fn ends(network: &Network, stages: &[Stage], rest: &Rest, luck: &Luck) -> Vec<f64> {
    let mut ends = Vec::new();
    play(network, stages, rest, luck, |schedule| {
        ends.push(schedule.end());
    });
    ends
}

/// The tasks that all waited for in a draw.
fn mark_waited(schedule: &Schedule, stages: &[Stage], waited: &mut [usize]) {
    let mut at = (0..waited.len())
        .filter(|at| stages[*at] != Stage::Done)
        .max_by(|a, b| schedule.finish[*a].total_cmp(&schedule.finish[*b]));
    while let Some(task) = at {
        waited[task] += 1;
        at = schedule.held_by[task];
    }
}

fn gain(help: Help, base: &[f64], with: &[f64], due: Option<f64>) -> Gain {
    let n = base.len() as f64;
    let earlier: Vec<f64> = base.iter().zip(with).map(|(a, b)| a - b).collect();
    let mean = earlier.iter().sum::<f64>() / n;
    let variance = earlier.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / (n - 1.0);
    let in_time = |ends: &[f64], due: f64| ends.iter().filter(|end| **end <= due).count() as f64;
    Gain {
        help,
        earlier_min: mean,
        earlier_sd_min: (variance / n).sqrt(),
        chance: due.map(|due| (in_time(with, due) - in_time(base, due)) / n),
    }
}
