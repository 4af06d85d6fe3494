//! The book in a real browser: real recordings taken in, found, written about, compared, deleted and restored.

use anyhow::{Context, Result};
use spinover_tests::{
    browser::{Browser, PHONE, TABLET},
    cold_start::{hub_with_cold_start, import, join},
    data, eventually, http,
    hub::{CHIEF_CODE, CREW_CODE, Launch, run},
};
use std::time::Duration;

/// Longer than any key has to be held.
const HOLD: Duration = Duration::from_millis(1_300);

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
