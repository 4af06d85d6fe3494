//! What the book has of the air over the latest days: typed in at any time, or a weather station's readings of the warm-ups.

use crate::{
    book::{BookError, Part, Reader, WarmupEntry},
    core::{day_air::AirSeen, live::SENSED},
    figures::{air_ahead::LOOKED_BACK_H, robust},
};
use spinover_protocol::{Millis, event::EventBody, today::Conditions, units::Unit};
use std::collections::BTreeMap;

/// A weather station's readings of a warm-up are taken together over so long, in microseconds: its middle stands for them.
const TOGETHER_US: i64 = 10 * 60 * 1_000_000;

/// The air over the days that a forecast looks back over, oldest first; of those warm-ups and of what was typed since.
///
/// # Errors
/// What the book says.
pub fn airs(
    reader: &Reader,
    entries: &[&WarmupEntry],
    source: &str,
) -> Result<Vec<AirSeen>, BookError> {
    let mut airs: BTreeMap<Millis, Conditions> = BTreeMap::new();
    for event in reader.conditions(source)? {
        if let EventBody::ConditionsSet(air) = event.body {
            airs.insert(event.at, air);
        }
    }
    let typed = airs.keys().next_back().copied();
    let newest = entries
        .last()
        .map(|entry| entry.closed_at.unwrap_or(entry.begun_at))
        .max(typed)
        .unwrap_or(Millis::MIN);
    let back = (LOOKED_BACK_H * 3_600_000.0) as Millis;
    for entry in entries {
        if newest - entry.begun_at <= back {
            station(reader, entry, &mut airs)?;
        }
    }
    let late = airs.into_iter().filter(|(at, _)| newest - at <= back);
    Ok(late.map(|(at, air)| AirSeen { at, air }).collect())
}

/// A warm-up's readings of a station that gives all three.
fn station(
    reader: &Reader,
    entry: &WarmupEntry,
    airs: &mut BTreeMap<Millis, Conditions>,
) -> Result<(), BookError> {
    let place = |(key, to, _): (&str, Unit, &str)| {
        let mut channels = entry.channels.iter();
        let place = channels.position(|channel| channel.key.as_str() == key)?;
        let from = entry.channels[place].unit;
        from.convert(0.0, to)?;
        Some((u16::try_from(place).ok()?, from, to))
    };
    let Some(wanted) = SENSED.map(place).into_iter().collect::<Option<Vec<_>>>() else {
        return Ok(());
    };
    let channels: Vec<u16> = wanted.iter().map(|(place, ..)| *place).collect();
    let part = Part {
        channels: Some(&channels),
        ..Part::default()
    };
    let mut spans: BTreeMap<i64, [Vec<f64>; 3]> = BTreeMap::new();
    let (rows, _) = reader.rows(&entry.id, part)?;
    rows.each_row(|t_us, cells| {
        for (channel, value) in cells {
            let Some(kind) = channels.iter().position(|wanted| wanted == channel) else {
                continue;
            };
            let (place, from, to) = wanted[kind];
            if entry.channels[usize::from(place)].plausible.holds(*value)
                && let Some(value) = from.convert(*value, to)
            {
                let span = spans.entry(t_us.div_euclid(TOGETHER_US)).or_default();
                span[kind].push(value);
            }
        }
        Ok::<(), BookError>(())
    })?;
    for (span, values) in spans {
        let middles: Vec<f64> = values.iter().filter_map(|v| robust::median(v)).collect();
        if let [temp_c, pressure_hpa, rh_pct] = middles[..] {
            let middle = (span * TOGETHER_US + TOGETHER_US / 2) / 1000;
            let air = Conditions {
                temp_c,
                pressure_hpa,
                rh_pct,
                place: None,
            };
            airs.entry(middle).or_insert(air);
        }
    }
    Ok(())
}
