//! Photos in the book: what is kept of a picture, where, and when it goes. The pictures were made by Pillow; what is left of their metadata
//! is read by `kamadak-exif`, their pixels by the `image` crate.

mod book_kit;

use book_kit::*;
use spinover::book::{
    Book, BookError, Edit, KEEP_DELETED_DAYS, Photos, Reader,
    check::check,
    export,
    photos::{Kind, Picture, SMALL_SIDE},
    report,
};
use spinover_protocol::book::{MAX_PHOTO, MAX_PHOTOS, is_photo};
use std::{fs, path::Path, process::Command};

const ALL: [&str; 5] = [
    "turned.jpg",
    "progressive.jpg",
    "screen.png",
    "web.webp",
    "big.jpg",
];

fn file(name: &str) -> Vec<u8> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/photos");
    fs::read(folder.join(name)).unwrap()
}

fn filled(dir: &Path) -> Book {
    let (book, _) = Book::open(dir).unwrap();
    answer(book.append(vec![
        begun(1, "w", 2),
        closed(2),
        begun(3, "x", 2),
        closed(4),
    ]))
    .unwrap();
    book
}

fn attached(book: &Book, id: &str, bytes: &[u8]) -> String {
    answer(book.attach(id, bytes).unwrap()).unwrap()
}

fn list(book: &Book, id: &str) -> Vec<String> {
    book.reader().unwrap().warmup(id).unwrap().photos
}

/// Files in the folder of photos, those of small ones left out.
fn lying(dir: &Path) -> Vec<String> {
    let mut names: Vec<String> = fs::read_dir(dir.join("photos"))
        .unwrap()
        .map(|file| file.unwrap().file_name().into_string().unwrap())
        .filter(|name| name != "small")
        .collect();
    names.sort();
    names
}

fn pixels(bytes: &[u8]) -> image::RgbImage {
    image::load_from_memory(bytes).unwrap().to_rgb8()
}

fn fields(bytes: &[u8]) -> Vec<String> {
    let mut from = std::io::Cursor::new(bytes);
    match exif::Reader::new().read_from_container(&mut from) {
        Ok(exif) => exif
            .fields()
            .map(|field| format!("{} {}", field.tag, field.display_value()))
            .collect(),
        Err(_) => Vec::new(),
    }
}

#[test]
fn no_place_stays_and_every_pixel_does() {
    for name in ALL {
        let original = file(name);
        assert!(
            fields(&original)
                .iter()
                .any(|field| field.starts_with("GPSLatitude")),
            "{name}: the picture told where it was taken"
        );
        let kept = Picture::take(&original).unwrap();
        assert_eq!(pixels(&kept.bytes), pixels(&original), "{name}");
        assert_eq!(
            fields(&kept.bytes),
            ["Orientation row 0 at right and column 0 at top"],
            "{name}: which way up, and nothing else"
        );
        for word in [&b"51.5"[..], b"51,30", b"Maker", b"xmpmeta"] {
            let found = kept.bytes.windows(word.len()).any(|part| part == word);
            assert!(!found, "{name}: {}", String::from_utf8_lossy(word));
        }
        let again = Picture::take(&kept.bytes).unwrap();
        assert_eq!(
            again.bytes, kept.bytes,
            "{name}: taken in again it is the same"
        );
    }
    let ends = |bytes: &[u8]| bytes.windows(2).filter(|two| two == b"\xff\xd9").count();
    let turned = file("turned.jpg");
    assert_eq!(
        (ends(&turned), ends(&Picture::take(&turned).unwrap().bytes)),
        (2, 1)
    );
}

#[test]
fn the_small_one_is_the_right_way_up() {
    let kept = Picture::take(&file("big.jpg")).unwrap();
    let small = pixels(&kept.small.unwrap());
    // 2600 by 1700, turned by 90 degrees: the bar at the top left is at the top right.
    assert_eq!(small.height(), SMALL_SIDE);
    assert!((520..=526).contains(&small.width()), "{}", small.width());
    let [red, green, blue] = small.get_pixel(small.width() - 20, 20).0;
    assert!(red > 170 && green < 40 && blue < 40, "{red} {green} {blue}");
    assert_eq!(Picture::take(&file("turned.jpg")).unwrap().small, None);
}

#[test]
fn what_is_no_picture_is_refused_in_words() {
    let refused = |bytes: &[u8]| Picture::take(bytes).unwrap_err();
    assert!(refused(b"\0\0\0\x24ftypheic\0\0\0\0mif1").contains("take JPEG"));
    assert!(refused(b"<svg onload=alert(1)>").contains("no picture that is known"));
    assert!(refused(b"").contains("no picture that is known"));
    assert!(refused(&vec![0xff; MAX_PHOTO + 1]).contains("12 MB"));
    // A page behind a picture's first bytes, and pictures that are cut short.
    assert!(refused(b"\xff\xd8\xff\xe0<html><script>").contains("cannot be read"));
    for name in ALL {
        let bytes = file(name);
        assert!(
            refused(&bytes[..bytes.len() / 3]).contains("cannot be read"),
            "{name}"
        );
    }
    // A PNG that says it has 65,535 by 65,535 pixels: the header's own check number is made to fit.
    let mut bomb = file("screen.png");
    bomb[16..24].copy_from_slice(&[0, 0, 0xff, 0xff, 0, 0, 0xff, 0xff]);
    assert!(refused(&bomb).contains("cannot be read"));
    assert_eq!(Kind::of(&file("web.webp")), Ok(Kind::Webp));
}

proptest::proptest! {
    #![proptest_config(proptest::prelude::ProptestConfig::with_cases(64))]
    #[test]
    fn no_bytes_panic(which in 0usize..4, cuts in proptest::collection::vec((0usize..3000, proptest::prelude::any::<u8>()), 1..6)) {
        let mut bytes = file(ALL[which]);
        for (at, byte) in cuts {
            let at = at % bytes.len();
            bytes[at] = byte;
        }
        // Whatever is made of it: if anything is kept, it is a picture and tells no place.
        if let Ok(kept) = Picture::take(&bytes) {
            let fields = fields(&kept.bytes);
            proptest::prop_assert!(fields.iter().all(|field| field.starts_with("Orientation")), "{:?}", fields);
        }
    }
}

#[test]
fn the_same_picture_lies_there_once_and_goes_with_the_last_that_has_it() {
    let dir = tempfile::tempdir().unwrap();
    let book = filled(dir.path());
    let name = attached(&book, "w", &file("turned.jpg"));
    assert!(is_photo(&name), "{name}");
    assert_eq!(attached(&book, "w", &file("turned.jpg")), name);
    assert_eq!(attached(&book, "x", &file("turned.jpg")), name);
    let other = attached(&book, "w", &file("screen.png"));
    assert_eq!(list(&book, "w"), [name.clone(), other.clone()]);
    assert_eq!(list(&book, "x").as_slice(), std::slice::from_ref(&name));
    assert_eq!(lying(dir.path()).len(), 2);

    answer(book.detach("w", &name)).unwrap();
    assert_eq!(list(&book, "w").as_slice(), std::slice::from_ref(&other));
    assert_eq!(lying(dir.path()).len(), 2, "the other warm-up has it still");
    answer(book.detach("x", &name)).unwrap();
    assert_eq!(lying(dir.path()).as_slice(), std::slice::from_ref(&other));
    let twice = answer(book.detach("x", &name));
    assert!(matches!(twice, Err(BookError::Refused(_))), "{twice:?}");

    // A deleted warm-up keeps its photos for as long as it can be restored.
    let shared = attached(&book, "x", &file("web.webp"));
    attached(&book, "w", &file("web.webp"));
    answer(book.delete("w", "Ada", 10_000)).unwrap();
    let day = 24 * 3_600_000;
    answer(book.purge(10_000 + (KEEP_DELETED_DAYS - 1) * day)).unwrap();
    assert_eq!(lying(dir.path()).len(), 2);
    assert_eq!(
        answer(book.purge(10_001 + KEEP_DELETED_DAYS * day)).unwrap(),
        1
    );
    assert_eq!(
        lying(dir.path()),
        [shared],
        "the one that another has stays"
    );
}

#[test]
fn one_has_forty_at_most() {
    let dir = tempfile::tempdir().unwrap();
    let book = filled(dir.path());
    let names = (0..MAX_PHOTOS).map(|n| format!("written-down-{n}.jpg"));
    let full = Edit {
        photos: Some(names.collect()),
        ..Edit::default()
    };
    answer(book.edit("w", full)).unwrap();
    let more = answer(book.attach("w", &file("turned.jpg")).unwrap());
    assert!(matches!(more, Err(BookError::Refused(_))), "{more:?}");
    assert_eq!(
        lying(dir.path()),
        Vec::<String>::new(),
        "nothing of it stays"
    );
}

#[test]
fn a_check_names_what_is_missing_or_changed_and_sending_it_again_mends_it() {
    let dir = tempfile::tempdir().unwrap();
    let book = filled(dir.path());
    let gone = attached(&book, "w", &file("turned.jpg"));
    let changed = attached(&book, "x", &file("big.jpg"));
    let found = check(&book.reader().unwrap());
    assert_eq!(
        (found.photos, found.stray_photos, found.sound()),
        (2, 0, true)
    );

    fs::remove_file(dir.path().join("photos").join(&gone)).unwrap();
    let path = dir.path().join("photos").join(&changed);
    let mut bytes = fs::read(&path).unwrap();
    bytes[30_000] ^= 1;
    fs::write(&path, bytes).unwrap();
    let stray = format!("{}.png", "0".repeat(64));
    fs::write(dir.path().join("photos").join(stray), b"x").unwrap();
    let found = check(&book.reader().unwrap());
    assert_eq!((found.photos, found.stray_photos, found.count), (0, 1, 2));
    let words = found.wrong.join("\n");
    assert!(
        words.contains(&format!("photo {gone} is missing (of w)")),
        "{words}"
    );
    assert!(
        words.contains(&format!("photo {changed} is not as it was written (of x)")),
        "{words}"
    );
    assert!(
        book.photos().read(&changed).is_err(),
        "a changed one is not given out"
    );
    let page = report::html(&book.reader().unwrap(), "w").unwrap();
    assert!(page.contains(&format!("photo {gone} is missing")));
    let mut out = Vec::new();
    let lost = export::json(&book.reader().unwrap(), "w", &mut out).unwrap();
    assert_eq!(lost, [format!("photo {gone} is missing")]);

    attached(&book, "x", &file("big.jpg"));
    attached(&book, "w", &file("turned.jpg"));
    assert!(check(&book.reader().unwrap()).sound());
}

#[test]
fn they_travel_with_an_export_and_stand_in_the_report() {
    let dirs = [tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap()];
    let book = filled(dirs[0].path());
    answer(book.edit(
        "w",
        Edit {
            photos: Some(vec!["left bank.jpg".to_owned()]),
            ..Edit::default()
        },
    ))
    .unwrap();
    for name in ["big.jpg", "screen.png"] {
        attached(&book, "w", &file(name));
    }
    let reader = book.reader().unwrap();
    let page = report::html(&reader, "w").unwrap();
    assert_eq!(page.matches("<img alt=\"Photo ").count(), 2);
    assert_eq!(
        page.matches("src=\"data:image/jpeg;base64,").count(),
        1,
        "the large one is made small"
    );
    assert_eq!(
        page.matches("src=\"data:image/png;base64,").count(),
        1,
        "the small one is as it is"
    );
    assert!(
        page.contains("left bank.jpg") && !page.contains("src=\"/"),
        "whole in itself"
    );

    let document = document(&reader, "w");
    let (other, _) = Book::open(dirs[1].path()).unwrap();
    taken_in(&document, &other, None).unwrap();
    assert_eq!(list(&other, "w"), list(&book, "w"));
    assert_eq!(lying(dirs[1].path()), lying(dirs[0].path()));
    assert!(check(&other.reader().unwrap()).sound());

    // What a file from elsewhere calls a photo is looked at like any other.
    let mut forged: serde_json::Value = serde_json::from_slice(&document).unwrap();
    forged["photos"][0]["base64"] = "PHN2Zz4=".into();
    let refused = taken_in(forged.to_string().as_bytes(), &other, Some("y"));
    assert!(matches!(refused, Err(BookError::Refused(_))), "{refused:?}");
    assert!(
        other.reader().unwrap().warmup("y").is_err(),
        "nothing of it is taken in"
    );
}

#[test]
fn what_a_crash_left_half_written_is_cleared_and_nothing_else_is() {
    let dir = tempfile::tempdir().unwrap();
    let book = filled(dir.path());
    let name = attached(&book, "w", &file("big.jpg"));
    drop(book);
    for part in ["photos/.part-abc", "photos/small/.part-def"] {
        fs::write(dir.path().join(part), b"half").unwrap();
    }
    let stray = format!("{}.jpg", "a".repeat(64));
    fs::write(dir.path().join("photos").join(&stray), b"x").unwrap();
    let (book, _) = Book::open(dir.path()).unwrap();
    let mut both = vec![name.clone(), stray];
    both.sort();
    assert_eq!(lying(dir.path()), both);
    // The small ones are only there to save work.
    fs::remove_dir_all(dir.path().join("photos/small")).unwrap();
    let (kind, small) = book.photos().read_small(&name).unwrap();
    assert_eq!((kind, pixels(&small).height()), (Kind::Jpeg, SMALL_SIDE));
    assert_eq!(book.photos().read_small(&name).unwrap().1, small);
    for name in ["../spinover.db", "small", ".part-abc", ""] {
        assert!(Photos::of(dir.path()).read(name).is_err(), "{name}");
    }
}

#[test]
fn the_command_line_takes_them_in() {
    let dir = tempfile::tempdir().unwrap();
    drop(filled(dir.path()));
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/photos");
    let edit = |photos: &[&Path]| {
        let mut command = Command::new(env!("CARGO_BIN_EXE_spinover"));
        command
            .args(["book", "edit", "w", "--note", "Plug 6", "--data"])
            .arg(dir.path());
        for photo in photos {
            command.arg("--photo").arg(photo);
        }
        let done = command.output().unwrap();
        (
            done.status.code(),
            String::from_utf8_lossy(&done.stderr).into_owned(),
        )
    };
    let (png, text) = (folder.join("screen.png"), folder.join("SOURCES.md"));
    let (code, words) = edit(&[&png, &text]);
    assert_eq!(code, Some(2), "{words}");
    assert!(words.contains("SOURCES.md: this is no picture"), "{words}");
    let entry = || Reader::open(dir.path()).unwrap().warmup("w").unwrap();
    assert_eq!(
        (entry().photos.len(), entry().note.as_str()),
        (0, ""),
        "all or nothing"
    );
    let (code, words) = edit(&[&png, &folder.join("web.webp")]);
    assert_eq!(code, Some(0), "{words}");
    assert_eq!((entry().photos.len(), entry().note.as_str()), (2, "Plug 6"));
}
