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
