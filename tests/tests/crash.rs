//! Power cuts: the hub is killed at random moments while the crew works, and what it said was done is there afterwards.

use spinover_protocol::{
    link::Answer,
    message::{Command, HubMessage},
    record::Warmup,
};
use spinover_tests::{
    data,
    hub::{CHIEF_CODE, CREW_CODE, Launch},
    phone::Phone,
};
use std::{
    collections::BTreeMap,
    fmt::Write,
    sync::{
        Mutex,
        atomic::{AtomicBool, Ordering},
    },
    time::Duration,
};

const POWER_CUTS: usize = 8;
const STEPS: usize = 400;

/// A sheet of so many steps that can be marked one after the other.
fn long_sheet() -> String {
    let mut sheet =
        "key = \"long\"\nname = \"Long sheet\"\n[[phase]]\nkey = \"all\"\nname = \"All\"\n"
            .to_owned();
    for n in 0..STEPS {
        let _ = write!(
            sheet,
            "[[phase.step]]\nkey = \"step_{n}\"\ntext = \"Step {n}\"\nowner = \"chief\"\n"
        );
    }
    sheet
        + "[[phase]]\nkey = \"off\"\nname = \"Off\"\nshut_down = true\n[[phase.step]]\nkey = \"fuel_off\"\ntext = \"Fuel off\"\nowner = \"fuel\"\n"
}

/// Random enough for moments; a run is repeated by giving its number in SPINOVER_SEED.
struct Chance(u64);

impl Chance {
    fn new() -> Self {
        let given = std::env::var("SPINOVER_SEED")
            .ok()
            .and_then(|seed| seed.parse().ok());
        let now = std::time::SystemTime::now()
            .duration_since(std::time::UNIX_EPOCH)
            .map_or(1, |now| now.subsec_nanos());
        let seed = given.unwrap_or(u64::from(now)) | 1;
        eprintln!("power cuts by SPINOVER_SEED={seed}");
        Self(seed)
    }

    fn below(&mut self, limit: u64) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0 % limit
    }
}

/// What the hub has said is done: the words or the step, and the event's number.
type Promises = Mutex<BTreeMap<String, u64>>;

/// Marks one step after the other, each as soon as the last is acknowledged.
async fn mark_on(phone: &Phone, promises: &Promises, enough: &AtomicBool) {
    for n in 0..STEPS {
        if enough.load(Ordering::Relaxed) {
            return;
        }
        let step = format!("step_{n}");
        let seq = phone
            .done(Command::Mark {
                step: step.as_str().into(),
            })
            .await;
        promises.lock().unwrap().insert(step, seq);
    }
}

/// Writes remarks, several on their way at once.
async fn note_on(phone: &Phone, promises: &Promises, enough: &AtomicBool) {
    for n in 0.. {
        if enough.load(Ordering::Relaxed) {
            return;
        }
        let texts = [0, 1, 2].map(|part| format!("remark {n} {part}"));
        let ids = texts.clone().map(|text| phone.want(Command::Note { text }));
        for (id, text) in ids.iter().zip(texts) {
            match phone.answer(id).await {
                Answer::Done(seq) => promises.lock().unwrap().insert(text, seq),
                Answer::Refused(reason) => panic!("{text} was refused: {reason}"),
            };
        }
    }
}

/// How often each promise is in the record.
fn kept(warmup: &Warmup, promise: &str) -> usize {
    let steps = warmup
        .order
        .iter()
        .filter(|step| step.as_str() == promise)
        .count();
    steps
        + warmup
            .notes
            .iter()
            .filter(|note| note.text == promise)
            .count()
}

#[tokio::test(flavor = "multi_thread")]
async fn what_was_acknowledged_survives_power_cuts() {
    let folder = tempfile::tempdir().expect("room for a sheet");
    let sheet = folder.path().join("long.toml");
    std::fs::write(&sheet, long_sheet()).expect("room for a sheet");
    let mut hub = Launch::serve(&data::own("car.toml"), &sheet).start();
    let mut chance = Chance::new();
    let chief = Phone::join(&hub, CHIEF_CODE, "Wren", "chief").await;
    let crew = Phone::join(&hub, CREW_CODE, "Ash", "idle").await;
    let (promises, enough) = (Promises::default(), AtomicBool::new(false));

    let cuts = async {
        for cut in 0..POWER_CUTS {
            let before = promises.lock().unwrap().len();
            let more = 1 + chance.below(30) as usize;
            chief
                .until("the crew at work", |_| {
                    promises.lock().unwrap().len() >= before + more
                })
                .await;
            // Not a wait for anything: the moment of the cut, which must not depend on what the hub is doing.
            tokio::time::sleep(Duration::from_micros(chance.below(20_000))).await;
            hub.kill();
            let promised = promises.lock().unwrap().clone();
            hub.start_again();
            let witness = Phone::join(&hub, CREW_CODE, &format!("Witness {cut}"), "fuel").await;
            let warmup = witness
                .look(|seen| seen.mirror().record.warmup.clone())
                .expect("the warm-up goes on");
            for promise in promised.keys() {
                assert_eq!(kept(&warmup, promise), 1, "cut {cut}: {promise}");
            }
        }
        enough.store(true, Ordering::Relaxed);
    };
    tokio::join!(
        cuts,
        mark_on(&chief, &promises, &enough),
        note_on(&crew, &promises, &enough)
    );

    // In the end all agree, everything is there once, and every number that was promised is the number of that event.
    let last = Phone::join(&hub, CREW_CODE, "Last", "fuel").await;
    let record = last.look(|seen| seen.mirror().record.clone());
    for phone in [&chief, &crew] {
        phone
            .until("the end", |seen| seen.mirror().record.seq >= record.seq)
            .await;
        assert_eq!(
            phone.look(|seen| seen.mirror().record.warmup.clone()),
            record.warmup
        );
        let numbers: Vec<u64> = phone.look(|seen| seen.events().map(|event| event.seq).collect());
        assert!(
            numbers.windows(2).all(|two| two[0] < two[1]),
            "an event came twice, or late: {numbers:?}"
        );
    }
    let warmup = record.warmup.expect("a warm-up");
    let promises = promises.into_inner().unwrap();
    assert!(promises.len() > POWER_CUTS);
    let mut all: Vec<&str> = warmup.order.iter().map(|step| step.as_str()).collect();
    all.extend(warmup.notes.iter().map(|note| note.text.as_str()));
    assert_eq!(all.len(), promises.len(), "nothing that nobody asked for");
    for promise in promises.keys() {
        assert_eq!(kept(&warmup, promise), 1, "{promise}");
    }
    let mut numbers: Vec<u64> = promises.values().copied().collect();
    numbers.sort_unstable();
    numbers.dedup();
    assert_eq!(numbers.len(), promises.len(), "no number is two events'");
    let snapshots = chief.look(|seen| {
        seen.heard
            .iter()
            .filter(|(_, message)| matches!(message, HubMessage::Snapshot { .. }))
            .count()
    });
    eprintln!(
        "{} promises kept over {POWER_CUTS} power cuts; the chief's phone took {snapshots} snapshots",
        promises.len()
    );
}
