//! Mistakes in what a car file says of sensors and of the sources that they are heard through.

use super::{CAR, car_says, change};
use spinover::files;
use spinover_protocol::trust::{Calibration, Sensor};

#[test]
fn what_is_said_is_kept() {
    let text = change(CAR, "[\"sim:\"]", "[\"dash=sim:\", \"lines:stdin\"]");
    let said = "max_rate = 500\nprefer = [\"posted\", \"dash\"]\nback_after_s = 1.5\nstuck_after_s = 10\noffset = -2.5\ngain = 1.02";
    let text = change(&text, "max_rate = 500", said);
    let file = files::parse_car("car.toml", &text).unwrap();
    assert_eq!(file.sources, ["dash=sim:", "lines:stdin"]);
    let (_, oil) = file.car.channel(&"oil_pressure".into()).unwrap();
    assert_eq!(
        oil.sensor,
        Sensor {
            prefer: vec!["posted".to_owned(), "dash".to_owned()],
            back_after_ms: Some(1_500),
            stuck_after_ms: Some(10_000),
            calibration: Calibration {
                offset: -2.5,
                gain: 1.02
            },
        }
    );
    let (_, rpm) = file.car.channel(&"engine_rpm".into()).unwrap();
    assert_eq!(rpm.sensor, Sensor::default());
}

#[test]
fn sources_are_named_rightly() {
    car_says(
        "[\"sim:\"]",
        "[\"dash=smi:\"]",
        "\"dash=smi:\"",
        &["no source is of the kind \"smi\""],
    );
    car_says(
        "[\"sim:\"]",
        "[\"dash=sim:\", \"dash=lines:stdin\"]",
        "\"dash=lines",
        &["source `dash` is on line", "a key of its own"],
    );
    car_says(
        "[\"sim:\"]",
        "[\"posted=sim:\"]",
        "\"posted=sim:\"",
        &["a source is named `posted`", "another name"],
    );
    // What stands before the `=` is no name, so it is taken for a SPEC, which it is not either.
    car_says("[\"sim:\"]", "[\"My Dash=sim:\"]", "\"My Dash", &["; "]);
}

#[test]
fn preferred_sources_are_there() {
    car_says(
        "max_rate = 500",
        "prefer = [\"dash\"]",
        "\"dash\"",
        &["no source is named `dash`", "name it: `sources"],
    );
    car_says(
        "max_rate = 500",
        "prefer = [\"posted\", \"posted\"]",
        "\"posted\"]",
        &["source `posted` is listed twice"],
    );
    let named = change(CAR, "[\"sim:\"]", "[\"dash=sim:\"]");
    let near = change(&named, "max_rate = 500", "prefer = [\"dahs\"]");
    let errors = files::parse_car("car.toml", &near).unwrap_err().to_string();
    assert!(errors.contains("did you mean `dash`?"), "{errors}");
    // Where the command line names the sources, the file cannot know.
    let unlisted = change(CAR, "sources = [\"sim:\"]\n", "");
    let unlisted = change(&unlisted, "max_rate = 500", "prefer = [\"dash\"]");
    assert!(files::parse_car("car.toml", &unlisted).is_ok());
}

#[test]
fn a_calibration_is_a_sensors() {
    car_says(
        "max_rate = 500",
        "gain = 6.895",
        "6.895",
        &["`gain` is 6.895", "0.5 to 2", "a unit is no gain"],
    );
    car_says("max_rate = 500", "gain = 0", "0\nold", &["`gain` is 0"]);
    car_says(
        "max_rate = 500",
        "offset = -151",
        "-151",
        &["`offset` is -151", "less than half of `plausible` (150)"],
    );
    car_says(
        "max_rate = 500",
        "stuck_after_s = -1",
        "-1",
        &["`stuck_after_s`"],
    );
    car_says(
        "max_rate = 500",
        "back_after_s = \"3\"",
        "\"3\"",
        &["`back_after_s`"],
    );
}
