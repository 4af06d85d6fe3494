//! Parquet: there and back is the same warm-up, and what is no export is refused. `--features parquet`.
#![cfg(feature = "parquet")]

mod book_kit;

use book_kit::*;
use proptest::prelude::*;
use spinover::book::{Book, BookError, Edit, parquet, parquet::Writer};

fn runtime() -> tokio::runtime::Runtime {
    tokio::runtime::Builder::new_current_thread()
        .enable_time()
        .build()
        .unwrap()
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 40, ..ProptestConfig::default() })]

    /// Any finite numbers, in any channels, at any times, two rows at one time among them.
    #[test]
    fn there_and_back_is_the_same(
        begun_at in 0i64..4_000_000_000_000,
        rows in prop::collection::vec(
            (-1_000_000i64..3_600_000_000, prop::collection::btree_map(0usize..3, any::<f64>().prop_filter("finite", |value| value.is_finite()), 1..=3)),
            0..120,
        ),
    ) {
        let dirs = [tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap()];
        let (book, _) = Book::open(dirs[0].path()).unwrap();
        let mut events = vec![begun(1, "w", 3), marked(2, "a"), called(3), closed(4)];
        events.iter_mut().for_each(|event| event.at += begun_at);
        answer(book.append(events.clone())).unwrap();
        let origin_us = (begun_at + 1000) * 1000;
        for (t_us, cells) in &rows {
            book.readings("w", cells.iter().map(|(channel, value)| (*channel, origin_us + t_us, *value)).collect());
        }
        let note = Edit { note: Some("tight, \"sticky\"\nsecond line".to_owned()), tags: Some(vec!["cold".to_owned()]), ..Edit::default() };
        answer(book.edit("w", note)).unwrap();
        answer(book.flush()).unwrap();
        let reader = book.reader().unwrap();
        let mut file = tempfile::tempfile().unwrap();
        prop_assert!(parquet::write(&reader, "w", &mut file).unwrap().is_empty());
        let (other, _) = Book::open(dirs[1].path()).unwrap();
        prop_assert_eq!(runtime().block_on(parquet::into_book(file, &other, None)).unwrap(), "w");
        let there = other.reader().unwrap();
        prop_assert_eq!(there.story("w").unwrap(), events);
        prop_assert_eq!(all_rows(&there, "w"), all_rows(&reader, "w"));
        let (mut a, mut b) = (reader.warmup("w").unwrap(), there.warmup("w").unwrap());
        (a.first_seq, b.first_seq) = (None, None);
        prop_assert_eq!(serde_json::to_value(&a).unwrap(), serde_json::to_value(&b).unwrap());
    }
}

#[test]
fn a_long_one_in_several_row_groups_comes_back_whole() {
    const ROWS: i64 = 140_000;
    let dirs = [tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap()];
    let (book, _) = Book::open(dirs[0].path()).unwrap();
    answer(book.append(vec![begun(1, "w", 2)])).unwrap();
    for n in 0..ROWS {
        // The second channel speaks in every third row only.
        let mut row = vec![(0, 1_000_000 + n * 500, n as f64 / 3.0)];
        if n % 3 == 0 {
            row.push((1, 1_000_000 + n * 500, -(n as f64)));
        }
        book.readings("w", row);
    }
    answer(book.append(vec![closed(2)])).unwrap();
    answer(book.flush()).unwrap();
    assert_eq!(book.health().borrow().dropped_readings, 0);
    let reader = book.reader().unwrap();
    let mut file = tempfile::tempfile().unwrap();
    parquet::write(&reader, "w", &mut file).unwrap();
    let (other, _) = Book::open(dirs[1].path()).unwrap();
    let id = runtime().block_on(parquet::into_book(file, &other, Some("v")));
    assert_eq!(id.unwrap(), "v");
    let there = all_rows(&other.reader().unwrap(), "v");
    assert_eq!(there.len() as i64, ROWS);
    assert!(there == all_rows(&reader, "w"));
}

#[test]
fn what_is_no_export_is_refused() {
    let dir = tempfile::tempdir().unwrap();
    let (book, _) = Book::open(dir.path()).unwrap();
    let refused = |bytes: Vec<u8>, words: &str| {
        use std::io::Write;
        let mut file = tempfile::tempfile().unwrap();
        file.write_all(&bytes).unwrap();
        match runtime().block_on(parquet::into_book(file, &book, None)) {
            Err(BookError::Refused(why)) => assert!(why.contains(words), "{why}"),
            other => panic!("{other:?}"),
        }
    };
    refused(
        b"PAR1 and then nothing of the kind".to_vec(),
        "no Parquet file",
    );
    let file = |keys: &[&str], about: Option<&str>, cells: &[(u16, f64)]| {
        let keys: Vec<String> = keys.iter().map(|key| (*key).to_owned()).collect();
        let mut writer = Writer::new(Vec::new(), &keys, about.map(str::to_owned)).unwrap();
        writer.row(0, cells).unwrap();
        writer.finish().unwrap()
    };
    refused(file(&["ch0"], None, &[]), "no exported warm-up");
    refused(file(&["ch0"], Some("{}"), &[]), "no exported warm-up");
    let events = serde_json::to_value([begun(1, "w", 1), closed(2)]).unwrap();
    let about = |format: &str| {
        serde_json::json!({"format": format, "warmup": {}, "events": events, "readings": []})
            .to_string()
    };
    let good = about(spinover::book::import::FORMAT);
    refused(file(&["ch0"], Some(&about("x")), &[]), "this is \"x\"");
    refused(file(&["ch1"], Some(&good), &[]), "no channel ch1");
    refused(file(&["ch0"], Some(&good), &[(0, f64::NAN)]), "finite");
    let mut cut = file(&["ch0"], Some(&good), &[(0, 1.0)]);
    cut.truncate(cut.len() - 9);
    refused(cut, "no Parquet file");
    // Nothing of them is in the book.
    assert!(book.reader().unwrap().warmups().unwrap().is_empty());
}
