//! The turnaround file: TOML text to the protocol's [`Plan`], or every mistake in it. Says nothing about when anything will be done.

use super::car::{CarFile, note_unique, refer};
use super::mistakes::{FileErrors, MAX_FILE, Notes, instead, quoted, read, too_large};
use super::walk::{Key, Kind, MAX_KEY, MAX_LABEL, MAX_WORDS, Spot, Walk, document};
use crate::figures::schedule::spread::LONGEST_MIN;
use crate::figures::schedule::{self, BadPlan, Network};
use spinover_protocol::car::Car;
use spinover_protocol::turnaround::{Few, Guess, Hands, Plan, Task};
use std::collections::BTreeMap;
use std::path::Path;

const fn key(name: &'static str, example: &'static str) -> Key {
    Key { name, example }
}

const ROOT: Kind = Kind {
    header: "",
    keys: &[
        key("key", "key = \"between_rounds\""),
        key("name", "name = \"Between rounds\""),
        key("warm_up", "warm_up = \"warm_up\""),
        key("tell_below_pct", "tell_below_pct = 40"),
        key("people", "[[people]]"),
        key("few", "[[few]]"),
        key("task", "[[task]]"),
    ],
};
const PEOPLE: Kind = Kind {
    header: "[[people]]",
    keys: &[
        key("role", "role = \"starter\""),
        key("number", "number = 2"),
    ],
};
const FEW: Kind = Kind {
    header: "[[few]]",
    keys: &[
        key("key", "key = \"hoist\""),
        key("label", "label = \"Body hoist\""),
        key("number", "number = 1"),
    ],
};
const TASK: Kind = Kind {
    header: "[[task]]",
    keys: &[
        key("key", "key = \"clutch\""),
        key("text", "text = \"Clutch serviced\""),
        key("owner", "owner = \"starter\""),
        key("low_min", "low_min = 18"),
        key("likely_min", "likely_min = 25"),
        key("high_min", "high_min = 40"),
        key("after", "after = [\"body_up\"]"),
        key("with", "with = [\"helper\"]"),
        key("needs", "needs = [\"hoist\"]"),
        key("caution", "caution = \"Hot: gloves.\""),
    ],
};

/// More than a crew could mark; the reckoning's work grows with it.
const MAX_TASKS: usize = 100;

/// Every kind of table in a turnaround file.
pub(super) const KINDS: [&Kind; 4] = [&ROOT, &PEOPLE, &FEW, &TASK];

/// Reads a turnaround file. Without a car (when the car file is itself wrong) its roles are not checked.
///
/// # Errors
/// Every mistake found in it, or why it cannot be read.
pub fn load_turnaround(path: impl AsRef<Path>, car: Option<&CarFile>) -> Result<Plan, FileErrors> {
    let path = path.as_ref();
    parse_turnaround(&path.display().to_string(), &read(path)?, car)
}

/// Reads a turnaround file's text; `file` is what the mistakes call it.
///
/// # Errors
/// Every mistake found in it.
pub fn parse_turnaround(file: &str, text: &str, car: Option<&CarFile>) -> Result<Plan, FileErrors> {
    if text.len() > MAX_FILE {
        return Err(too_large(file));
    }
    let notes = Notes::new(file, text);
    match document(text, &notes, &ROOT, |root| {
        plan(root, car.map(|file| &file.car))
    }) {
        Some(plan) if notes.is_clean() => Ok(plan),
        _ => Err(notes.into_errors()),
    }
}

fn plan(root: &Walk<'_>, car: Option<&Car>) -> Option<Plan> {
    let key = root.need_key("key");
    let name = root.need_text("name", MAX_LABEL);
    let warm_up = root.need_text("warm_up", MAX_KEY);
    let tell_below = root.number_in("tell_below_pct", 1.0..=99.0, " %");
    let people: Vec<_> = root
        .tables("people", &PEOPLE)
        .iter()
        .map(|walk| hands(walk, car))
        .collect();
    let mut few_keys = BTreeMap::new();
    let few: Vec<_> = root
        .tables("few", &FEW)
        .iter()
        .map(|walk| one_of_few(walk, &mut few_keys))
        .collect();
    let walks = root.need_tables("task", &TASK);
    if let Some(over) = walks.get(MAX_TASKS) {
        let what = format!("there are {} tasks", walks.len());
        let right = format!("at most {MAX_TASKS} fit on a board; tell the large ones only");
        root.notes.wrong(over.at, what, right);
        return None;
    }
    let mut keys = BTreeMap::new();
    for walk in &walks {
        if let Some(Spot { at, value }) = walk.need_key("key") {
            note_unique(walk.notes, &mut keys, "task", at, value);
        }
    }
    if let Some(warm_up) = &warm_up {
        refer(root, warm_up, "task", &keys);
    }
    let known = Known {
        tasks: &keys,
        few: &few_keys,
        car,
    };
    let tasks: Vec<_> = walks.iter().map(|walk| task(walk, &known)).collect();
    let plan = Plan {
        key: key?.value,
        name: name?.value,
        warm_up: warm_up?.value.as_str().into(),
        tasks: tasks.into_iter().collect::<Option<_>>()?,
        people: people.into_iter().collect::<Option<_>>()?,
        few: few.into_iter().collect::<Option<_>>()?,
        tell_below: tell_below.map(|pct| pct.value / 100.0),
    };
    check_rings(&walks, &plan, &keys);
    Some(plan)
}

struct Known<'k> {
    tasks: &'k BTreeMap<String, usize>,
    few: &'k BTreeMap<String, usize>,
    car: Option<&'k Car>,
}

fn role(walk: &Walk<'_>, spot: &Spot<String>, car: Option<&Car>) {
    let Some(car) = car else { return };
    let known = || car.roles.iter().map(|role| role.key.as_str());
    if !known().any(|role| role == spot.value) {
        walk.notes.wrong(
            spot.at,
            format!("the car file has no role {}", quoted(&spot.value)),
            instead(&spot.value, known()),
        );
    }
}

fn number(walk: &Walk<'_>) -> Option<usize> {
    walk.need("number");
    Some(walk.whole("number", 1..=50)?.value.into())
}

fn hands(walk: &Walk<'_>, car: Option<&Car>) -> Option<Hands> {
    let who = walk.need_text("role", MAX_KEY);
    if let Some(who) = &who {
        role(walk, who, car);
    }
    let number = number(walk);
    Some(Hands {
        role: who?.value.as_str().into(),
        number: number?,
    })
}

fn one_of_few(walk: &Walk<'_>, keys: &mut BTreeMap<String, usize>) -> Option<Few> {
    let key = walk.need_key("key");
    if let Some(Spot { at, value }) = &key {
        note_unique(walk.notes, keys, "thing", *at, value.clone());
    }
    let label = walk.need_text("label", MAX_LABEL);
    let number = number(walk);
    Some(Few {
        key: key?.value,
        label: label?.value,
        number: number?,
    })
}

fn task(walk: &Walk<'_>, known: &Known<'_>) -> Option<Task> {
    let text = walk.need_text("text", MAX_WORDS);
    let owner = walk.need_text("owner", MAX_KEY);
    let minutes = guess(walk);
    let after = walk.texts("after", MAX_KEY);
    for before in &after {
        refer(walk, before, "task", known.tasks);
    }
    let with = walk.texts("with", MAX_KEY);
    for who in owner.iter().chain(&with) {
        role(walk, who, known.car);
    }
    let mut helping = BTreeMap::new();
    for who in owner.iter().chain(&with) {
        if helping.insert(who.value.clone(), ()).is_some() {
            walk.notes.wrong(
                who.at,
                format!("{} is named twice for this task", quoted(&who.value)),
                "name the owner once, and in `with` only others",
            );
        }
    }
    let needs = walk.texts("needs", MAX_KEY);
    let mut needed = BTreeMap::new();
    for need in &needs {
        refer(walk, need, "thing", known.few);
        if needed.insert(need.value.clone(), ()).is_some() {
            let what = format!("{} is needed twice", quoted(&need.value));
            walk.notes.wrong(need.at, what, "name it once");
        }
    }
    let caution = walk.text("caution", MAX_WORDS);
    let keys = |spots: Vec<Spot<String>>| spots.into_iter().map(|spot| spot.value);
    Some(Task {
        key: walk.silent_key()?.as_str().into(),
        text: text?.value,
        owner: owner?.value.as_str().into(),
        minutes: minutes?,
        after: keys(after).map(|key| key.as_str().into()).collect(),
        with: keys(with).map(|key| key.as_str().into()).collect(),
        needs: keys(needs).collect(),
        caution: caution.map(|spot| spot.value),
    })
}

/// The three guesses, each no less than the one before.
fn guess(walk: &Walk<'_>) -> Option<Guess> {
    let [low, likely, high] = ["low_min", "likely_min", "high_min"].map(|name| {
        walk.need(name);
        walk.number_in(name, 0.0..=LONGEST_MIN, " minutes")
    });
    for ((less, name), (more, other)) in [
        ((&low, "low_min"), (&likely, "likely_min")),
        ((&likely, "likely_min"), (&high, "high_min")),
    ] {
        if let (Some(less), Some(more)) = (less, more)
            && less.value > more.value
        {
            let what = format!("`{other}` is {}, and `{name}` {}", more.value, less.value);
            walk.notes
                .wrong(more.at, what, format!("give at least {}", less.value));
        }
    }
    Some(Guess {
        low: low?.value,
        likely: likely?.value,
        high: high?.value,
    })
}

/// Tasks that wait for each other can never start.
fn check_rings(walks: &[Walk<'_>], plan: &Plan, keys: &BTreeMap<String, usize>) {
    if keys.len() != plan.tasks.len() {
        return;
    }
    let tasks = plan
        .tasks
        .iter()
        .map(|task| schedule::Task {
            after: task
                .after
                .iter()
                .filter_map(|before| Some(plan.task(before)?.0))
                .collect(),
            ..schedule::Task::default()
        })
        .collect();
    let Err(BadPlan::Ring(ring)) = Network::new(tasks, Vec::new()) else {
        return;
    };
    let name = |at: usize| plan.tasks[at].key.as_str();
    // Told at the task that stands first in the file.
    let first = ring
        .iter()
        .enumerate()
        .min_by_key(|(_, at)| **at)
        .map_or(0, |(place, _)| place);
    let mut names: Vec<String> = (0..ring.len())
        .map(|step| format!("`{}`", name(ring[(first + step) % ring.len()])))
        .collect();
    let (what, at) = match &names[..] {
        [alone] => (format!("{alone} waits for itself"), ring[0]),
        _ => {
            names.push(names[0].clone());
            let chain = names.join(" waits for ");
            (
                format!("none of these can ever start: {chain}"),
                ring[first],
            )
        }
    };
    walks[at].wrong("after", what, "take one of these waits away");
}
