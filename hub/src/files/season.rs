//! The season file: TOML text to the protocol's counters, or every mistake in it. Counts nothing itself.

use super::car::note_unique;
use super::mistakes::{FileErrors, MAX_FILE, Notes, instead, quoted, read, too_large};
use super::walk::{Key, Kind, MAX_KEY, MAX_LABEL, MAX_WORDS, Spot, Walk, document};
use spinover_protocol::season::{Counter, Counts};
use spinover_protocol::sheet::Sheet;
use spinover_protocol::turnaround::Plan;
use std::collections::BTreeMap;
use std::path::Path;

const fn key(name: &'static str, example: &'static str) -> Key {
    Key { name, example }
}

const ROOT: Kind = Kind {
    header: "",
    keys: &[key("counter", "[[counter]]")],
};
const COUNTER: Kind = Kind {
    header: "[[counter]]",
    keys: &[
        key("key", "key = \"rods\""),
        key("label", "label = \"Connecting rods\""),
        key("counts", "counts = \"runs\""),
        key("step", "step = \"run\""),
        key("task", "task = \"clutch\""),
        key("above_rpm", "above_rpm = 7000"),
        key("limit", "limit = 8"),
        key("warn_at", "warn_at = 6"),
        key("caution", "caution = \"By the maker's sheet.\""),
    ],
};

/// Every kind of table in a season file.
pub(super) const KINDS: [&Kind; 2] = [&ROOT, &COUNTER];

/// More than a crew would look at.
const MAX_COUNTERS: usize = 40;
/// What can count, in the file's words, and what each needs besides.
const COUNTED: [(&str, Option<&str>); 6] = [
    ("warm_ups", None),
    ("runs", Some("step")),
    ("burn_outs", Some("step")),
    ("steps", Some("step")),
    ("tasks", Some("task")),
    ("engine_seconds", Some("above_rpm")),
];
/// No part lasts longer.
const MOST: f64 = 1e7;

/// What a counter's steps and tasks are looked up in: nothing where those files are themselves wrong or not given.
#[derive(Clone, Copy, Debug, Default)]
pub struct Marked<'a> {
    /// The sheets.
    pub sheets: Option<&'a [&'a Sheet]>,
    /// The plan between rounds.
    pub plan: Option<&'a Plan>,
}

/// Reads a season file.
///
/// # Errors
/// Every mistake found in it, or why it cannot be read.
pub fn load_season(path: impl AsRef<Path>, marked: Marked<'_>) -> Result<Vec<Counter>, FileErrors> {
    let path = path.as_ref();
    parse_season(&path.display().to_string(), &read(path)?, marked)
}

/// Reads a season file's text; `file` is what the mistakes call it.
///
/// # Errors
/// Every mistake found in it.
pub fn parse_season(
    file: &str,
    text: &str,
    marked: Marked<'_>,
) -> Result<Vec<Counter>, FileErrors> {
    if text.len() > MAX_FILE {
        return Err(too_large(file));
    }
    let notes = Notes::new(file, text);
    match document(text, &notes, &ROOT, |root| counters(root, marked)) {
        Some(counters) if notes.is_clean() => Ok(counters),
        _ => Err(notes.into_errors()),
    }
}

fn counters(root: &Walk<'_>, marked: Marked<'_>) -> Option<Vec<Counter>> {
    let walks = root.need_tables("counter", &COUNTER);
    if let Some(over) = walks.get(MAX_COUNTERS) {
        let what = format!("there are {} counters", walks.len());
        root.notes
            .wrong(over.at, what, format!("at most {MAX_COUNTERS}"));
        return None;
    }
    let mut keys = BTreeMap::new();
    let all: Vec<_> = walks
        .iter()
        .map(|walk| counter(walk, &mut keys, marked))
        .collect();
    all.into_iter().collect()
}

fn counter(
    walk: &Walk<'_>,
    keys: &mut BTreeMap<String, usize>,
    marked: Marked<'_>,
) -> Option<Counter> {
    let key = walk.need_key("key");
    if let Some(Spot { at, value }) = &key {
        note_unique(walk.notes, keys, "counter", *at, value.clone());
    }
    let label = walk.need_text("label", MAX_LABEL);
    let counts = counts(walk, marked);
    let [limit, warn_at] = ["limit", "warn_at"].map(|name| {
        walk.need(name);
        walk.number_in(name, 0.0..=MOST, "")
    });
    if let (Some(limit), Some(warn)) = (&limit, &warn_at)
        && warn.value > limit.value
    {
        let what = format!("`warn_at` is {}, and `limit` {}", warn.value, limit.value);
        let right = "warn before the limit, or at it";
        walk.notes.wrong(warn.at, what, right);
    }
    let caution = walk.text("caution", MAX_WORDS);
    Some(Counter {
        key: key?.value,
        label: label?.value,
        counts: counts?,
        limit: limit?.value,
        warn_at: warn_at?.value,
        caution: caution.map(|spot| spot.value),
    })
}

fn counts(walk: &Walk<'_>, marked: Marked<'_>) -> Option<Counts> {
    let said = walk.need_text("counts", MAX_KEY)?;
    let known = COUNTED.iter().find(|(name, _)| *name == said.value);
    let Some((name, needs)) = known else {
        let what = format!("{} is nothing that can be counted", quoted(&said.value));
        let names = COUNTED.iter().map(|(name, _)| *name);
        walk.notes.wrong(said.at, what, instead(&said.value, names));
        return None;
    };
    for other in ["step", "task", "above_rpm"] {
        if *needs != Some(other) && walk.has(other) {
            let what = format!("`{other}` says nothing where \"{name}\" are counted");
            walk.wrong(other, what, "take it away");
        }
    }
    let step = || -> Option<spinover_protocol::StepKey> {
        let step = walk.need_text("step", MAX_KEY)?;
        if let Some(sheets) = marked.sheets {
            let keys = || {
                sheets
                    .iter()
                    .flat_map(|sheet| sheet.steps())
                    .map(|(_, step)| step.key.as_str())
            };
            unknown(walk, &step, "no sheet has a step", keys());
        }
        Some(step.value.as_str().into())
    };
    Some(match *name {
        "warm_ups" => Counts::WarmUps,
        "runs" => Counts::Runs { step: step()? },
        "burn_outs" => Counts::BurnOuts { step: step()? },
        "steps" => Counts::Steps { step: step()? },
        "tasks" => {
            let task = walk.need_text("task", MAX_KEY)?;
            if let Some(plan) = marked.plan {
                let keys = plan.tasks.iter().map(|task| task.key.as_str());
                unknown(walk, &task, "the turnaround file has no task", keys);
            }
            Counts::Tasks {
                task: task.value.as_str().into(),
            }
        }
        _ => {
            walk.need("above_rpm");
            let above = walk.number_in("above_rpm", 0.0..=20_000.0, " rpm")?;
            Counts::EngineSeconds {
                above_rpm: above.value,
            }
        }
    })
}

fn unknown<'k>(
    walk: &Walk<'_>,
    spot: &Spot<String>,
    what: &str,
    keys: impl Iterator<Item = &'k str>,
) {
    let keys: Vec<&str> = keys.collect();
    if !keys.contains(&spot.value.as_str()) {
        let right = instead(&spot.value, keys);
        walk.notes
            .wrong(spot.at, format!("{what} {}", quoted(&spot.value)), right);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn wrong(text: &str) -> Vec<(usize, String)> {
        let errors = parse_season("season.toml", text, Marked::default()).unwrap_err();
        errors
            .mistakes
            .iter()
            .map(|m| (m.line, m.what.clone()))
            .collect()
    }

    #[test]
    fn what_is_right_is_read_and_what_is_wrong_has_its_place() {
        let text = "[[counter]]\nkey = \"rods\"\nlabel = \"Rods\"\ncounts = \"runs\"\nstep = \"run\"\nlimit = 8\nwarn_at = 6\n";
        let read = parse_season("season.toml", text, Marked::default()).unwrap();
        assert_eq!(read[0].counts, Counts::Runs { step: "run".into() });
        assert_eq!((read[0].limit, read[0].warn_at), (8.0, 6.0));
        for (from, to, line, part) in [
            ("warn_at = 6", "warn_at = 9", 7, "`warn_at` is 9"),
            ("\"runs\"", "\"rnus\"", 4, "nothing that can be counted"),
            ("step = \"run\"", "task = \"run\"", 5, "says nothing"),
            ("limit = 8", "limit = -1", 6, ""),
        ] {
            let mistakes = wrong(&text.replace(from, to));
            assert!(
                mistakes
                    .iter()
                    .any(|(at, what)| *at == line && what.contains(part)),
                "{to}: {mistakes:?}"
            );
        }
        let twice = wrong(&text.repeat(2));
        assert!(twice.iter().any(|(at, _)| *at == 9), "{twice:?}");
    }

    #[test]
    fn a_step_that_no_sheet_has_is_told() {
        let text = "[[counter]]\nkey = \"a\"\nlabel = \"A\"\ncounts = \"steps\"\nstep = \"rum\"\nlimit = 8\nwarn_at = 6\n";
        let sheets = super::super::demo::sheets().unwrap();
        let sheets: Vec<&Sheet> = sheets.iter().collect();
        let marked = Marked {
            sheets: Some(&sheets),
            plan: None,
        };
        let errors = parse_season("season.toml", text, marked).unwrap_err();
        assert_eq!(errors.mistakes[0].line, 5);
        assert!(errors.mistakes[0].right.contains("run"), "{errors}");
    }
}
