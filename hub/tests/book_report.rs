//! The report page: what must be on it, and what must not.

mod book_kit;

use book_kit::*;
use spinover::book::{Book, Edit, report, timeline::Timeline};

fn lifelike_page(dir: &std::path::Path) -> String {
    let (book, _) = Book::open(dir).unwrap();
    // Oil pressure falls away 20 s after nitro, for 8 s.
    lifelike(
        &book,
        "w",
        1,
        1_779_000_000_000,
        7,
        |key, since, value| match since {
            Some(since) if key == "oil_pressure" && (20.0..28.0).contains(&since) => value - 60.0,
            _ => value,
        },
    );
    let edit = Edit {
        place: Some("Larkspur <test> strip".to_owned()),
        weather: Some("18 °C, dry".to_owned()),
        driver: Some("Dee".to_owned()),
        note: Some("New clutch discs".to_owned()),
        ..Edit::default()
    };
    answer(book.edit("w", edit)).unwrap();
    report::html(&book.reader().unwrap(), "w").unwrap()
}

#[test]
fn it_says_what_was_done_by_whom_and_what_was_off() {
    let dir = tempfile::tempdir().unwrap();
    let page = lifelike_page(dir.path());
    if let Ok(path) = std::env::var("REPORT_OUT") {
        std::fs::write(path, &page).unwrap();
    }
    let sheet = spinover::files::demo::sheets().unwrap().remove(0);
    for (_, step) in sheet.steps() {
        let text = step
            .text
            .replace('&', "&amp;")
            .replace('<', "&lt;")
            .replace('>', "&gt;");
        let text = text.replace('"', "&quot;").replace('\'', "&#39;");
        assert!(page.contains(&text), "{text}");
    }
    for part in [
        "<td>Ada</td>",
        "Bea",
        "Cy 1.2 s",
        "not seen by Ada",
        "<strong>STOP</strong> Leak left bank",
        "Plug 6 wet &amp; wiped",
        "New clutch discs",
        "Larkspur &lt;test&gt; strip",
        "<b>Oil pressure</b> low for",
        "Fuel used",
    ] {
        assert!(page.contains(part), "{part}");
    }
    // Whole in itself: nothing is fetched, nothing runs.
    for not in [
        "<script", "http:", "https:", "src=", "href=", "url(", "NaN", "inf",
    ] {
        assert!(!page.contains(not), "{not}");
    }
}

#[test]
fn a_recording_without_steps_has_a_page_too() {
    let dir = tempfile::tempdir().unwrap();
    let (book, _) = Book::open(dir.path()).unwrap();
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_time()
        .build()
        .unwrap();
    runtime.block_on(async {
        let bare = spinover::book::import::bare_events("w", "of a file", &car(2), 5000, 9000);
        let source = Edit {
            source: Some("imported from file.csv".to_owned()),
            ..Edit::default()
        };
        let mut import = book.import(bare, source).await.unwrap();
        import.row(&[(0, 6_000_000, 15.0)]).await.unwrap();
        import.row(&[(0, 6_500_000, 25.0)]).await.unwrap();
        import.row(&[(0, 8_500_000, 26.5)]).await.unwrap();
        import.finish().await.unwrap();
    });
    let page = report::html(&book.reader().unwrap(), "w").unwrap();
    assert!(page.contains("Not from a live car: imported from file.csv"));
    assert!(
        page.contains(
            "<b>Channel 0</b> high for 2 s from 0:02 (of a file): 26.5 rpm, band 10.0 to 20.0"
        ),
        "{page}"
    );
    assert!(!page.contains("NaN"));
}

#[test]
fn the_timeline_follows_bands_and_phases() {
    use spinover_protocol::{car::Band, event::EventBody};
    let set = EventBody::BandSet {
        channel: "ch0".into(),
        phase: None,
        band: Some(Band {
            low: 0.0,
            high: 5.0,
        }),
    };
    let story = vec![
        begun(1, "w", 1),
        marked(2, "a"),
        event(3, set),
        marked(4, "b"),
        marked(5, "c"),
        marked(6, "z"),
    ];
    let timeline = Timeline::of(&story).unwrap();
    assert_eq!(
        timeline
            .phases
            .iter()
            .map(|phase| (phase.at, phase.name.as_str()))
            .collect::<Vec<_>>(),
        [(1000, "Phase one"), (5000, "Phase off")]
    );
    assert_eq!(timeline.band_at(0, 2999).unwrap().high, 20.0);
    assert_eq!(timeline.band_at(0, 3000).unwrap().high, 5.0);
    assert_eq!(
        timeline
            .done
            .iter()
            .map(|done| done.step.as_str())
            .collect::<Vec<_>>(),
        ["a", "b", "c", "z"]
    );
    let mut rows = spinover::book::Rows::default();
    // In the first band, then above the second, then within it, then below, with a gap in between.
    for (t_ms, value) in [
        (2000, 15.0),
        (3500, 15.0),
        (4000, 7.0),
        (4500, 4.0),
        (5000, -1.0),
        (5500, -3.0),
        (9000, -2.0),
    ] {
        rows.push(&[(0, t_ms * 1000, value)]);
    }
    let spells: Vec<_> = timeline
        .spells(&rows)
        .iter()
        .map(|s| (s.from_us / 1000, s.to_us / 1000, s.low, s.worst))
        .collect();
    assert_eq!(
        spells,
        [
            (3500, 4000, false, 15.0),
            (5000, 5500, true, -3.0),
            (9000, 9000, true, -2.0)
        ]
    );
    assert!(Timeline::of(&[joined(1, "Bea")]).is_none());
}

#[test]
fn what_was_typed_in_is_on_the_page() {
    use spinover_protocol::{
        event::EventBody,
        today::{Conditions, TimeSlip},
    };
    let dir = tempfile::tempdir().unwrap();
    let (book, _) = Book::open(dir.path()).unwrap();
    let air = Conditions {
        temp_c: 20.0,
        pressure_hpa: 1000.0,
        rh_pct: 55.0,
        place: Some("lane <2>".to_owned()),
    };
    let slip = TimeSlip {
        t60_s: Some(0.841),
        v1000_mph: Some(330.5),
        ..TimeSlip::default()
    };
    let events = vec![
        begun(1, "w", 1),
        event(2, EventBody::ConditionsSet(air)),
        event(3, EventBody::BleedMoved { turns: -0.25 }),
        event(4, EventBody::SlipTyped(slip)),
        closed(5),
    ];
    answer(book.append(events)).unwrap();
    let page = report::html(&book.reader().unwrap(), "w").unwrap();
    for part in [
        "20.0 degC (68.0 degF), 1000.0 hPa (29.5 inHg), 55 % humidity lane &lt;2&gt;",
        "0.25 turns in",
        "60 ft 0.841 s, 330.50 mph",
        "Ada, 0:03",
    ] {
        assert!(page.contains(part), "{part}");
    }
}
