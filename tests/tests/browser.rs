//! Two pages in a real browser against the real hub: what the chief does shows on the crew's page, and a dead hub is no mystery.

use anyhow::Result;
use serde_json::json;
use spinover_protocol::{link::Answer, message::Command};
use spinover_tests::{
    app::{self, LIVE, LOST, fits, go},
    browser::{Browser, PHONE, Page, TABLET},
    data,
    hub::{CHIEF_CODE, CREW_CODE, Hub, Launch},
    phone::Phone,
};
use std::time::{Duration, SystemTime, UNIX_EPOCH};

/// Long enough for every key that has to be held: the longest asks for a second.
const HOLD: Duration = Duration::from_millis(1_300);
/// As a sleeve brushes by: far less than the shortest hold, which is half a second.
const BRUSH: Duration = Duration::from_millis(120);
/// What the crew is promised: so long after the hub's end every page says that the link is lost.
const LOST_WITHIN_MS: f64 = 2_500.0;

const TAKEOVER: &str = "[data-test=\"stop-takeover\"]";

/// Opens the app as somebody would who scanned the code, and reads the cautions.
async fn join(browser: &Browser, hub: &Hub, code: &str, role: &str, name: &str) -> Result<Page> {
    let page = browser
        .page(name, if role == "chief" { TABLET } else { PHONE })
        .await;
    app::join(&page, &hub.url(), code, role, name).await?;
    Ok(page)
}

fn current(step: &str) -> String {
    format!("[data-test=\"step-current\"][data-step=\"{step}\"]")
}

fn own_hub() -> Hub {
    Launch::serve(&data::own("car.toml"), &data::own("sheet.toml")).start()
}

#[tokio::test(flavor = "multi_thread")]
async fn a_fault_in_the_app_covers_its_numbers_until_it_is_loaded_anew() -> Result<()> {
    let hub = own_hub();
    let browser = Browser::start();
    let crew = join(&browser, &hub, CREW_CODE, "idle", "Ash").await?;
    crew.until_shows(LIVE).await;
    // A script's own mistakes, such as those of a browser's extensions, are not the app's.
    crew.script("setTimeout(() => { throw new TypeError(\"another's\") })")
        .await?;
    // As a panic does: WebAssembly's `unreachable`, met in what the browser calls.
    crew.script(
        "const bytes = new Uint8Array([0, 97, 115, 109, 1, 0, 0, 0, 1, 4, 1, 96, 0, 0, 3, 2, 1, 0, 7, 5, 1, 1, 102, 0, 0, 10, 5, 1, 3, 0, 0, 11]);
         const { f } = new WebAssembly.Instance(new WebAssembly.Module(bytes)).exports;
         window.covered = document.querySelectorAll('.stopped').length;
         setTimeout(f)",
    )
    .await?;
    crew.until_shows(".stopped").await;
    assert_eq!(crew.script("return window.covered").await?, json!(0));
    crew.script("document.querySelector('.stopped > .key').click()")
        .await?;
    crew.until_hides(".stopped").await;
    crew.until_shows(LIVE).await;
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn a_step_held_on_the_chiefs_page_shows_on_the_crews() -> Result<()> {
    let hub = own_hub();
    let browser = Browser::start();
    let chief = join(&browser, &hub, CHIEF_CODE, "chief", "Wren").await?;
    let crew = join(&browser, &hub, CREW_CODE, "idle", "Ash").await?;
    let witness = Phone::join(&hub, CREW_CODE, "Witness", "fuel").await;
    go(&chief, "chief").await?;
    crew.until_shows(&current("area_clear")).await;
    assert!(
        !crew.shows("[data-test=\"mark-hold\"]").await,
        "the crew has no key to mark with"
    );

    chief.press("mark-hold", BRUSH).await?;
    // Whatever the brush had sent would have come before this.
    witness
        .done(Command::Note {
            text: "in between".to_owned(),
        })
        .await;
    assert!(
        witness.look(|seen| seen
            .mirror()
            .record
            .warmup
            .as_ref()
            .is_some_and(|warmup| warmup.steps.is_empty())),
        "a brush marks nothing"
    );
    chief.press("mark-hold", HOLD).await?;
    crew.until_shows(&current("oil_up")).await;
    chief.until_shows(&current("oil_up")).await;

    // The gate is shut until somebody reads the gauge; the value stands on both pages.
    chief.press("mark-hold", HOLD).await?;
    witness
        .done(Command::TypeReading {
            channel: "oil_pressure".into(),
            value: 71.0,
        })
        .await;
    go(&crew, "all").await?;
    crew.until_shows(
        "[data-test=\"strip-oil_pressure\"][data-value=\"71\"][data-quality=\"good\"]",
    )
    .await;
    chief
        .until_shows("[data-test=\"waits\"] [data-met=\"yes\"]")
        .await;
    assert!(
        crew.shows(&current("oil_up")).await,
        "holding the key against a shut gate marks nothing"
    );
    chief.press("mark-hold", HOLD).await?;
    crew.until_shows(&current("warm")).await;
    assert_eq!(
        witness.look(|seen| seen
            .mirror()
            .record
            .warmup
            .as_ref()
            .map_or(0, |warmup| warmup.order.len())),
        2
    );
    for page in [&chief, &crew] {
        assert_eq!(page.complaints().await?, Vec::<String>::new());
    }
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn a_stop_takes_over_and_seen_comes_back() -> Result<()> {
    let hub = own_hub();
    let browser = Browser::start();
    let chief = join(&browser, &hub, CHIEF_CODE, "chief", "Wren").await?;
    let crew = join(&browser, &hub, CREW_CODE, "idle", "Ash").await?;
    go(&chief, "chief").await?;
    assert!(!crew.shows(TAKEOVER).await);

    chief.press("stop-hold", HOLD).await?;
    crew.until_shows(TAKEOVER).await;
    crew.until_text(TAKEOVER, "who called", |text| text.contains("Wren"))
        .await;
    // It covers the page: in the middle of the screen and at its edges there is nothing but the stop.
    let covered = "const box = document.querySelector('[data-test=\"stop-takeover\"]').getBoundingClientRect();
        return box.left <= 0 && box.top <= 0 && box.right >= innerWidth && box.bottom >= innerHeight
            && [0.05, 0.5, 0.95].every((part) => document.elementFromPoint(innerWidth * part, innerHeight * part).closest('[data-test=\"stop-takeover\"]'))";
    assert_eq!(crew.script(covered).await?, json!(true));
    chief
        .until_text(
            "[data-test=\"not-seen-by\"]",
            "who has not seen it",
            |text| text.contains("Ash"),
        )
        .await;

    crew.tap("seen").await?;
    crew.until_hides(TAKEOVER).await;
    chief
        .until_text("[data-test=\"seen-by\"]", "who has seen it", |text| {
            text.contains("Ash")
        })
        .await;
    crew.until_shows("[data-test=\"stop-bar\"]").await;
    for page in [&chief, &crew] {
        assert_eq!(page.complaints().await?, Vec::<String>::new());
    }
    Ok(())
}

/// Notes on the page itself when its header first says that the link is lost, by the machine's clock.
const WATCH: &str = "window.lostAt = null;
    new MutationObserver(() => {
        if (window.lostAt === null && document.querySelector('[data-link=\"lost\"]')) window.lostAt = Date.now();
    }).observe(document.body, { subtree: true, childList: true, attributes: true });";

#[tokio::test(flavor = "multi_thread")]
async fn a_dead_hub_shows_at_once_and_nothing_is_lost_or_doubled() -> Result<()> {
    let mut hub = Launch::demo().start();
    let browser = Browser::start();
    let chief = join(&browser, &hub, CHIEF_CODE, "chief", "Wren").await?;
    let crew = join(&browser, &hub, CREW_CODE, "idle", "Ash").await?;
    go(&chief, "chief").await?;
    for next in ["fire_bottle", "suits_on"] {
        chief.press("mark-hold", HOLD).await?;
        crew.until_shows(&current(next)).await;
    }
    crew.until_shows("[data-test=\"strip-engine_rpm\"][data-quality=\"good\"]")
        .await;

    for page in [&chief, &crew] {
        page.script(WATCH).await?;
    }
    let killed_at = SystemTime::now().duration_since(UNIX_EPOCH)?.as_secs_f64() * 1000.0;
    hub.kill();
    for page in [&chief, &crew] {
        page.until_shows(LOST).await;
        let lost_at = page
            .script("return window.lostAt")
            .await?
            .as_f64()
            .expect("the page noted it");
        assert!(
            lost_at - killed_at <= LOST_WITHIN_MS,
            "{} ms",
            lost_at - killed_at
        );
        eprintln!(
            "the page said so {:.0} ms after the hub's end",
            lost_at - killed_at
        );
        // It counts up, and no reading looks live.
        let first = page
            .until_text("[data-test=\"lost-for\"]", "how long", |text| {
                !text.is_empty()
            })
            .await;
        page.until_text("[data-test=\"lost-for\"]", "a longer time", |text| {
            text != first
        })
        .await;
        page.until_hides("[data-test=\"strip-engine_rpm\"][data-quality=\"good\"]")
            .await;
    }
    // What the chief wants meanwhile: the stop must not be lost, and go out once.
    chief.press("stop-hold", HOLD).await?;
    chief.until_shows("[data-test=\"unwritten\"]").await;

    hub.start_again();
    for page in [&chief, &crew] {
        page.until_shows(LIVE).await;
        page.until_shows(&current("suits_on")).await;
    }
    crew.until_shows(TAKEOVER).await;
    chief.until_hides("[data-test=\"unwritten\"]").await;
    crew.tap("seen").await?;
    crew.until_hides(TAKEOVER).await;
    crew.until_shows("[data-test=\"strip-engine_rpm\"][data-quality=\"good\"]")
        .await;

    // Both pages, and a phone that comes fresh, have the same: two marks, one stop, and the next step can be marked.
    let witness = Phone::join(&hub, CREW_CODE, "Witness", "fuel").await;
    let (marks, calls) = witness.look(|seen| {
        let warmup = seen
            .mirror()
            .record
            .warmup
            .clone()
            .expect("the warm-up goes on");
        (warmup.order, warmup.calls.len())
    });
    assert_eq!(marks, ["area_clear".into(), "fire_bottle".into()]);
    assert_eq!(calls, 1);
    go(&crew, "steps").await?;
    go(&chief, "steps").await?;
    for page in [&chief, &crew] {
        let done = page.script("return [...document.querySelectorAll('[data-state=\"done\"]')].map((step) => step.dataset.test)").await?;
        assert_eq!(done, json!(["step-area_clear", "step-fire_bottle"]));
    }
    go(&chief, "chief").await?;
    chief.press("mark-hold", HOLD).await?;
    witness
        .until("the next mark", |seen| {
            seen.mirror()
                .record
                .warmup
                .as_ref()
                .is_some_and(|warmup| warmup.order.len() == 3)
        })
        .await;
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn an_old_number_never_looks_live() -> Result<()> {
    let mut hub = Launch::serve(&data::own("car.toml"), &data::own("sheet.toml"))
        .source("lines:stdin")
        .with_stdin()
        .start();
    let mut lines = hub.stdin();
    let browser = Browser::start();
    let crew = join(&browser, &hub, CREW_CODE, "idle", "Ash").await?;
    let strip =
        |quality: &str| format!("[data-test=\"strip-engine_rpm\"][data-quality=\"{quality}\"]");
    crew.until_shows(&strip("none")).await;
    std::io::Write::write_all(&mut lines, b"{\"engine_rpm\": 2400}\n")?;
    crew.until_shows(&format!("{}[data-value=\"2400\"]", strip("good")))
        .await;
    // Nothing refreshes it. It is struck through, and its age is said and grows.
    crew.until_shows(&strip("old")).await;
    let struck = "return getComputedStyle(document.querySelector('[data-test=\"strip-engine_rpm\"] .digits')).textDecorationLine";
    assert_eq!(crew.script(struck).await?, json!("line-through"));
    let word = format!("{} .word", strip("old"));
    let first = crew
        .until_text(&word, "an age", |text| {
            text.chars().any(|c| c.is_ascii_digit())
        })
        .await;
    crew.until_text(&word, "a greater age", |text| text != first)
        .await;
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn a_wrong_code_is_told_and_a_right_one_lets_in() -> Result<()> {
    let hub = own_hub();
    let browser = Browser::start();
    let page = browser.page("newcomer", PHONE).await;
    page.goto(&hub.url()).await?;
    page.fill("join-name", "Rowan").await?;
    page.fill("join-code", "no-such-code").await?;
    page.tap("join-go").await?;
    page.until_shows("[data-test=\"join-wrong\"]").await;
    assert!(!page.shows("[data-test^=\"strip-\"]").await);
    page.fill("join-code", CREW_CODE).await?;
    page.tap("join-go").await?;
    page.tap("role-fuel").await?;
    page.tap("caution-ok").await?;
    page.until_shows("[data-test=\"strip-oil_pressure\"]").await;
    let chief = Phone::join(&hub, CHIEF_CODE, "Wren", "chief").await;
    chief
        .until("the newcomer", |seen| {
            seen.mirror().people.iter().any(|person| {
                person.here && person.who.name == "Rowan" && person.who.role.as_str() == "fuel"
            })
        })
        .await;

    // A call from the socket shows on the page, and the page's word for it comes back.
    let id = chief.want(Command::Call {
        to: spinover_protocol::event::Audience::Role("fuel".into()),
        text: "flow check".to_owned(),
    });
    let Answer::Done(call) = chief.answer(&id).await else {
        panic!("refused")
    };
    page.until_text("[data-test=\"incoming-text\"]", "the call", |text| {
        text.contains("flow check")
    })
    .await;
    page.tap("seen").await?;
    chief
        .until("seen", |seen| {
            seen.mirror()
                .record
                .warmup
                .as_ref()
                .and_then(|warmup| warmup.call(call))
                .is_some_and(|call| call.seen.len() == 1)
        })
        .await;
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn every_page_opens_and_asks_for_nothing_from_elsewhere() -> Result<()> {
    let hub = Launch::demo().arg("--auto").start();
    let browser = Browser::start();
    let chief = join(&browser, &hub, CHIEF_CODE, "chief", "Wren").await?;
    for page in ["crew", "all", "steps", "chief", "laptop", "wall"] {
        go(&chief, page).await?;
        // Nothing sticks out at the side: a page that scrolls sideways hides what the crew needs.
        fits(&chief, page).await?;
    }
    let asked = chief
        .script("return performance.getEntriesByType('resource').map((entry) => entry.name)")
        .await?;
    let asked: Vec<&str> = asked
        .as_array()
        .expect("a list")
        .iter()
        .filter_map(|name| name.as_str())
        .collect();
    assert!(
        asked.iter().any(|name| name.ends_with(".wasm")),
        "{asked:?}"
    );
    assert!(
        asked.iter().all(|name| name.starts_with(&hub.url())),
        "{asked:?}"
    );
    assert_eq!(chief.complaints().await?, Vec::<String>::new());
    Ok(())
}
