//! The files that ship are good: demo files, car files of the recordings used in tests, and every example in the docs.

use spinover::files::{self, demo};
use spinover::sources::{self, Setup};
use spinover_protocol::sheet::{Must, Sheet};
use spinover_protocol::units::Unit;
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

fn hub() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn step_keys(sheet: &Sheet) -> Vec<&str> {
    sheet.steps().map(|(_, step)| step.key.as_str()).collect()
}

#[test]
fn the_demo_car_is_good_and_has_the_channels_that_the_simulator_speaks() {
    let car = demo::car().unwrap_or_else(|errors| panic!("{errors}"));
    let units = [
        ("engine_rpm", Unit::Rpm),
        ("fuel_flow", Unit::UsGalPerMin),
        ("fuel_pressure", Unit::Psi),
        ("oil_pressure", Unit::Psi),
        ("oil_temp", Unit::DegF),
        ("head_temp", Unit::DegF),
        ("mag_1_timing", Unit::DegAngle),
        ("mag_2_timing", Unit::DegAngle),
        ("egt_1", Unit::DegF),
        ("egt_8", Unit::DegF),
        ("clutch_air", Unit::Psi),
        ("battery", Unit::Volt),
        ("fuel_left", Unit::UsGal),
    ];
    for (key, unit) in units {
        let (_, channel) = car
            .car
            .channel(&key.into())
            .unwrap_or_else(|| panic!("no {key}"));
        assert_eq!(channel.unit, unit, "{key}");
        assert!(channel.band.is_some(), "{key} has no band");
    }
    assert_eq!(car.car.channels.len(), 19);
    assert_eq!(car.sources, ["sim:"]);
    let roles: Vec<_> = car.car.roles.iter().map(|role| role.key.as_str()).collect();
    assert_eq!(
        roles,
        ["chief", "idle", "fuel", "starter", "helper", "wall"]
    );
    assert!(
        car.car
            .roles
            .iter()
            .all(|role| !role.strips.is_empty() && !role.figures.is_empty())
    );
    assert!((car.car.tank_l.unwrap() - 40.0 * 3.785_411_784).abs() < 1e-9);
}

#[test]
fn the_demo_sheets_are_good_and_hold_every_step_in_order() {
    let sheets = demo::sheets().unwrap_or_else(|errors| panic!("{errors}"));
    let until_lit = [
        "area_clear",
        "fire_bottle",
        "suits_on",
        "fuel_off_ignition_off",
        "spin_over",
        "cylinders_clear",
        "brake_clutch",
        "ignition_on",
        "recorder_on",
        "clutch_air_on",
        "clutch_charge",
        "start_petrol",
        "oil_pressure_up",
        "nitro_on",
        "clean_on_nitro",
    ];
    let pit = [
        "flow_trimmed",
        "idle_set",
        "temps_there",
        "leaks_checked",
        "ignition_off",
        "fuel_shut",
        "engine_stopped",
        "made_safe",
    ];
    let line = [
        "roll_to_water",
        "burnout",
        "burnout_stop",
        "reverse_in",
        "back_up",
        "forward",
        "flow_recheck",
        "clutch_recharge",
        "visor_down",
        "pre_stage",
        "fuel_full_on",
        "stage",
        "run",
        "chute_out",
        "brakes_on",
        "switches_off",
        "fuel_off",
    ];
    assert_eq!(step_keys(&sheets[0]), [&until_lit[..], &pit].concat());
    assert_eq!(step_keys(&sheets[1]), [&until_lit[..], &line].concat());
}

/// What a crew's life hangs on must not get lost when somebody edits the demo.
#[test]
fn both_sheets_keep_what_the_trade_insists_on() {
    for sheet in demo::sheets().unwrap() {
        let step = |key: &str| {
            sheet
                .step(&key.into())
                .unwrap_or_else(|| panic!("{}: no {key}", sheet.key))
                .1
        };
        let worn = step("suits_on").text.to_lowercase();
        for word in ["suits", "helmet", "belts", "respirators", "ear"] {
            assert!(worn.contains(word), "{}: {word}", sheet.key);
        }
        let wet = step("cylinders_clear");
        assert!(
            wet.safety && wet.ordered && wet.caution.as_ref().unwrap().contains("no spark at all")
        );
        let order: Vec<_> = step_keys(&sheet);
        let place = |key: &str| order.iter().position(|step| *step == key).unwrap();
        assert!(place("cylinders_clear") < place("ignition_on"));
        assert_eq!(step("clutch_charge").dwell_ms, Some(3_000));
        let oil = step("oil_pressure_up");
        assert!(
            oil.safety
                && oil.limit_ms.is_some()
                && oil.late_call.as_ref().unwrap().contains("shut down")
        );
        assert!(matches!(oil.gates[0].must, Must::AtLeast(_)));
        assert!(step("start_petrol").text.contains("throttle shut"));
        for (_, step) in sheet
            .steps()
            .filter(|(_, step)| step.safety && step.key.as_str() != "engine_stopped")
        {
            assert!(
                step.caution.is_some(),
                "{}: {} has no caution",
                sheet.key,
                step.key
            );
        }
        let says: String = sheet
            .steps()
            .filter_map(|(_, step)| step.caution.clone())
            .collect::<Vec<_>>()
            .join(" ");
        assert!(says.contains("rule book") && says.contains("officials"));
    }
}

/// "Checked" tells nobody anything; a step says what is to be seen.
#[test]
fn no_step_only_says_checked() {
    for sheet in demo::sheets().unwrap() {
        for (_, step) in sheet.steps() {
            let text = step.text.to_lowercase();
            assert!(
                !text.contains("checked") && !text.ends_with("ok") && !text.contains("completed"),
                "{}",
                step.key
            );
        }
    }
}

#[test]
fn the_files_for_the_real_recording_are_good() {
    let car = demo::real_car().unwrap_or_else(|errors| panic!("{errors}"));
    demo::real_sheet().unwrap_or_else(|errors| panic!("{errors}"));
    let replay = car.replay.unwrap();
    assert_eq!(replay.columns.len(), car.car.channels.len());
    let left = replay
        .columns
        .iter()
        .find(|column| column.column == "SEL TANK QTY")
        .unwrap();
    assert_eq!(left.strip.as_deref(), Some("TOTAL   :"));
    assert_eq!(left.unit, Unit::Litre);
}

#[test]
fn what_is_built_in_is_what_is_on_disk() {
    for (name, text) in [
        ("kestrel.toml", demo::KESTREL),
        ("pit-warm-up.toml", demo::PIT_WARM_UP),
    ] {
        assert_eq!(
            std::fs::read_to_string(hub().join("demo").join(name)).unwrap(),
            text
        );
    }
    let car = files::load_car(hub().join("demo/kestrel.toml")).unwrap();
    assert_eq!(car, demo::car().unwrap());
    assert_eq!(
        files::load_sheet(hub().join("demo/to-the-line.toml"), &car).unwrap(),
        demo::sheets().unwrap()[1]
    );
}

/// Every file in the folder, so that a new one is checked without anybody thinking of it.
#[test]
fn the_car_files_of_the_recordings_are_good() {
    let folder = hub().join("tests/data/cars");
    let mut seen = 0;
    for entry in std::fs::read_dir(&folder).unwrap() {
        let path: PathBuf = entry.unwrap().path();
        let car = files::load_car(&path).unwrap_or_else(|errors| panic!("{errors}"));
        assert!(car.replay.is_some(), "{}", path.display());
        seen += 1;
    }
    assert!(seen >= 4, "{seen} car files in {}", folder.display());
}

/// Their columns are there in the recordings themselves, where these are at hand.
#[test]
fn the_columns_are_in_the_recordings() {
    let data = std::env::var_os("SPINOVER_DATA")
        .map_or_else(|| hub().join("../../shared/data"), PathBuf::from);
    let cars = hub().join("tests/data/cars");
    let pairs = [
        (hub().join("demo/ground-run.toml"), "groundrun"),
        (cars.join("ae300.toml"), "ae300"),
        (cars.join("heater-steps.toml"), "heater-steps"),
        (cars.join("kit-obd.toml"), "kit-obd"),
        (cars.join("road-car-warmups.toml"), "road-car-warmups"),
    ];
    let folders: Vec<PathBuf> = std::fs::read_dir(&data)
        .into_iter()
        .flatten()
        .map(|entry| entry.unwrap().path())
        .collect();
    for (car, folder) in pairs {
        let Some(path) = folders
            .iter()
            .find(|path| path.to_string_lossy().ends_with(folder))
        else {
            println!(
                "skipped: the columns of {folder}, since its recordings are not in {}",
                data.display()
            );
            continue;
        };
        let entries = std::fs::read_dir(path).unwrap();
        let file = files::load_car(&car).unwrap();
        let setup = Setup {
            car: file.car,
            replay: file.replay,
            names: Default::default(),
            seed: 1,
        };
        let mut looked_at = 0;
        for path in entries
            .map(|entry| entry.unwrap().path())
            .filter(|path| path.extension().is_some_and(|e| e == "csv"))
        {
            // Opening finds every mapped column, or says which is not there.
            if let Err(error) = sources::open(&format!("replay:{}", path.display()), &setup) {
                panic!("{error:#}");
            }
            looked_at += 1;
        }
        assert!(looked_at > 0, "no recording in {folder}");
    }
}

/// The text of each fenced block of that kind, with the line it starts on.
fn blocks(text: &str, fence: &str) -> Vec<(usize, String)> {
    let mut blocks = Vec::new();
    let mut open: Option<(usize, String)> = None;
    for (i, line) in text.lines().enumerate() {
        match &mut open {
            Some(_) if line == "```" => blocks.extend(open.take()),
            Some((_, block)) => {
                block.push_str(line);
                block.push('\n');
            }
            None if line == fence => open = Some((i + 2, String::new())),
            None => {}
        }
    }
    blocks
}

/// Whole files in the docs are read as they stand; pieces are put into the smallest file that they can be part of.
#[test]
fn every_example_in_the_docs_is_good() {
    let text = std::fs::read_to_string(hub().join("../docs/files.md")).unwrap();
    let all = blocks(&text, "```toml");
    let cars: Vec<_> = all
        .iter()
        .filter(|(_, block)| block.contains("team ="))
        .collect();
    let sheets: Vec<_> = all
        .iter()
        .filter(|(_, block)| block.contains("[[phase]]"))
        .collect();
    assert!(!cars.is_empty() && !sheets.is_empty());
    assert_eq!(
        cars.len() + sheets.len(),
        all.len(),
        "every block is a whole car file or a whole sheet"
    );
    let mut whole = None;
    for (line, block) in &cars {
        let car = files::parse_car(&format!("files.md, block at line {line}"), block)
            .unwrap_or_else(|errors| panic!("{errors}"));
        whole = whole.or(Some(car));
    }
    let car = whole.unwrap();
    for (line, block) in &sheets {
        files::parse_sheet(&format!("files.md, block at line {line}"), block, &car)
            .unwrap_or_else(|errors| panic!("{errors}"));
    }
}

/// The tables of keys in the docs name every key that the reader takes, and no other.
#[test]
fn the_docs_name_every_key() {
    let text = std::fs::read_to_string(hub().join("../docs/files.md")).unwrap();
    let mut taken: BTreeMap<&str, BTreeSet<&str>> = BTreeMap::new();
    for (header, keys) in files::keys() {
        taken.entry(header).or_default().extend(keys);
    }
    for (header, keys) in taken {
        let title = if header.is_empty() {
            "At the top".to_owned()
        } else {
            format!("`{header}`")
        };
        let told: BTreeSet<_> = text
            .split("\n### ")
            .filter(|section| section.starts_with(&title))
            .flat_map(str::lines)
            .filter_map(|line| {
                line.strip_prefix("| `")?
                    .split_once('`')
                    .map(|(name, _)| name)
            })
            .collect();
        assert_eq!(told, keys, "docs/files.md, section {title}");
    }
}
