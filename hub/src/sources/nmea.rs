//! Weather sentences of NMEA 0183 (MDA, MWV, XDR) to values. No I/O; `nmea_feed` brings them in.
//!
//! Layouts from memory of the published sentence lists; held against `pynmea2` by a test. The `nmea` crate was weighed: it
//! has no XDR and reads to 32-bit floats.

use super::index::ChannelIndex;
use super::map::FieldMap;
use super::serial::LineReader;
use super::spec::nearest;
use super::tally::{Tally, quoted};
use crate::core::feed::{Batch, FaultKind};
use anyhow::bail;
use spinover_protocol::units::{Dimension, Unit};
use std::sync::Arc;

/// Metres per second in one knot: the international nautical mile, 1852 m, in an hour.
const MPS_PER_KNOT: f64 = 1_852.0 / 3_600.0;

/// A field of a sentence, as the car file names it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Field {
    /// `MDA.pressure`: barometric pressure.
    Pressure,
    /// `MDA.air_temp`.
    AirTemp,
    /// `MDA.water_temp`.
    WaterTemp,
    /// `MDA.humidity`: relative.
    Humidity,
    /// `MDA.dew_point`.
    DewPoint,
    /// `MDA.wind_direction`: where it comes from, against true north.
    WindDirection,
    /// `MDA.wind_speed`.
    WindSpeed,
    /// `MWV.relative_angle`: to the station's own zero.
    RelativeAngle,
    /// `MWV.relative_speed`.
    RelativeSpeed,
    /// `MWV.true_angle`.
    TrueAngle,
    /// `MWV.true_speed`.
    TrueSpeed,
    /// `XDR.NAME`: the transducer of that name.
    Transducer(String),
}

const NAMES: [(&str, Field); 11] = [
    ("MDA.pressure", Field::Pressure),
    ("MDA.air_temp", Field::AirTemp),
    ("MDA.water_temp", Field::WaterTemp),
    ("MDA.humidity", Field::Humidity),
    ("MDA.dew_point", Field::DewPoint),
    ("MDA.wind_direction", Field::WindDirection),
    ("MDA.wind_speed", Field::WindSpeed),
    ("MWV.relative_angle", Field::RelativeAngle),
    ("MWV.relative_speed", Field::RelativeSpeed),
    ("MWV.true_angle", Field::TrueAngle),
    ("MWV.true_speed", Field::TrueSpeed),
];

impl std::str::FromStr for Field {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        if let Some(name) = text.strip_prefix("XDR.").filter(|name| !name.is_empty()) {
            return Ok(Self::Transducer(name.to_owned()));
        }
        if let Some((_, field)) = NAMES.iter().find(|(name, _)| *name == text) {
            return Ok(field.clone());
        }
        let near = nearest(text, NAMES.iter().map(|(name, _)| *name));
        let near = near
            .map(|near| format!("; the nearest is {near}"))
            .unwrap_or_default();
        Err(format!(
            "no field of a weather sentence is called {text:?}; they are {} and XDR.NAME{near}",
            NAMES.map(|(name, _)| name).join(", ")
        ))
    }
}

impl Field {
    /// What it measures, where that is known before a sentence is seen.
    fn dimension(&self) -> Option<Dimension> {
        Some(match self {
            Self::Pressure => Dimension::Pressure,
            Self::AirTemp | Self::WaterTemp | Self::DewPoint => Dimension::Temperature,
            Self::Humidity => Dimension::Ratio,
            Self::WindDirection | Self::RelativeAngle | Self::TrueAngle => Dimension::Angle,
            Self::WindSpeed | Self::RelativeSpeed | Self::TrueSpeed => Dimension::Speed,
            Self::Transducer(_) => return None,
        })
    }
}

/// A sentence whose checksum is right.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Sentence<'a> {
    /// Its three letters: `MWV`.
    pub kind: &'a str,
    /// What stands between the commas after its name.
    pub fields: Vec<&'a str>,
}

/// Takes a line apart.
///
/// # Errors
/// Why it is no sentence.
pub fn sentence(line: &[u8]) -> Result<Sentence<'_>, &'static str> {
    let text = std::str::from_utf8(line)
        .map_err(|_| "it has bytes that no sentence has")?
        .trim();
    // A tag block (`\s:…*hh\`) may stand before it.
    let text = text
        .strip_prefix('\\')
        .and_then(|tagged| tagged.split_once('\\'))
        .map_or(text, |(_, rest)| rest);
    let body = text
        .strip_prefix(['$', '!'])
        .ok_or("it does not begin with $ or !")?;
    let (body, sum) = body.rsplit_once('*').ok_or("it has no checksum")?;
    // Seen in a real capture, with a checksum that is right for the whole tangle.
    if body.contains(['$', '!']) {
        return Err("another sentence begins inside it");
    }
    let said = (sum.len() == 2 && sum.bytes().all(|byte| byte.is_ascii_hexdigit()))
        .then(|| u8::from_str_radix(sum, 16).ok())
        .flatten();
    if said != Some(body.bytes().fold(0, |sum, byte| sum ^ byte)) {
        return Err("its checksum is wrong");
    }
    let mut fields = body.split(',');
    let name = fields.next().unwrap_or_default();
    let kind = name
        .len()
        .checked_sub(3)
        .and_then(|at| name.get(at..))
        .ok_or("its name is too short")?;
    Ok(Sentence {
        kind,
        fields: fields.collect(),
    })
}

impl Sentence<'_> {
    /// The field's value with its unit; `None` where this sentence has none.
    ///
    /// # Errors
    /// What is there and cannot be read.
    pub fn get(&self, field: &Field) -> Result<Option<(f64, Unit)>, String> {
        let at = |place: usize| self.fields.get(place).copied().unwrap_or_default();
        match (self.kind, field) {
            // Inches of mercury, I, bar, B, air, C, water, C, relative humidity, absolute humidity, dew point, C,
            // true direction, T, magnetic direction, M, knots, N, metres per second, M.
            ("MDA", Field::Pressure) => Ok(number(at(2))?
                .map(|bar| (bar, Unit::Bar))
                .or(number(at(0))?.map(|inches| (inches, Unit::InHg)))),
            ("MDA", Field::AirTemp) => plain(at(4), Unit::DegC),
            ("MDA", Field::WaterTemp) => plain(at(6), Unit::DegC),
            ("MDA", Field::Humidity) => plain(at(8), Unit::Percent),
            ("MDA", Field::DewPoint) => plain(at(10), Unit::DegC),
            ("MDA", Field::WindDirection) => plain(at(12), Unit::DegAngle),
            ("MDA", Field::WindSpeed) => Ok(number(at(18))?
                .or(number(at(16))?.map(|knots| knots * MPS_PER_KNOT))
                .map(|speed| (speed, Unit::MetrePerSecond))),
            // Angle, R or T, speed, its unit, A when it is valid.
            (
                "MWV",
                Field::RelativeAngle | Field::RelativeSpeed | Field::TrueAngle | Field::TrueSpeed,
            ) => {
                let wanted = if matches!(field, Field::RelativeAngle | Field::RelativeSpeed) {
                    "R"
                } else {
                    "T"
                };
                if at(1) != wanted || at(4) != "A" {
                    return Ok(None);
                }
                if matches!(field, Field::RelativeAngle | Field::TrueAngle) {
                    return plain(at(0), Unit::DegAngle);
                }
                let Some(speed) = number(at(2))? else {
                    return Ok(None);
                };
                Ok(Some(match at(3) {
                    "K" => (speed, Unit::KilometrePerHour),
                    "M" => (speed, Unit::MetrePerSecond),
                    "N" => (speed * MPS_PER_KNOT, Unit::MetrePerSecond),
                    "S" => (speed, Unit::MilePerHour),
                    other => {
                        return Err(format!(
                            "speed in {:?}, which is no unit of MWV",
                            quoted(other.as_bytes())
                        ));
                    }
                }))
            }
            // Kind, value, unit and name of each transducer, one after the other.
            ("XDR", Field::Transducer(name)) => {
                // By the name and what stands before it, not by counting in fours: stations have been seen to send a
                // field too many at the front (the boat's capture that the tests use does).
                let named = (3..self.fields.len()).find(|at| self.fields[*at] == name);
                let Some([kind, value, unit]) =
                    named.map(|at| [at - 3, at - 2, at - 1].map(|at| self.fields[at]))
                else {
                    return Ok(None);
                };
                let Some(value) = number(value)? else {
                    return Ok(None);
                };
                transducer(kind, value, unit).map(Some).ok_or_else(|| {
                    format!(
                        "transducer {name} of kind {:?} in {:?}, which is not known here",
                        quoted(kind.as_bytes()),
                        quoted(unit.as_bytes())
                    )
                })
            }
            _ => Ok(None),
        }
    }

    /// The time of day in seconds that it tells, if it is of a kind that does.
    pub fn time_of_day(&self) -> Option<f64> {
        let text = *match self.kind {
            "ZDA" | "RMC" | "GGA" => self.fields.first()?,
            "GLL" => self.fields.get(4)?,
            _ => return None,
        };
        let two = |at: usize| text.get(at..at + 2)?.parse::<u8>().ok().map(f64::from);
        let (hours, minutes) = (two(0)?, two(2)?);
        let seconds: f64 = text.get(4..)?.parse().ok()?;
        (hours < 24.0 && minutes < 60.0 && (0.0..61.0).contains(&seconds))
            .then_some(hours * 3_600.0 + minutes * 60.0 + seconds)
    }
}

/// A number, or nothing where the field is empty.
fn number(text: &str) -> Result<Option<f64>, String> {
    let text = text.trim();
    if text.is_empty() {
        return Ok(None);
    }
    match text.parse::<f64>() {
        Ok(value) if value.is_finite() => Ok(Some(value)),
        _ => Err(format!(
            "{:?} where a number belongs",
            quoted(text.as_bytes())
        )),
    }
}

fn plain(text: &str, unit: Unit) -> Result<Option<(f64, Unit)>, String> {
    Ok(number(text)?.map(|value| (value, unit)))
}

/// A transducer's value in a unit known here.
fn transducer(kind: &str, value: f64, unit: &str) -> Option<(f64, Unit)> {
    Some(match (kind, unit) {
        ("C", "C") => (value, Unit::DegC),
        ("C", "F") => (value, Unit::DegF),
        ("C", "K") => (value, Unit::Kelvin),
        ("P", "B") => (value, Unit::Bar),
        ("P", "P") => (value, Unit::Pascal),
        ("H", "P") => (value, Unit::Percent),
        ("A", "D") => (value, Unit::DegAngle),
        ("T", "R") => (value, Unit::Rpm),
        ("U", "V") => (value, Unit::Volt),
        ("I", "A") => (value, Unit::Ampere),
        ("D", "M") => (value, Unit::Metre),
        ("V", "M") => (value * 1_000.0, Unit::Litre),
        ("R", "l") => (value * 60.0, Unit::LitrePerMin),
        ("G", "") => (value, Unit::One),
        _ => return None,
    })
}

/// Sentences to the car's channels.
#[derive(Clone, Debug)]
pub struct NmeaMap {
    index: Arc<ChannelIndex>,
    fields: Vec<FieldMap>,
}

impl NmeaMap {
    /// A map for that car.
    ///
    /// # Errors
    /// When no channel names a field, or one measures another kind of quantity than its field.
    pub fn new(index: Arc<ChannelIndex>, fields: &[FieldMap]) -> anyhow::Result<Self> {
        if fields.is_empty() {
            bail!(
                "the car file gives none of its channels a field; add nmea = \"MDA.air_temp\" or the like to those that the station sends"
            );
        }
        for map in fields {
            let unit = index.unit(map.channel);
            if map
                .field
                .dimension()
                .is_some_and(|dimension| dimension != unit.dimension())
            {
                bail!(
                    "channel {} is in {unit}, and {:?} is no such quantity",
                    index.key(map.channel),
                    map.field
                );
            }
        }
        Ok(Self {
            index,
            fields: fields.to_vec(),
        })
    }

    /// The values in a sentence, in the channels' units.
    pub fn values(&self, sentence: &Sentence<'_>, tally: &mut Tally) -> Vec<(usize, f64)> {
        let mut values = Vec::new();
        for FieldMap { channel, field } in &self.fields {
            let key = self.index.key(*channel);
            let (value, unit) = match sentence.get(field) {
                Ok(Some(found)) => found,
                Ok(None) => continue,
                Err(why) => {
                    tally.note(FaultKind::NotANumber, || format!("{key}: {why}"));
                    continue;
                }
            };
            let Some(value) = unit.convert(value, self.index.unit(*channel)) else {
                tally.note(FaultKind::NotANumber, || {
                    format!(
                        "{key} came in {unit}, which does not convert to {}",
                        self.index.unit(*channel)
                    )
                });
                continue;
            };
            match self.index.absurd(*channel, value) {
                Some(why) => tally.note(FaultKind::Absurd, || why),
                None => values.push((*channel, value)),
            }
        }
        values
    }

    /// Takes a line apart, and counts it when it is no sentence. Blank lines are none and no fault.
    pub(super) fn sentence<'l>(line: &'l [u8], tally: &mut Tally) -> Option<Sentence<'l>> {
        if line.iter().all(u8::is_ascii_whitespace) {
            return None;
        }
        match sentence(line) {
            Ok(sentence) => Some(sentence),
            Err(why) => {
                tally.note(FaultKind::Malformed, || {
                    format!("no NMEA sentence, {why}: {:?}", quoted(line))
                });
                None
            }
        }
    }
}

impl LineReader for NmeaMap {
    fn line(&mut self, line: &[u8], tally: &mut Tally) -> Option<Batch> {
        let values = self.values(&Self::sentence(line, tally)?, tally);
        (!values.is_empty()).then_some(Batch { t_s: None, values })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sealed(body: &str) -> String {
        format!(
            "${body}*{:02X}",
            body.bytes().fold(0, |sum, byte| sum ^ byte)
        )
    }

    fn get(body: &str, field: &str) -> Result<Option<(f64, Unit)>, String> {
        sentence(sealed(body).as_bytes())
            .unwrap()
            .get(&field.parse().unwrap())
    }

    #[test]
    fn a_composite_sentence_is_read() {
        let mda = "WIMDA,29.92,I,1.0132,B,21.5,C,,C,48.5,,10.2,C,210.0,T,205.0,M,8.0,N,4.1,M";
        for (field, value, unit) in [
            ("MDA.pressure", 1.013_2, Unit::Bar),
            ("MDA.air_temp", 21.5, Unit::DegC),
            ("MDA.humidity", 48.5, Unit::Percent),
            ("MDA.dew_point", 10.2, Unit::DegC),
            ("MDA.wind_direction", 210.0, Unit::DegAngle),
            ("MDA.wind_speed", 4.1, Unit::MetrePerSecond),
        ] {
            assert_eq!(get(mda, field), Ok(Some((value, unit))), "{field}");
        }
        assert_eq!(get(mda, "MDA.water_temp"), Ok(None));
        assert_eq!(get(mda, "MWV.true_speed"), Ok(None));
        assert_eq!(
            get("WIMDA,29.92,I,,B", "MDA.pressure"),
            Ok(Some((29.92, Unit::InHg)))
        );
        let (speed, unit) = get("WIMDA,,,,,,,,,,,,,,,,,36,N,,", "MDA.wind_speed")
            .unwrap()
            .unwrap();
        // 36 knots by the definition of the nautical mile.
        assert!(
            (speed - 18.52).abs() < 1e-9 && unit == Unit::MetrePerSecond,
            "{speed} {unit}"
        );
        assert_eq!(get("WIMDA,,,,,,,,,,,,,,,,,,,,", "MDA.wind_speed"), Ok(None));
        assert!(
            get("WIMDA,,,x,B", "MDA.pressure")
                .unwrap_err()
                .contains("\"x\"")
        );
        assert!(
            get("WIMDA,,,,,warm,C", "MDA.air_temp")
                .unwrap_err()
                .contains("warm")
        );
    }

    #[test]
    fn wind_is_told_apart_and_only_when_valid() {
        assert_eq!(
            get("WIMWV,084.0,R,10.4,N,A", "MWV.relative_speed"),
            Ok(Some((10.4 * MPS_PER_KNOT, Unit::MetrePerSecond)))
        );
        assert_eq!(
            get("WIMWV,084.0,R,10.4,K,A", "MWV.relative_speed"),
            Ok(Some((10.4, Unit::KilometrePerHour)))
        );
        assert_eq!(
            get("WIMWV,084.0,R,10.4,N,A", "MWV.relative_angle"),
            Ok(Some((84.0, Unit::DegAngle)))
        );
        assert_eq!(get("WIMWV,084.0,R,10.4,N,A", "MWV.true_angle"), Ok(None));
        assert_eq!(get("WIMWV,084.0,T,10.4,N,V", "MWV.true_angle"), Ok(None));
        assert!(get("WIMWV,084.0,T,10.4,Q,A", "MWV.true_speed").is_err());
    }

    #[test]
    fn transducers_are_found_by_name() {
        let xdr = "WIXDR,P,1.0134,B,Barometer,C,19.5,C,TempAir,H,55,P,Hum,X,1,?,Odd";
        assert_eq!(get(xdr, "XDR.Barometer"), Ok(Some((1.013_4, Unit::Bar))));
        assert_eq!(get(xdr, "XDR.TempAir"), Ok(Some((19.5, Unit::DegC))));
        assert_eq!(get(xdr, "XDR.Hum"), Ok(Some((55.0, Unit::Percent))));
        assert_eq!(get(xdr, "XDR.None"), Ok(None));
        assert!(get(xdr, "XDR.Odd").unwrap_err().contains("Odd"));
        assert_eq!(get("WIXDR,C", "XDR.TempAir"), Ok(None));
        let odd = "IIXDR,C,C,10.7,C,AIRTEMP,A,0.5,D,HEEL,A,-1.-3,D,TRIM,P,1.026,B,BARO";
        assert_eq!(get(odd, "XDR.AIRTEMP"), Ok(Some((10.7, Unit::DegC))));
        assert_eq!(get(odd, "XDR.BARO"), Ok(Some((1.026, Unit::Bar))));
        assert!(get(odd, "XDR.TRIM").unwrap_err().contains("-1.-3"));
    }

    #[test]
    fn only_whole_sentences_are_taken() {
        assert_eq!(
            sentence(b"$WIMWV,297.6,R,5.6,N,A*2A\r").unwrap().kind,
            "MWV"
        );
        assert_eq!(
            sentence(b"\\s:st,c:1*00\\$WIMWV,297.6,R,5.6,N,A*2A")
                .unwrap()
                .kind,
            "MWV"
        );
        for (line, why) in [
            (&b"$WIMWV,297.6,R,5.6,N,A*2B"[..], "checksum is wrong"),
            (b"$WIMWV,297.6,R,5.6,N,A*+A", "checksum is wrong"),
            (b"$WIMWV,297.6,R,5.6,N,A", "no checksum"),
            (b"$SDVLW,$SDVLW,,N*0A", "begins inside it"),
            (b"WIMWV,1*00", "does not begin"),
            (b"$*00", "too short"),
            (b"$\xff*00", "bytes"),
        ] {
            assert!(sentence(line).unwrap_err().contains(why), "{why}");
        }
    }

    #[test]
    fn times_are_read_where_there_are_any() {
        let time = |body: &str| sentence(sealed(body).as_bytes()).unwrap().time_of_day();
        assert_eq!(time("GPZDA,195719.50,01,02,2011,00,00"), Some(71_839.5));
        assert_eq!(time("GPGLL,5310.8,N,00525.7,E,195719,A"), Some(71_839.0));
        assert_eq!(time("GPZDA,,,,,,"), None);
        assert_eq!(time("GPZDA,250000"), None);
        assert_eq!(time("WIMWV,1"), None);
    }

    #[test]
    fn a_wrong_name_is_told_what_would_be_right() {
        assert!(
            "MDA.air_tmep"
                .parse::<Field>()
                .unwrap_err()
                .contains("nearest is MDA.air_temp")
        );
        assert!("XDR.".parse::<Field>().is_err());
    }

    proptest::proptest! {
        #[test]
        fn no_line_panics(body in ".{0,60}", raw in proptest::collection::vec(proptest::prelude::any::<u8>(), 0..80)) {
            let _ = sentence(&raw);
            if let Ok(sentence) = sentence(sealed(&body).as_bytes()) {
                let _ = sentence.time_of_day();
            }
        }

        #[test]
        fn no_field_panics(kind in "(MDA|MWV|XDR|ZDA|GLL)", fields in proptest::collection::vec("[0-9A-Za-z.é-]{0,8}", 0..25)) {
            let body = format!("WI{kind},{}", fields.join(","));
            if let Ok(sentence) = sentence(sealed(&body).as_bytes()) {
                let _ = sentence.time_of_day();
                for (_, field) in NAMES {
                    let _ = sentence.get(&field);
                }
                let _ = sentence.get(&Field::Transducer("a".to_owned()));
            }
        }
    }
}
