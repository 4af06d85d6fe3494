//! The critical path of a network: the earliest and latest that each task can start and end, when nobody waits for hands or tools.
//!
//! Kelley and Walker's method (1959), forward and backward passes; tested against worked examples and another library.

use super::Network;

/// One task's times, in minutes on the scale of the durations.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Times {
    /// Earliest start.
    pub early_start: f64,
    /// Earliest finish.
    pub early_finish: f64,
    /// Latest start that delays nothing.
    pub late_start: f64,
    /// Latest finish that delays nothing.
    pub late_finish: f64,
}

impl Times {
    /// How much later it can be without making the whole later.
    pub fn slack(&self) -> f64 {
        self.late_start - self.early_start
    }
}

/// All tasks' times, and one longest chain of them.
#[derive(Clone, Debug, PartialEq)]
pub struct CriticalPath {
    /// Each task's.
    pub tasks: Vec<Times>,
    /// When the last one ends.
    pub finish: f64,
    /// A longest chain, first task first.
    pub chain: Vec<usize>,
}

/// Both passes. `minutes` is how long each task takes, not below nought.
pub fn critical_path(network: &Network, minutes: &[f64]) -> CriticalPath {
    let mut tasks = vec![Times::default(); network.tasks.len()];
    let mut held_by: Vec<Option<usize>> = vec![None; tasks.len()];
    for at in &network.order {
        for before in &network.tasks[*at].after {
            let ends = tasks[*before].early_finish;
            if held_by[*at].is_none() || ends > tasks[*at].early_start {
                tasks[*at].early_start = ends;
                held_by[*at] = Some(*before);
            }
        }
        tasks[*at].early_finish = tasks[*at].early_start + minutes[*at];
    }
    let last = network
        .order
        .iter()
        .copied()
        .max_by(|a, b| tasks[*a].early_finish.total_cmp(&tasks[*b].early_finish));
    let finish = last.map_or(0.0, |last| tasks[last].early_finish);
    for at in network.order.iter().rev() {
        let late = network.follow[*at]
            .iter()
            .map(|next| tasks[*next].late_start)
            .fold(finish, f64::min);
        tasks[*at].late_finish = late;
        tasks[*at].late_start = late - minutes[*at];
    }
    let mut chain: Vec<usize> = std::iter::successors(last, |at| held_by[*at]).collect();
    chain.reverse();
    CriticalPath {
        tasks,
        finish,
        chain,
    }
}
