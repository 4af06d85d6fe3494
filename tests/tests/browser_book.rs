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
