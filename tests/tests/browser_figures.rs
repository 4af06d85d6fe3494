//! The Figures page in a real browser: what is typed into its forms comes back as figures, against tables from outside.

use anyhow::Result;
use spinover_tests::{
    app::join,
    browser::{Browser, PHONE, Page},
    data,
    hub::{CREW_CODE, Hub, Launch},
    phone::Phone,
};

/// CIPM-2007 at 25 degC, 950 hPa, 50 % (a row of `hub/tests/data/reference/air_density.csv`), kg/m3.
const AIR: (&str, &str, &str, f64) = ("25", "950", "50", 1.103_366_01);
/// Gravity of 88 % nitro by volume at 20 degC (a row of `hub/tests/data/reference/mix.csv`).
const MIX: (&str, &str, f64) = ("1.0970374", "20", 88.0);

async fn figures_page(browser: &Browser, hub: &Hub) -> Result<Page> {
    let page = browser.page("Ash", PHONE).await;
    join(&page, &hub.url(), CREW_CODE, "fuel", "Ash").await?;
    page.script("localStorage.setItem('spinover.units', 'si')")
        .await?;
    page.goto(&format!("{}/?si#/figures", hub.url())).await?;
    page.until_shows("[data-page=\"figures\"]").await;
    Ok(page)
}

/// Taps what the bar at the bottom may lie over until it is scrolled to.
async fn tap(page: &Page, test: &str) -> Result<()> {
    page.find(test).await;
    page.script(&format!(
        "document.querySelector('[data-test=\"{test}\"]').scrollIntoView({{ block: 'center' }})"
    ))
    .await?;
    page.tap(test).await
}

/// Opens a form, fills it in and sends it.
async fn send(page: &Page, form: &str, fields: &[(&str, &str)]) -> Result<()> {
    tap(page, &format!("{form}-open")).await?;
    for (field, text) in fields {
        page.fill(field, text).await?;
    }
    tap(page, &format!("{form}-send")).await
}

fn shown(figure: &str, part: &str) -> String {
    format!("[data-test=\"figure-{figure}\"] .{part}")
}

/// What every phone is told.
async fn told(witness: &Phone, figure: &str, near: f64, within: f64) {
    witness
        .until(figure, |seen| {
            let figures = &seen.mirror().figures;
            let found = figures.iter().find(|known| known.key == figure);
            let value = found.and_then(|found| found.value);
            value.is_some_and(|value| (value - near).abs() <= within)
        })
        .await;
}

#[tokio::test(flavor = "multi_thread")]
async fn what_is_typed_on_a_phone_is_a_figure_on_it() -> Result<()> {
    let hub = Launch::serve(&data::own("car.toml"), &data::own("sheet.toml")).start();
    let browser = Browser::start();
    let page = figures_page(&browser, &hub).await?;
    let witness = Phone::join(&hub, CREW_CODE, "Witness", "idle").await;

    let (temp, pressure, humidity, density) = AIR;
    let weather = [
        ("air-temp", temp),
        ("air-pressure", pressure),
        ("air-humidity", humidity),
    ];
    send(&page, "form-weather", &weather).await?;
    told(&witness, "air", density, 1e-7 * density).await;
    page.until_text(&shown("air", "digits"), "the air", |text| text == "1.103")
        .await;
    page.until_text(&shown("air", "figure-words"), "by whom", |text| {
        text.contains("typed by Ash")
    })
    .await;

    // Before the fuel is measured nobody can say what to add to it.
    let can = [
        ("can-held", "10"),
        ("can-want", "50"),
        ("can-want-pct", "90"),
        ("can-temp", "20"),
    ];
    send(&page, "form-can", &can).await?;
    page.until_text(&shown("add_nitro", "figure-words"), "the reason", |text| {
        text.contains("measure what is in the can first")
    })
    .await;
    let (gravity, temp, pct) = MIX;
    let reading = [("mix-sg", gravity), ("mix-temp", temp)];
    send(&page, "form-mix", &reading).await?;
    told(&witness, "mix", pct, 1e-4).await;
    page.until_text(&shown("mix", "digits"), "the mix", |text| text == "88.0")
        .await;
    // By hand, all as warm and volumes adding: 45 L of nitro in the end, 8.8 of them there; how each swells moves it a little.
    told(&witness, "add_nitro", 36.2, 0.05).await;
    told(&witness, "add_methanol", 3.8, 0.05).await;
    page.until_text(&shown("add_nitro", "digits"), "what to add", |text| {
        text == "36.2"
    })
    .await;
    page.until_text(&shown("add_nitro", "figure-words"), "the limit", |text| {
        text.contains("the car file sets no limit")
    })
    .await;

    let slip = [
        ("slip-t60", "0.86"),
        ("slip-t330", "2.18"),
        ("slip-t660", "3.07"),
        ("slip-t1000", "3.84"),
    ];
    send(&page, "form-slip", &slip).await?;
    page.until_text(&shown("slip", "figure-words"), "the slip", |text| {
        text.contains("agrees with itself")
    })
    .await;
    // 270 ft, the stretch to the 330 ft mark, take time; a mark that comes too soon cannot be.
    page.fill("slip-t330", "0.80").await?;
    tap(&page, "form-slip-send").await?;
    page.until_text(&shown("slip", "figure-words"), "the misfit", |text| {
        text.contains("CHECK: ")
    })
    .await;
    assert_eq!(page.complaints().await?, Vec::<String>::new());
    Ok(())
}
