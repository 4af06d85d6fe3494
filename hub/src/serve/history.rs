//! What earlier warm-ups in the book teach the figures, read once when the hub starts.

use crate::{
    book::{Book, BookError, Part},
    core::live,
    figures::warm::WarmCurve,
};
use spinover_protocol::{car::Car, units::Unit};

/// The latest so many are looked at. The forecast hardly gains from more, and the hub should be up in a blink.
const LOOKED_AT: usize = 20;
/// Readings closer together than this add nothing to how an engine warms, in microseconds.
const EVERY_US: i64 = 500_000;

/// How this car's engine warmed before, oldest first: temperature in °C of the channel that the forecast follows, with
/// engine speed. Simulated and recorded warm-ups teach only others of their kind: `source` is why readings are not live.
///
/// # Errors
/// What the book says.
pub fn warm_curves(book: &Book, car: &Car, source: &str) -> Result<Vec<WarmCurve>, BookError> {
    let Some(temp) = live::warm_channel(car) else {
        return Ok(Vec::new());
    };
    let reader = book.reader()?;
    let same = |entry: &&crate::book::WarmupEntry| {
        entry.closed_at.is_some()
            && entry.deleted_at.is_none()
            && entry.car == car.name
            && entry.source == source
    };
    let entries = reader.warmups()?;
    let mut curves = Vec::new();
    for entry in entries.iter().filter(same).rev().take(LOOKED_AT) {
        // A channel's place can have changed with the car file; its key is what it is.
        let place = |key: &str| {
            entry
                .channels
                .iter()
                .position(|channel| channel.key.as_str() == key)
        };
        let Some(temp_at) = place(temp.as_str()) else {
            continue;
        };
        let rpm_at = place("engine_rpm");
        let unit = entry.channels[temp_at].unit;
        let wanted: Vec<u16> = [Some(temp_at), rpm_at]
            .into_iter()
            .flatten()
            .filter_map(|at| u16::try_from(at).ok())
            .collect();
        let (rows, _) = reader.rows(
            &entry.id,
            Part {
                channels: Some(&wanted),
                ..Part::default()
            },
        )?;
        let mut curve = WarmCurve { rows: Vec::new() };
        let (mut rpm, mut next_us) = (None, i64::MIN);
        rows.each_row(|t_us, cells| {
            let find = |at: usize| {
                cells
                    .iter()
                    .find(|(channel, _)| usize::from(*channel) == at)
                    .map(|(_, value)| *value)
            };
            rpm = rpm_at.and_then(find).or(rpm);
            if let Some(value) = find(temp_at)
                && t_us >= next_us
            {
                next_us = t_us + EVERY_US;
                let celsius = unit.convert(value, Unit::DegC).unwrap_or(f64::NAN);
                curve.rows.push((t_us as f64 / 1e6, celsius, rpm));
            }
            Ok::<(), BookError>(())
        })?;
        curves.push(curve);
    }
    curves.reverse();
    Ok(curves)
}
