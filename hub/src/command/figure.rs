//! `spinover figure NAME`: one figure from arguments, or a CSV with its results appended.
//! Arguments and files in, text out; the figures themselves are computed in `figures`.

use std::fmt;
use std::io::{self, Write};
use std::process::ExitCode;

use clap::{Args, Subcommand};
use serde::Serialize;

use super::figure_warm;
use crate::figures::CantSay;

mod air;
mod bleed;
mod cylinders;
mod flow;
mod forecast;
mod fuel;
mod idle;
mod mags;
mod mix;
mod slip;
mod table;
mod turnaround;
mod value;

/// Arguments of `spinover figure`.
#[derive(Args, Clone, Debug)]
pub struct FigureCommand {
    #[command(subcommand)]
    figure: Figure,
}

impl FigureCommand {
    /// Works the figure out and prints it; what went wrong goes to standard error. Exit code 0 for
    /// an answer (also "can't say yet"), 1 for a failure, 2 for bad usage or input.
    pub fn run(&self) -> ExitCode {
        match run(self) {
            Ok(()) => ExitCode::SUCCESS,
            Err(error) => {
                eprintln!("{error}");
                ExitCode::from(error.exit_code())
            }
        }
    }
}

/// Which figure. A new one is a variant here, a line in [`run`] and a file beside.
#[derive(Subcommand, Clone, Debug)]
enum Figure {
    /// Air density, density altitude, vapour and oxygen, from weather readings
    Air(air::AirArgs),
    /// Percent nitro from specific gravity and temperature, and what to add
    Mix(mix::MixArgs),
    /// Fuel flow for today's air, by the chief's rule and by the book
    Flow(flow::FlowArgs),
    /// The air some hours ahead, from what was measured over the day, and the flow that it wants
    Forecast(forecast::ForecastArgs),
    /// Idle: settled, settling, hunting, drifting
    Idle(idle::IdleArgs),
    /// What a turn of an air bleed does, and how far to turn
    Bleed(bleed::BleedArgs),
    /// Fuel used, left, needed, and the margin at worst
    Fuel(fuel::FuelArgs),
    /// What a time slip says, and whether it agrees with itself
    Slip(slip::SlipArgs),
    /// Two magnetos' timing: apart and drifting
    Mags(mags::MagsArgs),
    /// The odd cylinder out
    Cylinders(cylinders::CylindersArgs),
    /// Between rounds: the chance that the warm-up starts in time for the lanes, and what would help
    Turnaround(turnaround::TurnaroundArgs),
    /// Time to a target temperature, from this warm-up so far and earlier ones
    Warm(figure_warm::WarmArgs),
}

fn run(command: &FigureCommand) -> Result<(), CommandError> {
    match &command.figure {
        Figure::Air(args) => air::run(args),
        Figure::Mix(args) => mix::run(args),
        Figure::Flow(args) => flow::run(args),
        Figure::Forecast(args) => forecast::run(args),
        Figure::Idle(args) => idle::run(args),
        Figure::Bleed(args) => bleed::run(args),
        Figure::Fuel(args) => fuel::run(args),
        Figure::Slip(args) => slip::run(args),
        Figure::Mags(args) => mags::run(args),
        Figure::Cylinders(args) => cylinders::run(args),
        Figure::Turnaround(args) => turnaround::run(args),
        Figure::Warm(args) => figure_warm::run(args).map_err(|error| {
            match error.downcast_ref::<figure_warm::BadInput>() {
                Some(bad) => CommandError::Input(bad.to_string()),
                None => CommandError::Failed(error),
            }
        }),
    }
}

/// Why the command did not do what was asked.
#[derive(Debug)]
enum CommandError {
    /// Bad usage or input; exit code 2. The message says what would be right.
    Input(String),
    /// It ran and failed; exit code 1.
    Failed(anyhow::Error),
}

impl CommandError {
    /// The exit code: 2 for bad usage or input, 1 for a failure on the way.
    fn exit_code(&self) -> u8 {
        match self {
            CommandError::Input(_) => 2,
            CommandError::Failed(_) => 1,
        }
    }
}

impl fmt::Display for CommandError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            CommandError::Input(message) => f.write_str(message),
            CommandError::Failed(error) => write!(f, "{error:#}"),
        }
    }
}

impl std::error::Error for CommandError {}

impl From<io::Error> for CommandError {
    fn from(error: io::Error) -> Self {
        CommandError::Failed(error.into())
    }
}

/// How the answer is wanted; common to all figures.
#[derive(Args, Clone, Debug)]
struct Output {
    /// Print one JSON object instead of a sentence
    #[arg(long)]
    json: bool,
    /// Read rows from this CSV file (`-` for standard input) and print them with result columns appended
    #[arg(long, value_name = "IN")]
    csv: Option<String>,
}

/// Prints a figure, or why there is none, as JSON or as its sentence.
///
/// # Errors
/// Input for a value that was given and cannot be; otherwise a figure that can't say yet is an
/// answer like any other.
fn print<T: Serialize>(
    output: &Output,
    answer: Result<(T, String), CantSay>,
) -> Result<(), CommandError> {
    let (value, words) = match answer {
        Ok((value, words)) => (to_json(&value)?, words),
        Err(bad @ CantSay::Implausible { .. }) => return Err(CommandError::Input(bad.words())),
        Err(why) => (
            serde_json::json!({ "cant_say": to_json(&why)? }),
            why.words(),
        ),
    };
    let mut out = io::stdout().lock();
    let written = if output.json {
        let mut object = value;
        if let Some(map) = object.as_object_mut() {
            map.insert("words".to_owned(), words.into());
        }
        writeln!(out, "{object}")
    } else {
        writeln!(out, "{words}")
    };
    quiet_pipe(written.and_then(|()| out.flush()))
}

fn to_json<T: Serialize>(value: &T) -> Result<serde_json::Value, CommandError> {
    serde_json::to_value(value).map_err(|error| CommandError::Failed(error.into()))
}

/// A reader that has had enough (`| head`) is no failure of ours.
fn quiet_pipe(written: io::Result<()>) -> Result<(), CommandError> {
    match written {
        Err(error) if error.kind() == io::ErrorKind::BrokenPipe => Ok(()),
        other => other.map_err(CommandError::from),
    }
}

/// Says which argument a figure needs that was not given.
fn missing(what: &str) -> CommandError {
    CommandError::Input(format!("{what} is needed (or --csv IN); see --help"))
}
