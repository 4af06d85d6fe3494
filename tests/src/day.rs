//! A simulated day for `bench_soak`: one warm-up after the other with the core, the journal, the book and phones in this
//! process, without a clock. What a hub has besides, sockets and threads, is in the bench's real hour.

use crate::process;
use anyhow::Result;
use serde_json::{Value, json};
use spinover::{
    book::Book,
    core::Output,
    figures::robust::theil_sen,
    files::demo,
    pit::Pit,
    serve::{history, shared::EventLog},
    sources::sim::Settings,
};
use spinover_protocol::{
    PROTOCOL_VERSION,
    car::Car,
    event::{EventBody, Right, Who},
    link::{self, Identity, Link},
    message::{Command, HubMessage, Join, Welcome},
    record::Record,
};
use std::time::Instant;

/// Two-sided 95 %.
const Z: f64 = 1.96;

/// A slope and its interval, of y over x.
pub fn slope(x: &[f64], y: &[f64]) -> Value {
    theil_sen(x, y, Z).map_or(
        Value::Null,
        |line| json!({ "slope": line.slope, "low": line.slope_lo, "high": line.slope_hi }),
    )
}

/// Phones that fold what the hub would send.
const PHONES: usize = 6;
/// A warm-up that is still not through is closed, in milliseconds.
const LONGEST_MS: i64 = 20 * 60_000;
/// The book is let catch up this often, in simulated milliseconds: here time costs nothing, and its queue must not fill.
const FLUSH_MS: i64 = 60_000;
/// Between two looks at memory, in simulated milliseconds.
const LOOK_MS: i64 = 600_000;
/// A phone is away this often and for so long: it resumes from the log, or takes a snapshot.
const AWAY_MS: (i64, i64) = (300_000, 90_000);

/// Everything that a hub has but its sockets and its clock.
struct Day {
    pit: Pit,
    book: Book,
    log: EventLog,
    folder: tempfile::TempDir,
    /// Phones, and the last event that each has been sent.
    phones: Vec<(Link, u64)>,
    begun_at: i64,
    warmups: u64,
    events: u64,
    readings: u64,
    snapshots: u64,
    wal_most: u64,
    /// Simulated hours, memory in kB and open files at each look.
    looks: [Vec<f64>; 3],
}

/// An engine, each with its own chance.
fn engine(seed: u64) -> Settings {
    Settings {
        seed,
        auto: false,
        noise: true,
        faults: vec![],
    }
}

fn welcome(car: &Car) -> HubMessage {
    HubMessage::Welcome(Box::new(Welcome {
        protocol: PROTOCOL_VERSION,
        hub_version: String::new(),
        journal: "soak".to_owned(),
        now: 0,
        you: Who {
            id: "phone".into(),
            name: "Phone".to_owned(),
            role: "idle".into(),
        },
        right: Right::Crew,
        car: car.clone(),
        sheets: vec![],
        join: Join {
            urls: vec![],
            qr_svg: String::new(),
            trust: None,
        },
        not_live: None,
        token: None,
        hubs: Default::default(),
        controls: vec![],
    }))
}

impl Day {
    fn new() -> Result<Self> {
        let folder = tempfile::tempdir()?;
        let (book, _) = Book::open(folder.path())?;
        let mut pit = Pit::new(&demo::car()?.car, demo::sheets()?.swap_remove(0), engine(1))?;
        let log = EventLog::new(Record::default());
        let begun = pit.begun().to_vec();
        book.append(begun.clone()).blocking_recv()??;
        log.add(&begun);
        pit.core().played(vec![true]);
        let mut phone = |n: usize| {
            let identity = Identity {
                code: "code".to_owned(),
                name: format!("Phone {n}"),
                role: "idle".into(),
                device: format!("phone-{n:04}").as_str().into(),
            };
            let mut link = Link::new(identity, n as u64);
            link.take(0.0, link::Input::Tick);
            link.take(0.0, link::Input::Opened);
            link.take(
                0.0,
                link::Input::Received(Box::new(welcome(pit.core().car()))),
            );
            (link, 0)
        };
        Ok(Self {
            events: begun.len() as u64,
            phones: (0..PHONES).map(&mut phone).collect(),
            begun_at: 0,
            warmups: 1,
            readings: 0,
            snapshots: 0,
            wal_most: 0,
            looks: Default::default(),
            pit,
            book,
            log,
            folder,
        })
    }

    fn go_on(&mut self, hours: f64) -> Result<()> {
        let until = self.pit.now() + (hours * 3_600_000.0) as i64;
        while self.pit.now() < until {
            let mut outputs = self.pit.outputs();
            let now = self.pit.now();
            if self.pit.warmup().current().is_none() || now - self.begun_at > LONGEST_MS {
                let sheet = self.pit.warmup().sheet.key.clone();
                outputs.extend(self.pit.want(Command::Begin { sheet }));
                self.begun_at = now;
                self.warmups += 1;
                self.pit.cold_engine(engine(self.warmups))?;
            }
            self.write(outputs)?;
            self.show()?;
            if now % FLUSH_MS == 0 {
                self.book.flush().blocking_recv()??;
                self.wal_most = self
                    .wal_most
                    .max(process::size(&self.folder.path().join("spinover.db-wal")));
            }
            if now % LOOK_MS == 0 {
                self.look()?;
            }
        }
        self.show_all()
    }

    /// As the keeper does: to the book first, then to everyone.
    fn write(&mut self, outputs: Vec<Output>) -> Result<()> {
        let mut new = Vec::new();
        for output in outputs {
            match output {
                Output::Event(event) => new.push(event),
                Output::Keep(t_us, values) => {
                    self.readings += values.len() as u64;
                    let values = values
                        .iter()
                        .map(|(channel, value)| (*channel, t_us, *value))
                        .collect();
                    self.book.readings(&self.pit.warmup().id, values);
                }
                _ => {}
            }
        }
        if new.is_empty() {
            return Ok(());
        }
        self.events += new.len() as u64;
        self.book.append(new.clone()).blocking_recv()??;
        self.log.add(&new);
        if new
            .iter()
            .any(|event| matches!(event.body, EventBody::WarmupClosed {}))
        {
            self.book.flush().blocking_recv()??;
            let core = self.pit.core();
            let lessons = history::lessons(&self.book.reader()?, core.car(), "")?;
            core.learn(lessons);
        }
        Ok(())
    }

    fn show(&mut self) -> Result<()> {
        let now = self.pit.now();
        let frame = Box::new(HubMessage::Readings(self.pit.frame()));
        for n in 0..self.phones.len() {
            if n > 0 && (now + n as i64 * 50_000) % AWAY_MS.0 < AWAY_MS.1 {
                continue;
            }
            self.catch_up(n)?;
            self.phones[n]
                .0
                .take(now as f64, link::Input::Received(frame.clone()));
        }
        Ok(())
    }

    fn show_all(&mut self) -> Result<()> {
        (0..self.phones.len()).try_for_each(|n| self.catch_up(n))
    }

    fn catch_up(&mut self, n: usize) -> Result<()> {
        let (phone, seen) = &mut self.phones[n];
        while let Some((text, last)) = self.log.after(*seen) {
            *seen = last;
            let message: HubMessage = serde_json::from_str(&text)?;
            self.snapshots += u64::from(matches!(message, HubMessage::Snapshot { .. }));
            phone.take(
                self.pit.now() as f64,
                link::Input::Received(Box::new(message)),
            );
        }
        Ok(())
    }

    fn look(&mut self) -> Result<()> {
        let taken = process::look(std::process::id())?;
        let hour = self.pit.now() as f64 / 3.6e6;
        for (list, value) in
            self.looks
                .iter_mut()
                .zip([hour, taken.rss_kb as f64, taken.fds as f64])
        {
            list.push(value);
        }
        eprintln!(
            "simulated hour {hour:.1}: {} kB, {} files, {} warm-ups",
            taken.rss_kb, taken.fds, self.warmups
        );
        Ok(())
    }

    fn file_bytes(&self) -> u64 {
        process::size(&self.folder.path().join("spinover.db"))
    }

    /// Deletes all but the last warm-up, for good, and goes on for a quarter of the time: is the room used again?
    fn delete_and_go_on(&mut self, hours: f64) -> Result<Value> {
        self.book.flush().blocking_recv()??;
        let full = self.file_bytes();
        let kept = self.pit.warmup().id.clone();
        let mut deleted = 0;
        for entry in self
            .book
            .reader()?
            .warmups()?
            .iter()
            .filter(|entry| entry.id != kept)
        {
            self.book.delete(&entry.id, "soak", 0).blocking_recv()??;
            deleted += 1;
        }
        self.book.purge(i64::MAX).blocking_recv()??;
        let purged = self.file_bytes();
        self.go_on(hours / 4.0)?;
        self.book.flush().blocking_recv()??;
        Ok(
            json!({ "deleted": deleted, "file_bytes_before": full, "file_bytes_after": purged, "file_bytes_a_quarter_later": self.file_bytes() }),
        )
    }
}

/// Goes on for so many simulated hours; what was measured.
///
/// # Errors
/// When the book fails, or this is not Linux.
pub fn simulated(hours: f64) -> Result<Value> {
    let begun = Instant::now();
    let mut day = Day::new()?;
    day.go_on(hours)?;
    day.book.flush().blocking_recv()??;
    let record = day.pit.core().record().clone();
    let agree = day
        .phones
        .iter()
        .all(|(phone, _)| phone.mirror().record == record);
    let [at, rss, fds] = day.looks.clone();
    let after_first = at.iter().position(|hour| *hour >= 1.0).unwrap_or(0);
    let file_bytes = day.file_bytes();
    let (warmups, events, readings) = (day.warmups, day.events, day.readings);
    let deleting = day.delete_and_go_on(hours)?;
    let dropped = day.book.health().borrow().dropped_readings;
    Ok(json!({
        "hours": hours,
        "took_s": begun.elapsed().as_secs_f64(),
        "warmups": warmups,
        "events": events,
        "readings": readings,
        "readings_dropped": dropped,
        "snapshots": day.snapshots,
        "phones_agree_with_core": agree,
        "rss_kb_first": rss.first(),
        "rss_kb_last": rss.last(),
        "rss_slope_kb_per_simulated_hour": slope(&at[after_first..], &rss[after_first..]),
        "fd_leak": fds.last().unwrap_or(&0.0) - fds.first().unwrap_or(&0.0),
        "wal_most_bytes": day.wal_most,
        "file_bytes": file_bytes,
        "bytes_per_reading": file_bytes as f64 / readings.max(1) as f64,
        "deleting": deleting,
    }))
}
