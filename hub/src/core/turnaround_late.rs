//! What is late between rounds, said once by the hub itself: a task that all the rest waits for, or the chance. The hub says which and by
//! how much; a phone words it, and whoever's it is says "seen".

use super::Core;
use super::command::{Decision, Refusal};
use super::turnaround_commands::mine;
use spinover_protocol::{
    TaskKey,
    event::{EventBody, Right, Who},
    turnaround::{self, Block, TaskNow, Turnaround},
};

/// A task that all the rest waits for in at least this share of what may come counts as on the critical path; as the board has it.
const CRITICAL: f64 = 0.5;
/// Late by less is not told: the next reckoning may take it back (own judgement).
const LATE_MIN: f64 = 1.0;

impl Core {
    /// What is to be told of the reckoning; at most one thing, and each once for a call to the lanes.
    pub(super) fn late(&self, stands: &turnaround::Now) -> Option<EventBody> {
        let turnaround = self.turnaround().ok()?;
        let outlook = stands.outlook.as_deref()?;
        // It was reckoned from what held then: what has been marked or moved since is for the next one.
        let fresh = stands.now > self.turnaround_moved_at;
        if !fresh || turnaround.closed_at.is_some() || turnaround.lanes_at.is_none() {
            return None;
        }
        let low = turnaround.plan.tell_below.zip(outlook.chance);
        if low.is_some_and(|(below, chance)| chance < below) && !told(turnaround, None) {
            return Some(EventBody::LateTold {
                task: None,
                late_min: None,
                chance: outlook.chance,
            });
        }
        let mut tasks = outlook.tasks.iter();
        let late =
            tasks.find(|task| is_late(turnaround, task) && !told(turnaround, Some(&task.task)))?;
        Some(EventBody::LateTold {
            task: Some(late.task.clone()),
            late_min: late.spare_min.map(|spare| -spare),
            chance: None,
        })
    }

    pub(super) fn see_late(
        &self,
        who: &Who,
        right: Right,
        task: Option<TaskKey>,
    ) -> Result<Decision, Refusal> {
        let turnaround = self.turnaround()?;
        let known = turnaround.told.iter().find(|told| told.task == task);
        match known {
            None => return Err("nothing was said to be late there".to_owned()),
            Some(told) if told.seen.is_some() => return Ok(Decision::Nothing),
            Some(_) => {}
        }
        match task.as_ref().and_then(|task| turnaround.plan.task(task)) {
            Some((_, task)) => mine(who, right, task)?,
            None if right == Right::Chief => {}
            None => return Err("that is for the chief to say".to_owned()),
        }
        Ok(Decision::Events(vec![EventBody::LateSeen { task }]))
    }
}

/// On the critical path, late, and somebody's to do something about: under way, or free to start. What waits for it is late as well, and
/// is told when it is its turn.
fn is_late(turnaround: &Turnaround, now: &TaskNow) -> bool {
    let may = matches!(turnaround.may_start(&now.task), Ok(_) | Err(Block::Started));
    may && now.critical >= CRITICAL && now.spare_min.is_some_and(|spare| spare <= -LATE_MIN)
}

fn told(turnaround: &Turnaround, task: Option<&TaskKey>) -> bool {
    let mut told = turnaround.told.iter();
    told.any(|told| told.task.as_ref() == task && told.lanes_at == turnaround.lanes_at)
}
