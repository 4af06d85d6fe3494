//! The season's counters against the journal: whatever a crew presses, the count is what an independent reader of the exported journal
//! counts. And the file: its mistakes have their places, and the docs name its keys.

mod book_kit;

use book_kit::{answer, car, sheet, who};
use proptest::prelude::*;
use serde_json::Value;
use spinover::book::Book;
use spinover::core::season::all_stand;
use spinover::core::{Core, Input, Journal, Output};
use spinover::serve::season::ticks;
use spinover_protocol::CommandId;
use spinover_protocol::car::{Band, Car, Channel};
use spinover_protocol::event::{Event, Right};
use spinover_protocol::message::Command;
use spinover_protocol::record::Record;
use spinover_protocol::season::{Counter, Counts};
use spinover_protocol::turnaround::{Guess, Plan, Task};
use spinover_protocol::units::Unit;

const BEGUN: i64 = 1_778_943_000_000;

fn engine() -> Car {
    let plausible = Band {
        low: 0.0,
        high: 12_000.0,
    };
    Car {
        channels: vec![Channel::new("engine_rpm", Unit::Rpm, plausible)],
        ..car(0)
    }
}

fn plan() -> Plan {
    let task = |key: &str| Task {
        key: key.into(),
        text: key.to_owned(),
        owner: "chief".into(),
        minutes: Guess {
            low: 1.0,
            likely: 2.0,
            high: 3.0,
        },
        ..Task::default()
    };
    Plan {
        key: "short".to_owned(),
        name: "Short".to_owned(),
        warm_up: "warm".into(),
        tasks: vec![task("clutch"), task("warm")],
        ..Plan::default()
    }
}

fn counters() -> Vec<Counter> {
    let counter = |key: &str, counts| Counter {
        key: key.to_owned(),
        label: key.to_owned(),
        counts,
        limit: 3.0,
        warn_at: 2.0,
        caution: None,
    };
    vec![
        counter("warm_ups", Counts::WarmUps),
        counter("runs", Counts::Runs { step: "b".into() }),
        counter("steps", Counts::Steps { step: "z".into() }),
        counter(
            "clutch",
            Counts::Tasks {
                task: "clutch".into(),
            },
        ),
        counter("belt", Counts::EngineSeconds { above_rpm: 2000.0 }),
    ]
}

fn command(kind: u8) -> Command {
    let step = |key: &str| Command::Mark { step: key.into() };
    let task = || "clutch".into();
    let part = |n: usize| counters()[n].key.clone();
    match kind {
        0..=2 => step("a"),
        3..=5 => step("b"),
        6..=7 => step("c"),
        8 => step("z"),
        9 => Command::Undo { step: "a".into() },
        10 => Command::Undo { step: "b".into() },
        11 => Command::Skip {
            step: "b".into(),
            reason: "not today".to_owned(),
        },
        12..=13 => Command::Begin {
            sheet: "pit".to_owned(),
        },
        14 => Command::Close {},
        15 => Command::BeginTurnaround { lanes_at: None },
        16..=17 => Command::FinishTask { task: task() },
        18 => Command::UndoTask { task: task() },
        19..=23 => Command::ChangePart {
            counter: part(usize::from(kind) - 19),
            remark: "changed".to_owned(),
        },
        _ => Command::UndoPartChange {
            counter: part(usize::from(kind) % 5),
        },
    }
}

/// A plain recount: the exported journal as JSON, read by nothing of ours. Marks that still stand, per warm-up and per time between
/// rounds; what counted before the part's last change is left out. Engine seconds are counted from the readings below.
fn recount(journal: &str, readings: &[(i64, f64)]) -> [f64; 5] {
    let mut at: [Vec<i64>; 5] = Default::default();
    let mut marks: Vec<(String, i64)> = Vec::new();
    let mut clutch: Option<i64> = None;
    let mut changed: std::collections::HashMap<String, Vec<i64>> = Default::default();
    let keep = |marks: &mut Vec<(String, i64)>, at: &mut [Vec<i64>; 5]| {
        at[0].extend(marks.iter().map(|(_, when)| *when).min());
        for (place, key) in [(1, "b"), (2, "z")] {
            at[place].extend(
                marks
                    .iter()
                    .filter(|(step, _)| step == key)
                    .map(|(_, when)| *when),
            );
        }
        marks.clear();
    };
    for line in journal.lines() {
        let event: Value = serde_json::from_str(line).unwrap();
        let when = event["at"].as_i64().unwrap();
        let text = |name: &str| event[name].as_str().unwrap_or_default().to_owned();
        match event["kind"].as_str().unwrap() {
            "warmup_begun" => keep(&mut marks, &mut at),
            "step_marked" => marks.push((text("step"), when)),
            "step_undone" => marks.retain(|(step, _)| *step != text("step")),
            "turnaround_begun" => at[3].extend(clutch.take()),
            "task_done" if text("task") == "clutch" => clutch = Some(when),
            "task_undone" if text("task") == "clutch" => clutch = None,
            "part_changed" => changed.entry(text("counter")).or_default().push(when),
            "part_change_undone" => {
                changed.entry(text("counter")).or_default().pop();
            }
            _ => {}
        }
    }
    keep(&mut marks, &mut at);
    at[3].extend(clutch);
    let mut counts = [0.0; 5];
    for (place, counter) in counters().iter().enumerate() {
        let since = changed
            .get(&counter.key)
            .and_then(|all| all.last())
            .copied();
        let since = since.unwrap_or(i64::MIN);
        counts[place] = match place {
            4 => readings
                .windows(2)
                .filter(|two| two[0].1 > 2000.0 && two[1].0 - two[0].0 <= 2_000_000)
                // By whole minutes, as a change is.
                .filter(|two| two[0].0.div_euclid(60_000_000) * 60_000 > since)
                .map(|two| (two[1].0 - two[0].0) as f64 / 1e6)
                .sum(),
            _ => at[place].iter().filter(|when| **when > since).count() as f64,
        };
    }
    counts
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]
    #[test]
    fn counts_are_what_the_exported_journal_says(presses in proptest::collection::vec(0_u8..27, 1..80)) {
        let folder = tempfile::tempdir().unwrap();
        let (book, _) = Book::open(folder.path()).unwrap();
        let mut core = Core::new(engine(), vec![sheet()], Vec::new(), Vec::new(), &Journal::default());
        core.plan(Some(plan()));
        core.season(counters());
        let mut now = BEGUN;
        let (mut readings, mut phone) = (Vec::<(i64, f64)>::new(), Record::default());
        let mut take = |core: &mut Core, now: i64, input: Input| {
            let outputs = core.take(now, input);
            let events: Vec<Event> = outputs.into_iter().filter_map(|output| match output {
                Output::Event(event) => Some(event),
                _ => None,
            }).collect();
            events.iter().for_each(|event| phone.apply(event));
            if !events.is_empty() {
                answer(book.append(events)).unwrap();
            }
        };
        take(&mut core, now, Input::Start);
        for (n, kind) in presses.iter().enumerate() {
            now += 20_000;
            let id = CommandId(format!("press-{n}"));
            take(&mut core, now, Input::Command(who("Ada"), Right::Chief, id, command(*kind)));
            let warmup = core.record().warmup.as_ref().unwrap();
            if warmup.closed_at.is_none() {
                // Between presses the engine turns at a speed that goes by the press.
                let rows: Vec<(i64, f64)> = (1..=12)
                    .map(|second| (now * 1000 + second * 1_000_000, f64::from(*kind) * 150.0))
                    .collect();
                let id = warmup.id.clone();
                let of_book = rows.iter().map(|(t_us, rpm)| (0, *t_us, *rpm)).collect();
                book.readings(&id, of_book);
                readings.extend(rows);
            }
        }
        prop_assert_eq!(core.record(), &phone);
        answer(book.flush()).unwrap();
        let reader = book.reader().unwrap();
        let all = reader.events_after(0, usize::MAX >> 1).unwrap();
        let journal: Vec<String> = all.iter().map(|event| serde_json::to_string(event).unwrap()).collect();
        let wanted = recount(&journal.join("\n"), &readings);
        let mut known = Default::default();
        // Twice: the second time closed warm-ups are not read again.
        for _ in 0..2 {
            let ticks = ticks(&reader, &counters(), "Kestrel", "", &mut known).unwrap();
            let stand = all_stand(&counters(), &ticks, core.part_changes());
            for (place, now) in stand.counters.iter().enumerate() {
                prop_assert!((now.count - wanted[place]).abs() < 1e-6, "{}: {} {}", now.counter.key, now.count, wanted[place]);
                let changes = core.part_changes().get(&now.counter.key).map_or(0, Vec::len);
                prop_assert_eq!(now.before.len(), changes);
            }
        }
        // A hub that starts again from this book knows the changes, also those from before its last warm-up.
        let (again, loaded) = { drop(book); Book::open(folder.path()).unwrap() };
        let journal = Journal { events: loaded.events, commands: loaded.commands, last: loaded.next_seq - 1, ..Journal::default() };
        let restarted = Core::new(engine(), vec![sheet()], Vec::new(), Vec::new(), &journal);
        prop_assert_eq!(restarted.part_changes(), core.part_changes());
        drop(again);
    }
}

#[test]
fn the_docs_name_every_key_and_their_example_is_good() {
    let docs = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../docs/season.md");
    let text = std::fs::read_to_string(docs).unwrap();
    for (header, keys) in spinover::files::season_keys() {
        if header.is_empty() {
            continue;
        }
        let told: Vec<&str> = text
            .split("\n### ")
            .filter(|section| section.starts_with(&format!("`{header}`")))
            .flat_map(str::lines)
            .filter_map(|line| Some(line.strip_prefix("| `")?.split_once('`')?.0))
            .collect();
        assert_eq!(told, keys, "docs/season.md, section {header}");
    }
    let block = text
        .split("```toml\n")
        .nth(1)
        .and_then(|rest| rest.split("```").next());
    spinover::files::parse_season("season.md", block.unwrap(), Default::default())
        .unwrap_or_else(|errors| panic!("{errors}"));
    assert_eq!(spinover::files::demo::season().unwrap().len(), 5);
}
