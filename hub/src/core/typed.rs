//! What people type in for the figures: taken, or refused with a reason that they can act on. Changes nothing.

use crate::figures::{
    CantSay,
    mix::{MixTolerance, mix},
    quantity::{Celsius, MilesPerHour, Ratio, Seconds},
    slip::{Slip, slip},
};
use spinover_protocol::{
    today::{CanPlan, Conditions, FlowBaseline, MixReading, TimeSlip},
    units::Unit,
};

/// Most that an adjuster is turned at once; more is a slip of the finger (no source).
const MOST_TURNS: f64 = 10.0;

/// One number and where it must lie.
struct Range {
    what: &'static str,
    unit: Unit,
    /// In what other unit it may have been typed: the phone that asked may show either.
    other: Option<Unit>,
    low: f64,
    high: f64,
}

impl Range {
    fn check(&self, value: f64) -> Result<(), String> {
        if (self.low..=self.high).contains(&value) {
            return Ok(());
        }
        let Self {
            what,
            unit,
            other,
            low,
            high,
        } = self;
        let mut reason = format!("{what} is between {low} and {high} {}", unit.label());
        if let Some(other) = other {
            let to = |value| unit.convert(value, *other).unwrap_or(f64::NAN);
            let (low, high) = (to(*low), to(*high));
            let decimals = usize::from(other.decimals());
            reason += &format!(" ({low:.decimals$} to {high:.decimals$} {})", other.label());
        }
        Err(reason)
    }
}

const fn range(what: &'static str, unit: Unit, low: f64, high: f64) -> Range {
    let other = None;
    Range {
        what,
        unit,
        other,
        low,
        high,
    }
}

const fn or(range: Range, other: Unit) -> Range {
    Range {
        other: Some(other),
        ..range
    }
}

// The ranges are those of the figures themselves; see `figures::air`, `mix`, `flow`.
const AIR_TEMP: Range = or(
    range("the air's temperature", Unit::DegC, -50.0, 60.0),
    Unit::DegF,
);
const PRESSURE: Range = or(
    range(
        "the pressure at the car itself, not at sea level,",
        Unit::HectoPascal,
        500.0,
        1100.0,
    ),
    Unit::InHg,
);
const HUMIDITY: Range = range("relative humidity", Unit::Percent, 0.0, 100.0);
const FUEL_TEMP: Range = or(
    range("the fuel's temperature", Unit::DegC, 0.0, 50.0),
    Unit::DegF,
);
const CAN: Range = or(
    range("what the can holds", Unit::Litre, 0.0, 1000.0),
    Unit::UsGal,
);
const WANTED: Range = or(
    range("what the can is to hold", Unit::Litre, 0.1, 1000.0),
    Unit::UsGal,
);
const NITRO: Range = range("nitromethane", Unit::Percent, 0.0, 100.0);
const FLOW: Range = or(
    range("the flow", Unit::LitrePerMin, 0.1, 1000.0),
    Unit::UsGalPerMin,
);
const DENSITY: Range = range(
    "the density of the air",
    Unit::KilogramPerCubicMetre,
    0.6,
    1.6,
);
const PER_DENSITY: Range = range(
    "flow for 1 % of density (denser air never wants less)",
    Unit::Percent,
    0.0,
    5.0,
);
const PER_KELVIN: Range = range("flow for one kelvin", Unit::Percent, -5.0, 5.0);
const RULE_OFF: Range = range("how far off the rule usually is", Unit::Percent, 0.0, 50.0);

pub(super) fn conditions(value: &Conditions) -> Result<(), String> {
    AIR_TEMP.check(value.temp_c)?;
    PRESSURE.check(value.pressure_hpa)?;
    HUMIDITY.check(value.rh_pct)
}

pub(super) fn mix_reading(value: &MixReading) -> Result<(), String> {
    FUEL_TEMP.check(value.temp_c)?;
    mix(
        Ratio(value.sg),
        Celsius(value.temp_c),
        MixTolerance::default(),
    )
    .map(|_| ())
    .map_err(|_| {
        format!(
            "no mix of nitromethane and methanol has a specific gravity of {} at that temperature; read hydrometer and thermometer again",
            value.sg
        )
    })
}

pub(super) fn can_plan(value: &CanPlan) -> Result<(), String> {
    CAN.check(value.held_l)?;
    value.held_pct.map_or(Ok(()), |pct| NITRO.check(pct))?;
    WANTED.check(value.want_l)?;
    NITRO.check(value.want_pct)?;
    FUEL_TEMP.check(value.temp_c)
}

pub(super) fn flow_baseline(value: &FlowBaseline) -> Result<(), String> {
    FLOW.check(value.flow_l_per_min)?;
    DENSITY.check(value.density_kg_m3)?;
    AIR_TEMP.check(value.temp_c)?;
    PER_DENSITY.check(value.pct_per_pct_density)?;
    PER_KELVIN.check(value.pct_per_k)?;
    RULE_OFF.check(value.sd_pct)
}

pub(super) fn bleed(turns: f64) -> Result<(), String> {
    if turns != 0.0 && turns.abs() <= MOST_TURNS {
        return Ok(());
    }
    Err(format!(
        "say by how many turns, out or in, at most {MOST_TURNS}"
    ))
}

pub(super) fn time_slip(value: &TimeSlip) -> Result<(), String> {
    slip(&slip_of(value)).map(|_| ()).map_err(|why| match why {
        CantSay::TooFew { .. } => "type at least one time of the slip".to_owned(),
        CantSay::Implausible {
            what, low, high, ..
        } if low >= 0.0 => {
            format!("{what} is above 0 and at most {high}")
        }
        CantSay::Implausible {
            what, low, high, ..
        } => format!("{what} is between {low} and {high}"),
        why => why.words(),
    })
}

/// The slip as the figure takes it.
pub(crate) fn slip_of(typed: &TimeSlip) -> Slip {
    let time = |value: Option<f64>| value.map(Seconds);
    let speed = |value: Option<f64>| value.map(MilesPerHour);
    Slip {
        reaction_s: time(typed.reaction_s),
        times_s: [typed.t60_s, typed.t330_s, typed.t660_s, typed.t1000_s].map(time),
        speeds_mph: [None, typed.v330_mph, typed.v660_mph, typed.v1000_mph].map(speed),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn air(temp_c: f64, pressure_hpa: f64, rh_pct: f64) -> Result<(), String> {
        conditions(&Conditions {
            temp_c,
            pressure_hpa,
            rh_pct,
            place: None,
        })
    }

    #[test]
    fn a_refusal_says_what_would_be_right_in_either_unit() {
        assert_eq!(air(31.0, 978.0, 40.0), Ok(()));
        let hot = air(88.0, 978.0, 40.0).unwrap_err();
        assert_eq!(
            hot,
            "the air's temperature is between -50 and 60 °C (-58 to 140 °F)"
        );
        let low = air(31.0, 28.9, 40.0).unwrap_err();
        assert!(
            low.contains("500 and 1100 hPa (14.76 to 32.48 inHg)"),
            "{low}"
        );
        assert!(air(31.0, 978.0, f64::NAN).is_err());
    }

    #[test]
    fn what_no_fuel_shows_is_refused() {
        let reading = |sg, temp_c| mix_reading(&MixReading { sg, temp_c });
        assert_eq!(reading(1.09, 25.0), Ok(()));
        assert!(reading(1.3, 25.0).unwrap_err().contains("read hydrometer"));
        assert!(reading(1.09, 77.0).unwrap_err().contains("32 to 122 °F"));
        assert!(reading(f64::NAN, 25.0).is_err());
    }

    #[test]
    fn a_rule_by_which_denser_air_wants_less_is_refused() {
        let rule = |pct_per_pct_density| FlowBaseline {
            flow_l_per_min: 30.0,
            density_kg_m3: 1.18,
            temp_c: 24.0,
            pct_per_pct_density,
            pct_per_k: 0.0,
            sd_pct: 2.0,
        };
        assert_eq!(flow_baseline(&rule(1.0)), Ok(()));
        assert!(
            flow_baseline(&rule(-0.5))
                .unwrap_err()
                .contains("never wants less")
        );
    }

    #[test]
    fn a_slip_needs_a_time_and_a_turn_a_size() {
        assert!(
            time_slip(&TimeSlip::default())
                .unwrap_err()
                .contains("at least one time")
        );
        let typed = |t60_s| TimeSlip {
            t60_s: Some(t60_s),
            ..TimeSlip::default()
        };
        assert_eq!(time_slip(&typed(0.86)), Ok(()));
        assert!(time_slip(&typed(-0.86)).unwrap_err().contains("above 0"));
        assert!(bleed(0.0).is_err() && bleed(f64::NAN).is_err() && bleed(11.0).is_err());
        assert_eq!(bleed(-0.25), Ok(()));
    }
}
