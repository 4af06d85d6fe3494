//! Accessibility, by axe-core (the npm package of that name, at the version that set-up pins): every page and sheet, by day and by night.

use anyhow::{Context, Result};
use serde_json::Value;
use spinover_protocol::{event::Audience, message::Command};
use spinover_tests::{
    app::{LIVE, LOST},
    browser::{Browser, PHONE, Page, TABLET},
    data,
    hub::{CHIEF_CODE, CREW_CODE, Hub, Launch},
    phone::Phone,
};
use std::io::Write;

/// Every place of the app that an address leads to.
const PLACES: [&str; 23] = [
    "crew",
    "all",
    "steps",
    "chief",
    "figures",
    "book",
    "laptop",
    "edit",
    "wall",
    "crew/call",
    "crew/menu",
    "crew/type",
    "crew/train",
    "crew/cautions",
    "crew/roles",
    "chief/more",
    "chief/bands",
    "chief/calibrate",
    "chief/alarms",
    "chief/shortcuts",
    "chief/skip/area_clear",
    "crew/trend/oil_pressure",
    "crew/trend/engine_rpm",
];

/// The checker's source; where set-up could not bring it, one line says what is skipped.
fn axe() -> Option<String> {
    let place = data::root().join("target/tools/node_modules/axe-core/axe.min.js");
    let source = std::fs::read_to_string(&place).ok();
    if source.is_none() {
        let _ = writeln!(
            std::io::stderr(),
            "skipped: accessibility by axe-core (`cargo xtask setup` brings it where there is npm)"
        );
    }
    source
}

/// What it finds on the page as it is, one line each; an empty page is not let pass as a good one.
async fn violations(page: &Page, what: &str) -> Result<Vec<String>> {
    page.until_still().await?;
    let run = "const done = arguments[0];
        axe.run(document).then((found) => done({ passes: found.passes.length, wrong: found.violations.flatMap((rule) =>
            rule.nodes.map((node) => rule.id + ': ' + node.html.slice(0, 160) + ' | ' + node.failureSummary)) }),
            (error) => done({ passes: 0, wrong: [String(error)] }))";
    let found = page.script_async(run).await?;
    let passes = found["passes"].as_u64().unwrap_or(0);
    anyhow::ensure!(
        passes > 5,
        "{what}: only {passes} rules had anything to look at"
    );
    let wrong = found["wrong"].as_array().context("a list")?;
    let line = |wrong: &Value| format!("{what}: {}", wrong.as_str().unwrap_or_default());
    Ok(wrong.iter().map(line).collect())
}

async fn join(page: &Page, hub: &Hub, axe: &str, code: &str, role: &str) -> Result<Vec<String>> {
    page.goto(&hub.url()).await?;
    page.find("page-join").await;
    page.script(axe).await?;
    let mut wrong = violations(page, "join").await?;
    page.script(&format!("location.hash = '#{code}'")).await?;
    page.fill("join-name", "Wren").await?;
    page.tap("join-go").await?;
    page.find(&format!("role-{role}")).await;
    wrong.extend(violations(page, "roles first").await?);
    page.tap(&format!("role-{role}")).await?;
    page.find("caution-ok").await;
    wrong.extend(violations(page, "cautions first").await?);
    page.tap("caution-ok").await?;
    page.until_shows(LIVE).await;
    Ok(wrong)
}

#[tokio::test(flavor = "multi_thread")]
async fn axe_finds_nothing_wrong_on_any_page() -> Result<()> {
    let Some(axe) = axe() else { return Ok(()) };
    let mut hub = Launch::demo().start();
    let browser = Browser::start();
    let witness = Phone::join(&hub, CREW_CODE, "Witness", "fuel").await;
    let mut wrong = Vec::new();
    for (name, size, light, code, role) in [
        ("day", PHONE, "day", CHIEF_CODE, "chief"),
        ("night", TABLET, "night", CREW_CODE, "idle"),
    ] {
        let page = browser.page(name, size).await;
        page.goto(&hub.url()).await?;
        page.script(&format!(
            "localStorage.setItem('spinover.light', '{light}')"
        ))
        .await?;
        wrong.extend(join(&page, &hub, &axe, code, role).await?);
        for place in PLACES {
            // The chief's sheets have no address for the crew.
            if role != "chief" && place.starts_with("chief") {
                continue;
            }
            page.script(&format!("location.hash = '#/{place}'")).await?;
            let key = place.split('/').next().unwrap_or(place);
            page.until_shows(&format!("[data-page=\"{key}\"]")).await;
            if place.contains('/') {
                page.find("over").await;
            }
            wrong.extend(violations(&page, &format!("{place} {name}")).await?);
        }
        page.script("location.hash = '#/crew'").await?;
        let (to, text) = (Audience::All, "Bodies clear".to_owned());
        let call = witness.done(Command::Call { to, text }).await;
        page.until_shows("[data-test=\"incoming\"]").await;
        wrong.extend(violations(&page, &format!("call {name}")).await?);
        page.tap("seen").await?;
        let text = "Fuel on the ground".to_owned();
        let stop = witness.done(Command::Stop { text }).await;
        page.until_shows("[data-test=\"stop-takeover\"]").await;
        wrong.extend(violations(&page, &format!("stop {name}")).await?);
        page.tap("seen").await?;
        page.until_shows("[data-test=\"stop-bar\"]").await;
        wrong.extend(violations(&page, &format!("stop that stands {name}")).await?);
        let chief = Phone::join(&hub, CHIEF_CODE, "Rook", "helper").await;
        for call in [call, stop] {
            chief.done(Command::Lift { call }).await;
        }
        if name == "night" {
            hub.kill();
            page.until_shows(LOST).await;
            wrong.extend(violations(&page, "lost").await?);
        }
    }
    assert!(wrong.is_empty(), "{}\n{}", wrong.len(), wrong.join("\n"));
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn axe_finds_nothing_wrong_where_pages_are_rarer() -> Result<()> {
    let Some(axe) = axe() else { return Ok(()) };
    let hub = Launch::demo().start();
    let browser = Browser::start();
    let mut wrong = Vec::new();
    for (name, size, light) in [("day", PHONE, "day"), ("night", TABLET, "night")] {
        let page = browser.page(name, size).await;
        page.goto(&hub.url()).await?;
        page.script(&format!(
            "localStorage.setItem('spinover.light', '{light}')"
        ))
        .await?;
        wrong.extend(join(&page, &hub, &axe, CHIEF_CODE, "chief").await?);
        let wren = Phone::join(&hub, CHIEF_CODE, "Rook", "helper").await;
        let id = wren.look(|seen| {
            seen.mirror()
                .record
                .warmup
                .as_ref()
                .map(|warmup| warmup.id.clone())
        });
        let id = id.context("a warm-up under way")?;
        for (what, place, there) in [
            ("warm-up", format!("book/warmup/{id}"), "report-open"),
            ("replay", format!("replay/{id}"), "strip-oil_pressure"),
        ] {
            page.script(&format!("location.hash = '#/{place}'")).await?;
            page.find(there).await;
            wrong.extend(violations(&page, &format!("{what} {name}")).await?);
        }
        // The wizard with a channel open, and a point taken.
        page.script("location.hash = '#/chief/calibrate'").await?;
        page.tap("cal-battery-open").await?;
        page.fill("cal-battery-true", "12").await?;
        page.until_shows("[data-test=\"cal-battery-take\"]:enabled")
            .await;
        page.tap("cal-battery-take").await?;
        page.find("cal-point").await;
        wrong.extend(violations(&page, &format!("calibration {name}")).await?);
        page.script("location.hash = '#/laptop'").await?;
        page.find("said-battery").await;
        wrong.extend(violations(&page, &format!("sources {name}")).await?);
        // A practice: the keys, a call to see, the key to hold, done.
        page.script("location.hash = '#/crew/menu'").await?;
        page.find("practise-all").await;
        wrong.extend(violations(&page, &format!("menu {name}")).await?);
        page.tap("practise-alone").await?;
        page.until_shows("[data-test=\"practice\"][data-at=\"see\"]")
            .await;
        wrong.extend(violations(&page, &format!("practice, see {name}")).await?);
        page.tap("seen").await?;
        page.tap("call-open").await?;
        page.tap("ready-call-0").await?;
        page.until_shows("[data-test=\"practice-hold\"]").await;
        wrong.extend(violations(&page, &format!("practice, hold {name}")).await?);
        page.press("practice-hold", std::time::Duration::from_millis(1_300))
            .await?;
        page.until_shows("[data-test=\"practice\"][data-at=\"done\"]")
            .await;
        wrong.extend(violations(&page, &format!("practice, done {name}")).await?);
    }
    assert!(wrong.is_empty(), "{}\n{}", wrong.len(), wrong.join("\n"));
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn axe_finds_nothing_wrong_with_alarms() -> Result<()> {
    let Some(axe) = axe() else { return Ok(()) };
    let mut hub = Launch::serve(
        &data::own("alarms-car.toml"),
        &data::own("ready-sheet.toml"),
    )
    .source("lines:stdin")
    .with_stdin()
    .start();
    let mut lines = hub.stdin();
    // Low oil on a running engine, said ten times a second until the hub is gone.
    std::thread::spawn(move || {
        while writeln!(lines, "{{\"engine_rpm\": 2000, \"oil_pressure\": 5}}").is_ok() {
            std::thread::sleep(std::time::Duration::from_millis(100));
        }
    });
    let browser = Browser::start();
    let mut wrong = Vec::new();
    for (name, size, light) in [("day", PHONE, "day"), ("night", TABLET, "night")] {
        let page = browser.page(name, size).await;
        page.goto(&hub.url()).await?;
        page.script(&format!(
            "localStorage.setItem('spinover.light', '{light}')"
        ))
        .await?;
        wrong.extend(join(&page, &hub, &axe, CHIEF_CODE, "chief").await?);
        for place in ["chief", "crew", "wall", "chief/alarms", "chief/call"] {
            page.script(&format!("location.hash = '#/{place}'")).await?;
            page.until_shows("[data-alarm=\"oil_pressure_lost\"]").await;
            wrong.extend(violations(&page, &format!("alarm on {place} {name}")).await?);
        }
    }
    assert!(wrong.is_empty(), "{}\n{}", wrong.len(), wrong.join("\n"));
    Ok(())
}
