//! Two laptops: the real binaries follow, take over, hand over and refuse, and phones find their way by themselves.

use anyhow::Result;
use serde_json::Value;
use spinover_protocol::{
    hubs::Standing,
    link::Answer,
    message::{Command, HubMessage},
    record::Record,
};
use spinover_tests::{
    data, eventually, http,
    hub::{CHIEF_CODE, CREW_CODE, Hub, Launch, binary},
    phone::{Phone, Seen},
};
use std::{
    collections::BTreeMap,
    io::{BufRead, BufReader},
    process::Stdio,
    sync::{
        Mutex,
        atomic::{AtomicBool, Ordering},
    },
};

fn first() -> Hub {
    Launch::serve(&data::own("car.toml"), &data::own("sheet.toml")).start()
}

fn second(of: &Hub) -> Launch {
    Launch::standby(&of.url())
}

/// The health page's line about the two laptops.
async fn health(hub: &Hub) -> String {
    let answer = http::get(&hub.address(), "/healthz", None).await;
    answer.map(|answer| answer.text()).unwrap_or_default()
}

async fn follows(first: &Hub, second: &Hub) {
    eventually("the second laptop to follow", async || {
        let (one, other) = (health(first).await, health(second).await);
        (one.contains("follows, 0 events behind") && other.contains("standby; follows"))
            .then_some(())
    })
    .await;
}

fn standing(seen: &Seen) -> Standing {
    seen.mirror().hubs.standing
}

async fn record(phone: &Phone) -> Record {
    phone.look(|seen| seen.mirror().record.clone())
}

/// The record of a takeover, which follows the welcome.
async fn epoch(phone: &Phone, epoch: u64) {
    phone
        .until("the takeover in the record", |seen| {
            seen.mirror().record.charge.epoch == epoch
        })
        .await;
}

fn note(text: &str) -> Command {
    Command::Note {
        text: text.to_owned(),
    }
}

fn notes(record: &Record) -> Vec<String> {
    let warmup = record.warmup.as_ref().expect("a warm-up");
    warmup.notes.iter().map(|note| note.text.clone()).collect()
}

/// A phone that was let in by a hub in charge at that address.
async fn at(phone: &Phone, hub: &Hub) {
    let url = hub.url();
    let what = format!("{url} to be the one in charge");
    phone
        .until(&what, |seen| {
            let target = seen.link.target();
            let there = target == url || target.is_empty();
            there
                && seen.link.in_charge()
                && seen.link.state(seen.now) == spinover_protocol::link::State::Live
                && seen
                    .mirror()
                    .welcome
                    .as_ref()
                    .is_some_and(|welcome| welcome.join.urls[0].starts_with(&url))
        })
        .await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_standby_has_the_same_book_and_is_marked_nothing_at() -> Result<()> {
    let first = first();
    let chief = Phone::join(&first, CHIEF_CODE, "Wren", "chief").await;
    chief.done(note("before the second one came")).await;
    let second = second(&first).start();
    follows(&first, &second).await;
    chief.done(note("while it follows")).await;
    let line = br#"{"engine_rpm": 2410}"#;
    let posted = http::post(&first.address(), "/api/readings", Some(CREW_CODE), line).await?;
    assert_eq!(posted.status, 200);

    // The same events with the same numbers, and the same readings, in another book.
    let id = record(&chief).await.warmup.expect("a warm-up").id;
    let export = async |hub: &Hub, kind: &str| -> Option<String> {
        let path = format!("/book/{id}.{kind}");
        let answer = http::get(&hub.address(), &path, Some(CHIEF_CODE))
            .await
            .ok()?;
        (answer.status == 200).then(|| answer.text())
    };
    eventually("the same readings in both books", async || {
        let (one, other) = (export(&first, "csv").await?, export(&second, "csv").await?);
        (one == other && one.contains("2410")).then_some(())
    })
    .await;
    let events = export(&first, "events").await.expect("events");
    assert!(events.lines().count() >= 4, "{events}");
    assert_eq!(Some(events), export(&second, "events").await);

    // Remarks go over too, and cannot be made at the copy.
    let path = format!("/api/book/warmup/{id}");
    let remark = br#"{"place":"Lane 4"}"#;
    let refused = http::patch(&second.address(), &path, Some(CHIEF_CODE), remark).await?;
    assert_eq!(refused.status, 409, "{}", refused.text());
    let done = http::patch(&first.address(), &path, Some(CHIEF_CODE), remark).await?;
    assert!(done.status < 300, "{}", done.text());
    eventually("the remark in the other book", async || {
        let answer = http::get(&second.address(), "/api/book", Some(CHIEF_CODE))
            .await
            .ok()?;
        answer.text().contains("Lane 4").then_some(())
    })
    .await;

    // A phone that opens the standby's page is led to the first, and works there.
    let other = Phone::join(&second, CREW_CODE, "Ash", "idle").await;
    at(&other, &first).await;
    other.done(note("from the other page")).await;
    // The crew code is no key to following.
    let spy = tempfile::tempdir()?;
    let mut denied = std::process::Command::new(binary())
        .args([
            "standby",
            "--of",
            &first.url(),
            "--listen",
            "127.0.0.1:0",
            "--data",
        ])
        .arg(spy.path())
        .env("SPINOVER_CHIEF_CODE", CREW_CODE)
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .spawn()?;
    let said = BufReader::new(denied.stderr.take().expect("piped"))
        .lines()
        .map_while(Result::ok)
        .any(|line| line.contains("needs the chief code"));
    denied.kill()?;
    denied.wait()?;
    assert!(said, "it ended without saying why");
    assert!(
        !spy.path().join("spinover.db").exists(),
        "it was given the book"
    );
    Ok(())
}

/// Photos go over by the hash of what is in them: those from before it followed, those sent while it follows; and go where they were
/// taken away.
#[tokio::test(flavor = "multi_thread")]
async fn photos_are_on_both_laptops() -> Result<()> {
    let first = first();
    let chief = Phone::join(&first, CHIEF_CODE, "Wren", "chief").await;
    chief
        .until("a warm-up", |seen| seen.mirror().record.warmup.is_some())
        .await;
    let id = record(&chief).await.warmup.expect("a warm-up").id;
    let photos = format!("/api/book/warmup/{id}/photos");
    let send = async |picture: &str| -> Result<String> {
        let path = data::root().join("hub/tests/data/photos").join(picture);
        let answer = http::post(
            &first.address(),
            &photos,
            Some(CREW_CODE),
            &std::fs::read(path)?,
        )
        .await?;
        let taken: Value = serde_json::from_slice(&answer.body)?;
        Ok(taken["photo"].as_str().expect("a name").to_owned())
    };
    let before = send("screen.png").await?;
    let second = second(&first).start();
    follows(&first, &second).await;
    let after = send("big.jpg").await?;
    for name in [&before, &after] {
        let own = std::fs::read(first.data().join("photos").join(name))?;
        let copy = second.data().join("photos").join(name);
        eventually("the photo on the second laptop", async || {
            (std::fs::read(&copy).ok()? == own).then_some(())
        })
        .await;
    }
    let path = format!("{photos}/{before}");
    let gone = http::request(&first.address(), "DELETE", &path, Some(CHIEF_CODE), b"").await?;
    assert!(gone.status < 300, "{}", gone.text());
    eventually("it gone from there too", async || {
        let copy = second.data().join("photos").join(&before);
        (!copy.exists()).then_some(())
    })
    .await;
    assert!(second.data().join("photos").join(&after).exists());
    Ok(())
}

/// The first laptop dies under load, the chief lets the second one take over, and what was acknowledged is there, once.
#[tokio::test(flavor = "multi_thread")]
async fn the_first_dies_under_load_and_nothing_acknowledged_is_lost() -> Result<()> {
    let mut first = first();
    let mut second = second(&first).start();
    follows(&first, &second).await;
    let chief = Phone::join(&first, CHIEF_CODE, "Wren", "chief").await;
    let mut crew = Vec::new();
    for (name, role) in [("Ash", "idle"), ("Hazel", "fuel"), ("Rowan", "helper")] {
        crew.push(Phone::join(&first, CREW_CODE, name, role).await);
    }
    let promises: Mutex<BTreeMap<String, u64>> = Mutex::default();
    let enough = AtomicBool::new(false);
    let work = async |phone: &Phone, who: usize| {
        for n in 0.. {
            if enough.load(Ordering::Relaxed) {
                return;
            }
            let text = format!("remark {who} {n}");
            let seq = phone.done(note(&text)).await;
            promises.lock().unwrap().insert(text, seq);
        }
    };
    let over = async {
        let count = || promises.lock().unwrap().len();
        chief.until("the crew at work", |_| count() >= 60).await;
        first.kill();
        let before = count();
        // Every phone comes to the second laptop, which takes nothing in before the chief says so.
        for phone in crew.iter().chain([&chief]) {
            phone
                .until("the second laptop", |seen| {
                    standing(seen) == Standing::Standby
                })
                .await;
        }
        let mark = raw_refusal(&second, Value::from("mark"), "area_clear").await;
        let refused = mark.expect("an answer");
        assert!(refused.contains("second laptop"), "{refused}");
        assert!(!chief.look(|seen| seen.link.in_charge()));
        let no = crew[0].refused(Command::TakeOver {}).await;
        assert!(no.contains("chief code"), "{no}");
        chief.done(Command::TakeOver {}).await;
        chief
            .until("work to go on", |_| count() >= before + 60)
            .await;
        enough.store(true, Ordering::Relaxed);
    };
    tokio::join!(
        over,
        work(&crew[0], 0),
        work(&crew[1], 1),
        work(&crew[2], 2)
    );

    let chief_seq = chief.done(note("the last")).await;
    let last = Phone::join(&second, CREW_CODE, "Last", "fuel").await;
    last.until("everything", |seen| seen.mirror().record.seq >= chief_seq)
        .await;
    let end = record(&last).await;
    assert_eq!(end.charge.epoch, 1);
    let notes = notes(&end);
    let promises = promises.into_inner().unwrap();
    for promise in promises.keys() {
        let times = notes.iter().filter(|note| *note == promise).count();
        assert_eq!(times, 1, "{promise}");
    }
    eprintln!("{} promises kept over a takeover", promises.len());
    let mut numbers: Vec<u64> = promises.values().copied().collect();
    numbers.sort_unstable();
    numbers.dedup();
    assert_eq!(numbers.len(), promises.len(), "no number is two events'");
    for phone in crew.iter().chain([&chief]) {
        phone
            .until("the end", |seen| seen.mirror().record.seq >= end.seq)
            .await;
        assert_eq!(record(phone).await.warmup, end.warmup);
    }

    // The old first laptop is started again: it asks, learns that it was replaced, and refuses.
    first.start_again();
    assert!(
        health(&first).await.contains("replaced by"),
        "{}",
        health(&first).await
    );
    let lost = Phone::dial(&first, CHIEF_CODE, "Lost", "chief");
    at(&lost, &second).await;
    lost.done(note("from the first one's page")).await;
    // It remembers that without being told again.
    second.kill();
    first.start_again();
    assert!(health(&first).await.contains("replaced by"));
    let alone = Phone::join(&first, CHIEF_CODE, "Alone", "chief").await;
    assert_eq!(alone.look(standing), Standing::Replaced);
    let refused = raw_refusal(&first, Value::from("mark"), "area_clear").await?;
    assert!(
        refused.contains("another laptop has taken over"),
        "{refused}"
    );
    Ok(())
}

/// What a script is told that knows nothing of charges.
async fn raw_refusal(hub: &Hub, what: Value, step: &str) -> Result<String> {
    let mut raw = spinover_tests::raw::Raw::join(hub, CHIEF_CODE, "a-script-0001", None).await?;
    raw.send(&serde_json::json!({"type": "command", "id": "s-1", "do": what, "step": step}))
        .await?;
    raw.until(|message| match message {
        HubMessage::Refused { reason, .. } => Some(reason),
        _ => None,
    })
    .await
}

#[tokio::test(flavor = "multi_thread")]
async fn the_chief_hands_over_and_the_first_laptop_refuses_from_then_on() -> Result<()> {
    let mut first = first();
    let chief = Phone::join(&first, CHIEF_CODE, "Wren", "chief").await;
    let none = chief.refused(Command::TakeOver {}).await;
    assert!(none.contains("no second laptop"), "{none}");
    let mut second = second(&first).start();
    follows(&first, &second).await;
    let crew = Phone::join(&first, CREW_CODE, "Ash", "idle").await;
    let no = crew.refused(Command::TakeOver {}).await;
    assert!(no.contains("chief code"), "{no}");
    chief
        .until("the second laptop on the page", |seen| {
            seen.mirror()
                .hubs
                .other
                .as_ref()
                .is_some_and(|other| other.here && other.behind == 0)
        })
        .await;

    let seq = chief.done(Command::TakeOver {}).await;
    at(&chief, &second).await;
    at(&crew, &second).await;
    let by = chief.look(|seen| {
        let mut events = seen.events().filter(|event| event.seq == seq);
        events.next().and_then(|event| event.by.clone())
    });
    // The event may have come in the snapshot instead; then the record alone has it.
    assert!(by.is_none_or(|by| by.name == "Wren"));
    epoch(&chief, 1).await;
    crew.done(note("at the second")).await;

    let refused = raw_refusal(&first, Value::from("mark"), "area_clear").await?;
    assert!(
        refused.contains("another laptop has taken over"),
        "{refused}"
    );
    let metrics = http::get(&first.address(), "/metrics", None).await?.text();
    assert!(metrics.contains("spinover_in_charge 0\n"), "{metrics}");
    assert!(metrics.contains("spinover_epoch 1\n"), "{metrics}");
    // Readings still show at the first one.
    let line = br#"{"engine_rpm": 1234}"#;
    let posted = http::post(&first.address(), "/api/readings", Some(CREW_CODE), line).await?;
    assert_eq!(posted.status, 200);

    // The first laptop comes back as the second one, with a copy of the book that went on without it.
    first.stop();
    first.relaunch(Launch::standby(&second.url()));
    first.start_again();
    follows(&second, &first).await;
    chief.done(note("followed the other way round")).await;
    second.signal("TERM");
    second.wait();
    first.signal("USR1");
    at(&chief, &first).await;
    epoch(&chief, 2).await;
    assert!(notes(&record(&chief).await).contains(&"followed the other way round".to_owned()));
    Ok(())
}

/// What was begun between rounds goes on at the second laptop, which has the plan too.
#[tokio::test(flavor = "multi_thread")]
async fn the_time_between_rounds_goes_on_at_the_second_laptop() {
    let mut first = Launch::demo().start();
    let second = second(&first).start();
    follows(&first, &second).await;
    let chief = Phone::join(&first, CHIEF_CODE, "Wren", "chief").await;
    let task = || "made_safe".into();
    chief
        .done(Command::BeginTurnaround { lanes_at: None })
        .await;
    chief.done(Command::StartTask { task: task() }).await;
    first.kill();
    chief
        .until("the second laptop", |seen| {
            standing(seen) == Standing::Standby
        })
        .await;
    chief.done(Command::TakeOver {}).await;
    chief.done(Command::FinishTask { task: task() }).await;
    chief
        .until("it reckoned at the second laptop", |seen| {
            let now = seen.mirror().turnaround.as_ref();
            let record = seen.mirror().record.turnaround.as_ref();
            now.is_some_and(|now| now.outlook.is_some())
                && record.is_some_and(|turnaround| turnaround.is_done(&task()))
        })
        .await;
    chief.done(Command::CloseTurnaround {}).await;
    chief
        .done(Command::BeginTurnaround { lanes_at: None })
        .await;
}

#[tokio::test(flavor = "multi_thread")]
async fn by_itself_after_the_time_that_was_agreed() -> Result<()> {
    let mut first = first();
    let second = second(&first)
        .arg("--by-itself")
        .arg("--after")
        .arg("3")
        .start();
    follows(&first, &second).await;
    let crew = Phone::join(&first, CREW_CODE, "Ash", "idle").await;
    crew.done(note("before")).await;
    first.kill();
    at(&crew, &second).await;
    crew.done(note("after")).await;
    let end = record(&crew).await;
    assert_eq!(end.charge.epoch, 1);
    assert_eq!(notes(&end), ["before", "after"]);
    // Both run again, and the two hear of each other: only one of them is in charge.
    first.start_again();
    eventually("the first to know that it was replaced", async || {
        health(&first).await.contains("replaced by").then_some(())
    })
    .await;
    assert!(health(&second).await.contains("in charge"));
    Ok(())
}

/// A stop is shown to whoever is there, whatever the standing of the laptop, and becomes an event where the phone gets to next.
#[tokio::test(flavor = "multi_thread")]
async fn a_stop_goes_out_at_a_laptop_that_is_not_in_charge() {
    let mut first = first();
    let second = second(&first).start();
    follows(&first, &second).await;
    let chief = Phone::join(&first, CHIEF_CODE, "Wren", "chief").await;
    let crew = Phone::join(&first, CREW_CODE, "Ash", "idle").await;
    first.kill();
    for phone in [&chief, &crew] {
        phone
            .until("the second laptop", |seen| {
                standing(seen) == Standing::Standby
            })
            .await;
    }
    let stop = crew.want(Command::Stop {
        text: "fuel leak".to_owned(),
    });
    chief
        .until("the stop", |seen| {
            seen.mirror()
                .stop_now
                .as_ref()
                .is_some_and(|(text, ..)| text == "fuel leak")
        })
        .await;
    chief.done(Command::TakeOver {}).await;
    let Answer::Done(call) = crew.answer(&stop).await else {
        panic!("a stop is never refused");
    };
    chief
        .until("the stop in the record", |seen| {
            let warmup = seen.mirror().record.warmup.as_ref();
            warmup.is_some_and(|warmup| warmup.stops().any(|stop| stop.seq == call))
        })
        .await;
    drop(second);
}

/// The laptop that was replaced can be put in charge again, when the other one is off for good; nobody can take its place by lying.
#[tokio::test(flavor = "multi_thread")]
async fn the_replaced_laptop_can_take_charge_again_and_only_its_own_hubs_are_believed() -> Result<()>
{
    let mut first = first();
    let mut second = second(&first).start();
    follows(&first, &second).await;
    let chief = Phone::join(&first, CHIEF_CODE, "Wren", "chief").await;
    // A phone that says there was a takeover, without proof, changes nothing.
    let journal = chief.look(|seen| {
        seen.mirror()
            .welcome
            .as_ref()
            .expect("a welcome")
            .journal
            .clone()
    });
    let mut liar = spinover_tests::raw::Raw::open(&first).await?;
    let mut hello = spinover_tests::raw::hello(CREW_CODE, "a-liar-0001", None);
    hello["seen"] = serde_json::json!({"journal": journal,
        "charge": {"epoch": 9, "hub": "liar", "proof": "00".repeat(32)}});
    liar.send(&hello).await?;
    liar.until(|message| matches!(message, HubMessage::Welcome(_)).then_some(()))
        .await?;
    chief.done(note("still in charge")).await;

    chief.done(Command::TakeOver {}).await;
    at(&chief, &second).await;
    chief.done(note("only at the second")).await;
    second.kill();
    first.stop();
    let again = Launch::serve(&data::own("car.toml"), &data::own("sheet.toml")).arg("--take-over");
    first.relaunch(again);
    first.start_again();
    at(&chief, &first).await;
    epoch(&chief, 2).await;
    chief.done(note("back at the first")).await;
    // The second one comes back, learns of it, and what only it has is kept in a folder of its own.
    second.relaunch(Launch::standby(&first.url()));
    second.start_again();
    follows(&first, &second).await;
    let kept = std::fs::read_dir(second.data())?
        .flatten()
        .any(|entry| entry.file_name().to_string_lossy().starts_with("replaced-"));
    assert!(kept, "the book with the events that nobody else has");
    Ok(())
}
