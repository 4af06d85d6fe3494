//! `spinover check`: says whether a car file, its sheets, its turnaround file and its season file are good, or everything that is wrong in them. Changes nothing.

use crate::files::{
    CarFile, FileErrors, Marked, Mistake, load_car, load_season, load_sheets, load_turnaround,
    unknown_phases,
};
use spinover_protocol::sheet::Sheet;
use spinover_protocol::turnaround::Plan;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// Exit code for a file that is not good: bad input.
const BAD_INPUT: u8 = 2;

/// Check a car file, any sheets, a turnaround file and a season file, and say what is wrong in them and what would be right
#[derive(Clone, Debug, clap::Args)]
pub struct CheckCommand {
    /// The car file
    #[arg(long, value_name = "FILE")]
    pub car: PathBuf,
    /// A sheet for that car; may be given several times
    #[arg(long, value_name = "FILE")]
    pub sheet: Vec<PathBuf>,
    /// A turnaround file for that car: what is done between rounds
    #[arg(long, value_name = "FILE")]
    pub turnaround: Option<PathBuf>,
    /// A season file: what is counted until a part is due
    #[arg(long, value_name = "FILE")]
    pub season: Option<PathBuf>,
    /// Print one JSON object in place of words
    #[arg(long)]
    pub json: bool,
}

/// A file that was checked, and what came of it.
struct Checked {
    file: String,
    kind: &'static str,
    outcome: Result<String, FileErrors>,
}

impl CheckCommand {
    /// Checks the files and prints the outcome: good news to stdout, mistakes to stderr (all to stdout with `--json`).
    /// Exit code 0 when all are good, 2 when any is not.
    pub fn run(&self) -> ExitCode {
        let (checked, notes) = self.check();
        let good = checked.iter().all(|one| one.outcome.is_ok());
        if self.json {
            println!("{}", as_json(&checked, &notes, good));
        } else {
            for one in &checked {
                match &one.outcome {
                    Ok(words) => println!("{words}"),
                    Err(errors) => eprintln!("{errors}"),
                }
            }
            for note in &notes {
                eprintln!("note: {note}");
            }
        }
        if good {
            ExitCode::SUCCESS
        } else {
            ExitCode::from(BAD_INPUT)
        }
    }

    /// Each file with what came of it, and what is good in itself and may be meant otherwise.
    fn check(&self) -> (Vec<Checked>, Vec<Mistake>) {
        let car = load_car(&self.car);
        let sheets = load_sheets(&self.sheet, car.as_ref().ok());
        let good: Vec<&Sheet> = sheets.iter().flatten().collect();
        let notes = match &car {
            Ok(car) if !good.is_empty() && good.len() == sheets.len() => {
                unknown_phases(&self.car.display().to_string(), car, &good)
            }
            _ => Vec::new(),
        };
        let limits = if car.is_ok() {
            ""
        } else {
            " as far as can be told without a good car file"
        };
        let plan = self
            .turnaround
            .as_ref()
            .map(|path| (path, load_turnaround(path, car.as_ref().ok())));
        let counters = self.season.as_ref().map(|path| {
            // What a sheet that is itself wrong holds is not known, so nothing is said to be missing from them.
            let whole = !good.is_empty() && good.len() == sheets.len();
            let plan = plan.as_ref().and_then(|(_, plan)| plan.as_ref().ok());
            let marked = Marked {
                sheets: whole.then_some(&good),
                plan,
            };
            (path, load_season(path, marked))
        });
        let outcome = car.map(|car| format!("car file good: {}", car_words(&self.car, &car)));
        let mut checked = vec![Checked {
            file: self.car.display().to_string(),
            kind: "car",
            outcome,
        }];
        for (path, sheet) in self.sheet.iter().zip(sheets) {
            let outcome =
                sheet.map(|sheet| format!("sheet good{limits}: {}", sheet_words(path, &sheet)));
            checked.push(Checked {
                file: path.display().to_string(),
                kind: "sheet",
                outcome,
            });
        }
        if let Some((path, plan)) = plan {
            checked.push(Checked {
                file: path.display().to_string(),
                kind: "turnaround",
                outcome: plan
                    .map(|plan| format!("turnaround good{limits}: {}", plan_words(path, &plan))),
            });
        }
        if let Some((path, counters)) = counters {
            let words = |all: Vec<_>| {
                let all = count(all.len(), "counter", "counters");
                format!("season file good: {}: {all}", path.display())
            };
            checked.push(Checked {
                file: path.display().to_string(),
                kind: "season",
                outcome: counters.map(words),
            });
        }
        (checked, notes)
    }
}

fn count(number: usize, one: &str, many: &str) -> String {
    format!("{number} {}", if number == 1 { one } else { many })
}

fn car_words(path: &Path, file: &CarFile) -> String {
    let car = &file.car;
    let mut words = format!(
        "{}: {}, {}: {}, {}",
        path.display(),
        car.team,
        car.name,
        count(car.channels.len(), "channel", "channels"),
        count(car.roles.len(), "role", "roles"),
    );
    if let Some(replay) = &file.replay {
        words += &format!(
            ", {} mapped for replay",
            count(replay.columns.len(), "column", "columns")
        );
    }
    if let Some(tank) = car.tank_l {
        words += &format!(", tank {tank:.1} L");
    }
    words
}

fn sheet_words(path: &Path, sheet: &Sheet) -> String {
    let steps: Vec<_> = sheet.steps().map(|(_, step)| step).collect();
    let safety = steps.iter().filter(|step| step.safety).count();
    let gates = steps.iter().map(|step| step.gates.len()).sum();
    format!(
        "{}: {}: {}, {} ({safety} of them safety), {}",
        path.display(),
        sheet.name,
        count(sheet.phases.len(), "phase", "phases"),
        count(steps.len(), "step", "steps"),
        count(gates, "gate", "gates"),
    )
}

fn plan_words(path: &Path, plan: &Plan) -> String {
    let waits = plan.tasks.iter().map(|task| task.after.len()).sum();
    format!(
        "{}: {}: {}, {}, {}",
        path.display(),
        plan.name,
        count(plan.tasks.len(), "task", "tasks"),
        count(waits, "wait", "waits"),
        count(plan.few.len(), "thing shared", "things shared"),
    )
}

fn as_json(checked: &[Checked], notes: &[Mistake], good: bool) -> serde_json::Value {
    let told = |m: &Mistake| serde_json::json!({ "line": m.line, "column": m.column, "what": m.what, "right": m.right });
    let files: Vec<_> = checked
        .iter()
        .map(|one| match &one.outcome {
            Ok(words) => serde_json::json!({ "file": one.file, "kind": one.kind, "good": true, "words": words }),
            Err(errors) => {
                let mistakes: Vec<_> = errors.mistakes.iter().map(told).collect();
                serde_json::json!({ "file": one.file, "kind": one.kind, "good": false, "mistakes": mistakes, "more": errors.more })
            }
        })
        .collect();
    let notes: Vec<_> = notes.iter().map(told).collect();
    serde_json::json!({ "good": good, "files": files, "notes": notes })
}
