//! Recordings of real engines through the real hub to a real socket: what arrives, and what the book keeps, is what the file says.

use spinover_protocol::{
    message::{HubMessage, SourceState},
    units::Unit,
};
use spinover_tests::{
    data,
    hub::{CREW_CODE, Hub, Launch, run},
    phone::{Phone, Seen},
    recording::{Column, Recording, Row, Times},
};
use std::{
    path::{Path, PathBuf},
    time::Duration,
};

/// The ground run takes 168 s at its own pace.
const GROUND_RUN_S: u64 = 168;

const GROUND_RUN: [Column; 9] = [
    Column::new("engine_rpm", "RPM;***", "rpm"),
    Column::new("fuel_flow", "FLOW;LPH", "L/h"),
    Column::new("fuel_pressure", "FUEL P;PSI", "psi"),
    Column::new("oil_pressure", "OIL P;PSI", "psi"),
    Column::new("oil_temp", "OIL T;*F", "degF"),
    Column::new("head_temp", "CHT-H:;***", "degF"),
    Column::new("egt_4", "EGT4;*F", "degF"),
    Column::new("battery", "VOLTS;V", "V"),
    Column {
        key: "fuel_left",
        begins: "SEL TANK QTY",
        unit: "L",
        strip: "TOTAL   :",
    },
];
const ROAD_CAR: [Column; 9] = [
    Column::new("engine_rpm", "ENGINE_RPM ()", "rpm"),
    Column::new("coolant_temp", "COOLANT_TEMPERATURE ()", "degC"),
    Column::new("engine_load", "ENGINE_LOAD ()", "%"),
    Column::new("manifold_pressure", "INTAKE_MANIFOLD_PRESSURE ()", "kPa"),
    Column::new("intake_air_temp", "INTAKE_AIR_TEMP ()", "degC"),
    Column::new("barometer", "ABSOLUTE_BAROMETRIC_PRESSURE ()", "kPa"),
    Column::new("timing_advance", "TIMING_ADVANCE ()", "deg"),
    Column::new("battery", "CONTROL_MODULE_VOLTAGE ()", "V"),
    Column::new("fuel_level", "FUEL_TANK ()", "%"),
];
const DRIVEN_FROM_COLD: [Column; 5] = [
    Column::new("engine_rpm", "Engine RPM", "rpm"),
    Column::new("coolant_temp", "Engine Coolant Temperature", "degC"),
    Column::new(
        "manifold_pressure",
        "Intake Manifold Absolute Pressure",
        "kPa",
    ),
    Column::new("intake_air_temp", "Intake Air Temperature", "degC"),
    Column::new("air_flow", "Air Flow Rate from Mass Flow Sensor", "g/s"),
];
const DIESEL: [Column; 6] = [
    Column::new("propeller_rpm", "Propeller Speed", "rpm"),
    Column::new("oil_pressure", "Engine Oil Pressure", "hPa"),
    Column::new("fuel_pressure", "Fuel Pressure", "hPa"),
    Column::new("coolant_temp", "Coolant Temperature", "degC"),
    Column::new("oil_temp", "Engine Oil Temperature", "degC"),
    Column::new("battery", "Battery Voltage", "V"),
];
const HEATER: [Column; 2] = [
    Column::new("heater", "Q", "%"),
    Column::new("head_temp", "T", "degC"),
];

/// A hub that plays a recording, and a phone that has watched it from before the first row.
struct Played {
    hub: Hub,
    phone: Phone,
}

impl Played {
    async fn start(
        recording: &Recording,
        file: &Path,
        times: Times,
        columns: &[Column],
        speed: &str,
    ) -> Self {
        let folder = tempfile::tempdir().expect("room for a car file");
        let car = folder.path().join("car.toml");
        std::fs::write(&car, recording.car(times, columns)).expect("room for a car file");
        let hub = Launch::serve(&car, &data::own("ready-sheet.toml"))
            .source(format!("replay:{}?speed={speed}", file.display()))
            .start();
        let phone = Phone::join(&hub, CREW_CODE, "Ash", "chief").await;
        Self { hub, phone }
    }

    /// Waits for the recording's end, and for its last values on the phone.
    async fn end(&self, recording: &Recording, patience: Duration) {
        let ended = |seen: &Seen| {
            seen.mirror()
                .sources
                .iter()
                .any(|source| source.state == SourceState::Ended)
        };
        self.phone
            .until_within(patience, "the recording's end", ended)
            .await;
        let last = recording.states().pop().expect("rows");
        self.phone
            .until("the file's last values", |seen| {
                seen.mirror().frame.v == last
            })
            .await;
    }

    /// What the book has when the hub has ended, as the trailer would have it written out.
    fn kept(&mut self) -> Vec<Row> {
        assert_eq!(self.hub.stop().code(), Some(0), "{}", self.hub.stderr());
        let data = self.hub.data().to_str().expect("a plain path");
        let export = run(&["book", "export", "--data", data, "last"]);
        let told = String::from_utf8_lossy(&export.stderr);
        assert_eq!(export.status.code(), Some(0), "{told}");
        let mut reader = csv::ReaderBuilder::new().from_reader(&export.stdout[..]);
        let number =
            |text: &str| (!text.is_empty()).then(|| text.parse::<f64>().expect("a number"));
        let row = |row: Result<csv::StringRecord, csv::Error>| {
            let row = row.expect("a row");
            Row {
                t_s: number(&row[0]).expect("a time"),
                cells: row.iter().skip(1).map(number).collect(),
            }
        };
        reader.records().map(row).collect()
    }
}

/// The book holds the file's rows: every one, in order, bit for bit, with the file's own spans of time.
fn assert_kept(kept: &[Row], recording: &Recording, times: Times, file: &str) {
    for (number, (kept, said)) in kept.iter().zip(&recording.rows).enumerate() {
        assert_eq!(kept.cells, said.cells, "{file}: row {number}");
    }
    assert_eq!(kept.len(), recording.rows.len(), "{file}: rows");
    if times == Times::Rfc3339 {
        assert!(kept.windows(2).all(|two| two[0].t_s < two[1].t_s), "{file}");
        return;
    }
    let (first_kept, first_said) = (kept[0].t_s, recording.rows[0].t_s);
    for (kept, said) in kept.iter().zip(&recording.rows) {
        // The book's times are whole microseconds.
        assert!(
            ((kept.t_s - first_kept) - (said.t_s - first_said)).abs() < 2e-6,
            "{file} at {}",
            said.t_s
        );
    }
}

/// Every frame that came shows what the file had after some row, and never what it had after an earlier row than the frame before.
/// Returns how many different states were seen, and how many there are.
fn assert_frames_in_order(phone: &Phone, recording: &Recording) -> (usize, usize) {
    let mut states = vec![vec![None; recording.headers.len()]];
    states.extend(recording.states());
    states.dedup();
    let (mut at, mut seen_states, mut last) = (0, 0, 0);
    phone.look(|seen| {
        for frame in seen.frames() {
            assert!(frame.n > last, "frame {} after {last}", frame.n);
            last = frame.n;
            let found = states[at..].iter().position(|state| *state == frame.v);
            let further = found.unwrap_or_else(|| {
                panic!(
                    "frame {} shows what the file never had from there on: {:?}",
                    frame.n, frame.v
                )
            });
            seen_states += usize::from(further > 0);
            at += further;
        }
    });
    (seen_states, states.len() - 1)
}

fn last_minus_first(recording: &Recording, key: &str) -> f64 {
    let place = GROUND_RUN
        .iter()
        .position(|column| column.key == key)
        .expect("a column");
    let values: Vec<f64> = recording
        .rows
        .iter()
        .filter_map(|row| row.cells[place])
        .collect();
    values[values.len() - 1] - values[0]
}

async fn ground_run(speed: &str, patience: Duration) {
    let file = data::ground_run();
    let recording = Recording::read(&file, "TIME", Times::Clock, &GROUND_RUN);
    // The recording's description says 501 rows; a reader of the tests' own that misses some would prove nothing.
    assert_eq!((recording.rows.len(), recording.back), (501, 0));
    let mut played = Played::start(&recording, &file, Times::Clock, &GROUND_RUN, speed).await;
    played.end(&recording, patience).await;
    let (seen, all) = assert_frames_in_order(&played.phone, &recording);
    eprintln!("ground run at speed={speed}: {seen} of {all} states came by in frames");

    let fell_l = -last_minus_first(&recording, "fuel_left");
    assert!(
        (1.21..1.23).contains(&fell_l),
        "the tank counter is known to fall by 1.22 L, not {fell_l}"
    );
    let used = |seen: &Seen| {
        let figure = seen
            .mirror()
            .figures
            .iter()
            .find(|figure| figure.key == "fuel_used")?;
        figure.unit?.convert(figure.value?, Unit::Litre)
    };
    // Figures are told once a second, so the next ones are the first that know of the last row.
    let heard = played.phone.look(|seen| seen.heard.len());
    let told_since = |seen: &Seen| {
        let news = seen.heard[heard..].iter();
        news.filter(|(_, message)| matches!(message, HubMessage::Figures { .. }))
            .count()
            > 0
    };
    played.phone.until("the last figures", told_since).await;
    let told = played.phone.look(used).expect("a figure with a value");
    assert!(
        (told / fell_l - 1.0).abs() <= 0.02,
        "{told} L used by the figure, {fell_l} L by the tank counter"
    );
    eprintln!("fuel used: {told:.4} L by the figure, {fell_l:.2} L by the tank counter");
    assert_kept(&played.kept(), &recording, Times::Clock, "the ground run");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_real_cold_start_at_its_own_pace() {
    ground_run("1", Duration::from_secs(GROUND_RUN_S + 60)).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_real_cold_start_eight_times_as_fast() {
    ground_run("8", Duration::from_secs(GROUND_RUN_S / 8 + 60)).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_real_cold_start_as_fast_as_it_goes() {
    ground_run("max", Duration::from_secs(60)).await;
}

/// Plays every recording of a folder as fast as it goes.
async fn folder(name: &str, time: &str, times: Times, columns: &[Column]) {
    let files: Vec<PathBuf> = data::recordings(name, &format!("the replay of {name}"));
    for path in &files {
        let file = path
            .file_name()
            .unwrap_or_default()
            .to_string_lossy()
            .into_owned();
        let recording = Recording::read(path, time, times, columns);
        let mut played = Played::start(&recording, path, times, columns, "max").await;
        played.end(&recording, Duration::from_secs(120)).await;
        let refused = |seen: &Seen| {
            let faults = seen
                .mirror()
                .sources
                .iter()
                .flat_map(|source| &source.faults);
            faults
                .map(|fault| (fault.kind.clone(), fault.count))
                .collect::<Vec<_>>()
        };
        let expected: Vec<_> = [("time_back".to_owned(), recording.back as u64)]
            .into_iter()
            .filter(|(_, count)| *count > 0)
            .collect();
        played
            .phone
            .until("what was refused to be told, and nothing else", |seen| {
                refused(seen) == expected
            })
            .await;
        assert_kept(&played.kept(), &recording, times, &file);
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn road_cars_warming_up() {
    folder(
        "road-car-warmups",
        "ENGINE_RUN_TINE ()",
        Times::Seconds,
        &ROAD_CAR,
    )
    .await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_road_car_driven_from_cold() {
    folder("kit-obd", "Time", Times::Clock, &DRIVEN_FROM_COLD).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn an_aircraft_diesel() {
    folder("ae300", "Timestamp", Times::Rfc3339, &DIESEL).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_heater_in_steps() {
    folder("heater-steps", "time", Times::Seconds, &HEATER).await;
}
