//! Between rounds in a real browser: the chief begins it, owners hold their keys, and all three phones show the same board.

use anyhow::Result;
use spinover_protocol::message::Command;
use spinover_tests::{
    app::join,
    browser::{Browser, PHONE, Page},
    hub::{CHIEF_CODE, CREW_CODE, Hub, Launch},
    phone::Phone,
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

/// Taps what may lie under the keys at the bottom until it is scrolled to.
async fn tap(page: &Page, test: &str) -> Result<()> {
    page.find(test).await;
    let here = format!(
        "document.querySelector('[data-test=\"{test}\"]').scrollIntoView({{ block: 'center' }})"
    );
    page.script(&here).await?;
    page.tap(test).await
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

/// Every element of these that has no place on the page, or that something above it cuts off.
const CUT_OFF: &str = "const cut = [];
for (const task of document.querySelectorAll('[data-test^=\"task-\"][data-state]')) {
  const box = task.getBoundingClientRect();
  let seen = box.height > 10 && box.width > 100 && getComputedStyle(task).visibility === 'visible';
  for (let above = task.parentElement; above && above !== document.documentElement; above = above.parentElement) {
    const its = above.getBoundingClientRect(), way = getComputedStyle(above).overflowY;
    if (way !== 'visible' && (box.bottom > its.bottom + 1 || box.top < its.top - 1)) seen = false;
  }
  if (!seen) cut.push(task.dataset.test);
}
return cut";

#[tokio::test(flavor = "multi_thread")]
async fn the_air_the_counters_and_what_is_late_stand_on_the_board_and_paper_has_every_task()
-> Result<()> {
    let data = tempfile::tempdir()?;
    let files = data.path().join("files");
    std::fs::create_dir_all(&files)?;
    let season = "[[counter]]\nkey = \"rods\"\nlabel = \"Rods\"\ncounts = \"tasks\"\ntask = \"made_safe\"\nlimit = 1\nwarn_at = 1\n";
    std::fs::write(files.join("season.toml"), season)?;
    let hub = Launch::demo().start_in(data.path());
    let browser = Browser::start();
    let chief = board(&browser, &hub, CHIEF_CODE, "Wren", "chief").await?;
    let helper = board(&browser, &hub, CREW_CODE, "Ash", "helper").await?;
    helper
        .until_shows("[data-test=\"season-rods\"][data-due=\"fine\"]")
        .await;
    assert!(!helper.shows("[data-test=\"season-change-rods\"]").await);
    chief.fill("turn-lanes-in", "80").await?;
    hold(&chief, "turn-begin").await?;
    helper.until_shows("[data-test=\"turn-chance\"]").await;
    assert!(!helper.shows("[data-test=\"air-then\"]").await);
    let phone = Phone::join(&hub, CREW_CODE, "Moss", "idle").await;
    let air = spinover_protocol::today::Conditions {
        temp_c: 24.0,
        pressure_hpa: 975.0,
        rh_pct: 50.0,
        place: None,
    };
    phone.done(Command::SetConditions(air)).await;
    for page in [&chief, &helper] {
        page.until_shows("[data-test=\"air-altitude\"]").await;
        page.until_shows("[data-test=\"air-flow\"]").await;
    }
    // The flow is offered to be called; pressed, everyone has the call.
    tap(&chief, "air-flow-call").await?;
    phone
        .until("the call", |seen| {
            let warmup = seen.mirror().record.warmup.as_ref();
            warmup.is_some_and(|warmup| {
                warmup
                    .calls
                    .iter()
                    .any(|call| call.said.text.starts_with("Flow "))
            })
        })
        .await;
    // It is the helper's as well; it comes in above the board, and a key that moves under a finger is not held.
    helper.tap("seen").await?;
    helper.until_hides("[data-test=\"incoming\"]").await;

    hold(&helper, "task-start-made_safe").await?;
    hold(&helper, "task-done-made_safe").await?;
    for page in [&chief, &helper] {
        page.until_shows("[data-test=\"season-due-rods\"][data-due=\"due\"]")
            .await;
    }
    let open = "document.querySelector('[data-test=\"season-open-rods\"]').open = true";
    chief.script(open).await?;
    chief.fill("season-remark-rods", "Set B in").await?;
    hold(&chief, "season-change-rods").await?;
    helper.until_hides("[data-test=\"season-due\"]").await;
    helper
        .until_shows("[data-test=\"season-before-rods\"]")
        .await;
    hold(&chief, "season-undo-rods").await?;
    helper.until_shows("[data-test=\"season-due-rods\"]").await;

    // The officials call early: the helper's next task is late, and the helper says seen, wherever they look.
    chief.fill("turn-lanes-in", "20").await?;
    hold(&chief, "turn-lanes-set").await?;
    chief.until_shows("[data-test=\"late-chance\"]").await;
    helper.script("location.hash = '#/crew'").await?;
    tap(&helper, "late-seen-body_up").await?;
    helper.until_hides("[data-test=\"late-body_up\"]").await;
    chief.until_hides("[data-test=\"late-body_up\"]").await;

    // On paper nothing is left out, and it says no keys.
    let wanted = chief
        .script("return document.querySelectorAll('[data-test^=\"task-\"][data-state]').length")
        .await?;
    assert_eq!(wanted, tasks_of_the_plan());
    chief.as_on_paper(true).await?;
    assert_eq!(chief.script(CUT_OFF).await?, serde_json::json!([]));
    assert!(!chief.shows("[data-test=\"task-start-body_up\"]").await);
    let printed = chief.printed().await?;
    chief.as_on_paper(false).await?;
    assert!(printed.starts_with(b"%PDF-"), "{} bytes", printed.len());
    let pages = printed
        .windows(11)
        .filter(|part| part == b"/Type /Page")
        .count();
    assert!(
        pages >= 2,
        "{pages} objects of pages: a board of that many tasks is more than a page"
    );
    if let Some(to) = std::env::var_os("SPINOVER_KEEP_PRINT") {
        std::fs::write(to, &printed)?;
    }
    for page in [&chief, &helper] {
        assert_eq!(page.complaints().await?, Vec::<String>::new());
    }
    Ok(())
}

/// How many tasks the demo's plan has.
fn tasks_of_the_plan() -> usize {
    let plan = include_str!("../../hub/demo/between-rounds.toml");
    plan.lines().filter(|line| *line == "[[task]]").count()
}
