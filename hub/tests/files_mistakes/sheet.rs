//! Mistakes that only a sheet can hold.

use super::{SHEET, car, change, sheet_says};
use spinover::files;

#[test]
fn safety_steps_are_ordered() {
    let says = ["`ordered = false` on a safety step", "always ordered"];
    sheet_says(
        "safety = true",
        "safety = true\nordered = false # here",
        "false # here",
        &says,
    );
    let same = change(SHEET, "safety = true", "safety = true\nordered = true");
    assert!(
        files::parse_sheet("sheet.toml", &same, &car())
            .unwrap()
            .step(&"started".into())
            .unwrap()
            .1
            .ordered
    );
}

#[test]
fn times_make_sense() {
    sheet_says(
        "dwell_s = 1\n",
        "dwell_s = 8\n",
        "8\nlimit_s",
        &["`dwell_s` is not below `limit_s`"],
    );
    sheet_says(
        "dwell_s = 1\nlimit_s = 8\n",
        "limit_s = 0\n",
        "0\nlate_call",
        &["`limit_s` is 0"],
    );
    sheet_says(
        "for_s = 1\n",
        "for_s = -1\n",
        "-1\n",
        &["`for_s` is -1", "0 to 86400 seconds"],
    );
    sheet_says(
        "limit_s = 8",
        "limit_s = inf",
        "inf",
        &["not a finite number"],
    );
    sheet_says(
        "limit_s = 8\n",
        "",
        "\"No start\"",
        &["`late_call` is there, but no `limit_s`"],
    );
}

#[test]
fn gates_ask_one_thing_that_can_be() {
    let says = ["asks for at_least and at_most", "one gate asks one thing"];
    sheet_says(
        "at_least = 1200",
        "at_least = 1200\nat_most = 1300",
        "1300",
        &says,
    );
    sheet_says(
        "in_band = true",
        "in_band = false",
        "false\n\n[[phase]]",
        &["`in_band` is false"],
    );
    let says = [
        "outside what the sensor of `engine_rpm` can give",
        "[0, 12000] rpm",
    ];
    sheet_says("at_least = 1200", "at_least = 12001", "12001", &says);
    let says = [
        "`oil_pressure` has no band to be in",
        "bands = { oil_pressure",
    ];
    sheet_says(
        "bands = { oil_pressure = [60, 150] }\n",
        "",
        "true\n\n[[phase]]",
        &says,
    );
    let both = "for_s = 1\n\n[[phase.step.gate]]\nchannel = \"engine_rpm\"\nat_most = 1000\n";
    sheet_says(
        "for_s = 1\n",
        both,
        "1000",
        &["at most 1000 and at least 1200"],
    );
}

#[test]
fn the_last_phase_and_no_other_is_the_shut_down() {
    let says = [
        "no phase is the shut-down",
        "`shut_down = true` in the last phase",
    ];
    sheet_says("shut_down = true\n", "", "[[phase]]\nkey = \"off\"", &says);
    sheet_says(
        "firing = true",
        "shut_down = true # early",
        "true # early",
        &["shut-down phase is not the last"],
    );
    let swapped = change(
        &change(SHEET, "shut_down = true\n", ""),
        "firing = true",
        "shut_down = true",
    );
    let errors = files::parse_sheet("sheet.toml", &swapped, &car()).unwrap_err();
    assert!(errors.to_string().contains("not the last"), "{errors}");
}

#[test]
fn a_sheet_can_be_looked_at_without_its_car() {
    let text = change(SHEET, "dwell_s = 1", "dwel_s = 1");
    let errors = files::parse_sheet_alone("sheet.toml", &text).unwrap_err();
    assert_eq!(errors.mistakes.len(), 1, "{errors}");
    assert!(
        files::parse_sheet_alone("sheet.toml", &SHEET.replace("oil_pressure", "anything")).is_ok()
    );
}
