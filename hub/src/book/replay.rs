//! A warm-up played back: its screens at equal steps of time, made by the state machine that made the live ones, and what
//! lies along the line that is scrubbed over.

use super::{BookError, Part, Reader, timeline::Timeline};
use crate::core::{channels::Channels, feed::Batch};
use spinover_protocol::{
    Millis,
    book::{MAX_FRAMES, Opened, Outside},
    event::{Event, EventBody},
    message::Frame,
};
use std::collections::BTreeMap;

/// Readings are run through from this long before the first frame, so that what moves too fast to be honest is as suspect
/// as it was then; of what was read earlier, each channel's last reading is enough.
const LEAD_US: i64 = 10_000_000;
/// A span outside the band that is shorter than this is a blip, and stands in the report's count only.
const BLIP_US: i64 = 1_000_000;
/// The longest stretch of readings in one answer, in milliseconds; at 32 times the speed it is half a minute of watching.
const LONGEST_MS: Millis = 20 * 60_000;

/// What a phone needs to play a warm-up back, without its readings.
///
/// # Errors
/// When there is no such warm-up, or its events cannot be read.
pub fn open(reader: &Reader, id: &str) -> Result<Opened, BookError> {
    let entry = reader.warmup(id)?;
    let events = reader.story(id)?;
    let extent = reader.extent(id)?;
    let lost = reader.damage(id)?;
    let last = events.last().map_or(entry.begun_at, |event| event.at);
    let from = extent.from_us.map_or(entry.begun_at, |from| {
        from.div_euclid(1000).min(entry.begun_at)
    });
    let to = extent
        .to_us
        .map_or(last, |to| (to.div_euclid(1000) + 1).max(last));
    Ok(Opened {
        entry: entry.listed(),
        events,
        from,
        to,
        readings: extent.readings,
        figures_from: reader.figures_from(id)?,
        lost,
    })
}

/// The frames of a warm-up from one time to another, `step` milliseconds apart: values, qualities and ages as phones were
/// shown them. Ages count from when a source took a reading, not from when the hub got it; on a wire they are the same.
///
/// # Errors
/// [`BookError::Refused`] when that is more than [`MAX_FRAMES`] frames or the stretch is too long; as for [`Reader::warmup`].
pub fn frames(
    reader: &Reader,
    id: &str,
    from: Millis,
    to: Millis,
    step: Millis,
) -> Result<Vec<Frame>, BookError> {
    let entry = reader.warmup(id)?;
    let span = to
        .checked_sub(from)
        .filter(|span| (0..=LONGEST_MS).contains(span));
    if step < 1 || span.is_none_or(|span| span / step >= MAX_FRAMES) {
        return Err(BookError::Refused(format!(
            "at most {MAX_FRAMES} frames over {} minutes are given at once",
            LONGEST_MS / 60_000
        )));
    }
    let (from_us, to_us) = (from.saturating_mul(1000), to.saturating_mul(1000));
    let lead_us = from_us.saturating_sub(LEAD_US);
    // What the book has is calibrated already, and is from one source: whichever was shown.
    let mut channels = Channels::new(&entry.channels, &["book".to_owned()]);
    let mut given = given(reader, id, lead_us, to_us)?;
    given.extend(typed(&entry, &reader.events(id)?, to_us));
    // What came at one time keeps its order.
    given.sort_by_key(|(t_us, _)| *t_us);
    let mut given = given.into_iter().peekable();
    let mut frames = Vec::new();
    let mut at = from;
    while at <= to {
        while let Some((t_us, what)) = given.next_if(|(t_us, _)| *t_us <= at.saturating_mul(1000)) {
            let now = t_us.div_euclid(1000);
            match what {
                Given::Read(values) => {
                    let t_s = Some(t_us as f64 / 1e6);
                    channels.take(now, 0, &Batch { t_s, values });
                }
                Given::Typed(channel, value) => channels.take_typed(now, channel, value),
            }
        }
        frames.push(channels.frame(at));
        at += step;
    }
    Ok(frames)
}

/// What was outside its band for a second or longer, in order of time.
///
/// # Errors
/// As for [`Reader::warmup`].
pub fn outside(reader: &Reader, id: &str) -> Result<Vec<Outside>, BookError> {
    let entry = reader.warmup(id)?;
    let Some(timeline) = Timeline::of(&reader.story(id)?) else {
        return Ok(Vec::new());
    };
    let (rows, _) = reader.rows(id, Part::default())?;
    let spells = timeline.spells(&rows);
    let long = spells
        .iter()
        .filter(|spell| spell.to_us - spell.from_us >= BLIP_US);
    Ok(long
        .filter_map(|spell| {
            Some(Outside {
                channel: entry.channels.get(spell.channel)?.key.clone(),
                from: spell.from_us.div_euclid(1000),
                to: spell.to_us.div_euclid(1000),
                low: spell.low,
                worst: spell.worst,
            })
        })
        .collect())
}

enum Given {
    Read(Vec<(usize, f64)>),
    Typed(usize, f64),
}

/// Each channel's last reading before a time, and everything from then on.
fn given(
    reader: &Reader,
    id: &str,
    lead_us: i64,
    to_us: i64,
) -> Result<Vec<(i64, Given)>, BookError> {
    let mut given = Vec::new();
    let mut before: BTreeMap<i64, Vec<(usize, f64)>> = BTreeMap::new();
    for (channel, (t_us, value)) in reader.at(id, lead_us)? {
        before
            .entry(t_us)
            .or_default()
            .push((usize::from(channel), value));
    }
    given.extend(
        before
            .into_iter()
            .map(|(t_us, values)| (t_us, Given::Read(values))),
    );
    let part = Part {
        from_us: Some(lead_us),
        to_us: Some(to_us),
        channels: None,
    };
    let (rows, _) = reader.rows(id, part)?;
    rows.each_row(|t_us, cells| {
        if t_us > lead_us && t_us <= to_us {
            let values = cells
                .iter()
                .map(|(channel, value)| (usize::from(*channel), *value));
            given.push((t_us, Given::Read(values.collect())));
        }
        Ok::<(), BookError>(())
    })?;
    Ok(given)
}

/// What people typed in up to a time.
fn typed<'a>(
    entry: &'a super::WarmupEntry,
    events: &'a [Event],
    to_us: i64,
) -> impl Iterator<Item = (i64, Given)> + 'a {
    events.iter().filter_map(move |event| {
        let EventBody::ReadingTyped { channel, value } = &event.body else {
            return None;
        };
        let place = entry
            .channels
            .iter()
            .position(|known| known.key == *channel)?;
        let t_us = event.at.saturating_mul(1000);
        (t_us <= to_us).then_some((t_us, Given::Typed(place, *value)))
    })
}
