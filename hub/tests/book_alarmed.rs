//! What the report says of alarms: a simulated warm-up with a failing oil pump, and every order of what can happen to an alarm.

mod book_kit;

use book_kit::*;
use rand::{Rng, SeedableRng, rngs::SmallRng};
use spinover::{
    book::{
        Book, Edit,
        alarmed::{Alarmed, Answer},
        report,
    },
    files::demo,
    pit::Pit,
    sources::sim::{Settings, fault::parse_list},
};
use spinover_protocol::{
    alarm::{Alarm, InPhases, Limit, Watch},
    event::{Event, EventBody},
    message::Command,
    record::Record,
};

/// Plays a warm-up whose oil pump gives nothing for a while, with a chief who answers, takes it into the book, and reports it.
fn page_with_lost_oil(dir: &std::path::Path) -> (String, Vec<Event>) {
    let (car, sheet) = (demo::car().unwrap().car, demo::sheets().unwrap().remove(0));
    let settings = Settings {
        seed: 22,
        auto: false,
        noise: true,
        faults: parse_list("oil_lost@70+20").unwrap(),
    };
    let mut pit = Pit::new(&car, sheet.clone(), settings).unwrap();
    let place = car.channel(&"oil_pressure".into()).unwrap().0;
    let mut events = vec![event(
        1,
        EventBody::WarmupBegun {
            id: "w".to_owned(),
            sheet: Box::new(sheet),
            car: Box::new(car),
            today: Box::default(),
        },
    )];
    events[0].at = 0;
    let mut rows = Vec::new();
    let told = |outputs: Vec<spinover::core::Output>| {
        outputs.into_iter().find_map(|output| match output {
            spinover::core::Output::Event(event) => Some(event),
            _ => None,
        })
    };
    let key = || "oil_pressure_lost".into();
    while pit.now() < 110_000 {
        let mut news = pit.step();
        if pit.now() == 74_000 {
            news.extend(told(pit.want(Command::AcknowledgeAlarm { alarm: key() })));
        }
        if pit.now() == 100_000 {
            news.extend(told(pit.want(Command::ResetAlarm { alarm: key() })));
        }
        if pit.now() == 101_000 {
            let reason = "Sensor <out>".to_owned();
            news.extend(told(pit.want(Command::TakeAlarmOut {
                alarm: key(),
                reason,
            })));
        }
        for mut event in news {
            event.seq = events.len() as u64 + 1;
            events.push(event);
        }
        let frame = pit.frame();
        if let (Some(value), _, _) = frame.reading(place) {
            rows.push((place, pit.now() * 1000, value));
        }
    }
    let (book, _) = Book::open(dir).unwrap();
    let story = events.clone();
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_time()
        .build()
        .unwrap();
    runtime.block_on(async {
        let mut import = book.import(story, Edit::default()).await.unwrap();
        for (place, t_us, value) in rows {
            import.row(&[(place, t_us, value)]).await.unwrap();
        }
        import.finish().await.unwrap();
    });
    (report::html(&book.reader().unwrap(), "w").unwrap(), events)
}

#[test]
fn the_report_has_each_alarm_with_its_answer_and_marks_the_first_priority() {
    let dir = tempfile::tempdir().unwrap();
    let (page, events) = page_with_lost_oil(dir.path());
    if let Ok(path) = std::env::var("REPORT_OUT") {
        std::fs::write(path, &page).unwrap();
    }
    let at = |wanted: fn(&EventBody) -> bool| {
        let found = events.iter().find(|event| wanted(&event.body));
        found.expect("it happened").at
    };
    let raised = at(
        |body| matches!(body, EventBody::AlarmRaised { alarm, .. } if alarm.as_str() == "oil_pressure_lost"),
    );
    let went = at(|body| matches!(body, EventBody::AlarmReturned { .. }));
    let acknowledged = at(|body| matches!(body, EventBody::AlarmAcknowledged { .. }));
    let reset = at(|body| matches!(body, EventBody::AlarmReset { .. }));
    let car = demo::car().unwrap().car;
    let text = &car.alarm(&"oil_pressure_lost".into()).unwrap().text;
    let clock = |ms: i64| {
        let s = (ms as f64 / 1e3).round() as i64;
        format!("{}:{:02}", s / 60, s % 60)
    };
    let after = |ms: i64| format!("after {:.1} s", (ms - raised) as f64 / 1e3);
    for part in [
        format!(
            r#"<td class="n">A1</td><td class="n">{}</td><td>{text} <span class="at">priority 1</span>"#,
            clock(raised)
        ),
        format!(
            "gone {}, {}; reset by Chief, {}",
            clock(went),
            after(went),
            clock(reset)
        ),
        format!("<td>Chief, {}</td>", after(acknowledged)),
        format!(
            "<b>{text}</b> by Chief, 1:41, out of service: Sensor &lt;out&gt;; not brought back"
        ),
        r#"class="on-flag">A1<"#.to_owned(),
        r#"<path class="alarm" d="M"#.to_owned(),
    ] {
        assert!(page.contains(&part), "{part}");
    }
    // One flag: the alarm of the first priority that came, and no other.
    let first = Alarmed::of(&events).came;
    let first = first
        .iter()
        .filter(|came| car.alarm(&came.alarm).unwrap().priority == 1);
    assert_eq!(page.matches(r#"class="on-flag""#).count(), first.count());
}

#[test]
fn no_alarm_is_said_and_a_car_without_alarms_has_no_section() {
    let dir = tempfile::tempdir().unwrap();
    let (book, _) = Book::open(dir.path()).unwrap();
    answer(book.append(vec![begun(1, "w", 1), closed(2)])).unwrap();
    lifelike(&book, "v", 3, 1_779_000_000_000, 7, |_, _, value| value);
    let page = |id| report::html(&book.reader().unwrap(), id).unwrap();
    assert!(!page("w").contains("<h2>Alarms</h2>"));
    assert!(page("v").contains("<h2>Alarms</h2><p>None came.</p>"));
}

#[test]
fn in_every_order_the_last_coming_says_what_the_record_says() {
    let alarm = |key: &str| Alarm {
        key: key.into(),
        text: key.to_owned(),
        answer: "Look".to_owned(),
        priority: 1,
        watch: Watch::Below(Limit {
            channel: "ch0".into(),
            limit: 1.0,
        }),
        deadband: 0.0,
        on_delay_ms: 0,
        off_delay_ms: 0,
        phases: InPhases::All,
        only_while: None,
        once: None,
        latched: key == "b",
        kill: false,
        follows: vec![],
    };
    let mut rng = SmallRng::seed_from_u64(5);
    for _ in 0..300 {
        let mut first = begun(1, "w", 1);
        if let EventBody::WarmupBegun { car, .. } = &mut first.body {
            car.alarms = vec![alarm("a"), alarm("b")];
        }
        let mut story = vec![first];
        let mut record = Record::default();
        record.apply(&story[0]);
        for seq in 2..40 {
            let key = if rng.random() { "a" } else { "b" };
            let other = if key == "a" { "b" } else { "a" };
            let now = |key: &str| {
                let warmup = record.warmup.as_ref().unwrap();
                warmup.alarms.get(&key.into()).cloned().unwrap_or_default()
            };
            let flags = now(key).flags;
            let alarm = key.into();
            let reason = "why".to_owned();
            // Only what a hub would say: nothing comes twice, nothing is brought back that is not aside.
            let body = match rng.random_range(0..9) {
                0 if !flags.active => EventBody::AlarmRaised {
                    alarm,
                    value: Some(0.5),
                    after: None,
                },
                1 if !flags.active && now(other).flags.active => EventBody::AlarmRaised {
                    alarm,
                    value: None,
                    after: Some(other.into()),
                },
                2 if flags.active && now(key).after.is_some() => EventBody::AlarmRaised {
                    alarm,
                    value: None,
                    after: None,
                },
                3 if flags.active => EventBody::AlarmReturned { alarm },
                4 if flags.unacknowledged => EventBody::AlarmAcknowledged { alarm },
                5 if !flags.shelved && !flags.out => EventBody::AlarmShelved {
                    alarm,
                    until: 100_000,
                    reason,
                },
                6 if flags.shelved => EventBody::AlarmUnshelved { alarm },
                7 if !flags.out => EventBody::AlarmTakenOut { alarm, reason },
                8 if flags.out => EventBody::AlarmPutBack { alarm },
                _ => continue,
            };
            let event = event(seq, body);
            record.apply(&event);
            story.push(event);
            let alarmed = Alarmed::of(&story);
            let warmup = record.warmup.as_ref().unwrap();
            for (key, now) in &warmup.alarms {
                let of_it = || alarmed.came.iter().filter(|came| came.alarm == *key);
                assert_eq!(of_it().count() as u32, now.times, "{story:#?}");
                let waits = of_it().any(|came| came.answer == Answer::Waits);
                assert_eq!(waits, now.flags.unacknowledged, "{story:#?}");
                let open = of_it().filter(|came| came.returned_at.is_none()).count();
                assert_eq!(open == 1, now.flags.active, "{story:#?}");
                let aside = alarmed.aside.iter().filter(|aside| aside.alarm == *key);
                let still: Vec<_> = aside.filter(|aside| aside.back.is_none()).collect();
                assert_eq!(
                    still.iter().any(|aside| aside.until.is_some()),
                    now.flags.shelved
                );
                assert_eq!(
                    still.iter().any(|aside| aside.until.is_none()),
                    now.flags.out
                );
            }
        }
    }
}
