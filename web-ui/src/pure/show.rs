//! Numbers, units and the words for how far off a reading is. No I/O, no state.

use crate::words::{Word as W, fill, say};
use spinover_protocol::{
    car::{Band, Channel},
    units::{System, Unit},
};

/// Which units this phone shows.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Units {
    /// Each channel in the unit that the car file gives it.
    #[default]
    Car,
    /// US customary.
    Us,
    /// SI.
    Si,
}

impl Units {
    /// Its name in storage.
    pub fn key(self) -> &'static str {
        match self {
            Self::Car => "car",
            Self::Us => "us",
            Self::Si => "si",
        }
    }

    /// The choice with that name; the car's own for any other.
    pub fn from_key(key: &str) -> Self {
        match key {
            "us" => Self::Us,
            "si" => Self::Si,
            _ => Self::Car,
        }
    }

    /// The unit in which this phone shows a quantity of that unit.
    pub fn shown(self, unit: Unit) -> Unit {
        match self {
            Self::Car => unit,
            Self::Us => unit.in_system(System::Us),
            Self::Si => unit.in_system(System::Si),
        }
    }
}

/// How one quantity is shown: from which unit, in which unit, with how many decimals.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Scale {
    /// The unit on the wire.
    pub from: Unit,
    /// The unit on the screen.
    pub unit: Unit,
    /// Decimals on the screen.
    pub decimals: u8,
}

impl Scale {
    /// The scale of a channel on a phone with that choice of units.
    pub fn of(channel: &Channel, units: Units) -> Self {
        let unit = units.shown(channel.unit);
        // The car file's decimals are for its own unit; in another the unit's usual ones are the honest choice.
        let decimals = if unit == channel.unit {
            channel.decimals
        } else {
            unit.decimals()
        };
        Self {
            from: channel.unit,
            unit,
            decimals,
        }
    }

    /// The scale of a quantity that is no channel, such as a figure's value. With the car's own units it is shown as the first channel of
    /// that kind is, so that a litre does not stand beside a gallon.
    pub fn of_unit(unit: Unit, units: Units, channels: &[Channel]) -> Self {
        let alike = channels
            .iter()
            .find(|channel| channel.unit.dimension() == unit.dimension());
        match (units, alike) {
            (Units::Car, Some(channel)) => Self {
                from: unit,
                unit: channel.unit,
                decimals: channel.unit.decimals(),
            },
            _ => Self::of_kind(unit, units, channels),
        }
    }

    /// The scale of a quantity that has units of its own, such as a barometer's. With the car's own units it is shown in the system that
    /// most of the car's channels are in.
    pub fn of_kind(unit: Unit, units: Units, channels: &[Channel]) -> Self {
        let shown = match units {
            Units::Car => system_of(channels).map_or(unit, |system| unit.in_system(system)),
            units => units.shown(unit),
        };
        Self {
            from: unit,
            unit: shown,
            decimals: shown.decimals(),
        }
    }

    /// The value in the shown unit.
    pub fn value(&self, value: f64) -> f64 {
        self.from.convert(value, self.unit).unwrap_or(value)
    }

    /// A shown value back in the wire's unit.
    pub fn back(&self, shown: f64) -> f64 {
        self.unit.convert(shown, self.from).unwrap_or(shown)
    }

    /// The value as it is written on the screen, without its unit.
    pub fn text(&self, value: f64) -> String {
        number(self.value(value), self.decimals)
    }

    /// The value with its unit.
    pub fn text_unit(&self, value: f64) -> String {
        join_unit(self.text(value), self.unit)
    }

    /// A difference as it is written on the screen, without sign. One that would round to nothing gets up to two more decimals:
    /// "low 0.0" would deny what it says.
    pub fn span(&self, span: f64) -> String {
        let shown = self
            .from
            .convert_span(span, self.unit)
            .unwrap_or(span)
            .abs();
        let mut decimals = self.decimals;
        while decimals < self.decimals + 2
            && shown > 0.0
            && shown * 10f64.powi(i32::from(decimals)) < 0.5
        {
            decimals += 1;
        }
        number(shown, decimals)
    }
}

/// The system that most of those channels are in that tell; none when none does.
fn system_of(channels: &[Channel]) -> Option<System> {
    let of = |system| {
        channels
            .iter()
            .filter(|channel| channel.unit.in_system(system) != channel.unit)
            .count()
    };
    // A unit that changes on an SI phone is a US one, and the other way round.
    match (of(System::Si), of(System::Us)) {
        (0, 0) => None,
        (us, si) if us >= si => Some(System::Us),
        _ => Some(System::Si),
    }
}

fn join_unit(text: String, unit: Unit) -> String {
    match unit.label() {
        "" => text,
        "°" => text + "°",
        label => text + " " + label,
    }
}

/// A number with so many decimals, a true minus sign, and no minus on a zero.
pub fn number(value: f64, decimals: u8) -> String {
    let text = format!("{:.*}", usize::from(decimals), value.abs());
    let zero = text.bytes().all(|byte| byte == b'0' || byte == b'.');
    if value < 0.0 && !zero {
        "\u{2212}".to_owned() + &text
    } else {
        text
    }
}

/// Where a reading stands to its band.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Standing {
    /// There is no band to stand to.
    Free,
    /// Right.
    In,
    /// Below, by that much.
    Low(f64),
    /// Above, by that much.
    High(f64),
}

impl Standing {
    /// The standing of a value.
    pub fn of(band: Option<Band>, value: f64) -> Self {
        let Some(band) = band else { return Self::Free };
        let off = band.off_by(value);
        if off < 0.0 {
            Self::Low(-off)
        } else if off > 0.0 {
            Self::High(off)
        } else {
            Self::In
        }
    }

    /// Its name for stylesheets and tests.
    pub fn key(self) -> &'static str {
        match self {
            Self::Free => "free",
            Self::In => "in",
            Self::Low(_) => "low",
            Self::High(_) => "high",
        }
    }

    /// `low 1.4`, `high 0.3`, `in band`; nothing without a band.
    pub fn words(self, scale: &Scale) -> String {
        match self {
            Self::Free => String::new(),
            Self::In => say(W::InBand).to_owned(),
            Self::Low(by) => fill(W::LowBy, &[&scale.span(by)]),
            Self::High(by) => fill(W::HighBy, &[&scale.span(by)]),
        }
    }
}

/// An age or a wait in whole units: `4 s`, `3 min`, `2 h`.
pub fn age(ms: f64) -> String {
    let seconds = (ms / 1000.0).max(0.0) as u64;
    match seconds {
        0..60 => fill(W::Seconds, &[&seconds.to_string()]),
        60..3600 => fill(W::Minutes, &[&(seconds / 60).to_string()]),
        _ => fill(W::Hours, &[&(seconds / 3600).to_string()]),
    }
}

/// A wait of so many seconds: `48` under a minute, `1:28` from there.
pub fn wait(seconds: f64) -> String {
    let whole = seconds.max(0.0).round() as u64;
    if whole < 60 {
        whole.to_string()
    } else {
        format!("{}:{:02}", whole / 60, whole % 60)
    }
}

/// A number of a date or a clock, with two digits.
pub fn clock_number(number: u32) -> String {
    format!("{number:02}")
}

/// The size of a picture made to fit into a square of that side; none when it fits already.
pub fn fitted(width: u32, height: u32, side: u32) -> Option<(u32, u32)> {
    let longer = width.max(height);
    let scaled = |size: u32| {
        let size = f64::from(size) * f64::from(side) / f64::from(longer);
        (size.round() as u32).max(1)
    };
    (longer > side).then(|| (scaled(width), scaled(height)))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn oil() -> Channel {
        Channel {
            label: "Oil pressure".to_owned(),
            decimals: 1,
            old_after_ms: 1_000,
            ..Channel::new("oil_pressure", Unit::Psi, (0.0, 300.0))
        }
    }

    #[test]
    fn a_value_and_its_distance_follow_the_phones_units() {
        let own = Scale::of(&oil(), Units::Car);
        assert_eq!(own.text_unit(62.04), "62.0 psi");
        let si = Scale::of(&oil(), Units::Si);
        assert_eq!(si.text_unit(62.04), "428 kPa");
        assert!((si.back(si.value(62.04)) - 62.04).abs() < 1e-9);
        let band = Some(Band {
            low: 50.0,
            high: 80.0,
        });
        assert_eq!(Standing::of(band, 48.6).words(&own), "low 1.4");
        assert_eq!(Standing::of(band, 80.3).words(&own), "high 0.3");
        assert_eq!(Standing::of(band, 80.0).words(&own), "in band");
        assert_eq!(Standing::of(None, 80.0).words(&own), "");
    }

    #[test]
    fn a_temperature_difference_is_not_shifted() {
        let scale = Scale {
            from: Unit::DegF,
            unit: Unit::DegC,
            decimals: 0,
        };
        assert_eq!(scale.text(212.0), "100");
        assert_eq!(scale.span(9.0), "5");
    }

    #[test]
    fn a_figure_is_shown_in_the_unit_of_the_channels_like_it() {
        let kpa = Scale::of_unit(Unit::KiloPascal, Units::Car, &[oil()]);
        assert_eq!(kpa.text_unit(100.0), "15 psi");
        assert_eq!(
            Scale::of_unit(Unit::Litre, Units::Car, &[]).unit,
            Unit::Litre
        );
        // No channel counts litres, but the car's others are US.
        assert_eq!(
            Scale::of_unit(Unit::Litre, Units::Car, &[oil()]).unit,
            Unit::UsGal
        );
        assert_eq!(
            Scale::of_kind(Unit::HectoPascal, Units::Car, &[oil()]).unit,
            Unit::InHg
        );
        assert_eq!(
            Scale::of_unit(Unit::Litre, Units::Us, &[oil()]).unit,
            Unit::UsGal
        );
    }

    #[test]
    fn what_is_off_never_reads_as_nothing() {
        let scale = Scale::of(&oil(), Units::Car);
        assert_eq!(scale.span(0.04), "0.04");
        assert_eq!(scale.span(0.05), "0.1");
    }

    #[test]
    fn signs_and_ages() {
        assert_eq!(number(-0.04, 1), "0.0");
        assert_eq!(number(-1.25, 1), "\u{2212}1.2");
        assert_eq!(age(4_900.0), "4 s");
        assert_eq!(age(-3.0), "0 s");
        assert_eq!(age(185_000.0), "3 min");
        assert_eq!(
            (wait(59.4), wait(59.6), wait(88.4)),
            ("59".into(), "1:00".into(), "1:28".into())
        );
    }

    #[test]
    fn a_large_picture_is_made_to_fit_and_keeps_its_shape() {
        assert_eq!(fitted(4_000, 3_000, 2_000), Some((2_000, 1_500)));
        assert_eq!(fitted(3_000, 4_000, 2_000), Some((1_500, 2_000)));
        assert_eq!(fitted(2_000, 20, 2_000), None);
        assert_eq!(fitted(90_000, 1, 2_000), Some((2_000, 1)));
    }
}
