//! Quantities with their unit in the type, so that a density cannot be handed over as a pressure.
//! Values only; no parsing, no I/O.

use std::fmt;

use serde::{Deserialize, Serialize};
use spinover_protocol::units::Unit;

macro_rules! quantities {
    ($($(#[$doc:meta])* $name:ident = $unit:expr;)*) => {$(
        $(#[$doc])*
        #[derive(Copy, Clone, Debug, PartialEq, PartialOrd, Default, Serialize, Deserialize)]
        #[serde(transparent)]
        pub struct $name(pub f64);

        impl $name {
            /// The unit that the bare number is in.
            pub const UNIT: Unit = $unit;

            /// The bare number, in [`Self::UNIT`].
            pub const fn get(self) -> f64 {
                self.0
            }

            /// The same quantity in another unit; `None` where `unit` measures something else.
            pub fn to(self, unit: Unit) -> Option<f64> {
                Self::UNIT.convert(self.0, unit)
            }

            /// A quantity given in any unit of the same kind; `None` where `unit` measures
            /// something else.
            pub fn from_unit(value: f64, unit: Unit) -> Option<Self> {
                unit.convert(value, Self::UNIT).map(Self)
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                let decimals = f.precision().unwrap_or(usize::from(Self::UNIT.decimals()));
                write!(f, "{:.*} {}", decimals, self.0, Self::UNIT.label())
            }
        }
    )*};
}

quantities! {
    /// A temperature, degrees Celsius.
    Celsius = Unit::DegC;
    /// A pressure, pascals.
    Pascals = Unit::Pascal;
    /// A barometric pressure, hectopascals.
    HectoPascals = Unit::HectoPascal;
    /// A density, kilograms per cubic metre.
    KgPerM3 = Unit::KilogramPerCubicMetre;
    /// A length or altitude, metres.
    Metres = Unit::Metre;
    /// A length or altitude, feet.
    Feet = Unit::Foot;
    /// A volume flow, litres per minute.
    LitresPerMin = Unit::LitrePerMin;
    /// A volume, litres.
    Litres = Unit::Litre;
    /// A time, seconds.
    Seconds = Unit::Second;
    /// An engine speed, revolutions per minute.
    Rpm = Unit::Rpm;
    /// A share, percent.
    Percent = Unit::Percent;
    /// A pure ratio.
    Ratio = Unit::One;
    /// Turns of an adjuster.
    Turns = Unit::Turn;
    /// An angle, degrees.
    Degrees = Unit::DegAngle;
    /// A speed, miles per hour.
    MilesPerHour = Unit::MilePerHour;
    /// An acceleration, standard gravities.
    Gravities = Unit::StandardGravity;
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_quantity_converts_within_its_kind_only() {
        assert_eq!(HectoPascals(1013.25).to(Unit::Pascal), Some(101_325.0));
        assert_eq!(HectoPascals(1013.25).to(Unit::DegC), None);
        assert_eq!(Celsius::from_unit(212.0, Unit::DegF), Some(Celsius(100.0)));
        assert_eq!(Celsius::from_unit(1.0, Unit::Psi), None);
    }

    #[test]
    fn a_quantity_shows_its_unit_and_is_a_bare_number_in_json() {
        assert_eq!(Litres(4.06).to_string(), "4.1 L");
        assert_eq!(format!("{:.3}", KgPerM3(1.2)), "1.200 kg/m³");
        assert_eq!(serde_json::to_string(&Rpm(2410.0)).unwrap(), "2410.0");
    }
}
