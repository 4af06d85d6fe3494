//! The season's counters, counted from the book: all of it when the hub starts, later what has changed, beside the keeper's work.

use crate::{
    book::{Book, BookError, Part, Reader, WarmupEntry},
    core::{
        Core,
        season::{Above, Tick, all_stand, of_turnaround, of_warmup},
    },
};
use spinover_protocol::{
    Millis,
    car::Car,
    event::{Event, EventBody},
    season::{Counter, Counts, Now},
    units::Unit,
};
use std::{
    collections::BTreeMap,
    sync::{Arc, Mutex, PoisonError},
};
use tokio::sync::mpsc;

/// Engine seconds of a warm-up under way are counted anew this often.
const RUNNING_EVERY_MS: Millis = 60_000;

/// What closed warm-ups count, by their ids: they do not change any more.
pub type Known = BTreeMap<String, Vec<Vec<Tick>>>;

/// What counted, for each counter in order: of that car's warm-ups, and of the times between rounds, whose readings were not live for the
/// reason `source`; empty: live. Deleted warm-ups do not count.
///
/// # Errors
/// What the book says.
pub fn ticks(
    reader: &Reader,
    counters: &[Counter],
    car: &str,
    source: &str,
    known: &mut Known,
) -> Result<Vec<Vec<Tick>>, BookError> {
    let mut all: Vec<Vec<Tick>> = vec![Vec::new(); counters.len()];
    for entry in reader.warmups()? {
        if entry.deleted_at.is_some() || entry.car != car || entry.source != source {
            continue;
        }
        let of_it = match known.get(&entry.id) {
            Some(of_it) => of_it.clone(),
            None => {
                let of_it = of_entry(reader, counters, &entry)?;
                if entry.closed_at.is_some() {
                    known.insert(entry.id.clone(), of_it.clone());
                }
                of_it
            }
        };
        for (all, ticks) in all.iter_mut().zip(of_it) {
            all.extend(ticks);
        }
    }
    for turnaround in reader.turnarounds(source)? {
        for (all, counter) in all.iter_mut().zip(counters) {
            all.extend(of_turnaround(&counter.counts, &turnaround));
        }
    }
    Ok(all)
}

fn of_entry(
    reader: &Reader,
    counters: &[Counter],
    entry: &WarmupEntry,
) -> Result<Vec<Vec<Tick>>, BookError> {
    let Some(warmup) = reader.record(&entry.id)?.warmup else {
        return Ok(vec![Vec::new(); counters.len()]);
    };
    counters
        .iter()
        .map(|counter| match counter.counts {
            Counts::EngineSeconds { above_rpm } => engine(reader, entry, above_rpm),
            _ => Ok(of_warmup(&counter.counts, &warmup)),
        })
        .collect()
}

fn engine(reader: &Reader, entry: &WarmupEntry, above_rpm: f64) -> Result<Vec<Tick>, BookError> {
    let mut above = Above::new(above_rpm);
    let mut channels = entry.channels.iter();
    let place = channels.position(|channel| channel.key.as_str() == "engine_rpm");
    let Some((place, wanted)) = place.and_then(|at| Some((at, u16::try_from(at).ok()?))) else {
        return Ok(Vec::new());
    };
    let channel = &entry.channels[place];
    let part = Part {
        channels: Some(&[wanted]),
        ..Part::default()
    };
    let (rows, _) = reader.rows(&entry.id, part)?;
    rows.each_row(|t_us, cells| {
        let spoken = cells.iter().find(|(at, _)| *at == wanted);
        if let Some((_, value)) = spoken.filter(|(_, value)| channel.plausible.holds(*value))
            && let Some(rpm) = channel.unit.convert(*value, Unit::Rpm)
        {
            above.push(t_us, rpm);
        }
        Ok::<(), BookError>(())
    })?;
    Ok(above.ticks())
}

/// Has it counted, and waits for what comes out.
pub struct Counting {
    counters: Arc<Vec<Counter>>,
    car: String,
    source: String,
    known: Arc<Mutex<Known>>,
    done: (mpsc::Sender<Option<Now>>, mpsc::Receiver<Option<Now>>),
    under_way: bool,
    due_at: Millis,
}

impl Counting {
    /// One that counts at the first time that it is asked; with no counters, never.
    pub fn new(counters: Vec<Counter>, car: &Car, source: &str) -> Self {
        Self {
            counters: Arc::new(counters),
            car: car.name.clone(),
            source: source.to_owned(),
            known: Arc::default(),
            done: mpsc::channel(1),
            under_way: false,
            due_at: Millis::MIN,
        }
    }

    /// These events are on the disk.
    pub fn heard(&mut self, events: &[Event]) {
        let counts = |event: &Event| {
            matches!(
                event.body,
                EventBody::WarmupBegun { .. }
                    | EventBody::WarmupClosed {}
                    | EventBody::StepMarked { .. }
                    | EventBody::StepSkipped { .. }
                    | EventBody::StepUndone { .. }
                    | EventBody::TaskDone { .. }
                    | EventBody::TaskUndone { .. }
                    | EventBody::PartChanged { .. }
                    | EventBody::PartChangeUndone { .. }
            )
        };
        if events.iter().any(counts) {
            self.due_at = Millis::MIN;
        }
    }

    /// Begins a count where one is due and none is under way.
    pub fn tick(&mut self, core: &Core, now: Millis, book: &Book) {
        if self.counters.is_empty() || self.under_way || now < self.due_at {
            return;
        }
        let open = core.record().warmup.as_ref();
        let runs = open.is_some_and(|warmup| warmup.closed_at.is_none());
        self.due_at = if runs {
            now + RUNNING_EVERY_MS
        } else {
            Millis::MAX
        };
        self.under_way = true;
        let (counters, known) = (self.counters.clone(), self.known.clone());
        let (car, source) = (self.car.clone(), self.source.clone());
        let changes = core.part_changes().clone();
        let (book, to) = (book.clone(), self.done.0.clone());
        tokio::spawn(async move {
            // Its last readings may still be on their way to the disk.
            let flushed = matches!(book.flush().await, Ok(Ok(())));
            let count = move || {
                let mut known = known.lock().unwrap_or_else(PoisonError::into_inner);
                let ticks = ticks(&book.reader()?, &counters, &car, &source, &mut known)?;
                Ok::<Now, BookError>(all_stand(&counters, &ticks, &changes))
            };
            let counted = match flushed {
                true => tokio::task::spawn_blocking(count).await.ok(),
                false => None,
            };
            let counted = counted.and_then(|counted| {
                counted
                    .inspect_err(|error| tracing::warn!("the counters stand still: {error}"))
                    .ok()
            });
            let _ = to.send(counted).await;
        });
    }

    /// Waits for a count to come out. Nothing is lost where the waiting is given up.
    pub async fn counted(&mut self) -> Option<Now> {
        // It never ends: an end to send by is in our own hands.
        let counted = self.done.1.recv().await.flatten();
        self.under_way = false;
        counted
    }
}
