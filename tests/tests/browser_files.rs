//! Changing the files in a real browser: the chief at the laptop changes a band and a ready call, and a crew member's phone has both.

use anyhow::Result;
use serde_json::json;
use spinover_tests::{
    app::{LIVE, fits, go, join},
    browser::{Browser, PHONE, Page, TABLET},
    eventually,
    hub::{CHIEF_CODE, CREW_CODE, Launch},
};
use std::{fs, time::Duration};

/// A little longer than a key that writes is held.
const HOLD: Duration = Duration::from_millis(1_000);

/// Types in place of what stands in a field, as a person does, and tells the page.
async fn type_over(page: &Page, css: &str, text: &str) -> Result<()> {
    page.until_shows(css).await;
    let script = format!(
        "const field = document.querySelector({}); field.value = {}; field.dispatchEvent(new Event('input', {{ bubbles: true }}));",
        json!(css),
        json!(text)
    );
    page.script(&script).await?;
    Ok(())
}

async fn click(page: &Page, css: &str) -> Result<()> {
    page.until_shows(css).await;
    page.script(&format!("document.querySelector({}).click()", json!(css)))
        .await?;
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn a_band_and_a_call_go_from_the_laptop_to_a_phone_and_the_comment_stays() -> Result<()> {
    let hub = Launch::demo().start();
    let browser = Browser::start();
    let phone = browser.page("phone", PHONE).await;
    join(&phone, &hub.url(), CREW_CODE, "idle", "Ash").await?;
    let laptop = browser.page("laptop", TABLET).await;
    join(&laptop, &hub.url(), CHIEF_CODE, "chief", "Wren").await?;
    go(&laptop, "laptop").await?;
    laptop.tap("edit-open").await?;
    laptop.until_shows("[data-page=\"edit\"]").await;
    let path = hub.data().join("files/kestrel.toml");
    let sheet = hub.data().join("files/pit-warm-up.toml");
    let before = fs::read_to_string(&path)?;

    // Low above high: said at the field before anything is written.
    let oil = "[data-test=\"edit-band-oil_pressure\"]";
    type_over(&laptop, &format!("{oil} [data-test=\"edit-low\"]"), "160").await?;
    laptop
        .until_shows(&format!("{oil} [data-test=\"edit-wrong\"]"))
        .await;
    laptop
        .until_shows("[data-test=\"edit-bar\"][data-wrong=\"true\"]")
        .await;
    type_over(&laptop, &format!("{oil} [data-test=\"edit-low\"]"), "x").await?;
    laptop
        .until_shows(&format!("{oil} [data-test=\"edit-wrong\"]"))
        .await;
    type_over(&laptop, &format!("{oil} [data-test=\"edit-low\"]"), "65").await?;
    laptop
        .until_hides(&format!("{oil} [data-test=\"edit-wrong\"]"))
        .await;

    // The band of the phase that the demo begins in, which the phone shows.
    laptop
        .script("const scope = document.querySelector('[data-test=\"edit-scope\"]'); scope.value = '1'; scope.dispatchEvent(new Event('change', { bubbles: true }));")
        .await?;
    let rpm = "[data-test=\"edit-band-engine_rpm\"] [data-test=\"edit-low\"]";
    laptop.until_shows(rpm).await;
    eventually("the phase's own band", async || {
        let value = laptop
            .script(&format!("return document.querySelector('{rpm}').value"))
            .await
            .ok()?;
        (value == json!("0")).then_some(())
    })
    .await;
    type_over(&laptop, rpm, "-50").await?;
    laptop
        .until_shows("[data-test=\"edit-bar\"][data-wrong=\"true\"]")
        .await;
    type_over(&laptop, rpm, "5").await?;

    // A ready call of the idle setter's.
    click(&laptop, "[data-test=\"edit-calls\"]").await?;
    let call = "[data-test=\"edit-calls-idle\"] [data-test=\"edit-call-0\"] [data-test=\"edit-call-text\"]";
    type_over(&laptop, call, "Idle is set").await?;

    // What will change: these lines and no others.
    click(&laptop, "[data-test=\"edit-look\"]").await?;
    laptop.until_shows("[data-test=\"edit-line-new\"]").await;
    let new = laptop
        .script("return [...document.querySelectorAll('[data-test=\"edit-line-new\"] code')].map((line) => line.textContent)")
        .await?;
    assert_eq!(
        new,
        json!([
            "band = [65, 150]        # At idle, cold to warm; common practice, no source.",
            "    { text = \"Idle is set\", to = \"chief\" },",
            "engine_rpm = [5, 50]"
        ])
    );
    fits(&laptop, "the lines").await?;
    assert_eq!(fs::read_to_string(&path)?, before);
    laptop.script("document.querySelector('[data-test=\"edit-save\"]').scrollIntoView({ block: 'center' })").await?;
    laptop.press("edit-save", HOLD).await?;
    eventually("the file to be written", async || {
        let text = fs::read_to_string(&path).ok()?;
        (text != before).then_some(())
    })
    .await;
    let written = fs::read_to_string(&path)?;
    let expected = before
        .replace(
            "band = [60, 150]        # At idle",
            "band = [65, 150]        # At idle",
        )
        .replace("\"Idle set\"", "\"Idle is set\"");
    assert_eq!(
        written, expected,
        "every comment stays, and every other line"
    );
    assert!(fs::read_to_string(&sheet)?.contains("engine_rpm = [5, 50]"));

    // The phone has both, without anybody having touched it.
    phone
        .until_shows("[data-test=\"strip-engine_rpm\"][data-standing=\"low\"]")
        .await;
    phone.until_shows(LIVE).await;
    phone.tap("call-open").await?;
    phone
        .until_text("[data-test=\"ready-call-0\"]", "the new words", |text| {
            text.contains("Idle is set")
        })
        .await;

    // And it can be undone.
    laptop.until_shows(LIVE).await;
    laptop.until_shows("[data-test=\"edit-undo\"]").await;
    laptop.script("document.querySelector('[data-test=\"edit-undo\"]').scrollIntoView({ block: 'center' })").await?;
    laptop.press("edit-undo", HOLD).await?;
    eventually("the old file", async || {
        (fs::read_to_string(&path).ok()? == before).then_some(())
    })
    .await;
    assert_eq!(laptop.complaints().await?, Vec::<String>::new());
    assert_eq!(phone.complaints().await?, Vec::<String>::new());
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn steps_roles_and_text_are_changed_and_what_is_unwritten_stays() -> Result<()> {
    let hub = Launch::demo().start();
    let browser = Browser::start();
    let page = browser.page("phone-chief", PHONE).await;
    join(&page, &hub.url(), CHIEF_CODE, "chief", "Wren").await?;
    page.script("location.hash = '#/edit'").await?;
    for part in [
        "edit-bands",
        "edit-roles",
        "edit-steps",
        "edit-calls",
        "edit-text",
    ] {
        click(&page, &format!("[data-test=\"{part}\"]")).await?;
        fits(&page, part).await?;
    }
    // A step's limit, and a reading that it waits for.
    click(&page, "[data-test=\"edit-steps\"]").await?;
    let step = "[data-test=\"edit-step-recorder_on\"]";
    click(&page, &format!("{step} [data-test=\"edit-step-open\"]")).await?;
    type_over(
        &page,
        &format!("{step} [data-test=\"edit-gate-limit\"]"),
        "12",
    )
    .await?;
    click(&page, &format!("{step} [data-test=\"edit-gate-add\"]")).await?;
    page.until_shows(&format!("{step} [data-test=\"edit-gate-1\"]"))
        .await;
    type_over(&page, &format!("{step} [data-test=\"edit-limit\"]"), "30,5").await?;
    fits(&page, "a step").await?;
    // The strips of a role: the second one goes up.
    click(&page, "[data-test=\"edit-roles\"]").await?;
    click(
        &page,
        "[data-test=\"edit-role-idle\"] [data-test=\"edit-strips-oil_pressure-up\"]",
    )
    .await?;
    // Elsewhere and back: nothing is lost, and nothing was written.
    page.script("location.hash = '#/chief'").await?;
    page.until_shows("[data-page=\"chief\"]").await;
    page.script("location.hash = '#/edit'").await?;
    click(&page, "[data-test=\"edit-look\"]").await?;
    page.until_shows("[data-test=\"edit-line-new\"]").await;
    let new = page
        .script("return [...document.querySelectorAll('[data-test=\"edit-line-new\"] code')].map((line) => line.textContent).filter((line) => line)")
        .await?;
    assert_eq!(
        new,
        json!([
            "strips = [\"oil_pressure\", \"engine_rpm\", \"head_temp\", \"mag_1_timing\", \"mag_2_timing\"]",
            "limit_s = 30.5",
            "at_least = 12",
            "[[phase.step.gate]]",
            "channel = \"engine_rpm\"",
            "at_least = 0"
        ])
    );
    // The form and the text of one file exclude each other.
    click(&page, "[data-test=\"edit-text\"]").await?;
    page.until_shows("[data-test=\"edit-form-first\"]").await;
    click(&page, "[data-test=\"edit-drop\"]").await?;
    page.until_hides("[data-test=\"edit-form-first\"]").await;
    let text = fs::read_to_string(hub.data().join("files/kestrel.toml"))?;
    type_over(
        &page,
        "[data-test=\"edit-area\"]",
        &text.replace("unit = \"rpm\"", "unit = \"rmp\""),
    )
    .await?;
    page.until_text(
        "[data-test=\"edit-mistake\"]",
        "the mistake and its line",
        |text| text.contains("unknown unit") && text.contains("kestrel.toml, line"),
    )
    .await;
    click(&page, "[data-test=\"edit-drop\"]").await?;
    // A text editor changes the file: the page says that it is not in force.
    fs::write(
        hub.data().join("files/kestrel.toml"),
        text.replace("band = [60, 150]", "band = [61, 150]"),
    )?;
    page.until_shows("[data-test=\"edit-take-up\"]").await;
    click(&page, "[data-test=\"edit-take-up\"]").await?;
    page.until_hides("[data-test=\"edit-take-up\"]").await;
    assert_eq!(page.complaints().await?, Vec::<String>::new());
    Ok(())
}
