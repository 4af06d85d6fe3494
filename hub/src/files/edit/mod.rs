//! What a car or a sheet is to say, brought into the text that says it: what already says so stays byte for byte, comments and
//! order included. A change that cannot be made in its place is refused, never made by writing the file anew.
//!
//! Every text made here is read again by the readers of this room, and is returned as good only if it says exactly what was
//! wanted; so what the form cannot do is found here, and not at the car.

mod text;

pub use text::{Unwritable, comments};

use super::car::{CarFile, parse_car};
use super::mistakes::FileErrors;
use super::sheet::parse_sheet;
use spinover_protocol::car::{Band, Car, ReadyCall, Role};
use spinover_protocol::sheet::{Gate, Must, Phase, Sheet, Step};
use text::{At, Draft, Item, number, quoted};

/// What came of a change.
#[derive(Clone, Debug, PartialEq)]
pub enum Edited {
    /// A text that is good and says what was wanted.
    Good(String),
    /// A text that says it, and what is wrong in it.
    Wrong(String, FileErrors),
}

impl Edited {
    /// The text, good or not.
    pub fn text(&self) -> &str {
        match self {
            Self::Good(text) | Self::Wrong(text, _) => text,
        }
    }
}

type Done = Result<(), Unwritable>;

/// The name of the key at which a mistake stands: `channel.oil_pressure.band`. `line` and `column` are counted from 1, in characters.
pub fn field_at(text: &str, line: usize, column: usize) -> String {
    if line == 0 {
        return String::new();
    }
    let start: usize = text
        .split_inclusive('\n')
        .take(line - 1)
        .map(str::len)
        .sum();
    let rest = text.get(start..).unwrap_or_default();
    let inside = rest.char_indices().nth(column.saturating_sub(1));
    text::field_at(text, start + inside.map_or(0, |(at, _)| at))
}

/// A car file's text, changed so that it says what the car is to be: labels, bands, roles' pages, ready calls.
///
/// # Errors
/// When the text is not good as it stands, or the change is of a kind that belongs into the text itself.
pub fn edit_car(file: &str, old: &str, wanted: &Car) -> Result<Edited, Unwritable> {
    let was = parse_car(file, old).map_err(mend_first)?;
    let mut draft = Draft::new(old)?;
    same_keys("channels", &was.car.channels, &wanted.channels, |channel| {
        channel.key.as_str()
    })?;
    same_keys("roles", &was.car.roles, &wanted.roles, |role| {
        role.key.as_str()
    })?;
    calls(&mut draft, &[], &was.car.calls, &wanted.calls)?;
    for (nth, (was, is)) in was.car.channels.iter().zip(&wanted.channels).enumerate() {
        let path = [At::Key("channel"), At::Nth(nth)];
        text(
            &mut draft,
            &path,
            "label",
            Some(&was.label),
            Some(&is.label),
        )?;
        band(&mut draft, &path, "band", was.band, is.band)?;
    }
    for (nth, (was, is)) in was.car.roles.iter().zip(&wanted.roles).enumerate() {
        role(&mut draft, &[At::Key("role"), At::Nth(nth)], was, is)?;
    }
    let new = draft.apply()?;
    match parse_car(file, &new) {
        Err(errors) => Ok(Edited::Wrong(new, errors)),
        Ok(now) => {
            let meant = CarFile {
                car: wanted.clone(),
                text: new.clone(),
                // Where alarms name phases moves with the lines, and no alarm is changed here.
                named_phases: now.named_phases.clone(),
                ..was
            };
            kept(old, &new, now == meant).map(|()| Edited::Good(new))
        }
    }
}

/// A sheet's text, changed so that it says what the sheet is to be: names, bands, and of steps everything but their keys.
///
/// # Errors
/// As [`edit_car`].
pub fn edit_sheet(
    file: &str,
    old: &str,
    car: &CarFile,
    wanted: &Sheet,
) -> Result<Edited, Unwritable> {
    let was = parse_sheet_of(file, old, car).map_err(mend_first)?;
    let mut draft = Draft::new(old)?;
    same_keys("phases", &was.phases, &wanted.phases, |phase| {
        phase.key.as_str()
    })?;
    text(&mut draft, &[], "name", Some(&was.name), Some(&wanted.name))?;
    for (nth, (was, is)) in was.phases.iter().zip(&wanted.phases).enumerate() {
        phase(&mut draft, &[At::Key("phase"), At::Nth(nth)], was, is)?;
    }
    let new = draft.apply()?;
    match parse_sheet(file, &new, car) {
        Err(errors) => Ok(Edited::Wrong(new, errors)),
        Ok(now) => kept(old, &new, now == *wanted).map(|()| Edited::Good(new)),
    }
}

/// The sheet that is there to be changed. With another car it may be wrong meanwhile, so it is read for itself as well.
fn parse_sheet_of(file: &str, text: &str, car: &CarFile) -> Result<Sheet, FileErrors> {
    parse_sheet(file, text, car)
        .or_else(|errors| super::parse_sheet_alone(file, text).map_err(|_| errors))
}

fn mend_first(errors: FileErrors) -> Unwritable {
    let first = errors
        .mistakes
        .first()
        .map_or_else(String::new, ToString::to_string);
    Unwritable(format!(
        "the file is wrong as it stands; mend its text first: {first}"
    ))
}

/// Holds a new text against what must be true of it.
fn kept(old: &str, new: &str, says: bool) -> Done {
    if !says {
        return Err(Unwritable(
            "this cannot be changed here without writing the file anew; change its text".to_owned(),
        ));
    }
    let mut left = comments(new);
    for comment in comments(old) {
        match left.iter().position(|known| *known == comment) {
            Some(at) => drop(left.swap_remove(at)),
            None => {
                return Err(Unwritable(format!(
                    "it would lose the comment `{comment}`; change the text"
                )));
            }
        }
    }
    Ok(())
}

fn same_keys<T>(what: &str, was: &[T], is: &[T], key: impl Fn(&T) -> &str) -> Done {
    if was.iter().map(&key).eq(is.iter().map(&key)) {
        return Ok(());
    }
    Err(Unwritable(format!(
        "{what} are added, taken out, moved and renamed in the text"
    )))
}

fn text(
    draft: &mut Draft<'_>,
    path: &[At<'_>],
    key: &str,
    was: Option<&String>,
    is: Option<&String>,
) -> Done {
    if was == is {
        return Ok(());
    }
    draft.set(path, key, is.map(|text| quoted(text)))
}

fn yes(
    draft: &mut Draft<'_>,
    path: &[At<'_>],
    key: &str,
    was: bool,
    is: bool,
    usual: bool,
) -> Done {
    if was == is {
        return Ok(());
    }
    draft.set(path, key, (is != usual).then(|| is.to_string()))
}

fn seconds(
    draft: &mut Draft<'_>,
    path: &[At<'_>],
    key: &str,
    was: Option<i64>,
    is: Option<i64>,
) -> Done {
    if was == is {
        return Ok(());
    }
    draft.set(path, key, is.map(|ms| number(ms as f64 / 1000.0)))
}

fn band(
    draft: &mut Draft<'_>,
    path: &[At<'_>],
    key: &str,
    was: Option<Band>,
    is: Option<Band>,
) -> Done {
    let (Some(old), Some(new)) = (was, is) else {
        let value = is.map(|band| format!("[{}, {}]", number(band.low), number(band.high)));
        return if was == is {
            Ok(())
        } else {
            draft.set(path, key, value)
        };
    };
    // Only the end that changes, so that spaces stay as they are.
    for (nth, old, new) in [(0, old.low, new.low), (1, old.high, new.high)] {
        if old != new {
            draft.replace(&[path, &[At::Key(key), At::Nth(nth)]].concat(), number(new))?;
        }
    }
    Ok(())
}

fn role(draft: &mut Draft<'_>, path: &[At<'_>], was: &Role, is: &Role) -> Done {
    text(draft, path, "label", Some(&was.label), Some(&is.label))?;
    let keys = |role: &Role| -> Vec<String> {
        role.strips.iter().map(|key| quoted(key.as_str())).collect()
    };
    list(draft, path, "strips", &keys(was), &keys(is))?;
    let figures =
        |role: &Role| -> Vec<String> { role.figures.iter().map(|key| quoted(key)).collect() };
    list(draft, path, "figures", &figures(was), &figures(is))?;
    calls(draft, path, &was.calls, &is.calls)
}

fn calls(draft: &mut Draft<'_>, path: &[At<'_>], was: &[ReadyCall], is: &[ReadyCall]) -> Done {
    let written = |call: &ReadyCall| {
        let to = call
            .to
            .as_ref()
            .map(|to| format!(", to = {}", quoted(to.as_str())));
        format!(
            "{{ text = {}{} }}",
            quoted(&call.text),
            to.unwrap_or_default()
        )
    };
    let written = |calls: &[ReadyCall]| -> Vec<String> { calls.iter().map(written).collect() };
    list(draft, path, "calls", &written(was), &written(is))
}

/// A list in brackets. Elements that are the same are the same ones; what then is new at a place takes over from what was old there.
fn list(draft: &mut Draft<'_>, path: &[At<'_>], key: &str, was: &[String], is: &[String]) -> Done {
    if was == is {
        return Ok(());
    }
    let there = [path, &[At::Key(key)]].concat();
    if !draft.has(&there) {
        let value = match is {
            [one] => format!("[{one}]"),
            many => format!("[{}]", many.join(", ")),
        };
        return draft.set(path, key, Some(value));
    }
    let mut free: Vec<bool> = vec![true; was.len()];
    let mut items: Vec<Option<Item>> = Vec::new();
    for (place, new) in is.iter().enumerate() {
        let same = |nth: &usize| free[*nth] && was[*nth] == *new;
        // Its own place first, so that of two equal ones neither moves.
        let own = Some(place).filter(|place| *place < was.len()).filter(same);
        let found = own.or_else(|| (0..was.len()).find(same));
        if let Some(nth) = found {
            free[nth] = false;
        }
        items.push(found.map(Item::Kept));
    }
    let items: Vec<Item> = items
        .into_iter()
        .zip(is)
        .enumerate()
        .map(|(place, (item, new))| {
            item.unwrap_or_else(|| match free.get_mut(place) {
                Some(free) if *free => {
                    *free = false;
                    Item::Changed(place, new.clone())
                }
                _ => Item::Fresh(new.clone()),
            })
        })
        .collect();
    draft.rearrange(&there, &items)
}

fn phase(draft: &mut Draft<'_>, path: &[At<'_>], was: &Phase, is: &Phase) -> Done {
    text(draft, path, "name", Some(&was.name), Some(&is.name))?;
    yes(draft, path, "firing", was.firing, is.firing, false)?;
    let there = [path, &[At::Key("bands")]].concat();
    if !draft.has(&there) && !is.bands.is_empty() {
        let pairs = is
            .bands
            .iter()
            .map(|(key, band)| format!("{key} = [{}, {}]", number(band.low), number(band.high)));
        let pairs: Vec<String> = pairs.collect();
        draft.set(path, "bands", Some(format!("{{ {} }}", pairs.join(", "))))?;
    } else {
        let keys = was
            .bands
            .keys()
            .chain(is.bands.keys().filter(|key| !was.bands.contains_key(key)));
        for key in keys {
            let (was, is) = (was.bands.get(key).copied(), is.bands.get(key).copied());
            band(draft, &there, key.as_str(), was, is)?;
        }
    }
    same_keys("steps", &was.steps, &is.steps, |step| step.key.as_str())?;
    for (nth, (was, is)) in was.steps.iter().zip(&is.steps).enumerate() {
        step(
            draft,
            &[path, &[At::Key("step"), At::Nth(nth)]].concat(),
            was,
            is,
        )?;
    }
    Ok(())
}

fn step(draft: &mut Draft<'_>, path: &[At<'_>], was: &Step, is: &Step) -> Done {
    text(draft, path, "text", Some(&was.text), Some(&is.text))?;
    text(draft, path, "owner", Some(&was.owner.0), Some(&is.owner.0))?;
    text(
        draft,
        path,
        "caution",
        was.caution.as_ref(),
        is.caution.as_ref(),
    )?;
    yes(draft, path, "safety", was.safety, is.safety, false)?;
    yes(draft, path, "ordered", was.ordered, is.ordered, true)?;
    seconds(draft, path, "dwell_s", was.dwell_ms, is.dwell_ms)?;
    seconds(draft, path, "limit_s", was.limit_ms, is.limit_ms)?;
    text(
        draft,
        path,
        "late_call",
        was.late_call.as_ref(),
        is.late_call.as_ref(),
    )?;
    gates(draft, path, &was.gates, &is.gates)
}

/// What a gate asks, as the key and value that say it.
fn asks(must: &Must) -> (&'static str, String) {
    match must {
        Must::AtLeast(limit) => ("at_least", number(*limit)),
        Must::AtMost(limit) => ("at_most", number(*limit)),
        Must::InBand(_) => ("in_band", "true".to_owned()),
    }
}

fn pairs(gate: &Gate) -> Vec<(&'static str, String)> {
    let mut pairs = vec![("channel", quoted(gate.channel.as_str())), asks(&gate.must)];
    if gate.for_ms > 0 {
        pairs.push(("for_s", number(gate.for_ms as f64 / 1000.0)));
    }
    pairs
}

fn gates(draft: &mut Draft<'_>, path: &[At<'_>], was: &[Gate], is: &[Gate]) -> Done {
    if was == is {
        return Ok(());
    }
    let there = [path, &[At::Key("gate")]].concat();
    if draft.has(&there) && draft.in_brackets(&there) {
        let written = |gates: &[Gate]| -> Vec<String> {
            let one = |gate: &Gate| {
                let pairs: Vec<String> = pairs(gate)
                    .iter()
                    .map(|(k, v)| format!("{k} = {v}"))
                    .collect();
                format!("{{ {} }}", pairs.join(", "))
            };
            gates.iter().map(one).collect()
        };
        return list(draft, path, "gate", &written(was), &written(is));
    }
    // Which go, from behind, so that the others keep their places: those that are in neither order nor content any more.
    let mut left: Vec<(usize, &Gate)> = was.iter().enumerate().collect();
    if is.len() < was.len() {
        let mut nth = 0;
        left.retain(|(_, gate)| {
            let stays = is.get(nth).is_some_and(|wanted| same_place(gate, wanted));
            nth += usize::from(stays);
            stays
        });
        left.truncate(is.len());
        let mut spare = (0..was.len())
            .filter(|place| left.iter().all(|(kept, _)| kept != place))
            .collect::<Vec<_>>();
        // Where they cannot be told apart, the last ones go.
        while left.len() < is.len() && !spare.is_empty() {
            let place = spare.remove(0);
            left.push((place, &was[place]));
            left.sort_by_key(|(place, _)| *place);
        }
    }
    for (place, (nth, old)) in left.iter().enumerate() {
        let Some(new) = is.get(place) else { continue };
        let path = [there.as_slice(), &[At::Nth(*nth)]].concat();
        text(
            draft,
            &path,
            "channel",
            Some(&old.channel.0),
            Some(&new.channel.0),
        )?;
        let ((was_key, was_value), (key, value)) = (asks(&old.must), asks(&new.must));
        if was_key != key {
            draft.set(&path, was_key, None)?;
            draft.set(&path, key, Some(value))?;
        } else if was_value != value {
            draft.set(&path, key, Some(value))?;
        }
        let some = |ms: i64| Some(ms).filter(|ms| *ms > 0);
        seconds(draft, &path, "for_s", some(old.for_ms), some(new.for_ms))?;
    }
    for nth in (0..was.len()).filter(|nth| left.iter().all(|(kept, _)| kept != nth)) {
        draft.remove_table(&[there.as_slice(), &[At::Nth(nth)]].concat())?;
    }
    for gate in is.iter().skip(left.len()) {
        draft.append_table(path, "[[phase.step.gate]]", &pairs(gate))?;
    }
    Ok(())
}

/// Whether a gate can have become that one by being changed.
fn same_place(was: &Gate, is: &Gate) -> bool {
    was.channel == is.channel
        && std::mem::discriminant(&was.must) == std::mem::discriminant(&is.must)
}
