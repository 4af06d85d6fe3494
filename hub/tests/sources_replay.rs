//! Real recordings through the replay source, compared with what the test itself reads from the files.

use spinover::core::feed::{Batch, Fault, FaultKind, Report};
use spinover::sources::map::{ColumnMap, ReplayMap, TimeColumn, TimeForm};
use spinover::sources::{Feed, Setup, open};
use spinover_protocol::car::{Band, Car, Channel};
use spinover_protocol::message::SourceState;
use spinover_protocol::units::Unit;
use std::path::{Path, PathBuf};
use tokio::sync::mpsc;

/// A channel of a recording: key, its unit, the column and the column's unit.
type Mapped = (&'static str, Unit, &'static str, Unit);

fn setup(time: &str, form: TimeForm, channels: &[Mapped]) -> Setup {
    let column = |(channel, (_, _, column, unit)): (usize, &Mapped)| ColumnMap {
        channel,
        column: (*column).to_owned(),
        nth: 1,
        unit: *unit,
        strip: column
            .starts_with("SEL TANK")
            .then(|| "TOTAL   :".to_owned()),
    };
    let channel = |(key, unit, ..): &Mapped| Channel {
        key: (*key).into(),
        label: (*key).to_owned(),
        unit: *unit,
        decimals: 1,
        plausible: Band {
            low: -500.0,
            high: 20_000.0,
        },
        max_rate: None,
        old_after_ms: 2_000,
        band: None,
    };
    Setup {
        car: Car {
            team: "Larkspur Racing".to_owned(),
            name: "Kestrel".to_owned(),
            channels: channels.iter().map(channel).collect(),
            roles: vec![],
            calls: vec![],
            tank_l: None,
            reserve_l: None,
            fuel: None,
        },
        names: Default::default(),
        replay: Some(ReplayMap {
            time: TimeColumn {
                column: time.to_owned(),
                form,
            },
            columns: channels.iter().enumerate().map(column).collect(),
            ..ReplayMap::default()
        }),
        seed: 1,
    }
}

#[derive(Debug, Default)]
struct Seen {
    batches: Vec<Batch>,
    faults: Vec<Fault>,
    states: Vec<SourceState>,
}

impl Seen {
    fn count(&self, kind: FaultKind) -> u64 {
        self.faults
            .iter()
            .filter(|fault| fault.kind == kind)
            .map(|fault| fault.count)
            .sum()
    }

    fn last(&self, channel: usize) -> Option<f64> {
        self.batches
            .iter()
            .rev()
            .find_map(|batch| batch.values.iter().find(|(place, _)| *place == channel))
            .map(|(_, value)| *value)
    }
}

/// Runs a source to its end.
async fn run(spec: &str, setup: &Setup) -> Seen {
    let source = open(spec, setup).unwrap_or_else(|error| panic!("{error:#}"));
    let (to, mut from) = mpsc::channel(64);
    let running = tokio::spawn(source.run(Feed::new(3, to)));
    let mut seen = Seen::default();
    while let Some((place, report)) = from.recv().await {
        assert_eq!(place, 3);
        match report {
            Report::Batch(batch) => seen.batches.push(batch),
            Report::Fault(fault) => seen.faults.push(fault),
            Report::State(state) => seen.states.push(state),
        }
    }
    running
        .await
        .expect("the source panicked")
        .expect("the source failed");
    seen
}

/// The recordings' folder; says so on one line where there is none.
fn recordings(folder: &str) -> Option<PathBuf> {
    let root = std::env::var_os("SPINOVER_DATA").map_or_else(
        || Path::new(env!("CARGO_MANIFEST_DIR")).join("../../shared/data"),
        PathBuf::from,
    );
    let path = root.join(folder);
    if path.is_dir() {
        return Some(path);
    }
    eprintln!("skipped: no recordings at {folder} beside the project or in SPINOVER_DATA");
    None
}

fn csv_files(folder: &Path) -> Vec<PathBuf> {
    let mut files: Vec<PathBuf> = std::fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.extension().is_some_and(|end| end == "csv"))
        .collect();
    files.sort();
    assert!(!files.is_empty());
    files
}

/// The rows of a recording as the test reads them: plain splitting, which these files allow.
fn rows(file: &Path, header: &str) -> (Vec<String>, Vec<Vec<String>>) {
    let text = String::from_utf8(std::fs::read(file).unwrap()).unwrap();
    let mut lines = text.lines().skip_while(|line| !line.starts_with(header));
    let cells = |line: &str| {
        line.split(',')
            .map(|cell| cell.trim().to_owned())
            .collect::<Vec<_>>()
    };
    let names = cells(lines.next().unwrap());
    (
        names,
        lines
            .filter(|line| !line.trim().is_empty())
            .map(cells)
            .collect(),
    )
}

fn last_in(rows: &[Vec<String>], place: usize) -> f64 {
    rows.iter()
        .rev()
        .find_map(|row| row.get(place)?.parse().ok())
        .unwrap()
}

fn seconds(clock: &str) -> f64 {
    clock
        .split(':')
        .map(|part| part.parse::<f64>().unwrap())
        .fold(0.0, |sum, part| sum * 60.0 + part)
}

fn spec(file: &Path) -> String {
    format!("replay:{}?speed=max", file.display())
}

const GROUND_RUN: [Mapped; 6] = [
    ("engine_rpm", Unit::Rpm, "RPM;***", Unit::Rpm),
    (
        "fuel_flow",
        Unit::LitrePerMin,
        "FLOW;LPH",
        Unit::LitrePerHour,
    ),
    ("fuel_pressure", Unit::Psi, "FUEL P;PSI", Unit::Psi),
    ("oil_pressure", Unit::KiloPascal, "OIL P;PSI", Unit::Psi),
    ("oil_temp", Unit::DegC, "OIL T;*F", Unit::DegF),
    ("fuel_left", Unit::Litre, "SEL TANK QTY", Unit::Litre),
];

#[tokio::test]
async fn the_ground_run_comes_through_whole() {
    let Some(folder) = recordings("cgr30p-groundrun") else {
        return;
    };
    let file = csv_files(&folder).remove(0);
    let setup = setup("TIME", TimeForm::Clock, &GROUND_RUN);
    let seen = run(&spec(&file), &setup).await;
    let (names, rows) = rows(&file, "TIME,");
    assert_eq!(rows.len(), 501);
    assert_eq!(seen.batches.len(), rows.len());
    assert_eq!(seen.faults, []);
    assert_eq!(seen.states, [SourceState::Up, SourceState::Ended]);
    let place = |column: &str| names.iter().position(|name| name == column).unwrap();
    // Every value of every row, in order, against the file.
    for (batch, row) in seen.batches.iter().zip(&rows) {
        assert_eq!(batch.t_s, Some(seconds(&row[0])));
        assert_eq!(batch.values.len(), GROUND_RUN.len());
        for (channel, value) in &batch.values {
            let (_, unit, column, from) = GROUND_RUN[*channel];
            let said: f64 = row[place(column)]
                .trim_start_matches("TOTAL   :")
                .trim()
                .parse()
                .unwrap();
            assert_eq!(*value, from.convert(said, unit).unwrap(), "{column}");
        }
    }
    // The tank counter's fall against the flow over time (litres; whole-second times, so spread over their second).
    let fall = seen.batches[0].values[5].1 - seen.last(5).unwrap();
    let mean: f64 = seen
        .batches
        .iter()
        .map(|batch| batch.values[1].1)
        .sum::<f64>()
        / seen.batches.len() as f64;
    let used = mean / 60.0 * (seen.batches[500].t_s.unwrap() - seen.batches[0].t_s.unwrap());
    assert!((used / fall - 1.0).abs() < 0.05, "{used} {fall}");
}

#[tokio::test]
async fn road_cars_come_through_with_their_oddities() {
    let Some(folder) = recordings("road-car-warmups") else {
        return;
    };
    let channels: [Mapped; 3] = [
        ("engine_rpm", Unit::Rpm, "ENGINE_RPM ()", Unit::Rpm),
        (
            "coolant_temp",
            Unit::DegC,
            "COOLANT_TEMPERATURE ()",
            Unit::DegC,
        ),
        (
            "manifold",
            Unit::Psi,
            "INTAKE_MANIFOLD_PRESSURE ()",
            Unit::KiloPascal,
        ),
    ];
    let setup = setup("ENGINE_RUN_TINE ()", TimeForm::Seconds, &channels);
    for file in csv_files(&folder) {
        let seen = run(&spec(&file), &setup).await;
        let (names, rows) = rows(&file, "ENGINE_RUN_TINE");
        assert_eq!(seen.batches.len(), rows.len(), "{}", file.display());
        assert_eq!(seen.faults, [], "{}", file.display());
        for (channel, (_, unit, column, from)) in channels.iter().enumerate() {
            let said = last_in(&rows, names.iter().position(|name| name == column).unwrap());
            assert_eq!(
                seen.last(channel),
                from.convert(said, *unit),
                "{} {column}",
                file.display()
            );
        }
    }
}

#[tokio::test]
async fn a_driven_road_car_comes_through_with_its_blanks() {
    let Some(folder) = recordings("kit-obd") else {
        return;
    };
    let channels: [Mapped; 3] = [
        (
            "coolant_temp",
            Unit::DegF,
            "Engine Coolant Temperature [\u{c2}\u{b0}C]",
            Unit::DegC,
        ),
        ("engine_rpm", Unit::Rpm, "Engine RPM [RPM]", Unit::Rpm),
        (
            "throttle",
            Unit::One,
            "Absolute Throttle Position [%]",
            Unit::Percent,
        ),
    ];
    let setup = setup("Time", TimeForm::Clock, &channels);
    let mut back = 0;
    for file in csv_files(&folder) {
        let seen = run(&spec(&file), &setup).await;
        let (names, rows) = rows(&file, "Time,");
        let mut latest = f64::NEG_INFINITY;
        let mut refused = 0;
        for row in &rows {
            let time = seconds(&row[0]);
            refused += u64::from(time < latest);
            latest = latest.max(time);
        }
        back += refused;
        assert_eq!(
            seen.count(FaultKind::TimeBack),
            refused,
            "{}",
            file.display()
        );
        assert!(
            seen.faults
                .iter()
                .all(|fault| fault.kind == FaultKind::TimeBack),
            "{:?}",
            seen.faults
        );
        // Each row has a temperature, so each row that was not refused gives a batch.
        assert_eq!(
            seen.batches.len() as u64 + refused,
            rows.len() as u64,
            "{}",
            file.display()
        );
        // A blank cell is no value: the first rows have some channels only.
        assert_eq!(seen.batches[0].values.len(), 1);
        // By the words before the unit: the degree sign is encoded twice in some of the files, once in the others.
        for (channel, (_, unit, column, from)) in channels.iter().enumerate() {
            let said = last_in(
                &rows,
                names
                    .iter()
                    .position(|name| name.split(" [").next() == column.split(" [").next())
                    .unwrap(),
            );
            assert_eq!(
                seen.last(channel),
                from.convert(said, *unit),
                "{} {column}",
                file.display()
            );
        }
    }
    assert_eq!(
        back, 3,
        "three rows of one file lie before the row above them"
    );
}

#[tokio::test]
async fn an_aircraft_diesel_and_a_heater_come_through() {
    if let Some(folder) = recordings("ae300") {
        let channels: [Mapped; 2] = [
            (
                "oil_pressure",
                Unit::Psi,
                "Engine Oil Pressure [hPa]",
                Unit::HectoPascal,
            ),
            (
                "oil_temp",
                Unit::DegC,
                "Engine Oil Temperature [deg C]",
                Unit::DegC,
            ),
        ];
        let setup = setup("Timestamp", TimeForm::Rfc3339, &channels);
        for file in csv_files(&folder) {
            let seen = run(&spec(&file), &setup).await;
            let (_, rows) = rows(&file, "Timestamp,");
            assert_eq!(
                (seen.batches.len(), seen.faults.len()),
                (rows.len(), 0),
                "{}",
                file.display()
            );
            assert_eq!(
                seen.batches[1].t_s.unwrap() - seen.batches[0].t_s.unwrap(),
                1.0
            );
            assert_eq!(
                seen.last(0),
                Unit::HectoPascal.convert(last_in(&rows, 4), Unit::Psi)
            );
        }
    }
    if let Some(folder) = recordings("heater-steps") {
        let setup = setup(
            "time",
            TimeForm::Seconds,
            &[("head_temp", Unit::DegF, "T", Unit::DegC)],
        );
        for file in csv_files(&folder) {
            let seen = run(&spec(&file), &setup).await;
            let (_, rows) = rows(&file, "time,");
            assert_eq!((seen.batches.len(), seen.faults.len()), (rows.len(), 0));
            assert_eq!(
                seen.last(0),
                Unit::DegC.convert(last_in(&rows, 2), Unit::DegF)
            );
        }
    }
}

fn small(text: &str) -> (tempfile::TempDir, PathBuf, Setup) {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("small.csv");
    std::fs::write(&file, text).unwrap();
    let setup = setup(
        "t",
        TimeForm::Seconds,
        &[("engine_rpm", Unit::Rpm, "rpm", Unit::Rpm)],
    );
    (folder, file, setup)
}

#[tokio::test(start_paused = true)]
async fn rows_come_at_their_time_at_any_speed() {
    let (_folder, file, setup) = small("t,rpm\n100,1\n100,2\n101,3\n105,4\n");
    for (option, took_ms) in [
        ("", 5_000),
        ("?speed=1", 5_000),
        ("?speed=2.5", 2_000),
        ("?speed=0.5", 10_000),
        ("?speed=max", 0),
    ] {
        let began = tokio::time::Instant::now();
        let seen = run(&format!("replay:{}{option}", file.display()), &setup).await;
        let took = began.elapsed().as_millis();
        // The test's clock moves only when all wait, and timers have a grain of a millisecond.
        assert!((took_ms..took_ms + 10).contains(&took), "{option}: {took}");
        let times: Vec<_> = seen
            .batches
            .iter()
            .map(|batch| (batch.t_s.unwrap(), batch.values[0].1))
            .collect();
        assert_eq!(
            times,
            [(100.0, 1.0), (100.0, 2.0), (101.0, 3.0), (105.0, 4.0)]
        );
    }
}

#[tokio::test]
async fn oddities_are_counted_and_nothing_else_is_lost() {
    let long = "9".repeat(10_000_000);
    let text = format!(
        "recorder 7\nnothing, here\nt,rpm,\n1,10,\n1,11,x,y,z\n0.5,99,\n\n,,,\n2,,\n2,NaN,\nsoon,12,\n3,{long},\n{long}\n3,1e300,\n4,13"
    );
    let (_folder, file, setup) = small(&text);
    let seen = run(&spec(&file), &setup).await;
    let values: Vec<_> = seen
        .batches
        .iter()
        .map(|batch| (batch.t_s.unwrap(), batch.values[0].1))
        .collect();
    assert_eq!(values, [(1.0, 10.0), (1.0, 11.0), (2.0, 12.0), (4.0, 13.0)]);
    let counts = [
        FaultKind::TimeBack,
        FaultKind::NotANumber,
        FaultKind::Malformed,
        FaultKind::TooLong,
        FaultKind::Absurd,
    ]
    .map(|kind| seen.count(kind));
    assert_eq!(counts, [1, 1, 1, 2, 1]);
    assert!(
        seen.faults
            .iter()
            .all(|fault| fault.text.chars().count() <= 200)
    );
}

#[tokio::test]
async fn a_looping_recording_goes_on_in_time() {
    let (_folder, file, setup) = small("t,rpm\n5,1\n6,2\n");
    let source = open(
        &format!("replay:{}?speed=max&loop=1", file.display()),
        &setup,
    )
    .unwrap();
    let (to, mut from) = mpsc::channel(4);
    let running = tokio::spawn(source.run(Feed::new(0, to)));
    let mut times = Vec::new();
    while times.len() < 6 {
        match from.recv().await.expect("it never ends").1 {
            Report::Batch(batch) => times.push(batch.t_s.unwrap()),
            Report::State(state) => assert_eq!(state, SourceState::Up),
            Report::Fault(fault) => panic!("{fault:?}"),
        }
    }
    assert_eq!(times, [5.0, 6.0, 7.0, 8.0, 9.0, 10.0]);
    // It stops when the hub goes.
    drop(from);
    assert!(running.await.unwrap().is_err());
}

#[test]
fn what_cannot_be_replayed_is_refused_at_once() {
    let (folder, file, good) = small("time,rpm\n1,2\n");
    let refused = |spec: &str, setup: &Setup| format!("{:#}", open(spec, setup).err().unwrap());
    let said = refused(&spec(&file), &good);
    assert!(
        said.contains("small.csv") && said.contains("time column \"t\""),
        "{said}"
    );
    assert!(
        !said.contains(&folder.path().display().to_string()),
        "no paths: {said}"
    );
    let said = refused(&spec(&folder.path().join("none.csv")), &good);
    assert!(
        said.contains("cannot open the recording none.csv"),
        "{said}"
    );
    let said = refused(
        &spec(&file),
        &Setup {
            replay: None,
            ..good.clone()
        },
    );
    assert!(said.contains("[replay]"), "{said}");
    let mut skip = good;
    skip.replay.as_mut().unwrap().skip_lines = Some(7);
    let said = refused(&spec(&file), &skip);
    assert!(said.contains("ends before line 8"), "{said}");
}
