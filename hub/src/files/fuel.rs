//! The car file's settings for the fuel: `[fuel]`, what the rule book allows, and `[flow]`, the chief's rule for the flow.

use super::car::unit;
use super::walk::{Key, Kind, Spot, Walk};
use spinover_protocol::{car::FuelSettings, today::FlowBaseline, units::Unit};

const fn key(name: &'static str, example: &'static str) -> Key {
    Key { name, example }
}

pub(super) const FUEL: Kind = Kind {
    header: "[fuel]",
    keys: &[key("nitro_limit_pct", "nitro_limit_pct = 90")],
};
pub(super) const FLOW: Kind = Kind {
    header: "[flow]",
    keys: &[
        key("number", "number = 7.9"),
        key("unit", "unit = \"gal/min\""),
        key("density_kg_m3", "density_kg_m3 = 1.18"),
        key("temp", "temp = 75"),
        key("temp_unit", "temp_unit = \"degF\""),
        key("per_density", "per_density = 1"),
        key("per_kelvin", "per_kelvin = 0"),
        key("off_pct", "off_pct = 2"),
    ],
};

/// The fuel's settings; absent when the file has neither table.
pub(super) fn fuel(root: &Walk<'_>) -> Option<FuelSettings> {
    let limit = root.table("fuel", &FUEL).and_then(|walk| {
        walk.need("nitro_limit_pct");
        Some(walk.number_in("nitro_limit_pct", 0.0..=100.0, " %")?.value)
    });
    let flow = root.table("flow", &FLOW).and_then(|walk| flow(&walk));
    (limit.is_some() || flow.is_some()).then_some(FuelSettings {
        nitro_limit_pct: limit,
        flow,
    })
}

fn flow(walk: &Walk<'_>) -> Option<FlowBaseline> {
    for name in ["number", "unit", "density_kg_m3", "temp", "temp_unit"] {
        walk.need(name);
    }
    // The ranges are those of the figure; see `figures::flow`.
    let flow = measured(walk, ("number", "unit"), &FLOWS);
    let temp = measured(walk, ("temp", "temp_unit"), &TEMPS);
    let density = walk.number_in("density_kg_m3", 0.6..=1.6, " kg/m3");
    let or = |spot: Option<Spot<f64>>, usual: f64| spot.map_or(usual, |spot| spot.value);
    let pct_per_pct_density = or(walk.number_in("per_density", 0.0..=5.0, " %"), 1.0);
    let pct_per_k = or(walk.number_in("per_kelvin", -5.0..=5.0, " %"), 0.0);
    let sd_pct = or(walk.number_in("off_pct", 0.0..=50.0, " %"), 2.0);
    Some(FlowBaseline {
        flow_l_per_min: flow?,
        density_kg_m3: density?.value,
        temp_c: temp?,
        pct_per_pct_density,
        pct_per_k,
        sd_pct,
    })
}

/// A quantity with its unit beside it: what it is, in which unit it is kept, where it may lie, which units are usual.
struct Quantity {
    what: &'static str,
    kept: Unit,
    low: f64,
    high: f64,
    usual: &'static str,
}

const FLOWS: Quantity = Quantity {
    what: "flow",
    kept: Unit::LitrePerMin,
    low: 0.1,
    high: 1000.0,
    usual: "`L/min` or `gal/min`",
};
const TEMPS: Quantity = Quantity {
    what: "temperature",
    kept: Unit::DegC,
    low: -50.0,
    high: 60.0,
    usual: "`degC` or `degF`",
};

fn measured(walk: &Walk<'_>, (number, its_unit): (&str, &str), quantity: &Quantity) -> Option<f64> {
    let value = walk.number(number);
    let unit = unit(walk, its_unit)?;
    let Quantity {
        what,
        kept,
        low,
        high,
        usual,
    } = quantity;
    if unit.value.dimension() != kept.dimension() {
        let wrong = format!("`{}` is no unit of {what}", unit.value);
        walk.notes.wrong(unit.at, wrong, format!("use {usual}"));
        return None;
    }
    let value = value?;
    let converted = unit.value.convert(value.value, *kept)?;
    if !(*low..=*high).contains(&converted) {
        let to = |bound: f64| kept.convert(bound, unit.value).unwrap_or(bound);
        let right = format!(
            "give a {what} from {:.2} to {:.2} {}",
            to(*low),
            to(*high),
            unit.value
        );
        let wrong = format!("`{number}` is {}", value.value);
        walk.notes.wrong(value.at, wrong, right);
        return None;
    }
    Some(converted)
}
