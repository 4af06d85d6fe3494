//! A recording taken at once rather than played: its rows with their times of day, read by the same source that replays it, so that what
//! is kept of it is what the screens would have shown.

use super::{
    index::ChannelIndex,
    map::{ReplayMap, TimeForm},
    replay::Replay,
    spec::Speed,
};
use crate::core::feed::FaultKind;
use spinover_protocol::{Millis, car::Car};
use std::{collections::BTreeMap, path::Path, sync::Arc};

/// Lines that could not be taken whole and are listed; the rest are counted.
const LISTED: usize = 50;

/// A recording's rows.
#[derive(Clone, Debug, Default)]
pub struct Whole {
    /// Row by row: the channel's place in the car's list, microseconds since 1970, and the value in the channel's unit.
    pub rows: Vec<Vec<(usize, i64, f64)>>,
    /// When it began.
    pub begun_at: Millis,
    /// Lines that could not be taken whole: number from 1, and what was wrong. The first fifty.
    pub wrong: Vec<(usize, String)>,
    /// All that could not be taken, by kind: how often, and the first of it in words.
    pub faults: BTreeMap<FaultKind, (u64, String)>,
}

impl Whole {
    /// How many readings there are.
    pub fn readings(&self) -> usize {
        self.rows.iter().map(Vec::len).sum()
    }

    /// The time of the last reading, in microseconds since 1970; none where there is none.
    pub fn last_us(&self) -> Option<i64> {
        self.rows.iter().flatten().map(|(_, t_us, _)| *t_us).max()
    }
}

/// Whether a recording written so says on which day it was made.
pub fn dated(map: &ReplayMap) -> bool {
    map.time.form == TimeForm::Rfc3339
}

/// Reads a recording. It began when `begun` says; without that, when its own first time says where it has dates, else at `else_at`.
///
/// # Errors
/// When the file cannot be read or lacks the header or a mapped column; the message says which and what is there.
pub fn read(
    path: &Path,
    car: &Car,
    map: &ReplayMap,
    begun: Option<Millis>,
    else_at: Millis,
) -> anyhow::Result<Whole> {
    let index = Arc::new(ChannelIndex::new(car));
    let replay = Replay::open(index, path, map, Speed::Max, false)?;
    let mut whole = Whole::default();
    let mut batches = Vec::new();
    replay.whole(
        |t_s, values| batches.push((t_s, values)),
        |line, fault| {
            if whole.wrong.len() < LISTED {
                whole.wrong.push((line, fault.text.clone()));
            }
            whole.faults.entry(fault.kind).or_insert((0, fault.text)).0 += fault.count;
        },
    )?;
    let first = batches.iter().find_map(|(t_s, _)| *t_s).unwrap_or(0.0);
    let own = dated(map) && begun.is_none();
    whole.begun_at = match own {
        true => (first * 1e3).floor() as Millis,
        false => begun.unwrap_or(else_at),
    };
    let begun_us = whole.begun_at * 1000;
    let origin_us = match own {
        true => 0,
        false => begun_us - (first * 1e6).round() as i64,
    };
    let mut now_us = begun_us;
    for (t_s, values) in batches {
        now_us = t_s.map_or(now_us, |t_s| origin_us + (t_s * 1e6).round() as i64);
        let row = values.into_iter();
        whole.rows.push(
            row.map(|(channel, value)| (channel, now_us, value))
                .collect(),
        );
    }
    Ok(whole)
}
