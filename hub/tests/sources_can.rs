//! CAN frames against cantools, signal by signal, and captures played back.

mod sources_support;

use serde_json::Value;
use sources_support::{Watched, ask, data, reference, run, setup};
use spinover::core::feed::FaultKind;
use spinover::sources::dbc::Dbc;
use spinover::sources::map::SignalMap;
use spinover::sources::{Setup, open};
use spinover_protocol::units::Unit;
use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write;
use std::path::{Path, PathBuf};

fn bytes(hex: &str) -> Vec<u8> {
    (0..hex.len())
        .step_by(2)
        .map(|at| u8::from_str_radix(&hex[at..at + 2], 16).unwrap())
        .collect()
}

/// What came of holding our reading against cantools'.
#[derive(Debug, Default)]
struct Tried {
    frames: usize,
    signals: usize,
    files: BTreeSet<String>,
    /// Files that ours cannot read and cantools can, with why.
    unread: BTreeMap<String, String>,
}

/// Compares every signal of every frame; panics at the first that differs.
fn compare(folder: &Path, answers: &str) -> Tried {
    let mut files: BTreeMap<String, Option<Dbc>> = BTreeMap::new();
    let mut tried = Tried::default();
    for line in answers.lines() {
        let answer: Value = serde_json::from_str(line).unwrap();
        let file = answer["file"].as_str().unwrap();
        if answer.get("refused").is_some() {
            continue;
        }
        let dbc = files.entry(file.to_owned()).or_insert_with(|| {
            match Dbc::parse_bytes(&std::fs::read(folder.join(file)).unwrap()) {
                Ok(dbc) => Some(dbc),
                Err(error) => {
                    tried.unread.insert(file.to_owned(), format!("{error:#}"));
                    None
                }
            }
        });
        let Some(dbc) = dbc else { continue };
        let id = answer["id"].as_u64().unwrap() as u32;
        let message = dbc
            .message(id, answer["extended"].as_bool().unwrap())
            .unwrap_or_else(|| panic!("{file}: no message {id}"));
        let frame = bytes(answer["data"].as_str().unwrap());
        let expected = answer["values"].as_object().unwrap();
        for (place, signal) in message.signals.iter().enumerate() {
            let ours = message.value(place, &frame);
            let theirs = expected.get(&signal.name).and_then(Value::as_f64);
            let same = match (ours, theirs) {
                // Theirs multiplies integers exactly where ours goes by 64-bit floats.
                (Some(ours), Some(theirs)) => {
                    (ours - theirs).abs() <= 1e-12 * theirs.abs().max(1.0)
                }
                (None, None) => true,
                _ => false,
            };
            assert!(
                same,
                "{file} {} {}: ours {ours:?}, theirs {theirs:?} in {}",
                message.name, signal.name, answer["data"]
            );
            tried.signals += usize::from(theirs.is_some());
        }
        assert!(
            expected
                .keys()
                .all(|name| message.signals.iter().any(|signal| signal.name == *name)),
            "{file} {}: ours lacks a signal",
            message.name
        );
        tried.frames += 1;
        tried.files.insert(file.to_owned());
    }
    tried
}

#[test]
fn kept_answers_of_cantools_are_met() {
    let answers = std::fs::read_to_string(data("can/kestrel-cantools.jsonl")).unwrap();
    let tried = compare(&data("can"), &answers);
    assert_eq!(tried.unread, BTreeMap::new());
    assert!(tried.frames >= 28 && tried.signals >= 70, "{tried:?}");
}

#[test]
fn cantools_and_ours_read_the_same_in_its_own_files() {
    let Some(reference) = reference() else { return };
    let folder = reference.join("cantools-45.1.0/tests/files/dbc");
    let answers = ask(
        &reference,
        "can_frames.py",
        &[folder.to_str().unwrap(), "40", "1"],
    );
    let tried = compare(&folder, &answers);
    eprintln!(
        "cantools: {} files, {} frames, {} signals the same; not read here: {:?}",
        tried.files.len(),
        tried.frames,
        tried.signals,
        tried.unread
    );
    assert!(
        tried.files.len() >= 70 && tried.signals > 10_000,
        "{tried:?}"
    );
    assert!(tried.unread.is_empty(), "{:?}", tried.unread);
}

#[test]
fn kept_answers_are_still_those_of_cantools() {
    let Some(reference) = reference() else { return };
    let now = ask(
        &reference,
        "can_frames.py",
        &[data("can/kestrel.dbc").to_str().unwrap(), "8", "1"],
    );
    assert_eq!(
        now,
        std::fs::read_to_string(data("can/kestrel-cantools.jsonl")).unwrap()
    );
}

/// The frames that cantools read, as a capture, one each 10 ms.
fn capture(folder: &Path) -> (PathBuf, Vec<Value>) {
    let answers: Vec<Value> = std::fs::read_to_string(data("can/kestrel-cantools.jsonl"))
        .unwrap()
        .lines()
        .map(|line| serde_json::from_str(line).unwrap())
        .collect();
    let mut log = String::new();
    for (number, answer) in answers.iter().enumerate() {
        let id = answer["id"].as_u64().unwrap();
        let id = if answer["extended"].as_bool().unwrap() {
            format!("{id:08X}")
        } else {
            format!("{id:03X}")
        };
        writeln!(
            log,
            "(1735270496.{:06}) can0 {id}#{}",
            number * 10_000,
            answer["data"].as_str().unwrap().to_uppercase()
        )
        .unwrap();
    }
    let file = folder.join("capture.log");
    std::fs::write(&file, log).unwrap();
    (file, answers)
}

fn kestrel() -> Setup {
    let channels = [
        ("engine_rpm", Unit::Rpm, 0.0, 20_000.0),
        ("oil_pressure", Unit::KiloPascal, 0.0, 3_000.0),
        ("head_temp", Unit::DegF, -4_000.0, 9_000.0),
        ("egt_1", Unit::DegF, -100.0, 6_000.0),
        ("fuel_flow", Unit::UsGalPerMin, -1e30, 1e30),
        ("clutch_air", Unit::Psi, 0.0, 1_000.0),
        ("battery", Unit::Volt, 0.0, 30.0),
    ];
    let mut setup = setup(&channels);
    let names = [
        "EngineFast.Speed",
        "OilPressure",
        "EngineSlow.HeadTemp",
        "Exhaust1",
        "Flow",
        "Air",
        "Battery",
    ];
    setup.names.signals = names
        .iter()
        .enumerate()
        .map(|(channel, signal)| SignalMap {
            channel,
            signal: (*signal).to_owned(),
            unit: None,
        })
        .collect();
    setup
}

#[tokio::test]
async fn a_capture_gives_what_cantools_reads_in_it() {
    let folder = tempfile::tempdir().unwrap();
    let (file, answers) = capture(folder.path());
    let setup = kestrel();
    let seen = run(
        &format!(
            "candump:{}?dbc={}&speed=max",
            file.display(),
            data("can/kestrel.dbc").display()
        ),
        &setup,
    )
    .await;
    assert_eq!(seen.faults, []);
    let signals = [
        ("Speed", Unit::Rpm),
        ("OilPressure", Unit::Psi),
        ("HeadTemp", Unit::DegC),
        ("Exhaust1", Unit::DegC),
        ("Flow", Unit::LitrePerMin),
        ("Air", Unit::KiloPascal),
        ("Battery", Unit::Volt),
    ];
    let mut expected = Vec::new();
    for (number, answer) in answers.iter().enumerate() {
        for (channel, (signal, unit)) in signals.iter().enumerate() {
            if let Some(value) = answer["values"].get(signal).and_then(Value::as_f64) {
                expected.push((
                    channel,
                    unit.convert(value, setup.car.channels[channel].unit)
                        .unwrap(),
                    number as f64 * 0.01,
                ));
            }
        }
    }
    let mut values = seen.values();
    // Random floats may be absurd flows; that none was left out is what the faults say above.
    assert_eq!(values.len(), expected.len());
    let start = 1_735_270_496.0;
    values
        .iter_mut()
        .zip(&expected)
        .for_each(|((channel, value, t), (wanted, theirs, at))| {
            assert_eq!(channel, wanted);
            assert!(
                (*value - theirs).abs() <= 1e-9 * theirs.abs().max(1.0),
                "{value} {theirs}"
            );
            assert!((t.unwrap() - start - at).abs() < 1e-5);
        });
}

#[tokio::test]
async fn what_is_no_line_of_a_capture_is_counted() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("odd.log");
    std::fs::write(&file, "(1.0) can0 100#7415c403e9387700\nrubbish\n(2.0) can0 101#R\n(0.5) can0 100#7415c403e9387700\n(3.0) can0 7FF#00\n(4.0) can0 100#74\n(5.0) can0 100#0000000000000000\n").unwrap();
    let seen = run(
        &format!(
            "candump:{}?dbc={}&speed=max",
            file.display(),
            data("can/kestrel.dbc").display()
        ),
        &kestrel(),
    )
    .await;
    assert_eq!(seen.count(FaultKind::Malformed), 1);
    assert_eq!(seen.count(FaultKind::TimeBack), 1);
    let values = seen.values();
    assert_eq!(values.len(), 4, "{values:?}");
    assert_eq!((values[0].1, values[2].2), (1_373.0, Some(5.0)));
}

#[test]
fn what_cannot_work_is_refused_at_once() {
    let dbc = data("can/kestrel.dbc");
    let refused = |spec: &str, setup: &Setup| format!("{:#}", open(spec, setup).err().unwrap());
    assert!(
        refused(
            &format!("candump:none.log?dbc={}", dbc.display()),
            &kestrel()
        )
        .contains("cannot open the capture none.log")
    );
    assert!(
        refused("candump:none.log?dbc=none.dbc", &kestrel())
            .contains("cannot open the DBC file none.dbc")
    );
    let mut wrong = kestrel();
    wrong.names.signals[0].signal = "EngineFast.Spede".to_owned();
    let said = refused(&format!("can:can0?dbc={}", dbc.display()), &wrong);
    assert!(
        said.contains("kestrel.dbc") && said.contains("the nearest is \"EngineFast.Speed\""),
        "{said}"
    );
}

#[cfg(target_os = "linux")]
#[tokio::test]
async fn a_bus_that_is_not_there_is_tried_again() {
    // No machine has an interface of this name; where the kernel has no CAN at all it fails as well.
    let mut hub = Watched::start(
        &format!("can:nocan9?dbc={}", data("can/kestrel.dbc").display()),
        &kestrel(),
    );
    hub.until("two tries", |hub| hub.count(FaultKind::Trouble) >= 2)
        .await;
    assert!(
        hub.faults[0].text.contains("nocan9") && hub.faults[0].text.contains("trying again"),
        "{:?}",
        hub.faults
    );
    assert!(hub.hub_goes().await.is_err());
}
