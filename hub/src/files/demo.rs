//! The demo files, built into the program, so that `spinover demo` needs nothing on disk. Their text is in `hub/demo/`.

use super::{CarFile, FileErrors, Marked, parse_car, parse_season, parse_sheet, parse_turnaround};
use spinover_protocol::season::Counter;
use spinover_protocol::sheet::Sheet;
use spinover_protocol::turnaround::Plan;

/// The invented car of the demo, Larkspur Racing's Kestrel: `kestrel.toml`.
pub const KESTREL: &str = include_str!("../../demo/kestrel.toml");
/// Its sheet for a warm-up in the pit: `pit-warm-up.toml`.
pub const PIT_WARM_UP: &str = include_str!("../../demo/pit-warm-up.toml");
/// Its sheet from the lanes to the line: `to-the-line.toml`.
pub const TO_THE_LINE: &str = include_str!("../../demo/to-the-line.toml");
/// What its crew does between rounds: `between-rounds.toml`.
pub const BETWEEN_ROUNDS: &str = include_str!("../../demo/between-rounds.toml");
/// What it counts over a season: `season.toml`.
pub const SEASON: &str = include_str!("../../demo/season.toml");
/// The car file for a real recording, a light aircraft engine's ground run: `ground-run.toml`.
pub const GROUND_RUN: &str = include_str!("../../demo/ground-run.toml");
/// The sheet that goes with the recording: `ground-run-sheet.toml`.
pub const GROUND_RUN_SHEET: &str = include_str!("../../demo/ground-run-sheet.toml");

/// The demo's car, with the simulated engine as its source.
///
/// # Errors
/// When the file built into the program is wrong; a test makes sure that it is not.
pub fn car() -> Result<CarFile, FileErrors> {
    parse_car("kestrel.toml", KESTREL)
}

/// The demo's sheets: the pit warm-up first, then to the line.
///
/// # Errors
/// As [`car`].
pub fn sheets() -> Result<Vec<Sheet>, FileErrors> {
    let car = car()?;
    Ok(vec![
        parse_sheet("pit-warm-up.toml", PIT_WARM_UP, &car)?,
        parse_sheet("to-the-line.toml", TO_THE_LINE, &car)?,
    ])
}

/// The demo's turnaround file.
///
/// # Errors
/// As [`car`].
pub fn between_rounds() -> Result<Plan, FileErrors> {
    parse_turnaround("between-rounds.toml", BETWEEN_ROUNDS, Some(&car()?))
}

/// The demo's season file.
///
/// # Errors
/// As [`car`].
pub fn season() -> Result<Vec<Counter>, FileErrors> {
    let (sheets, plan) = (sheets()?, between_rounds()?);
    let sheets: Vec<&Sheet> = sheets.iter().collect();
    let marked = Marked {
        sheets: Some(&sheets),
        plan: Some(&plan),
    };
    parse_season("season.toml", SEASON, marked)
}

/// The car file for the replay of a real ground run; the recording itself is not built in.
///
/// # Errors
/// As [`car`].
pub fn real_car() -> Result<CarFile, FileErrors> {
    parse_car("ground-run.toml", GROUND_RUN)
}

/// The sheet for the replay of a real ground run.
///
/// # Errors
/// As [`car`].
pub fn real_sheet() -> Result<Sheet, FileErrors> {
    parse_sheet("ground-run-sheet.toml", GROUND_RUN_SHEET, &real_car()?)
}
