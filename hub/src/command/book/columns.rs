//! `spinover book columns`: asks column by column what a recording from elsewhere holds, and writes the car file that takes it in.

use super::{Failure, new_file};
use crate::files::{
    columns::{Candidate, Columns, beginning, car_file, look},
    load_car, parse_car,
};
use clap::Args;
use spinover_protocol::{recording::LOOKED_AT, units::Unit};
use std::{
    fs::File,
    io::{self, BufRead, IsTerminal, Read, Write},
    path::PathBuf,
};

#[derive(Debug, Args)]
pub(super) struct ColumnsArgs {
    /// The recording (CSV).
    file: PathBuf,
    /// A car file whose channels the columns should become, where they fit.
    #[arg(long, value_name = "FILE")]
    car: Option<PathBuf>,
    /// The car file to write; it must not be there yet. Standard output when absent.
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
    /// Ask nothing: take what is proposed. So it is too when nobody sits at a terminal.
    #[arg(long)]
    yes: bool,
}

impl ColumnsArgs {
    pub(super) fn run(self, out: &mut impl Write) -> Result<(), Failure> {
        let input = |error: io::Error| Failure::Input(format!("{}: {error}", self.file.display()));
        let mut bytes = Vec::new();
        let file = File::open(&self.file).map_err(input)?;
        file.take(LOOKED_AT as u64)
            .read_to_end(&mut bytes)
            .map_err(input)?;
        let text = beginning(bytes);
        let car = match &self.car {
            Some(path) => {
                let file = load_car(path);
                Some(
                    file.map_err(|errors| Failure::Input(errors.to_string()))?
                        .car,
                )
            }
            None => None,
        };
        let Some(columns) = look(&text, car.as_ref()) else {
            return Err(Failure::Input(format!(
                "{}: no header with a column of times under it (seconds, HH:MM:SS or RFC 3339) was found",
                self.file.display()
            )));
        };
        let ask = !self.yes && io::stdin().is_terminal();
        let kept = choose(&columns, ask)?;
        let (team, name) = car.as_ref().map_or(("Team", "Car"), |car| {
            (car.team.as_str(), car.name.as_str())
        });
        let written = car_file(&columns, &kept, team, name, car.as_ref());
        parse_car("the proposal", &written).map_err(|errors| Failure::Input(errors.to_string()))?;
        match self.out {
            None => Ok(out.write_all(written.as_bytes())?),
            Some(path) => {
                new_file(&path)?.write_all(written.as_bytes())?;
                Ok(writeln!(
                    out,
                    "{} is written; look it over, then: spinover book import {} --car {} --data DIR",
                    path.display(),
                    self.file.display(),
                    path.display()
                )?)
            }
        }
    }
}

/// Goes through the columns. What it says goes to the error stream, so that the car file can go to standard output.
fn choose(columns: &Columns, ask: bool) -> Result<Vec<Candidate>, Failure> {
    let mut kept: Vec<Candidate> = Vec::new();
    eprintln!("time: {:?}, written as {}", columns.time, columns.form);
    if !columns.others.is_empty() {
        eprintln!(
            "left out, since they hold no numbers: {}",
            columns.others.join(", ")
        );
    }
    if ask {
        eprintln!(
            "For each column: Enter takes it as proposed, - leaves it out, or type KEY or KEY UNIT."
        );
    }
    let mut answers = io::stdin().lock().lines();
    for candidate in &columns.candidates {
        let unit = candidate.unit.map_or("no unit", Unit::symbol);
        eprint!(
            "{:?}: {} to {}, first {:?} -> {} in {unit}{}",
            candidate.header,
            candidate.low,
            candidate.high,
            candidate.samples.first().map_or("", String::as_str),
            candidate.key,
            if ask { "? " } else { "\n" }
        );
        let mut candidate = candidate.clone();
        if ask {
            let answer = answers.next().transpose()?.unwrap_or_default();
            match answer.trim().split_once(' ').unwrap_or((answer.trim(), "")) {
                ("-", _) => continue,
                ("", _) => {}
                (key, unit) => {
                    key.clone_into(&mut candidate.key);
                    if !unit.is_empty() {
                        let known = Unit::parse(unit.trim());
                        candidate.unit = Some(known.ok_or_else(|| {
                            Failure::Input(format!("{unit:?} is no unit that is known"))
                        })?);
                    }
                }
            }
        }
        if kept.iter().any(|other| other.key == candidate.key) {
            return Err(Failure::Input(format!(
                "two columns would be {}",
                candidate.key
            )));
        }
        kept.push(candidate);
    }
    if kept.is_empty() {
        return Err(Failure::Input("every column is left out".to_owned()));
    }
    Ok(kept)
}
