//! `spinover book` as people use it: the real binary, on invented and on real recordings.

mod book_kit;

use book_kit::*;
use spinover::book::{Book, Edit, Reader};
use std::{
    path::{Path, PathBuf},
    process::{Command, Output},
};

fn run(args: &[&str], data: &Path) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_spinover"));
    command
        .arg("book")
        .args(args)
        .arg("--data")
        .arg(data)
        .output()
        .unwrap()
}

fn good(args: &[&str], data: &Path) -> String {
    let output = run(args, data);
    let errors = String::from_utf8(output.stderr).unwrap();
    assert_eq!(output.status.code(), Some(0), "{args:?}: {errors}");
    String::from_utf8(output.stdout).unwrap()
}

fn bad(args: &[&str], data: &Path, code: i32) -> String {
    let output = run(args, data);
    let errors = String::from_utf8(output.stderr).unwrap();
    assert_eq!(output.status.code(), Some(code), "{args:?}: {errors}");
    assert!(!errors.contains("panicked"), "{errors}");
    errors
}

fn filled(dir: &Path) -> Book {
    let (book, _) = Book::open(dir).unwrap();
    let ada = vec![
        joined(1, "Bea"),
        begun(2, "2026-05-16T14-03-22-000Z", 2),
        marked(3, "a"),
        called(4),
    ];
    answer(book.append(ada)).unwrap();
    let seen = spinover_protocol::event::EventBody::Seen { call: 4 };
    let mut seen = event(5, seen);
    seen.by = Some(who("Bea"));
    answer(book.append(vec![seen, closed(6)])).unwrap();
    book.readings(
        "2026-05-16T14-03-22-000Z",
        vec![(0, 3_000_000, 15.0), (1, 3_000_000, 1.5)],
    );
    let edit = Edit {
        place: Some("Bristol".to_owned()),
        tags: Some(vec!["cold day".to_owned()]),
        ..Edit::default()
    };
    answer(book.edit("2026-05-16T14-03-22-000Z", edit)).unwrap();
    book
}

#[test]
fn it_lists_shows_and_searches_beside_a_running_hub() {
    let dir = tempfile::tempdir().unwrap();
    let book = filled(dir.path());
    assert!(good(&["list"], dir.path()).starts_with("2026-05-16T14-03-22-000Z  "));
    assert!(good(&["list", "bristol", "COLD"], dir.path()).contains("Kestrel"));
    assert_eq!(
        good(&["list", "bristol", "hot"], dir.path()),
        "no warm-up\n"
    );
    let shown = good(&["show", "last"], dir.path());
    for part in [
        "Step a is done (Ada)",
        "--  Step b is done",
        "call 4 (Ada), seen: Bea 1.0 s",
        "2 readings of 2 channels",
    ] {
        assert!(shown.contains(part), "{part} in {shown}");
    }
    let json: serde_json::Value =
        serde_json::from_str(&good(&["show", "2026", "--json"], dir.path())).unwrap();
    assert_eq!(
        json["record"]["warmup"]["steps"]["a"]["readings"]["ch0"],
        1.5
    );
    assert_eq!(
        good(&["export", "last"], dir.path()),
        "t_s,ch0,ch1\n1,15,1.5\n"
    );
    assert!(
        bad(&["edit", "last", "--note", "x"], dir.path(), 1).contains("in use by another spinover")
    );
    drop(book);
    good(
        &[
            "edit", "last", "--note", "x", "--tag", "one", "--tag", "two",
        ],
        dir.path(),
    );
    let json: serde_json::Value =
        serde_json::from_str(&good(&["list", "--json"], dir.path())).unwrap();
    assert_eq!(
        (&json["note"], &json["tags"], &json["place"]),
        (
            &"x".into(),
            &serde_json::json!(["one", "two"]),
            &"Bristol".into()
        )
    );
    good(&["delete", "last"], dir.path());
    assert_eq!(good(&["list"], dir.path()), "no warm-up\n");
    assert!(good(&["list", "--deleted"], dir.path()).starts_with("2026-05-16"));
    good(&["restore", "2026-05-16T14-03-22-000Z"], dir.path());
    assert!(good(&["list"], dir.path()).starts_with("2026-05-16"));
}

#[cfg(not(feature = "parquet"))]
#[test]
fn without_parquet_it_says_what_to_do() {
    let dir = tempfile::tempdir().unwrap();
    drop(filled(dir.path()));
    let out = dir.path().join("out.parquet");
    let path = out.to_str().unwrap();
    let export = ["export", "last", "--format", "parquet", "--out", path];
    assert!(bad(&export, dir.path(), 2).contains("--features parquet"));
    assert!(!out.exists(), "no file is begun");
    std::fs::write(&out, b"PAR1").unwrap();
    assert!(bad(&["import", path], dir.path(), 2).contains("--features parquet"));
}

#[cfg(feature = "parquet")]
#[test]
fn parquet_goes_out_and_comes_in() {
    let dirs = [tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap()];
    drop(filled(dirs[0].path()));
    let out = dirs[0].path().join("out.parquet");
    let path = out.to_str().unwrap();
    let export = ["export", "last", "--format", "parquet", "--out", path];
    good(&export, dirs[0].path());
    good(&["import", path], dirs[1].path());
    let csv = |dir: &std::path::Path| good(&["export", "last"], dir);
    assert_eq!(csv(dirs[0].path()), csv(dirs[1].path()));
    assert!(bad(&["import", path], dirs[1].path(), 2).contains("already"));
}

#[test]
fn wrong_input_is_told_apart_from_failure() {
    let dir = tempfile::tempdir().unwrap();
    assert!(bad(&["list"], dir.path(), 2).contains("there is no book"));
    assert!(bad(&["edit", "last"], dir.path(), 2).contains("there is no book"));
    assert!(
        !dir.path().join("spinover.db").exists(),
        "looking makes no book"
    );
    drop(filled(dir.path()));
    assert!(bad(&["show", "1999"], dir.path(), 2).contains("no warm-up 1999"));
    bad(&["shew", "last"], dir.path(), 2);
    let out = dir.path().join("out.csv");
    let out = out.to_str().unwrap();
    good(&["export", "last", "--out", out], dir.path());
    assert!(bad(&["export", "last", "--out", out], dir.path(), 2).contains("is there already"));
    assert!(bad(&["import", out], dir.path(), 2).contains("--car"));
    std::fs::write(
        dir.path().join("spinover.db"),
        "this was a book once, and something has written over it",
    )
    .unwrap();
    assert!(bad(&["list"], dir.path(), 1).contains("damaged"));
    assert!(bad(&["check"], dir.path(), 1).contains("damaged"));
}

#[test]
fn check_says_what_is_wrong_and_export_saves_the_rest() {
    let dir = tempfile::tempdir().unwrap();
    drop(filled(dir.path()));
    assert!(
        good(&["check"], dir.path()).starts_with("1 warm-ups, 6 events, 2 readings in 1 blocks")
    );
    let conn = rusqlite::Connection::open(dir.path().join("spinover.db")).unwrap();
    conn.execute("UPDATE columns SET sum = sum + 1 WHERE channel = 1", [])
        .unwrap();
    drop(conn);
    assert!(bad(&["check"], dir.path(), 1).contains("nothing was changed"));
    let output = run(&["export", "last"], dir.path());
    assert_eq!(output.status.code(), Some(1));
    assert_eq!(
        String::from_utf8(output.stdout).unwrap(),
        "t_s,ch0,ch1\n1,15,\n"
    );
    assert!(
        String::from_utf8(output.stderr)
            .unwrap()
            .contains("channel 1")
    );
}

fn recordings() -> Option<PathBuf> {
    let root = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("..");
    let folder = std::env::var_os("SPINOVER_DATA")
        .map_or_else(|| root.join("../shared/data"), PathBuf::from);
    if !folder.is_dir() {
        println!("skipped: the book on real recordings: none at SPINOVER_DATA or ../shared/data");
        return None;
    }
    Some(folder)
}

/// A column of a recording, read without any of the hub's code but the CSV library.
fn column(file: &Path, header_starts: &str, name: &str) -> Vec<f64> {
    let text = String::from_utf8_lossy(&std::fs::read(file).unwrap()).into_owned();
    let from = text
        .lines()
        .position(|line| line.starts_with(header_starts))
        .unwrap();
    let body: String = text
        .lines()
        .skip(from)
        .map(|line| format!("{line}\n"))
        .collect();
    let mut reader = csv::ReaderBuilder::new()
        .flexible(true)
        .from_reader(body.as_bytes());
    let place = reader
        .headers()
        .unwrap()
        .iter()
        .position(|header| header.trim() == name)
        .unwrap();
    reader
        .records()
        .filter_map(|record| record.unwrap().get(place)?.trim().parse().ok())
        .collect()
}

#[test]
fn real_recordings_come_in_whole_and_take_little_room() {
    let Some(folder) = recordings() else { return };
    let cars = PathBuf::from(env!("CARGO_MANIFEST_DIR"));
    let kinds = [
        ("cgr30p-groundrun", "demo/ground-run.toml"),
        ("road-car-warmups", "tests/data/cars/road-car-warmups.toml"),
        ("ae300", "tests/data/cars/ae300.toml"),
        ("kit-obd", "tests/data/cars/kit-obd.toml"),
        ("heater-steps", "tests/data/cars/heater-steps.toml"),
    ];
    for (kind, car) in kinds {
        let dir = tempfile::tempdir().unwrap();
        let car = cars.join(car);
        let mut files: Vec<PathBuf> = std::fs::read_dir(folder.join(kind))
            .unwrap()
            .map(|entry| entry.unwrap().path())
            .collect();
        files.retain(|file| file.extension().is_some_and(|end| end == "csv"));
        files.sort();
        assert!(!files.is_empty(), "{kind}");
        for (n, file) in files.iter().enumerate() {
            let id = file.file_stem().unwrap().to_str().unwrap();
            let begun = format!("2026-05-{:02}T08:00:00Z", n + 1);
            let (file, car) = (file.to_str().unwrap(), car.to_str().unwrap());
            good(
                &["import", file, "--car", car, "--begun", &begun, "--id", id],
                dir.path(),
            );
        }
        let reader = Reader::open(dir.path()).unwrap();
        let (mut readings, mut bytes) = (0, 0);
        for entry in reader.warmups().unwrap() {
            let extent = reader.extent(&entry.id).unwrap();
            readings += extent.readings;
            bytes += extent.bytes;
        }
        let file = std::fs::metadata(dir.path().join("spinover.db"))
            .unwrap()
            .len();
        println!(
            "{kind}: {readings} readings, {:.3} bytes each packed, {:.3} of the whole file",
            bytes as f64 / readings as f64,
            file as f64 / readings as f64
        );
        // 16 bytes is what a time and a value take plain.
        assert!(
            bytes < 8 * readings,
            "{kind}: {bytes} bytes for {readings} readings"
        );
        assert_eq!(good(&["check"], dir.path()).lines().count(), 1);
        for (id, header, name, key) in [
            (
                "example-cgr30p-flight-data",
                "TIME",
                "RPM;***",
                "engine_rpm",
            ),
            (
                "example-cgr30p-flight-data",
                "TIME",
                "FLOW;LPH",
                "fuel_flow",
            ),
            (
                "idle1",
                "ENGINE_RUN_TINE",
                "COOLANT_TEMPERATURE ()",
                "coolant_temp",
            ),
            ("TCLab_data", "time", "T", "head_temp"),
        ] {
            let Some(file) = files.iter().find(|file| file.file_stem().unwrap() == id) else {
                continue;
            };
            let mut exported =
                csv::Reader::from_reader(std::io::Cursor::new(good(&["export", id], dir.path())));
            let place = exported
                .headers()
                .unwrap()
                .iter()
                .position(|header| header == key)
                .unwrap();
            let ours: Vec<f64> = exported
                .records()
                .filter_map(|record| record.unwrap()[place].parse().ok())
                .collect();
            assert_eq!(ours, column(file, header, name), "{id} {key}");
        }
    }
}

/// Every kind of real recording gets a proposal that is a car file, by which the recording comes in with as many rows as it has
/// lines of readings; what is known of the columns is in the recordings' own descriptions.
#[test]
fn columns_of_real_recordings_are_proposed_and_take_them_in() {
    let Some(folder) = recordings() else { return };
    let kinds = [
        ("cgr30p-groundrun", "RPM;***", "engine_rpm", "rpm"),
        (
            "road-car-warmups",
            "COOLANT_TEMPERATURE ()",
            "coolant_temp",
            "degC",
        ),
        ("ae300", "Engine Oil Pressure [hPa]", "oil_pressure", "hPa"),
        ("kit-obd", "Engine RPM [RPM]", "engine_rpm", "rpm"),
    ];
    for (kind, header, key, unit) in kinds {
        let dir = tempfile::tempdir().unwrap();
        let mut files: Vec<PathBuf> = std::fs::read_dir(folder.join(kind))
            .unwrap()
            .map(|entry| entry.unwrap().path())
            .collect();
        files.retain(|file| file.extension().is_some_and(|end| end == "csv"));
        files.sort();
        let (file, car) = (files[0].to_str().unwrap(), dir.path().join("car.toml"));
        let text = car.to_str().unwrap();
        let mut command = Command::new(env!("CARGO_BIN_EXE_spinover"));
        let asked = command
            .args(["book", "columns", file, "--yes", "--out", text])
            .output()
            .unwrap();
        assert!(
            asked.status.success(),
            "{kind}: {}",
            String::from_utf8_lossy(&asked.stderr)
        );
        let proposed = std::fs::read_to_string(&car).unwrap();
        let channel = proposed
            .split("[[channel]]")
            .find(|part| part.contains(&format!("column = {header:?}")));
        let channel = channel.unwrap_or_else(|| panic!("{kind}: no {header} in {proposed}"));
        assert!(
            channel.contains(&format!("key = \"{key}\""))
                && channel.contains(&format!("unit = \"{unit}\"")),
            "{kind}: {channel}"
        );
        good(
            &[
                "import",
                file,
                "--car",
                text,
                "--begun",
                "2026-05-16T08:00:00Z",
                "--id",
                "one",
            ],
            dir.path(),
        );
        assert!(
            Reader::open(dir.path())
                .unwrap()
                .extent("one")
                .unwrap()
                .readings
                > 1_000,
            "{kind}"
        );
    }
}
