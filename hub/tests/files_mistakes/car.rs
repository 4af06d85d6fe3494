//! Mistakes that only a car file can hold.

use super::{CAR, car, car_says, change};
use spinover::files;
use spinover_protocol::units::Unit;

#[test]
fn defaults_are_the_documented_ones() {
    let file = car();
    let (_, rpm) = file.car.channel(&"engine_rpm".into()).unwrap();
    assert_eq!(
        (rpm.decimals, rpm.old_after_ms, rpm.max_rate),
        (0, 2_000, None)
    );
    let (_, oil) = file.car.channel(&"oil_pressure".into()).unwrap();
    assert_eq!(
        (oil.label.as_str(), oil.decimals, oil.old_after_ms),
        ("Oil pressure", 1, 1_500)
    );
    assert_eq!(file.car.role(&"idle".into()).unwrap().label, "Idle");
    let replay = file.replay.unwrap();
    assert_eq!(
        (replay.skip_lines, replay.separator, replay.columns[1].nth),
        (Some(13), b',', 2)
    );
    assert_eq!(
        (replay.columns[0].unit, replay.columns[1].unit),
        (Unit::Rpm, Unit::Bar)
    );
    assert_eq!(file.text, CAR);
}

#[test]
fn the_tank_is_kept_in_litres() {
    // 231 cubic inches of 16.387064 mL each.
    let litres = 231.0 * 0.016_387_064;
    let car = car().car;
    assert!(
        (car.tank_l.unwrap() - 17.0 * litres).abs() < 1e-9
            && (car.reserve_l.unwrap() - 2.0 * litres).abs() < 1e-9
    );
}

#[test]
fn tank_and_rates_make_sense() {
    car_says(
        "capacity = 17",
        "capacity = -1",
        "-1",
        &["`capacity` is -1", "above 0"],
    );
    car_says(
        "reserve = 2",
        "reserve = 17",
        "17\nunit",
        &["`reserve` is 17", "below 17"],
    );
    car_says(
        "reserve = 2",
        "reserve = -2",
        "-2\nunit",
        &["`reserve` is -2"],
    );
    car_says(
        "unit = \"gal\"",
        "unit = \"psi\" # tank",
        "\"psi\" # tank",
        &["no unit of volume", "`gal`"],
    );
    car_says(
        "max_rate = 500",
        "max_rate = 0",
        "0\nold",
        &["`max_rate` is 0"],
    );
    car_says(
        "old_after_s = 1.5",
        "old_after_s = 0",
        "0\ncolumn",
        &["`old_after_s` is 0"],
    );
}

#[test]
fn columns_make_sense() {
    car_says(
        "column_unit = \"bar\"",
        "column_unit = \"degC\"",
        "\"degC\"",
        &["`degC` does not convert to `psi`"],
    );
    car_says(
        "nth = 2",
        "nth = 0",
        "0\nstrip",
        &["`nth` is 0", "1 to 1000"],
    );
    let column = "column = \"OIL\"\ncolumn_unit = \"bar\"\nnth = 2\n";
    car_says(column, "", "\"P:\"", &["`strip` is there, but no `column`"]);
    car_says(
        "skip_lines = 13",
        "separator = \"::\"",
        "\"::\"",
        &["`separator`", "tab"],
    );
    car_says(
        "skip_lines = 13",
        "skip_lines = -1",
        "-1",
        &["`skip_lines` is -1"],
    );
}

#[test]
fn columns_and_the_replay_table_need_each_other() {
    let no_map = change(
        CAR,
        "[replay]\ntime = { column = \"TIME\", form = \"clock\" }\nskip_lines = 13\n",
        "",
    );
    let errors = files::parse_car("car.toml", &no_map)
        .unwrap_err()
        .to_string();
    assert!(
        errors.contains("there is no [replay]") && errors.contains("add `[replay]`"),
        "{errors}"
    );
    let mapping = |line: &&str| {
        ["column", "nth", "strip ="]
            .iter()
            .any(|start| line.starts_with(start))
    };
    let no_columns: String = CAR
        .lines()
        .filter(|line| !mapping(line))
        .map(|line| format!("{line}\n"))
        .collect();
    let errors = files::parse_car("car.toml", &no_columns)
        .unwrap_err()
        .to_string();
    assert!(
        errors.starts_with("car.toml:10:1: [replay] is there, but no channel has a `column`; "),
        "{errors}"
    );
}

#[test]
fn sources_are_written_rightly() {
    car_says(
        "[\"sim:\"]",
        "[\"smi:\"]",
        "\"smi:\"",
        &["no source is of the kind \"smi\"", "; forms are sim:"],
    );
    car_says("[\"sim:\"]", "[\"sim\"]", "\"sim\"", &["a colon", "; "]);
    car_says(
        "[\"sim:\"]",
        "[\"sim:\", \"replay:\"]",
        "\"replay:\"",
        &["needs a file"],
    );
}
