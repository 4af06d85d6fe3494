//! The car's channels by name, as a source needs them: place, unit, and what is too absurd to be a reading.

use super::spec::nearest;
use super::tally::Tally;
use crate::core::feed::FaultKind;
use spinover_protocol::car::{Band, Car};
use spinover_protocol::units::Unit;
use std::collections::HashMap;

/// A value further outside the plausible range than so many times its span is absurd: a slip of a unit or a torn line,
/// not a sensor. Nearer ones pass, and the core marks them suspect.
pub const ABSURD_SPANS: f64 = 10.0;

/// The car's channels by name.
#[derive(Clone, Debug)]
pub struct ChannelIndex {
    channels: Vec<Entry>,
    places: HashMap<String, usize>,
}

#[derive(Clone, Debug)]
struct Entry {
    key: String,
    unit: Unit,
    plausible: Band,
}

impl ChannelIndex {
    /// The index of that car's channels.
    pub fn new(car: &Car) -> Self {
        let channels: Vec<Entry> = car
            .channels
            .iter()
            .map(|channel| Entry {
                key: channel.key.0.clone(),
                unit: channel.unit,
                plausible: channel.plausible,
            })
            .collect();
        let places = channels
            .iter()
            .enumerate()
            .map(|(place, entry)| (entry.key.clone(), place))
            .collect();
        Self { channels, places }
    }

    /// How many channels there are.
    pub fn len(&self) -> usize {
        self.channels.len()
    }

    /// The car has no channels.
    pub fn is_empty(&self) -> bool {
        self.channels.is_empty()
    }

    /// The place of the channel with that key.
    pub fn place(&self, key: &str) -> Option<usize> {
        self.places.get(key).copied()
    }

    /// The key of the channel at that place.
    ///
    /// # Panics
    /// When there is no such place.
    pub fn key(&self, place: usize) -> &str {
        &self.channels[place].key
    }

    /// The unit of the channel at that place.
    ///
    /// # Panics
    /// When there is no such place.
    pub fn unit(&self, place: usize) -> Unit {
        self.channels[place].unit
    }

    /// Why the value, in the channel's unit, cannot be a reading at all; `None` where it can.
    pub fn absurd(&self, place: usize, value: f64) -> Option<String> {
        let Entry {
            key,
            unit,
            plausible,
        } = &self.channels[place];
        let reach = ABSURD_SPANS * (plausible.high - plausible.low);
        let inside = (plausible.low - reach..=plausible.high + reach).contains(&value);
        (!inside).then(|| {
            let (low, high) = (plausible.low, plausible.high);
            format!("{key} {value} {unit} is more than {ABSURD_SPANS} spans outside what it can be ({low} to {high} {unit}); check its unit")
        })
    }

    /// Leaves out what is absurd, and counts it; `number` is the line it stands on.
    pub(super) fn sift(&self, values: &mut Vec<(usize, f64)>, number: usize, tally: &mut Tally) {
        values.retain(|(place, value)| match self.absurd(*place, *value) {
            Some(why) => {
                tally.note(FaultKind::Absurd, || format!("line {number}: {why}"));
                false
            }
            None => true,
        });
    }

    /// What to say of a name that is no channel.
    pub fn unknown(&self, name: &str) -> String {
        let near = nearest(name, self.channels.iter().map(|entry| entry.key.as_str()));
        let name = super::tally::quoted(name.as_bytes());
        match near {
            Some(near) => format!("no channel {name:?} in the car file; the nearest is {near}"),
            None => format!("no channel {name:?} in the car file"),
        }
    }
}
