//! A warm-up played back in a real browser: what a replay shows is held against the recording's file, read here by itself.

use anyhow::{Context, Result};
use spinover_tests::{
    app::LIVE,
    browser::{Browser, PHONE, Page},
    cold_start::{BEGUN, COLUMNS, hub_with_cold_start, join},
    data, eventually, http,
    hub::{CHIEF_CODE, CREW_CODE, Hub, Launch, run},
    recording::Recording,
};

/// Moves the line to so many milliseconds after the beginning, as a thumb does.
async fn scrub(page: &Page, ms: i64) -> Result<()> {
    page.find("replay-line").await;
    page.script(&format!(
        "const line = document.querySelector('[data-test=\"replay-line\"]'); line.value = {}; line.dispatchEvent(new Event('input', {{ bubbles: true }}))",
        BEGUN + ms
    ))
    .await?;
    page.until_shows(&format!(
        "[data-test=\"replay-time\"][data-at=\"{}\"]",
        BEGUN + ms
    ))
    .await;
    Ok(())
}

/// Waits until every strip shows what the file says for that moment, and no reading where it says none.
async fn until_strips(page: &Page, state: &[Option<f64>]) {
    for (column, value) in COLUMNS.iter().zip(state) {
        let strip = format!("[data-test=\"strip-{}\"]", column.key);
        match value {
            Some(value) => {
                page.until_shows(&format!("{strip}[data-value=\"{value}\"]"))
                    .await
            }
            None => {
                page.until_shows(&format!("{strip}[data-quality=\"none\"]"))
                    .await
            }
        }
    }
}

/// What the file says was last read at that many milliseconds after its first row.
fn state_at(recording: &Recording, ms: i64) -> Vec<Option<f64>> {
    let first = recording.rows[0].t_s;
    let rows = recording
        .rows
        .iter()
        .take_while(|row| ((row.t_s - first) * 1e6).round() as i64 <= ms * 1000)
        .count();
    recording.states()[rows - 1].clone()
}

/// Nothing on the page may pass for live.
async fn says_replay(page: &Page) {
    page.until_shows("[data-test=\"replay-word\"]").await;
    assert!(
        !page.shows("[data-test=\"link-state\"]").await,
        "the word live is not on the page"
    );
}

#[tokio::test(flavor = "multi_thread")]
async fn a_cold_start_is_found_and_played_back_as_its_file_says() -> Result<()> {
    let (hub, recording) = hub_with_cold_start();
    let browser = Browser::start();
    let page = join(&browser, &hub, CREW_CODE, "idle", PHONE).await?;
    page.until_shows("[data-test=\"warmup-cold\"]").await;
    page.fill("book-find", "bench nowhere").await?;
    page.until_shows("[data-test=\"book-none\"]").await;
    page.fill("book-find", "BENCH cold").await?;
    page.tap("warmup-cold").await?;
    page.tap("replay-open").await?;
    says_replay(&page).await;
    until_strips(&page, &state_at(&recording, 0)).await;

    // There and back again, to points that are no multiple of anything.
    for ms in [61_300, 140_100, 20_700] {
        scrub(&page, ms).await?;
        until_strips(&page, &state_at(&recording, ms)).await;
        says_replay(&page).await;
    }
    let wide = page
        .script("return document.documentElement.scrollWidth")
        .await?;
    assert_eq!(wide, PHONE.width, "nothing is wider than the phone");

    // Played from there to the end: it moves, it ends, and its end is the file's.
    page.tap("replay-speed-32").await?;
    page.tap("replay-play").await?;
    let last = recording.states().pop().context("rows")?;
    let first = recording.rows[0].t_s;
    let end = recording.rows.last().context("rows")?.t_s - first;
    eventually("the end of the replay", async || {
        let at = page
            .script("return document.querySelector('[data-test=\"replay-time\"]').dataset.at")
            .await
            .ok()?;
        let at: i64 = at.as_str()?.parse().ok()?;
        (at - BEGUN >= (end * 1000.0) as i64).then_some(())
    })
    .await;
    until_strips(&page, &last).await;
    says_replay(&page).await;
    page.tap("replay-close").await?;
    page.until_shows(LIVE).await;
    assert_eq!(page.complaints().await?, Vec::<String>::new());
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn a_live_stop_comes_over_a_replay() -> Result<()> {
    let (hub, _) = hub_with_cold_start();
    let browser = Browser::start();
    let page = join(&browser, &hub, CREW_CODE, "idle", PHONE).await?;
    page.script("location.hash = '#/replay/cold'").await?;
    says_replay(&page).await;
    let chief = spinover_tests::phone::Phone::join(&hub, CHIEF_CODE, "Wren", "chief").await;
    chief
        .done(spinover_protocol::message::Command::Stop {
            text: "Fire".to_owned(),
        })
        .await;
    page.until_shows("[data-test=\"stop-takeover\"]").await;
    page.tap("seen").await?;
    page.until_hides("[data-test=\"stop-takeover\"]").await;
    says_replay(&page).await;
    // A stop that still stands is told in the replay too, as what it is.
    page.until_shows("[data-test=\"stop-bar\"]").await;
    Ok(())
}

/// Two alarms on the cold start as a hub would have recorded them: times in seconds since its beginning.
fn with_alarms(hub: &mut Hub) {
    let folder = hub.data().to_str().expect("a plain path").to_owned();
    let out = run(&[
        "book", "export", "cold", "--data", &folder, "--format", "json",
    ]);
    let mut document: serde_json::Value =
        serde_json::from_slice(&out.stdout).expect("an exported warm-up");
    let events = document["events"].as_array_mut().expect("events");
    let closed = events.pop().expect("it was closed");
    let begun = events.last_mut().expect("it has begun");
    let alarm = |key: &str, text: &str, priority: u8, follows: &[&str]| {
        serde_json::json!({
            "key": key, "text": text, "answer": "Look", "priority": priority, "kill": priority == 1,
            "watch": {"below": {"channel": "oil_pressure", "limit": 20.0}},
            "on_delay_ms": 0, "off_delay_ms": 0, "follows": follows,
        })
    };
    begun["car"]["alarms"] = serde_json::json!([
        alarm("oil_lost", "Oil pressure lost", 1, &[]),
        alarm(
            "oil_doubtful",
            "Oil sensor <b>doubtful</b>",
            2,
            &["oil_lost"]
        ),
    ]);
    let chief = serde_json::json!({"id": "k3v9q2m7x1", "name": "Ines", "role": "chief"});
    let mut say = |at_s: i64, mut event: serde_json::Value| {
        event["seq"] = (events.len() as u64 + 1).into();
        event["at"] = (BEGUN + at_s * 1000).into();
        if event["kind"] != "alarm_raised" && event["kind"] != "alarm_returned" {
            event["by"] = chief.clone();
        }
        events.push(event);
    };
    let json = |kind: &str, more: serde_json::Value| {
        let mut event = serde_json::json!({"kind": kind, "alarm": "oil_lost"});
        for (key, value) in more.as_object().expect("fields") {
            event[key] = value.clone();
        }
        event
    };
    use serde_json::json as j;
    say(40, json("alarm_raised", j!({"value": 12.0})));
    let after = j!({"alarm": "oil_doubtful", "after": "oil_lost"});
    say(42, json("alarm_raised", after));
    say(50, json("alarm_acknowledged", j!({})));
    say(60, json("alarm_returned", j!({"alarm": "oil_doubtful"})));
    say(60, json("alarm_returned", j!({})));
    let shelf = j!({"until": BEGUN + 120_000, "reason": "Hose is off"});
    say(80, json("alarm_shelved", shelf));
    say(90, json("alarm_raised", j!({"value": 11.0})));
    say(100, json("alarm_unshelved", j!({})));
    say(110, json("alarm_returned", j!({})));
    let mut closed = closed;
    closed["seq"] = (events.len() as u64 + 1).into();
    events.push(closed);
    let file = hub.data().join("alarmed.json");
    std::fs::write(&file, document.to_string()).expect("room for a warm-up");
    hub.kill();
    let done = run(&[
        "book",
        "import",
        file.to_str().expect("a plain path"),
        "--data",
        &folder,
        "--id",
        "alarmed",
    ]);
    let said = String::from_utf8_lossy(&done.stderr).into_owned();
    assert_eq!(done.status.code(), Some(0), "{said}");
    hub.start_again();
}

#[tokio::test(flavor = "multi_thread")]
async fn alarms_are_played_back_as_they_were_and_nothing_on_them_acts() -> Result<()> {
    let (mut hub, _) = hub_with_cold_start();
    with_alarms(&mut hub);
    let browser = Browser::start();
    // As the chief, who could act on a live one.
    let page = join(&browser, &hub, CHIEF_CODE, "chief", PHONE).await?;
    page.script("location.hash = '#/replay/alarmed'").await?;
    says_replay(&page).await;
    page.find("replay-line").await;
    let then =
        |alarm: &str, state: &str| format!("[data-alarm=\"{alarm}\"][data-state=\"{state}\"]");
    // Forth and back again.
    for (ms, state) in [
        (41_000, Some("Unacknowledged")),
        (55_000, Some("Acknowledged")),
        (70_000, None),
        (85_000, Some("Shelved")),
        (95_000, Some("Shelved")),
        (105_000, Some("Unacknowledged")),
        (115_000, Some("ReturnedUnacknowledged")),
        (30_000, None),
        (45_000, Some("Unacknowledged")),
    ] {
        scrub(&page, ms).await?;
        match state {
            Some(state) => page.until_shows(&then("oil_lost", state)).await,
            None => page.until_hides("[data-test=\"past-alarms\"]").await,
        }
        says_replay(&page).await;
        assert!(
            !page.shows("[data-test=\"alarm\"]").await,
            "no bar of a live alarm at {ms} ms"
        );
        if let Ok(folder) = std::env::var("SHOTS") {
            page.until_still().await?;
            std::fs::write(format!("{folder}/replay-{ms}.png"), page.picture().await?)?;
        }
    }
    // What followed stands with what it followed from, in words that are text.
    let words = page
        .until_text("[data-test=\"past-alarm\"]", "what followed", |text| {
            text.contains("Oil sensor <b>doubtful</b>")
        })
        .await;
    assert!(
        words.contains("12 psi"),
        "the reading that raised it: {words}"
    );
    let count = async |css: &str| {
        page.script(&format!("return document.querySelectorAll('{css}').length"))
            .await
    };
    assert_eq!(count(".past-alarms button").await?, 0, "no key on them");
    assert_eq!(
        count("[data-test=\"alarm-acknowledge\"], [data-test=\"alarm-stop\"]").await?,
        0
    );
    assert_eq!(count(".line-alarm-1").await?, 2, "each coming on the line");
    assert_eq!(count(".line-alarm").await?, 1);
    assert_eq!(page.complaints().await?, Vec::<String>::new());

    // A press on its entry goes to where it came.
    scrub(&page, 130_000).await?;
    page.script("document.querySelector('.moment[data-kind=\"alarm-1\"]').click()")
        .await?;
    page.until_shows(&format!(
        "[data-test=\"replay-time\"][data-at=\"{}\"]",
        BEGUN + 40_000
    ))
    .await;
    page.until_shows(&then("oil_lost", "Unacknowledged")).await;
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn a_live_alarm_of_the_first_priority_stands_over_a_replay_as_live() -> Result<()> {
    let folder = tempfile::tempdir()?;
    let car = folder.path().join("car.toml");
    let alarm = r#"
[[alarm]]
key = "oil_lost"
text = "Oil pressure lost"
answer = "Shut it off"
priority = 1
channel = "oil_pressure"
below = 20
on_delay_s = 0
latched = true
"#;
    std::fs::write(
        &car,
        std::fs::read_to_string(data::own("car.toml"))? + alarm,
    )?;
    let hub = Launch::serve(&car, &data::own("sheet.toml")).start();
    let browser = Browser::start();
    let page = join(&browser, &hub, CREW_CODE, "idle", PHONE).await?;
    // The warm-up that runs, played back: what stands over it is not part of it.
    page.script("location.hash = '#/book'").await?;
    let open = "return document.querySelector('[data-test^=\"warmup-\"]')?.dataset.test";
    let id = eventually("a warm-up in the list", async || {
        Some(page.script(open).await.ok()?.as_str()?.to_owned())
    })
    .await;
    let id = id.trim_start_matches("warmup-");
    page.script(&format!("location.hash = '#/replay/{id}'"))
        .await?;
    says_replay(&page).await;
    assert!(!page.shows("[data-test=\"over-alarm\"]").await);
    let low = b"{\"oil_pressure\":5}\n";
    let sent = http::post(&hub.address(), "/api/readings", Some(CREW_CODE), low).await?;
    assert_eq!(sent.status / 100, 2);
    page.until_text("[data-test=\"over-alarm\"]", "that it is live", |text| {
        text.to_lowercase().contains("live, on the car now") && text.contains("Oil pressure lost")
    })
    .await;
    says_replay(&page).await;
    if let Ok(folder) = std::env::var("SHOTS") {
        page.until_still().await?;
        std::fs::write(format!("{folder}/replay-live.png"), page.picture().await?)?;
    }
    let chief = spinover_tests::phone::Phone::join(&hub, CHIEF_CODE, "Wren", "chief").await;
    chief
        .done(spinover_protocol::message::Command::AcknowledgeAlarm {
            alarm: "oil_lost".into(),
        })
        .await;
    page.until_hides("[data-test=\"over-alarm\"]").await;
    Ok(())
}
