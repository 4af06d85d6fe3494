//! Warm-ups leave the book and come back into another one exactly as they were.

mod book_kit;

use book_kit::*;
use proptest::prelude::*;
use spinover::book::{Book, BookError, Edit, Reader, export, import};
use spinover_protocol::event::EventBody;

fn runtime() -> tokio::runtime::Runtime {
    tokio::runtime::Builder::new_current_thread()
        .enable_time()
        .build()
        .unwrap()
}

/// A value that sources let in: any finite number.
fn value() -> impl Strategy<Value = f64> {
    prop_oneof![
        any::<u64>()
            .prop_map(f64::from_bits)
            .prop_filter("finite", |value| value.is_finite()),
        (-100_000i64..100_000).prop_map(|n| n as f64 / 100.0),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]
    #[test]
    fn out_and_in_again_changes_nothing(
        rows in prop::collection::vec((-5_000_000i64..50_000_000, prop::collection::btree_map(0usize..3, value(), 1..4)), 0..60),
        marked_value in value(),
        begun_at in prop_oneof![Just(2000i64), Just(1_779_000_000_123)],
    ) {
        let dirs = [tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap()];
        let (book, _) = Book::open(dirs[0].path()).unwrap();
        let mut events = vec![joined(1, "Bea"), begun(2, "w", 3), marked(3, "a"), called(4), closed(5)];
        events[1].at = begun_at;
        if let EventBody::StepMarked { readings, .. } = &mut events[2].body {
            readings.insert("ch0".into(), marked_value);
        }
        answer(book.append(events.clone())).unwrap();
        for (t_us, cells) in &rows {
            let t_us = begun_at * 1000 + t_us;
            book.readings("w", cells.iter().map(|(channel, value)| (*channel, t_us, *value)).collect());
        }
        let note = Edit { note: Some("tight, \"sticky\"\nsecond line".to_owned()), tags: Some(vec!["cold".to_owned()]), ..Edit::default() };
        answer(book.edit("w", note)).unwrap();
        answer(book.flush()).unwrap();
        let reader = book.reader().unwrap();
        prop_assert_eq!(&reader.story("w").unwrap(), &events);

        let mut document = Vec::new();
        prop_assert!(export::json(&reader, "w", &mut document).unwrap().is_empty());
        let (other, _) = Book::open(dirs[1].path()).unwrap();
        let read = import::Document::read(document.as_slice()).unwrap();
        prop_assert_eq!(runtime().block_on(read.into_book(&other, None)).unwrap(), "w");
        let there = other.reader().unwrap();
        prop_assert_eq!(there.story("w").unwrap(), events);
        prop_assert_eq!(there.record("w").unwrap(), reader.record("w").unwrap());
        prop_assert_eq!(all_rows(&there, "w"), all_rows(&reader, "w"));
        let (mut a, mut b) = (reader.warmup("w").unwrap(), there.warmup("w").unwrap());
        (a.first_seq, b.first_seq) = (None, None);
        prop_assert_eq!(serde_json::to_value(&a).unwrap(), serde_json::to_value(&b).unwrap());
        // The journal there is still empty: an import is no event of this hub.
        drop((other, there));
        prop_assert_eq!(Book::open(dirs[1].path()).unwrap().1.next_seq, 1);

        let mut csv = Vec::new();
        export::csv(&reader, "w", &mut csv).unwrap();
        let (third, _) = Book::open(dirs[2].path()).unwrap();
        let back = import::own_csv(csv.as_slice(), &car(3), begun_at).unwrap();
        runtime().block_on(async {
            let bare = import::bare_events("w", "from a file", &car(3), begun_at, begun_at + 1);
            let mut import = third.import(bare, Edit::default()).await.unwrap();
            for row in &back {
                import.row(row).await.unwrap();
            }
            import.finish().await.unwrap();
        });
        prop_assert_eq!(all_rows(&third.reader().unwrap(), "w"), all_rows(&reader, "w"));
    }
}

#[test]
fn exported_csv_and_lines_read_as_documented() {
    let dir = tempfile::tempdir().unwrap();
    let (book, _) = Book::open(dir.path()).unwrap();
    answer(book.append(vec![begun(1, "w", 2)])).unwrap();
    book.readings("w", vec![(0, 1_250_000, 2410.0), (1, 1_250_000, 7.9)]);
    book.readings("w", vec![(1, 1_250_000, -0.1)]);
    book.readings("w", vec![(0, 900_000, 1e-7)]);
    answer(book.flush()).unwrap();
    let reader = book.reader().unwrap();
    let text = |write: &dyn Fn(&mut Vec<u8>)| {
        let mut out = Vec::new();
        write(&mut out);
        String::from_utf8(out).unwrap()
    };
    let csv = text(&|out| drop(export::csv(&reader, "w", out).unwrap()));
    assert_eq!(
        csv,
        "t_s,ch0,ch1\n0.25,2410,7.9\n0.25,,-0.1\n-0.1,0.0000001,\n"
    );
    let lines = text(&|out| drop(export::lines(&reader, "w", out).unwrap()));
    assert_eq!(
        lines,
        "{\"t\":0.25,\"ch0\":2410.0,\"ch1\":7.9}\n{\"t\":0.25,\"ch1\":-0.1}\n{\"t\":-0.1,\"ch0\":1e-7}\n"
    );
    let events = text(&|out| drop(export::events(&reader, "w", out).unwrap()));
    assert_eq!(
        serde_json::from_str::<spinover_protocol::event::Event>(events.trim()).unwrap(),
        begun(1, "w", 2)
    );
}

#[test]
fn an_import_that_was_not_finished_leaves_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let (book, _) = Book::open(dir.path()).unwrap();
    let bare = import::bare_events("w", "x", &car(1), 0, 1);
    let import = runtime().block_on(async {
        let mut import = book.import(bare.clone(), Edit::default()).await.unwrap();
        for n in 0..5000 {
            import.row(&[(0, n, 1.0)]).await.unwrap();
        }
        import
    });
    assert_eq!(book.reader().unwrap().warmups().unwrap(), vec![]);
    // A warm-up that begins meanwhile is no trouble, and its id cannot be the same.
    assert_eq!(
        answer(book.append(vec![begun(1, "w", 1)])),
        Err(BookError::Duplicate("w".to_owned()))
    );
    answer(book.append(vec![begun(1, "live", 1)])).unwrap();
    drop(import);
    drop(book);
    let (book, _) = Book::open(dir.path()).unwrap();
    runtime().block_on(async {
        let import = book.import(bare, Edit::default()).await.unwrap();
        import.finish().await.unwrap();
    });
    let reader = Reader::open(dir.path()).unwrap();
    assert_eq!(reader.extent("w").unwrap().rows, 0);
    assert_eq!(reader.warmups().unwrap().len(), 2);
    assert!(spinover::book::check::check(&reader).sound());
}

#[test]
fn what_is_no_warm_up_is_refused() {
    let dir = tempfile::tempdir().unwrap();
    let (book, _) = Book::open(dir.path()).unwrap();
    for events in [
        vec![],
        vec![called(1)],
        vec![begun(1, "a", 1), begun(2, "b", 1)],
        vec![begun(2, "a", 1), called(1)],
    ] {
        let refused = runtime().block_on(book.import(events, Edit::default()));
        assert!(matches!(refused, Err(BookError::Refused(_))), "{refused:?}");
    }
    for text in [
        "",
        "{}",
        "{\"format\":\"x\",\"warmup\":{},\"events\":[],\"readings\":[]}",
    ] {
        assert!(
            matches!(
                import::Document::read(text.as_bytes()),
                Err(BookError::Refused(_))
            ),
            "{text}"
        );
    }
    let csv = |text: &str| {
        import::own_csv(text.as_bytes(), &car(2), 0)
            .unwrap_err()
            .to_string()
    };
    assert!(csv("t,ch0\n").contains("first column"));
    assert!(csv("t_s,ch9\n").contains("ch9"));
    assert!(csv("t_s,ch0\n1,x\n").contains("line 2"));
    assert!(csv("t_s,ch0\n1,NaN\n").contains("not a finite number"));
}
