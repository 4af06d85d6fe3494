//! What figures said, kept as it was shown: whatever point is asked for gives what stood there, and a book that is exported, damaged or
//! started again tells the same or says that it cannot.

mod book_kit;

use book_kit::*;
use proptest::prelude::*;
use spinover::book::{Book, BookError, Reader, check::check};
use spinover_protocol::{
    book::Said,
    message::{Ahead, FigureNow},
    units::Unit,
};

fn figure(key: &str, value: f64) -> FigureNow {
    FigureNow {
        key: key.to_owned(),
        label: format!("Figure {key}"),
        value: Some(value),
        unit: Some(Unit::Litre),
        low: None,
        high: Some(value + 0.125),
        words: format!("says {value}"),
        attention: value > 3.0,
        forecast: None,
        rests_on: None,
        ask: None,
    }
}

/// What stood at a time, found the plain way: the last that was handed over up to then.
fn stood(all: &[(i64, Vec<FigureNow>)], at: i64) -> Option<&Vec<FigureNow>> {
    all.iter().rev().find(|(t, _)| *t <= at).map(|(_, now)| now)
}

/// Whatever order figures came in.
fn by_key(mut figures: Vec<FigureNow>) -> Vec<FigureNow> {
    figures.sort_by(|a, b| a.key.cmp(&b.key));
    figures
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]
    #[test]
    fn every_point_gives_what_stood_there(
        spoken in prop::collection::vec((300i64..9_000, prop::collection::btree_map(0u8..4, 0u8..5, 1..4)), 1..80),
        asked in prop::collection::vec(0.0f64..1.0, 8),
        again in any::<bool>(),
    ) {
        let dir = tempfile::tempdir().unwrap();
        let (mut book, _) = Book::open(dir.path()).unwrap();
        answer(book.append(vec![begun(1, "w", 2)])).unwrap();
        let mut at = 1_000;
        let mut all = Vec::new();
        for (n, (step, figures)) in spoken.iter().enumerate() {
            at += step;
            let now: Vec<FigureNow> = figures.iter().map(|(key, value)| figure(&key.to_string(), f64::from(*value))).collect();
            book.said("w", at, now.clone());
            all.push((at, now));
            if again && n == spoken.len() / 2 {
                // A hub that is started again goes on with what it knows: nothing.
                drop(book);
                book = Book::open(dir.path()).unwrap().0;
            }
        }
        answer(book.flush()).unwrap();
        let reader = book.reader().unwrap();
        prop_assert_eq!(reader.figures_from("w").unwrap(), Some(all[0].0));
        for share in asked {
            let point = (share * (at as f64 + 2_000.0)) as i64;
            let given = reader.figures("w", point, point, 1).unwrap();
            let given = given.first().map(|said| by_key(said.figures.clone()));
            prop_assert_eq!(given, stood(&all, point).cloned().map(by_key), "at {}", point);
        }
        let row = reader.figures("w", 0, at, 1_000).unwrap();
        let points = (0..=at).step_by(1_000).filter_map(|point| stood(&all, point).cloned().map(by_key));
        prop_assert_eq!(row.into_iter().map(|said| by_key(said.figures)).collect::<Vec<_>>(), points.collect::<Vec<_>>());
    }
}

fn filled(dir: &std::path::Path) -> Book {
    let (book, _) = Book::open(dir).unwrap();
    answer(book.append(vec![begun(1, "w", 2)])).unwrap();
    for n in 0..200 {
        let mut moving = figure("fuel", f64::from(n / 10));
        moving.forecast = Some(Ahead {
            channel: "ch0".into(),
            points: vec![(0.0, f64::from(n))],
        });
        book.said(
            "w",
            2_000 + i64::from(n) * 1_000,
            vec![moving, figure("still", 1.0)],
        );
    }
    answer(book.flush()).unwrap();
    book
}

fn rows(dir: &std::path::Path) -> Vec<Said> {
    let conn = rusqlite::Connection::open(dir.join("spinover.db")).unwrap();
    let mut query = conn.prepare("SELECT json FROM said ORDER BY n").unwrap();
    let rows = query.query_map([], |row| row.get::<_, String>(0)).unwrap();
    rows.map(|row| serde_json::from_str(&row.unwrap()).unwrap())
        .collect()
}

#[test]
fn only_what_changed_is_written_and_all_of_it_once_a_minute() {
    let dir = tempfile::tempdir().unwrap();
    drop(filled(dir.path()));
    let rows = rows(dir.path());
    let whole: Vec<i64> = rows
        .iter()
        .filter(|said| said.whole)
        .map(|said| said.at)
        .collect();
    assert_eq!(whole, [2_000, 62_000, 122_000, 182_000]);
    assert_eq!(
        rows.len(),
        20,
        "it said something new every ten seconds; a whole one lies on such a second"
    );
    let changed = rows
        .iter()
        .filter(|said| !said.whole)
        .flat_map(|said| &said.figures);
    assert!(
        changed
            .into_iter()
            .all(|figure| figure.key == "fuel" && figure.forecast.is_none())
    );
}

#[test]
fn it_travels_and_damage_is_named_and_never_guessed() {
    let dirs = [tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap()];
    let book = filled(dirs[0].path());
    let reader = book.reader().unwrap();
    let (other, _) = Book::open(dirs[1].path()).unwrap();
    taken_in(&document(&reader, "w"), &other, None).unwrap();
    let there = other.reader().unwrap();
    for at in [1_000, 2_000, 55_500, 130_700, 900_000] {
        assert_eq!(
            there.figures("w", at, at, 1).unwrap(),
            reader.figures("w", at, at, 1).unwrap()
        );
    }
    let too_many = there.figures("w", 0, 1_200, 1);
    assert!(
        matches!(too_many, Err(BookError::Refused(_))),
        "{too_many:?}"
    );
    drop((reader, there));
    drop(book);
    drop(other);

    let conn = rusqlite::Connection::open(dirs[0].path().join("spinover.db")).unwrap();
    let changed = conn
        .execute(
            "UPDATE said SET json = replace(json, 'says 7', 'says 8') WHERE at = 72000",
            [],
        )
        .unwrap();
    assert_eq!(changed, 1);
    let reader = Reader::open(dirs[0].path()).unwrap();
    let at = |at| reader.figures("w", at, at, 1).unwrap();
    assert_eq!(at(71_999)[0].figures[0].value, Some(6.0));
    assert_eq!(
        at(72_000),
        [],
        "not the damaged, and not what stood before it"
    );
    assert_eq!(at(121_999), [], "nor what builds on it");
    assert_eq!(
        at(122_000)[0].figures[0].value,
        Some(12.0),
        "the next minute stands for itself"
    );
    assert_eq!(
        reader.damage("w").unwrap(),
        ["what the figures said, at 1 times"]
    );
    assert_eq!(check(&reader).count, 1);
}

#[test]
fn a_warm_up_without_them_says_so() {
    let dir = tempfile::tempdir().unwrap();
    let (book, _) = Book::open(dir.path()).unwrap();
    answer(book.append(vec![begun(1, "w", 2), closed(2)])).unwrap();
    book.said("no such warm-up", 5_000, vec![figure("a", 1.0)]);
    answer(book.flush()).unwrap();
    let reader = book.reader().unwrap();
    assert_eq!(reader.figures_from("w").unwrap(), None);
    assert_eq!(reader.figures("w", 0, 10_000, 1_000).unwrap(), []);
    assert!(check(&reader).sound());
}
