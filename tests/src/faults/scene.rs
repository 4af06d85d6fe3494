//! A crew at work while something goes wrong: a car that sends numbered readings, a chief who keeps writing remarks, others
//! who watch; and the reckoning afterwards.

use crate::{
    data,
    hub::{self, CHIEF_CODE, CREW_CODE, Hub, Launch},
    phone::Phone,
};
use anyhow::{Context, Result, ensure};
use serde::Serialize;
use spinover_protocol::{link::Answer, message::Command};
use std::{
    collections::{BTreeMap, BTreeSet},
    io::Write,
    path::Path,
    process::ChildStdin,
    sync::{
        Arc, Mutex, PoisonError,
        atomic::{AtomicBool, AtomicU64, Ordering},
    },
    thread,
    time::{Duration, Instant},
};
use tokio::task::{JoinHandle, JoinSet};

/// Readings a second.
pub const RATE_HZ: u64 = 50;
/// Remarks that wait for an answer at once; a phone remembers twice as many answers.
const WAITING: usize = 16;
/// Between two remarks.
const REMARK: Duration = Duration::from_millis(150);

/// What was lost.
#[derive(Clone, Debug, Default, Serialize)]
pub struct Lost {
    /// Remarks that the hub said are done.
    pub events_promised: usize,
    /// Of those, not in the record afterwards.
    pub events_lost: usize,
    /// In the record more than once.
    pub events_twice: usize,
    /// Remarks that the hub refused, with a reason.
    pub events_refused: usize,
    /// In the record though they were refused.
    pub refused_yet_kept: usize,
    /// Remarks that were never answered.
    pub events_unanswered: usize,
    /// Readings that the car sent.
    pub readings_sent: u64,
    /// Of those, not in the book, in seconds.
    pub readings_lost_s: f64,
    /// How many seconds of readings may be lost by this fault.
    pub readings_may_lose_s: f64,
    /// The phones' records are the same, and the hub's.
    pub phones_agree: bool,
    /// The longest that a phone heard nothing, in milliseconds.
    pub longest_silence_ms: f64,
}

impl Lost {
    /// What should not have been lost, in words; nothing when all is well.
    pub fn wrong(&self) -> String {
        let mut wrong = Vec::new();
        for (count, what) in [
            (self.events_lost, "acknowledged events lost"),
            (self.events_twice, "events twice"),
            (self.refused_yet_kept, "refused events kept"),
            (self.events_unanswered, "commands never answered"),
            (usize::from(!self.phones_agree), "phones that disagree"),
            (
                usize::from(self.events_promised == 0),
                "nothing done at all",
            ),
            (usize::from(self.readings_sent == 0), "no readings at all"),
        ] {
            if count > 0 {
                wrong.push(format!("{count} {what}"));
            }
        }
        if self.readings_lost_s > self.readings_may_lose_s {
            wrong.push(format!("{:.2} s of readings lost", self.readings_lost_s));
        }
        wrong.join(", ")
    }
}

/// The crew.
pub struct Scene {
    /// The hub.
    pub hub: Hub,
    /// The chief's phone, beside the laptop: nothing stands between the two.
    pub chief: Arc<Phone>,
    /// Phones that only watch; those of a bad radio are added by the fault.
    pub crew: Vec<Phone>,
    car: Arc<Car>,
    driver: Option<thread::JoinHandle<()>>,
    remarks: JoinHandle<()>,
    told: Arc<Told>,
}

#[derive(Debug, Default)]
struct Car {
    sent: AtomicU64,
    gone: AtomicBool,
    to: Mutex<Option<ChildStdin>>,
}

/// What was asked, and what the hub said.
#[derive(Debug, Default)]
struct Told {
    enough: AtomicBool,
    answers: Mutex<BTreeMap<String, Option<Answer>>>,
}

impl Told {
    fn note(&self, text: &str, answer: Option<Answer>) {
        let mut answers = self.answers.lock().unwrap_or_else(PoisonError::into_inner);
        answers.insert(text.to_owned(), answer);
    }

    fn done(&self) -> usize {
        let answers = self.answers.lock().unwrap_or_else(PoisonError::into_inner);
        answers
            .values()
            .filter(|answer| matches!(answer, Some(Answer::Done(_))))
            .count()
    }
}

impl Scene {
    /// A hub, a car, a chief and one who watches.
    ///
    /// # Errors
    /// Never; a hub that does not come up panics.
    pub async fn begin() -> Result<Self> {
        Self::begin_with(Self::launch()).await
    }

    /// How the hub is started when nothing is special.
    pub fn launch() -> Launch {
        let launch = Launch::serve(&data::own("car.toml"), &data::own("sheet.toml"));
        launch
            .source("lines:stdin")
            .arg("--quiet-network")
            .with_stdin()
    }

    /// With a hub that is started in another way.
    ///
    /// # Errors
    /// Never; a hub that does not come up panics.
    pub async fn begin_with(launch: Launch) -> Result<Self> {
        let mut hub = tokio::task::spawn_blocking(move || launch.start()).await?;
        let chief = Arc::new(Phone::join(&hub, CHIEF_CODE, "Wren", "chief").await);
        let crew = vec![Phone::join(&hub, CREW_CODE, "Ash", "idle").await];
        let car = Arc::new(Car {
            to: Mutex::new(Some(hub.stdin())),
            ..Car::default()
        });
        let driving = car.clone();
        let driver = thread::spawn(move || driving.drive());
        let told = Arc::new(Told::default());
        let remarks = tokio::spawn(write_remarks(chief.clone(), told.clone()));
        let scene = Self {
            hub,
            chief,
            crew,
            car,
            driver: Some(driver),
            remarks,
            told,
        };
        scene.some_more().await;
        Ok(scene)
    }

    /// Every phone.
    pub fn phones(&self) -> impl Iterator<Item = &Phone> {
        self.crew.iter().chain([&*self.chief])
    }

    /// How many readings the car has sent.
    pub fn sent(&self) -> u64 {
        self.car.sent.load(Ordering::Relaxed)
    }

    /// Waits until another few remarks are done and another second of readings is sent.
    pub async fn some_more(&self) {
        let (done, sent) = (self.told.done(), self.sent());
        crate::eventually("the crew at work", async || {
            (self.told.done() >= done + 5 && self.sent() >= sent + RATE_HZ).then_some(())
        })
        .await;
    }

    /// Somebody who watches writes a remark, and it must be refused. Not the chief: so many of the chief's may be waiting for the disk
    /// that there is no next one.
    pub async fn one_refused(&self) {
        let text = "one that cannot be written down".to_owned();
        self.crew[0].refused(Command::Note { text }).await;
    }

    /// Waits until a phone is shown the car's next second of readings.
    pub async fn readings_go_on(&self, phone: &Phone) {
        let from = self.sent() + RATE_HZ;
        phone
            .until("readings to go on", |seen| {
                seen.value("engine_rpm")
                    .is_some_and(|value| value >= from as f64)
            })
            .await;
    }

    /// Reads what a phone shows as the latest reading now, against what the car has sent: how far behind it is, in seconds.
    pub fn behind_s(&self, phone: &Phone) -> f64 {
        let sent = self.sent() as f64;
        let shown = phone.look(|seen| seen.value("engine_rpm")).unwrap_or(0.0);
        (sent - shown).max(0.0) / RATE_HZ as f64
    }

    /// Gives a hub that was started again the car.
    pub fn plug_in(&mut self) {
        let stdin = self.hub.stdin();
        *self.car.to.lock().unwrap_or_else(PoisonError::into_inner) = Some(stdin);
    }

    /// The longest that a phone has heard nothing so far is forgotten.
    pub fn forget_silence(&self) {
        for phone in self.phones() {
            phone.change(|seen| seen.silence_ms = 0.0);
        }
    }

    /// The end of the day: no more remarks and readings; what of them is there? Up to `may_lose_s` of readings may be missing.
    ///
    /// # Errors
    /// When the hub does not end well, or its book cannot be read.
    pub async fn end(mut self, may_lose_s: f64) -> Result<Lost> {
        self.some_more().await;
        self.told.enough.store(true, Ordering::Relaxed);
        (&mut self.remarks).await.context("the remarks")?;
        self.car.gone.store(true, Ordering::Relaxed);
        let driver = self.driver.take().context("it ends once")?;
        tokio::task::block_in_place(|| driver.join())
            .ok()
            .context("the car broke")?;
        let sent = self.sent();
        if sent > 0 {
            let last = (sent - 1) as f64;
            self.chief
                .until("the last reading", |seen| {
                    seen.value("engine_rpm") == Some(last)
                })
                .await;
        }
        let witness = Phone::join(&self.hub, CREW_CODE, "Witness", "fuel").await;
        let record = witness.look(|seen| seen.mirror().record.clone());
        let mut agree = true;
        for phone in self.phones() {
            phone
                .until("the end", |seen| seen.mirror().record.seq >= record.seq)
                .await;
            agree &= phone.look(|seen| seen.mirror().record.warmup == record.warmup);
        }
        let warmup = record.warmup.context("a warm-up")?;
        let kept = |text: &str| warmup.notes.iter().filter(|note| note.text == text).count();
        let silence = self
            .phones()
            .map(|phone| phone.look(|seen| seen.silence_ms));
        let mut lost = Lost {
            phones_agree: agree,
            longest_silence_ms: silence.fold(0.0, f64::max),
            readings_sent: sent,
            readings_may_lose_s: may_lose_s,
            ..Lost::default()
        };
        for (text, answer) in self
            .told
            .answers
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .iter()
        {
            let times = kept(text);
            lost.events_twice += usize::from(times > 1);
            match answer {
                Some(Answer::Done(_)) => {
                    lost.events_promised += 1;
                    lost.events_lost += usize::from(times == 0);
                }
                Some(Answer::Refused(_)) => {
                    lost.events_refused += 1;
                    lost.refused_yet_kept += times;
                }
                None => lost.events_unanswered += 1,
            }
        }
        let folder = self.hub.data().to_owned();
        let status = tokio::task::block_in_place(|| self.hub.stop());
        ensure!(
            status.success(),
            "the hub ended with {status}: {}",
            self.hub.stderr()
        );
        let there = readings_in(&folder, &warmup.id)?;
        let missing = (0..sent).filter(|n| !there.contains(n)).count();
        lost.readings_lost_s = missing as f64 / RATE_HZ as f64;
        Ok(lost)
    }
}

impl Car {
    /// Sends numbered readings until it is stopped; waits for whoever takes them.
    fn drive(&self) {
        let begun = Instant::now();
        let mut n = 0;
        while !self.gone.load(Ordering::Relaxed) {
            let due = begun + Duration::from_micros(n * 1_000_000 / RATE_HZ);
            thread::sleep(due.saturating_duration_since(Instant::now()));
            let line = format!(
                "{{\"t\": {:.2}, \"engine_rpm\": {n}}}\n",
                n as f64 / RATE_HZ as f64
            );
            let mut to = self.to.lock().unwrap_or_else(PoisonError::into_inner);
            // A hub that is gone takes nothing; the car sends all the same, as a car does.
            if to
                .as_mut()
                .is_some_and(|to| to.write_all(line.as_bytes()).is_err())
            {
                *to = None;
            }
            drop(to);
            n += 1;
            self.sent.store(n, Ordering::Relaxed);
        }
    }
}

impl Drop for Scene {
    fn drop(&mut self) {
        self.car.gone.store(true, Ordering::Relaxed);
        self.remarks.abort();
    }
}

/// A remark every so often, also while earlier ones wait for their answers.
async fn write_remarks(chief: Arc<Phone>, told: Arc<Told>) {
    let mut waiting = JoinSet::new();
    for n in 0.. {
        if told.enough.load(Ordering::Relaxed) {
            break;
        }
        while waiting.len() >= WAITING {
            waiting.join_next().await;
        }
        while waiting.try_join_next().is_some() {}
        let text = format!("remark {n}");
        told.note(&text, None);
        let id = chief.want(Command::Note { text: text.clone() });
        let (chief, told) = (chief.clone(), told.clone());
        waiting.spawn(async move {
            // In vain it panics; the remark then stays without an answer, which is told in the end.
            let answer = chief.answer(&id).await;
            told.note(&text, Some(answer));
        });
        tokio::time::sleep(REMARK).await;
    }
    while waiting.join_next().await.is_some() {}
}

/// The numbers of the readings that a book holds.
fn readings_in(folder: &Path, id: &str) -> Result<BTreeSet<u64>> {
    let folder = folder.display().to_string();
    let export = hub::run(&["book", "export", id, "--data", &folder]);
    ensure!(
        export.status.success(),
        "{}",
        String::from_utf8_lossy(&export.stderr)
    );
    let mut csv = csv::Reader::from_reader(&*export.stdout);
    let place = csv
        .headers()?
        .iter()
        .position(|name| name == "engine_rpm")
        .context("no engine_rpm")?;
    let mut there = BTreeSet::new();
    for row in csv.records() {
        there.extend(
            row?.get(place)
                .and_then(|cell| cell.parse::<f64>().ok())
                .map(|value| value as u64),
        );
    }
    Ok(there)
}
