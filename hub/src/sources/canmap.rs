//! CAN frames to the car's channels: the DBC's signals by the car file's names. Shared by the live bus and by captures.

use super::dbc::{Dbc, Frame};
use super::index::ChannelIndex;
use super::map::SignalMap;
use super::playback::shown;
use super::spec::nearest;
use super::tally::Tally;
use crate::core::feed::FaultKind;
use anyhow::{Context, bail};
use spinover_protocol::units::Unit;
use std::{collections::HashMap, path::Path, sync::Arc};

/// Larger is no DBC file; the largest of a whole truck have some megabytes.
const LARGEST: u64 = 64 << 20;

/// Turns frames into values.
#[derive(Clone, Debug)]
pub struct CanMap {
    dbc: Dbc,
    index: Arc<ChannelIndex>,
    /// By identifier and its width: what is taken from such a frame.
    taken: HashMap<(bool, u32), Vec<Taken>>,
}

#[derive(Clone, Copy, Debug)]
struct Taken {
    signal: usize,
    channel: usize,
    from: Unit,
    to: Unit,
}

impl CanMap {
    /// Reads the DBC file and finds the car's signals in it.
    ///
    /// # Errors
    /// When the file cannot be read, lacks a signal or has it in several messages, or units do not fit; with what would be right.
    pub fn open(
        index: Arc<ChannelIndex>,
        file: &Path,
        signals: &[SignalMap],
    ) -> anyhow::Result<Self> {
        let name = shown(file);
        let size = std::fs::metadata(file)
            .with_context(|| format!("cannot open the DBC file {name}"))?
            .len();
        if size > LARGEST {
            bail!("{name} has {size} bytes; that is no DBC file");
        }
        let bytes =
            std::fs::read(file).with_context(|| format!("cannot read the DBC file {name}"))?;
        let dbc = Dbc::parse_bytes(&bytes).with_context(|| name.clone())?;
        Self::new(index, dbc, signals).with_context(|| name)
    }

    fn new(index: Arc<ChannelIndex>, dbc: Dbc, signals: &[SignalMap]) -> anyhow::Result<Self> {
        if signals.is_empty() {
            bail!(
                "the car file gives none of its channels a signal; add signal = \"Message.Signal\" to those that the bus carries"
            );
        }
        let mut taken: HashMap<(bool, u32), Vec<Taken>> = HashMap::new();
        for map in signals {
            let key = index.key(map.channel).to_owned();
            let to = index.unit(map.channel);
            let (id, extended, place) =
                find(&dbc, &map.signal).with_context(|| format!("channel {key}"))?;
            let said = dbc
                .message(id, extended)
                .map_or("", |message| message.signals[place].unit.as_str());
            let from = match (map.unit, said.trim()) {
                (Some(unit), _) => unit,
                (None, "") => to,
                (None, said) => Unit::parse(said).with_context(|| format!("channel {key}: the DBC file has {} in {said:?}, which is no unit known here; say it with signal_unit = \"…\"", map.signal))?,
            };
            if from.convert(0.0, to).is_none() {
                bail!(
                    "channel {key} is in {to}, its signal {} in {from}: these measure different things",
                    map.signal
                );
            }
            taken.entry((extended, id)).or_default().push(Taken {
                signal: place,
                channel: map.channel,
                from,
                to,
            });
        }
        Ok(Self { dbc, index, taken })
    }

    /// The values in a frame; empty for frames that hold none of the car's channels.
    pub fn values(&self, frame: &Frame, tally: &mut Tally) -> Vec<(usize, f64)> {
        let (Some(taken), Some(message)) = (
            self.taken.get(&(frame.extended, frame.id)),
            self.dbc.message(frame.id, frame.extended),
        ) else {
            return Vec::new();
        };
        let mut values = Vec::with_capacity(taken.len());
        for taken in taken {
            let Some(value) = message
                .value(taken.signal, &frame.data)
                .and_then(|value| taken.from.convert(value, taken.to))
            else {
                continue;
            };
            match self.index.absurd(taken.channel, value) {
                Some(why) => tally.note(FaultKind::Absurd, || format!("{}: {why}", message.name)),
                None => values.push((taken.channel, value)),
            }
        }
        values
    }
}

/// Where the signal is: its message's identifier, the identifier's width, its place in the message.
fn find(dbc: &Dbc, wanted: &str) -> anyhow::Result<(u32, bool, usize)> {
    let (message, signal) = match wanted.split_once('.') {
        Some((message, signal)) => (Some(message), signal),
        None => (None, wanted),
    };
    let mut found = Vec::new();
    let mut names = Vec::new();
    for (id, extended, candidate) in dbc.messages() {
        for (place, known) in candidate.signals.iter().enumerate() {
            if known.name == signal && message.is_none_or(|message| message == candidate.name) {
                found.push((id, extended, place));
            }
            names.push(format!("{}.{}", candidate.name, known.name));
        }
    }
    match found.as_slice() {
        [one] => Ok(*one),
        [] => {
            let near = nearest(
                wanted,
                names.iter().map(|name| {
                    if message.is_some() {
                        name.as_str()
                    } else {
                        name.split_once('.').map_or("", |(_, signal)| signal)
                    }
                }),
            );
            bail!(
                "no signal {wanted:?}{}",
                near.map(|near| format!("; the nearest is {near:?}"))
                    .unwrap_or_default()
            )
        }
        several => bail!(
            "{} messages have a signal {wanted:?}; say which, as in {:?}",
            several.len(),
            names
                .iter()
                .find(|name| name.ends_with(&format!(".{signal}")))
                .map_or("", String::as_str)
        ),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use spinover_protocol::car::{Car, Channel};

    const FILE: &str = "VERSION \"\"\n\nBU_: E\n\nBO_ 256 Oil: 2 E\n SG_ Temp : 0|8@1+ (1,-40) [0|0] \"°C\" Vector__XXX\n SG_ Press : 8|8@1+ (4,0) [0|0] \"furlong\" Vector__XXX\n\nBO_ 257 Water: 1 E\n SG_ Temp : 0|8@1+ (1,-40) [0|0] \"degC\" Vector__XXX\n";

    fn index() -> Arc<ChannelIndex> {
        let channel = |key: &str, unit, high| Channel {
            decimals: 0,
            old_after_ms: 1_000,
            ..Channel::new(key, unit, (0.0, high))
        };
        let channels = vec![
            channel("oil_temp", Unit::DegF, 400.0),
            channel("oil_pressure", Unit::Psi, 10.0),
        ];
        Arc::new(ChannelIndex::new(&Car {
            team: String::new(),
            name: String::new(),
            channels,
            ..Car::default()
        }))
    }

    fn map(channel: usize, signal: &str, unit: Option<Unit>) -> SignalMap {
        SignalMap {
            channel,
            signal: signal.to_owned(),
            unit,
        }
    }

    fn made(signals: &[SignalMap]) -> Result<CanMap, String> {
        CanMap::new(index(), Dbc::parse(FILE).unwrap(), signals)
            .map_err(|error| format!("{error:#}"))
    }

    #[test]
    fn signals_reach_their_channels_in_the_channels_units() {
        let can = made(&[
            map(0, "Oil.Temp", None),
            map(1, "Press", Some(Unit::KiloPascal)),
        ])
        .unwrap();
        let mut tally = Tally::default();
        let frame = |id: u32, data: &[u8]| Frame {
            id,
            extended: false,
            data: data.to_vec(),
        };
        let values = can.values(&frame(256, &[140, 10]), &mut tally);
        assert_eq!(values[0], (0, 212.0));
        assert!(
            (values[1].1 - 40.0 / 6.894_757_293).abs() < 1e-6,
            "{values:?}"
        );
        assert_eq!(can.values(&frame(257, &[140]), &mut tally), []);
        // 1020 kPa is 148 psi: more than ten spans above 10 psi.
        assert_eq!(can.values(&frame(256, &[140, 255]), &mut tally).len(), 1);
        assert_eq!(
            tally.rest(tokio::time::Instant::now())[0].kind,
            FaultKind::Absurd
        );
    }

    #[test]
    fn a_wrong_name_or_unit_is_told_what_would_be_right() {
        for (signals, words) in [
            (vec![], "none of its channels"),
            (
                vec![map(0, "Oil.Tmep", None)],
                "the nearest is \"Oil.Temp\"",
            ),
            (vec![map(0, "Tmep", None)], "the nearest is \"Temp\""),
            (vec![map(0, "Temp", None)], "2 messages have a signal"),
            (vec![map(1, "Press", None)], "signal_unit"),
            (vec![map(1, "Oil.Temp", None)], "different things"),
        ] {
            let said = made(&signals).unwrap_err();
            assert!(said.contains(words), "{said}");
        }
    }
}
