//! Between rounds, by the real binary: phones mark their tasks, all see how it stands, and it outlives the hub.

use spinover_protocol::{
    message::Command,
    turnaround::{Outlook, TaskNow},
};
use spinover_tests::{
    http,
    hub::{CHIEF_CODE, CREW_CODE, Hub, Launch},
    phone::{Phone, Seen},
};

const MINUTE_MS: i64 = 60_000;

fn outlook(seen: &Seen) -> Option<&Outlook> {
    seen.mirror().turnaround.as_ref()?.outlook.as_deref()
}

fn task<'s>(seen: &'s Seen, key: &str) -> Option<&'s TaskNow> {
    let tasks = &outlook(seen)?.tasks;
    tasks.iter().find(|task| task.task.as_str() == key)
}

fn done(seen: &Seen, key: &str) -> bool {
    let turnaround = seen.mirror().record.turnaround.as_ref();
    turnaround.is_some_and(|turnaround| turnaround.is_done(&key.into()))
}

fn start(task: &str) -> Command {
    Command::StartTask { task: task.into() }
}

fn finish(task: &str) -> Command {
    Command::FinishTask { task: task.into() }
}

fn hub_now(phone: &Phone) -> i64 {
    phone.look(|seen| seen.mirror().frame.now)
}

/// Chief, helper and starter of the demo's car, once the turnaround is under way with the call `in_min` away.
async fn begun(hub: &Hub, in_min: i64) -> [Phone; 3] {
    let phones = [
        Phone::join(hub, CHIEF_CODE, "Wren", "chief").await,
        Phone::join(hub, CREW_CODE, "Ash", "helper").await,
        Phone::join(hub, CREW_CODE, "Moss", "starter").await,
    ];
    phones[0]
        .until("the hub's clock", |seen| seen.mirror().frame.now > 0)
        .await;
    let lanes_at = Some(hub_now(&phones[0]) + in_min * MINUTE_MS);
    phones[0].done(Command::BeginTurnaround { lanes_at }).await;
    for phone in &phones {
        phone
            .until("an outlook", |seen| outlook(seen).is_some())
            .await;
    }
    phones
}

#[tokio::test(flavor = "multi_thread")]
async fn three_phones_see_one_board_and_owners_mark_their_own_tasks() {
    let hub = Launch::demo().start();
    let [chief, helper, starter] = begun(&hub, 90).await;
    let (chance, ready) = chief.look(|seen| {
        let outlook = outlook(seen).unwrap();
        (outlook.chance.unwrap(), outlook.ready.unwrap())
    });
    assert!((0.0..=1.0).contains(&chance));
    assert!(ready.from < ready.middle && ready.middle < ready.to);

    // In order, by whoever's task it is, or by the chief.
    let refused = starter.refused(start("body_up")).await;
    assert!(refused.contains("comes first"), "{refused}");
    let refused = starter.refused(start("made_safe")).await;
    assert!(refused.contains("helper or the chief"), "{refused}");
    helper.done(start("made_safe")).await;
    helper.done(finish("made_safe")).await;
    chief.done(start("body_up")).await;
    helper.done(finish("body_up")).await;
    for phone in [&chief, &helper, &starter] {
        phone.until("both done", |seen| done(seen, "body_up")).await;
    }
    let refused = helper
        .refused(Command::UndoTask {
            task: "made_safe".into(),
        })
        .await;
    assert!(refused.contains("has been started since"), "{refused}");

    // A task that will take much longer is late, and the chance falls.
    starter.done(start("clutch")).await;
    let before = chief.look(|seen| outlook(seen).unwrap().end.middle);
    starter
        .done(Command::TaskLate {
            task: "clutch".into(),
            left_min: 75.0,
        })
        .await;
    for phone in [&chief, &helper, &starter] {
        phone
            .until("the clutch to be late", |seen| {
                task(seen, "clutch").is_some_and(|task| {
                    task.spare_min.is_some_and(|spare| spare < 0.0) && task.critical > 0.95
                })
            })
            .await;
    }
    chief.look(|seen| {
        let outlook = outlook(seen).unwrap();
        assert!(outlook.end.middle > before + 20 * MINUTE_MS);
        assert!(outlook.chance.unwrap() < 0.05);
        assert_eq!(outlook.path[0].as_str(), "clutch");
    });

    // The chief moves the call, and there is time again.
    let lanes_at = Some(hub_now(&chief) + 300 * MINUTE_MS);
    let refused = starter.refused(Command::SetLanesCall { lanes_at }).await;
    assert!(refused.contains("chief code"), "{refused}");
    chief.done(Command::SetLanesCall { lanes_at }).await;
    helper
        .until("time enough", |seen| {
            outlook(seen).is_some_and(|outlook| outlook.chance.is_some_and(|chance| chance > 0.95))
        })
        .await;
    chief.done(Command::CloseTurnaround {}).await;
    helper
        .until("no outlook", |seen| {
            seen.mirror().turnaround.is_some() && outlook(seen).is_none()
        })
        .await;
    let refused = helper.refused(start("chutes")).await;
    assert!(refused.contains("closed"), "{refused}");
}

#[tokio::test(flavor = "multi_thread")]
async fn it_outlives_the_hub_and_the_warm_up_that_it_began_in() {
    let mut hub = Launch::demo().start();
    let [chief, helper, _starter] = begun(&hub, 90).await;
    helper.done(start("made_safe")).await;
    helper.done(finish("made_safe")).await;
    // Another warm-up begins meanwhile: the journal is read from there on.
    chief
        .done(Command::Begin {
            sheet: "pit_warm_up".to_owned(),
        })
        .await;
    drop((chief, helper));
    hub.kill();
    hub.start_again();
    let late = Phone::join(&hub, CREW_CODE, "Rook", "helper").await;
    late.until("what was done before", |seen| {
        done(seen, "made_safe") && outlook(seen).is_some()
    })
    .await;
    late.done(start("body_up")).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_hub_without_a_plan_says_so() {
    let hub = Launch::serve(
        &spinover_tests::data::own("car.toml"),
        &spinover_tests::data::own("sheet.toml"),
    )
    .start();
    let chief = Phone::join(&hub, CHIEF_CODE, "Wren", "chief").await;
    let refused = chief
        .refused(Command::BeginTurnaround { lanes_at: None })
        .await;
    assert!(refused.contains("--turnaround"), "{refused}");
    let refused = chief.refused(start("clutch")).await;
    assert!(refused.contains("not been begun"), "{refused}");
}

#[tokio::test(flavor = "multi_thread")]
async fn the_plan_is_there_still_when_changed_files_are_taken_up() {
    let hub = Launch::demo().start();
    let file = hub.data().join("files/between-rounds.toml");
    let text = std::fs::read_to_string(&file).expect("the demo's plan");
    let other = text.replacen("\nname = \"", "\nname = \"Sunday: ", 1);
    assert_ne!(other, text);
    std::fs::write(&file, other).expect("a changed plan");
    let body = b"{}";
    let answer = http::post(&hub.address(), "/api/files/take-up", Some(CHIEF_CODE), body).await;
    assert_eq!(answer.expect("an answer").status, 200);
    let chief = Phone::join(&hub, CHIEF_CODE, "Wren", "chief").await;
    chief
        .until("the plan as it is now", |seen| {
            let now = seen.mirror().turnaround.as_ref();
            now.is_some_and(|now| now.plan.starts_with("Sunday: "))
        })
        .await;
    let lanes_at = Some(hub_now(&chief) + 90 * MINUTE_MS);
    chief.done(Command::BeginTurnaround { lanes_at }).await;
}

fn told(seen: &Seen) -> Vec<(Option<String>, bool)> {
    let turnaround = seen.mirror().record.turnaround.as_ref();
    let told = turnaround.map_or(&[][..], |turnaround| &turnaround.told);
    let name = |told: &spinover_protocol::turnaround::LateTold| {
        let task = told.task.as_ref().map(ToString::to_string);
        (task, told.seen.is_some())
    };
    told.iter().map(name).collect()
}

fn lates(phone: &Phone) -> usize {
    use spinover_protocol::event::EventBody;
    let late = |body: &EventBody| matches!(body, EventBody::LateTold { .. });
    phone.look(|seen| seen.events().filter(|event| late(&event.body)).count())
}

#[tokio::test(flavor = "multi_thread")]
async fn the_hub_says_once_what_is_late_and_its_owner_says_seen() {
    let hub = Launch::demo().start();
    let [chief, helper, starter] = begun(&hub, 300).await;
    assert!(chief.look(told).is_empty());
    // The officials call early: nothing can be in time, and the only task that somebody can begin is told; what waits for it is not.
    let lanes_at = Some(hub_now(&chief) + 30 * MINUTE_MS);
    chief.done(Command::SetLanesCall { lanes_at }).await;
    let both = [(None, false), (Some("made_safe".to_owned()), false)];
    for phone in [&chief, &helper, &starter] {
        phone.until("both told", |seen| told(seen) == both).await;
    }
    let see = |task: Option<&str>| Command::SeeLate {
        task: task.map(Into::into),
    };
    let refused = starter.refused(see(Some("made_safe"))).await;
    assert!(refused.contains("helper or the chief"), "{refused}");
    let refused = starter.refused(see(None)).await;
    assert!(refused.contains("for the chief"), "{refused}");
    let refused = helper.refused(see(Some("clutch"))).await;
    assert!(refused.contains("nothing was said"), "{refused}");
    helper.done(see(Some("made_safe"))).await;
    chief.done(see(None)).await;
    let seen = [(None, true), (Some("made_safe".to_owned()), true)];
    starter.until("both seen", |now| told(now) == seen).await;
    // Marks have it reckoned anew, and still it is said once only.
    let before = chief.look(|seen| seen.mirror().turnaround.as_ref().map(|now| now.now));
    helper.done(start("made_safe")).await;
    chief
        .until("another reckoning", |seen| {
            let now = seen.mirror().turnaround.as_ref();
            now.map(|now| now.now) > before
                && task(seen, "made_safe").is_some_and(|task| task.critical > 0.5)
        })
        .await;
    assert_eq!(lates(&chief), 2);
    // Done, the next ones that can be begun have their turn; and a call that leaves time enough has none told.
    let lanes_at = Some(hub_now(&chief) + 300 * MINUTE_MS);
    chief.done(Command::SetLanesCall { lanes_at }).await;
    helper.done(finish("made_safe")).await;
    helper
        .until("time enough", |seen| {
            done(seen, "made_safe")
                && outlook(seen).is_some_and(|now| now.chance.is_some_and(|chance| chance > 0.95))
        })
        .await;
    assert_eq!(lates(&helper), 2);
}

#[tokio::test(flavor = "multi_thread")]
async fn the_air_that_was_typed_in_is_told_for_the_call() {
    let hub = Launch::demo().start();
    let [chief, helper, _starter] = begun(&hub, 90).await;
    assert!(chief.look(|seen| outlook(seen).unwrap().air.is_none()));
    let air = spinover_protocol::today::Conditions {
        temp_c: 24.0,
        pressure_hpa: 975.0,
        rh_pct: 50.0,
        place: None,
    };
    helper.done(Command::SetConditions(air)).await;
    for phone in [&chief, &helper] {
        phone
            .until("the air then", |seen| {
                outlook(seen).is_some_and(|now| now.air.is_some())
            })
            .await;
    }
    let lanes_at = chief.look(|seen| seen.mirror().record.turnaround.as_ref().unwrap().lanes_at);
    chief.look(|seen| {
        let air = outlook(seen).unwrap().air.as_deref().unwrap();
        assert_eq!((Some(air.at), air.readings), (lanes_at, 1));
        assert!(
            air.altitude_m.low < air.altitude_m.middle
                && air.altitude_m.middle < air.altitude_m.high
        );
        // The demo's car file has a rule for the flow.
        let flow = air.flow.unwrap();
        assert!(!flow.by_book && flow.l_per_min.low < flow.now_l_per_min);
    });
}
