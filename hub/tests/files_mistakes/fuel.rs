//! The fuel's settings in a car file, and the mistakes that they can hold.

use super::CAR;
use spinover::files;
use spinover_protocol::today::FlowBaseline;

const FUEL: &str = r#"
[fuel]
nitro_limit_pct = 90

[flow]
number = 8
unit = "gal/min"
density_kg_m3 = 1.15
temp = 77
temp_unit = "degF"
"#;

fn says(from: &str, to: &str, words: &[&str]) {
    assert!(FUEL.contains(from));
    let text = CAR.to_owned() + &FUEL.replacen(from, to, 1);
    let told = files::parse_car("car.toml", &text).unwrap_err().to_string();
    for word in words {
        assert!(told.contains(word), "{word} is not in: {told}");
    }
}

#[test]
fn the_rule_is_kept_in_the_figures_units_and_has_the_documented_defaults() {
    assert_eq!(super::car().car.fuel, None);
    let file = files::parse_car("car.toml", &(CAR.to_owned() + FUEL)).unwrap();
    let fuel = file.car.fuel.unwrap();
    assert_eq!(fuel.nitro_limit_pct, Some(90.0));
    let wanted = FlowBaseline {
        flow_l_per_min: 8.0 * 3.785_411_784,
        density_kg_m3: 1.15,
        temp_c: 25.0,
        pct_per_pct_density: 1.0,
        pct_per_k: 0.0,
        sd_pct: 2.0,
    };
    assert_eq!(fuel.flow, Some(wanted));
}

#[test]
fn what_no_fuel_or_air_can_be_is_told() {
    says("= 90", "= 105", &["`nitro_limit_pct` is 105", "0 to 100 %"]);
    says(
        "number = 8",
        "number = 0",
        &["`number` is 0", "0.03 to 264.17 US gal/min"],
    );
    says(
        "temp = 77",
        "temp = 300",
        &["`temp` is 300", "-58.00 to 140.00 degF"],
    );
    says(
        "\"degF\"",
        "\"psi\"",
        &["no unit of temperature", "`degC` or `degF`"],
    );
    says("gal/min", "gal", &["no unit of flow", "`gal/min`"]);
    says(
        "= 1.15",
        "= 1150",
        &["`density_kg_m3` is 1150", "0.6 to 1.6"],
    );
    says("temp = 77\n", "", &["[flow] has no `temp`"]);
    says("[flow]", "[flow]\nper_density = -1", &["0 to 5 %"]);
}
