//! Units of measure: their symbols, exact conversions, and what a phone shows. No I/O, no state.
//!
//! Factors are exact by definition (international inch 25.4 mm, foot 0.3048 m, avoirdupois pound
//! 0.45359237 kg, standard gravity 9.80665 m/s2, US gallon 231 cubic inches), as tabulated in
//! NIST SP 811 appendix B. The one that is not a defined number is the inch of mercury: it is
//! taken as 25.4 mm of mercury of the conventional density 13595.1 kg/m3 under standard gravity,
//! which agrees with the rounded SP 811 value 3386.389 Pa to 1.1e-7.

use std::fmt;
use std::str::FromStr;

use crate::json::FromJson;
use serde::de::{self, Visitor};
use serde::{Deserialize, Deserializer, Serialize, Serializer};

/// Pascals in one pound-force per square inch: 0.45359237 kg x 9.80665 m/s2 / (0.0254 m)^2,
/// worked out exactly and rounded once.
const PA_PER_PSI: f64 = 6_894.757_293_168_362;
/// Pascals in one inch of conventional mercury: 13595.1 kg/m3 x 9.80665 m/s2 x 0.0254 m, exact.
const PA_PER_INHG: f64 = 3_386.388_640_341;
/// Litres in one US gallon: 231 x 2.54^3 / 1000.
const L_PER_US_GAL: f64 = 3.785_411_784;
/// Metres in one foot.
const M_PER_FT: f64 = 0.3048;
/// Metres per second in one mile per hour: 5280 ft x 0.3048 m / 3600 s.
const MPS_PER_MPH: f64 = 0.447_04;
/// Metres per second squared in one standard gravity.
const MPS2_PER_G: f64 = 9.806_65;

/// What kind of quantity a unit measures; units convert only within one dimension.
#[derive(Copy, Clone, Eq, PartialEq, Ord, PartialOrd, Hash, Debug)]
pub enum Dimension {
    /// Revolutions in a time.
    RotationalSpeed,
    /// A point on a temperature scale, not a difference of two.
    Temperature,
    /// Force on an area.
    Pressure,
    /// Volume in a time.
    VolumeFlow,
    /// Volume.
    Volume,
    /// Plane angle.
    Angle,
    /// A pure ratio.
    Ratio,
    /// Electric potential.
    Voltage,
    /// Electric current.
    Current,
    /// Time.
    Time,
    /// Length.
    Length,
    /// Length in a time.
    Speed,
    /// Mass in a time.
    MassFlow,
    /// Mass in a volume.
    Density,
    /// Mass in a mass: of water in the dry air that carries it.
    MassShare,
    /// Speed in a time.
    Acceleration,
}

/// A system of units that a phone can show.
#[derive(
    Copy,
    Clone,
    Eq,
    PartialEq,
    Ord,
    PartialOrd,
    Hash,
    Debug,
    Default,
    Serialize,
    Deserialize,
    FromJson,
)]
#[serde(rename_all = "lowercase")]
pub enum System {
    /// US customary: degF, psi, inHg, US gal, ft, mph.
    #[default]
    Us,
    /// SI and units accepted with it: degC, kPa, hPa, L, m, km/h.
    Si,
}

/// A unit of measure. On the wire and in files it is its symbol (`"degF"`, `"US gal/min"`).
#[derive(Copy, Clone, Eq, PartialEq, Ord, PartialOrd, Hash, Debug)]
pub enum Unit {
    /// Revolutions per minute.
    Rpm,
    /// Degree Celsius.
    DegC,
    /// Degree Fahrenheit.
    DegF,
    /// Kelvin.
    Kelvin,
    /// Kilopascal.
    KiloPascal,
    /// Pascal.
    Pascal,
    /// Hectopascal, the same as a millibar.
    HectoPascal,
    /// Bar.
    Bar,
    /// Pound-force per square inch.
    Psi,
    /// Inch of (conventional) mercury.
    InHg,
    /// Litre per minute.
    LitrePerMin,
    /// Litre per hour.
    LitrePerHour,
    /// US gallon per minute.
    UsGalPerMin,
    /// US gallon per hour.
    UsGalPerHour,
    /// Litre.
    Litre,
    /// US gallon.
    UsGal,
    /// Millilitre.
    MilliLitre,
    /// Degree of angle.
    DegAngle,
    /// Whole turn.
    Turn,
    /// Percent.
    Percent,
    /// Dimensionless, one.
    One,
    /// Volt.
    Volt,
    /// Ampere.
    Ampere,
    /// Second.
    Second,
    /// Minute of time.
    Minute,
    /// Metre.
    Metre,
    /// International foot.
    Foot,
    /// Metre per second.
    MetrePerSecond,
    /// Foot per second.
    FootPerSecond,
    /// Mile per hour.
    MilePerHour,
    /// Kilometre per hour.
    KilometrePerHour,
    /// Gram per second.
    GramPerSecond,
    /// Kilogram per cubic metre.
    KilogramPerCubicMetre,
    /// Gram per kilogram.
    GramPerKilogram,
    /// Grain per pound: 7000 grains are a pound.
    GrainPerPound,
    /// Standard gravity, as a unit of acceleration.
    StandardGravity,
    /// Metre per second squared.
    MetrePerSecondSquared,
}

/// A spelling that names no unit known here.
#[derive(Clone, Eq, PartialEq, Debug)]
pub struct UnknownUnit(
    /// The spelling, as given.
    pub String,
);

impl fmt::Display for UnknownUnit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "unknown unit {:?}; known are", self.0)?;
        for (i, unit) in Unit::ALL.iter().enumerate() {
            write!(f, "{}{}", if i == 0 { " " } else { ", " }, unit.symbol())?;
        }
        Ok(())
    }
}

impl std::error::Error for UnknownUnit {}

impl Unit {
    /// Every unit, in the order of the definition.
    pub const ALL: [Unit; 37] = [
        Unit::Rpm,
        Unit::DegC,
        Unit::DegF,
        Unit::Kelvin,
        Unit::KiloPascal,
        Unit::Pascal,
        Unit::HectoPascal,
        Unit::Bar,
        Unit::Psi,
        Unit::InHg,
        Unit::LitrePerMin,
        Unit::LitrePerHour,
        Unit::UsGalPerMin,
        Unit::UsGalPerHour,
        Unit::Litre,
        Unit::UsGal,
        Unit::MilliLitre,
        Unit::DegAngle,
        Unit::Turn,
        Unit::Percent,
        Unit::One,
        Unit::Volt,
        Unit::Ampere,
        Unit::Second,
        Unit::Minute,
        Unit::Metre,
        Unit::Foot,
        Unit::MetrePerSecond,
        Unit::FootPerSecond,
        Unit::MilePerHour,
        Unit::KilometrePerHour,
        Unit::GramPerSecond,
        Unit::KilogramPerCubicMetre,
        Unit::GramPerKilogram,
        Unit::GrainPerPound,
        Unit::StandardGravity,
        Unit::MetrePerSecondSquared,
    ];

    /// The one symbol this unit is written with, in files and on the wire (ASCII).
    pub const fn symbol(self) -> &'static str {
        match self {
            Unit::Rpm => "rpm",
            Unit::DegC => "degC",
            Unit::DegF => "degF",
            Unit::Kelvin => "K",
            Unit::KiloPascal => "kPa",
            Unit::Pascal => "Pa",
            Unit::HectoPascal => "hPa",
            Unit::Bar => "bar",
            Unit::Psi => "psi",
            Unit::InHg => "inHg",
            Unit::LitrePerMin => "L/min",
            Unit::LitrePerHour => "L/h",
            Unit::UsGalPerMin => "US gal/min",
            Unit::UsGalPerHour => "US gal/h",
            Unit::Litre => "L",
            Unit::UsGal => "US gal",
            Unit::MilliLitre => "mL",
            Unit::DegAngle => "deg",
            Unit::Turn => "turn",
            Unit::Percent => "%",
            Unit::One => "one",
            Unit::Volt => "V",
            Unit::Ampere => "A",
            Unit::Second => "s",
            Unit::Minute => "min",
            Unit::Metre => "m",
            Unit::Foot => "ft",
            Unit::MetrePerSecond => "m/s",
            Unit::FootPerSecond => "ft/s",
            Unit::MilePerHour => "mph",
            Unit::KilometrePerHour => "km/h",
            Unit::GramPerSecond => "g/s",
            Unit::KilogramPerCubicMetre => "kg/m3",
            Unit::GramPerKilogram => "g/kg",
            Unit::GrainPerPound => "gr/lb",
            Unit::StandardGravity => "g",
            Unit::MetrePerSecondSquared => "m/s2",
        }
    }

    /// What a screen writes after a number: as [`Unit::symbol`], but with degree signs, short
    /// gallons, and nothing for a dimensionless number.
    pub const fn label(self) -> &'static str {
        match self {
            Unit::DegC => "°C",
            Unit::DegF => "°F",
            Unit::DegAngle => "°",
            Unit::UsGal => "gal",
            Unit::UsGalPerMin => "gal/min",
            Unit::UsGalPerHour => "gal/h",
            Unit::One => "",
            Unit::KilogramPerCubicMetre => "kg/m³",
            Unit::MetrePerSecondSquared => "m/s²",
            other => other.symbol(),
        }
    }

    /// Reads a unit from any of its usual spellings: case, spaces, degree signs, plural `s` and
    /// `per` for `/` do not matter (`C`, `°C`, `deg C`, `PSI`, `LPH`, `gpm`, `litres/min`).
    /// A bare gallon is a US gallon; imperial gallons are not known and give `None`, and so does
    /// `mpa`, which case alone would have to tell from `MPa`.
    pub fn parse(text: &str) -> Option<Unit> {
        let mut s = String::with_capacity(text.len());
        for c in text.trim().chars() {
            match c {
                // Both characters used for "degree", and the masculine ordinal often typed for it.
                '°' | '˚' | 'º' => s.push_str("deg"),
                '℃' => s.push_str("degc"),
                '℉' => s.push_str("degf"),
                '²' => s.push('2'),
                '³' => s.push('3'),
                '″' | '"' => s.push_str("in"),
                ' ' | '\u{a0}' | '_' | '.' | '^' | '-' => {}
                c => s.extend(c.to_lowercase()),
            }
        }
        if s.contains("per") && s != "percent" {
            s = s.replace("per", "/");
        }
        Some(match s.as_str() {
            "rpm" | "r/min" | "rev/min" | "revs/min" | "rev/minute" | "revs/minute"
            | "revolutions/minute" | "1/min" => Unit::Rpm,
            "c" | "degc" | "degreec" | "degreesc" | "degsc" | "celsius" | "centigrade" => {
                Unit::DegC
            }
            "f" | "degf" | "degreef" | "degreesf" | "degsf" | "fahrenheit" => Unit::DegF,
            "k" | "degk" | "kelvin" => Unit::Kelvin,
            "kpa" | "kilopascal" | "kilopascals" => Unit::KiloPascal,
            "pa" | "pascal" | "pascals" => Unit::Pascal,
            "hpa" | "hectopascal" | "hectopascals" | "mbar" | "mb" | "millibar" | "millibars" => {
                Unit::HectoPascal
            }
            "bar" | "bars" => Unit::Bar,
            "psi" | "psig" | "lbf/in2" | "lb/in2" => Unit::Psi,
            "inhg" | "inshg" | "inchhg" | "incheshg" | "inchofmercury" | "inchesofmercury" => {
                Unit::InHg
            }
            "l/min" | "l/m" | "lpm" | "litre/min" | "litres/min" | "liter/min" | "liters/min"
            | "litre/minute" | "litres/minute" | "liter/minute" | "liters/minute" => {
                Unit::LitrePerMin
            }
            "l/h" | "l/hr" | "lph" | "litre/h" | "litres/h" | "liter/h" | "liters/h"
            | "litre/hour" | "litres/hour" | "liter/hour" | "liters/hour" => Unit::LitrePerHour,
            "usgal/min" | "gal/min" | "gpm" | "usgpm" | "gallon/min" | "gallons/min"
            | "gallon/minute" | "gallons/minute" | "usgallons/min" => Unit::UsGalPerMin,
            "usgal/h" | "usgal/hr" | "gal/h" | "gal/hr" | "gph" | "usgph" | "gallon/hour"
            | "gallons/hour" | "gallons/h" | "usgallons/h" => Unit::UsGalPerHour,
            "l" | "litre" | "litres" | "liter" | "liters" => Unit::Litre,
            "usgal" | "gal" | "gals" | "gallon" | "gallons" | "usgallon" | "usgallons" => {
                Unit::UsGal
            }
            "ml" | "cc" | "cm3" | "millilitre" | "millilitres" | "milliliter" | "milliliters" => {
                Unit::MilliLitre
            }
            "deg" | "degs" | "degree" | "degrees" => Unit::DegAngle,
            "turn" | "turns" | "rev" | "revs" | "revolution" | "revolutions" => Unit::Turn,
            "%" | "percent" | "pct" => Unit::Percent,
            "one" | "1" | "" | "none" | "ratio" => Unit::One,
            "v" | "volt" | "volts" => Unit::Volt,
            "a" | "amp" | "amps" | "ampere" | "amperes" => Unit::Ampere,
            "s" | "sec" | "secs" | "second" | "seconds" => Unit::Second,
            "min" | "mins" | "minute" | "minutes" => Unit::Minute,
            "m" | "metre" | "metres" | "meter" | "meters" => Unit::Metre,
            "ft" | "foot" | "feet" => Unit::Foot,
            "m/s" | "mps" | "metre/second" | "metres/second" | "meters/second" => {
                Unit::MetrePerSecond
            }
            "ft/s" | "fps" | "ft/sec" | "feet/second" => Unit::FootPerSecond,
            "mph" | "mi/h" | "mi/hr" | "mile/hour" | "miles/hour" => Unit::MilePerHour,
            "km/h" | "km/hr" | "kmh" | "kph" | "kmph" | "kilometres/hour" | "kilometers/hour" => {
                Unit::KilometrePerHour
            }
            "g/s" | "g/sec" | "gram/second" | "grams/second" => Unit::GramPerSecond,
            "kg/m3" | "kg/cubicmetre" => Unit::KilogramPerCubicMetre,
            "g/kg" | "gram/kilogram" | "grams/kilogram" => Unit::GramPerKilogram,
            "gr/lb" | "grain/pound" | "grains/pound" | "grains/lb" => Unit::GrainPerPound,
            "g" | "gee" | "gees" | "gn" => Unit::StandardGravity,
            "m/s2" | "m/s/s" => Unit::MetrePerSecondSquared,
            _ => return None,
        })
    }

    /// What kind of quantity this unit measures.
    pub const fn dimension(self) -> Dimension {
        match self {
            Unit::Rpm => Dimension::RotationalSpeed,
            Unit::DegC | Unit::DegF | Unit::Kelvin => Dimension::Temperature,
            Unit::KiloPascal
            | Unit::Pascal
            | Unit::HectoPascal
            | Unit::Bar
            | Unit::Psi
            | Unit::InHg => Dimension::Pressure,
            Unit::LitrePerMin | Unit::LitrePerHour | Unit::UsGalPerMin | Unit::UsGalPerHour => {
                Dimension::VolumeFlow
            }
            Unit::Litre | Unit::UsGal | Unit::MilliLitre => Dimension::Volume,
            Unit::DegAngle | Unit::Turn => Dimension::Angle,
            Unit::Percent | Unit::One => Dimension::Ratio,
            Unit::Volt => Dimension::Voltage,
            Unit::Ampere => Dimension::Current,
            Unit::Second | Unit::Minute => Dimension::Time,
            Unit::Metre | Unit::Foot => Dimension::Length,
            Unit::MetrePerSecond
            | Unit::FootPerSecond
            | Unit::MilePerHour
            | Unit::KilometrePerHour => Dimension::Speed,
            Unit::GramPerSecond => Dimension::MassFlow,
            Unit::KilogramPerCubicMetre => Dimension::Density,
            Unit::GramPerKilogram | Unit::GrainPerPound => Dimension::MassShare,
            Unit::StandardGravity | Unit::MetrePerSecondSquared => Dimension::Acceleration,
        }
    }

    /// `base = (value - offset) * numerator / denominator`, the base being one unit of the
    /// dimension. A ratio rather than one factor, so that 212 degF is 100 degC to the last bit.
    const fn to_base(self) -> (f64, f64, f64) {
        match self {
            Unit::DegF => (32.0, 5.0, 9.0),
            Unit::Kelvin => (273.15, 1.0, 1.0),
            Unit::KiloPascal => (0.0, 1000.0, 1.0),
            Unit::HectoPascal => (0.0, 100.0, 1.0),
            Unit::Bar => (0.0, 100_000.0, 1.0),
            Unit::Psi => (0.0, PA_PER_PSI, 1.0),
            Unit::InHg => (0.0, PA_PER_INHG, 1.0),
            Unit::LitrePerHour => (0.0, 1.0, 60.0),
            Unit::UsGalPerMin | Unit::UsGal => (0.0, L_PER_US_GAL, 1.0),
            Unit::UsGalPerHour => (0.0, L_PER_US_GAL, 60.0),
            Unit::MilliLitre => (0.0, 1.0, 1000.0),
            Unit::Turn => (0.0, 360.0, 1.0),
            Unit::Percent => (0.0, 1.0, 100.0),
            Unit::Minute => (0.0, 60.0, 1.0),
            Unit::Foot | Unit::FootPerSecond => (0.0, M_PER_FT, 1.0),
            Unit::MilePerHour => (0.0, MPS_PER_MPH, 1.0),
            Unit::KilometrePerHour => (0.0, 1.0, 3.6),
            Unit::GrainPerPound => (0.0, 1.0, 7.0),
            Unit::StandardGravity => (0.0, MPS2_PER_G, 1.0),
            // The base units themselves, and units alone in their dimension.
            Unit::Rpm
            | Unit::DegC
            | Unit::Pascal
            | Unit::LitrePerMin
            | Unit::Litre
            | Unit::DegAngle
            | Unit::One
            | Unit::Volt
            | Unit::Ampere
            | Unit::Second
            | Unit::Metre
            | Unit::MetrePerSecond
            | Unit::GramPerSecond
            | Unit::KilogramPerCubicMetre
            | Unit::GramPerKilogram
            | Unit::MetrePerSecondSquared => (0.0, 1.0, 1.0),
        }
    }

    /// The same quantity in another unit, or `None` where the two measure different things.
    /// Temperatures convert as points on their scales; for a difference use [`Unit::convert_span`].
    pub fn convert(self, value: f64, to: Unit) -> Option<f64> {
        if self.dimension() != to.dimension() {
            return None;
        }
        if self == to {
            return Some(value);
        }
        let (from_offset, from_num, from_den) = self.to_base();
        let (to_offset, to_num, to_den) = to.to_base();
        Some((value - from_offset) * (from_num * to_den) / (from_den * to_num) + to_offset)
    }

    /// The same difference (a rate's numerator, a deadband, a spread) in another unit: as
    /// [`Unit::convert`] without the zero offset of temperature scales, so 9 degF is 5 degC.
    pub fn convert_span(self, span: f64, to: Unit) -> Option<f64> {
        if self.dimension() != to.dimension() {
            return None;
        }
        let (_, from_num, from_den) = self.to_base();
        let (_, to_num, to_den) = to.to_base();
        Some(span * (from_num * to_den) / (from_den * to_num))
    }

    /// The unit a phone set to `system` shows for a quantity given in this one. Units that both
    /// systems use (rpm, V, %, s, ...) stay. Barometer units stay barometer units: hPa and inHg
    /// are each other's counterpart, kPa and bar have psi.
    pub const fn in_system(self, system: System) -> Unit {
        match system {
            System::Us => match self {
                Unit::DegC | Unit::Kelvin => Unit::DegF,
                Unit::KiloPascal | Unit::Pascal | Unit::Bar => Unit::Psi,
                Unit::HectoPascal => Unit::InHg,
                Unit::LitrePerMin => Unit::UsGalPerMin,
                Unit::LitrePerHour => Unit::UsGalPerHour,
                Unit::Litre => Unit::UsGal,
                Unit::Metre => Unit::Foot,
                Unit::MetrePerSecond | Unit::KilometrePerHour => Unit::MilePerHour,
                Unit::MetrePerSecondSquared => Unit::StandardGravity,
                Unit::GramPerKilogram => Unit::GrainPerPound,
                other => other,
            },
            System::Si => match self {
                Unit::DegF | Unit::Kelvin => Unit::DegC,
                Unit::Psi | Unit::Pascal => Unit::KiloPascal,
                Unit::InHg => Unit::HectoPascal,
                Unit::UsGalPerMin => Unit::LitrePerMin,
                Unit::UsGalPerHour => Unit::LitrePerHour,
                Unit::UsGal => Unit::Litre,
                Unit::Foot => Unit::Metre,
                Unit::FootPerSecond => Unit::MetrePerSecond,
                Unit::MilePerHour => Unit::KilometrePerHour,
                Unit::GrainPerPound => Unit::GramPerKilogram,
                other => other,
            },
        }
    }

    /// Decimal places worth showing on a phone; finer digits only flicker.
    pub const fn decimals(self) -> u8 {
        match self {
            Unit::Rpm
            | Unit::DegC
            | Unit::DegF
            | Unit::Kelvin
            | Unit::KiloPascal
            | Unit::Pascal
            | Unit::Psi
            | Unit::LitrePerHour
            | Unit::MilliLitre
            | Unit::Foot
            | Unit::Metre
            | Unit::MilePerHour
            | Unit::KilometrePerHour
            | Unit::GrainPerPound => 0,
            Unit::HectoPascal
            | Unit::Bar
            | Unit::LitrePerMin
            | Unit::UsGalPerHour
            | Unit::Litre
            | Unit::DegAngle
            | Unit::Percent
            | Unit::Volt
            | Unit::Ampere
            | Unit::Second
            | Unit::Minute
            | Unit::MetrePerSecond
            | Unit::FootPerSecond
            | Unit::GramPerSecond
            | Unit::GramPerKilogram
            | Unit::MetrePerSecondSquared => 1,
            Unit::InHg
            | Unit::UsGalPerMin
            | Unit::UsGal
            | Unit::Turn
            | Unit::One
            | Unit::StandardGravity => 2,
            Unit::KilogramPerCubicMetre => 3,
        }
    }
}

impl fmt::Display for Unit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.symbol())
    }
}

impl FromStr for Unit {
    type Err = UnknownUnit;

    fn from_str(s: &str) -> Result<Unit, UnknownUnit> {
        Unit::parse(s).ok_or_else(|| UnknownUnit(s.to_owned()))
    }
}

impl Serialize for Unit {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(self.symbol())
    }
}

impl<'de> Deserialize<'de> for Unit {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Unit, D::Error> {
        struct Symbol;
        impl Visitor<'_> for Symbol {
            type Value = Unit;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a unit, such as \"degC\" or \"psi\"")
            }

            fn visit_str<E: de::Error>(self, text: &str) -> Result<Unit, E> {
                text.parse().map_err(E::custom)
            }
        }
        deserializer.deserialize_str(Symbol)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_unit_round_trips_through_its_symbol_and_label() {
        for unit in Unit::ALL {
            assert_eq!(Unit::parse(unit.symbol()), Some(unit));
            assert_eq!(Unit::parse(unit.label()), Some(unit));
            let json = serde_json::to_string(&unit).unwrap();
            assert_eq!(json, format!("{:?}", unit.symbol()));
            assert_eq!(serde_json::from_str::<Unit>(&json).unwrap(), unit);
        }
    }

    #[test]
    fn all_lists_each_unit_once() {
        let mut units = Unit::ALL.to_vec();
        units.sort();
        units.dedup();
        assert_eq!(units.len(), Unit::ALL.len());
    }

    #[test]
    fn usual_spellings_are_read() {
        for (text, unit) in [
            ("C", Unit::DegC),
            ("°C", Unit::DegC),
            ("deg C", Unit::DegC),
            ("°F", Unit::DegF),
            ("Fahrenheit", Unit::DegF),
            ("PSI", Unit::Psi),
            ("LPH", Unit::LitrePerHour),
            ("l/hr", Unit::LitrePerHour),
            ("gpm", Unit::UsGalPerMin),
            ("gal/min", Unit::UsGalPerMin),
            ("Litres per minute", Unit::LitrePerMin),
            ("in Hg", Unit::InHg),
            ("in. Hg", Unit::InHg),
            ("mbar", Unit::HectoPascal),
            ("KPA", Unit::KiloPascal),
            ("km/h", Unit::KilometrePerHour),
            ("kg/m³", Unit::KilogramPerCubicMetre),
            ("percent", Unit::Percent),
            ("RPM", Unit::Rpm),
            ("revs per minute", Unit::Rpm),
            ("turns", Unit::Turn),
            ("G", Unit::StandardGravity),
        ] {
            assert_eq!(Unit::parse(text), Some(unit), "{text}");
        }
        for text in ["imp gal", "mpa", "furlong", "degX", "kg"] {
            assert_eq!(Unit::parse(text), None, "{text}");
        }
    }

    #[test]
    fn an_unknown_unit_says_what_would_be_right() {
        let said = serde_json::from_str::<Unit>("\"furlong\"")
            .unwrap_err()
            .to_string();
        assert!(
            said.contains("furlong") && said.contains("US gal/min"),
            "{said}"
        );
    }

    #[test]
    fn different_quantities_do_not_convert() {
        assert_eq!(Unit::Psi.convert(1.0, Unit::DegC), None);
        assert_eq!(Unit::Litre.convert(1.0, Unit::LitrePerMin), None);
        assert_eq!(Unit::Psi.convert_span(1.0, Unit::DegC), None);
    }

    #[test]
    fn fixed_points_are_exact() {
        assert_eq!(Unit::DegF.convert(32.0, Unit::DegC), Some(0.0));
        assert_eq!(Unit::DegF.convert(212.0, Unit::DegC), Some(100.0));
        assert_eq!(Unit::DegC.convert(-40.0, Unit::DegF), Some(-40.0));
        assert_eq!(
            Unit::UsGal.convert(1.0, Unit::MilliLitre),
            Some(3785.411784)
        );
        assert_eq!(Unit::Turn.convert(0.25, Unit::DegAngle), Some(90.0));
        assert_eq!(Unit::DegF.convert_span(9.0, Unit::DegC), Some(5.0));
    }

    #[test]
    fn conversions_undo_each_other() {
        for from in Unit::ALL {
            for to in Unit::ALL
                .into_iter()
                .filter(|to| to.dimension() == from.dimension())
            {
                for value in [-17.3, 0.0, 1.0, 2410.0] {
                    let there = from.convert(value, to).unwrap();
                    let back = to.convert(there, from).unwrap();
                    // A kelvin offset of 273.15 costs a few ulps of 300; nothing else does.
                    assert!(
                        (back - value).abs() <= 1e-12 * value.abs().max(100.0),
                        "{from} {to}"
                    );
                }
            }
        }
    }

    #[test]
    fn a_system_keeps_the_dimension_and_settles_at_once() {
        for unit in Unit::ALL {
            for system in [System::Us, System::Si] {
                let shown = unit.in_system(system);
                assert_eq!(shown.dimension(), unit.dimension(), "{unit}");
                assert_eq!(shown.in_system(system), shown, "{unit}");
            }
        }
        assert_eq!(Unit::HectoPascal.in_system(System::Us), Unit::InHg);
        assert_eq!(Unit::Psi.in_system(System::Si), Unit::KiloPascal);
    }
}
