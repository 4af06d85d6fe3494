//! Values: of the wrong kind, out of range, the wrong way round.

use super::{car_says, sheet_says};
use spinover::files;

#[test]
fn values_are_of_the_right_kind() {
    car_says(
        "label = \"Engine\"",
        "label = 5",
        "5\nunit",
        &["`label` is a number", "text in quotes"],
    );
    car_says(
        "decimals = 1",
        "decimals = \"1\"",
        "\"1\"",
        &["`decimals` is text in quotes", "a number"],
    );
    car_says("decimals = 1", "decimals = 1.5", "1.5", &["whole number"]);
    car_says(
        "decimals = 1",
        "decimals = 9",
        "9\n",
        &["`decimals` is 9", "0 to 6"],
    );
    let strips = "strips = [\"engine_rpm\", \"oil_pressure\"]";
    car_says(
        strips,
        "strips = \"engine_rpm\"",
        "\"engine_rpm\"\nfigures",
        &["a list of texts"],
    );
    car_says(strips, "strips = [7]", "7]\nfigures", &["a list of texts"]);
    let calls = "calls = [{ text = \"Idle up\", to = \"idle\" }]";
    car_says(
        calls,
        "calls = [\"Idle up\"]",
        "\"Idle up\"",
        &["text in quotes", "list of tables"],
    );
    sheet_says(
        "firing = true",
        "firing = \"yes\"",
        "\"yes\"",
        &["`firing` is text", "true or false"],
    );
    sheet_says(
        "bands = { oil_pressure = [60, 150] }",
        "bands = [60, 150]",
        "[60, 150]",
        &["`bands` is a list", "a table of bands"],
    );
    sheet_says(
        "for_s = 1\n",
        "for_s = 2026-11-25\n",
        "2026-11-25",
        &["a date or time"],
    );
    sheet_says(
        "at_least = 1200",
        "at_least = inf",
        "inf",
        &["not a finite number"],
    );
    sheet_says(
        "at_least = 1200",
        "at_least = 99999999999999999999",
        "9999",
        &["not a finite number"],
    );
}

#[test]
fn bands_are_the_right_way_round_and_within_what_is_plausible() {
    let band = "band = [2200, 2600]";
    car_says(
        band,
        "band = [2600, 2200]",
        "[2600",
        &["low 2600 and high 2200", "`band = [2200, 2600]`"],
    );
    car_says(
        band,
        "band = [2200, 2200]",
        "[2200, 2200]",
        &["leave some room"],
    );
    car_says(
        band,
        "band = [2200]",
        "[2200]",
        &["1 numbers", "[low, high]"],
    );
    car_says(band, "band = 2200", "2200", &["not a pair"]);
    car_says(
        band,
        "band = [2200, 26000]",
        "[2200",
        &["outside `plausible`", "[0, 12000]"],
    );
    car_says(
        band,
        "band = [2200, \"2600\"]",
        "\"2600\"",
        &["text in quotes", "a number"],
    );
    car_says(
        "plausible = [0, 300]",
        "plausible = [0, nan]",
        "nan",
        &["not a finite number"],
    );
    sheet_says(
        "[60, 150]",
        "[60, 400]",
        "[60, 400]",
        &["band of `oil_pressure`", "[0, 300] psi"],
    );
    sheet_says(
        "[60, 150]",
        "[150, 60]",
        "[150, 60]",
        &["`oil_pressure = [60, 150]`"],
    );
}

#[test]
fn single_and_double_brackets_are_told_apart() {
    let single = "team = \"T\"\nname = \"N\"\n[channel]\nkey = \"x\"\n[[role]]\nkey = \"chief\"\n";
    let errors = files::parse_car("car.toml", single)
        .unwrap_err()
        .to_string();
    assert!(
        errors.starts_with("car.toml:3:1: ")
            && errors.contains("`[[channel]]` with double brackets"),
        "{errors}"
    );
    car_says(
        "[tank]",
        "[[tank]]",
        "[[tank]]",
        &["`[tank]` with single brackets"],
    );
}

#[test]
fn text_is_there_short_and_printable() {
    car_says(
        "label = \"Engine\"",
        "label = \"  \"",
        "\"  \"",
        &["`label` is empty"],
    );
    let long = format!("label = \"{}\"", "e".repeat(41));
    car_says(
        "label = \"Engine\"",
        &long,
        "\"eee",
        &["41 characters", "40 or fewer"],
    );
    // Characters count, not bytes.
    let long = format!("text = \"{}\"", "é".repeat(201));
    sheet_says(
        "text = \"Engine runs\"",
        &long,
        "\"ééé",
        &["201 characters", "200 or fewer"],
    );
    sheet_says(
        "text = \"Engine runs\"",
        "text = \"Engine\\u0007 runs\"",
        "\"Engine\\u0007",
        &["control characters"],
    );
}
