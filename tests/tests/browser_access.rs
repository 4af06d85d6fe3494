//! Accessibility, by axe-core (the npm package of that name, at the version that set-up pins): every page and sheet, by day and by night.

use anyhow::{Context, Result};
use base64::prelude::{BASE64_STANDARD, Engine};
use serde_json::Value;
use spinover_protocol::{event::Audience, message::Command};
use spinover_tests::{
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
    page.until_shows("[data-link=\"live\"]").await;
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
            page.until_shows("[data-link=\"lost\"]").await;
            wrong.extend(violations(&page, "lost").await?);
        }
    }
    assert!(wrong.is_empty(), "{}\n{}", wrong.len(), wrong.join("\n"));
    Ok(())
}

/// Counts the points of two pictures that differ by a third of the way from black to white once both are grey: what eyes that see no colour, or sun
/// on a screen, leave of a difference. Luminance as in WCAG 2.2 ("relative luminance"), brought back to the eye's even steps.
const DIFFER: &str = "const [here, there, one, two, done] = [{here}, {there}, '{one}', '{two}', arguments[0]];
    const load = (data) => new Promise((ready) => { const image = new Image(); image.onload = () => ready(image); image.src = 'data:image/png;base64,' + data; });
    const grey = async (box, data) => {
        const canvas = document.createElement('canvas');
        [canvas.width, canvas.height] = [box.width, box.height];
        const paper = canvas.getContext('2d');
        paper.drawImage(await load(data), -box.x, -box.y);
        const points = paper.getImageData(0, 0, box.width, box.height).data;
        const linear = (part) => part <= 10.31475 ? part / 255 / 12.92 : ((part / 255 + 0.055) / 1.055) ** 2.4;
        return Array.from({ length: points.length / 4 }, (_, at) =>
            Math.cbrt(0.2126 * linear(points[4 * at]) + 0.7152 * linear(points[4 * at + 1]) + 0.0722 * linear(points[4 * at + 2])));
    };
    Promise.all([grey(here, one), grey(there, two)]).then(([one, two]) => done(one.filter((point, at) => Math.abs(point - two[at]) > 1 / 3).length));";
/// What is compared: the first strip's track, without its numeral and its words, and without the trace, which lies still while nothing comes.
const TRACK: &str = "document.querySelector('[data-test=\"strip-engine_rpm\"] canvas').style.visibility = 'hidden';
    const box = document.querySelector('[data-test=\"strip-engine_rpm\"] .track').getBoundingClientRect();
    return { x: Math.round(box.x), y: Math.round(box.y), width: Math.round(box.width), height: Math.round(box.height) }";
/// Fewer points than this are no shape that anyone sees: a square of 8 CSS pixels, where a marker is 28 wide.
const SEEN: u64 = 64;

#[tokio::test(flavor = "multi_thread")]
async fn a_strips_states_are_told_apart_without_colour() -> Result<()> {
    let mut hub = Launch::serve(&data::own("car.toml"), &data::own("sheet.toml"))
        .source("lines:stdin")
        .with_stdin()
        .start();
    let mut lines = hub.stdin();
    let browser = Browser::start();
    let page = browser.page("grey", PHONE).await;
    page.goto(&format!("{}/#{CREW_CODE}/idle/Ash", hub.url()))
        .await?;
    page.tap("caution-ok").await?;
    let strip = "[data-test=\"strip-engine_rpm\"]";
    page.until_shows(&format!("{strip}[data-quality=\"none\"]"))
        .await;
    let mut pictures: Vec<(&str, Value, String, String)> = Vec::new();
    for (name, value, state) in [
        ("none", None, "[data-quality=\"none\"]"),
        (
            "in band",
            Some(2400),
            "[data-quality=\"good\"][data-standing=\"in\"]",
        ),
        (
            "low",
            Some(2150),
            "[data-quality=\"good\"][data-standing=\"low\"]",
        ),
        (
            "high",
            Some(2650),
            "[data-quality=\"good\"][data-standing=\"high\"]",
        ),
        ("suspect", Some(20_000), "[data-quality=\"suspect\"]"),
        ("old", None, "[data-quality=\"old\"]"),
    ] {
        if let Some(value) = value {
            lines.write_all(format!("{{\"engine_rpm\": {value}}}\n").as_bytes())?;
        }
        page.until_shows(&format!("{strip}{state}")).await;
        let place = page.script(TRACK).await?;
        page.until_still().await?;
        let picture = BASE64_STANDARD.encode(page.picture().await?);
        let word = page
            .until_text(&format!("{strip} .word"), "a word", |_| true)
            .await;
        // The state is still the one that was to be pictured.
        anyhow::ensure!(
            page.shows(&format!("{strip}{state}")).await,
            "{name} did not last"
        );
        pictures.push((name, place, picture, word));
    }
    for (at, (one, place, first, word)) in pictures.iter().enumerate() {
        for (two, other_place, second, other_word) in &pictures[..at] {
            // Words under the name push the track down; its size stays.
            assert_eq!(
                (&place["width"], &place["height"]),
                (&other_place["width"], &other_place["height"]),
                "{one} and {two}"
            );
            assert_ne!(word, other_word, "{one} and {two}");
            let script = DIFFER
                .replace("{here}", &place.to_string())
                .replace("{there}", &other_place.to_string())
                .replace("{one}", first)
                .replace("{two}", second);
            let differ = page.script_async(&script).await?.as_u64().unwrap_or(0);
            let _ = writeln!(
                std::io::stderr(),
                "{one} and {two}: {differ} points differ in grey"
            );
            assert!(
                differ >= SEEN,
                "{one} and {two} differ in {differ} points only"
            );
        }
    }
    Ok(())
}
