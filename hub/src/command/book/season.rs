//! `spinover book season`: what the season's counters have come to.

use super::{Data, Failure, Reader, clock};
use crate::{core::season::all_stand, files, serve::season};
use spinover_protocol::{
    record::Record,
    season::{CounterNow, Counts, Due},
};
use std::{io::Write, path::Path};

pub(super) fn show(
    data: &Data,
    file: &Path,
    car: Option<&str>,
    json: bool,
    out: &mut impl Write,
) -> Result<(), Failure> {
    let counters = files::load_season(file, files::Marked::default())
        .map_err(|errors| Failure::Input(errors.to_string()))?;
    let reader = Reader::open(&data.data)?;
    let entries = reader.warmups()?;
    let mut latest = entries
        .iter()
        .rev()
        .filter(|entry| entry.deleted_at.is_none() && car.is_none_or(|car| entry.car == car));
    let latest = latest.next();
    let (car, source) = latest.map_or((car.unwrap_or_default(), ""), |entry| {
        (entry.car.as_str(), entry.source.as_str())
    });
    let ticks = season::ticks(&reader, &counters, car, source, &mut Default::default())?;
    let mut record = Record::default();
    for event in reader.part_changes()? {
        record.apply(&event);
    }
    let now = all_stand(&counters, &ticks, &record.changes);
    if json {
        let text =
            serde_json::to_string(&now).map_err(|error| Failure::Failed(error.to_string()))?;
        return Ok(writeln!(out, "{text}")?);
    }
    for counter in &now.counters {
        writeln!(out, "{}", words(counter))?;
    }
    Ok(())
}

fn words(now: &CounterNow) -> String {
    let counter = &now.counter;
    let what = match counter.counts {
        Counts::WarmUps => "warm-ups",
        Counts::Runs { .. } => "runs",
        Counts::BurnOuts { .. } => "burn-outs",
        Counts::Steps { .. } | Counts::Tasks { .. } => "marks",
        Counts::EngineSeconds { .. } => "s of the engine",
    };
    let due = match now.due() {
        Due::Fine => "",
        Due::Soon => ", DUE SOON",
        Due::Now => ", DUE",
    };
    let mut words = format!(
        "{}: {:.0} of {:.0} {what}{due}",
        counter.label, now.count, counter.limit
    );
    for life in &now.before {
        words += &format!(
            "\n  before: {:.0}, changed {}: {}",
            life.count,
            clock(life.changed.at, "%Y-%m-%d %H:%M"),
            life.changed.text
        );
    }
    words
}
