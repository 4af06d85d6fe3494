//! What comes from the car: lines, recordings, CAN, weather sentences, and the words that name a source.

use spinover::{
    core::feed::Batch,
    files::{self, CarFile, columns, demo},
    sources::{
        candump as can_log,
        dbc::Dbc,
        decode::Intake,
        framing::{Line, Splitter},
        index::ChannelIndex,
        map::{FieldMap, ReplayMap},
        nmea::{Field, NmeaMap, sentence},
        spec::Spec,
        table::Table,
        tally::Tally,
    },
};
use std::sync::{Arc, LazyLock};

static CAR: LazyLock<CarFile> = LazyLock::new(|| demo::car().expect("the demo's car"));
static GROUND_RUN: LazyLock<CarFile> = LazyLock::new(|| demo::real_car().expect("the demo's car"));

/// Values are finite, of channels that there are, and each channel's unit took them.
fn sound(values: &[(usize, f64)], channels: usize) {
    for (channel, value) in values {
        assert!(*channel < channels, "channel {channel} of {channels}");
        assert!(value.is_finite(), "{value}");
    }
}

/// Lines of readings, cut at places that the first byte chooses: however they come, the same is made of them.
pub fn lines(data: &[u8]) {
    let index = Arc::new(ChannelIndex::new(&CAR.car));
    let (first, text) = data.split_first().unwrap_or((&0, &[]));
    let whole = taken_in(&index, text, text.len().max(1));
    let parts = taken_in(&index, text, usize::from(*first).max(1));
    assert_eq!(whole, parts, "where the stream is cut changes nothing");
    let mut last = f64::NEG_INFINITY;
    for batch in &whole {
        assert!(!batch.values.is_empty());
        sound(&batch.values, index.len());
        if let Some(t_s) = batch.t_s {
            assert!(t_s.is_finite() && t_s >= last, "{t_s} after {last}");
            last = t_s;
        }
    }
}

fn taken_in(index: &Arc<ChannelIndex>, text: &[u8], chunk: usize) -> Vec<Batch> {
    let (mut splitter, mut intake) = (Splitter::default(), Intake::new(index.clone()));
    let (mut tally, mut batches) = (Tally::default(), Vec::new());
    let mut each = |line: Line<'_>| {
        if let Line::Whole(line) = line {
            batches.extend(intake.line(line, &mut tally));
        }
    };
    text.chunks(chunk)
        .for_each(|chunk| splitter.push(chunk, &mut each));
    splitter.end(&mut each);
    batches
}

/// A recording: by the demo's map, and by the map that is proposed from its first lines, which must be a good car file.
pub fn replay(data: &[u8]) {
    let map = GROUND_RUN.replay.as_ref().expect("it names columns");
    played(data, map, &ChannelIndex::new(&GROUND_RUN.car));
    let text = String::from_utf8_lossy(data);
    for car in [None, Some(&CAR.car)] {
        let Some(found) = columns::look(&text, car) else {
            continue;
        };
        for candidate in &found.candidates {
            assert!(candidate.low <= candidate.high, "{candidate:?}");
        }
        if found.candidates.is_empty() {
            continue;
        }
        let proposed = columns::car_file(&found, &found.candidates, "Team", "Car", car);
        match files::parse_car("the proposal", &proposed) {
            Ok(file) => {
                let map = file.replay.as_ref().expect("it names columns");
                played(data, map, &ChannelIndex::new(&file.car));
            }
            Err(errors) => panic!("the proposal is no car file: {errors}\n{proposed}"),
        }
    }
}

fn played(data: &[u8], map: &ReplayMap, index: &ChannelIndex) {
    let mut lines = data.split(|byte| *byte == b'\n').enumerate();
    let Some((at, header)) = lines.find(|(_, line)| Table::is_header(line, map)) else {
        return;
    };
    let Ok(mut table) = Table::new(header, at + 1, map, index) else {
        return;
    };
    let mut tally = Tally::default();
    for (at, line) in lines {
        if let Some(row) = table.row(line, at + 1, &mut tally) {
            sound(&row.values, index.len());
            assert!(row.said_s.is_none_or(f64::is_finite), "{row:?}");
        }
    }
}

/// A DBC file, and frames of every length against each of its signals.
pub fn dbc(data: &[u8]) {
    let Ok(dbc) = Dbc::parse_bytes(data) else {
        return;
    };
    for (id, extended, message) in dbc.messages() {
        assert!(dbc.message(id, extended).is_some());
        for place in 0..message.signals.len() {
            for length in [0, 1, 7, 8, 64] {
                for fill in [0x00, 0xFF, 0x5A] {
                    if let Some(value) = message.value(place, &vec![fill; length]) {
                        assert!(value.is_finite(), "{} {value}", message.name);
                    }
                }
            }
        }
    }
}

/// A log of CAN frames.
pub fn candump(data: &[u8]) {
    for line in data.split(|byte| *byte == b'\n') {
        let Some((time, frame)) = std::str::from_utf8(line).ok().and_then(can_log::parse) else {
            continue;
        };
        assert!(time.is_finite() && time >= 0.0, "{time}");
        if let Some(frame) = frame {
            let widest = if frame.extended { 0x1FFF_FFFF } else { 0x7FF };
            assert!(frame.id <= widest && frame.data.len() <= 64, "{frame:?}");
        }
    }
}

/// Weather sentences: every field of each, as it stands and as a channel's reading.
pub fn nmea(data: &[u8]) {
    static MAP: LazyLock<(usize, NmeaMap)> = LazyLock::new(|| {
        let text = "team = \"Team\"\nname = \"Car\"\n[[role]]\nkey = \"chief\"\nstrips = []\n".to_owned()
            + &[("air_temp", "degF"), ("pressure", "inHg"), ("humidity", "%"), ("wind_speed", "mph")]
                .map(|(key, unit)| format!("[[channel]]\nkey = \"{key}\"\nunit = \"{unit}\"\nplausible = [-100, 200]\nnmea = \"MDA.{key}\"\n"))
                .concat();
        let file = files::parse_car("weather", &text).unwrap_or_else(|errors| panic!("{errors}"));
        let index = Arc::new(ChannelIndex::new(&file.car));
        let map = NmeaMap::new(index.clone(), &file.names.fields).expect("their units fit");
        (index.len(), map)
    });
    let mut tally = Tally::default();
    for line in data.split(|byte| *byte == b'\n') {
        // As it came, and with its checksum made right, which chance hardly ever does.
        let body = line.strip_prefix(b"$").unwrap_or(line);
        let body = body.rsplitn(2, |byte| *byte == b'*').last().unwrap_or(body);
        let sum = body.iter().fold(0, |sum, byte| sum ^ byte);
        let mended = [b"$", body, format!("*{sum:02X}").as_bytes()].concat();
        for line in [line, &mended] {
            let Ok(sentence) = sentence(line) else {
                continue;
            };
            sound(&MAP.1.values(&sentence, &mut tally), MAP.0);
            for FieldMap { field, .. } in every_field() {
                if let Ok(Some((value, _))) = sentence.get(&field) {
                    assert!(value.is_finite(), "{value}");
                }
            }
            assert!(sentence.time_of_day().is_none_or(f64::is_finite));
        }
    }
}

fn every_field() -> impl Iterator<Item = FieldMap> {
    let names = "MDA.pressure MDA.air_temp MDA.water_temp MDA.humidity MDA.dew_point MDA.wind_direction MDA.wind_speed \
        MWV.relative_angle MWV.relative_speed MWV.true_angle MWV.true_speed XDR.TEMP";
    names.split_whitespace().map(|name| FieldMap {
        channel: 0,
        field: name.parse::<Field>().expect("a field that there is"),
    })
}

/// Where readings come from, in words.
pub fn source_spec(data: &[u8]) {
    if let Ok(text) = std::str::from_utf8(data)
        && let Err(error) = text.parse::<Spec>()
    {
        assert!(!error.to_string().is_empty());
    }
}
