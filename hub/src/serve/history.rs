//! What earlier warm-ups in the book teach the figures: read when the hub starts, and again when a warm-up is closed.

use super::airs::airs;
use crate::{
    book::{BookError, Part, Reader, WarmupEntry},
    core::{
        self,
        lessons::Lessons,
        live::{self, NITRO_ON, idling::Idling},
        turnaround::{self, Took},
    },
    figures::{
        air::air_of_readings,
        bleed::Adjustment,
        flow::Case,
        fuel::FuelUsed,
        quantity::{Celsius, LitresPerMin},
        robust,
        slip::Slip,
        warm::WarmCurve,
    },
};
use spinover_protocol::{
    ChannelKey, Millis, PhaseKey,
    car::Car,
    event::Event,
    record::{Record, Warmup},
    units::Unit,
};
use std::{collections::BTreeMap, sync::Arc};

/// The latest so many are looked at: for the flow, four seasons' worth of what it needs (8 to 16).
const LOOKED_AT: usize = 40;
/// Of those, the forecast takes the latest so many; it hardly gains from more, and its work grows with their square.
const WARMED: usize = 20;
/// Readings closer together than this add nothing to how an engine warms, in microseconds.
const EVERY_US: i64 = 500_000;
/// A flow is learned from at least so long on nitro, in seconds (own judgement).
const RAN_S: f64 = 20.0;
/// A phase's use of fuel is learned where at most this share of its time was not seen (own judgement).
const UNSEEN: f64 = 0.05;

/// What this car's earlier warm-ups teach. Simulated and recorded warm-ups teach only others of their kind: `source` is why
/// readings are not live.
///
/// # Errors
/// What the book says.
pub fn lessons(reader: &Reader, car: &Car, source: &str) -> Result<Lessons, BookError> {
    let entries = reader.warmups()?;
    let same = |entry: &&WarmupEntry| {
        entry.closed_at.is_some()
            && entry.deleted_at.is_none()
            && entry.car == car.name
            && entry.source == source
    };
    let mut entries: Vec<&WarmupEntry> =
        entries.iter().filter(same).rev().take(LOOKED_AT).collect();
    entries.reverse();
    let mut lessons = Lessons {
        airs: airs(reader, &entries, source)?,
        ..Lessons::default()
    };
    let warmed_from = entries.len().saturating_sub(WARMED);
    for (n, entry) in entries.into_iter().enumerate() {
        // One warm-up that cannot be read teaches nothing; the others still do.
        let Some(mut past) = Past::of(entry, &reader.story(&entry.id)?, car) else {
            continue;
        };
        past.read(reader, entry)?;
        if n >= warmed_from {
            lessons.warmed.extend(past.curve.take());
        }
        past.teach(&mut lessons);
    }
    let mut took = Took::new();
    for turnaround in reader.turnarounds(source)? {
        if turnaround.closed_at.is_some() {
            turnaround::teach(&turnaround, &mut took);
        }
    }
    lessons.took = Arc::new(took);
    Ok(lessons)
}

/// Time slips of a car's earlier runs, oldest first; of whatever car the latest warm-up was of when none is named.
///
/// # Errors
/// What the book says.
pub fn slips(reader: &Reader, car: Option<&str>) -> Result<Vec<Slip>, BookError> {
    let car = match car {
        Some(car) => car.to_owned(),
        None => {
            let entries = reader.warmups()?;
            let left = entries
                .iter()
                .rev()
                .find(|entry| entry.deleted_at.is_none());
            let Some(latest) = left else {
                return Ok(Vec::new());
            };
            latest.car.clone()
        }
    };
    Ok(reader.slips(&car)?.iter().map(core::slip_of).collect())
}

fn slip_of(warmup: &Warmup) -> Option<Slip> {
    let told = warmup.slip.as_ref()?;
    Some(core::slip_of(&told.value))
}

/// From when on the procedure was in which phase.
struct PhaseFrom {
    at: Millis,
    key: PhaseKey,
    shut_down: bool,
}

/// A channel of a past warm-up that a figure wants.
#[derive(Clone, Copy)]
struct Wanted {
    place: usize,
    from: Unit,
    to: Unit,
}

/// One earlier warm-up.
struct Past {
    warmup: Warmup,
    phases: Vec<PhaseFrom>,
    /// On nitro, with the engine meant to run; seconds.
    on_nitro: Option<(f64, f64)>,
    temp: Option<Wanted>,
    rpm: Option<Wanted>,
    flow: Option<Wanted>,
    exhaust: Vec<(Wanted, ChannelKey)>,
    air: [Option<Wanted>; 3],
    curve: Option<WarmCurve>,
    used: BTreeMap<PhaseKey, FuelUsed>,
    idling: Option<Idling>,
    flows: Vec<f64>,
    hot: Vec<(f64, f64)>,
    airs: [Vec<f64>; 3],
}

impl Past {
    fn of(entry: &WarmupEntry, story: &[Event], car: &Car) -> Option<Self> {
        let mut record = Record::default();
        let mut phases: Vec<PhaseFrom> = Vec::new();
        for event in story {
            record.apply(event);
            if let Some(phase) = record.warmup.as_ref().and_then(Warmup::phase)
                && phases.last().is_none_or(|last| last.key != phase.key)
            {
                phases.push(PhaseFrom {
                    at: event.at,
                    key: phase.key.clone(),
                    shut_down: phase.shut_down,
                });
            }
        }
        let warmup = record.warmup?;
        // A channel's place can have changed with the car file; its key is what it is.
        let wanted = |key: &str, to: Unit| {
            let place = entry
                .channels
                .iter()
                .position(|channel| channel.key.as_str() == key)?;
            let from = entry.channels[place].unit;
            from.convert(0.0, to)?;
            Some(Wanted { place, from, to })
        };
        let on_nitro = warmup.steps.get(&NITRO_ON.into()).and_then(|mark| {
            let after = |phase: &&PhaseFrom| phase.at >= mark.at && phase.shut_down;
            let end = phases
                .iter()
                .find(after)
                .map(|phase| phase.at)
                .or(warmup.closed_at)?;
            Some((mark.at as f64 / 1e3, end as f64 / 1e3))
        });
        let exhaust = (1..=16)
            .map_while(|n| {
                let key = format!("egt_{n}");
                Some((wanted(&key, Unit::DegC)?, ChannelKey::from(key.as_str())))
            })
            .collect();
        Some(Self {
            on_nitro,
            temp: live::warm_channel(car).and_then(|key| wanted(key.as_str(), Unit::DegC)),
            rpm: wanted("engine_rpm", Unit::Rpm),
            flow: wanted("fuel_flow", Unit::LitrePerMin),
            exhaust,
            air: live::SENSED.map(|(key, to, _)| wanted(key, to)),
            curve: None,
            used: BTreeMap::new(),
            idling: (!warmup.bleeds.is_empty()).then(|| {
                let mut idling = Idling::knowing(&[]);
                idling.follow(&warmup.bleeds);
                idling
            }),
            flows: Vec::new(),
            hot: Vec::new(),
            airs: Default::default(),
            warmup,
            phases,
        })
    }

    /// Goes through its readings once.
    fn read(&mut self, reader: &Reader, entry: &WarmupEntry) -> Result<(), BookError> {
        let wanted: Vec<u16> = [self.temp, self.rpm, self.flow]
            .into_iter()
            .chain(self.air)
            .flatten()
            .chain(self.exhaust.iter().map(|(wanted, _)| *wanted))
            .filter_map(|wanted| u16::try_from(wanted.place).ok())
            .collect();
        let part = Part {
            channels: Some(&wanted),
            ..Part::default()
        };
        let (rows, _) = reader.rows(&entry.id, part)?;
        let mut curve = WarmCurve { rows: Vec::new() };
        let (mut rpm, mut next_us) = (None, i64::MIN);
        rows.each_row(|t_us, cells| {
            let t_s = t_us as f64 / 1e6;
            let raw = |wanted: Wanted| {
                let at = |(channel, _): &&(u16, f64)| usize::from(*channel) == wanted.place;
                let value = cells.iter().find(at)?.1;
                let honest = entry.channels[wanted.place].plausible.holds(value);
                honest.then_some(value)
            };
            let find = |wanted: Option<Wanted>| {
                let wanted = wanted?;
                wanted.from.convert(raw(wanted)?, wanted.to)
            };
            let speed = find(self.rpm);
            rpm = speed.or(rpm);
            if let Some(celsius) = find(self.temp)
                && t_us >= next_us
            {
                next_us = t_us + EVERY_US;
                curve.rows.push((t_s, celsius, rpm));
            }
            if let (Some(idling), Some(speed)) = (&mut self.idling, speed) {
                idling.push(t_s, speed);
            }
            let flow = find(self.flow);
            let phase = self
                .phases
                .iter()
                .rev()
                .find(|phase| phase.at as f64 / 1e3 <= t_s);
            if let (Some(flow), Some(phase)) = (flow, phase) {
                let used = self.used.entry(phase.key.clone()).or_default();
                used.push(t_s, flow);
            }
            let runs = |(from, to): (f64, f64)| (from..to).contains(&t_s);
            if self.on_nitro.is_some_and(runs) {
                self.flows.extend(flow);
                for (held, wanted) in self.airs.iter_mut().zip(self.air) {
                    held.extend(find(wanted));
                }
                for (wanted, key) in &self.exhaust {
                    let band = self.warmup.band(key, phase.map(|phase| &phase.key));
                    if let (Some(value), Some(band)) = (raw(*wanted), band) {
                        let celsius = |value| wanted.from.convert(value, wanted.to);
                        let off = celsius(value).zip(celsius(value - band.off_by(value)));
                        self.hot.extend(off.map(|(is, edge)| (t_s, is - edge)));
                    }
                }
            }
            Ok::<(), BookError>(())
        })?;
        self.curve = Some(curve);
        Ok(())
    }

    fn teach(self, lessons: &mut Lessons) {
        lessons.flows.extend(self.case());
        for (key, used) in &self.used {
            let used = used.used();
            let seen = used.gap_s.0 <= UNSEEN * (used.gap_s.0 + used.watched_s.0);
            if seen && self.whole(key) {
                let all = lessons.used_l.entry(key.clone()).or_default();
                all.push(used.likely_l.0);
            }
        }
        lessons.slips.extend(slip_of(&self.warmup));
        let learned: Vec<Adjustment> = self.idling.map(Idling::learned).unwrap_or_default();
        lessons.bleeds.extend(learned);
    }

    /// Whether every step of the phase was done or skipped: one that was given up shows only a part of what it uses.
    fn whole(&self, key: &PhaseKey) -> bool {
        let phase = self.warmup.sheet.phase(key);
        phase.is_some_and(|phase| {
            phase
                .steps
                .iter()
                .all(|step| self.warmup.steps.contains_key(&step.key))
        })
    }

    /// At what flow it ran on nitro in what air. An aborted one is no example of a flow that was right.
    fn case(&self) -> Option<Case> {
        let (from, to) = self.on_nitro.filter(|(from, to)| to - from >= RAN_S)?;
        if self.warmup.aborted.is_some() {
            return None;
        }
        let sensed: Vec<Option<f64>> = self.airs.iter().map(|held| robust::median(held)).collect();
        let told = self.warmup.today.conditions.as_ref().filter(|told| {
            let apart = (told.at as f64 / 1e3 - from).abs();
            apart * 1e3 <= live::WEATHER_OLD_MS as f64
        });
        let part = |place: usize, typed: fn(&spinover_protocol::today::Conditions) -> f64| {
            sensed[place].or_else(|| told.map(|told| typed(&told.value)))
        };
        let temp_c = part(0, |air| air.temp_c)?;
        let air = air_of_readings(
            temp_c,
            part(1, |air| air.pressure_hpa)?,
            part(2, |air| air.rh_pct)?,
        );
        // The exhaust takes a while to get to where the flow puts it: the second half counts.
        let late: Vec<f64> = self
            .hot
            .iter()
            .filter(|(t_s, _)| *t_s >= 0.5 * (from + to))
            .map(|(_, hot)| *hot)
            .collect();
        Some(Case {
            flow_l_per_min: LitresPerMin(robust::median(&self.flows)?),
            density_kg_m3: air.ok()?.density_kg_m3,
            temp_c: Celsius(temp_c),
            ran_hot_by_k: robust::median(&late),
        })
    }
}
