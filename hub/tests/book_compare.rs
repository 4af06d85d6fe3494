//! A warm-up against earlier ones: the planted departure is found, said in words, and nothing much else is.

mod book_kit;

use book_kit::*;
use spinover::book::{
    Book, BookError, Edit,
    compare::{Wish, compare, html, json, words},
};

const DAY: i64 = 24 * 3_600_000;

/// Eight sound warm-ups, then one whose oil pressure falls away 20 s after nitro, for 8 s.
fn season(dir: &std::path::Path) -> Book {
    let (book, _) = Book::open(dir).unwrap();
    let mut seq = 1;
    for day in 0..8 {
        seq = lifelike(
            &book,
            &format!("day {day}"),
            seq,
            1_779_000_000_000 + day * DAY,
            day as u64,
            |_, _, value| value,
        );
    }
    lifelike(
        &book,
        "bad",
        seq,
        1_779_000_000_000 + 8 * DAY,
        99,
        |key, since, value| match since {
            Some(since) if key == "oil_pressure" && (12.0..20.0).contains(&since) => value - 60.0,
            _ => value,
        },
    );
    book
}

#[test]
fn the_fall_in_oil_pressure_is_found_and_said_first() {
    let dir = tempfile::tempdir().unwrap();
    let book = season(dir.path());
    let reader = book.reader().unwrap();
    let found = compare(&reader, "bad", &Wish::default()).unwrap();
    let lines = words(&found);
    println!("{}", lines.join("\n"));
    assert_eq!(found.earlier.len(), 8);
    let first = &found.found[0];
    assert_eq!(first.channel, "oil_pressure");
    assert!(
        (first.from_s - 12.0).abs() <= 2.0 && (first.to_s - 20.0).abs() <= 2.0,
        "{first:?}"
    );
    assert!(first.median - first.this > 40.0, "{first:?}");
    assert!(
        lines[1].contains("below the usual from 0:1"),
        "{}",
        lines[1]
    );
    // Nothing else was planted.
    let others: Vec<_> = found
        .found
        .iter()
        .filter(|finding| finding.channel != "oil_pressure")
        .collect();
    assert!(others.len() <= 1, "{others:?}");
    let page = html(&found);
    if let Ok(path) = std::env::var("COMPARE_OUT") {
        std::fs::write(path, &page).unwrap();
    }
    for not in ["<script", "http", "src=", "href=", "NaN", "inf"] {
        assert!(!page.contains(not), "{not}");
    }
    assert!(page.contains("below the usual"));
    let json = json(&found);
    assert_eq!(json["found"][0]["channel"], "oil_pressure");
    assert_eq!(
        json["channels"][0]["this"].as_array().unwrap().len(),
        json["channels"][0]["low_median_high"]
            .as_array()
            .unwrap()
            .len()
    );
}

#[test]
fn who_is_compared_with_whom() {
    let dir = tempfile::tempdir().unwrap();
    let book = season(dir.path());
    let reader = book.reader().unwrap();
    let ids = |id: &str, wish: &Wish| -> Vec<String> {
        compare(&reader, id, wish)
            .unwrap()
            .earlier
            .into_iter()
            .map(|entry| entry.id)
            .collect()
    };
    assert_eq!(
        ids("day 3", &Wish::default()),
        ["day 0", "day 1", "day 2"],
        "only earlier ones"
    );
    assert_eq!(
        ids(
            "bad",
            &Wish {
                last: Some(2),
                ..Wish::default()
            }
        ),
        ["day 6", "day 7"]
    );
    assert_eq!(
        ids(
            "day 0",
            &Wish {
                with: vec!["day 5".to_owned()],
                ..Wish::default()
            }
        ),
        ["day 5"]
    );
    answer(book.delete("day 6", "Ada", 0)).unwrap();
    answer(book.edit(
        "day 7",
        Edit {
            source: Some("simulated".to_owned()),
            ..Edit::default()
        },
    ))
    .unwrap();
    assert_eq!(
        ids(
            "bad",
            &Wish {
                last: Some(2),
                ..Wish::default()
            }
        ),
        ["day 4", "day 5"],
        "neither deleted nor simulated"
    );
    let few = compare(&reader, "day 3", &Wish::default()).unwrap();
    assert!(!few.can_judge() && few.found.is_empty());
    assert!(words(&few)[1].contains("too few"));
    let wrong = Wish {
        align: Some("nitro_of".into()),
        ..Wish::default()
    };
    match compare(&reader, "bad", &wrong) {
        Err(BookError::Refused(why)) => assert!(why.contains("nitro_on"), "{why}"),
        other => panic!("{:?}", other.map(|_| ())),
    }
}

/// Two warm-ups by the demo's sheet to the line, whose engine speed rises in the burn-out for as long and as high as planted.
#[test]
fn burn_outs_are_told_with_their_time_and_peak() {
    use spinover_protocol::event::{Event, EventBody};
    let dir = tempfile::tempdir().unwrap();
    let (book, _) = Book::open(dir.path()).unwrap();
    let car = spinover::files::demo::car().unwrap().car;
    let sheets = spinover::files::demo::sheets().unwrap();
    let sheet = sheets
        .into_iter()
        .find(|sheet| sheet.phase(&"burnout".into()).is_some())
        .unwrap();
    let rpm = car.channel(&"engine_rpm".into()).unwrap().0;
    let mut seq = 1;
    for (id, begun_at, length_s, peak) in [
        ("one", 1_779_000_000_000i64, 3.0, 7_900.0),
        ("two", 1_779_000_000_000 + DAY, 4.0, 7_600.0),
    ] {
        let mut events = Vec::new();
        let mut say = |at, body| {
            events.push(Event {
                seq,
                at,
                by: Some(who("Ada")),
                command: None,
                body,
            });
            seq += 1;
        };
        say(
            begun_at,
            EventBody::WarmupBegun {
                id: id.to_owned(),
                sheet: Box::new(sheet.clone()),
                car: Box::new(car.clone()),
                today: Box::default(),
            },
        );
        let mut at = begun_at;
        let mut burn = (0, 0);
        for (phase, step) in sheet.steps() {
            if phase.key.as_str() == "burnout" && burn.0 == 0 {
                burn.0 = at;
            }
            at += 10_000;
            say(
                at,
                EventBody::StepMarked {
                    step: step.key.clone(),
                    readings: Default::default(),
                },
            );
            if phase.key.as_str() == "burnout" {
                burn.1 = at;
            }
        }
        say(at + 1, EventBody::WarmupClosed {});
        answer(book.append(events)).unwrap();
        // Straight up and down at the planted times, so that the width at half height is the planted one.
        let top = (burn.0 + 8_000, burn.0 + 8_000 + (length_s * 1000.0) as i64);
        for t in (begun_at..at).step_by(20) {
            let value = if (top.0..top.1).contains(&t) {
                peak
            } else {
                2_100.0
            };
            book.readings(id, vec![(rpm, t * 1000, value)]);
        }
    }
    answer(book.flush()).unwrap();
    let found = compare(&book.reader().unwrap(), "two", &Wish::default()).unwrap();
    let told: Vec<(&str, f64, f64)> = found
        .burnouts
        .iter()
        .map(|burnout| (burnout.warmup.as_str(), burnout.length_s, burnout.peak))
        .collect();
    assert_eq!(
        told.iter().map(|told| (told.0, told.2)).collect::<Vec<_>>(),
        [("one", 7_900.0), ("two", 7_600.0)]
    );
    assert!(
        (told[0].1 - 3.0).abs() < 0.021 && (told[1].1 - 4.0).abs() < 0.021,
        "{told:?}"
    );
    let lines = words(&found);
    assert!(
        lines
            .iter()
            .any(|line| line == "burn-out: 4.0 s, highest engine speed 7600 rpm"),
        "{lines:?}"
    );
    assert!(html(&found).contains("<h2>Burn-outs</h2>"));
}
