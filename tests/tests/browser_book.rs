//! The book in a real browser: real recordings taken in, found, played back, compared, deleted and restored. What a replay shows is
//! held against the recording's file, read here by itself.

use anyhow::{Context, Result};
use spinover_tests::{
    browser::{Browser, PHONE, Page, Size, TABLET},
    data, eventually, http,
    hub::{CHIEF_CODE, CREW_CODE, Hub, Launch, run},
    recording::{Column, Recording, Times},
};
use std::{path::Path, time::Duration};

/// Longer than any key has to be held.
const HOLD: Duration = Duration::from_millis(1_300);
const LIVE: &str = "[data-test=\"link-state\"][data-link=\"live\"]";
/// 2026-05-16T14:00:00Z in milliseconds since 1970.
const BEGUN: i64 = 1_778_940_000_000;

const COLUMNS: [Column; 5] = [
    Column::new("engine_rpm", "RPM;***", "rpm"),
    Column::new("fuel_flow", "FLOW;LPH", "L/h"),
    Column::new("fuel_pressure", "FUEL P;PSI", "psi"),
    Column::new("oil_pressure", "OIL P;PSI", "psi"),
    Column::new("oil_temp", "OIL T;*F", "degF"),
];

/// Takes a recording into a hub's book while the hub is not running, as somebody in the trailer would.
fn import(hub: &Hub, file: &Path, car: &Path, id: &str, more: &[&str]) {
    let text = |path: &Path| path.to_str().expect("a plain path").to_owned();
    let (file, car, folder) = (text(file), text(car), text(hub.data()));
    let mut args = vec![
        "book", "import", &file, "--car", &car, "--data", &folder, "--id", id,
    ];
    args.extend(more);
    let done = run(&args);
    assert_eq!(
        done.status.code(),
        Some(0),
        "{}",
        String::from_utf8_lossy(&done.stderr)
    );
}

/// A hub whose book has the real cold start, as `cold`, and the recording as its file says it.
fn hub_with_cold_start() -> (Hub, Recording) {
    let file = data::ground_run();
    let recording = Recording::read(&file, "TIME", Times::Clock, &COLUMNS);
    let folder = tempfile::tempdir().expect("room for a car file");
    let car = folder.path().join("car.toml");
    std::fs::write(&car, recording.car(Times::Clock, &COLUMNS)).expect("room for a car file");
    let mut hub = Launch::serve(&data::own("car.toml"), &data::own("sheet.toml")).start();
    hub.kill();
    let remarks = [
        "--begun",
        "2026-05-16T14:00:00Z",
        "--place",
        "Test bench",
        "--tag",
        "cold start",
    ];
    import(&hub, &file, &car, "cold", &remarks);
    hub.start_again();
    (hub, recording)
}

async fn join(browser: &Browser, hub: &Hub, code: &str, role: &str, size: Size) -> Result<Page> {
    let page = browser.page(role, size).await;
    page.goto(&format!("{}/#{code}/{role}/Ash", hub.url()))
        .await?;
    page.tap("caution-ok").await?;
    page.until_shows(LIVE).await;
    page.script("location.hash = '#/book'").await?;
    page.until_shows("[data-test=\"book\"]").await;
    Ok(page)
}

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

#[tokio::test(flavor = "multi_thread")]
async fn what_is_known_is_written_down_and_the_chief_deletes_and_restores() -> Result<()> {
    let (hub, _) = hub_with_cold_start();
    let browser = Browser::start();
    let crew = join(&browser, &hub, CREW_CODE, "idle", PHONE).await?;
    crew.tap("warmup-cold").await?;
    crew.fill("warmup-tags", "wet track, left bank").await?;
    crew.fill("warmup-note", "Plug 6 wiped").await?;
    crew.tap("warmup-save").await?;
    let listed = async |deleted: bool| {
        let folder = hub.data().to_str().expect("a plain path");
        let mut args = vec!["book", "list", "--json", "--data", folder];
        if deleted {
            args.push("--deleted");
        }
        String::from_utf8_lossy(&run(&args).stdout).into_owned()
    };
    let list = eventually("the tags in the book", async || {
        Some(listed(false).await).filter(|list| list.contains("left bank"))
    })
    .await;
    let entry: serde_json::Value = list
        .lines()
        .filter_map(|line| serde_json::from_str::<serde_json::Value>(line).ok())
        .find(|entry| entry["id"] == "cold")
        .context("the warm-up")?;
    assert_eq!(entry["tags"], serde_json::json!(["wet track", "left bank"]));
    assert_eq!(
        (&entry["note"], &entry["place"]),
        (&"Plug 6 wiped".into(), &"Test bench".into())
    );
    assert!(
        !crew.shows("[data-test=\"warmup-delete\"]").await,
        "the crew has no key to delete with"
    );
    let path = "/api/book/warmup/cold/delete";
    let by = br#"{"by":"Ash"}"#;
    let post = async |code| http::post(&hub.address(), path, code, by).await;
    assert_eq!(post(Some(CREW_CODE)).await?.status, 403);
    assert_eq!(post(None).await?.status, 401);

    let chief = join(&browser, &hub, CHIEF_CODE, "chief", TABLET).await?;
    chief.tap("warmup-cold").await?;
    chief.press("warmup-delete", HOLD).await?;
    chief.until_hides("[data-test=\"warmup-cold\"]").await;
    assert!(listed(true).await.contains("\"cold\""));
    chief.tap("book-deleted").await?;
    chief.tap("warmup-cold").await?;
    chief
        .until_text("[data-test=\"warmup-deleted\"]", "who deleted it", |text| {
            text.contains("Ash")
        })
        .await;
    chief.press("warmup-restore", HOLD).await?;
    chief.tap("book-kept").await?;
    chief.until_shows("[data-test=\"warmup-cold\"]").await;
    assert!(!listed(true).await.contains("\"cold\""));
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn report_and_exports_open_with_a_ticket_and_not_without() -> Result<()> {
    let (hub, recording) = hub_with_cold_start();
    let browser = Browser::start();
    let page = join(&browser, &hub, CREW_CODE, "idle", PHONE).await?;
    page.tap("warmup-cold").await?;
    page.until_shows("[data-test=\"report-open\"][href]").await;
    let link = page
        .script("return document.querySelector('[data-test=\"report-open\"]').getAttribute('href')")
        .await?;
    let link = link.as_str().context("a link")?.to_owned();
    assert!(!link.contains(CREW_CODE), "the code is in no address");
    let (_, ticket) = link.split_once("?ticket=").context("a ticket")?;
    let get = async |path: String| http::get(&hub.address(), &path, None).await;
    let csv = get(format!("/book/cold.csv?ticket={ticket}")).await?;
    assert_eq!(csv.status, 200);
    assert_eq!(
        csv.header("content-disposition"),
        Some("attachment; filename=\"cold.csv\"")
    );
    assert_eq!(csv.text().lines().count(), recording.rows.len() + 1);
    for (path, status) in [
        ("/book/cold.csv".to_owned(), 401),
        ("/book/cold?ticket=made-up".to_owned(), 401),
        (format!("/api/book?ticket={ticket}"), 401),
        (format!("/book/none?ticket={ticket}"), 404),
        (format!("/book/none.csv?ticket={ticket}"), 404),
    ] {
        assert_eq!(get(path.clone()).await?.status, status, "{path}");
    }
    page.goto(&format!("{}{link}", hub.url())).await?;
    page.find_css("figure svg").await;
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn drives_from_cold_are_compared() -> Result<()> {
    let files = data::recordings("kit-obd", "comparing drives from cold");
    if files.len() < 6 {
        return Ok(());
    }
    let car = data::root().join("hub/tests/data/cars/kit-obd.toml");
    let mut hub = Launch::serve(&data::own("car.toml"), &data::own("sheet.toml")).start();
    hub.kill();
    for (number, file) in files.iter().take(6).enumerate() {
        let begun = format!("2026-05-1{number}T14:00:00Z");
        import(
            &hub,
            file,
            &car,
            &format!("drive-{number}"),
            &["--begun", &begun],
        );
    }
    hub.start_again();
    let browser = Browser::start();
    let page = join(&browser, &hub, CREW_CODE, "idle", TABLET).await?;
    page.tap("warmup-drive-5").await?;
    page.until_shows("[data-test=\"compare-open\"][href]").await;
    let link = page.script("return document.querySelector('[data-test=\"compare-with-drive-1\"]').getAttribute('href')").await?;
    let link = link.as_str().context("a link")?.to_owned();
    assert!(link.contains("with=drive-1"), "{link}");
    page.goto(&format!("{}{link}", hub.url())).await?;
    page.until_text("header", "how many it is against", |text| {
        text.contains("Against 1 earlier warm-up;")
    })
    .await;
    let others: Vec<String> = (0..5).map(|number| format!("drive-{number}")).collect();
    page.goto(&format!(
        "{}{}",
        hub.url(),
        link.replace("with=drive-1", &format!("with={}", others.join(",")))
    ))
    .await?;
    page.until_text("header", "how many it is against", |text| {
        text.contains("Against 5 earlier warm-ups;")
    })
    .await;
    page.find_css("figure svg path.trace").await;
    Ok(())
}
