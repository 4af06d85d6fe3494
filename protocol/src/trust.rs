//! How far a reading can be trusted, and what the car file and the chief say about its sensor. Types and plain sums; no I/O.

use crate::Millis;
use crate::json::FromJson;
use serde::{Deserialize, Serialize};

/// How far a reading can be trusted.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Quality {
    /// Plausible and fresh.
    Good,
    /// Not to be believed as it stands; [`Doubt`] says why.
    Suspect,
    /// Not refreshed in time.
    Old,
    /// Never seen.
    None,
}

impl Quality {
    /// Its letter in a readings frame.
    pub fn letter(self) -> char {
        match self {
            Self::Good => 'g',
            Self::Suspect => 's',
            Self::Old => 'o',
            Self::None => 'n',
        }
    }

    /// The quality with that letter.
    pub fn from_letter(letter: char) -> Option<Self> {
        [Self::Good, Self::Suspect, Self::Old, Self::None]
            .into_iter()
            .find(|quality| quality.letter() == letter)
    }
}

/// Why a reading is suspect.
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, FromJson,
)]
#[serde(rename_all = "snake_case")]
pub enum Doubt {
    /// Outside the plausible range.
    Range,
    /// It moved faster than the car file says that it can.
    Rate,
    /// It jumped by a large part of its range from one reading to the next.
    Spike,
    /// A sensor that was never still does not move at all.
    Stuck,
}

impl Doubt {
    /// Every reason.
    pub const ALL: [Self; 4] = [Self::Range, Self::Rate, Self::Spike, Self::Stuck];

    /// Its letter in a readings frame.
    pub fn letter(self) -> char {
        match self {
            Self::Range => 'r',
            Self::Rate => 'f',
            Self::Spike => 'j',
            Self::Stuck => 'k',
        }
    }

    /// The reason with that letter; none for any other, as for the dash that stands for none.
    pub fn from_letter(letter: char) -> Option<Self> {
        Self::ALL.into_iter().find(|doubt| doubt.letter() == letter)
    }
}

/// What a sensor's value is multiplied with, and what is then added, to give the true value: `true = gain * raw + offset`.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, FromJson)]
pub struct Calibration {
    /// Added, in the channel's unit.
    pub offset: f64,
    /// Multiplied with first; never 0.
    pub gain: f64,
}

impl Default for Calibration {
    fn default() -> Self {
        Self::NONE
    }
}

/// A sensor's value and the true one, at one moment, in the channel's unit.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, FromJson)]
pub struct Point {
    /// What the sensor gave.
    pub raw: f64,
    /// What was true.
    pub truth: f64,
}

/// Why two points give no calibration, in words for the chief.
pub type NoCalibration = String;

impl Calibration {
    /// It changes nothing.
    pub const NONE: Self = Self {
        offset: 0.0,
        gain: 1.0,
    };
    /// A gain outside these is a mistake in a point, not a sensor: common practice, no source.
    pub const GAINS: std::ops::RangeInclusive<f64> = 0.5..=2.0;

    /// The true value for a sensor's.
    pub fn apply(&self, raw: f64) -> f64 {
        self.gain * raw + self.offset
    }

    /// The sensor's value for a true one: the inverse of [`Calibration::apply`], to the rounding of a double.
    pub fn raw(&self, value: f64) -> f64 {
        (value - self.offset) / self.gain
    }

    /// It changes nothing.
    pub fn is_none(&self) -> bool {
        *self == Self::NONE
    }

    /// From one point an offset, with the gain left at `gain`; from two a line through both.
    ///
    /// `span` is the width of the channel's plausible range: two points must be 5 % of it apart, and an offset is less than half of it,
    /// or a slip of the finger would turn a gauge over.
    ///
    /// # Errors
    /// What is wrong with the points, in words.
    pub fn through(points: &[Point], gain: f64, span: f64) -> Result<Self, NoCalibration> {
        let made = match *points {
            [Point { raw, truth }] => Self {
                gain,
                offset: truth - gain * raw,
            },
            [one, two] => {
                if (one.raw - two.raw).abs() < 0.05 * span {
                    return Err("the two points are too close together: let the reading change more between them".to_owned());
                }
                let gain = (one.truth - two.truth) / (one.raw - two.raw);
                Self {
                    gain,
                    offset: one.truth - gain * one.raw,
                }
            }
            _ => return Err("it takes one point or two".to_owned()),
        };
        made.check(span)?;
        Ok(made)
    }

    /// Whether it could be a sensor's.
    ///
    /// # Errors
    /// Why not, in words.
    pub fn check(&self, span: f64) -> Result<(), NoCalibration> {
        if !(self.offset.is_finite() && Self::GAINS.contains(&self.gain)) {
            return Err(format!(
                "that would be a gain of {:.2}: look at the points again, no sensor is off by that much",
                self.gain
            ));
        }
        if self.offset.abs() > span / 2.0 {
            return Err(
                "that would be off by more than half of its range: look at the points again"
                    .to_owned(),
            );
        }
        Ok(())
    }
}

/// What the car file says about a channel's sensors, besides its limits.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, FromJson)]
pub struct Sensor {
    /// Names of sources, first choice first; sources that are not named come after these in the order in which they are listed.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub prefer: Vec<String>,
    /// A source that was lost speaks again after it has been good for this long, in milliseconds; [`Sensor::BACK_AFTER_MS`] when absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub back_after_ms: Option<Millis>,
    /// The sensor is never still for this long, in milliseconds; 0: never look for that. Learned from its readings when absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub stuck_after_ms: Option<Millis>,
    /// Holds until the chief sets another.
    #[serde(default, skip_serializing_if = "Calibration::is_none")]
    pub calibration: Calibration,
}

impl Sensor {
    /// Long enough that a loose plug does not change the number under somebody's eyes twice a second. Common practice, no source.
    pub const BACK_AFTER_MS: Millis = 3_000;

    /// Nothing is said.
    pub fn is_plain(&self) -> bool {
        *self == Self::default()
    }
}

/// The name of the readings that scripts post over HTTP, among the sources.
pub const POSTED: &str = "posted";
/// Separates a source's name from its SPEC: `dash=can:can0?dbc=kestrel.dbc`.
const NAMED: char = '=';

/// The name that a source was given, where it was: what stands before the `=`. A SPEC has its kind and a colon first, so
/// that an `=` in its options is no name's.
pub fn source_name(spec: &str) -> Option<&str> {
    let (name, _) = spec.split_once(NAMED)?;
    is_name(name).then_some(name)
}

/// The SPEC without the name.
pub fn source_spec(spec: &str) -> &str {
    match source_name(spec) {
        Some(name) => &spec[name.len() + NAMED.len_utf8()..],
        None => spec,
    }
}

/// Whether a source is the simulator, by its SPEC, named or not.
pub fn is_simulated(spec: &str) -> bool {
    source_spec(spec).starts_with("sim:")
}

/// Whether a source can be called that: a key, as all keys of the car file.
pub fn is_name(name: &str) -> bool {
    let letters = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_';
    !name.is_empty() && name.len() <= 40 && name.chars().all(letters)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_points_are_met_exactly_and_one_shifts() {
        let points = [
            Point {
                raw: 4.0,
                truth: 0.0,
            },
            Point {
                raw: 104.0,
                truth: 110.0,
            },
        ];
        let two = Calibration::through(&points, 1.0, 300.0).unwrap();
        assert!((two.apply(4.0)).abs() < 1e-12 && (two.apply(104.0) - 110.0).abs() < 1e-12);
        let one = Calibration::through(&points[..1], 1.0, 300.0).unwrap();
        assert_eq!((one.offset, one.gain), (-4.0, 1.0));
        let close = [
            points[0],
            Point {
                raw: 5.0,
                ..points[1]
            },
        ];
        assert!(Calibration::through(&close, 1.0, 300.0).is_err());
        let wild = [
            points[0],
            Point {
                truth: 500.0,
                ..points[1]
            },
        ];
        assert!(Calibration::through(&wild, 1.0, 300.0).is_err());
        assert!(Calibration::through(&[], 1.0, 300.0).is_err());
    }

    #[test]
    fn a_name_is_before_the_kind() {
        assert_eq!(source_name("dash=can:can0?dbc=a.dbc"), Some("dash"));
        assert_eq!(source_spec("dash=can:can0?dbc=a.dbc"), "can:can0?dbc=a.dbc");
        assert_eq!(source_name("can:can0?dbc=a.dbc"), None);
        assert_eq!(source_spec("can:can0?dbc=a.dbc"), "can:can0?dbc=a.dbc");
        assert_eq!(source_name("sim:"), None);
        assert_eq!(source_name("=sim:"), None);
    }

    #[test]
    fn letters_are_their_own() {
        for doubt in Doubt::ALL {
            assert_eq!(Doubt::from_letter(doubt.letter()), Some(doubt));
        }
        assert_eq!(Doubt::from_letter('-'), None);
    }
}
