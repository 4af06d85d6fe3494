//! The socket: who gets in, what they are told, what happens when the air is bad.

use anyhow::Result;
use serde_json::{Value, json};
use spinover_protocol::{
    event::{Audience, EventBody, Right},
    link::{Answer, State, not_seen_by},
    message::{Command, Farewell, HubMessage, Quality, SRC_TYPED},
};
use spinover_tests::{
    data, eventually, http,
    hub::{CHIEF_CODE, CREW_CODE, Hub, Launch},
    phone::Phone,
    raw::{Raw, hello},
};

fn hub() -> Hub {
    Launch::serve(&data::own("car.toml"), &data::own("sheet.toml")).start()
}

fn note(text: &str) -> Command {
    Command::Note {
        text: text.to_owned(),
    }
}

fn note_json(id: &str, text: &str) -> Value {
    json!({ "type": "command", "id": id, "do": "note", "text": text })
}

#[tokio::test(flavor = "multi_thread")]
async fn a_crew_joins_and_sees_the_same() {
    let hub = hub();
    let chief = Phone::join(&hub, CHIEF_CODE, "Wren", "chief").await;
    let crew = Phone::join(&hub, CREW_CODE, "Ash", "idle").await;
    for (phone, right) in [(&chief, Right::Chief), (&crew, Right::Crew)] {
        phone
            .until("both to be here", |seen| {
                seen.mirror()
                    .people
                    .iter()
                    .filter(|person| person.here)
                    .count()
                    == 2
            })
            .await;
        let welcome = phone
            .look(|seen| seen.mirror().welcome.clone())
            .expect("a welcome");
        assert_eq!(
            (welcome.right, welcome.car.name.as_str()),
            (right, "Kestrel")
        );
        assert_eq!(
            welcome
                .sheets
                .iter()
                .map(|sheet| sheet.key.as_str())
                .collect::<Vec<_>>(),
            ["short"]
        );
        assert_eq!(
            welcome.not_live, None,
            "nothing says that these readings are simulated or recorded"
        );
    }

    let seq = chief
        .done(Command::Mark {
            step: "area_clear".into(),
        })
        .await;
    crew.until("the mark", |seen| seen.mirror().record.seq >= seq)
        .await;
    let (ours, theirs) = (
        chief.look(|seen| seen.mirror().record.clone()),
        crew.look(|seen| seen.mirror().record.clone()),
    );
    assert_eq!(ours, theirs);
    let mark = &theirs.warmup.expect("a warm-up").steps[&"area_clear".into()];
    assert_eq!(mark.by.as_ref().expect("somebody").name, "Wren");

    drop(crew);
    chief
        .until("the other to be gone", |seen| {
            seen.mirror()
                .people
                .iter()
                .any(|person| !person.here && person.who.name == "Ash")
        })
        .await;
}

#[tokio::test(flavor = "multi_thread")]
async fn only_the_chief_marks_and_only_in_order() {
    let hub = hub();
    let chief = Phone::join(&hub, CHIEF_CODE, "Wren", "chief").await;
    let crew = Phone::join(&hub, CREW_CODE, "Ash", "idle").await;
    assert!(
        crew.refused(Command::Mark {
            step: "area_clear".into()
        })
        .await
        .contains("chief code")
    );
    assert!(
        chief
            .refused(Command::Mark {
                step: "radio_checked".into()
            })
            .await
            .contains("Area clear"),
        "a safety step comes first"
    );
    chief
        .done(Command::Mark {
            step: "area_clear".into(),
        })
        .await;
    let shut = chief
        .refused(Command::Mark {
            step: "oil_up".into(),
        })
        .await;
    assert!(shut.contains("at least 50"), "{shut}");

    // A gauge in view, typed in, opens the gate, and carries who typed it.
    crew.done(Command::TypeReading {
        channel: "oil_pressure".into(),
        value: 71.0,
    })
    .await;
    chief
        .until("the typed reading", |seen| {
            seen.value("oil_pressure") == Some(71.0)
        })
        .await;
    let (quality, source) = chief.look(|seen| {
        let index = seen.index("oil_pressure");
        (
            seen.mirror().frame.reading(index).1,
            seen.mirror().frame.src[index],
        )
    });
    assert_eq!((quality, source), (Quality::Good, SRC_TYPED));
    assert_eq!(
        chief
            .look(|seen| seen
                .events()
                .filter(|event| matches!(event.body, EventBody::ReadingTyped { .. }))
                .last()
                .cloned())
            .and_then(|event| event.by)
            .map(|by| by.name),
        Some("Ash".to_owned())
    );
    let seq = chief
        .done(Command::Mark {
            step: "oil_up".into(),
        })
        .await;
    crew.until("the mark", |seen| seen.mirror().record.seq >= seq)
        .await;
    let readings = crew.look(|seen| {
        seen.mirror()
            .record
            .warmup
            .as_ref()
            .map(|warmup| warmup.steps[&"oil_up".into()].readings.clone())
    });
    assert_eq!(readings.expect("a warm-up")[&"oil_pressure".into()], 71.0);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_stop_takes_everyone_and_seen_comes_back() {
    let hub = hub();
    let chief = Phone::join(&hub, CHIEF_CODE, "Wren", "chief").await;
    let ash = Phone::join(&hub, CREW_CODE, "Ash", "idle").await;
    let rowan = Phone::join(&hub, CREW_CODE, "Rowan", "fuel").await;

    let stop = rowan
        .done(Command::Stop {
            text: "fuel on the ground".to_owned(),
        })
        .await;
    for phone in [&chief, &ash, &rowan] {
        phone
            .until("the stop", |seen| {
                seen.mirror()
                    .record
                    .warmup
                    .as_ref()
                    .is_some_and(|warmup| warmup.stops().next().is_some())
            })
            .await;
    }
    let waiting = |phone: &Phone| {
        phone.look(|seen| {
            not_seen_by(seen.mirror(), stop)
                .iter()
                .map(|person| person.who.name.clone())
                .collect::<Vec<_>>()
        })
    };
    rowan
        .until("everyone here", |seen| {
            seen.mirror()
                .people
                .iter()
                .filter(|person| person.here)
                .count()
                == 3
        })
        .await;
    let mut names = waiting(&rowan);
    names.sort();
    assert_eq!(names, ["Ash", "Wren"]);
    ash.done(Command::Seen { call: stop }).await;
    let seen_again = ash.done(Command::Seen { call: stop }).await;
    rowan
        .until("seen", |seen| {
            seen.mirror()
                .record
                .warmup
                .as_ref()
                .and_then(|warmup| warmup.call(stop))
                .is_some_and(|call| call.seen.len() == 1)
        })
        .await;
    assert_eq!(waiting(&rowan), ["Wren"]);
    assert!(
        rowan.look(|seen| seen.mirror().record.seq) <= seen_again,
        "seen twice is one event"
    );

    assert!(
        ash.refused(Command::Lift { call: stop })
            .await
            .contains("chief code")
    );
    chief.done(Command::Lift { call: stop }).await;
    ash.until("lifted", |seen| {
        seen.mirror()
            .record
            .warmup
            .as_ref()
            .is_some_and(|warmup| warmup.stops().next().is_none())
    })
    .await;

    // A call to one role waits for that role alone.
    let call = chief
        .done(Command::Call {
            to: Audience::Role("fuel".into()),
            text: "flow check".to_owned(),
        })
        .await;
    chief
        .until("the call", |seen| seen.mirror().record.seq >= call)
        .await;
    assert_eq!(chief.look(|seen| not_seen_by(seen.mirror(), call).len()), 1);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_wrong_code_sees_nothing_and_waits_longer_each_time() -> Result<()> {
    let hub = hub();
    let mut waits = Vec::new();
    while waits.len() < 3 {
        let mut raw = Raw::join(&hub, "crew-code-for-test", "phone-guess", None).await?;
        let Some(HubMessage::Goodbye {
            why,
            retry_after_ms,
            ..
        }) = raw.next().await?
        else {
            panic!("anything but goodbye")
        };
        match why {
            Farewell::WrongCode => waits.push(retry_after_ms.expect("a wait")),
            Farewell::TooManyTries => assert!(
                retry_after_ms.expect("a wait") <= *waits.last().expect("not the first one")
            ),
            why => panic!("{why:?}"),
        }
        assert!(
            raw.next().await?.is_none(),
            "the socket closes after goodbye"
        );
    }
    assert!(
        waits.windows(2).all(|two| two[1] >= 2 * two[0]),
        "{waits:?}"
    );

    // The right code has to wait too, or guessing would cost nothing; after the wait it is let in.
    let mut raw = Raw::join(&hub, CREW_CODE, "phone-honest", None).await?;
    assert!(matches!(
        raw.next().await?,
        Some(HubMessage::Goodbye {
            why: Farewell::TooManyTries,
            ..
        })
    ));
    eventually("the wait to be over", async || {
        let mut raw = Raw::join(&hub, CREW_CODE, "phone-honest", None)
            .await
            .ok()?;
        matches!(raw.next().await, Ok(Some(HubMessage::Welcome(_)))).then_some(())
    })
    .await;

    // Before a hello nothing is told, however long one listens; the hub closes in the end.
    let mut silent = Raw::open(&hub).await?;
    assert!(silent.next().await?.is_none());
    let mut early = Raw::open(&hub).await?;
    early.send(&note_json("early-1", "let me in")).await?;
    assert!(matches!(
        early.next().await?,
        Some(HubMessage::Goodbye {
            why: Farewell::BadMessage,
            ..
        })
    ));
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn the_same_command_twice_is_one_event() -> Result<()> {
    let mut hub = hub();
    let mut raw = Raw::join(&hub, CREW_CODE, "phone-twice", None).await?;
    let ack = |message| {
        if let HubMessage::Ack { id, seq } = message {
            Some((id.0, seq))
        } else {
            None
        }
    };
    raw.send(&note_json("twice-1", "tyres 32 psi")).await?;
    raw.send(&note_json("twice-1", "tyres 32 psi")).await?;
    let first = raw.until(ack).await?;
    assert_eq!(raw.until(ack).await?, first);

    // Also on another socket, and by another hub on the same book.
    let mut other = Raw::join(&hub, CREW_CODE, "phone-twice", None).await?;
    other.send(&note_json("twice-1", "tyres 32 psi")).await?;
    assert_eq!(other.until(ack).await?, first);
    hub.kill();
    hub.start_again();
    let mut raw = Raw::join(&hub, CREW_CODE, "phone-twice", None).await?;
    raw.send(&note_json("twice-1", "tyres 32 psi")).await?;
    assert_eq!(raw.until(ack).await?, first);

    let phone = Phone::join(&hub, CREW_CODE, "Ash", "idle").await;
    let notes = phone.look(|seen| {
        seen.mirror()
            .record
            .warmup
            .as_ref()
            .map_or(0, |warmup| warmup.notes.len())
    });
    assert_eq!(notes, 1);
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn a_phone_goes_on_from_where_it_was() -> Result<()> {
    let hub = hub();
    let writer = Phone::join(&hub, CREW_CODE, "Rowan", "fuel").await;
    let away = Phone::join(&hub, CREW_CODE, "Ash", "idle").await;
    away.cut();
    for n in 0..10 {
        writer.done(note(&format!("while away {n}"))).await;
    }
    let last = writer.look(|seen| seen.mirror().record.seq);
    away.until("what it missed", |seen| {
        seen.sockets >= 2 && seen.mirror().record.seq >= last
    })
    .await;
    let snapshots = away.look(|seen| {
        seen.heard
            .iter()
            .filter(|(_, message)| matches!(message, HubMessage::Snapshot { .. }))
            .count()
    });
    assert_eq!(snapshots, 1, "only when it joined first");
    let numbers: Vec<u64> = away.look(|seen| seen.events().map(|event| event.seq).collect());
    assert!(
        numbers.windows(2).all(|two| two[1] == two[0] + 1),
        "every event once, in order: {numbers:?}"
    );
    assert_eq!(
        away.look(|seen| seen.mirror().record.clone()),
        writer.look(|seen| seen.mirror().record.clone())
    );

    // By hand: from a number exactly what follows; from another journal, or from ahead of the hub, a snapshot.
    let journal = writer
        .look(|seen| {
            seen.mirror()
                .welcome
                .as_ref()
                .map(|welcome| welcome.journal.clone())
        })
        .expect("a welcome");
    let answer = async |resume: Value| -> Result<HubMessage> {
        let mut raw = Raw::join(&hub, CREW_CODE, "phone-of-ash", Some(resume)).await?;
        raw.until(|message| {
            matches!(
                message,
                HubMessage::Snapshot { .. } | HubMessage::Events { .. }
            )
            .then_some(message)
        })
        .await
    };
    let HubMessage::Events { events } =
        answer(json!({ "journal": journal, "seq": last - 3 })).await?
    else {
        panic!("a snapshot")
    };
    assert_eq!(
        events
            .iter()
            .take(3)
            .map(|event| event.seq)
            .collect::<Vec<_>>(),
        [last - 2, last - 1, last]
    );
    for resume in [
        json!({ "journal": "another", "seq": last - 3 }),
        json!({ "journal": journal, "seq": last + 1000 }),
    ] {
        let HubMessage::Snapshot { record } = answer(resume.clone()).await? else {
            panic!("events for {resume}")
        };
        assert!(record.seq >= last);
    }
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn a_stuck_phone_slows_nobody_and_misses_no_event() -> Result<()> {
    let hub = Launch::demo().arg("--auto").start();
    let watcher = Phone::join(&hub, CREW_CODE, "Rowan", "").await;
    // It has room for next to nothing and reads nothing, but it goes on pinging, so the hub does not take it for gone.
    let mut stuck = Raw::open_with_room(&hub, Some(4096)).await?;
    stuck.send(&hello(CREW_CODE, "phone-stuck", None)).await?;
    let record = stuck
        .until(|message| {
            if let HubMessage::Snapshot { record } = message {
                Some(record)
            } else {
                None
            }
        })
        .await?;
    // The longest texts that the hub takes fill every buffer between the two quickly.
    let words = "oil ".repeat(49);
    let writers = [
        Phone::join(&hub, CREW_CODE, "Ash", "").await,
        Phone::join(&hub, CREW_CODE, "Hazel", "").await,
        Phone::join(&hub, CREW_CODE, "Linden", "").await,
    ];
    for n in 0..100 {
        let ids: Vec<_> = writers
            .iter()
            .map(|writer| writer.want(note(&format!("{n} {words}"))))
            .collect();
        for (writer, id) in writers.iter().zip(&ids) {
            assert!(matches!(writer.answer(id).await, Answer::Done(_)));
        }
        if n % 20 == 0 {
            stuck
                .send(&json!({ "type": "ping", "sent": f64::from(n) }))
                .await?;
        }
    }
    let last = watcher.look(|seen| seen.mirror().frame.n);
    watcher
        .until("frames as before", |seen| seen.mirror().frame.n > last + 20)
        .await;

    // When it reads again, every event is there, in order; of the frames only some are, and none comes after a newer one.
    let mut next = record.seq + 1;
    let (mut frames, mut notes) = (Vec::new(), 0);
    while notes < 300 {
        match stuck.next().await? {
            Some(HubMessage::Events { events }) => {
                for event in events {
                    assert_eq!(event.seq, next);
                    next += 1;
                    notes += u32::from(matches!(event.body, EventBody::Noted { .. }));
                }
            }
            Some(HubMessage::Readings(frame)) => frames.push(frame.n),
            Some(_) => {}
            None => panic!("the hub closed the socket"),
        }
    }
    assert!(frames.windows(2).all(|two| two[0] < two[1]), "{frames:?}");
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn a_phone_knows_the_hubs_clock_and_true_ages() {
    let hub = hub();
    let phone = Phone::join(&hub, CREW_CODE, "Ash", "idle").await;
    phone
        .until("three pongs", |seen| {
            seen.heard
                .iter()
                .filter(|(_, message)| matches!(message, HubMessage::Pong { .. }))
                .count()
                >= 3
        })
        .await;
    let (phone_says, wall, lag) = phone.look(|seen| {
        let wall = std::time::SystemTime::now()
            .duration_since(std::time::UNIX_EPOCH)
            .expect("after 1970")
            .as_secs_f64()
            * 1000.0;
        (
            seen.link.hub_now(seen.now).expect("an offset"),
            wall,
            seen.link.lag_ms().expect("a lag"),
        )
    });
    // Both clocks are this machine's, so the error is known: at most half the lag, and the hub counts whole milliseconds.
    // The best of several samples is believed, and its lag is at most the last one's and a bit.
    assert!(
        (phone_says - wall).abs() <= f64::from(lag) / 2.0 + 25.0,
        "{} ms off with a lag of {lag} ms",
        phone_says - wall
    );

    let taken = http::post(
        &hub.address(),
        "/api/readings",
        Some(CREW_CODE),
        b"{\"engine_rpm\": 2400}\n",
    )
    .await
    .expect("an answer");
    assert_eq!(taken.status, 200, "{}", taken.text());
    phone
        .until("the reading", |seen| {
            seen.value("engine_rpm") == Some(2400.0)
        })
        .await;
    // Nothing refreshes it: its age grows, and it turns old by the hub's word.
    phone
        .until("it to be old", |seen| {
            seen.mirror().frame.reading(seen.index("engine_rpm")).1 == Quality::Old
        })
        .await;
    let age = phone
        .look(|seen| seen.link.age_ms(seen.index("engine_rpm"), seen.now))
        .expect("an age");
    assert!(age >= 2_000.0, "{age}");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_dead_hub_is_noticed_and_a_living_one_found_again() {
    let mut hub = hub();
    let phone = Phone::join(&hub, CREW_CODE, "Ash", "idle").await;
    hub.kill();
    phone
        .until("the loss", |seen| {
            matches!(seen.link.state(seen.now), State::Lost { .. })
        })
        .await;
    // A command given meanwhile is not lost: it goes out when there is somebody to take it.
    let id = phone.want(note("said into the void"));
    hub.start_again();
    assert!(matches!(phone.answer(&id).await, Answer::Done(_)));
    phone
        .until("the note", |seen| {
            seen.mirror()
                .record
                .warmup
                .as_ref()
                .is_some_and(|warmup| warmup.notes.len() == 1)
        })
        .await;
    assert_eq!(phone.look(|seen| seen.link.state(seen.now)), State::Live);
}

#[cfg(unix)]
#[tokio::test(flavor = "multi_thread")]
async fn a_hub_that_hangs_is_noticed_though_no_socket_closes() {
    let hub = hub();
    let phone = Phone::join(&hub, CREW_CODE, "Ash", "idle").await;
    let signal = |name: &str| {
        let told = std::process::Command::new("kill")
            .args([name, &hub.pid().to_string()])
            .status();
        assert!(told.expect("the kill command is there").success());
    };
    signal("-STOP");
    phone
        .until("the loss", |seen| {
            matches!(seen.link.state(seen.now), State::Lost { .. })
        })
        .await;
    signal("-CONT");
    phone
        .until("the hub again", |seen| {
            seen.link.state(seen.now) == State::Live
        })
        .await;
    phone.done(note("back again")).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_phone_that_falls_silent_is_no_longer_here() {
    let hub = hub();
    let watcher = Phone::join(&hub, CREW_CODE, "Rowan", "fuel").await;
    let phone = Phone::join(&hub, CREW_CODE, "Ash", "idle").await;
    let here = |wanted: bool| {
        move |seen: &spinover_tests::phone::Seen| {
            seen.mirror()
                .people
                .iter()
                .any(|person| person.who.name == "Ash" && person.here == wanted)
        }
    };
    watcher.until("Ash to be here", here(true)).await;
    phone.freeze(true);
    watcher.until("Ash to be gone", here(false)).await;
    phone.freeze(false);
    watcher.until("Ash to be back", here(true)).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn rubbish_on_one_socket_is_answered_and_hurts_no_other() -> Result<()> {
    let hub = hub();
    let phone = Phone::join(&hub, CREW_CODE, "Ash", "idle").await;
    for rubbish in [
        "",
        "{",
        "null",
        "[]",
        "{\"type\":\"hello\"}",
        "{\"type\":\"command\",\"id\":\"x\",\"do\":\"fly\"}",
        &"[".repeat(9_000),
    ] {
        let mut raw = Raw::join(&hub, CREW_CODE, "phone-rubbish", None).await?;
        raw.send_text(rubbish).await?;
        let why = raw
            .until(|message| {
                if let HubMessage::Goodbye { why, .. } = message {
                    Some(why)
                } else {
                    None
                }
            })
            .await?;
        assert_eq!(why, Farewell::BadMessage, "{rubbish:.40}");
    }
    let mut raw = Raw::join(&hub, CREW_CODE, "phone-rubbish", None).await?;
    raw.send_bytes(vec![0xff; 100]).await?;
    raw.until(|message| matches!(message, HubMessage::Goodbye { .. }).then_some(()))
        .await?;
    // A frame longer than any honest one closes the socket; whether the goodbye still gets through is the network's affair.
    let mut raw = Raw::join(&hub, CREW_CODE, "phone-rubbish", None).await?;
    let _ = raw.send_text(&"x".repeat(200_000)).await;
    while raw.next().await?.is_some() {}
    phone.done(note("still here")).await;
    Ok(())
}
