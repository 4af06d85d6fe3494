//! The sheet: TOML text and a car to the protocol's [`Sheet`], or every mistake in it. Marks no step and reads no clock.

use super::car::{CarFile, note_unique, volume};
use super::mistakes::{FileErrors, MAX_FILE, Notes, instead, quoted, read, too_large};
use super::walk::{Key, Kind, MAX_KEY, MAX_LABEL, MAX_WORDS, Spot, Walk, document};
use spinover_protocol::ChannelKey;
use spinover_protocol::car::{Band, Car, Channel};
use spinover_protocol::sheet::{FuelAllowance, Gate, Must, Phase, Sheet, Step};
use spinover_protocol::units::Unit;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

const fn key(name: &'static str, example: &'static str) -> Key {
    Key { name, example }
}

const ROOT: Kind = Kind {
    header: "",
    keys: &[
        key("key", "key = \"pit_warm_up\""),
        key("name", "name = \"Pit warm-up\""),
        key("phase", "[[phase]]"),
    ],
};
const PHASE: Kind = Kind {
    header: "[[phase]]",
    keys: &[
        key("key", "key = \"petrol\""),
        key("name", "name = \"On petrol\""),
        key("shut_down", "shut_down = true"),
        key("firing", "firing = true"),
        key("bands", "bands = { oil_pressure = [60, 150] }"),
        key(
            "fuel_allowance",
            "fuel_allowance = { usual = 0.8, most = 1.2, unit = \"gal\" }",
        ),
        key("step", "[[phase.step]]"),
    ],
};
const ALLOWANCE: Kind = Kind {
    header: "fuel_allowance",
    keys: &[
        key("usual", "usual = 0.8"),
        key("most", "most = 1.2"),
        key("unit", "unit = \"gal\""),
    ],
};
const STEP: Kind = Kind {
    header: "[[phase.step]]",
    keys: &[
        key("key", "key = \"oil_pressure_up\""),
        key("text", "text = \"Oil pressure up\""),
        key("owner", "owner = \"idle\""),
        key("caution", "caution = \"No pressure: shut down.\""),
        key("safety", "safety = true"),
        key("ordered", "ordered = false"),
        key("dwell_s", "dwell_s = 3"),
        key("limit_s", "limit_s = 8"),
        key("late_call", "late_call = \"No oil pressure: shut down\""),
        key("gate", "[[phase.step.gate]]"),
    ],
};
const GATE: Kind = Kind {
    header: "[[phase.step.gate]]",
    keys: &[
        key("channel", "channel = \"oil_pressure\""),
        key("at_least", "at_least = 60"),
        key("at_most", "at_most = 50"),
        key("in_band", "in_band = true"),
        key("for_s", "for_s = 2"),
    ],
};

/// Every kind of table in a sheet.
pub(super) const KINDS: [&Kind; 5] = [&ROOT, &PHASE, &ALLOWANCE, &STEP, &GATE];

/// Reads a sheet for a car.
///
/// # Errors
/// Every mistake found in it, or why it cannot be read.
pub fn load_sheet(path: impl AsRef<Path>, car: &CarFile) -> Result<Sheet, FileErrors> {
    let path = path.as_ref();
    parse_sheet(&path.display().to_string(), &read(path)?, car)
}

/// Reads the sheets of a hub, each with what came of it. No two may have one key, since that is what they are begun by.
///
/// Without a car (when the car file is itself wrong), channels, roles and limits are not checked.
///
/// # Errors
/// For each sheet every mistake found in it, or why it cannot be read.
pub fn load_sheets(paths: &[PathBuf], car: Option<&CarFile>) -> Vec<Result<Sheet, FileErrors>> {
    let texts = paths
        .iter()
        .map(|path| (path.display().to_string(), read(path)));
    parse_sheets(texts, car)
}

/// The same for texts that were read already, each with the name of its file.
pub(super) fn parse_sheets(
    texts: impl IntoIterator<Item = (String, Result<String, FileErrors>)>,
    car: Option<&CarFile>,
) -> Vec<Result<Sheet, FileErrors>> {
    let mut keys: BTreeMap<String, String> = BTreeMap::new();
    let mut sheets = Vec::new();
    for (file, text) in texts {
        let sheet = text.and_then(|text| parse(&file, &text, car.map(|file| &file.car)));
        sheets.push(sheet.and_then(|sheet| match keys.get(&sheet.key) {
            Some(first) => {
                let what = format!("{first} has the key `{}` already", sheet.key);
                Err(FileErrors::whole(
                    &file,
                    what,
                    "give each sheet a key of its own",
                ))
            }
            None => {
                keys.insert(sheet.key.clone(), file);
                Ok(sheet)
            }
        }));
    }
    sheets
}

/// Reads a sheet's text for a car; `file` is what the mistakes call it.
///
/// # Errors
/// Every mistake found in it.
pub fn parse_sheet(file: &str, text: &str, car: &CarFile) -> Result<Sheet, FileErrors> {
    parse(file, text, Some(&car.car))
}

/// Reads a sheet's text without a car, so that its channels, roles and limits are not checked.
///
/// # Errors
/// Every mistake that can be found without the car.
pub fn parse_sheet_alone(file: &str, text: &str) -> Result<Sheet, FileErrors> {
    parse(file, text, None)
}

fn parse(file: &str, text: &str, car: Option<&Car>) -> Result<Sheet, FileErrors> {
    if text.len() > MAX_FILE {
        return Err(too_large(file));
    }
    let notes = Notes::new(file, text);
    match document(text, &notes, &ROOT, |root| sheet(root, car)) {
        Some(sheet) if notes.is_clean() => Ok(sheet),
        _ => Err(notes.into_errors()),
    }
}

fn sheet(root: &Walk<'_>, car: Option<&Car>) -> Option<Sheet> {
    let key = root.need_key("key");
    let name = root.need_text("name", MAX_LABEL);
    let walks = root.need_tables("phase", &PHASE);
    let mut phase_keys = BTreeMap::new();
    // Steps are named across phases (a mark carries the step alone), so their keys are unique in the whole sheet.
    let mut step_keys = BTreeMap::new();
    let phases: Vec<_> = walks
        .iter()
        .map(|walk| phase(walk, car, &mut phase_keys, &mut step_keys))
        .collect();
    check_shut_down(root, &walks);
    let phases = phases.into_iter().collect::<Option<_>>()?;
    Some(Sheet {
        key: key?.value,
        name: name?.value,
        phases,
    })
}

/// One phase is the shut-down, and it is the last.
fn check_shut_down(root: &Walk<'_>, walks: &[Walk<'_>]) {
    let is_one = |walk: &&Walk<'_>| walk.yes_no_silent("shut_down") == Some(true);
    let Some(last) = walks.last() else { return };
    match walks.iter().find(is_one) {
        None => {
            let right = "an abort must lead somewhere: put `shut_down = true` in the last phase";
            root.notes
                .absent(last.at, "no phase is the shut-down", right);
        }
        Some(first) if first.at != last.at => {
            let right = "only the last phase is the shut-down: move it to the end, or take `shut_down` out here";
            first.wrong("shut_down", "the shut-down phase is not the last", right);
        }
        Some(_) => {}
    }
}

fn phase(
    walk: &Walk<'_>,
    car: Option<&Car>,
    phase_keys: &mut BTreeMap<String, usize>,
    step_keys: &mut BTreeMap<String, usize>,
) -> Option<Phase> {
    let key = walk.need_key("key");
    if let Some(Spot { at, value }) = &key {
        note_unique(walk.notes, phase_keys, "phase", *at, value.clone());
    }
    let name = walk.need_text("name", MAX_LABEL);
    let shut_down = walk.yes_no("shut_down").is_some_and(|spot| spot.value);
    let firing = walk.yes_no("firing").is_some_and(|spot| spot.value);
    let mut bands = BTreeMap::new();
    for (name, band) in walk.bands("bands") {
        if let Some(channel) = channel(walk, &name, car) {
            check_band(walk, &band, channel);
        }
        bands.insert(ChannelKey::from(name.value.as_str()), band.value);
    }
    let fuel_allowance = walk
        .table("fuel_allowance", &ALLOWANCE)
        .and_then(|walk| allowance(&walk));
    let scope = Scope { car, phase: walk };
    let walks = walk.need_tables("step", &STEP);
    let steps: Vec<_> = walks
        .iter()
        .map(|walk| step(walk, &scope, step_keys))
        .collect();
    let steps = steps.into_iter().collect::<Option<_>>()?;
    Some(Phase {
        key: key?.value.as_str().into(),
        name: name?.value,
        shut_down,
        firing,
        bands,
        fuel_allowance,
        steps,
    })
}

/// What the phase may use of the fuel, in litres. Without `most` the usual is also the most.
fn allowance(walk: &Walk<'_>) -> Option<FuelAllowance> {
    walk.need("usual");
    walk.need("unit");
    let amounts = ["usual", "most"].map(|name| {
        let spot = walk.number(name)?;
        if spot.value < 0.0 {
            let what = format!("`{name}` is {}", spot.value);
            walk.notes
                .wrong(spot.at, what, "give what the phase uses, 0 or more");
        }
        Some(spot)
    });
    let unit = volume(walk, "unit");
    let [usual, most] = amounts;
    if let (Some(usual), Some(most)) = (&usual, &most)
        && most.value < usual.value
    {
        let what = format!("`most` is {}, below `usual`", most.value);
        let right = format!("give what it uses at worst, {} or more", usual.value);
        walk.notes.wrong(most.at, what, right);
    }
    let litres = |amount: f64| unit.as_ref()?.value.convert(amount, Unit::Litre);
    let usual = usual?.value;
    Some(FuelAllowance {
        usual_l: litres(usual)?,
        most_l: litres(most.map_or(usual, |most| most.value))?,
    })
}

/// What a step can refer to.
struct Scope<'s> {
    car: Option<&'s Car>,
    /// The phase that the step is in.
    phase: &'s Walk<'s>,
}

/// The car's channel of that key; one that is not there is noted. None also when there is no car to look in.
fn channel<'c>(walk: &Walk<'_>, name: &Spot<String>, car: Option<&'c Car>) -> Option<&'c Channel> {
    let car = car?;
    let found = car.channel(&name.value.as_str().into());
    if found.is_none() {
        let right = instead(
            &name.value,
            car.channels.iter().map(|channel| channel.key.as_str()),
        );
        walk.notes.wrong(
            name.at,
            format!("no channel {} in the car file", quoted(&name.value)),
            right,
        );
    }
    found.map(|(_, channel)| channel)
}

fn check_band(walk: &Walk<'_>, band: &Spot<Band>, channel: &Channel) {
    let Band { low, high } = channel.plausible;
    if band.value.low < low || high < band.value.high {
        let what = format!(
            "the band of `{}` reaches outside what its sensor can give",
            channel.key
        );
        walk.notes.wrong(
            band.at,
            what,
            format!("keep it within [{low}, {high}] {}", channel.unit),
        );
    }
}

fn step(
    walk: &Walk<'_>,
    scope: &Scope<'_>,
    step_keys: &mut BTreeMap<String, usize>,
) -> Option<Step> {
    let key = walk.need_key("key");
    if let Some(Spot { at, value }) = &key {
        note_unique(walk.notes, step_keys, "step", *at, value.clone());
    }
    let text = walk.need_text("text", MAX_WORDS);
    let owner = walk.need_text("owner", MAX_KEY);
    if let (Some(owner), Some(car)) = (&owner, scope.car)
        && car.role(&owner.value.as_str().into()).is_none()
    {
        let right = instead(&owner.value, car.roles.iter().map(|role| role.key.as_str()));
        walk.notes.wrong(
            owner.at,
            format!("no role {} in the car file", quoted(&owner.value)),
            right,
        );
    }
    let caution = walk.text("caution", MAX_WORDS).map(|spot| spot.value);
    let safety = walk.yes_no("safety").is_some_and(|spot| spot.value);
    let ordered = walk.yes_no("ordered");
    if safety && let Some(Spot { at, value: false }) = ordered {
        let right = "a safety step is always ordered: take `ordered` out";
        walk.notes
            .wrong(at, "`ordered = false` on a safety step", right);
    }
    let (dwell_ms, limit_ms) = times(walk);
    let late_call = walk.text("late_call", MAX_WORDS);
    if let Some(late) = &late_call
        && !walk.has("limit_s")
    {
        walk.notes.absent(
            late.at,
            "`late_call` is there, but no `limit_s`",
            "say after how long it is late: `limit_s = 8`",
        );
    }
    let walks = walk.tables("gate", &GATE);
    let gates: Vec<_> = walks.iter().map(|walk| gate(walk, scope)).collect();
    check_together(&walks, &gates);
    let gates = gates.into_iter().collect::<Option<_>>()?;
    Some(Step {
        key: key?.value.as_str().into(),
        text: text?.value,
        owner: owner?.value.as_str().into(),
        caution,
        safety,
        ordered: safety || ordered.is_none_or(|spot| spot.value),
        gates,
        dwell_ms,
        limit_ms,
        late_call: late_call.map(|spot| spot.value),
    })
}

/// Dwell and limit in milliseconds, the dwell shorter than the limit.
fn times(walk: &Walk<'_>) -> (Option<i64>, Option<i64>) {
    let dwell = walk.millis("dwell_s");
    let limit = walk.millis("limit_s");
    match (&dwell, &limit) {
        (_, Some(limit)) if limit.value == 0 => {
            walk.notes.wrong(
                limit.at,
                "`limit_s` is 0",
                "give the seconds that the step may take, or leave it out",
            );
        }
        (Some(dwell), Some(limit)) if dwell.value >= limit.value => {
            let right =
                "make it shorter than `limit_s`: a step cannot be late before it can be marked";
            walk.notes
                .wrong(dwell.at, "`dwell_s` is not below `limit_s`", right);
        }
        _ => {}
    }
    (dwell.map(|spot| spot.value), limit.map(|spot| spot.value))
}

fn gate(walk: &Walk<'_>, scope: &Scope<'_>) -> Option<Gate> {
    let name = walk.need_text("channel", MAX_KEY);
    let found = name
        .as_ref()
        .and_then(|name| channel(walk, name, scope.car));
    let asked: Vec<&str> = ["at_least", "at_most", "in_band"]
        .into_iter()
        .filter(|must| walk.has(must))
        .collect();
    match asked.as_slice() {
        [] => {
            let right = "add one of `at_least = 60`, `at_most = 50`, `in_band = true`";
            walk.notes
                .absent(walk.at, "this gate asks nothing of its channel", right);
        }
        [_] => {}
        [_, second, ..] => {
            let what = format!("this gate asks for {}", asked.join(" and "));
            walk.wrong(
                second,
                what,
                "one gate asks one thing: write a [[phase.step.gate]] for each",
            );
        }
    }
    let [at_least, at_most] = ["at_least", "at_most"].map(|limit| {
        let spot = walk.number(limit)?;
        if let Some(channel) = found
            && !channel.plausible.holds(spot.value)
        {
            let Band { low, high } = channel.plausible;
            let what = format!(
                "`{limit} = {}` lies outside what the sensor of `{}` can give",
                spot.value, channel.key
            );
            walk.notes.wrong(
                spot.at,
                what,
                format!("keep it within [{low}, {high}] {}", channel.unit),
            );
        }
        Some(spot.value)
    });
    let in_band = walk.yes_no("in_band");
    if let Some(Spot { at, value: false }) = in_band {
        walk.notes.wrong(
            at,
            "`in_band` is false",
            "write `in_band = true`, or ask for `at_least` or `at_most`",
        );
    }
    if let (Some(Spot { at, value: true }), Some(channel)) = (&in_band, found)
        && channel.band.is_none()
        && !scope.phase.mentions("bands", channel.key.as_str())
    {
        let what = format!("`{}` has no band to be in", channel.key);
        let right = format!(
            "give this phase one, as in `bands = {{ {} = [low, high] }}`, or give the car's channel one",
            channel.key
        );
        walk.notes.wrong(*at, what, right);
    }
    let for_ms = walk.millis("for_s").map_or(0, |spot| spot.value);
    let must = match *asked.first()? {
        "at_least" => Must::AtLeast(at_least?),
        "at_most" => Must::AtMost(at_most?),
        _ => Must::InBand(true),
    };
    Some(Gate {
        channel: name?.value.as_str().into(),
        must,
        for_ms,
    })
}

/// Notes a pair of gates of one step that can never both be open.
fn check_together(walks: &[Walk<'_>], gates: &[Option<Gate>]) {
    let limits = || {
        walks
            .iter()
            .zip(gates)
            .filter_map(|(walk, gate)| Some((walk, gate.as_ref()?)))
    };
    for (_, low) in limits() {
        let Must::AtLeast(least) = low.must else {
            continue;
        };
        for (walk, high) in limits().filter(|(_, high)| high.channel == low.channel) {
            if let Must::AtMost(most) = high.must
                && most < least
            {
                let what = format!(
                    "`{}` is to be at most {most} and at least {least}",
                    low.channel
                );
                walk.wrong(
                    "at_most",
                    what,
                    "no reading is both: put the numbers the other way round, or use two steps",
                );
            }
        }
    }
}
