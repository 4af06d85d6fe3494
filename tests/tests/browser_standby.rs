//! The app in a real browser when the first laptop dies: the page stays, the socket moves, the chief lets the second one take over.

use anyhow::Result;
use spinover_protocol::message::Command;
use spinover_tests::{
    browser::{Browser, PHONE},
    data, eventually, http,
    hub::{CHIEF_CODE, CREW_CODE, Hub, Launch},
    phone::Phone,
};
use std::time::Duration;

/// Long enough for every key that has to be held.
const HOLD: Duration = Duration::from_millis(1_300);
const LIVE: &str = "[data-test=\"link-state\"][data-link=\"live\"]";

async fn follows(first: &Hub) {
    eventually("the second laptop to follow", async || {
        let answer = http::get(&first.address(), "/healthz", None).await.ok()?;
        answer.text().contains("follows, 0 events").then_some(())
    })
    .await;
}

#[tokio::test(flavor = "multi_thread")]
async fn the_page_stays_and_goes_on_at_the_second_laptop() -> Result<()> {
    let mut first = Launch::serve(&data::own("car.toml"), &data::own("sheet.toml")).start();
    let second = Launch::standby(&first.url()).start();
    follows(&first).await;
    let browser = Browser::start();
    let page = browser.page("Wren", PHONE).await;
    page.goto(&format!("{}/#{CHIEF_CODE}/chief/Wren", first.url()))
        .await?;
    page.tap("caution-ok").await?;
    page.until_shows(LIVE).await;
    page.script("location.hash = '#/chief'").await?;
    page.until_shows("[data-test=\"second-laptop\"][data-second=\"follows\"][data-behind=\"0\"]")
        .await;
    page.until_shows("[data-test=\"hand-over\"]").await;
    let crew = Phone::join(&first, CREW_CODE, "Ash", "idle").await;
    crew.done(Command::Note {
        text: "at the first".to_owned(),
    })
    .await;

    first.kill();
    page.until_shows("[data-test=\"on-standby\"]").await;
    page.until_shows("[data-test=\"take-over\"]").await;
    page.press("take-over", HOLD).await?;
    page.until_hides("[data-test=\"on-standby\"]").await;
    page.until_shows(LIVE).await;
    crew.done(Command::Note {
        text: "at the second".to_owned(),
    })
    .await;
    // The address is still the first laptop's; a mark on the page is the second one's event.
    let at = page.script("return location.origin").await?;
    assert_eq!(at.as_str(), Some(first.url().as_str()));
    page.press("mark-hold", HOLD).await?;
    crew.until("the mark", |seen| {
        let warmup = seen.mirror().record.warmup.as_ref();
        warmup.is_some_and(|warmup| !warmup.order.is_empty())
    })
    .await;
    // The book comes from the second one too, though the page is the first one's.
    page.script("location.hash = '#/book'").await?;
    page.until_shows("[data-test^=\"warmup-2\"]").await;
    assert!(
        second.stderr().contains("takes over"),
        "{}",
        second.stderr()
    );
    Ok(())
}
