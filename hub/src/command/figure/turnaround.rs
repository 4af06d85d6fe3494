//! `spinover figure turnaround`: the plan between rounds, played through from how far it is.

use clap::Args;
use serde::Serialize;
use std::io::{self, Write};
use std::path::PathBuf;

use super::table::{Row, Table, cell};
use super::{CommandError, Output, print, quiet_pipe};
use crate::core::turnaround::{PlanNetwork, Thing};
use crate::figures::schedule::Stage;
use crate::figures::schedule::chance::{DRAWS, Outlook, Question, outlook};
use crate::figures::schedule::help::{Gain, Help, what_helps};
use crate::figures::schedule::spread::LONGEST_MIN;
use crate::files::{demo, load_turnaround};

/// Most draws; more changes nothing that anyone could see, and takes minutes.
const MOST_DRAWS: usize = 1_000_000;

/// Arguments of `spinover figure turnaround`.
#[derive(Args, Clone, Debug)]
#[command(
    after_help = "With --csv: each row is a situation. Columns: lanes_in_min, and any tasks by their keys (empty: not \
started; done; or the minutes it has been running).\nAdds: chance_pct,ready_p10_min,ready_median_min,ready_p90_min,\
start_by_min; empty where it can't say.\nHow it is reckoned, and how far to trust it: docs/turnaround.md."
)]
pub(super) struct TurnaroundArgs {
    #[command(flatten)]
    output: Output,
    /// The turnaround file; the demo's when absent
    #[arg(long, value_name = "FILE")]
    file: Option<PathBuf>,
    /// Minutes from now until the car is called to the lanes
    #[arg(long, value_name = "MIN", allow_negative_numbers = true)]
    lanes_in: Option<f64>,
    /// Tasks that are done, parted by commas
    #[arg(long, value_name = "TASKS", value_delimiter = ',')]
    done: Vec<String>,
    /// Tasks under way, each with the minutes since it was started: clutch=12,oil=3
    #[arg(long, value_name = "TASK=MIN", value_delimiter = ',')]
    running: Vec<String>,
    /// How often it is played through
    #[arg(long, default_value_t = DRAWS)]
    draws: usize,
    /// What the draws come from: the same gives the same answer
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Print one row a task as CSV: when it can start and end, its slack, how often all wait for it
    #[arg(long, conflicts_with_all = ["json", "csv"])]
    by_task: bool,
}

pub(super) fn run(args: &TurnaroundArgs) -> Result<(), CommandError> {
    let input = |error: &dyn std::fmt::Display| CommandError::Input(error.to_string());
    let plan = match &args.file {
        Some(path) => load_turnaround(path, None),
        None => demo::between_rounds(),
    };
    let turnaround =
        PlanNetwork::new(plan.map_err(|error| input(&error))?).map_err(|error| input(&error))?;
    if !(1..=MOST_DRAWS).contains(&args.draws) {
        return Err(CommandError::Input(format!(
            "--draws must be from 1 to {MOST_DRAWS}"
        )));
    }
    let mut stages = vec![Stage::Waiting; turnaround.plan.tasks.len()];
    for key in &args.done {
        stages[place(&turnaround, key)?] = Stage::Done;
    }
    for running in &args.running {
        let (key, minutes) = running.split_once('=').ok_or_else(|| {
            CommandError::Input(format!(
                "--running {running}: say TASK=MIN, as in clutch=12"
            ))
        })?;
        let spent = minutes.trim().parse().ok().filter(|m| in_a_day(*m));
        let spent_min = spent.ok_or_else(|| {
            CommandError::Input(format!(
                "--running {running}: {minutes:?} is no number of minutes within a day"
            ))
        })?;
        stages[place(&turnaround, key)?] = Stage::Running { spent_min };
    }
    let question = Question {
        ready: turnaround.warm_up,
        due_min: args
            .lanes_in
            .map(due)
            .transpose()
            .map_err(CommandError::Input)?,
        draws: args.draws,
        seed: args.seed,
    };
    if let Some(path) = &args.output.csv {
        return by_row(Table::open(path)?, &turnaround, &stages, question);
    }
    let outlook = outlook(&turnaround.network, &stages, &question);
    if args.by_task {
        return by_task(&turnaround, &stages, &outlook);
    }
    let gains = what_helps(&turnaround.network, &stages, &question);
    let helps: Vec<Told> = gains.iter().map(|gain| told(&turnaround, gain)).collect();
    let words = words(&turnaround, &outlook, &helps);
    print(
        &args.output,
        Ok((answer(&turnaround, &stages, &outlook, helps), words)),
    )
}

fn in_a_day(minutes: f64) -> bool {
    (0.0..=LONGEST_MIN).contains(&minutes)
}

fn due(minutes: f64) -> Result<f64, String> {
    if in_a_day(minutes.abs()) {
        Ok(minutes)
    } else {
        Err(format!(
            "the call to the lanes in {minutes} min is not within a day"
        ))
    }
}

fn place(turnaround: &PlanNetwork, key: &str) -> Result<usize, CommandError> {
    let found = turnaround.plan.task(&key.trim().into());
    found.map(|(at, _)| at).ok_or_else(|| {
        let keys: Vec<&str> = turnaround
            .plan
            .tasks
            .iter()
            .map(|t| t.key.as_str())
            .collect();
        CommandError::Input(format!("no task {key:?}; there are: {}", keys.join(", ")))
    })
}

/// A task in the answer.
#[derive(Serialize)]
struct TaskAnswer<'a> {
    task: &'a str,
    owner: &'a str,
    state: &'static str,
    start_min: f64,
    finish_min: f64,
    slack_min: f64,
    critical: f64,
    over: bool,
}

/// Something that helps, in words.
#[derive(Serialize)]
struct Told {
    what: String,
    earlier_min: f64,
    #[serde(skip_serializing_if = "Option::is_none")]
    chance: Option<f64>,
}

/// The answer as JSON.
#[derive(Serialize)]
struct Answer<'a> {
    chance: Option<f64>,
    chance_sd: Option<f64>,
    ready: Option<crate::figures::schedule::chance::Range>,
    start_by_min: Option<f64>,
    end: crate::figures::schedule::chance::Range,
    path: Vec<&'a str>,
    tasks: Vec<TaskAnswer<'a>>,
    helps: Vec<Told>,
}

/// Nobody times a task closer than that.
fn hundredths(minutes: f64) -> f64 {
    (minutes * 100.0).round() / 100.0
}

fn state(stage: Stage) -> &'static str {
    match stage {
        Stage::Waiting => "waiting",
        Stage::Running { .. } => "running",
        Stage::Done => "done",
    }
}

fn tasks<'a>(
    turnaround: &'a PlanNetwork,
    stages: &[Stage],
    outlook: &Outlook,
) -> Vec<TaskAnswer<'a>> {
    let rows = turnaround.plan.tasks.iter().zip(stages).zip(&outlook.tasks);
    rows.map(|((task, stage), chance)| TaskAnswer {
        task: task.key.as_str(),
        owner: task.owner.as_str(),
        state: state(*stage),
        start_min: hundredths(chance.start_min),
        finish_min: hundredths(chance.finish_min),
        slack_min: hundredths(chance.slack_min),
        critical: chance.critical,
        over: chance.over,
    })
    .collect()
}

fn answer<'a>(
    turnaround: &'a PlanNetwork,
    stages: &[Stage],
    outlook: &Outlook,
    helps: Vec<Told>,
) -> Answer<'a> {
    Answer {
        chance: outlook.chance,
        chance_sd: outlook.chance_sd,
        ready: outlook.ready,
        start_by_min: outlook.start_by_min,
        end: outlook.end,
        path: path(turnaround, outlook),
        tasks: tasks(turnaround, stages, outlook),
        helps,
    }
}

fn path<'a>(turnaround: &'a PlanNetwork, outlook: &Outlook) -> Vec<&'a str> {
    let key = |at: &usize| turnaround.plan.tasks[*at].key.as_str();
    outlook.path.iter().map(key).collect()
}

fn told(turnaround: &PlanNetwork, gain: &Gain) -> Told {
    let what = match gain.help {
        Help::Shorten { task, by } => format!(
            "{} in {:.0} % less time",
            turnaround.plan.tasks[task].key,
            by * 100.0
        ),
        Help::OneMore { thing } => match &turnaround.things[thing] {
            Thing::Hands(role) => format!("a second pair of hands for {role}"),
            Thing::Few(_) => format!("one more {}", turnaround.name(thing)),
        },
    };
    Told {
        what,
        earlier_min: gain.earlier_min,
        chance: gain.chance,
    }
}

fn words(turnaround: &PlanNetwork, outlook: &Outlook, helps: &[Told]) -> String {
    let mut words = outlook.words();
    let path = path(turnaround, outlook);
    if !path.is_empty() {
        words += &format!("\ncritical path: {}", path.join(", "));
    }
    for help in helps.iter().take(3) {
        words += &format!(
            "\nwould help: {}, {:.1} min earlier",
            help.what, help.earlier_min
        );
        if let Some(chance) = help.chance {
            words += &format!(", chance {:+.0} points", chance * 100.0);
        }
    }
    words
}

fn by_task(
    turnaround: &PlanNetwork,
    stages: &[Stage],
    outlook: &Outlook,
) -> Result<(), CommandError> {
    let mut out = csv::Writer::from_writer(Vec::new());
    let whole = |error: csv::Error| CommandError::Failed(error.into());
    for task in tasks(turnaround, stages, outlook) {
        out.serialize(task).map_err(whole)?;
    }
    let text = out
        .into_inner()
        .map_err(|error| CommandError::Failed(error.into_error().into()))?;
    quiet_pipe(io::stdout().lock().write_all(&text))
}

const RESULTS: [&str; 5] = [
    "chance_pct",
    "ready_p10_min",
    "ready_median_min",
    "ready_p90_min",
    "start_by_min",
];

fn by_row(
    table: Table,
    turnaround: &PlanNetwork,
    stages: &[Stage],
    question: Question,
) -> Result<(), CommandError> {
    let lanes = table.optional("lanes_in_min");
    let columns: Vec<Option<usize>> = turnaround
        .plan
        .tasks
        .iter()
        .map(|task| table.optional(task.key.as_str()))
        .collect();
    if lanes.is_none() && columns.iter().all(Option::is_none) {
        table.column("lanes_in_min")?;
    }
    table.append(&RESULTS, |row| {
        let mut stages = stages.to_vec();
        for (stage, column) in stages.iter_mut().zip(&columns) {
            if let Some(column) = column {
                *stage = row_stage(row, *column)?.unwrap_or(*stage);
            }
        }
        let said = row.maybe(lanes)?.map(due).transpose()?;
        let question = Question {
            due_min: said.or(question.due_min),
            ..question
        };
        let outlook = outlook(&turnaround.network, &stages, &question);
        let number = |value: Option<f64>| value.map_or_else(String::new, |value| cell(value, 1));
        Ok(vec![
            number(outlook.chance.map(|chance| chance * 100.0)),
            number(outlook.ready.map(|ready| ready.p10_min)),
            number(outlook.ready.map(|ready| ready.median_min)),
            number(outlook.ready.map(|ready| ready.p90_min)),
            number(outlook.start_by_min),
        ])
    })
}

fn row_stage(row: &Row<'_>, column: usize) -> Result<Option<Stage>, String> {
    match row.text(column) {
        "" => Ok(None),
        "done" => Ok(Some(Stage::Done)),
        _ => {
            let spent_min = row.number(column)?;
            if in_a_day(spent_min) {
                Ok(Some(Stage::Running { spent_min }))
            } else {
                Err(format!("{spent_min} min of running is not within a day"))
            }
        }
    }
}
