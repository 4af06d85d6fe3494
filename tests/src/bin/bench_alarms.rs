//! Alarms on 200 simulated warm-ups, half of them with something broken, and on real recordings of healthy engines.
//!
//! `bench_alarms [--json] [--table]`: what was missed, what was false, how long it took. Simulated time throughout, so it is the
//! same on every machine; what the socket and the disk add is measured elsewhere.
#![forbid(unsafe_code)]

use anyhow::{Context, Result};
use serde_json::json;
use spinover::files::{demo, load_car};
use spinover::pit::{Pit, SAMPLE_MS, raised, watch_recording};
use spinover::sources::Setup;
use spinover::sources::sim::{Settings, fault::parse_list};
use spinover_protocol::{
    Millis, StepKey,
    car::Car,
    event::Event,
    sheet::{Phase, Sheet, Step},
    units::Unit,
};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

const WARMUPS: u64 = 200;
/// A warm-up is watched for this long at most, in milliseconds: longer than either sheet takes.
const LONGEST_MS: Millis = 400_000;
/// A fault is watched for this long after it has come true, in milliseconds; heads take minutes to run away.
const WATCHED_MS: Millis = 20_000;
/// A first-priority fault is to be shown within this long of being true and its on-delay, in milliseconds.
const GOAL_MS: Millis = 500;

/// What is broken in a warm-up.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Broken {
    Nothing,
    OilLost,
    OverTemp,
    LinkLost,
    EngineStops,
    DeadCylinder,
    OilSensorOut,
}

impl Broken {
    const ALL: [Self; 7] = [
        Self::Nothing,
        Self::OilLost,
        Self::OverTemp,
        Self::LinkLost,
        Self::EngineStops,
        Self::DeadCylinder,
        Self::OilSensorOut,
    ];

    fn of(n: u64) -> Self {
        match n % 2 {
            0 => Self::Nothing,
            _ => Self::ALL[1 + (n / 2 % 6) as usize],
        }
    }

    fn alarm(self) -> &'static str {
        match self {
            Self::Nothing => "",
            Self::OilLost => "oil_pressure_lost",
            Self::OverTemp => "head_too_hot",
            Self::LinkLost => "car_silent",
            Self::EngineStops => "engine_stopped",
            Self::DeadCylinder => "cylinder_out",
            Self::OilSensorOut => "oil_sensor_bad",
        }
    }

    fn words(self) -> &'static str {
        match self {
            Self::Nothing => "nothing",
            Self::OilLost => "oil pump gives nothing",
            Self::OverTemp => "heads run away",
            Self::LinkLost => "nothing comes from the car",
            Self::EngineStops => "fuel cut, engine stops",
            Self::DeadCylinder => "a cylinder does not fire",
            Self::OilSensorOut => "oil sensor says nothing",
        }
    }

    fn fault(self, from_s: f64) -> String {
        match self {
            Self::Nothing | Self::EngineStops => String::new(),
            Self::OilLost => format!("oil_lost@{from_s}"),
            Self::OverTemp => format!("over_temp@{from_s}"),
            Self::LinkLost => format!("link_lost@{from_s}"),
            Self::DeadCylinder => format!("dead_cylinder:{}@{from_s}", 1 + from_s as u64 % 8),
            Self::OilSensorOut => format!("dropout:oil_pressure@{from_s}"),
        }
    }

    /// Whether the engine as it is, which no sensor shows, is in the state that the alarm is for.
    fn is_true(self, pit: &Pit, broken_at: Millis, limits: &Limits) -> bool {
        let truth = pit.engine().truth();
        match self {
            Self::Nothing => false,
            Self::OilLost => truth.oil_psi < limits.oil_psi,
            Self::OverTemp => truth.head_c > limits.head_c,
            Self::LinkLost => pit.now() > broken_at - SAMPLE_MS + limits.silent_ms,
            Self::EngineStops => truth.rpm < limits.stopped_rpm,
            Self::DeadCylinder => pit.now() >= broken_at,
            Self::OilSensorOut => pit.now() > broken_at - SAMPLE_MS + limits.oil_old_ms,
        }
    }
}

/// The demo car's limits, as its file says them.
struct Limits {
    oil_psi: f64,
    head_c: f64,
    silent_ms: Millis,
    stopped_rpm: f64,
    oil_old_ms: Millis,
}

impl Limits {
    fn of(car: &Car) -> Result<Self> {
        use spinover_protocol::alarm::Watch;
        let watch = |key: &str| {
            Ok::<_, anyhow::Error>(&car.alarm(&key.into()).context("no such alarm")?.watch)
        };
        let limit = |key: &str| match watch(key)? {
            Watch::Above(limit) | Watch::Below(limit) => Ok(limit.limit),
            _ => anyhow::bail!("{key} has no limit"),
        };
        let Watch::SilentMs(silent_ms) = *watch("car_silent")? else {
            anyhow::bail!("car_silent is no silence")
        };
        let (_, oil) = car
            .channel(&"oil_pressure".into())
            .context("no oil pressure")?;
        Ok(Self {
            oil_psi: limit("oil_pressure_lost")?,
            head_c: Unit::DegF
                .convert(limit("head_too_hot")?, Unit::DegC)
                .context("no temperature")?,
            silent_ms,
            stopped_rpm: limit("engine_stopped")?,
            oil_old_ms: oil.old_after_ms,
        })
    }
}

/// What one warm-up came to.
struct Outcome {
    broken: Broken,
    length_ms: Millis,
    /// Alarms raised as news while nothing was broken.
    false_alarms: Vec<(Millis, String)>,
    /// News of its own beside the alarm that the fault is for.
    beside: Vec<String>,
    /// From the fault being true, and its on-delay, to the alarm; `None` when it never came.
    detect_ms: Option<Millis>,
    from_true_ms: Option<Millis>,
    /// The fault got as far as what the alarm is for: heads that run away take minutes, and some tanks are empty sooner.
    came_true: bool,
}

fn warm_up(n: u64, car: &Car, sheet: Sheet, limits: &Limits) -> Result<Outcome> {
    let broken = Broken::of(n);
    let settings = |faults: &str| {
        Ok::<_, anyhow::Error>(Settings {
            seed: 1_000 + n,
            auto: false,
            noise: true,
            faults: parse_list(faults).map_err(anyhow::Error::msg)?,
        })
    };
    // Somewhere on nitro; until something breaks, the same seed gives the same warm-up.
    let broken_at = match broken {
        Broken::Nothing => LONGEST_MS,
        _ => {
            let mut whole = Pit::new(car, sheet.clone(), settings("")?)?;
            while !whole
                .warmup()
                .steps
                .contains_key(&StepKey::from("nitro_on"))
            {
                anyhow::ensure!(whole.now() < LONGEST_MS, "warm-up {n} never came to nitro");
                whole.step();
            }
            whole.now() + 12_000 + (n as Millis * 7_919) % 18_000 / SAMPLE_MS * SAMPLE_MS
        }
    };
    let settings = settings(&broken.fault(broken_at as f64 / 1e3))?;
    let mut pit = Pit::new(car, sheet, settings)?;
    let mut outcome = Outcome {
        broken,
        length_ms: 0,
        false_alarms: Vec::new(),
        beside: Vec::new(),
        detect_ms: None,
        from_true_ms: None,
        came_true: false,
    };
    let (mut true_since, mut end) = (None, LONGEST_MS);
    let mut done_at = None;
    while pit.now() < end {
        let faulty = broken != Broken::Nothing && pit.now() >= broken_at;
        if faulty && end == LONGEST_MS {
            end = LONGEST_MS - 1;
            pit.stop_marking();
            if broken == Broken::EngineStops {
                pit.controls()
                    .set("fuel_nitro", 0.0)
                    .map_err(anyhow::Error::msg)?;
            }
        }
        let events = pit.step();
        if faulty && true_since.is_none() && broken.is_true(&pit, broken_at, limits) {
            true_since = Some(pit.now());
            end = pit.now() + WATCHED_MS;
        }
        // A phone has what is in the frame, or in the events, of this very moment.
        for event in &events {
            note(event, faulty, &mut outcome, &pit, true_since, car);
        }
        if pit.warmup().current().is_none() {
            let since = *done_at.get_or_insert(pit.now());
            if pit.now() - since > 5_000 {
                break;
            }
        }
    }
    outcome.length_ms = pit.now();
    outcome.came_true = true_since.is_some();
    Ok(outcome)
}

fn note(
    event: &Event,
    faulty: bool,
    outcome: &mut Outcome,
    pit: &Pit,
    true_since: Option<Millis>,
    car: &Car,
) {
    let Some(alarm) = raised(event) else { return };
    if !faulty {
        outcome.false_alarms.push((pit.now(), alarm.to_string()));
    } else if alarm.as_str() == outcome.broken.alarm() {
        if outcome.detect_ms.is_none() {
            let since = true_since.unwrap_or(pit.now());
            let on_delay = car.alarm(alarm).map_or(0, |alarm| alarm.on_delay_ms);
            outcome.from_true_ms = Some(pit.now() - since);
            outcome.detect_ms = Some(pit.now() - since - on_delay);
        }
    } else {
        outcome.beside.push(alarm.to_string());
    }
}

fn main() -> Result<()> {
    let args: Vec<String> = std::env::args().skip(1).collect();
    let car = demo::car()
        .map_err(|errors| anyhow::anyhow!("{errors}"))?
        .car;
    let sheets = demo::sheets().map_err(|errors| anyhow::anyhow!("{errors}"))?;
    let limits = Limits::of(&car)?;
    let mut outcomes = Vec::new();
    for n in 0..WARMUPS {
        let sheet = sheets[(n / 2) as usize % sheets.len()].clone();
        outcomes.push(warm_up(n, &car, sheet, &limits)?);
    }
    let first = |broken: Broken| {
        car.alarm(&broken.alarm().into())
            .is_some_and(|alarm| alarm.priority == 1)
    };
    let missed = |outcome: &&Outcome| outcome.detect_ms.is_none_or(|ms| ms > GOAL_MS);
    let p1: Vec<&Outcome> = outcomes
        .iter()
        .filter(|outcome| first(outcome.broken) && outcome.came_true)
        .collect();
    let missed_p1 = p1.iter().copied().filter(missed).count();
    let worst = p1
        .iter()
        .filter_map(|outcome| outcome.detect_ms)
        .max()
        .unwrap_or(0);
    let false_alarms: Vec<&(Millis, String)> = outcomes
        .iter()
        .flat_map(|outcome| &outcome.false_alarms)
        .collect();
    let false_per_warmup = false_alarms.len() as f64 / WARMUPS as f64;
    let minutes: f64 = outcomes
        .iter()
        .map(|outcome| outcome.length_ms as f64 / 60e3)
        .sum();

    let mut rows = Vec::new();
    for broken in Broken::ALL {
        let of: Vec<&Outcome> = outcomes
            .iter()
            .filter(|outcome| outcome.broken == broken)
            .collect();
        let mut from_true: Vec<Millis> = of
            .iter()
            .filter_map(|outcome| outcome.from_true_ms)
            .collect();
        from_true.sort_unstable();
        let detect = of.iter().filter_map(|outcome| outcome.detect_ms).max();
        let mut beside: BTreeMap<&str, u32> = BTreeMap::new();
        for key in of.iter().flat_map(|outcome| &outcome.beside) {
            *beside.entry(key).or_default() += 1;
        }
        rows.push(json!({
            "broken": broken.words(),
            "alarm": broken.alarm(),
            "warmups": of.len(),
            "came_true": of.iter().filter(|outcome| outcome.came_true).count(),
            "never": of.iter().filter(|outcome| outcome.came_true && outcome.detect_ms.is_none()).count(),
            "median_from_true_ms": from_true.get(from_true.len() / 2),
            "worst_from_true_ms": from_true.last(),
            "worst_beyond_delay_ms": detect,
            "beside": beside,
        }));
    }
    let recordings = tokio::runtime::Runtime::new()?.block_on(recordings())?;
    if args.iter().any(|arg| arg == "--table") {
        print_table(&rows, &recordings);
    }
    let summary = json!({
        "missed_p1": missed_p1,
        "false_per_warmup": false_per_warmup,
        "worst_detect_ms": worst,
        "p1_faults": p1.len(),
        "warmups": WARMUPS,
        "false_alarms": false_alarms,
        "false_per_10_min": false_alarms.len() as f64 / minutes * 10.0,
        "simulated_minutes": minutes,
        "faults": rows,
        "recordings": recordings,
    });
    if args.iter().any(|arg| arg == "--json") {
        println!("{summary}");
    } else if !args.iter().any(|arg| arg == "--table") {
        println!("{summary:#}");
    }
    Ok(())
}

/// The recordings that are not ours to ship, beside the project or where `SPINOVER_DATA` points; each folder has a car file.
async fn recordings() -> Result<Vec<serde_json::Value>> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("..");
    let data = std::env::var_os("SPINOVER_DATA")
        .map_or_else(|| root.join("../shared/data"), PathBuf::from);
    let mut rows = Vec::new();
    for (folder, car) in [
        ("cgr30p-groundrun", "hub/demo/ground-run.toml"),
        ("ae300", "hub/tests/data/cars/ae300.toml"),
        ("kit-obd", "hub/tests/data/cars/kit-obd.toml"),
        (
            "road-car-warmups",
            "hub/tests/data/cars/road-car-warmups.toml",
        ),
    ] {
        let Ok(entries) = std::fs::read_dir(data.join(folder)) else {
            eprintln!("skipped: no recordings at {folder} beside the project or in SPINOVER_DATA");
            continue;
        };
        let file = load_car(root.join(car)).map_err(|errors| anyhow::anyhow!("{errors}"))?;
        let setup = Setup {
            car: file.car,
            replay: file.replay,
            names: file.names,
            seed: 1,
        };
        let mut files: Vec<PathBuf> = entries.flatten().map(|entry| entry.path()).collect();
        files.retain(|path| path.extension().is_some_and(|end| end == "csv"));
        files.sort();
        let (mut minutes, mut count, mut refused) = (0.0, 0, Vec::new());
        let mut alarms: BTreeMap<String, u32> = BTreeMap::new();
        let mut when = Vec::new();
        for path in &files {
            let name = path
                .file_name()
                .unwrap_or_default()
                .to_string_lossy()
                .into_owned();
            match watch_recording(
                &format!("replay:{}?speed=max", path.display()),
                &setup,
                running(),
            )
            .await
            {
                Ok((events, length)) => {
                    count += 1;
                    minutes += length as f64 / 60e3;
                    for (at, event) in &events {
                        if let Some(alarm) = raised(event) {
                            *alarms.entry(alarm.to_string()).or_default() += 1;
                            when.push(format!("{alarm} in {name} at {:.1} s", *at as f64 / 1e3));
                        }
                    }
                }
                Err(error) => refused.push(format!("{name}: {error:#}")),
            }
        }
        let total: u32 = alarms.values().sum();
        rows.push(json!({
            "recordings": folder,
            "files": count,
            "minutes": minutes,
            "alarms": alarms,
            "per_10_min": f64::from(total) / minutes * 10.0,
            "when": when,
            "refused": refused,
        }));
    }
    Ok(rows)
}

/// A sheet that says that the engine runs.
fn running() -> Sheet {
    let step = Step {
        key: StepKey::from("watched"),
        text: "Watched".to_owned(),
        owner: "chief".into(),
        ordered: true,
        ..Step::default()
    };
    let phase = Phase {
        key: "running".into(),
        name: "Running".to_owned(),
        firing: true,
        steps: vec![step],
        ..Phase::default()
    };
    Sheet {
        key: "watched".to_owned(),
        name: "Watched".to_owned(),
        phases: vec![phase],
    }
}

fn print_table(rows: &[serde_json::Value], recordings: &[serde_json::Value]) {
    let cell = |value: &serde_json::Value| match value {
        serde_json::Value::Null => "–".to_owned(),
        serde_json::Value::String(text) => text.clone(),
        other => other.to_string(),
    };
    println!(
        "| broken | alarm | warm-ups | of these it came true in | then never raised | from true to raised, median / worst, ms | worst beyond the on-delay, ms | other news |"
    );
    println!("| --- | --- | --- | --- | --- | --- | --- | --- |");
    for row in rows {
        println!(
            "| {} | {} | {} | {} | {} | {} / {} | {} | {} |",
            cell(&row["broken"]),
            cell(&row["alarm"]),
            row["warmups"],
            row["came_true"],
            row["never"],
            cell(&row["median_from_true_ms"]),
            cell(&row["worst_from_true_ms"]),
            cell(&row["worst_beyond_delay_ms"]),
            row["beside"],
        );
    }
    println!();
    println!("| recordings | files | minutes | alarms | per ten minutes |");
    println!("| --- | --- | --- | --- | --- |");
    for row in recordings {
        println!(
            "| {} | {} | {:.1} | {} | {:.2} |",
            cell(&row["recordings"]),
            row["files"],
            row["minutes"].as_f64().unwrap_or_default(),
            row["alarms"],
            row["per_10_min"].as_f64().unwrap_or_default(),
        );
    }
}
