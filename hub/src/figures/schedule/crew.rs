//! Who can do what when hands and tools are few: from now on, whenever something comes free, the tasks that can start do, the most
//! pressing first.
//!
//! The parallel schedule generation scheme with the latest-finish priority (Kolisch 1996, European Journal of Operational Research
//! 90:320-333). It is a rule, not an optimum: how far from it is measured in a test and told in `docs/turnaround.md`. It is also what a crew can
//! follow, since it looks at no duration that is not known yet.

use super::{Network, Stage};

/// One way that the rest of the plan can go.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Schedule {
    /// When each task starts, minutes from now; 0 for what was started.
    pub start: Vec<f64>,
    /// When each ends; 0 for what is done.
    pub finish: Vec<f64>,
    /// The task that each one waited for last: one before it, or one that had what it needs. None for what could start at once.
    pub held_by: Vec<Option<usize>>,
}

impl Schedule {
    /// When all is done, minutes from now.
    pub fn end(&self) -> f64 {
        self.finish.iter().copied().fold(0.0, f64::max)
    }
}

/// Makes schedules without asking for memory each time.
#[derive(Clone, Debug)]
pub struct Crew<'n> {
    network: &'n Network,
    stages: &'n [Stage],
    /// All tasks, the most pressing first.
    priority: Vec<usize>,
    waits: Vec<usize>,
    free: Vec<usize>,
    /// What last gave each thing back.
    given: Vec<Option<usize>>,
    running: Vec<usize>,
    open: Vec<usize>,
    schedule: Schedule,
}

impl<'n> Crew<'n> {
    /// Prepares. `late_finish` is each task's latest finish by the critical path: the earlier, the more pressing.
    pub fn new(network: &'n Network, stages: &'n [Stage], late_finish: &[f64]) -> Self {
        let n = network.tasks.len();
        let mut priority: Vec<usize> = (0..n).collect();
        priority.sort_by(|a, b| late_finish[*a].total_cmp(&late_finish[*b]));
        Self {
            network,
            stages,
            priority,
            waits: vec![0; n],
            free: Vec::new(),
            given: Vec::new(),
            running: Vec::new(),
            open: Vec::new(),
            schedule: Schedule {
                start: vec![0.0; n],
                finish: vec![0.0; n],
                held_by: vec![None; n],
            },
        }
    }

    /// The schedule when each task takes so long from now (or has so long left).
    ///
    /// What runs already goes on, also where it should not have been started or takes more hands than there are: people know
    /// better than the plan.
    pub fn schedule(&mut self, left: &[f64]) -> &Schedule {
        let network = self.network;
        self.free.clone_from(&network.number);
        self.given.clear();
        self.given.resize(network.number.len(), None);
        self.running.clear();
        self.open.clear();
        for (at, stage) in self.stages.iter().enumerate() {
            self.schedule.start[at] = 0.0;
            self.schedule.finish[at] = 0.0;
            self.schedule.held_by[at] = None;
            self.waits[at] = network.tasks[at]
                .after
                .iter()
                .filter(|before| self.stages[**before] != Stage::Done)
                .count();
            if let Stage::Running { .. } = stage {
                for thing in &network.tasks[at].uses {
                    self.free[*thing] = self.free[*thing].saturating_sub(1);
                }
                self.schedule.finish[at] = left[at];
                self.running.push(at);
            }
        }
        for at in &self.priority {
            if self.stages[*at] == Stage::Waiting {
                self.open.push(*at);
            }
        }
        let mut now = 0.0;
        loop {
            self.start_what_can(now, left);
            let Some(next) = self
                .running
                .iter()
                .map(|at| self.schedule.finish[*at])
                .min_by(f64::total_cmp)
            else {
                break;
            };
            now = next;
            let mut k = 0;
            while k < self.running.len() {
                let at = self.running[k];
                if self.schedule.finish[at] <= now {
                    self.running.swap_remove(k);
                    self.end(at);
                } else {
                    k += 1;
                }
            }
        }
        &self.schedule
    }

    fn end(&mut self, at: usize) {
        for next in &self.network.follow[at] {
            self.waits[*next] -= 1;
            if self.waits[*next] == 0 && self.stages[*next] == Stage::Waiting {
                self.schedule.held_by[*next] = Some(at);
            }
        }
        for thing in &self.network.tasks[at].uses {
            // A thing that more tasks run with than there are of it is not free before they are few enough.
            let with = self
                .running
                .iter()
                .filter(|other| self.network.tasks[**other].uses.contains(thing))
                .count();
            self.free[*thing] = self.network.number[*thing].saturating_sub(with);
            self.given[*thing] = Some(at);
        }
    }

    fn start_what_can(&mut self, now: f64, left: &[f64]) {
        let network = self.network;
        let mut k = 0;
        while k < self.open.len() {
            let at = self.open[k];
            let uses = &network.tasks[at].uses;
            if self.waits[at] > 0 || uses.iter().any(|thing| self.free[*thing] == 0) {
                k += 1;
                continue;
            }
            for thing in uses {
                self.free[*thing] -= 1;
                // Held up by hands, when those came free only now and the tasks before it were done earlier.
                if let Some(giver) = self.given[*thing]
                    && self.schedule.finish[giver] >= now
                    && self.schedule.held_by[at]
                        .is_none_or(|before| self.schedule.finish[before] < now)
                {
                    self.schedule.held_by[at] = Some(giver);
                }
            }
            self.schedule.start[at] = now;
            self.schedule.finish[at] = now + left[at];
            self.running.push(at);
            // The order is the priority, so it must stay.
            self.open.remove(k);
        }
    }
}
