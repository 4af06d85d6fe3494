//! Alarms on the simulated car: silent through whole healthy warm-ups, quick and alone when something is broken.
//! `cargo xtask bench alarms` does the same two hundred times.

use spinover::files::demo;
use spinover::pit::{Pit, raised};
use spinover::sources::sim::{Settings, fault::parse_list};
use spinover_protocol::{
    Millis,
    alarm::AlarmState,
    event::{Event, EventBody},
};

fn pit(seed: u64, sheet: usize, faults: &str) -> Pit {
    let settings = Settings {
        seed,
        auto: false,
        noise: true,
        faults: parse_list(faults).unwrap(),
    };
    let car = demo::car().unwrap_or_else(|errors| panic!("{errors}")).car;
    let sheet = demo::sheets()
        .unwrap_or_else(|errors| panic!("{errors}"))
        .remove(sheet);
    Pit::new(&car, sheet, settings).unwrap()
}

fn run(pit: &mut Pit, until: Millis) -> Vec<(Millis, Event)> {
    let mut seen = Vec::new();
    while pit.now() < until {
        for event in pit.step() {
            seen.push((pit.now(), event));
        }
    }
    seen
}

fn news(seen: &[(Millis, Event)]) -> Vec<(Millis, &str)> {
    seen.iter()
        .filter_map(|(at, event)| Some((*at, raised(event)?.as_str())))
        .collect()
}

#[test]
fn a_healthy_warm_up_raises_nothing() {
    for sheet in [0, 1] {
        let mut pit = pit(21, sheet, "");
        let seen = run(&mut pit, 200_000);
        let marks = seen
            .iter()
            .filter(|(_, event)| matches!(event.body, EventBody::StepMarked { .. }));
        assert!(marks.count() > 15, "the warm-up was gone through");
        assert_eq!(news(&seen), []);
    }
}

#[test]
fn lost_oil_is_one_alarm_and_latches() {
    let mut pit = pit(22, 0, "oil_lost@70+20");
    let seen = run(&mut pit, 75_000);
    let [(at, "oil_pressure_lost")] = news(&seen)[..] else {
        panic!("{:?}", news(&seen));
    };
    assert!((70_300..71_500).contains(&at), "{at}");
    assert_eq!(pit.frame().urgent, ["oil_pressure_lost".into()]);
    let later = run(&mut pit, 100_000);
    assert!(
        later
            .iter()
            .any(|(_, event)| matches!(&event.body, EventBody::AlarmReturned { .. }))
    );
    let state = pit.warmup().alarm_state(&"oil_pressure_lost".into());
    assert_eq!(state, AlarmState::LatchedUnacknowledged);
}

#[test]
fn a_lost_link_is_the_cause_and_what_cannot_be_read_follows() {
    let mut pit = pit(23, 0, "link_lost@70");
    let seen = run(&mut pit, 80_000);
    let [(at, "car_silent")] = news(&seen)[..] else {
        panic!("{:?}", news(&seen));
    };
    assert!((71_000..=71_200).contains(&at), "{at}");
    let followed = seen.iter().filter(|(_, event)| {
        matches!(&event.body, EventBody::AlarmRaised { after: Some(after), .. } if after.as_str() == "car_silent")
    });
    assert_eq!(followed.count(), 2, "oil and speed cannot be read");
}

#[test]
fn a_stopped_engine_is_no_lost_oil() {
    let mut pit = pit(24, 0, "");
    run(&mut pit, 70_000);
    pit.stop_marking();
    pit.controls().set("ignition", 0.0).unwrap();
    let seen = run(&mut pit, 90_000);
    let keys: Vec<&str> = news(&seen).into_iter().map(|(_, key)| key).collect();
    assert!(keys.contains(&"engine_stopped"), "{keys:?}");
    assert!(!keys.contains(&"oil_pressure_lost"), "{keys:?}");
}
