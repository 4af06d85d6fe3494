//! `cargo xtask`: set-up, run, test, bench and package, on any machine with cargo. Only the choice of the task is made here.
#![forbid(unsafe_code)]

mod app;
mod bench;
mod browser;
mod fuzz;
mod package;
mod places;
mod real;
mod shell;
mod suite;
mod tools;

use anyhow::{Result, bail};
use std::process::ExitCode;

const HELP: &str = "\
cargo xtask TASK

  setup               what building and testing need: the wasm target, trunk, wasm-bindgen, wasm-opt, axe-core, a real recording
  build [--release]   the app, and the hub with the app inside
  demo [ARGS]         set up, build, and run the demo: a simulated car, nothing to configure
  demo --real [ARGS]  the same with a real engine's cold start replayed
  test [ARGS]         set up, build, find or install Chromium, and run every test; ARGS go to `cargo test`
  shots [PAGE]        screenshots of each page at the size of a phone, a tablet and a wall, into docs/shots
  bench NAME [ARGS]   one measurement; without a name, the list of them; --json for one line of numbers
  fuzz TARGET [SECONDS]  arbitrary input against one reader of what others wrote, or `all`; without a target, the list of them
  package             the release binary, stripped, with demo files and a service unit, as an archive in target/package

`setup` is called by the others. `demo --release` is the optimised hub: slower to build, and not needed to run a pit.
";

fn main() -> ExitCode {
    let args: Vec<String> = std::env::args().skip(1).collect();
    let (task, rest) = args
        .split_first()
        .map_or(("help", &[][..]), |(task, rest)| (task.as_str(), rest));
    match run(task, rest) {
        Ok(code) => code,
        Err(error) => {
            eprintln!("xtask {task}: {error:#}");
            ExitCode::FAILURE
        }
    }
}

fn run(task: &str, args: &[String]) -> Result<ExitCode> {
    match task {
        "help" | "-h" | "--help" => {
            print!("{HELP}");
            return Ok(ExitCode::SUCCESS);
        }
        "setup" => tools::setup()?,
        "build" => app::build(only_release(args)?)?,
        "demo" => return app::demo(args),
        "test" => suite::test(args)?,
        "shots" => bench::shots(args)?,
        "bench" => bench::bench(args)?,
        "fuzz" => fuzz::fuzz(args)?,
        "package" => package::package()?,
        other => {
            eprint!("there is no task `{other}`\n\n{HELP}");
            return Ok(ExitCode::from(2));
        }
    }
    Ok(ExitCode::SUCCESS)
}

/// Whether `--release` was asked for, where nothing else can be.
fn only_release(args: &[String]) -> Result<bool> {
    match args {
        [] => Ok(false),
        [one] if one == "--release" => Ok(true),
        _ => bail!("only --release can follow, not {}", args.join(" ")),
    }
}
