//! The chief's calibration and the sources, in a real browser: points taken from what the sensor says, and what each source said last.

use anyhow::Result;
use spinover_protocol::link::Mirror;
use spinover_tests::{
    app::join,
    browser::{Browser, Page, TABLET},
    data,
    hub::{CHIEF_CODE, Hub, Launch},
    phone::Phone,
};
use std::{
    io::Write,
    sync::{Arc, Mutex, PoisonError, mpsc},
    thread,
    time::Duration,
};

/// Says the same line ten times a second, until it is told another one, or nothing.
struct Car {
    says: Arc<Mutex<String>>,
    _gone: mpsc::Sender<()>,
}

impl Car {
    fn beside(hub: &mut Hub) -> Self {
        let says = Arc::new(Mutex::new(String::new()));
        let (gone, ended) = mpsc::channel::<()>();
        let (mut lines, told) = (hub.stdin(), says.clone());
        thread::spawn(move || {
            let every = Duration::from_millis(100);
            while ended.recv_timeout(every) == Err(mpsc::RecvTimeoutError::Timeout) {
                let line = told.lock().unwrap_or_else(PoisonError::into_inner).clone();
                if !line.is_empty() {
                    let _ = writeln!(lines, "{line}");
                }
            }
        });
        Self { says, _gone: gone }
    }

    fn say(&self, line: &str) {
        line.clone_into(&mut self.says.lock().unwrap_or_else(PoisonError::into_inner));
    }
}

fn hub() -> (Hub, Car) {
    let mut hub = Launch::serve(&data::own("car.toml"), &data::own("sheet.toml"))
        .source("lines:stdin")
        .with_stdin()
        .start();
    let car = Car::beside(&mut hub);
    (hub, car)
}

async fn chief(browser: &Browser, hub: &Hub, to: &str) -> Result<Page> {
    let page = browser.page("Wren", TABLET).await;
    join(&page, &hub.url(), CHIEF_CODE, "chief", "Wren").await?;
    page.script(&format!("location.hash = '#/{to}'")).await?;
    Ok(page)
}

/// Gain and offset that the record has for the oil pressure; the file's, where the chief has set none.
fn calibration(mirror: &Mirror) -> (f64, f64) {
    let warmup = mirror.record.warmup.as_ref().expect("a warm-up");
    let found = warmup.calibration(&"oil_pressure".into());
    (found.gain, found.offset)
}

/// Waits until the sensor's mean over the last seconds is all of the new level, and takes that for what is true.
async fn take(page: &Page, sensor: &str, truth: &str) -> Result<()> {
    let now = "[data-test=\"cal-oil_pressure-now\"]";
    page.until_text(now, sensor, |text| text.starts_with(sensor))
        .await;
    page.fill("cal-oil_pressure-true", truth).await?;
    page.until_shows("[data-test=\"cal-oil_pressure-take\"]:enabled")
        .await;
    page.tap("cal-oil_pressure-take").await
}

#[tokio::test(flavor = "multi_thread")]
async fn a_chief_calibrates_by_one_point_and_by_two() -> Result<()> {
    let (hub, car) = hub();
    let browser = Browser::start();
    car.say("{\"oil_pressure\": 80}");
    let witness = Phone::join(&hub, CHIEF_CODE, "Rook", "fuel").await;
    let page = chief(&browser, &hub, "chief/calibrate").await?;
    page.tap("cal-oil_pressure-open").await?;
    let set = "[data-test=\"cal-oil_pressure-set\"]";
    assert!(
        !page.shows(&format!("{set}:enabled")).await,
        "without a point there is nothing to set"
    );
    // The sensor says 80 where a good gauge shows 83: one point shifts it by 3.
    take(&page, "Sensor 80 psi", "83").await?;
    page.until_text("[data-test=\"cal-point\"]", "the point", |text| {
        text == "sensor 80 psi is 83 psi"
    })
    .await;
    page.tap("cal-oil_pressure-set").await?;
    witness
        .until("the shift", |seen| calibration(seen.mirror()) == (1.0, 3.0))
        .await;
    page.until_text("[data-test=\"cal-oil_pressure-now\"]", "both", |text| {
        text == "Sensor 80 psi, shown 83 psi"
    })
    .await;
    witness
        .until("what is shown", |seen| {
            seen.value("oil_pressure") == Some(83.0)
        })
        .await;

    // Two points make a line, by hand: from 80 to 82 and from 100 to 104 is a gain of 1.1, and 82 - 1.1 * 80 = -6.
    take(&page, "Sensor 80 psi", "82").await?;
    car.say("{\"oil_pressure\": 100}");
    take(&page, "Sensor 100 psi", "104").await?;
    page.until_text(".cal-row[open] .cal-made", "the line", |text| {
        text == "sensor × 1.100 \u{2212} 6.0 psi"
    })
    .await;
    page.tap("cal-oil_pressure-set").await?;
    witness
        .until("the line", |seen| {
            let (gain, offset) = calibration(seen.mirror());
            (gain - 1.1).abs() < 1e-9 && (offset + 6.0).abs() < 1e-6
        })
        .await;

    // Points that no sensor has are not to be set.
    take(&page, "Sensor 100 psi", "100").await?;
    take(&page, "Sensor 100 psi", "200").await?;
    page.until_shows(".cal-row[open] .cal-made.wrong").await;
    assert!(!page.shows(&format!("{set}:enabled")).await);
    page.tap("cal-oil_pressure-again").await?;
    page.until_hides("[data-test=\"cal-point\"]").await;
    page.tap("cal-oil_pressure-clear").await?;
    witness
        .until("the file's", |seen| {
            calibration(seen.mirror()) == (1.0, 0.0)
        })
        .await;
    assert_eq!(page.complaints().await?, Vec::<String>::new());
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn the_sources_say_what_they_delivered_and_what_was_not_taken() -> Result<()> {
    let (hub, car) = hub();
    let browser = Browser::start();
    car.say("{\"oil_pressure\": 80, \"engine_rpm\": 2400}");
    let page = chief(&browser, &hub, "laptop").await?;
    let source = "[data-test=\"source\"][data-source=\"lines:stdin\"]";
    page.until_shows(&format!("{source}[data-state=\"up\"]"))
        .await;
    let said = |quality: &str| {
        format!("{source} [data-test=\"said-oil_pressure\"][data-quality=\"{quality}\"]")
    };
    page.until_shows(&format!("{}[data-speaks=\"yes\"]", said("good")))
        .await;
    page.until_text(
        &format!("{} .said-value", said("good")),
        "the value",
        |text| text == "80 psi",
    )
    .await;
    // A channel that the car has not, and then no line at all.
    car.say("{\"turbo_pressure\": 1}");
    page.until_text(&format!("{source} .fault"), "the fault", |text| {
        text.contains("unknown channel") && text.contains("turbo_pressure")
    })
    .await;
    page.until_shows(&said("old")).await;
    // A value out of the plausible range is said to be suspect, and why.
    car.say("{\"oil_pressure\": 900}");
    page.until_text(&said("suspect"), "why", |text| {
        text.contains("out of range")
    })
    .await;
    assert_eq!(page.complaints().await?, Vec::<String>::new());
    Ok(())
}
