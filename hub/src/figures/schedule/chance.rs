//! Whether the plan is in time: many draws of how long each task takes, each played through by the crew's rule.
//!
//! The draws come from a seed, and each task's luck in each draw is kept, so that two plans can be compared on the same luck.

use super::crew::Crew;
use super::path::{CriticalPath, critical_path};
use super::spread::Left;
use super::{Network, Stage};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use serde::Serialize;

/// Draws where nobody says otherwise: a chance of one half is then known to two in a hundred (95 %).
pub const DRAWS: usize = 2_000;

/// What is asked of a plan.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Question {
    /// The task that should start in time (the warm-up), by its place.
    pub ready: Option<usize>,
    /// Minutes from now until all must be done (the call to the lanes).
    pub due_min: Option<f64>,
    /// How many draws.
    pub draws: usize,
    /// What the draws come from: the same seed gives the same answer.
    pub seed: u64,
}

impl Default for Question {
    fn default() -> Self {
        Self {
            ready: None,
            due_min: None,
            draws: DRAWS,
            seed: 1,
        }
    }
}

/// A time that is not known exactly, in minutes from now.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct Range {
    /// One in ten is earlier.
    pub p10_min: f64,
    /// The middle.
    pub median_min: f64,
    /// One in ten is later.
    pub p90_min: f64,
}

impl Range {
    /// Of draws, which it sorts.
    fn of(draws: &mut [f64]) -> Self {
        draws.sort_unstable_by(f64::total_cmp);
        Self {
            p10_min: quantile(draws, 0.1),
            median_min: quantile(draws, 0.5),
            p90_min: quantile(draws, 0.9),
        }
    }
}

/// Between the two nearest of sorted draws.
fn quantile(sorted: &[f64], share: f64) -> f64 {
    let Some(last) = sorted.len().checked_sub(1) else {
        return 0.0;
    };
    let x = share * last as f64;
    let (a, b) = (x.floor() as usize, x.ceil() as usize);
    sorted[a] + (sorted[b] - sorted[a]) * (x - a as f64)
}

/// One task in the draws.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct TaskChance {
    /// Median start, minutes from now; 0 when it has started.
    pub start_min: f64,
    /// Median finish, minutes from now; 0 when it is done.
    pub finish_min: f64,
    /// In which share of the draws it was one of those that all waited for.
    pub critical: f64,
    /// Minutes that it can be later without making the whole later, at mean durations and with hands enough.
    pub slack_min: f64,
    /// It has taken longer than its longest guess.
    pub over: bool,
}

/// What the draws say.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Outlook {
    /// The chance that all is done in time; none without a time.
    pub chance: Option<f64>,
    /// By how much the chance can be off from too few draws alone: one standard deviation.
    pub chance_sd: Option<f64>,
    /// When the warm-up can start; none when it has, or the plan has none.
    pub ready: Option<Range>,
    /// The warm-up must have started so many minutes from now, for nine in ten to be in time; below nought: it is late already.
    pub start_by_min: Option<f64>,
    /// When all is done.
    pub end: Range,
    /// Each task.
    pub tasks: Vec<TaskChance>,
    /// The critical path at mean durations, with hands enough: tasks by their places, first one first, without those that are done.
    pub path: Vec<usize>,
    /// Its length, in minutes from now.
    pub path_min: f64,
}

/// Each task's luck in each draw, between nought and one.
#[derive(Clone, Debug)]
pub(super) struct Luck {
    tasks: usize,
    shares: Vec<f64>,
}

impl Luck {
    pub(super) fn new(tasks: usize, draws: usize, seed: u64) -> Self {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        Self {
            tasks,
            shares: (0..tasks * draws).map(|_| random.random()).collect(),
        }
    }

    fn draws(&self) -> impl Iterator<Item = &[f64]> {
        self.shares.chunks_exact(self.tasks)
    }
}

/// What is left of each task, and the critical path of that.
pub(super) struct Rest {
    pub(super) left: Vec<Left>,
    pub(super) path: CriticalPath,
}

impl Rest {
    pub(super) fn of(network: &Network, stages: &[Stage]) -> Self {
        let left: Vec<Left> = network
            .tasks()
            .iter()
            .zip(stages)
            .map(|(task, stage)| match stage {
                Stage::Waiting => Left::new(task.spread, 0.0),
                Stage::Running { spent_min } => Left::new(task.spread, *spent_min),
                Stage::Done => Left::new(super::spread::Spread::exactly(0.0), 0.0),
            })
            .collect();
        let means: Vec<f64> = left.iter().map(Left::mean).collect();
        let path = critical_path(network, &means);
        Self { left, path }
    }
}

/// The end of each draw, and what else `each` wants to know of its schedule.
pub(super) fn play(
    network: &Network,
    stages: &[Stage],
    rest: &Rest,
    luck: &Luck,
    mut each: impl FnMut(&super::crew::Schedule),
) {
    let late: Vec<f64> = rest.path.tasks.iter().map(|t| t.late_finish).collect();
    let mut crew = Crew::new(network, stages, &late);
    let mut minutes = vec![0.0; network.tasks().len()];
    for shares in luck.draws() {
        for ((minutes, left), share) in minutes.iter_mut().zip(&rest.left).zip(shares) {
            *minutes = left.quantile(*share);
        }
        each(crew.schedule(&minutes));
    }
}

/// Plays the plan through. `stages` says how far each task is; there is one for each.
pub fn outlook(network: &Network, stages: &[Stage], question: &Question) -> Outlook {
    let n = network.tasks().len();
    let draws = question.draws.max(1);
    let luck = Luck::new(n, draws, question.seed);
    let rest = Rest::of(network, stages);
    let to_come = question
        .ready
        .filter(|ready| stages.get(*ready) == Some(&Stage::Waiting));
    let mut ready = Vec::with_capacity(draws);
    let mut after_ready = Vec::with_capacity(draws);
    let mut ends = Vec::with_capacity(draws);
    let mut starts = vec![Vec::with_capacity(draws); n];
    let mut finishes = vec![Vec::with_capacity(draws); n];
    let mut critical = vec![0_usize; n];
    play(network, stages, &rest, &luck, |schedule| {
        let end = schedule.end();
        ends.push(end);
        if let Some(task) = to_come {
            ready.push(schedule.start[task]);
            after_ready.push(end - schedule.start[task]);
        }
        for (starts, start) in starts.iter_mut().zip(&schedule.start) {
            starts.push(*start);
        }
        for (finishes, finish) in finishes.iter_mut().zip(&schedule.finish) {
            finishes.push(*finish);
        }
        let mut at = (0..n)
            .filter(|at| stages[*at] != Stage::Done)
            .max_by(|a, b| schedule.finish[*a].total_cmp(&schedule.finish[*b]));
        while let Some(task) = at {
            critical[task] += 1;
            at = schedule.held_by[task];
        }
    });
    let chance = question
        .due_min
        .map(|due| ends.iter().filter(|end| **end <= due).count() as f64 / draws as f64);
    let median = |draws: &mut Vec<f64>| {
        draws.sort_unstable_by(f64::total_cmp);
        quantile(draws, 0.5)
    };
    let tasks = (0..n)
        .map(|at| TaskChance {
            start_min: median(&mut starts[at]),
            finish_min: median(&mut finishes[at]),
            critical: critical[at] as f64 / draws as f64,
            slack_min: clean(rest.path.tasks[at].slack()),
            over: rest.left[at].over(),
        })
        .collect();
    after_ready.sort_unstable_by(f64::total_cmp);
    Outlook {
        chance,
        chance_sd: chance.map(|p| (p * (1.0 - p) / draws as f64).sqrt()),
        ready: to_come.map(|_| Range::of(&mut ready)),
        start_by_min: to_come
            .and(question.due_min)
            .map(|due| due - quantile(&after_ready, 0.9)),
        end: Range::of(&mut ends),
        tasks,
        path: rest
            .path
            .chain
            .iter()
            .copied()
            .filter(|at| stages[*at] != Stage::Done)
            .collect(),
        path_min: rest.path.finish,
    }
}

/// Sums of the same durations in another order differ in the last bit; that is no slack.
fn clean(minutes: f64) -> f64 {
    if minutes < 1e-6 { 0.0 } else { minutes }
}

impl Outlook {
    /// The figure above all, in one plain sentence.
    pub fn words(&self) -> String {
        let until = |min: f64| {
            let min = min.round().max(0.0);
            if min < 1.0 {
                "now".to_owned()
            } else {
                format!("in {min:.0} min")
            }
        };
        let chance = self
            .chance
            .map(|chance| format!("{} chance to be in time", percent(chance)));
        let when = match self.ready {
            Some(range) => format!(
                "warm-up can start {} ({:.0} to {:.0})",
                until(range.median_min),
                range.p10_min,
                range.p90_min
            ),
            None => format!(
                "all done {} ({:.0} to {:.0})",
                until(self.end.median_min),
                self.end.p10_min,
                self.end.p90_min
            ),
        };
        let by = self.start_by_min.map(|by| {
            if by < 0.0 {
                format!("it should have started {:.0} min ago", -by)
            } else {
                format!("it must start {}", until(by))
            }
        });
        [chance, Some(when), by]
            .into_iter()
            .flatten()
            .collect::<Vec<_>>()
            .join("; ")
    }
}

/// A chance as a crew can use it: never nought or all, for draws cannot say that.
fn percent(chance: f64) -> String {
    match (chance * 100.0).round() {
        p if p < 1.0 => "under 1 %".to_owned(),
        p if p > 99.0 => "over 99 %".to_owned(),
        p => format!("{p:.0} %"),
    }
}
