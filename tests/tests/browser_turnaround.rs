//! Between rounds in a real browser: the chief begins it, owners hold their keys, and all three phones show the same board.

use anyhow::Result;
use spinover_tests::{
    app::join,
    browser::{Browser, PHONE, Page},
    hub::{CHIEF_CODE, CREW_CODE, Hub, Launch},
};
use std::time::Duration;

/// Longer than a mark is held.
const HOLD: Duration = Duration::from_millis(1_100);

async fn board(browser: &Browser, hub: &Hub, code: &str, name: &str, role: &str) -> Result<Page> {
    let page = browser.page(name, PHONE).await;
    join(&page, &hub.url(), code, role, name).await?;
    page.script("location.hash = '#/turnaround'").await?;
    page.until_shows("[data-test=\"turnaround\"]").await;
    Ok(page)
}

async fn hold(page: &Page, test: &str) -> Result<()> {
    page.press(test, HOLD).await
}

fn state(task: &str, state: &str) -> String {
    format!("[data-test=\"task-{task}\"][data-state=\"{state}\"]")
}

#[tokio::test(flavor = "multi_thread")]
async fn three_phones_run_the_time_between_rounds() -> Result<()> {
    let hub = Launch::demo().start();
    let browser = Browser::start();
    let chief = board(&browser, &hub, CHIEF_CODE, "Wren", "chief").await?;
    let helper = board(&browser, &hub, CREW_CODE, "Ash", "helper").await?;
    let idle = board(&browser, &hub, CREW_CODE, "Moss", "idle").await?;
    assert!(!helper.shows("[data-test=\"turn-begin\"]").await);
    chief.fill("turn-lanes-in", "80").await?;
    hold(&chief, "turn-begin").await?;
    for page in [&chief, &helper, &idle] {
        page.until_shows("[data-test=\"turn-chance\"]").await;
        page.until_shows(&state("made_safe", "ready")).await;
        page.until_shows(&state("heads_off", "waiting")).await;
    }
    // Only whoever has the task has its keys, and the chief.
    assert!(!idle.shows("[data-test=\"task-start-made_safe\"]").await);
    hold(&helper, "task-start-made_safe").await?;
    chief.until_shows(&state("made_safe", "running")).await;
    hold(&chief, "task-done-made_safe").await?;
    hold(&helper, "task-start-body_up").await?;
    hold(&helper, "task-done-body_up").await?;
    for page in [&chief, &helper, &idle] {
        page.until_shows(&state("heads_off", "ready")).await;
        page.until_shows(&state("body_up", "done")).await;
    }
    hold(&idle, "task-start-heads_off").await?;
    helper.until_shows(&state("heads_off", "running")).await;
    // Taken back, it can start again.
    hold(&idle, "task-undo-heads_off").await?;
    helper.until_shows(&state("heads_off", "ready")).await;
    // The officials call early: everything that is left is late.
    chief.fill("turn-lanes-in", "20").await?;
    hold(&chief, "turn-lanes-set").await?;
    for page in [&chief, &helper, &idle] {
        page.until_shows("[data-test=\"task-heads_off\"][data-late=\"yes\"]")
            .await;
    }
    hold(&chief, "turn-close").await?;
    helper.until_hides("[data-test=\"turn-head\"]").await;
    for page in [&chief, &helper, &idle] {
        assert_eq!(page.complaints().await?, Vec::<String>::new());
    }
    Ok(())
}
