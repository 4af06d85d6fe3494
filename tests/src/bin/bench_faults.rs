//! Real faults against the built hub, one after the other: whether it survives each, and what was lost.
//!
//! `bench_faults [--json] [NAME…]`: all of them, or those named. It ends with 1 when one was not survived. What each is and
//! what is expected stands in `tests/src/faults`.
#![forbid(unsafe_code)]

use serde_json::json;
use spinover_tests::faults;
use std::process::ExitCode;

fn main() -> ExitCode {
    let (options, names): (Vec<String>, Vec<String>) = std::env::args()
        .skip(1)
        .partition(|arg| arg.starts_with("--"));
    if let Some(other) = options.iter().find(|option| *option != "--json") {
        eprintln!("{other} is not known here");
        return ExitCode::from(2);
    }
    let known = |name: &String| faults::ALL.iter().any(|fault| fault.0 == name);
    if let Some(other) = names.iter().find(|name| !known(name)) {
        let all: Vec<&str> = faults::ALL.iter().map(|fault| fault.0).collect();
        eprintln!("there is no fault {other}; there are: {}", all.join(", "));
        return ExitCode::from(2);
    }
    let mut outcomes = Vec::new();
    for fault in faults::ALL {
        if !names.is_empty() && !names.iter().any(|name| name == fault.0) {
            continue;
        }
        let outcome = faults::make(fault);
        let word = match outcome.survived {
            Some(true) => "survived",
            Some(false) => "NOT SURVIVED",
            None => "not made",
        };
        let lost = outcome.lost.as_ref().map_or_else(String::new, |lost| {
            format!(
                "; {} of {} events and {:.2} s of readings lost",
                lost.events_lost, lost.events_promised, lost.readings_lost_s
            )
        });
        eprintln!(
            "{}: {word}{lost} {} {}",
            outcome.fault, outcome.why, outcome.seen
        );
        outcomes.push(outcome);
    }
    let count = |survived| {
        outcomes
            .iter()
            .filter(|one| one.survived == survived)
            .count()
    };
    let failed = count(Some(false));
    if options.iter().any(|option| option == "--json") {
        println!(
            "{}",
            json!({ "survived": count(Some(true)), "not_survived": failed, "not_made": count(None), "faults": outcomes })
        );
    }
    ExitCode::from(u8::from(failed > 0))
}
