//! What a car file calls its channels on a bus, at a weather station, at a broker. Reads no signals and knows no files.

use super::mistakes::instead;
use super::walk::{MAX_WORDS, Walk};
use crate::sources::map::{FieldMap, Names, SignalMap, TopicMap};
use spinover_protocol::units::Unit;

/// The names of one channel, added to those before it. `unit` is the channel's own, where it could be read.
pub(super) fn add(names: &mut Names, walk: &Walk<'_>, channel: usize, unit: Option<Unit>) {
    let signal = walk.text("signal", MAX_WORDS);
    let signal_unit = other_unit(walk, "signal", "signal_unit", unit);
    names.signals.extend(signal.map(|spot| SignalMap {
        channel,
        signal: spot.value,
        unit: signal_unit,
    }));

    if let Some(spot) = walk.text("nmea", MAX_WORDS) {
        match spot.value.parse() {
            Ok(field) => names.fields.push(FieldMap { channel, field }),
            Err(error) => {
                let error: String = error;
                let (what, right) = error.split_once("; ").unwrap_or((&error, ""));
                walk.notes.wrong(spot.at, what, right);
            }
        }
    }

    let topic = walk.text("topic", MAX_WORDS);
    let topic_unit = other_unit(walk, "topic", "topic_unit", unit);
    let Some(topic) = topic else { return };
    if topic.value.contains(['+', '#']) {
        walk.notes.wrong(
            topic.at,
            "a channel's `topic` has a wildcard in it",
            "name one topic; wildcards belong into the source, as in `mqtt://HOST/kestrel/#`",
        );
    }
    if let Some(unit) = topic_unit.or(unit) {
        names.topics.push(TopicMap {
            channel,
            topic: topic.value,
            unit,
        });
    }
}

/// The unit that readings have outside, where the file says one.
fn other_unit(walk: &Walk<'_>, of: &str, name: &'static str, unit: Option<Unit>) -> Option<Unit> {
    let said = super::car::unit(walk, name)?;
    if !walk.has(of) {
        walk.wrong(
            name,
            format!("`{name}` is there, but no `{of}`"),
            format!("name the {of}: `{of} = \"…\"`"),
        );
    }
    let fits = unit.is_none_or(|unit| unit.dimension() == said.value.dimension());
    if !fits && let Some(unit) = unit {
        let same = Unit::ALL
            .iter()
            .filter(|candidate| candidate.dimension() == unit.dimension())
            .map(|unit| unit.symbol());
        walk.notes.wrong(
            said.at,
            format!("`{}` does not convert to `{unit}`", said.value),
            instead(said.value.symbol(), same),
        );
    }
    Some(said.value)
}
