//! What a team writes and brings: car files, sheets, exported warm-ups.

use spinover::{
    book::{
        Book, Part, export,
        import::{Document, own_csv},
    },
    core::{Core, Input, Journal},
    files::{self, CarFile, FileErrors, demo},
    sources::index::ChannelIndex,
};
use spinover_protocol::{car::Car, sheet::Sheet};
use std::{
    cell::RefCell,
    sync::{Arc, LazyLock},
};
use tempfile::TempDir;

static CAR: LazyLock<CarFile> = LazyLock::new(|| demo::car().expect("the demo's car"));
static SHEETS: LazyLock<Vec<Sheet>> = LazyLock::new(|| demo::sheets().expect("the demo's sheets"));

/// Every mistake lies within the text and says what would be right, in one line.
fn placed(text: &str, errors: &FileErrors) {
    assert!(!errors.mistakes.is_empty());
    let lines: Vec<&str> = text.split('\n').collect();
    for mistake in &errors.mistakes {
        assert!((1..=lines.len()).contains(&mistake.line), "{mistake}");
        assert!(
            !mistake.to_string().chars().any(char::is_control),
            "{mistake:?}"
        );
        assert!(
            !mistake.what.is_empty() && !mistake.right.is_empty(),
            "{mistake:?}"
        );
    }
}

/// Whatever is taken as good, a hub can run with, and a phone can be told.
fn runs(car: &Car, sheet: &Sheet) {
    let told = serde_json::to_string(car).expect("finite numbers");
    assert_eq!(&serde_json::from_str::<Car>(&told).expect(&told), car);
    let told = serde_json::to_string(sheet).expect("finite numbers");
    assert_eq!(&serde_json::from_str::<Sheet>(&told).expect(&told), sheet);
    let source = vec!["source".to_owned()];
    let mut core = Core::new(
        car.clone(),
        vec![sheet.clone()],
        source,
        vec![],
        &Journal::default(),
    );
    let mut now = 1_790_000_000_000;
    core.take(now, Input::Start);
    for after in [1, 50, 5_000, 3_600_000] {
        now += after;
        core.take(now, Input::Tick);
        core.progress(now);
        core.figures(now);
        core.frame(now);
    }
}

/// A car file.
pub fn car_file(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else {
        return;
    };
    match files::parse_car("any", text) {
        Ok(file) => {
            assert_eq!(ChannelIndex::new(&file.car).len(), file.car.channels.len());
            let blind = Sheet {
                phases: vec![],
                ..SHEETS[0].clone()
            };
            runs(&file.car, &blind);
        }
        Err(errors) => placed(text, &errors),
    }
}

/// A sheet, for the demo's car and for none.
pub fn sheet_file(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else {
        return;
    };
    match files::parse_sheet("any", text, &CAR) {
        Ok(sheet) => runs(&CAR.car, &sheet),
        Err(errors) => placed(text, &errors),
    }
    if let Err(errors) = files::parse_sheet_alone("any", text) {
        placed(text, &errors);
    }
}

/// A book of this process's own, made anew now and then so that it stays small.
struct Shelf {
    book: Book,
    dir: TempDir,
    taken: u32,
}

impl Shelf {
    fn new() -> Self {
        let dir = tempfile::tempdir().expect("room for a book");
        let (book, _) = Book::open(dir.path()).expect("an empty folder");
        Self {
            book,
            dir,
            taken: 0,
        }
    }
}

thread_local! {
    static SHELF: RefCell<Option<Shelf>> = const { RefCell::new(None) };
}

/// An exported warm-up: what the book takes, it gives back.
pub fn book_import(data: &[u8]) {
    let car: &Arc<Car> = {
        static SHARED: LazyLock<Arc<Car>> = LazyLock::new(|| Arc::new(CAR.car.clone()));
        &SHARED
    };
    if let Ok(rows) = own_csv(data, car, 1_790_000_000_000) {
        assert!(
            rows.iter()
                .flatten()
                .all(|(channel, _, value)| *channel < car.channels.len() && value.is_finite())
        );
    }
    let Ok(document) = Document::read(data) else {
        return;
    };
    let runtime = tokio::runtime::Builder::new_current_thread()
        .build()
        .expect("a runtime");
    SHELF.with_borrow_mut(|shelf| {
        let full = shelf.as_ref().is_some_and(|shelf| shelf.taken >= 200);
        if full {
            *shelf = None;
        }
        let shelf = shelf.get_or_insert_with(Shelf::new);
        shelf.taken += 1;
        let id = format!("fuzz-{}", shelf.taken);
        let (events, readings) = (document.events.len(), document.readings.len());
        if runtime
            .block_on(document.into_book(&shelf.book, Some(&id)))
            .is_err()
        {
            return;
        }
        let reader = shelf.book.reader().expect("a book");
        let story = reader.story(&id).expect("its events");
        assert_eq!(story.len(), events);
        reader.record(&id).expect("its record");
        let (rows, lost) = reader.rows(&id, Part::default()).expect("its readings");
        assert!(lost.is_empty() && rows.len() <= readings, "{lost:?}");
        let mut again = Vec::new();
        export::json(&reader, &id, &mut again).expect("an export");
        let again = Document::read(&*again).expect("what was exported can be read");
        assert_eq!(again.events, story);
        assert!(shelf.dir.path().is_dir());
    });
}
