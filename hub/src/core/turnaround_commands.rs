//! What people ask for between rounds: begun and closed by the chief, tasks marked by their owners or by the chief.

use super::Core;
use super::command::{Decision, Refusal, short};
use crate::figures::schedule::spread::LONGEST_MIN;
use spinover_protocol::{
    Millis, TaskKey,
    event::{EventBody, Right, Who},
    turnaround::{Block, Task, Turnaround},
};

/// A call to the lanes further away than this is a slip of the finger.
const FURTHEST_MS: Millis = 24 * 3_600_000;

impl Core {
    pub(super) fn begin_turnaround(
        &self,
        now: Millis,
        lanes_at: Option<Millis>,
    ) -> Result<Decision, Refusal> {
        let plan = self.plan.clone().ok_or_else(|| {
            "this hub was given no plan for the time between rounds (serve --turnaround FILE)"
                .to_owned()
        })?;
        within_a_day(now, lanes_at)?;
        let mut events = Vec::new();
        if self.turnaround().is_ok_and(|open| open.closed_at.is_none()) {
            events.push(EventBody::TurnaroundClosed {});
        }
        events.push(EventBody::TurnaroundBegun {
            plan: Box::new(plan),
            lanes_at,
        });
        Ok(Decision::Events(events))
    }

    pub(super) fn close_turnaround(&self) -> Result<Decision, Refusal> {
        match self.turnaround()?.closed_at {
            None => Ok(Decision::Events(vec![EventBody::TurnaroundClosed {}])),
            Some(_) => Ok(Decision::Nothing),
        }
    }

    pub(super) fn set_lanes_call(
        &self,
        now: Millis,
        lanes_at: Option<Millis>,
    ) -> Result<Decision, Refusal> {
        within_a_day(now, lanes_at)?;
        let turnaround = self.turnaround()?;
        if turnaround.closed_at.is_some() {
            return Err(closed());
        }
        if turnaround.lanes_at == lanes_at {
            return Ok(Decision::Nothing);
        }
        Ok(Decision::Events(vec![EventBody::LanesCallSet { lanes_at }]))
    }

    pub(super) fn start_task(
        &self,
        who: &Who,
        right: Right,
        key: TaskKey,
    ) -> Result<Decision, Refusal> {
        match self.turnaround()?.may_start(&key) {
            // Two people who press at once have both said the same.
            Err(Block::Started) => Ok(Decision::Nothing),
            may => self.marked(who, right, may, EventBody::TaskStarted { task: key }),
        }
    }

    pub(super) fn finish_task(
        &self,
        who: &Who,
        right: Right,
        key: TaskKey,
    ) -> Result<Decision, Refusal> {
        match self.turnaround()?.may_finish(&key) {
            Err(Block::Done) => Ok(Decision::Nothing),
            may => self.marked(who, right, may, EventBody::TaskDone { task: key }),
        }
    }

    pub(super) fn undo_task(
        &self,
        who: &Who,
        right: Right,
        key: TaskKey,
    ) -> Result<Decision, Refusal> {
        let may = self.turnaround()?.may_undo(&key);
        self.marked(who, right, may, EventBody::TaskUndone { task: key })
    }

    /// The mark of a task that may be marked, by somebody who may.
    fn marked(
        &self,
        who: &Who,
        right: Right,
        may: Result<&Task, Block>,
        mark: EventBody,
    ) -> Result<Decision, Refusal> {
        let turnaround = self.turnaround()?;
        mine(who, right, may.map_err(|block| blocked(turnaround, block))?)?;
        Ok(Decision::Events(vec![mark]))
    }

    pub(super) fn task_late(
        &self,
        who: &Who,
        right: Right,
        key: TaskKey,
        left_min: f64,
    ) -> Result<Decision, Refusal> {
        let turnaround = self.turnaround()?;
        let task = match turnaround.may_finish(&key) {
            // Whoever knows that it will take longer need not wait with it until it can start.
            Err(Block::After(_)) => turnaround.plan.task(&key).map(|(_, task)| task),
            may => Some(may.map_err(|block| blocked(turnaround, block))?),
        };
        let task = task.ok_or_else(|| blocked(turnaround, Block::NoSuchTask))?;
        mine(who, right, task)?;
        if !(0.0..=LONGEST_MIN).contains(&left_min) {
            return Err("say how many minutes more, at most a day".to_owned());
        }
        Ok(Decision::Events(vec![EventBody::TaskLate {
            task: key,
            left_min,
        }]))
    }

    pub(super) fn turnaround(&self) -> Result<&Turnaround, Refusal> {
        self.record
            .turnaround
            .as_ref()
            .ok_or_else(|| "the time between rounds has not been begun".to_owned())
    }
}

fn closed() -> Refusal {
    "the time between rounds is closed; the chief begins another".to_owned()
}

fn within_a_day(now: Millis, at: Option<Millis>) -> Result<(), Refusal> {
    match at {
        Some(at) if now.abs_diff(at) > FURTHEST_MS.unsigned_abs() => {
            Err("the call to the lanes is within a day from now".to_owned())
        }
        _ => Ok(()),
    }
}

/// A task is marked by whoever has its role, or by the chief.
pub(super) fn mine(who: &Who, right: Right, task: &Task) -> Result<(), Refusal> {
    if right == Right::Chief || who.role == task.owner {
        return Ok(());
    }
    Err(format!(
        "that is for {} or the chief to say",
        short(task.owner.as_str())
    ))
}

fn blocked(turnaround: &Turnaround, block: Block) -> Refusal {
    let text = |key: &TaskKey| {
        let task = turnaround.plan.task(key);
        task.map_or_else(|| short(key.as_str()), |(_, task)| task.text.clone())
    };
    match block {
        Block::NoSuchTask => "there is no such task in this plan".to_owned(),
        Block::Closed => closed(),
        Block::Started => "that task is under way already".to_owned(),
        Block::Done => "that task is done already".to_owned(),
        Block::NotStarted => "nothing was said about that task yet".to_owned(),
        Block::After(first) => format!("'{}' comes first", text(&first)),
        Block::Before(next) => format!("'{}' has been started since", text(&next)),
    }
}
