//! One glance: how large a role's first numeral is on a phone, how strong readings and calls stand against what is behind them, and that a
//! wall shows every strip whole whatever stands above them. Measured on the drawn page.

use anyhow::{Context, Result};
use spinover_protocol::{event::Audience, message::Command};
use spinover_tests::{
    app::join,
    browser::{Browser, PHONE, Page, Size, WALL},
    data,
    hub::{CHIEF_CODE, CREW_CODE, Launch},
    phone::Phone,
};
use std::io::Write;

/// The height of a nought as it is drawn, as a share of the window's.
const TALL: &str = "const digits = document.querySelector('.strip.first .digits');
    const style = getComputedStyle(digits);
    const paper = document.createElement('canvas').getContext('2d');
    paper.font = `${style.fontWeight} ${style.fontSize} ${style.fontFamily}`;
    const turned = new DOMMatrix(style.transform);
    return paper.measureText('0').actualBoundingBoxAscent * turned.d / innerHeight";

#[tokio::test(flavor = "multi_thread")]
async fn every_roles_first_numeral_is_15_percent_of_a_phone_high() -> Result<()> {
    let hub = Launch::demo().start();
    let browser = Browser::start();
    for role in ["chief", "idle", "fuel", "starter", "helper"] {
        let page = browser.page(role, PHONE).await;
        join(&page, &hub.url(), CREW_CODE, role, "Ash").await?;
        page.script("location.hash = '#/crew'").await?;
        page.until_shows(".strip.first[data-value]").await;
        let tall = page.script(TALL).await?.as_f64().context("a number")?;
        let _ = writeln!(std::io::stderr(), "{role}: {:.1} %", 100.0 * tall);
        assert!(tall >= 0.15, "{role}: {tall}");
    }
    Ok(())
}

/// The least contrast of the texts that a selector finds, against the colour that is drawn behind them (WCAG 2.2, "contrast ratio"); texts
/// that cannot be seen are left out. Where what is behind is no plain colour, there is nothing to measure, and it says so.
const CONTRAST: &str = "const linear = (part) => (part /= 255, part <= 0.04045 ? part / 12.92 : ((part + 0.055) / 1.055) ** 2.4);
    const luminance = ([r, g, b]) => 0.2126 * linear(r) + 0.7152 * linear(g) + 0.0722 * linear(b);
    const parts = (colour) => colour.match(/[\\d.]+/g).map(Number);
    const behind = (element) => {
        for (let at = element; at; at = at.parentElement) {
            const style = getComputedStyle(at);
            const [r, g, b, a = 1] = parts(style.backgroundColor);
            if (style.backgroundImage !== 'none') return null;
            if (a === 1) return [r, g, b];
            if (a > 0) return null;
        }
        return null;
    };
    const found = [...document.querySelectorAll('{css}')].filter((element) => element.textContent.trim() && element.checkVisibility());
    return found.map((element) => {
        const back = behind(element);
        if (!back) return [0, element.textContent];
        const [one, two] = [luminance(parts(getComputedStyle(element).color)), luminance(back)];
        return [(Math.max(one, two) + 0.05) / (Math.min(one, two) + 0.05), element.textContent];
    })";

async fn contrast(page: &Page, what: &str, css: &str) -> Result<()> {
    page.until_still().await?;
    let found = page.script(&CONTRAST.replace("{css}", css)).await?;
    let found = found.as_array().context("a list")?;
    assert!(!found.is_empty(), "{what}: nothing to measure");
    let least = found
        .iter()
        .filter_map(|one| Some((one[0].as_f64()?, one[1].as_str()?)))
        .min_by(|one, other| one.0.total_cmp(&other.0))
        .context("a number")?;
    let _ = writeln!(std::io::stderr(), "{what}: {:.1} ({})", least.0, least.1);
    assert!(least.0 >= 7.0, "{what}: {least:?}");
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn readings_and_calls_stand_out_by_7_to_1_by_day_and_night() -> Result<()> {
    let browser = Browser::start();
    for light in ["day", "night"] {
        let mut hub = Launch::serve(&data::own("car.toml"), &data::own("sheet.toml"))
            .source("lines:stdin")
            .with_stdin()
            .start();
        let mut lines = hub.stdin();
        std::thread::spawn(move || {
            // One low, one in band, one without a band.
            let line = "{\"engine_rpm\": 2100, \"oil_pressure\": 80, \"head_temp\": 180}";
            while writeln!(lines, "{line}").is_ok() {
                std::thread::sleep(std::time::Duration::from_millis(100));
            }
        });
        let page = browser.page(light, PHONE).await;
        page.goto(&hub.url()).await?;
        page.script(&format!(
            "localStorage.setItem('spinover.light', '{light}')"
        ))
        .await?;
        page.goto("about:blank").await?;
        join(&page, &hub.url(), CREW_CODE, "idle", "Ash").await?;
        page.script("location.hash = '#/all'").await?;
        page.until_shows("[data-test=\"strip-engine_rpm\"][data-standing=\"low\"]")
            .await;
        let readings = ".strip .digits, .strip .unit, .strip .name, .strip .word span";
        contrast(&page, &format!("{light}, readings"), readings).await?;
        contrast(&page, &format!("{light}, the step"), ".step, .phase-name").await?;
        let rook = Phone::join(&hub, CHIEF_CODE, "Rook", "fuel").await;
        let (to, text) = (Audience::All, "Idle up".to_owned());
        let call = rook.done(Command::Call { to, text }).await;
        page.until_shows("[data-test=\"incoming\"]").await;
        let calls = ".incoming .call-text, .incoming .call-from, .incoming .seen";
        contrast(&page, &format!("{light}, a call"), calls).await?;
        rook.done(Command::Lift { call }).await;
        let text = "Fuel on the ground".to_owned();
        rook.done(Command::Stop { text }).await;
        page.until_shows("[data-test=\"stop-takeover\"]").await;
        contrast(
            &page,
            &format!("{light}, a stop"),
            ".takeover p, .takeover .seen",
        )
        .await?;
    }
    Ok(())
}

/// The strips of the wall of which a part is cut off, or whose numeral, name and track lie upon each other's.
const CUT: &str = "const strips = [...document.querySelectorAll('.wall .strip')];
    const low = document.querySelector('.wall .strips').getBoundingClientRect().bottom;
    return strips.flatMap((strip) => {
        const own = strip.getBoundingClientRect();
        const wrong = [];
        if (own.bottom > low + 1) wrong.push('below the others');
        const digits = strip.querySelector('.digits').getBoundingClientRect();
        const name = strip.querySelector('.name').getBoundingClientRect();
        const track = strip.querySelector('.track').getBoundingClientRect();
        for (const [what, part] of [['digits', digits], ['name', name], ['track', track]])
            if (part.top < own.top - 2 || part.bottom > own.bottom + 2) wrong.push(what + ' outside');
        if (digits.bottom > name.top + 3 && digits.right > name.left) wrong.push('digits on the name');
        return wrong.map((wrong) => strip.dataset.test + ': ' + wrong);
    })";

#[tokio::test(flavor = "multi_thread")]
async fn a_wall_shows_every_strip_whole_whatever_stands_above() -> Result<()> {
    let hub = Launch::demo().start();
    let browser = Browser::start();
    let small = Size {
        width: 1280,
        height: 720,
    };
    let rook = Phone::join(&hub, CHIEF_CODE, "Rook", "chief").await;
    let mut pages = Vec::new();
    for (name, size) in [("wall", WALL), ("small", small)] {
        let page = browser.page(name, size).await;
        join(&page, &hub.url(), CREW_CODE, "wall", "Ash").await?;
        page.until_shows(".wall .strip[data-value]").await;
        pages.push((name, page));
    }
    let none: Vec<String> = Vec::new();
    let look = async |what: &str| -> Result<()> {
        for (name, page) in &pages {
            page.until_still().await?;
            let cut: Vec<String> = serde_json::from_value(page.script(CUT).await?)?;
            assert_eq!(cut, none, "{what} on the {name}");
        }
        Ok(())
    };
    look("nothing above").await?;
    let reason = "Waiting for the lane".to_owned();
    rook.done(Command::Hold { reason }).await;
    for (_, page) in &pages {
        page.until_shows("[data-test=\"held\"]").await;
    }
    look("held").await?;
    let (to, text) = (Audience::All, "Bodies clear of the header side".to_owned());
    rook.done(Command::Call { to, text }).await;
    for (_, page) in &pages {
        page.until_shows("[data-test=\"incoming\"]").await;
    }
    look("held, and a call").await?;
    Ok(())
}
