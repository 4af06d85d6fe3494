//! A strip's states without colour, and with the colours of somebody who lacks a kind of cone: each is told from each other by its track
//! alone, without numeral and word, by day and by night.

use anyhow::Result;
use base64::prelude::{BASE64_STANDARD, Engine};
use serde_json::{Value, json};
use spinover_tests::{
    browser::{Browser, PHONE, Page},
    data,
    hub::{CREW_CODE, Hub, Launch},
};
use std::{
    io::Write,
    sync::{Arc, Mutex, PoisonError, mpsc},
    thread,
    time::Duration,
};

/// What eyes that see all colours, and none, make of a picture; and those that lack a kind of cone. Machado, Oliveira, Fernandes (2009),
/// A Physiologically-based Model for Simulation of Color Vision Deficiency, IEEE TVCG 15(6), table of severity 1.0; for linear RGB.
const EYES: [(&str, &str, [[f64; 3]; 3]); 4] = [
    (
        "grey",
        "none",
        [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]],
    ),
    (
        "protan",
        "protanopia",
        [
            [0.152_286, 1.052_583, -0.204_868],
            [0.114_503, 0.786_281, 0.099_216],
            [-0.003_882, -0.048_116, 1.051_998],
        ],
    ),
    (
        "deutan",
        "deuteranopia",
        [
            [0.367_322, 0.860_646, -0.227_968],
            [0.280_085, 0.672_501, 0.047_413],
            [-0.011_820, 0.042_940, 0.968_881],
        ],
    ),
    (
        "tritan",
        "tritanopia",
        [
            [1.255_528, -0.076_749, -0.178_779],
            [-0.078_411, 0.930_809, 0.147_602],
            [0.004_733, 0.691_367, 0.303_900],
        ],
    ),
];

/// Loads pictures into the page, part by part: `pictures[name]` is a list of linear red, green, blue of each point of the box.
const LOAD: &str = "const [name, box, data, done] = [{name}, {box}, '{data}', arguments[0]];
    window.pictures ??= {};
    const image = new Image();
    image.onload = () => {
        const canvas = document.createElement('canvas');
        [canvas.width, canvas.height] = [box.width, box.height];
        const paper = canvas.getContext('2d');
        paper.drawImage(image, -box.x, -box.y);
        const points = paper.getImageData(0, 0, box.width, box.height).data;
        const linear = (part) => part <= 10.31475 ? part / 255 / 12.92 : ((part / 255 + 0.055) / 1.055) ** 2.4;
        window.pictures[name] = Array.from({ length: points.length / 4 }, (_, at) => [0, 1, 2].map((part) => linear(points[4 * at + part])));
        done(window.pictures[name].length);
    };
    image.src = 'data:image/png;base64,' + data;";

/// Counts the points of two pictures that differ, once seen through those eyes, by a third of the way from black to white: in lightness
/// alone, so that what colour is left to them is no help. Luminance as in WCAG 2.2 ("relative luminance"), brought to the eye's even steps.
const DIFFER: &str = "const [eyes, one, two] = [{eyes}, window.pictures[{one}], window.pictures[{two}]];
    const lightness = (point) => {
        const [r, g, b] = eyes.map((row) => Math.min(1, Math.max(0, row[0] * point[0] + row[1] * point[1] + row[2] * point[2])));
        return Math.cbrt(0.2126 * r + 0.7152 * g + 0.0722 * b);
    };
    return one.filter((point, at) => Math.abs(lightness(point) - lightness(two[at])) > 1 / 3).length;";

/// How far the matrix, laid on the plain picture, is from what the browser itself draws for such eyes: the share of points that are more
/// than 4 of 255 off in any part.
const AGREE: &str = "const [eyes, plain, drawn] = [{eyes}, window.pictures[{plain}], window.pictures[{drawn}]];
    const byte = (part) => 255 * (part <= 0.0031308 ? 12.92 * part : 1.055 * part ** (1 / 2.4) - 0.055);
    const off = plain.filter((point, at) => eyes.some((row, part) => {
        const seen = Math.min(1, Math.max(0, row[0] * point[0] + row[1] * point[1] + row[2] * point[2]));
        return Math.abs(byte(seen) - byte(drawn[at][part])) > 4;
    }));
    return off.length / plain.length;";

/// What is compared: the first strip's track, without its numeral and its words, and without the trace, which would differ by itself.
const TRACK: &str = "document.querySelector('[data-test=\"strip-engine_rpm\"] canvas').style.visibility = 'hidden';
    const box = document.querySelector('[data-test=\"strip-engine_rpm\"] .track').getBoundingClientRect();
    return { x: Math.round(box.x), y: Math.round(box.y), width: Math.round(box.width), height: Math.round(box.height) }";
/// Fewer points than this are no shape that anyone sees: a square of 8 CSS pixels, where a marker is 28 wide.
const SEEN: u64 = 64;
const STRIP: &str = "[data-test=\"strip-engine_rpm\"]";

/// The states, how to bring each about, and how the page says it. None is first and old last: nothing comes in.
const STATES: [(&str, Option<u32>, &str); 6] = [
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
];

/// Says the same reading again and again, as a car does, until it is told another one or nothing.
struct Car {
    says: Arc<Mutex<Option<u32>>>,
    _gone: mpsc::Sender<()>,
}

impl Car {
    fn beside(hub: &mut Hub) -> Self {
        let says = Arc::new(Mutex::new(None));
        let (gone, ended) = mpsc::channel::<()>();
        let (mut lines, told) = (hub.stdin(), says.clone());
        thread::spawn(move || {
            while ended.recv_timeout(Duration::from_millis(100))
                == Err(mpsc::RecvTimeoutError::Timeout)
            {
                let value = *told.lock().unwrap_or_else(PoisonError::into_inner);
                if let Some(value) = value {
                    let _ = writeln!(lines, "{{\"engine_rpm\": {value}}}");
                }
            }
        });
        Self { says, _gone: gone }
    }

    fn say(&self, value: Option<u32>) {
        *self.says.lock().unwrap_or_else(PoisonError::into_inner) = value;
    }
}

async fn load(page: &Page, name: &str, place: &Value) -> Result<()> {
    let script = LOAD
        .replace("{name}", &json!(name).to_string())
        .replace("{box}", &place.to_string())
        .replace("{data}", &BASE64_STANDARD.encode(page.picture().await?));
    page.script_async(&script).await?;
    Ok(())
}

async fn states_are_told_apart(light: &str) -> Result<()> {
    let mut hub = Launch::serve(&data::own("car.toml"), &data::own("sheet.toml"))
        .source("lines:stdin")
        .with_stdin()
        .start();
    let car = Car::beside(&mut hub);
    let browser = Browser::start();
    let page = browser.page(light, PHONE).await;
    page.goto(&hub.url()).await?;
    page.script(&format!(
        "localStorage.setItem('spinover.light', '{light}')"
    ))
    .await?;
    page.goto("about:blank").await?;
    page.goto(&format!("{}/#{CREW_CODE}/idle/Ash", hub.url()))
        .await?;
    page.tap("caution-ok").await?;
    page.until_shows(&format!("html[data-light=\"{light}\"] {STRIP}"))
        .await;
    let mut words = Vec::new();
    let mut size = Value::Null;
    for (name, value, state) in STATES {
        car.say(value);
        page.until_shows(&format!("{STRIP}{state}")).await;
        let place = page.script(TRACK).await?;
        // Words under the name push the track down; its size stays.
        let this = json!([place["width"], place["height"]]);
        assert!(size.is_null() || size == this, "{name}: {size} and {this}");
        size = this;
        page.until_still().await?;
        for (eyes, kind, _) in EYES {
            page.see_as(kind).await?;
            load(&page, &format!("{name} {eyes}"), &place).await?;
        }
        page.see_as("none").await?;
        words.push(
            page.until_text(&format!("{STRIP} .word"), "a word", |_| true)
                .await,
        );
        // The state is still the one that was to be pictured, at the same place.
        anyhow::ensure!(
            page.shows(&format!("{STRIP}{state}")).await && page.script(TRACK).await? == place,
            "{name} did not last"
        );
    }
    car.say(None);
    for (eyes, _, matrix) in EYES {
        let matrix = json!(matrix).to_string();
        for (name, ..) in STATES {
            let script = AGREE
                .replace("{eyes}", &matrix)
                .replace("{plain}", &json!(format!("{name} grey")).to_string())
                .replace("{drawn}", &json!(format!("{name} {eyes}")).to_string());
            let off = page.script(&script).await?.as_f64().unwrap_or(1.0);
            assert!(
                off < 0.01,
                "{name} {eyes}: {off} of the points are not as the browser draws them"
            );
        }
        let mut nearest = (u64::MAX, "", "");
        for (at, (one, ..)) in STATES.iter().enumerate() {
            for (other, (two, ..)) in STATES[..at].iter().enumerate() {
                assert_ne!(words[at], words[other], "{one} and {two}");
                let script = DIFFER
                    .replace("{eyes}", &matrix)
                    .replace("{one}", &json!(format!("{one} grey")).to_string())
                    .replace("{two}", &json!(format!("{two} grey")).to_string());
                let differ = page.script(&script).await?.as_u64().unwrap_or(0);
                assert!(
                    differ >= SEEN,
                    "{light}, {eyes}: {one} and {two} differ in {differ} points only"
                );
                nearest = nearest.min((differ, one, two));
            }
        }
        let _ = writeln!(std::io::stderr(), "{light}, {eyes}: nearest {nearest:?}");
    }
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn a_strips_states_are_told_apart_by_any_eyes_by_day() -> Result<()> {
    states_are_told_apart("day").await
}

#[tokio::test(flavor = "multi_thread")]
async fn a_strips_states_are_told_apart_by_any_eyes_by_night() -> Result<()> {
    states_are_told_apart("night").await
}
