//! The board between rounds as rows: which task stands where, in what order, and who may say what of it. No I/O.

use spinover_protocol::{
    Millis, RoleKey, TaskKey,
    turnaround::{Outlook, Task, TaskNow, Turnaround},
};

/// Where a task stands. The order is that of the board.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Standing {
    /// Under way.
    Running,
    /// Can start now.
    Ready,
    /// Waits for others.
    Waiting,
    /// Done.
    Done,
}

impl Standing {
    /// Every standing, in the order of the board.
    pub const ALL: [Self; 4] = [Self::Running, Self::Ready, Self::Waiting, Self::Done];

    /// Its name for the stylesheet and for tests.
    pub fn key(self) -> &'static str {
        match self {
            Self::Running => "running",
            Self::Ready => "ready",
            Self::Waiting => "waiting",
            Self::Done => "done",
        }
    }
}

/// One task on the board.
#[derive(Clone, Debug, PartialEq)]
pub struct Row {
    /// The task.
    pub task: Task,
    /// Where it stands.
    pub standing: Standing,
    /// What the hub reckons of it, once it has.
    pub now: Option<TaskNow>,
    /// Since when it is under way.
    pub since: Option<Millis>,
    /// When it was done, and by whom.
    pub done: Option<(Millis, String)>,
    /// What it still waits for.
    pub waits_for: Vec<String>,
    /// This person's own role has it.
    pub own: bool,
    /// This person may mark it.
    pub may: bool,
    /// What was said last can be taken back.
    pub may_undo: bool,
}

impl Row {
    /// It is late: nothing is left to spare before the call to the lanes, or it has taken longer than its longest time.
    pub fn late(&self) -> bool {
        let Some(now) = &self.now else { return false };
        self.standing != Standing::Done
            && (now.over || now.spare_min.is_some_and(|spare| spare < 0.0))
    }

    /// All the rest is likely to wait for it: in at least half of what may come.
    pub fn critical(&self) -> bool {
        let Some(now) = &self.now else { return false };
        self.standing != Standing::Done && now.critical >= 0.5
    }
}

/// The rows: what is under way, what can start, what waits, what is done; one's own first in each, then what is soonest.
pub fn rows(
    turnaround: &Turnaround,
    outlook: Option<&Outlook>,
    role: &RoleKey,
    chief: bool,
) -> Vec<Row> {
    let mut rows: Vec<Row> = turnaround
        .plan
        .tasks
        .iter()
        .map(|task| row(turnaround, outlook, task, role, chief))
        .collect();
    let start = |row: &Row| row.now.as_ref().map_or(0, |now| now.start);
    rows.sort_by_key(|row| (row.standing, !row.own, !row.late(), start(row)));
    rows
}

fn row(
    turnaround: &Turnaround,
    outlook: Option<&Outlook>,
    task: &Task,
    role: &RoleKey,
    chief: bool,
) -> Row {
    let since = turnaround.since(&task.key);
    let standing = if turnaround.is_done(&task.key) {
        Standing::Done
    } else if since.is_some() {
        Standing::Running
    } else if turnaround.may_start(&task.key).is_ok() {
        Standing::Ready
    } else {
        Standing::Waiting
    };
    let text = |key: &TaskKey| {
        let known = turnaround.plan.task(key);
        known.map_or_else(|| key.to_string(), |(_, task)| task.text.clone())
    };
    let done = turnaround
        .tasks
        .get(&task.key)
        .and_then(|progress| progress.done.as_ref())
        .map(|stamp| {
            let by = stamp.by.as_ref().map(|by| by.name.clone());
            (stamp.at, by.unwrap_or_default())
        });
    let now = outlook
        .and_then(|outlook| outlook.tasks.iter().find(|now| now.task == task.key))
        .cloned();
    let own = task.owner == *role;
    let may = (own || chief) && turnaround.closed_at.is_none();
    Row {
        standing,
        now,
        since,
        done,
        waits_for: task
            .after
            .iter()
            .filter(|before| !turnaround.is_done(before))
            .map(text)
            .collect(),
        own,
        may,
        may_undo: may && turnaround.may_undo(&task.key).is_ok(),
        task: task.clone(),
    }
}

/// A time as hours and minutes of a wall clock that is so many minutes ahead of UTC.
pub fn hours_minutes(at: Millis, ahead_min: i64) -> String {
    let minutes = (at.div_euclid(60_000) + ahead_min).rem_euclid(24 * 60);
    format!("{:02}:{:02}", minutes / 60, minutes % 60)
}

/// Whole minutes until a time; below zero when it has passed.
pub fn minutes_until(at: Millis, now: Millis) -> i64 {
    ((at - now) as f64 / 60_000.0).round() as i64
}

/// A chance as a crew can use it: never nought or all, for a reckoning cannot say that.
pub fn percent(chance: f64) -> String {
    match (chance * 100.0).round() as i64 {
        ..1 => "< 1 %".to_owned(),
        100.. => "> 99 %".to_owned(),
        percent => format!("{percent} %"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use spinover_protocol::{
        event::{Event, EventBody},
        turnaround::Plan,
    };

    fn task(key: &str, owner: &str, after: &[&str]) -> Task {
        Task {
            key: key.into(),
            text: key.to_uppercase(),
            owner: owner.into(),
            after: after.iter().map(|key| (*key).into()).collect(),
            ..Task::default()
        }
    }

    fn going(done: &[&str], started: &[&str]) -> Turnaround {
        let plan = Plan {
            tasks: vec![
                task("safe", "helper", &[]),
                task("clutch", "starter", &["safe"]),
                task("oil", "fuel", &["safe"]),
                task("warm", "chief", &["clutch", "oil"]),
            ],
            ..Plan::default()
        };
        let mut turnaround = Turnaround::begin(&plan, 0, None);
        let mut event = |body| {
            turnaround.apply(&Event {
                seq: 1,
                at: 60_000,
                by: None,
                command: None,
                body,
            });
        };
        for key in started {
            event(EventBody::TaskStarted {
                task: (*key).into(),
            });
        }
        for key in done {
            event(EventBody::TaskDone {
                task: (*key).into(),
            });
        }
        turnaround
    }

    fn told(rows: &[Row]) -> Vec<(&str, Standing)> {
        rows.iter()
            .map(|row| (row.task.key.as_str(), row.standing))
            .collect()
    }

    #[test]
    fn what_is_under_way_comes_first_then_what_can_start_ones_own_before_others() {
        let turnaround = going(&["safe"], &["oil"]);
        let rows = rows(&turnaround, None, &"starter".into(), false);
        assert_eq!(
            told(&rows),
            [
                ("oil", Standing::Running),
                ("clutch", Standing::Ready),
                ("warm", Standing::Waiting),
                ("safe", Standing::Done)
            ]
        );
        assert_eq!(
            rows.iter().map(|row| row.may).collect::<Vec<_>>(),
            [false, true, false, false]
        );
        assert_eq!(rows[2].waits_for, ["CLUTCH", "OIL"]);
    }

    #[test]
    fn what_others_have_built_on_cannot_be_taken_back() {
        let turnaround = going(&["safe"], &["oil"]);
        let rows = rows(&turnaround, None, &"chief".into(), true);
        let may_undo = |key: &str| {
            let row = rows.iter().find(|row| row.task.key.as_str() == key);
            row.unwrap().may_undo
        };
        assert!(may_undo("oil"));
        assert!(!may_undo("safe") && !may_undo("warm"));
    }

    #[test]
    fn late_is_nothing_to_spare_or_over_the_longest_time() {
        let now = |spare_min, over| TaskNow {
            task: "oil".into(),
            spare_min,
            over,
            ..TaskNow::default()
        };
        let turnaround = going(&["safe"], &["oil"]);
        for (task, late) in [
            (now(Some(3.0), false), false),
            (now(Some(-0.1), false), true),
            (now(None, true), true),
            (now(None, false), false),
        ] {
            let outlook = Outlook {
                tasks: vec![task],
                ..Outlook::default()
            };
            let rows = rows(&turnaround, Some(&outlook), &"fuel".into(), false);
            assert_eq!(rows[0].late(), late);
        }
    }

    #[test]
    fn times_and_chances_as_people_read_them() {
        assert_eq!(hours_minutes(0, 0), "00:00");
        assert_eq!(hours_minutes(13 * 3_600_000 + 59_999, -60), "12:00");
        assert_eq!(hours_minutes(0, -1), "23:59");
        assert_eq!(minutes_until(90_000, 0), 2);
        assert_eq!(minutes_until(0, 600_000), -10);
        assert_eq!(
            [0.0, 0.004, 0.42, 0.996, 1.0].map(percent),
            ["< 1 %", "< 1 %", "42 %", "> 99 %", "> 99 %"]
        );
    }
}
