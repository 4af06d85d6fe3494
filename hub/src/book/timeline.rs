//! A warm-up laid out in time: which phase it was in when, which band held when, and what was outside it. Pure.

use super::{Column, Rows};
use spinover_protocol::{
    ChannelKey, Millis, StepKey,
    car::Band,
    event::{Event, Who},
    record::{Record, Warmup},
};
use std::collections::BTreeMap;

/// Readings that lie this close together in time belong to one spell, in microseconds.
const SAME_SPELL_US: i64 = 2_000_000;

/// A phase, and from when on the procedure was in it.
#[derive(Clone, Debug, PartialEq)]
pub struct PhaseFrom {
    /// When it became the phase.
    pub at: Millis,
    /// What the crew calls it.
    pub name: String,
}

/// A band, and from when on it held; none where there was none.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BandFrom {
    /// When it began to hold.
    pub at: Millis,
    /// The band.
    pub band: Option<Band>,
}

/// A step that was marked or skipped, in the order of time.
#[derive(Clone, Debug, PartialEq)]
pub struct Done {
    /// When.
    pub at: Millis,
    /// Its key.
    pub step: StepKey,
    /// Its words.
    pub text: String,
    /// The phase it is part of.
    pub phase: String,
    /// By whom.
    pub by: Option<Who>,
    /// Why it was skipped; done when absent.
    pub skipped: Option<String>,
    /// Who asked for the skip, where it took two.
    pub asked_by: Option<Who>,
    /// What its gates' channels read.
    pub readings: BTreeMap<ChannelKey, f64>,
}

/// A warm-up in time.
#[derive(Clone, Debug)]
pub struct Timeline {
    /// The record at its end.
    pub record: Record,
    /// The phases it went through, in order; one that was come back to comes again.
    pub phases: Vec<PhaseFrom>,
    /// For each channel of the car, the bands that held.
    pub bands: Vec<Vec<BandFrom>>,
    /// Marks and skips that were not undone.
    pub done: Vec<Done>,
}

/// A time in which a channel was outside its band.
#[derive(Clone, Debug, PartialEq)]
pub struct Spell {
    /// The channel's place in the car's list.
    pub channel: usize,
    /// First and last reading outside, in microseconds since 1970.
    pub from_us: i64,
    /// The last.
    pub to_us: i64,
    /// Below the band rather than above it.
    pub low: bool,
    /// The reading farthest outside.
    pub worst: f64,
    /// The band that it was farthest outside of.
    pub band: Band,
    /// How far and how long: band widths times seconds. What a list is ranked by.
    pub weight: f64,
}

impl Timeline {
    /// Lays out the events of one warm-up, as [`super::Reader::story`] gives them. None when they hold no warm-up.
    pub fn of(story: &[Event]) -> Option<Self> {
        let mut record = Record::default();
        let mut phases: Vec<PhaseFrom> = Vec::new();
        let mut bands: Vec<Vec<BandFrom>> = Vec::new();
        for event in story {
            record.apply(event);
            let Some(warmup) = &record.warmup else {
                continue;
            };
            bands.resize(warmup.car.channels.len(), Vec::new());
            if let Some(phase) = warmup.phase()
                && phases.last().is_none_or(|last| last.name != phase.name)
            {
                phases.push(PhaseFrom {
                    at: event.at,
                    name: phase.name.clone(),
                });
            }
            for (channel, bands) in warmup.car.channels.iter().zip(&mut bands) {
                let band = warmup.band_now(&channel.key);
                if bands.last().is_none_or(|last| last.band != band) {
                    bands.push(BandFrom { at: event.at, band });
                }
            }
        }
        let done = done(record.warmup.as_ref()?);
        Some(Self {
            record,
            phases,
            bands,
            done,
        })
    }

    /// The warm-up as it was at its last event.
    pub fn warmup(&self) -> &Warmup {
        // `of` gives a timeline only when there is one, and nothing takes it away.
        self.record
            .warmup
            .as_ref()
            .unwrap_or_else(|| unreachable!())
    }

    /// The band that held for a channel at a time.
    pub fn band_at(&self, channel: usize, at: Millis) -> Option<Band> {
        let bands = self.bands.get(channel)?;
        bands
            .iter()
            .rev()
            .find(|band| band.at <= at)
            .or(bands.first())?
            .band
    }

    /// The phase that the procedure was in at a time.
    pub fn phase_at(&self, at: Millis) -> Option<&str> {
        self.phases
            .iter()
            .rev()
            .find(|phase| phase.at <= at)
            .map(|phase| phase.name.as_str())
    }

    /// When readings of a channel were outside the band that held, in order of time.
    pub fn spells(&self, rows: &Rows) -> Vec<Spell> {
        let mut all = Vec::new();
        for (channel, column) in &rows.columns {
            self.spells_of(usize::from(*channel), column, &rows.times_us, &mut all);
        }
        all.sort_by_key(|spell| (spell.from_us, spell.channel));
        all
    }

    fn spells_of(&self, channel: usize, column: &Column, times_us: &[i64], all: &mut Vec<Spell>) {
        let mut open: Option<Spell> = None;
        let mut last_us = i64::MIN;
        for (row, value) in column.rows.iter().zip(&column.values) {
            let t_us = times_us[*row as usize];
            let gap_us = t_us.saturating_sub(last_us);
            last_us = t_us;
            let off = self
                .band_at(channel, t_us.div_euclid(1000))
                .map(|band| (band, band.off_by(*value)));
            let Some((band, off)) = off.filter(|(_, off)| *off != 0.0) else {
                all.extend(open.take());
                continue;
            };
            let weight = off.abs() / (band.high - band.low);
            match &mut open {
                Some(spell) if spell.low == (off < 0.0) && gap_us <= SAME_SPELL_US => {
                    spell.to_us = t_us;
                    spell.weight += weight * gap_us.max(0) as f64 / 1e6;
                    if off.abs() > spell.band.off_by(spell.worst).abs() {
                        (spell.worst, spell.band) = (*value, band);
                    }
                }
                _ => {
                    all.extend(open.take());
                    let low = off < 0.0;
                    let spell = Spell {
                        channel,
                        from_us: t_us,
                        to_us: t_us,
                        low,
                        worst: *value,
                        band,
                        weight: 0.0,
                    };
                    open = Some(spell);
                }
            }
        }
        all.extend(open);
    }
}

fn done(warmup: &Warmup) -> Vec<Done> {
    let marks = warmup.steps.iter().filter_map(|(key, mark)| {
        let (phase, step) = warmup.sheet.step(key)?;
        Some(Done {
            at: mark.at,
            step: key.clone(),
            text: step.text.clone(),
            phase: phase.name.clone(),
            by: mark.by.clone(),
            skipped: mark.skipped.clone(),
            asked_by: mark.asked_by.clone(),
            readings: mark.readings.clone(),
        })
    });
    let mut done: Vec<Done> = marks.collect();
    let order = |key: &StepKey| warmup.order.iter().position(|other| other == key);
    done.sort_by_key(|done| (done.at, order(&done.step)));
    done
}
