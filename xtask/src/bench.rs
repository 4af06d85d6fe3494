//! `bench` and `shots`: starts the measuring programs of the `tests` package; what and how they measure is theirs.

use crate::{app, browser, places, shell, tools};
use anyhow::{Context, Result, bail};
use std::fs;

/// Runs one measurement on the optimised hub.
///
/// # Errors
/// When there is none of that name, or it fails.
pub fn bench(args: &[String]) -> Result<()> {
    let names = names()?;
    let Some((name, rest)) = args.split_first() else {
        println!("{}", names.join("\n"));
        return Ok(());
    };
    if !names.contains(name) {
        bail!(
            "there is no bench `{name}`; there are: {}",
            names.join(", ")
        );
    }
    if let Some(measured) = MEASURED.iter().find(|measured| measured.name == name) {
        return measured.run(rest);
    }
    tools::setup()?;
    app::build_app()?;
    let program = format!("bench_{}", name.replace('-', "_"));
    // Only this one: each is optimised as a whole with the hub, which takes its time.
    let mut build = shell::cargo();
    build.args([
        "build",
        "--release",
        "--quiet",
        "-p",
        "spinover",
        "-p",
        "spinover-tests",
    ]);
    build.args(["--bin", "spinover", "--bin", &program]);
    shell::run(&mut build)?;
    let binary = places::hub(true).with_file_name(program + std::env::consts::EXE_SUFFIX);
    let mut bench = std::process::Command::new(binary);
    bench.args(rest).current_dir(places::root());
    bench
        .env("SPINOVER_BIN", places::hub(true))
        .env("SPINOVER_REAL", places::real_recording());
    shell::run(&mut bench)
}

/// A measurement that is a test of the hub's own, since it needs what the binary does not show. The last line that it prints is JSON.
struct Measured {
    name: &'static str,
    test: &'static str,
    case: &'static str,
    env: Option<(&'static str, &'static str)>,
    features: &'static [&'static str],
}

const MEASURED: [Measured; 3] = [
    Measured {
        name: "book",
        test: "book_measure",
        case: "size_speed_and_scrubbing",
        env: None,
        // Measured beside the book's own, in the same run.
        features: &["--features", "parquet"],
    },
    Measured {
        name: "crash",
        test: "book_crash",
        case: "nothing_acknowledged_is_lost_by_kill_9",
        env: Some(("SPINOVER_TEST_CRASH_ROUNDS", "200")),
        features: &[],
    },
    Measured {
        name: "turnaround",
        test: "schedule",
        case: "measure::draws_of_a_plan",
        env: None,
        features: &[],
    },
];

impl Measured {
    fn run(&self, args: &[String]) -> Result<()> {
        let json = match args {
            [] => false,
            [one] if one == "--json" => true,
            _ => bail!("only --json can follow, not {}", args.join(" ")),
        };
        let mut cargo = shell::cargo();
        cargo.args([
            "test",
            "--release",
            "--quiet",
            "-p",
            "spinover",
            "--test",
            self.test,
        ]);
        cargo.args(self.features);
        cargo.args([
            "--",
            "--include-ignored",
            "--exact",
            self.case,
            "--nocapture",
        ]);
        if let Some((name, value)) = self.env
            && std::env::var_os(name).is_none()
        {
            cargo.env(name, value);
        }
        if !json {
            return shell::run(&mut cargo);
        }
        let Some(output) = shell::output(&mut cargo) else {
            bail!("the measurement failed; without --json it says how");
        };
        // The test runner's own dots can stand before it.
        let line = output
            .lines()
            .rev()
            .find_map(|line| Some(&line[line.find('{')?..]));
        println!("{}", line.context("the measurement printed no JSON")?);
        Ok(())
    }
}

/// The benches, by the files that hold them.
fn names() -> Result<Vec<String>> {
    let mut names: Vec<String> = MEASURED
        .iter()
        .map(|measured| measured.name.to_owned())
        .collect();
    for entry in fs::read_dir(places::root().join("tests/src/bin"))?.flatten() {
        let file = entry.file_name().to_string_lossy().into_owned();
        if let Some(name) = file
            .strip_prefix("bench_")
            .and_then(|rest| rest.strip_suffix(".rs"))
        {
            names.push(name.replace('_', "-"));
        }
    }
    names.sort();
    Ok(names)
}

/// Takes the screenshots.
///
/// # Errors
/// When a page cannot be shown.
pub fn shots(args: &[String]) -> Result<()> {
    tools::setup()?;
    let browser = browser::ensure()?;
    app::build_app()?;
    shell::run(shell::cargo().args(["build", "-p", "spinover", "-p", "spinover-tests"]))?;
    let mut shots = std::process::Command::new(
        places::hub(false).with_file_name(format!("shots{}", std::env::consts::EXE_SUFFIX)),
    );
    shots.args(args).current_dir(places::root());
    shots
        .env("SPINOVER_BIN", places::hub(false))
        .env("SPINOVER_REAL", places::real_recording());
    shots
        .env("SPINOVER_CHROMIUM", browser.chromium)
        .env("SPINOVER_CHROMEDRIVER", browser.driver);
    shell::run(&mut shots)
}
