//! What people may say between rounds, over random crews: whatever they press, in whatever order.
use proptest::prelude::*;
use spinover::core::{Core, Input, Journal, Output};
use spinover::files::demo;
use spinover_protocol::car::Car;
use spinover_protocol::event::{Event, EventBody, Right, Who};
use spinover_protocol::message::Command;
use spinover_protocol::record::Record;
use spinover_protocol::sheet::Sheet;
use spinover_protocol::turnaround::Plan;
use std::sync::LazyLock;

const BEGUN: i64 = 1_778_943_000_000;

static DEMO: LazyLock<(Car, Vec<Sheet>, Plan)> = LazyLock::new(|| {
    let car = demo::car().unwrap().car;
    (
        car,
        demo::sheets().unwrap(),
        demo::between_rounds().unwrap(),
    )
});

fn core(events: &[Event]) -> Core {
    let journal = Journal {
        events: events.to_vec(),
        last: events.last().map_or(0, |event| event.seq),
        ..Journal::default()
    };
    let (car, sheets, plan) = &*DEMO;
    let (car, sheets) = (car.clone(), sheets.clone());
    let mut core = Core::new(car, sheets, Vec::new(), Vec::new(), &journal);
    core.plan(Some(plan.clone()));
    core
}

fn who(role: &str) -> Who {
    Who {
        id: spinover_protocol::PersonId(format!("phone-of-{role}")),
        name: role.to_owned(),
        role: role.into(),
    }
}

fn command(kind: u8, task: usize) -> Command {
    let task = DEMO
        .2
        .tasks
        .get(task)
        .map_or_else(|| "no_such_task".into(), |task| task.key.clone());
    match kind {
        0 | 1 => Command::StartTask { task },
        2 | 3 => Command::FinishTask { task },
        4 => Command::UndoTask { task },
        5 => Command::TaskLate {
            task,
            left_min: 7.0,
        },
        6 => Command::CloseTurnaround {},
        _ => Command::BeginTurnaround {
            lanes_at: Some(BEGUN + 3_600_000),
        },
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]
    #[test]
    fn order_and_owners_are_kept_and_everyone_folds_the_same(
        presses in proptest::collection::vec((0_u8..100, 0_usize..20, 0_usize..5), 1..120)
    ) {
        let roles = ["chief", "idle", "fuel", "starter", "helper"];
        let mut core = core(&[]);
        let mut phone = Record::default();
        let mut events: Vec<Event> = Vec::new();
        let mut now = BEGUN;
        let mut press = |core: &mut Core, role: &str, command: Command, n: usize| {
            now += 1_000;
            let right = if role == "chief" { Right::Chief } else { Right::Crew };
            let id = spinover_protocol::CommandId(format!("press-{n}"));
            let outputs = core.take(now, Input::Command(who(role), right, id, command));
            outputs.into_iter().filter_map(|output| match output {
                Output::Event(event) => Some(event),
                _ => None,
            }).collect::<Vec<_>>()
        };
        let begin = press(&mut core, "chief", command(9, 0), 0);
        prop_assert_eq!(begin.len(), 1);
        events.extend(begin);
        phone.apply(&events[0]);
        for (n, (kind, task, role)) in presses.into_iter().enumerate() {
            // Closing and beginning anew are rare, or nothing would ever get far.
            let kind = match kind { 0..96 => kind % 6, 96..98 => 6, _ => 7 };
            let asked = command(kind, task);
            let role = roles[role];
            let before = phone.turnaround.clone().unwrap();
            for event in press(&mut core, role, asked, n + 1) {
                if let EventBody::TaskStarted { task } | EventBody::TaskDone { task } = &event.body {
                    let task = before.plan.task(task).unwrap().1;
                    prop_assert!(role == "chief" || task.owner.as_str() == role);
                    prop_assert!(before.closed_at.is_none());
                    prop_assert!(task.after.iter().all(|before_it| before.is_done(before_it)));
                }
                phone.apply(&event);
                events.push(event);
            }
            prop_assert_eq!(core.record(), &phone);
            // What is done or under way stands on what is done, also after something was taken back.
            let after = phone.turnaround.as_ref().unwrap();
            for task in &after.plan.tasks {
                if after.is_done(&task.key) || after.since(&task.key).is_some() {
                    prop_assert!(task.after.iter().all(|before_it| after.is_done(before_it)));
                }
            }
        }
        // A hub that starts again from the journal knows the same.
        let again = self::core(&events);
        prop_assert_eq!(again.record(), &phone);
        prop_assert!(again.reckoning(now).is_some());
    }
}
