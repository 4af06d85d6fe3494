//! Alarms from end to end: the real binary, readings over HTTP and from the simulated car, phones on real sockets.

use spinover_protocol::{alarm::AlarmState, event::EventBody, message::Command};
use spinover_tests::{
    data, http,
    hub::{CHIEF_CODE, CREW_CODE, Hub, Launch},
    phone::{Phone, Seen},
};
use std::time::Duration;
use tokio::task::JoinHandle;

/// The car speaks this often.
const EVERY: Duration = Duration::from_millis(50);
const OIL: &str = "oil_pressure_lost";

fn hub() -> Hub {
    Launch::serve(
        &data::own("alarms-car.toml"),
        &data::own("ready-sheet.toml"),
    )
    .start()
}

/// A car that says the same twenty times a second, until this is dropped.
struct Car(JoinHandle<()>);

impl Car {
    fn says(hub: &Hub, rpm: f64, oil: f64) -> Self {
        let address = hub.address();
        let line = format!("{{\"engine_rpm\": {rpm}, \"oil_pressure\": {oil}}}\n");
        Self(tokio::spawn(async move {
            loop {
                // The hub may be gone for a while: that is what some of these tests are about.
                let _ =
                    http::post(&address, "/api/readings", Some(CREW_CODE), line.as_bytes()).await;
                tokio::time::sleep(EVERY).await;
            }
        }))
    }
}

impl Drop for Car {
    fn drop(&mut self) {
        self.0.abort();
    }
}

fn state(seen: &Seen, key: &str) -> Option<AlarmState> {
    let warmup = seen.mirror().record.warmup.as_ref()?;
    Some(warmup.alarm_state(&key.into()))
}

fn urgent(seen: &Seen, key: &str) -> bool {
    seen.mirror().frame.urgent.contains(&key.into())
}

#[tokio::test(flavor = "multi_thread")]
async fn lost_oil_is_on_every_phone_in_the_frame_and_in_the_record_and_a_stop_call_follows() {
    let hub = hub();
    let chief = Phone::join(&hub, CHIEF_CODE, "Wren", "chief").await;
    let crew = Phone::join(&hub, CREW_CODE, "Ash", "idle").await;
    let car = Car::says(&hub, 2_000.0, 60.0);
    crew.until("good readings", |seen| {
        seen.value("oil_pressure") == Some(60.0)
    })
    .await;
    assert!(crew.look(|seen| !urgent(seen, OIL)));
    drop(car);
    let car = Car::says(&hub, 2_000.0, 5.0);
    for phone in [&chief, &crew] {
        phone
            .until("the frame to say it", |seen| urgent(seen, OIL))
            .await;
        phone
            .until("the record to say it", |seen| {
                state(seen, OIL) == Some(AlarmState::Unacknowledged)
            })
            .await;
        let raised = phone.look(|seen| {
            let mut events = seen.events();
            events.any(|event| matches!(&event.body, EventBody::AlarmRaised { alarm, value: Some(5.0), after: None } if alarm.as_str() == OIL))
        });
        assert!(raised, "with what was read");
    }
    let words = crew.look(|seen| {
        let warmup = seen.mirror().record.warmup.clone().expect("a warm-up");
        let alarm = warmup
            .car
            .alarm(&OIL.into())
            .expect("in the car that the hub told")
            .clone();
        assert!(alarm.kill);
        alarm.text
    });

    let acknowledge = || Command::AcknowledgeAlarm { alarm: OIL.into() };
    assert!(crew.refused(acknowledge()).await.contains("chief code"));
    crew.done(Command::Stop { text: words }).await;
    chief
        .until("the stop call", |seen| {
            let warmup = seen.mirror().record.warmup.as_ref();
            warmup.is_some_and(|warmup| {
                warmup
                    .stops()
                    .any(|call| call.said.text == "Oil pressure lost")
            })
        })
        .await;
    chief.done(acknowledge()).await;
    crew.until("the acknowledgement", |seen| {
        state(seen, OIL) == Some(AlarmState::Acknowledged)
    })
    .await;
    assert!(crew.look(|seen| urgent(seen, OIL)), "known is not gone");

    drop(car);
    let _car = Car::says(&hub, 2_000.0, 60.0);
    crew.until("the latch", |seen| {
        state(seen, OIL) == Some(AlarmState::LatchedAcknowledged)
    })
    .await;
    chief.done(Command::ResetAlarm { alarm: OIL.into() }).await;
    crew.until("nothing left of it", |seen| {
        state(seen, OIL) == Some(AlarmState::Normal) && !urgent(seen, OIL)
    })
    .await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_power_cut_changes_the_state_of_no_alarm() {
    let mut hub = hub();
    let chief = Phone::join(&hub, CHIEF_CODE, "Wren", "chief").await;
    let car = Car::says(&hub, 2_000.0, 5.0);
    chief.until("lost oil", |seen| urgent(seen, OIL)).await;
    chief
        .done(Command::AcknowledgeAlarm { alarm: OIL.into() })
        .await;
    // The link goes too, and the hub's power with it: nothing has come by the time that it is back.
    drop(car);
    chief
        .until("silence", |seen| {
            state(seen, "car_silent") == Some(AlarmState::Unacknowledged)
        })
        .await;
    let before = chief.look(|seen| {
        seen.mirror()
            .record
            .warmup
            .clone()
            .expect("a warm-up")
            .alarms
    });
    hub.kill();
    hub.start_again();
    let witness = Phone::join(&hub, CREW_CODE, "Ash", "idle").await;
    witness
        .until("a frame", |seen| {
            urgent(seen, OIL) && urgent(seen, "car_silent")
        })
        .await;
    // Long enough for the off-delay, many times over, by the hub's own clock.
    let began = witness.look(|seen| seen.mirror().frame.now);
    witness
        .until("two seconds of frames", |seen| {
            seen.mirror().frame.now >= began + 2_000
        })
        .await;
    let after = witness.look(|seen| {
        seen.mirror()
            .record
            .warmup
            .clone()
            .expect("a warm-up")
            .alarms
    });
    assert_eq!(after, before);
    assert!(witness.look(|seen| urgent(seen, OIL) && urgent(seen, "car_silent")));

    let _car = Car::says(&hub, 2_000.0, 60.0);
    witness
        .until("good readings to clear them", |seen| {
            state(seen, OIL) == Some(AlarmState::LatchedAcknowledged)
                && state(seen, "car_silent") == Some(AlarmState::ReturnedUnacknowledged)
        })
        .await;
}

/// The simulated car starts by itself, at eight times its speed; then nothing comes from it any more.
#[tokio::test(flavor = "multi_thread")]
async fn a_fault_of_the_simulated_car_reaches_the_phones() {
    let car = data::root().join("hub/demo/kestrel.toml");
    let sheet = data::root().join("hub/demo/pit-warm-up.toml");
    let hub = Launch::serve(&car, &sheet)
        .source("sim:?seed=5&auto=1&speed=8&faults=link_lost@100")
        .start();
    let crew = Phone::join(&hub, CREW_CODE, "Ash", "idle").await;
    let patience = Duration::from_secs(60);
    crew.until_within(patience, "the lost link", |seen| urgent(seen, "car_silent"))
        .await;
    assert!(crew.look(|seen| {
        let mut events = seen.events();
        events.any(|event| matches!(&event.body, EventBody::AlarmRaised { alarm, after: None, .. } if alarm.as_str() == "car_silent"))
    }));
}
