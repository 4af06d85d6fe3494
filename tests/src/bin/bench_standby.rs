//! What a second laptop costs and what it gives: how long answers take without and with one that follows, how long phones are without a hub in
//! charge when the first one dies and the chief takes over at once, and what was acknowledged and is not there afterwards.
//!
//! `bench_standby [--json]`. Both laptops and the phones are this machine: there is no network between them, and one disk under both.
#![forbid(unsafe_code)]

use anyhow::Result;
use serde_json::json;
use spinover_protocol::{hubs::Standing, message::Command};
use spinover_tests::{
    hub::{CHIEF_CODE, CREW_CODE, Hub, Launch},
    phone::{Phone, Seen},
};
use std::time::Instant;

/// Remarks whose answers are waited for, one after the other.
const ANSWERS: usize = 400;
/// Deaths of the first laptop.
const ROUNDS: usize = 10;

fn note(text: String) -> Command {
    Command::Note { text }
}

fn follows(seen: &Seen) -> bool {
    let other = seen.mirror().hubs.other.as_ref();
    other.is_some_and(|other| other.here && other.behind == 0)
}

/// How long each answer took, in milliseconds, sorted.
async fn answers(phone: &Phone, what: &str) -> Vec<f64> {
    let mut took = Vec::with_capacity(ANSWERS);
    for n in 0..ANSWERS {
        let begun = Instant::now();
        phone.done(note(format!("{what} {n}"))).await;
        took.push(begun.elapsed().as_secs_f64() * 1000.0);
    }
    took.sort_by(f64::total_cmp);
    took
}

fn at(sorted: &[f64], share: f64) -> f64 {
    sorted[((sorted.len() - 1) as f64 * share) as usize]
}

/// The first one dies while remarks are made; how long until one is acknowledged again, and what is missing of those before.
async fn round(number: usize) -> Result<(f64, f64, usize, usize)> {
    let mut first = Launch::demo().start();
    let second = Launch::standby(&first.url()).start();
    let chief = Phone::join(&first, CHIEF_CODE, "Wren", "chief").await;
    let crew = Phone::join(&first, CREW_CODE, "Ash", "idle").await;
    chief.until("the second laptop", follows).await;
    let mut said = Vec::new();
    // Another moment of the hub's doings in each round.
    for n in 0..50 + 7 * number {
        let text = format!("remark {n}");
        crew.done(note(text.clone())).await;
        said.push(text);
    }
    let waiting: Vec<_> = (0..20)
        .map(|n| crew.want(note(format!("on its way {n}"))))
        .collect();
    let died = Instant::now();
    first.kill();
    chief
        .until("the second laptop", |seen| {
            seen.mirror().hubs.standing == Standing::Standby
        })
        .await;
    let there = died.elapsed().as_secs_f64();
    chief.done(Command::TakeOver {}).await;
    for id in &waiting {
        crew.answer(id).await;
    }
    let marked = died.elapsed().as_secs_f64();
    let notes = notes(&second).await;
    said.extend((0..20).map(|n| format!("on its way {n}")));
    let wrong = said
        .iter()
        .filter(|text| notes.iter().filter(|note| note == text).count() != 1)
        .count();
    Ok((there, marked, said.len(), wrong))
}

async fn notes(hub: &Hub) -> Vec<String> {
    let witness = Phone::join(hub, CREW_CODE, "Witness", "fuel").await;
    witness.look(|seen| {
        let warmup = seen.mirror().record.warmup.as_ref().expect("a warm-up");
        warmup.notes.iter().map(|note| note.text.clone()).collect()
    })
}

#[tokio::main]
async fn main() -> Result<()> {
    let hub = Launch::demo().start();
    let phone = Phone::join(&hub, CREW_CODE, "Ash", "idle").await;
    let alone = answers(&phone, "alone").await;
    let second = Launch::standby(&hub.url()).start();
    phone.until("the second laptop", follows).await;
    let two = answers(&phone, "with two").await;
    drop((phone, second, hub));
    let (mut there, mut marked, mut said, mut wrong) = (Vec::new(), Vec::new(), 0, 0);
    for number in 0..ROUNDS {
        let (a, b, c, d) = round(number).await?;
        there.push(a);
        marked.push(b);
        (said, wrong) = (said + c, wrong + d);
    }
    there.sort_by(f64::total_cmp);
    marked.sort_by(f64::total_cmp);
    let told = json!({
        "answers": ANSWERS, "rounds": ROUNDS,
        "alone_ms": {"median": at(&alone, 0.5), "p99": at(&alone, 0.99)},
        "followed_ms": {"median": at(&two, 0.5), "p99": at(&two, 0.99)},
        "phones_at_second_s": {"median": at(&there, 0.5), "worst": at(&there, 1.0)},
        "acknowledged_again_s": {"median": at(&marked, 0.5), "worst": at(&marked, 1.0)},
        "remarks": said, "missing_or_twice": wrong,
    });
    spinover_tests::tell(&told, std::env::args().any(|arg| arg == "--json"));
    Ok(())
}
