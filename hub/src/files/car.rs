//! The car file: TOML text to a [`CarFile`], or every mistake in it. Reads no readings and starts no source.

use super::alarms::{ALARM, HOLD, NamedPhase, alarms, named_phases};
use super::fuel::{FLOW, FUEL, fuel};
use super::mistakes::{FileErrors, MAX_FILE, Notes, instead, quoted, read, too_large};
use super::walk::{Key, Kind, MAX_KEY, MAX_LABEL, MAX_WORDS, Spot, Walk, document};
use super::{names, sensor};
use crate::sources::map::{ColumnMap, Names, ReplayMap, TimeColumn, TimeForm};
use crate::sources::spec::{FORMS, Spec};
use spinover_protocol::car::{Car, Channel, ReadyCall, Role};
use spinover_protocol::trust::source_spec;
use spinover_protocol::units::{Dimension, Unit};
use std::collections::BTreeMap;
use std::path::Path;

/// A car file, read and found good.
#[derive(Clone, Debug, PartialEq)]
pub struct CarFile {
    /// The car, as phones and the record know it.
    pub car: Car,
    /// How the columns of a recording become channels; absent when no channel names a column.
    pub replay: Option<ReplayMap>,
    /// What channels are called on a CAN bus, at a weather station, at an MQTT broker.
    pub names: Names,
    /// Source specs that the hub opens when the command line names none.
    pub sources: Vec<String>,
    /// The phases that alarms name, for [`super::unknown_phases`].
    pub named_phases: Vec<NamedPhase>,
    /// The text that was read, for the record.
    pub text: String,
}

/// Keys of the figures that a role's page can show.
pub const FIGURES: [&str; 18] = [
    "air",
    "density_altitude",
    "moisture",
    "mix",
    "add_nitro",
    "add_methanol",
    "flow",
    "flow_book",
    "idle",
    "warm",
    "fuel_used",
    "fuel_left",
    "fuel_needed",
    "fuel_margin",
    "bleed",
    "slip",
    "mags",
    "cylinders",
];

const fn key(name: &'static str, example: &'static str) -> Key {
    Key { name, example }
}

const ROOT: Kind = Kind {
    header: "",
    keys: &[
        key("team", "team = \"Larkspur Racing\""),
        key("name", "name = \"Kestrel\""),
        key("sources", "sources = [\"sim:\"]"),
        key("calls", "calls = [{ text = \"Say again\" }]"),
        key("tank", "[tank]"),
        key("fuel", "[fuel]"),
        key("flow", "[flow]"),
        key("replay", "[replay]"),
        key("channel", "[[channel]]"),
        key("role", "[[role]]"),
        key("alarm", "[[alarm]]"),
    ],
};
const TANK: Kind = Kind {
    header: "[tank]",
    keys: &[
        key("capacity", "capacity = 17"),
        key("reserve", "reserve = 2"),
        key("unit", "unit = \"gal\""),
    ],
};
const REPLAY: Kind = Kind {
    header: "[replay]",
    keys: &[
        key("time", "time = { column = \"TIME\", form = \"clock\" }"),
        key("skip_lines", "skip_lines = 13"),
        key("separator", "separator = \";\""),
    ],
};
const TIME: Kind = Kind {
    header: "[replay.time]",
    keys: &[
        key("column", "column = \"TIME\""),
        key("form", "form = \"seconds\""),
    ],
};
const CHANNEL: Kind = Kind {
    header: "[[channel]]",
    keys: &[
        key("key", "key = \"oil_pressure\""),
        key("label", "label = \"Oil pressure\""),
        key("unit", "unit = \"psi\""),
        key("decimals", "decimals = 1"),
        key("plausible", "plausible = [0, 300]"),
        key("max_rate", "max_rate = 500"),
        key("old_after_s", "old_after_s = 2"),
        key("band", "band = [60, 150]"),
        key("prefer", "prefer = [\"dash\", \"ecu\"]"),
        key("back_after_s", "back_after_s = 3"),
        key("stuck_after_s", "stuck_after_s = 10"),
        key("offset", "offset = -2.5"),
        key("gain", "gain = 1.02"),
        key("column", "column = \"OIL P;PSI\""),
        key("column_unit", "column_unit = \"psi\""),
        key("nth", "nth = 1"),
        key("strip", "strip = \"TOTAL   :\""),
        key("signal", "signal = \"Engine.OilPressure\""),
        key("signal_unit", "signal_unit = \"kPa\""),
        key("nmea", "nmea = \"MDA.air_temp\""),
        key("topic", "topic = \"kestrel/oil_pressure\""),
        key("topic_unit", "topic_unit = \"bar\""),
    ],
};
const ROLE: Kind = Kind {
    header: "[[role]]",
    keys: &[
        key("key", "key = \"idle\""),
        key("label", "label = \"Idle\""),
        key("strips", "strips = [\"engine_rpm\", \"oil_pressure\"]"),
        key("figures", "figures = [\"idle\", \"warm\"]"),
        key("calls", "calls = [{ text = \"Idle up\", to = \"fuel\" }]"),
    ],
};
const CALL: Kind = Kind {
    header: "calls",
    keys: &[
        key("text", "text = \"Idle up\""),
        key("to", "to = \"fuel\""),
    ],
};

/// Every kind of table in a car file.
pub(super) const KINDS: [&Kind; 11] = [
    &ROOT, &TANK, &FUEL, &FLOW, &REPLAY, &TIME, &CHANNEL, &ROLE, &CALL, &ALARM, &HOLD,
];

/// Reads a car file.
///
/// # Errors
/// Every mistake found in it, or why it cannot be read.
pub fn load_car(path: impl AsRef<Path>) -> Result<CarFile, FileErrors> {
    let path = path.as_ref();
    parse_car(&path.display().to_string(), &read(path)?)
}

/// Reads a car file's text; `file` is what the mistakes call it.
///
/// # Errors
/// Every mistake found in it.
pub fn parse_car(file: &str, text: &str) -> Result<CarFile, FileErrors> {
    if text.len() > MAX_FILE {
        return Err(too_large(file));
    }
    let notes = Notes::new(file, text);
    let made = document(text, &notes, &ROOT, car_file);
    match made {
        Some(made) if notes.is_clean() => Ok(CarFile {
            text: text.to_owned(),
            ..made
        }),
        _ => Err(notes.into_errors()),
    }
}

fn car_file(root: &Walk<'_>) -> Option<CarFile> {
    let team = root.need_text("team", MAX_LABEL);
    let name = root.need_text("name", MAX_LABEL);
    let sources = root.texts("sources", 500);
    for source in &sources {
        check_source(root, source);
    }

    let channel_walks = root.need_tables("channel", &CHANNEL);
    // A channel that is wrong in itself can still be referred to, so that one mistake is not told twice.
    let channel_keys = unique_keys(&channel_walks, "channel");
    let named = sensor::source_names(root, &sources);
    let read: Vec<_> = channel_walks
        .iter()
        .map(|walk| channel(walk, named.as_ref()))
        .collect();

    let role_walks = root.need_tables("role", &ROLE);
    let role_keys = unique_keys(&role_walks, "role");
    let known = Known {
        channels: &channel_keys,
        roles: &role_keys,
    };
    let roles = role_walks
        .iter()
        .map(|walk| role(walk, &known))
        .collect::<Vec<_>>();
    let calls = calls(root, &known);

    let (tank_l, reserve_l) = root
        .table("tank", &TANK)
        .map_or((None, None), |tank| self::tank(&tank));
    let fuel = fuel(root);
    let replay = replay(root, &channel_walks, &read);
    let mut names = Names::default();
    for (place, (walk, (_, unit))) in channel_walks.iter().zip(&read).enumerate() {
        names::add(&mut names, walk, place, *unit);
    }

    let channels: Vec<Option<Channel>> = read.into_iter().map(|(channel, _)| channel).collect();
    let alarm_walks = root.tables("alarm", &ALARM);
    let alarm_keys = unique_keys(&alarm_walks, "alarm");
    let alarms = alarms(&alarm_walks, &known, &channels, &alarm_keys);
    let named_phases = named_phases(&alarm_walks);
    let channels = channels.into_iter().collect::<Option<_>>()?;
    let alarms = alarms.into_iter().collect::<Option<_>>()?;
    let roles = roles.into_iter().collect::<Option<_>>()?;
    let car = Car {
        team: team?.value,
        name: name?.value,
        channels,
        roles,
        calls,
        tank_l,
        reserve_l,
        fuel,
        alarms,
    };
    let sources = sources.into_iter().map(|spot| spot.value).collect();
    Some(CarFile {
        car,
        replay,
        names,
        sources,
        named_phases,
        text: String::new(),
    })
}

/// The keys that the rest of the file can refer to.
pub(super) struct Known<'k> {
    pub(super) channels: &'k BTreeMap<String, usize>,
    roles: &'k BTreeMap<String, usize>,
}

/// Reads the keys of tables of one sort, and notes those used twice. The value is where the first one is.
fn unique_keys(walks: &[Walk<'_>], sort: &str) -> BTreeMap<String, usize> {
    let mut keys = BTreeMap::new();
    for walk in walks {
        if let Some(Spot { at, value }) = walk.need_key("key") {
            note_unique(walk.notes, &mut keys, sort, at, value);
        }
    }
    keys
}

/// Adds a key, and notes it when it was there before.
pub(super) fn note_unique(
    notes: &Notes<'_>,
    keys: &mut BTreeMap<String, usize>,
    sort: &str,
    at: usize,
    key: String,
) {
    match keys.get(&key) {
        Some(first) => {
            let what = format!("{sort} `{key}` is on line {} already", notes.line(*first));
            notes.wrong(at, what, format!("give each {sort} a key of its own"));
        }
        None => {
            keys.insert(key, at);
        }
    }
}

/// The source is not opened here: its file may come later, and its port be taken now.
fn check_source(root: &Walk<'_>, source: &Spot<String>) {
    if let Err(error) = source_spec(&source.value).parse::<Spec>() {
        // "what is wrong; what would be right", as all messages of this room are.
        let (what, right) = error.what.split_once("; ").unwrap_or((&error.what, ""));
        let right = if right.is_empty() {
            format!("forms are {FORMS}")
        } else {
            right.to_owned()
        };
        root.notes.wrong(source.at, what, right);
    }
}

/// A unit, or a note of what it might have been meant to be.
pub(super) fn unit(walk: &Walk<'_>, name: &str) -> Option<Spot<Unit>> {
    let spot = walk.text(name, MAX_KEY)?;
    if let Some(unit) = Unit::parse(&spot.value) {
        return Some(Spot {
            at: spot.at,
            value: unit,
        });
    }
    let symbols = Unit::ALL.iter().map(|unit| unit.symbol());
    walk.notes.wrong(
        spot.at,
        format!("unknown unit {}", quoted(&spot.value)),
        instead(&spot.value, symbols),
    );
    None
}

/// The channel, and the unit that its readings have, where that much is right.
fn channel(
    walk: &Walk<'_>,
    sources: Option<&BTreeMap<String, usize>>,
) -> (Option<Channel>, Option<Unit>) {
    walk.need("unit");
    walk.need("plausible");
    let unit = unit(walk, "unit").map(|spot| spot.value);
    let plausible = walk.band("plausible");
    let band = walk.band("band");
    if let (Some(plausible), Some(band)) = (&plausible, &band)
        && (band.value.low < plausible.value.low || plausible.value.high < band.value.high)
    {
        let (low, high) = (plausible.value.low, plausible.value.high);
        let right = format!("keep it within [{low}, {high}], or widen `plausible`");
        walk.notes
            .wrong(band.at, "`band` reaches outside `plausible`", right);
    }
    let decimals = walk.whole("decimals", 0..=6);
    let max_rate = walk.number("max_rate");
    if let Some(rate) = &max_rate
        && rate.value <= 0.0
    {
        let right = "give the fastest honest change in units a second, above 0, or leave it out";
        walk.notes
            .wrong(rate.at, format!("`max_rate` is {}", rate.value), right);
    }
    let old_after = walk.millis("old_after_s");
    if let Some(old) = &old_after
        && old.value < 1
    {
        walk.notes.wrong(
            old.at,
            "`old_after_s` is 0",
            "give the seconds after which a reading is old, as in `old_after_s = 2`",
        );
    }
    let sensor = sensor::sensor(walk, plausible.as_ref().map(|spot| spot.value), sources);
    let label = walk.text("label", MAX_LABEL);
    let made = (|| {
        let key = walk.silent_key()?;
        let plain = Channel::new(&key, unit?, plausible?.value);
        Some(Channel {
            label: label.map_or_else(|| spoken(&key), |spot| spot.value),
            decimals: decimals.map_or(plain.decimals, |spot| spot.value as u8),
            max_rate: max_rate.map(|spot| spot.value),
            old_after_ms: old_after.map_or(plain.old_after_ms, |spot| spot.value),
            sensor,
            band: band.map(|spot| spot.value),
            ..plain
        })
    })();
    (made, unit)
}

/// A label for a key that has none: `oil_pressure` is "Oil pressure".
fn spoken(key: &str) -> String {
    let mut words = key.replace('_', " ");
    if let Some(first) = words.get_mut(..1) {
        first.make_ascii_uppercase();
    }
    words
}

fn role(walk: &Walk<'_>, known: &Known<'_>) -> Option<Role> {
    let strips = walk.texts("strips", MAX_KEY);
    for strip in &strips {
        refer(walk, strip, "channel", known.channels);
    }
    note_repeats(walk, &strips, "strip");
    let figures = walk.texts("figures", MAX_KEY);
    for figure in &figures {
        if !FIGURES.contains(&figure.value.as_str()) {
            let right = instead(&figure.value, FIGURES);
            walk.notes.wrong(
                figure.at,
                format!("unknown figure {}", quoted(&figure.value)),
                right,
            );
        }
    }
    note_repeats(walk, &figures, "figure");
    let calls = calls(walk, known);
    let label = walk.text("label", MAX_LABEL);
    let key = walk.silent_key()?;
    Some(Role {
        label: label.map_or_else(|| spoken(&key), |spot| spot.value),
        key: key.as_str().into(),
        strips: strips
            .iter()
            .map(|strip| strip.value.as_str().into())
            .collect(),
        figures: figures.into_iter().map(|figure| figure.value).collect(),
        calls,
    })
}

pub(super) fn note_repeats(walk: &Walk<'_>, spots: &[Spot<String>], sort: &str) {
    for (i, spot) in spots.iter().enumerate() {
        if spots[..i].iter().any(|earlier| earlier.value == spot.value) {
            walk.notes.wrong(
                spot.at,
                format!("{sort} {} is listed twice", quoted(&spot.value)),
                "list it once",
            );
        }
    }
}

/// Notes a reference to something that is not in the file.
pub(super) fn refer(
    walk: &Walk<'_>,
    spot: &Spot<String>,
    sort: &str,
    known: &BTreeMap<String, usize>,
) {
    if !known.contains_key(&spot.value) {
        let right = instead(&spot.value, known.keys().map(String::as_str));
        walk.notes.absent(
            spot.at,
            format!("no {sort} {} in this file", quoted(&spot.value)),
            right,
        );
    }
}

fn calls(walk: &Walk<'_>, known: &Known<'_>) -> Vec<ReadyCall> {
    let mut calls = Vec::new();
    for call in walk.tables("calls", &CALL) {
        let text = call.need_text("text", MAX_WORDS);
        let to = call.text("to", MAX_KEY);
        if let Some(to) = &to {
            refer(walk, to, "role", known.roles);
        }
        if let Some(text) = text {
            calls.push(ReadyCall {
                text: text.value,
                to: to.map(|to| to.value.as_str().into()),
            });
        }
    }
    calls
}

/// What the tank holds, and what must be left in it, in litres.
fn tank(walk: &Walk<'_>) -> (Option<f64>, Option<f64>) {
    walk.need("capacity");
    walk.need("unit");
    let capacity = walk.number("capacity");
    let reserve = walk.number("reserve");
    if let Some(capacity) = &capacity
        && capacity.value <= 0.0
    {
        walk.notes.wrong(
            capacity.at,
            format!("`capacity` is {}", capacity.value),
            "give what the tank holds when full, above 0",
        );
    }
    if let (Some(capacity), Some(reserve)) = (&capacity, &reserve)
        && capacity.value > 0.0
        && !(0.0..capacity.value).contains(&reserve.value)
    {
        let right = format!(
            "give what must be left at the end, from 0 to below {}",
            capacity.value
        );
        walk.notes
            .wrong(reserve.at, format!("`reserve` is {}", reserve.value), right);
    }
    let unit = volume(walk, "unit");
    let litres =
        |amount: Option<Spot<f64>>| unit.as_ref()?.value.convert(amount?.value, Unit::Litre);
    (litres(capacity), litres(reserve))
}

/// A unit of volume; another is noted.
pub(super) fn volume(walk: &Walk<'_>, name: &str) -> Option<Spot<Unit>> {
    unit(walk, name).filter(|unit| {
        let volume = unit.value.dimension() == Dimension::Volume;
        if !volume {
            walk.notes.wrong(
                unit.at,
                format!("`{}` is no unit of volume", unit.value),
                "use `L` or `gal`",
            );
        }
        volume
    })
}

/// How columns become channels, where any channel names a column.
fn replay(
    root: &Walk<'_>,
    walks: &[Walk<'_>],
    read: &[(Option<Channel>, Option<Unit>)],
) -> Option<ReplayMap> {
    let columns: Vec<ColumnMap> = walks
        .iter()
        .zip(read)
        .enumerate()
        .filter_map(|(index, (walk, (_, unit)))| column(walk, index, *unit))
        .collect();
    let walk = root.table("replay", &REPLAY);
    let Some(walk) = walk else {
        if let Some(with_column) = walks.iter().find(|walk| walk.has("column")) {
            let right = "add `[replay]` with `time = { column = \"TIME\", form = \"clock\" }`";
            with_column.notes.absent(
                with_column.at_of("column"),
                "a `column` is named, but there is no [replay]",
                right,
            );
        }
        return None;
    };
    if !walks.iter().any(|walk| walk.has("column")) {
        walk.notes.absent(
            walk.at,
            "[replay] is there, but no channel has a `column`",
            "name the columns: `column = \"RPM\"` in each [[channel]]",
        );
    }
    walk.need("time");
    let time = walk.table("time", &TIME).and_then(|time| {
        let column = time.need_text("column", MAX_WORDS);
        let form = match time.text("form", MAX_KEY) {
            Some(word) => {
                let form = TimeForm::from_word(&word.value);
                if form.is_none() {
                    let right = instead(&word.value, TimeForm::ALL.map(TimeForm::word));
                    time.notes.wrong(
                        word.at,
                        format!("unknown form of time {}", quoted(&word.value)),
                        right,
                    );
                }
                form?
            }
            None => TimeForm::default(),
        };
        Some(TimeColumn {
            column: column?.value,
            form,
        })
    });
    let skip_lines = walk
        .whole("skip_lines", 0..=10_000)
        .map(|lines| usize::from(lines.value));
    let separator = separator(&walk);
    Some(ReplayMap {
        time: time?,
        skip_lines,
        separator,
        columns,
    })
}

fn separator(walk: &Walk<'_>) -> u8 {
    let Some(spot) = walk.text("separator", MAX_KEY) else {
        return b',';
    };
    match spot.value.as_bytes() {
        b"tab" => b'\t',
        [one @ (b',' | b';' | b'|')] => *one,
        _ => {
            let right = "use \",\", \";\", \"|\" or \"tab\"";
            walk.notes.wrong(
                spot.at,
                format!("`separator` is {}", quoted(&spot.value)),
                right,
            );
            b','
        }
    }
}

fn column(walk: &Walk<'_>, channel: usize, unit: Option<Unit>) -> Option<ColumnMap> {
    let column = walk.text("column", MAX_WORDS);
    let column_unit = self::unit(walk, "column_unit");
    let nth = walk.whole("nth", 1..=1_000);
    let strip = walk.text("strip", MAX_WORDS);
    if !walk.has("column") {
        for name in ["column_unit", "nth", "strip"] {
            if walk.has(name) {
                walk.wrong(
                    name,
                    format!("`{name}` is there, but no `column`"),
                    "name the column: `column = \"OIL P;PSI\"`",
                );
            }
        }
    }
    if let (Some(column), Some(unit)) = (&column_unit, unit)
        && column.value.dimension() != unit.dimension()
    {
        let right = format!("give a unit that converts to {unit}, or change the channel's `unit`");
        walk.notes.wrong(
            column.at,
            format!("`{}` does not convert to `{unit}`", column.value),
            right,
        );
    }
    let unit = column_unit.map_or(unit, |spot| Some(spot.value))?;
    let nth = nth.map_or(1, |spot| usize::from(spot.value));
    Some(ColumnMap {
        channel,
        column: column?.value,
        nth,
        unit,
        strip: strip.map(|spot| spot.value),
    })
}
