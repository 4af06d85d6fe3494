//! The example car files of `docs/cars`: each is read, and its sources are opened as far as this machine has them.

mod sources_support;

use sources_support::data;
use spinover::files::{CarFile, load_car};
use spinover::sources::{Setup, open};
use std::path::Path;

fn example(name: &str) -> (CarFile, Setup) {
    let path = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("../docs/cars")
        .join(name);
    let file = load_car(&path).unwrap_or_else(|errors| panic!("{errors}"));
    let setup = Setup {
        car: file.car.clone(),
        replay: file.replay.clone(),
        names: file.names.clone(),
        seed: 1,
    };
    (file, setup)
}

#[test]
fn the_bus_of_can_toml_opens_with_the_tests_dbc_file() {
    let (file, setup) = example("can.toml");
    let spec = file.sources[0].replace("kestrel.dbc", data("can/kestrel.dbc").to_str().unwrap());
    let source = open(&spec, &setup).unwrap_or_else(|error| panic!("{error:#}"));
    assert_eq!(source.name(), "can:can0");
    assert_eq!(setup.names.signals.len(), 4);
}

#[test]
fn the_station_of_weather_toml_opens() {
    let (file, setup) = example("weather.toml");
    let names: Vec<String> = file
        .sources
        .iter()
        .map(|spec| {
            open(&spec.replace(":7000", ":0"), &setup)
                .unwrap_or_else(|error| panic!("{error:#}"))
                .name()
        })
        .collect();
    assert_eq!(names[1], "nmea:serial:/dev/ttyUSB0");
    assert_eq!(setup.names.fields.len(), 4);
}

#[tokio::test]
async fn the_broker_and_the_board_open() {
    for (name, shown) in [
        ("broker.toml", "mqtt://192.168.1.10:1883/kestrel/#"),
        ("board.toml", "lines:serial:/dev/ttyACM0"),
    ] {
        let (file, setup) = example(name);
        assert_eq!(
            open(&file.sources[0], &setup)
                .unwrap_or_else(|error| panic!("{error:#}"))
                .name(),
            shown
        );
    }
}

#[test]
fn what_is_wrong_with_a_name_is_told_with_its_place() {
    let text = r#"
team = "Larkspur Racing"
name = "Kestrel"
[[channel]]
key = "air_temp"
unit = "degF"
plausible = [-40, 150]
nmea = "MDA.air_tmep"
signal_unit = "psi"
topic = "kestrel/#"
[[role]]
key = "chief"
"#;
    let said = spinover::files::parse_car("car.toml", text)
        .unwrap_err()
        .to_string();
    for words in [
        "car.toml:8",
        "MDA.air_tmep",
        "MDA.air_temp",
        "car.toml:9",
        "`signal_unit` is there, but no `signal`",
        "does not convert to `degF`",
        "car.toml:10",
        "wildcard",
    ] {
        assert!(said.contains(words), "{words}: {said}");
    }
}
