//! The crew's files over HTTP: who may change them, when not, and that a change is at once on everybody's phone.

use anyhow::Result;
use serde_json::{Value, json};
use spinover_protocol::{
    car::{Band, Car},
    files::{Conflict, FilesNow, Outcome},
    message::Command,
    sheet::Sheet,
};
use spinover_tests::{
    data, eventually, http,
    hub::{CHIEF_CODE, CREW_CODE, Hub, Launch},
    phone::Phone,
};
use std::{fs, path::PathBuf};
use tempfile::TempDir;

/// A hub on files of its own, which are gone with the test.
struct Team {
    _folder: TempDir,
    car: PathBuf,
    sheet: PathBuf,
    hub: Hub,
}

fn team() -> Team {
    let folder = TempDir::new().expect("room for files");
    let copy = |name: &str| {
        let to = folder.path().join(name);
        fs::copy(data::own(name), &to).expect("a copy");
        to
    };
    let (car, sheet) = (copy("car.toml"), copy("sheet.toml"));
    let hub = Launch::serve(&car, &sheet).start();
    Team {
        _folder: folder,
        car,
        sheet,
        hub,
    }
}

impl Team {
    async fn now(&self) -> FilesNow {
        let answer = http::get(&self.hub.address(), "/api/files", Some(CHIEF_CODE))
            .await
            .expect("an answer");
        assert_eq!(answer.status, 200, "{}", answer.text());
        serde_json::from_slice(&answer.body).expect("the files")
    }

    async fn post(&self, path: &str, body: &Value) -> http::Answer {
        let body = body.to_string();
        http::post(&self.hub.address(), path, Some(CHIEF_CODE), body.as_bytes())
            .await
            .expect("an answer")
    }
}

/// A change of the car made from those files.
fn with_car(now: &FilesNow, change: impl FnOnce(&mut Car)) -> Value {
    let mut car = now.car.clone().expect("a car");
    change(&mut car);
    json!({ "base": base(now), "car": car })
}

fn base(now: &FilesNow) -> Value {
    now.files
        .iter()
        .map(|file| (file.id.clone(), json!(file.version)))
        .collect::<serde_json::Map<_, _>>()
        .into()
}

fn oil(band: Band) -> impl FnOnce(&mut Car) {
    move |car| car.channels[1].band = Some(band)
}

const NEW: Band = Band {
    low: 70.0,
    high: 140.0,
};

#[tokio::test(flavor = "multi_thread")]
async fn a_change_is_on_every_phone_and_in_the_record_and_can_be_undone() -> Result<()> {
    let team = team();
    let before = fs::read_to_string(&team.car)?;
    let crew = Phone::join(&team.hub, CREW_CODE, "Ash", "fuel").await;
    let first = crew
        .look(|seen| seen.mirror().record.warmup.clone())
        .expect("a warm-up");
    let seq = crew.look(|seen| seen.mirror().record.seq);

    let now = team.now().await;
    let change = with_car(&now, |car| {
        oil(NEW)(car);
        car.roles[2].calls.push(spinover_protocol::car::ReadyCall {
            text: "Fuel on".to_owned(),
            to: None,
        });
    });
    // Looking changes nothing.
    let answer = team.post("/api/files/preview", &change).await;
    let outcome: Outcome = serde_json::from_slice(&answer.body)?;
    assert!(outcome.mistakes.is_empty() && !outcome.written);
    assert_eq!(fs::read_to_string(&team.car)?, before);

    let answer = team.post("/api/files/save", &change).await;
    assert_eq!(answer.status, 200, "{}", answer.text());
    let written = fs::read_to_string(&team.car)?;
    assert_eq!(
        written, outcome.texts["car"],
        "what was shown is what was written"
    );
    let expected = before.replace("band = [60, 150]", "band = [70, 140]");
    assert_eq!(
        written,
        expected.replace(
            "strips = [\"oil_pressure\"]",
            "strips = [\"oil_pressure\"]\ncalls = [{ text = \"Fuel on\" }]"
        )
    );

    // The phone comes back by itself; the new band holds, and the record says which car held.
    crew.until("the new band", |seen| {
        let warmup = seen.mirror().record.warmup.as_ref();
        warmup.is_some_and(|warmup| warmup.band_now(&"oil_pressure".into()) == Some(NEW))
    })
    .await;
    let welcome = crew
        .look(|seen| seen.mirror().welcome.clone())
        .expect("a welcome");
    assert_eq!(welcome.car.roles[2].calls[0].text, "Fuel on");
    let warmup = crew
        .look(|seen| seen.mirror().record.warmup.clone())
        .expect("a warm-up");
    assert_eq!(warmup.car, welcome.car);
    assert_ne!(warmup.id, first.id, "the one before followed another car");
    let numbers: Vec<u64> = crew.look(|seen| {
        seen.events()
            .map(|event| event.seq)
            .filter(|n| *n > seq)
            .collect()
    });
    assert!(
        numbers.windows(2).all(|two| two[1] == two[0] + 1),
        "{numbers:?}"
    );

    // Undone: the very bytes, and the old band again.
    let now = team.now().await;
    assert!(now.files.iter().all(|file| file.in_force));
    let undo = now.undo.expect("a change to undo");
    let answer = team
        .post("/api/files/undo", &json!({ "number": undo.number }))
        .await;
    assert_eq!(answer.status, 200, "{}", answer.text());
    assert_eq!(fs::read_to_string(&team.car)?, before);
    crew.until("the old band", |seen| {
        let warmup = seen.mirror().record.warmup.as_ref();
        warmup.is_some_and(|warmup| {
            warmup.band_now(&"oil_pressure".into())
                == Some(Band {
                    low: 60.0,
                    high: 150.0,
                })
        })
    })
    .await;
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn only_the_chief_may() -> Result<()> {
    let team = team();
    let address = team.hub.address();
    let before = fs::read_to_string(&team.car)?;
    let change = with_car(&team.now().await, oil(NEW)).to_string();
    for (code, status) in [(Some(CREW_CODE), 403), (None, 401)] {
        assert_eq!(
            http::get(&address, "/api/files", code).await?.status,
            status
        );
        for path in ["preview", "save", "undo", "take-up"] {
            let answer = http::post(
                &address,
                &format!("/api/files/{path}"),
                code,
                change.as_bytes(),
            )
            .await?;
            assert_eq!(answer.status, status, "{path}");
        }
    }
    assert_eq!(fs::read_to_string(&team.car)?, before);
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn what_changed_meanwhile_is_not_written_over() -> Result<()> {
    let team = team();
    let now = team.now().await;
    // A text editor was quicker.
    let theirs = fs::read_to_string(&team.car)?.replace("[2200, 2600]", "[2300, 2600]");
    fs::write(&team.car, &theirs)?;
    for path in ["/api/files/preview", "/api/files/save"] {
        let answer = team.post(path, &with_car(&now, oil(NEW))).await;
        assert_eq!(answer.status, 409, "{}", answer.text());
        let conflict: Conflict = serde_json::from_slice(&answer.body)?;
        assert!(
            conflict.what.starts_with("changed meanwhile"),
            "{}",
            conflict.what
        );
        assert_eq!(conflict.now.files[0].text, theirs);
        assert!(
            conflict.yours["car"].contains("band = [70, 140]")
                && conflict.yours["car"].contains("[2200, 2600]")
        );
    }
    assert_eq!(fs::read_to_string(&team.car)?, theirs);

    // The page says so, and it can be taken up as it lies there.
    let now = team.now().await;
    assert_eq!(
        now.files
            .iter()
            .map(|file| file.in_force)
            .collect::<Vec<_>>(),
        [false, true]
    );
    let crew = Phone::join(&team.hub, CREW_CODE, "Ash", "fuel").await;
    assert_eq!(
        team.post("/api/files/take-up", &json!({})).await.status,
        200
    );
    crew.until("the band of the text editor", |seen| {
        let welcome = seen.mirror().welcome.as_ref();
        welcome.is_some_and(|welcome| {
            welcome.car.channels[0].band
                == Some(Band {
                    low: 2300.0,
                    high: 2600.0,
                })
        })
    })
    .await;
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn not_while_a_warm_up_is_under_way_or_a_stop_stands() -> Result<()> {
    let team = team();
    let before = fs::read_to_string(&team.car)?;
    let chief = Phone::join(&team.hub, CHIEF_CODE, "Wren", "chief").await;
    let change = with_car(&team.now().await, oil(NEW));
    let refused = async |word: &str| {
        let answer = team.post("/api/files/save", &change).await;
        assert_eq!(answer.status, 423, "{}", answer.text());
        assert!(answer.text().contains(word), "{}", answer.text());
        let now = team.now().await;
        assert!(now.not_now.is_some_and(|why| why.contains(word)));
    };
    chief
        .done(Command::Mark {
            step: "area_clear".into(),
        })
        .await;
    refused("warm-up").await;
    chief
        .done(Command::Undo {
            step: "area_clear".into(),
        })
        .await;
    let call = chief
        .done(Command::Stop {
            text: "Stop".to_owned(),
        })
        .await;
    refused("stop").await;
    chief.done(Command::Lift { call }).await;
    // The engine turns, though nobody marked anything.
    let answer = http::post(
        &team.hub.address(),
        "/api/readings",
        Some(CREW_CODE),
        b"{\"engine_rpm\": 2400}",
    )
    .await?;
    assert_eq!(answer.status, 200);
    refused("engine").await;
    assert_eq!(fs::read_to_string(&team.car)?, before);
    // It stands again: nothing is in the way.
    http::post(
        &team.hub.address(),
        "/api/readings",
        Some(CREW_CODE),
        b"{\"engine_rpm\": 0}",
    )
    .await?;
    eventually("the engine to stand", async || {
        team.now().await.not_now.is_none().then_some(())
    })
    .await;
    assert_eq!(team.post("/api/files/save", &change).await.status, 200);
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn wrong_files_are_never_written_and_the_hub_goes_on() -> Result<()> {
    let team = team();
    let before = (
        fs::read_to_string(&team.car)?,
        fs::read_to_string(&team.sheet)?,
    );
    let now = team.now().await;
    let answer = team
        .post(
            "/api/files/save",
            &with_car(
                &now,
                oil(Band {
                    low: 140.0,
                    high: 70.0,
                }),
            ),
        )
        .await;
    assert_eq!(answer.status, 422);
    let outcome: Outcome = serde_json::from_slice(&answer.body)?;
    assert_eq!(outcome.mistakes[0].field, "channel.oil_pressure.band");
    // A car without the channel that the sheet's gate needs: both files are judged together.
    let text = now.files[0].text.replace("oil_pressure", "oil_press");
    let answer = team
        .post(
            "/api/files/save",
            &json!({ "base": base(&now), "texts": { "car": text } }),
        )
        .await;
    assert_eq!(answer.status, 422);
    let outcome: Outcome = serde_json::from_slice(&answer.body)?;
    assert_eq!(
        (
            outcome.mistakes[0].id.as_str(),
            outcome.mistakes[0].line > 0
        ),
        ("sheet-1", true),
        "{outcome:?}"
    );
    // A source that cannot be opened is found before the files are written, not after.
    let text =
        "sources = [\"candump:nothing.log?dbc=nothing.dbc\"]\n".to_owned() + &now.files[0].text;
    let answer = team
        .post(
            "/api/files/save",
            &json!({ "base": base(&now), "texts": { "car": text } }),
        )
        .await;
    assert_eq!(answer.status, 422, "{}", answer.text());
    assert_eq!(
        (
            fs::read_to_string(&team.car)?,
            fs::read_to_string(&team.sheet)?
        ),
        before
    );
    let crew = Phone::join(&team.hub, CREW_CODE, "Ash", "fuel").await;
    assert_eq!(
        crew.look(|seen| seen.mirror().welcome.clone())
            .expect("a welcome")
            .car,
        now.car.expect("a car")
    );
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn steps_change_too_and_a_reading_goes_on_after() -> Result<()> {
    let team = team();
    let crew = Phone::join(&team.hub, CREW_CODE, "Ash", "fuel").await;
    let now = team.now().await;
    let mut sheet: Sheet = now.sheets[0].clone().expect("a sheet");
    sheet.phases[0].steps[2].limit_ms = Some(8_500);
    sheet.phases[0].steps[2].owner = "fuel".into();
    sheet.phases[0].steps[2].gates.clear();
    let change = json!({ "base": base(&now), "sheets": { "sheet-1": sheet } });
    assert_eq!(team.post("/api/files/save", &change).await.status, 200);
    crew.until("the new step", |seen| {
        let warmup = seen.mirror().record.warmup.as_ref();
        warmup
            .and_then(|warmup| warmup.sheet.step(&"oil_up".into()))
            .is_some_and(|(_, step)| step.limit_ms == Some(8_500) && step.gates.is_empty())
    })
    .await;
    http::post(
        &team.hub.address(),
        "/api/readings",
        Some(CREW_CODE),
        b"{\"oil_pressure\": 88}",
    )
    .await?;
    crew.until("a reading", |seen| seen.value("oil_pressure") == Some(88.0))
        .await;
    let text = fs::read_to_string(&team.sheet)?;
    assert!(
        text.starts_with("# The sheet that the black-box tests follow"),
        "{text}"
    );
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn the_demo_runs_from_files_that_can_be_changed() -> Result<()> {
    let mut hub = Launch::demo().start();
    let path = hub.data().join("files/kestrel.toml");
    let text = fs::read_to_string(&path)?.replace("band = [60, 150]", "band = [65, 150]");
    fs::write(&path, &text)?;
    hub.stop();
    hub.start_again();
    let crew = Phone::join(&hub, CREW_CODE, "Ash", "idle").await;
    let car = crew
        .look(|seen| seen.mirror().welcome.clone())
        .expect("a welcome")
        .car;
    assert_eq!(
        car.channel(&"oil_pressure".into())
            .expect("a channel")
            .1
            .band,
        Some(Band {
            low: 65.0,
            high: 150.0
        })
    );
    assert_eq!(fs::read_to_string(&path)?, text, "it is not written over");
    Ok(())
}
