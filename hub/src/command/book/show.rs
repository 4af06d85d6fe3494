//! `spinover book show`: one warm-up in words.

use super::{Data, Failure, clock, minutes};
use crate::book::Reader;
use spinover_protocol::{Millis, PersonId, record::Warmup};
use std::io::Write;

pub(super) fn show(data: &Data, id: &str, json: bool, out: &mut impl Write) -> Result<(), Failure> {
    let reader = Reader::open(&data.data)?;
    let entry = reader.pick(id)?;
    let record = reader.record(&entry.id)?;
    let extent = reader.extent(&entry.id)?;
    if json {
        let all = serde_json::json!({ "warmup": entry, "record": record, "extent": extent });
        return Ok(writeln!(out, "{all}")?);
    }
    writeln!(
        out,
        "{}: {} {}, {}",
        entry.id, entry.team, entry.car, entry.sheet
    )?;
    writeln!(
        out,
        "began {}",
        clock(entry.begun_at, "%A %d %B %Y %H:%M:%S %Z")
    )?;
    for (name, words) in [
        ("place", &entry.place),
        ("weather", &entry.weather),
        ("driver", &entry.driver),
        ("not live", &entry.source),
        ("tags", &entry.tags.join(", ")),
        ("photos", &entry.photos.join(", ")),
        ("note", &entry.note),
    ] {
        if !words.is_empty() {
            writeln!(out, "{name}: {words}")?;
        }
    }
    writeln!(
        out,
        "{} readings of {} channels in {} rows",
        extent.readings,
        entry.channels.len(),
        extent.rows
    )?;
    if let Some(warmup) = &record.warmup {
        steps_and_calls(
            warmup,
            &|id| {
                record
                    .people
                    .get(id)
                    .map_or(id.as_str(), |person| &person.who.name)
            },
            out,
        )?;
    }
    Ok(())
}

fn steps_and_calls<'a>(
    warmup: &'a Warmup,
    name: &dyn Fn(&'a PersonId) -> &'a str,
    out: &mut impl Write,
) -> Result<(), Failure> {
    let since = |at: Millis| minutes(at - warmup.begun_at);
    for phase in warmup
        .sheet
        .phases
        .iter()
        .filter(|phase| !phase.steps.is_empty())
    {
        writeln!(out, "\n{}", phase.name)?;
        for step in &phase.steps {
            let Some(mark) = warmup.steps.get(&step.key) else {
                writeln!(out, "     --  {}", step.text)?;
                continue;
            };
            let by = mark.by.as_ref().map_or("nobody", |by| &by.name);
            write!(out, "  {:>5}  {} ({by}", since(mark.at), step.text)?;
            match (&mark.skipped, &mark.asked_by) {
                (Some(reason), Some(asked)) => {
                    writeln!(out, " agreed, {} asked; skipped: {reason})", asked.name)?
                }
                (Some(reason), None) => writeln!(out, "; skipped: {reason})")?,
                _ => writeln!(out, ")")?,
            }
        }
    }
    for (title, said) in [("Held", &warmup.held), ("Given up", &warmup.aborted)] {
        if let Some(said) = said {
            writeln!(out, "\n{title} at {}: {}", since(said.at), said.text)?;
        }
    }
    if !warmup.calls.is_empty() {
        writeln!(out, "\nCalls")?;
    }
    for call in &warmup.calls {
        let by = call.said.by.as_ref().map_or("hub", |by| &by.name);
        let stop = if call.stop { "STOP " } else { "" };
        write!(
            out,
            "  {:>5}  {stop}{} ({by})",
            since(call.said.at),
            call.said.text
        )?;
        let seen: Vec<String> = call
            .seen
            .iter()
            .map(|(id, at)| format!("{} {:.1} s", name(id), (at - call.said.at) as f64 / 1e3))
            .collect();
        match seen.is_empty() {
            true => writeln!(out, ", nobody said seen")?,
            false => writeln!(out, ", seen: {}", seen.join(", "))?,
        }
    }
    for note in &warmup.notes {
        writeln!(out, "\nNote at {}: {}", since(note.at), note.text)?;
    }
    Ok(())
}
