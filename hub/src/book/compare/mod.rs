//! A warm-up laid over earlier ones, aligned by a step: what is usual, and what departs from it, in words.

mod burnout;
mod depart;
mod page;

pub use burnout::Burnout;
pub use depart::{Departure, FEWEST, Laid, Usual, departures};
pub use page::html;

use super::{
    BookError, Part, Reader, WarmupEntry,
    report::{clock, value},
    timeline::Timeline,
};
use serde::Serialize;
use spinover_protocol::{Millis, StepKey, car::Channel};

/// Of the channels that are said to depart, this share is expected to be named by chance.
pub const FALSE_SHARE: f64 = 0.05;
/// Earlier warm-ups that are laid under, when not told otherwise.
pub const LAST: usize = 10;
/// Cells that time is cut into, at most.
const CELLS: f64 = 240.0;
/// A cell is at least this long, in seconds: a crew's hands are no faster.
const CELL_S: f64 = 1.0;

/// What to compare with what.
#[derive(Clone, Debug, Default)]
pub struct Wish {
    /// The step that they are aligned by. When absent: `nitro_on` if it was marked, else the first step of the first phase in
    /// which the engine fires, else the beginning.
    pub align: Option<StepKey>,
    /// How many earlier ones at most; [`LAST`] when absent.
    pub last: Option<usize>,
    /// These ones, in place of the last of the same car and sheet.
    pub with: Vec<String>,
}

/// A warm-up over earlier ones.
#[derive(Clone, Debug)]
pub struct Comparison {
    /// The warm-up in question.
    pub entry: WarmupEntry,
    /// The earlier ones, oldest first.
    pub earlier: Vec<WarmupEntry>,
    /// The words of the step that they are aligned by; none for the beginning.
    pub step: Option<String>,
    /// Seconds from that step to the beginning of the first cell.
    pub from_s: f64,
    /// Length of a cell in seconds.
    pub cell_s: f64,
    /// One for each channel that the warm-up in question has readings of: its place, and its cells.
    pub channels: Vec<(usize, Laid)>,
    /// What departs, the weightiest first.
    pub found: Vec<Finding>,
    /// The burn-outs of those that had one, oldest first.
    pub burnouts: Vec<Burnout>,
}

/// A departure in numbers and words.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Finding {
    /// The channel's key.
    pub channel: String,
    /// Seconds after the step at which it begins.
    pub from_s: f64,
    /// Seconds after the step at which it ends.
    pub to_s: f64,
    /// What it read where it departs farthest.
    pub this: f64,
    /// The median of the earlier ones there.
    pub median: f64,
    /// Their spread there: a tenth of them lies below this.
    pub low: f64,
    /// A tenth of them lies above this.
    pub high: f64,
    /// All of that in a sentence.
    pub words: String,
}

impl Comparison {
    /// Whether there are enough earlier ones to judge by.
    pub fn can_judge(&self) -> bool {
        self.earlier.len() >= FEWEST
    }

    /// What the times count from, in words.
    pub fn origin(&self) -> String {
        self.step
            .as_ref()
            .map_or_else(|| "the beginning".to_owned(), |step| format!("\"{step}\""))
    }

    /// The middle of a cell, in seconds after the step.
    pub fn middle_s(&self, cell: usize) -> f64 {
        self.from_s + (cell as f64 + 0.5) * self.cell_s
    }
}

/// Lays a warm-up over earlier ones.
///
/// # Errors
/// When one is not in the book, or the step was not marked in it.
pub fn compare(reader: &Reader, id: &str, wish: &Wish) -> Result<Comparison, BookError> {
    let entry = reader.warmup(id)?;
    let this = One::read(reader, entry.clone())?;
    let align = match &wish.align {
        Some(step) => Some(step.clone()),
        None => this.usual_step(),
    };
    let step = align
        .as_ref()
        .map(|step| this.step_words(step))
        .transpose()?;
    let earlier = earlier_ones(reader, &this, align.as_ref(), wish)?;
    let origin = this.origin(align.as_ref())?;
    let (first_us, last_us) = this.span_us();
    let (from_s, to_s) = (
        (first_us - origin * 1000) as f64 / 1e6,
        (last_us - origin * 1000) as f64 / 1e6,
    );
    let cell_s = ((to_s - from_s) / CELLS).max(CELL_S);
    let from_s = (from_s / cell_s).floor() * cell_s;
    let cells = (((to_s - from_s) / cell_s).ceil() as usize).max(1);
    let grid = Grid {
        from_s,
        cell_s,
        cells,
    };

    let mut channels: Vec<(usize, Laid)> = Vec::new();
    let every: Vec<usize> = (0..entry.channels.len()).collect();
    let read = this.cells(reader, &every, origin, grid)?;
    for ((place, channel), cells) in entry.channels.iter().enumerate().zip(read) {
        if cells.iter().any(Option::is_some) {
            let floor = 0.5 * 10f64.powi(-i32::from(channel.decimals));
            channels.push((
                place,
                Laid {
                    this: cells,
                    earlier: Vec::new(),
                    floor,
                },
            ));
        }
    }
    for other in &earlier {
        let origin = other.origin(align.as_ref())?;
        // By key, and only where the unit is the same: the car file may have changed in between.
        let there: Vec<Option<usize>> = channels
            .iter()
            .map(|(place, _)| {
                let channel = &entry.channels[*place];
                let same = |c: &Channel| c.key == channel.key && c.unit == channel.unit;
                other.entry.channels.iter().position(same)
            })
            .collect();
        let places: Vec<usize> = there.iter().flatten().copied().collect();
        let mut read = other.cells(reader, &places, origin, grid)?.into_iter();
        for ((_, laid), there) in channels.iter_mut().zip(there) {
            let cells = there.and_then(|_| read.next());
            laid.earlier
                .push(cells.unwrap_or_else(|| vec![None; grid.cells]));
        }
    }
    let mut burnouts = Vec::new();
    for one in earlier.iter().chain([&this]) {
        burnouts.extend(one.burnout(reader)?);
    }
    let laid: Vec<Laid> = channels.iter().map(|(_, laid)| laid.clone()).collect();
    let mut comparison = Comparison {
        entry,
        earlier: earlier.into_iter().map(|one| one.entry).collect(),
        step,
        from_s,
        cell_s,
        channels,
        found: Vec::new(),
        burnouts,
    };
    comparison.found = departures(&laid, FALSE_SHARE)
        .iter()
        .filter_map(|departure| comparison.finding(departure))
        .collect();
    Ok(comparison)
}

impl Comparison {
    fn finding(&self, departure: &Departure) -> Option<Finding> {
        let (place, laid) = &self.channels[departure.channel];
        let channel = &self.entry.channels[*place];
        let usual = laid.usual(departure.worst)?;
        let this = laid.this[departure.worst]?;
        let from_s = self.from_s + departure.from as f64 * self.cell_s;
        let to_s = self.from_s + (departure.to + 1) as f64 * self.cell_s;
        let off = this - usual.median;
        let words = format!(
            "{} {} {} {} the usual from {} to {} after {}: {}, the last {} had {} to {}",
            channel.label,
            value(channel, off.abs()),
            channel.unit,
            if off < 0.0 { "below" } else { "above" },
            clock(from_s),
            clock(to_s),
            self.origin(),
            value(channel, this),
            usual.count,
            value(channel, usual.low),
            value(channel, usual.high)
        );
        let channel = channel.key.to_string();
        Some(Finding {
            channel,
            from_s,
            to_s,
            this,
            median: usual.median,
            low: usual.low,
            high: usual.high,
            words,
        })
    }
}

/// The earlier warm-ups that were wished for, or the last ones of the same car by the same sheet, live like this one or not
/// live like this one, in which the step was marked.
fn earlier_ones(
    reader: &Reader,
    this: &One,
    align: Option<&StepKey>,
    wish: &Wish,
) -> Result<Vec<One>, BookError> {
    let mut found = Vec::new();
    if !wish.with.is_empty() {
        for id in &wish.with {
            let one = One::read(reader, reader.pick(id)?)?;
            one.origin(align)?;
            found.push(one);
        }
        return Ok(found);
    }
    let entry = &this.entry;
    let alike = |other: &WarmupEntry| {
        other.begun_at < entry.begun_at
            && other.deleted_at.is_none()
            && (&other.team, &other.car, &other.sheet) == (&entry.team, &entry.car, &entry.sheet)
            && other.source.is_empty() == entry.source.is_empty()
    };
    for other in reader.warmups()?.into_iter().rev().filter(alike) {
        if found.len() == wish.last.unwrap_or(LAST) {
            break;
        }
        let one = One::read(reader, other)?;
        if one.origin(align).is_ok() {
            found.push(one);
        }
    }
    found.reverse();
    Ok(found)
}

#[derive(Clone, Copy)]
struct Grid {
    from_s: f64,
    cell_s: f64,
    cells: usize,
}

/// One warm-up, without its readings.
struct One {
    entry: WarmupEntry,
    timeline: Timeline,
    ends_us: (i64, i64),
}

impl One {
    fn read(reader: &Reader, entry: WarmupEntry) -> Result<Self, BookError> {
        let timeline = Timeline::of(&reader.story(&entry.id)?).ok_or_else(|| {
            BookError::Unreadable(format!("warm-up {} has no beginning", entry.id))
        })?;
        let extent = reader.extent(&entry.id)?;
        let begun_us = entry.begun_at * 1000;
        let ends_us = (
            extent.from_us.unwrap_or(begun_us),
            extent.to_us.unwrap_or(begun_us),
        );
        Ok(Self {
            entry,
            timeline,
            ends_us,
        })
    }

    fn span_us(&self) -> (i64, i64) {
        self.ends_us
    }

    fn usual_step(&self) -> Option<StepKey> {
        let done = |key: &StepKey| self.marked_at(key).is_some();
        let nitro = StepKey::from("nitro_on");
        if done(&nitro) {
            return Some(nitro);
        }
        let warmup = self.timeline.warmup();
        let firing = warmup
            .sheet
            .phases
            .iter()
            .filter(|phase| phase.firing)
            .flat_map(|phase| &phase.steps);
        firing.map(|step| step.key.clone()).find(done)
    }

    fn marked_at(&self, step: &StepKey) -> Option<Millis> {
        self.timeline
            .done
            .iter()
            .find(|done| done.step == *step && done.skipped.is_none())
            .map(|done| done.at)
    }

    fn origin(&self, align: Option<&StepKey>) -> Result<Millis, BookError> {
        let Some(step) = align else {
            return Ok(self.entry.begun_at);
        };
        self.marked_at(step).ok_or_else(|| {
            BookError::Refused(format!(
                "step {step} was not marked in warm-up {}",
                self.entry.id
            ))
        })
    }

    /// A step's words up to the first colon or comma: its name, as it were.
    fn step_words(&self, key: &StepKey) -> Result<String, BookError> {
        let steps: Vec<_> = self
            .timeline
            .warmup()
            .sheet
            .steps()
            .map(|(_, step)| step)
            .collect();
        let step = steps.iter().find(|step| step.key == *key).ok_or_else(|| {
            let keys: Vec<&str> = steps.iter().map(|step| step.key.as_str()).collect();
            BookError::Refused(format!(
                "the sheet has no step {key}; it has {}",
                keys.join(", ")
            ))
        })?;
        Ok(step
            .text
            .split(['.', ',', ';'])
            .next()
            .unwrap_or(&step.text)
            .trim()
            .to_owned())
    }

    /// Its burn-out, where its sheet has a phase of that key, and its engine speed rose in it.
    fn burnout(&self, reader: &Reader) -> Result<Option<Burnout>, BookError> {
        let warmup = self.timeline.warmup();
        let place = warmup.car.channel(&"engine_rpm".into());
        let phase = warmup.sheet.phase(&"burnout".into());
        let (Some((place, _)), Some(phase)) = (place, phase) else {
            return Ok(None);
        };
        let phases = &self.timeline.phases;
        let Some(begins) = phases.iter().position(|from| from.name == phase.name) else {
            return Ok(None);
        };
        let from_us = phases[begins].at * 1000;
        let to_us = phases
            .get(begins + 1)
            .map_or(self.ends_us.1, |next| next.at * 1000);
        let channel = [place as u16];
        let part = Part {
            from_us: Some(from_us),
            to_us: Some(to_us),
            channels: Some(&channel),
        };
        let (rows, _) = reader.rows(&self.entry.id, part)?;
        let mut speeds = Vec::new();
        rows.each_row(|t_us, cells| {
            let inside = (from_us..=to_us).contains(&t_us);
            if let Some((_, value)) = cells.first().filter(|_| inside) {
                speeds.push((t_us as f64 / 1e6, *value));
            }
            Ok::<(), BookError>(())
        })?;
        Ok(burnout::measure(&speeds).map(|(length_s, peak)| Burnout {
            warmup: self.entry.id.clone(),
            length_s,
            peak,
        }))
    }

    /// The median of each of these channels' readings in each cell. They are read in one go: the times are the same for all.
    fn cells(
        &self,
        reader: &Reader,
        places: &[usize],
        origin: Millis,
        grid: Grid,
    ) -> Result<Vec<Vec<Option<f64>>>, BookError> {
        let wanted: Vec<u16> = places.iter().map(|place| *place as u16).collect();
        let part = Part {
            channels: Some(&wanted),
            ..Part::default()
        };
        let mut cells: Vec<Vec<Vec<f64>>> = vec![vec![Vec::new(); grid.cells]; places.len()];
        let cell_of = |t_us: &i64| {
            let t_s = (t_us - origin * 1000) as f64 / 1e6;
            let cell = ((t_s - grid.from_s) / grid.cell_s).floor();
            let inside = cell >= 0.0 && cell < grid.cells as f64;
            inside.then_some(cell as usize)
        };
        // What cannot be read leaves its cells empty, which says as much.
        reader.each_block(&self.entry.id, part, |rows| {
            let at: Vec<Option<usize>> = rows.times_us.iter().map(cell_of).collect();
            for (channel, column) in &rows.columns {
                let Some(own) = wanted.iter().position(|wanted| wanted == channel) else {
                    continue;
                };
                for (row, value) in column.rows.iter().zip(&column.values) {
                    if let Some(cell) = at[*row as usize] {
                        cells[own][cell].push(*value);
                    }
                }
            }
            Ok::<(), BookError>(())
        })?;
        let medians = |cells: &Vec<Vec<f64>>| {
            let median = |values: &Vec<f64>| crate::figures::robust::median(values);
            cells.iter().map(median).collect()
        };
        Ok(cells.iter().map(medians).collect())
    }
}

/// The comparison in words, one line each.
pub fn words(comparison: &Comparison) -> Vec<String> {
    let ids = |entries: &[WarmupEntry]| match entries {
        [] => "no earlier warm-up".to_owned(),
        [one] => one.id.clone(),
        [first, .., last] => format!("{} warm-ups, {} to {}", entries.len(), first.id, last.id),
    };
    let mut lines = vec![format!(
        "{} against {}, times from {}",
        comparison.entry.id,
        ids(&comparison.earlier),
        comparison.origin()
    )];
    lines.extend(burnout::words(comparison));
    if !comparison.can_judge() {
        lines.push(format!(
            "too few to say what is usual: {FEWEST} are needed at least"
        ));
        return lines;
    }
    if comparison.found.is_empty() {
        lines.push("nothing departs from the usual".to_owned());
    }
    lines.extend(comparison.found.iter().map(|finding| finding.words.clone()));
    lines.push(format!(
        "Of channels named so, {:.0} % are expected to be named by chance (t-test for one new value; Simes, Benjamini-Hochberg).",
        FALSE_SHARE * 100.0
    ));
    lines
}

/// The comparison as JSON: what was compared, what was found, and for each channel the cells.
pub fn json(comparison: &Comparison) -> serde_json::Value {
    let of = |(place, laid): &(usize, Laid)| {
        let channel: &Channel = &comparison.entry.channels[*place];
        let usual: Vec<_> = (0..laid.this.len())
            .map(|cell| {
                laid.usual(cell)
                    .map(|usual| [usual.low, usual.median, usual.high])
            })
            .collect();
        serde_json::json!({ "channel": channel.key, "unit": channel.unit, "this": laid.this, "low_median_high": usual })
    };
    serde_json::json!({
        "warmup": comparison.entry.id,
        "earlier": comparison.earlier.iter().map(|entry| &entry.id).collect::<Vec<_>>(),
        "step": comparison.step,
        "can_judge": comparison.can_judge(),
        "expected_false_share": FALSE_SHARE,
        "found": comparison.found,
        "burnouts": comparison.burnouts,
        "from_s": comparison.from_s,
        "cell_s": comparison.cell_s,
        "channels": comparison.channels.iter().map(of).collect::<Vec<_>>(),
    })
}
