//! Each kind of mistake in a car file or a sheet is told with its line, what is wrong and what would be right.

mod alarms;
mod car;
mod fuel;
mod keys;
mod sensor;
mod sheet;
mod values;
mod whole;

use spinover::files::{self, CarFile, FileErrors};

const CAR: &str = r#"team = "Larkspur Racing"
name = "Kestrel"
sources = ["sim:"]

[tank]
capacity = 17
reserve = 2
unit = "gal"

[replay]
time = { column = "TIME", form = "clock" }
skip_lines = 13

[[channel]]
key = "engine_rpm"
label = "Engine"
unit = "rpm"
plausible = [0, 12000]
band = [2200, 2600]
column = "RPM"

[[channel]]
key = "oil_pressure"
unit = "psi"
decimals = 1
plausible = [0, 300]
max_rate = 500
old_after_s = 1.5
column = "OIL"
column_unit = "bar"
nth = 2
strip = "P:"

[[role]]
key = "chief"
strips = ["engine_rpm", "oil_pressure"]
figures = ["warm"]
calls = [{ text = "Idle up", to = "idle" }]

[[role]]
key = "idle"
"#;

const SHEET: &str = r#"key = "warm_up"
name = "Warm-up"

[[phase]]
key = "run"
name = "Run"
firing = true
bands = { oil_pressure = [60, 150] }

[[phase.step]]
key = "started"
text = "Engine runs"
owner = "chief"
safety = true
dwell_s = 1
limit_s = 8
late_call = "No start"

[[phase.step.gate]]
channel = "engine_rpm"
at_least = 1200
for_s = 1

[[phase.step]]
key = "oil_up"
text = "Oil pressure up"
owner = "idle"
ordered = false

[[phase.step.gate]]
channel = "oil_pressure"
in_band = true

[[phase]]
key = "off"
name = "Off"
shut_down = true

[[phase.step]]
key = "stopped"
text = "Engine stopped"
owner = "chief"

[[phase.step.gate]]
channel = "engine_rpm"
at_most = 50
"#;

fn car() -> CarFile {
    files::parse_car("car.toml", CAR).unwrap_or_else(|errors| panic!("{errors}"))
}

/// Where the piece starts in the text, as `line:column`.
fn place(text: &str, piece: &str) -> String {
    let at = text
        .find(piece)
        .unwrap_or_else(|| panic!("{piece:?} is not in the text"));
    let line = text[..at].matches('\n').count() + 1;
    let column = text[..at].chars().rev().take_while(|c| *c != '\n').count() + 1;
    format!("{line}:{column}")
}

/// The text with one piece changed; the piece must be there exactly once.
fn change(text: &str, from: &str, to: &str) -> String {
    assert_eq!(text.matches(from).count(), 1, "{from:?}");
    text.replace(from, to)
}

/// Expects exactly one mistake, where `at` first is in the changed text, saying all of `says`.
#[track_caller]
fn expect(file: &str, changed: &str, errors: Result<(), FileErrors>, at: &str, says: &[&str]) {
    let errors = errors.expect_err("a mistake");
    let told = errors.to_string();
    assert_eq!(errors.mistakes.len(), 1, "{told}");
    let place = place(changed, at);
    assert!(
        told.starts_with(&format!("{file}:{place}: ")),
        "should be at {place}: {told}"
    );
    for words in says {
        assert!(told.contains(words), "should say {words:?}: {told}");
    }
    assert!(
        told.contains("; "),
        "should say what would be right: {told}"
    );
}

/// Changes one piece of the car file, and expects one mistake.
#[track_caller]
fn car_says(from: &str, to: &str, at: &str, says: &[&str]) {
    let changed = change(CAR, from, to);
    expect(
        "car.toml",
        &changed,
        files::parse_car("car.toml", &changed).map(drop),
        at,
        says,
    );
}

/// Changes one piece of the sheet, and expects one mistake.
#[track_caller]
fn sheet_says(from: &str, to: &str, at: &str, says: &[&str]) {
    let changed = change(SHEET, from, to);
    expect(
        "sheet.toml",
        &changed,
        files::parse_sheet("sheet.toml", &changed, &car()).map(drop),
        at,
        says,
    );
}

#[test]
fn the_files_that_the_mistakes_are_put_into_are_good() {
    let sheet =
        files::parse_sheet("sheet.toml", SHEET, &car()).unwrap_or_else(|errors| panic!("{errors}"));
    let oil_up = sheet.step(&"oil_up".into()).unwrap().1;
    assert!(!oil_up.ordered);
    assert_eq!(
        sheet.step(&"started".into()).unwrap().1.dwell_ms,
        Some(1_000)
    );
}
