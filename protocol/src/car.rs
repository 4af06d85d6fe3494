//! The car as phones need to know it: channels, bands, roles, ready calls.

use crate::json::FromJson;
use crate::{
    AlarmKey, ChannelKey, RoleKey, alarm::Alarm, today::FlowBaseline, trust::Sensor, units::Unit,
};
use serde::{Deserialize, Serialize};

/// Low and high end of where a reading should be, in the channel's own unit. `low < high`.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, FromJson)]
pub struct Band {
    /// Lowest value that is right.
    pub low: f64,
    /// Highest value that is right.
    pub high: f64,
}

impl From<(f64, f64)> for Band {
    fn from((low, high): (f64, f64)) -> Self {
        Self { low, high }
    }
}

impl Band {
    /// Whether the value is right; both ends are.
    pub fn holds(&self, value: f64) -> bool {
        self.low <= value && value <= self.high
    }

    /// How far the value is off, in the channel's unit: below zero when it is low, zero when it is right.
    pub fn off_by(&self, value: f64) -> f64 {
        if value < self.low {
            value - self.low
        } else if value > self.high {
            value - self.high
        } else {
            0.0
        }
    }

    /// Where on a strip of width 1 the value lies: the band is always the middle third, the ends are where the strip stops.
    pub fn place(&self, value: f64) -> f64 {
        (1.0 / 3.0 + (value - self.low) / (self.high - self.low) / 3.0).clamp(0.0, 1.0)
    }
}

/// One measured quantity.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, FromJson)]
pub struct Channel {
    /// Its key in files and on the wire.
    pub key: ChannelKey,
    /// What the crew calls it.
    pub label: String,
    /// The unit of every value of this channel on the wire and in the book.
    pub unit: Unit,
    /// Decimals shown in that unit.
    pub decimals: u8,
    /// Lowest and highest value that the sensor can honestly give; outside it a reading is `suspect`.
    pub plausible: Band,
    /// Fastest honest change, in units per second; faster and the reading is `suspect`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub max_rate: Option<f64>,
    /// A reading is `old` when it has not been refreshed for this many milliseconds.
    pub old_after_ms: i64,
    /// Where it should be when neither the phase nor the chief says otherwise.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub band: Option<Band>,
    /// Which source is heard first, calibration, and when it counts as stuck.
    #[serde(default, skip_serializing_if = "Sensor::is_plain")]
    pub sensor: Sensor,
}

/// How old a reading may get when the car file does not say, in milliseconds: four missed frames of a 2 Hz recorder.
const OLD_AFTER_MS: i64 = 2_000;

impl Channel {
    /// A channel of which a car file says nothing more: its key for a label, the unit's decimals, and no band.
    pub fn new(key: &str, unit: Unit, plausible: impl Into<Band>) -> Self {
        Self {
            key: key.into(),
            label: key.to_owned(),
            unit,
            decimals: unit.decimals(),
            plausible: plausible.into(),
            max_rate: None,
            old_after_ms: OLD_AFTER_MS,
            band: None,
            sensor: Sensor::default(),
        }
    }
}

/// A place in the crew, and what its page shows.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, FromJson)]
pub struct Role {
    /// Its key.
    pub key: RoleKey,
    /// What the crew calls it.
    pub label: String,
    /// The strips on its page, most important first.
    #[serde(default)]
    pub strips: Vec<ChannelKey>,
    /// The figures on its page, by key.
    #[serde(default)]
    pub figures: Vec<String>,
    /// Its ready calls.
    #[serde(default)]
    pub calls: Vec<ReadyCall>,
}

/// A call that goes out with one press.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, FromJson)]
pub struct ReadyCall {
    /// Its words.
    pub text: String,
    /// Who it is for; everyone when absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub to: Option<RoleKey>,
}

/// The car.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, FromJson)]
pub struct Car {
    /// The team's name.
    pub team: String,
    /// The car's name.
    pub name: String,
    /// Channels, in the order in which readings frames carry them.
    pub channels: Vec<Channel>,
    /// Roles.
    pub roles: Vec<Role>,
    /// Ready calls that every role has.
    #[serde(default)]
    pub calls: Vec<ReadyCall>,
    /// What the fuel tank holds when full, in litres.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tank_l: Option<f64>,
    /// What the tank must still hold at the end, in litres: below it the crew is told.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reserve_l: Option<f64>,
    /// What the file says of the fuel.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fuel: Option<FuelSettings>,
    /// Alarms, in the order of the file.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub alarms: Vec<Alarm>,
}

/// The team's settings for the fuel.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, FromJson)]
pub struct FuelSettings {
    /// The most nitromethane that the team's rule book allows, percent by volume.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub nitro_limit_pct: Option<f64>,
    /// The rule for the flow until the chief sets another from a phone.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub flow: Option<FlowBaseline>,
}

impl Car {
    /// The channel with that key, and its place in readings frames.
    pub fn channel(&self, key: &ChannelKey) -> Option<(usize, &Channel)> {
        self.channels
            .iter()
            .enumerate()
            .find(|(_, channel)| channel.key == *key)
    }

    /// The alarm with that key.
    pub fn alarm(&self, key: &AlarmKey) -> Option<&Alarm> {
        self.alarms.iter().find(|alarm| alarm.key == *key)
    }

    /// The role with that key.
    pub fn role(&self, key: &RoleKey) -> Option<&Role> {
        self.roles.iter().find(|role| role.key == *key)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_band_is_the_middle_third() {
        let band = Band {
            low: 50.0,
            high: 80.0,
        };
        assert!((band.place(50.0) - 1.0 / 3.0).abs() < 1e-12);
        assert!((band.place(80.0) - 2.0 / 3.0).abs() < 1e-12);
        assert_eq!(band.place(-1e9), 0.0);
        assert_eq!(band.place(1e9), 1.0);
        assert_eq!(band.off_by(47.5), -2.5);
        assert_eq!(band.off_by(80.0), 0.0);
    }
}
