//! What the marks say of real engines' sensors, none of which was broken: how often a healthy reading is called suspect, and whether
//! one that is frozen on purpose is found. The recordings are other people's (`SOURCE.md` beside each); the ranges are what such a
//! sensor can honestly give: common practice, no source. The table in `docs/quality.md` is this test's, held against it row by row.

use spinover::core::judge::Judge;
use spinover_protocol::car::Channel;
use spinover_protocol::trust::Doubt;
use spinover_protocol::units::Unit;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

const DOC: &str = include_str!("../../docs/quality.md");

/// What is plausible, by a part of the column's name.
const RANGES: [(&str, &str, f64, f64); 27] = [
    ("ENGINE_RPM", "engine speed", 0.0, 8000.0),
    ("Engine RPM", "engine speed", 0.0, 8000.0),
    ("RPM;***", "engine speed", 0.0, 3500.0),
    ("Propeller Speed", "propeller speed", 0.0, 3000.0),
    ("COOLANT_TEMPERATURE", "coolant temperature", -40.0, 140.0),
    ("Coolant Temperature", "coolant temperature", -40.0, 140.0),
    ("Engine Oil Temperature", "oil temperature", -40.0, 160.0),
    ("OIL T;*F", "oil temperature", -40.0, 300.0),
    (
        "Gearbox Oil Temperature",
        "gearbox temperature",
        -40.0,
        160.0,
    ),
    ("CHT1;*F", "head temperature", -40.0, 500.0),
    ("EGT1;*F", "exhaust temperature", -40.0, 1800.0),
    ("Engine Oil Pressure", "oil pressure", -500.0, 10_000.0),
    ("OIL P;PSI", "oil pressure", -5.0, 150.0),
    ("Fuel Pressure", "fuel pressure", -500.0, 10_000.0),
    ("FUEL P;PSI", "fuel pressure", -5.0, 150.0),
    ("FLOW;LPH", "fuel flow", -1.0, 150.0),
    ("MP;InHg", "manifold pressure", 0.0, 60.0),
    ("INTAKE_MANIFOLD_PRESSURE", "manifold pressure", 0.0, 250.0),
    ("Intake Manifold", "manifold pressure", 0.0, 250.0),
    ("INTAKE_AIR_TEMP", "intake temperature", -40.0, 160.0),
    ("Intake Air Temperature", "intake temperature", -40.0, 160.0),
    ("Air Flow Rate", "air flow", 0.0, 300.0),
    ("CONTROL_MODULE_VOLTAGE", "battery", 0.0, 20.0),
    ("VOLTS;V", "battery", 0.0, 20.0),
    ("Battery Voltage", "battery", 0.0, 40.0),
    ("TIMING_ADVANCE", "ignition timing", -70.0, 70.0),
    ("T", "heater temperature", -40.0, 160.0),
];

/// One column of one recording.
struct Column {
    set: &'static str,
    file: String,
    name: String,
    /// Time in seconds and value.
    rows: Vec<(f64, f64)>,
}

fn seconds(cell: &str) -> Option<f64> {
    let clock = cell.rsplit(' ').next()?;
    if !clock.contains(':') {
        return clock.parse().ok();
    }
    let parts = clock.split(':').map(|part| part.parse::<f64>().ok());
    parts
        .into_iter()
        .try_fold(0.0, |sum, part| Some(sum * 60.0 + part?))
}

fn columns(set: &'static str, path: &Path) -> Vec<Column> {
    let bytes = std::fs::read(path).expect("a recording");
    let text = String::from_utf8_lossy(&bytes);
    let header = |line: &&str| {
        ["Timestamp,", "TIME,", "Time,", "time,", "ENGINE_RUN_TINE"]
            .iter()
            .any(|start| line.starts_with(start))
    };
    let mut lines = text.lines().skip_while(|line| !header(line));
    let names: Vec<&str> = lines
        .next()
        .expect("a header")
        .split(',')
        .map(str::trim)
        .collect();
    // Flash sectors in the wrong order: later rows are another flight's (`SOURCE.md` says from where).
    let clean = match path.file_name().and_then(|name| name.to_str()) {
        Some(name) if name.contains("session01") => 1_764,
        Some(name) if name.contains("session02") => 5_122,
        Some(name) if name.contains("session03") => 2_033,
        _ => usize::MAX,
    };
    let mut found: Vec<Column> = names
        .iter()
        .map(|name| Column {
            set,
            file: path.file_name().unwrap().to_string_lossy().into_owned(),
            name: (*name).to_owned(),
            rows: Vec::new(),
        })
        .collect();
    let mut last = f64::NEG_INFINITY;
    for line in lines.take(clean) {
        let cells: Vec<&str> = line.split(',').map(str::trim).collect();
        // A row whose time goes back is refused before it gets here.
        let Some(t_s) = cells
            .first()
            .and_then(|cell| seconds(cell))
            .filter(|t| *t >= last)
        else {
            continue;
        };
        last = t_s;
        for (column, cell) in found.iter_mut().zip(&cells).skip(1) {
            if let Ok(value) = cell.parse() {
                column.rows.push((t_s, value));
            }
        }
    }
    found.retain(|column| column.rows.len() > 100);
    found
}

fn recordings() -> Option<Vec<Column>> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../shared/data");
    let data = std::env::var_os("SPINOVER_DATA").map_or(root, PathBuf::from);
    if !data.is_dir() {
        println!("skipped: marks on real recordings: none at SPINOVER_DATA or ../shared/data");
        return None;
    }
    let mut all = Vec::new();
    for set in [
        "cgr30p-groundrun",
        "ae300",
        "road-car-warmups",
        "kit-obd",
        "heater-steps",
    ] {
        let mut files: Vec<PathBuf> = std::fs::read_dir(data.join(set))
            .expect("a set")
            .map(|entry| entry.expect("an entry").path())
            .filter(|path| path.extension().is_some_and(|end| end == "csv"))
            .collect();
        files.sort();
        all.extend(files.iter().flat_map(|path| columns(set, path)));
    }
    Some(all)
}

fn channel(low: f64, high: f64) -> Channel {
    Channel {
        label: String::new(),
        decimals: 1,
        old_after_ms: 2_000,
        ..Channel::new("c", Unit::One, (low, high))
    }
}

fn range(name: &str) -> Option<(&'static str, f64, f64)> {
    let known = RANGES.iter().find(|(part, ..)| {
        if *part == "T" {
            name == *part
        } else {
            name.starts_with(part)
        }
    })?;
    Some((known.1, known.2, known.3))
}

fn marks(channel: &Channel, rows: &[(f64, f64)]) -> BTreeMap<Doubt, usize> {
    let mut judge = Judge::default();
    let mut marks = BTreeMap::new();
    for &(t_s, value) in rows {
        if let Some(doubt) = judge.judge(channel, t_s, value, value) {
            *marks.entry(doubt).or_default() += 1;
        }
    }
    marks
}

/// Readings, recordings, and marks of one kind of sensor in one set.
type Counts = (usize, usize, usize, usize, usize);

#[test]
fn healthy_sensors_are_never_called_stuck_and_the_table_is_what_was_measured() {
    let Some(all) = recordings() else { return };
    let mut table: BTreeMap<(&str, &str), Counts> = BTreeMap::new();
    for column in &all {
        let Some((what, low, high)) = range(&column.name) else {
            continue;
        };
        let marks = marks(&channel(low, high), &column.rows);
        let count = |doubt| marks.get(&doubt).copied().unwrap_or(0);
        let row = table.entry((column.set, what)).or_default();
        row.0 += 1;
        row.1 += column.rows.len();
        row.2 += count(Doubt::Range);
        row.3 += count(Doubt::Spike);
        row.4 += count(Doubt::Stuck);
        if count(Doubt::Spike) > 0 {
            println!("{} {}: {:?}", column.file, column.name, marks);
        }
    }
    let (mut missing, mut readings) = (Vec::new(), 0);
    for ((set, what), (files, rows, range, spike, stuck)) in table {
        readings += rows;
        let line = format!("| {set} | {what} | {files} | {rows} | {range} | {spike} | {stuck} |");
        println!("{line}");
        assert_eq!(stuck, 0, "{set}: {what}");
        if !DOC.contains(&line) {
            missing.push(line);
        }
    }
    println!("{readings} readings");
    assert!(
        missing.is_empty(),
        "not so in docs/quality.md: {missing:#?}"
    );
}

/// What a hand or a controller holds is no noisy sensor, and these two are held dead still after having been busy.
const HELD: [&str; 2] = [
    "Prop Actuator Duty Cycle [%]",
    "Accelerator Pedal Position E [%]",
];

/// Every other number column too, be it a counter, a computed figure or a switch.
#[test]
fn no_other_column_of_any_recording_is_called_stuck() {
    let Some(all) = recordings() else { return };
    let mut stuck = Vec::new();
    for column in &all {
        let marks = marks(&channel(f64::MIN / 4.0, f64::MAX / 4.0), &column.rows);
        if let Some(count) = marks.get(&Doubt::Stuck)
            && !HELD.contains(&column.name.as_str())
        {
            stuck.push(format!(
                "{} {}: {count} of {}",
                column.file,
                column.name,
                column.rows.len()
            ));
        }
    }
    println!("{} columns: {stuck:#?}", all.len());
    assert!(stuck.is_empty());
}

/// Each sensor frozen at twenty places of its recording. Found within two minutes: what moves in every sample is found, what hardly
/// moves is not told from one at rest.
#[test]
fn frozen_sensors_are_found() {
    let Some(all) = recordings() else { return };
    let mut table: BTreeMap<(&str, &str), (usize, usize, Vec<f64>)> = BTreeMap::new();
    let mut missing = Vec::new();
    for column in &all {
        let Some((what, low, high)) = range(&column.name) else {
            continue;
        };
        let channel = channel(low, high);
        for tenth in 0..20 {
            let from = column.rows.len() * (3 * tenth + 30) / 100;
            let (begins, frozen) = column.rows[from];
            let mut judge = Judge::default();
            let found = column
                .rows
                .iter()
                .enumerate()
                .find_map(|(n, &(t_s, value))| {
                    let value = if n < from { value } else { frozen };
                    let doubt = judge.judge(&channel, t_s, value, value);
                    (n >= from && doubt == Some(Doubt::Stuck)).then_some(t_s - begins)
                });
            let row = table.entry((column.set, what)).or_default();
            row.0 += 1;
            if let Some(after) = found.filter(|after| *after <= 120.0) {
                row.1 += 1;
                row.2.push(after);
            }
        }
    }
    for ((set, what), (tried, found, mut after)) in table {
        after.sort_by(f64::total_cmp);
        let median = after
            .get(after.len() / 2)
            .map_or("-".to_owned(), |s| format!("{s:.0} s"));
        let line = format!("| {set} | {what} | {tried} | {found} | {median} |");
        println!("{line}");
        if found > 0 && !DOC.contains(&line) {
            missing.push(line);
        }
    }
    assert!(
        missing.is_empty(),
        "not so in docs/quality.md: {missing:#?}"
    );
}
