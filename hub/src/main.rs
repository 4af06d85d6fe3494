//! The `spinover` command: wiring only.
#![forbid(unsafe_code)]

use clap::{Parser, Subcommand};
use spinover::command::{book, check, figure, heap, serve, standby};
use std::{io::IsTerminal, process::ExitCode};
use tracing::Level;
use tracing_subscriber::{
    EnvFilter, filter::filter_fn, layer::SubscriberExt, util::SubscriberInitExt,
};

/// Below `info` these write down whole frames, and with them codes, tokens and passwords: never, whatever was asked for.
const WORDY: [&str; 5] = [
    "tungstenite",
    "tokio_tungstenite",
    "hyper",
    "rumqttc",
    "rustls",
];

/// Warm-up hub for a nitro drag-race crew: takes live readings and checklist marks in, and shows every crew member the same
/// truth on the phone in their hand.
///
/// It advises and records; it never controls the car, and replaces no kill switch, rule book, licensed official or trained
/// judgement. Nitromethane burns and can explode, exhaust harms lungs and ears, and a cylinder with liquid in it can break
/// an engine that is only turned over.
#[derive(Debug, Parser)]
#[command(name = "spinover", version, max_term_width = 100)]
struct Cli {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// A simulated car and the demo sheets, nothing to configure; prints the join address, a QR code and the codes.
    Demo(serve::DemoCommand),
    /// Serve a crew: readings in, phones out.
    Serve(serve::ServeCommand),
    /// Follow the hub on the first laptop, and take over from it when the chief says so.
    Standby(standby::StandbyCommand),
    /// Look a car file and its sheets over, and say what is wrong with them.
    Check(check::CheckCommand),
    /// Work out one figure, from arguments or for the rows of a CSV.
    Figure(figure::FigureCommand),
    /// Every warm-up kept: list, show, export, import, report, compare, check.
    Book(book::BookCommand),
}

fn main() -> ExitCode {
    // Clap ends with 2 on bad usage, which is what the contract says.
    let cli = Cli::parse();
    let filter = EnvFilter::try_from_env("SPINOVER_LOG")
        .unwrap_or_else(|_| EnvFilter::new("info,mdns_sd=off"));
    let no_frames = filter_fn(|what| {
        *what.level() <= Level::INFO || !WORDY.iter().any(|name| what.target().starts_with(name))
    });
    let lines = tracing_subscriber::fmt::layer()
        .with_writer(std::io::stderr)
        // Colours are for a terminal; in a file or a journal they are rubbish between the words.
        .with_ansi(std::io::stderr().is_terminal());
    tracing_subscriber::registry()
        .with(filter)
        .with(no_frames)
        .with(lines)
        .init();
    match cli.command {
        Command::Demo(command) => {
            heap::keep_little();
            command.run()
        }
        Command::Serve(command) => {
            heap::keep_little();
            command.run()
        }
        Command::Standby(command) => {
            heap::keep_little();
            command.run()
        }
        Command::Check(command) => command.run(),
        Command::Figure(command) => command.run(),
        Command::Book(command) => command.run(),
    }
}
