//! The demo as a newcomer meets it: a whole warm-up of the simulated car, from a cold engine to a safe one, under its own gates.

use spinover_protocol::message::{Command, Quality};
use spinover_tests::{
    chief::mark_until,
    hub::{CHIEF_CODE, CREW_CODE, Launch},
    phone::Phone,
};
use std::time::Duration;

/// The longest single wait is for temperatures, on a simulated engine that warms up in minutes.
const PATIENCE: Duration = Duration::from_secs(240);

#[tokio::test(flavor = "multi_thread")]
async fn a_crew_brings_the_simulated_car_to_life_and_off_again() {
    let hub = Launch::demo().start();
    let chief = Phone::join(&hub, CHIEF_CODE, "Wren", "chief").await;
    let mut crew = Vec::new();
    for (name, role) in [
        ("Ash", "idle"),
        ("Hazel", "fuel"),
        ("Linden", "starter"),
        ("Rowan", "helper"),
        ("Alder", "wall"),
    ] {
        crew.push(Phone::join(&hub, CREW_CODE, name, role).await);
    }
    let words = chief.look(|seen| {
        seen.mirror()
            .welcome
            .as_ref()
            .and_then(|welcome| welcome.not_live.clone())
    });
    assert!(
        words.is_some_and(|words| words.contains("simulated")),
        "every page must say that this is no car"
    );

    // Nothing fires before the cylinders are proven clear.
    let early = chief
        .refused(Command::Mark {
            step: "ignition_on".into(),
        })
        .await;
    assert!(!early.is_empty());

    let mut marked = mark_until(&chief, Some("temps_there"), PATIENCE).await;
    // The engine runs, and all six phones see the same of it.
    for phone in crew.iter().chain([&chief]) {
        phone
            .until("a running engine", |seen| {
                seen.value("engine_rpm").is_some_and(|rpm| rpm > 1_500.0)
            })
            .await;
    }
    for channel in [
        "engine_rpm",
        "fuel_flow",
        "fuel_pressure",
        "oil_pressure",
        "head_temp",
        "oil_temp",
        "mag_1_timing",
        "mag_2_timing",
    ] {
        let read =
            |seen: &spinover_tests::phone::Seen| seen.mirror().frame.reading(seen.index(channel));
        chief
            .until(&format!("a good {channel}"), |seen| {
                read(seen).1 == Quality::Good
            })
            .await;
    }
    marked.extend(mark_until(&chief, None, PATIENCE).await);

    let sheet = chief
        .look(|seen| {
            seen.mirror()
                .record
                .warmup
                .as_ref()
                .map(|warmup| warmup.sheet.clone())
        })
        .expect("a warm-up");
    let ordered: Vec<_> = sheet
        .steps()
        .filter(|(_, step)| step.ordered)
        .map(|(_, step)| step.key.clone())
        .collect();
    assert!(
        ordered.iter().all(|step| marked.contains(step)),
        "marked {marked:?} of {ordered:?}"
    );
    crew[0]
        .until("the engine to stand", |seen| {
            seen.value("engine_rpm").is_some_and(|rpm| rpm.abs() < 50.0)
        })
        .await;
    let end = chief.look(|seen| seen.mirror().record.clone());
    for phone in &crew {
        phone
            .until("the end", |seen| seen.mirror().record.seq >= end.seq)
            .await;
        assert_eq!(
            phone.look(|seen| seen.mirror().record.warmup.clone()),
            end.warmup
        );
    }
}
