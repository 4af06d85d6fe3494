//! `spinover figure slip`.

use std::path::{Path, PathBuf};

use clap::Args;
use serde::Serialize;

use super::table::{Row, Table, cell};
use super::{CommandError, Output, print, value};
use crate::book::{BookError, Reader};
use crate::figures::quantity::{MilesPerHour, Seconds};
use crate::figures::slip::{Comparison, MARKS_FT, Slip, SlipFacts, compare, slip};
use crate::serve::history;

/// Arguments of `spinover figure slip`.
#[derive(Args, Clone, Debug)]
#[command(after_help = "Columns, those there are of: \
reaction_s,t60_s,t330_s,mph330,t660_s,mph660,t1000_s,mph1000.\nAdds: g60,g330,g660,g1000,checks (empty where the slip \
agrees with itself).")]
pub(super) struct SlipArgs {
    #[command(flatten)]
    output: Output,
    /// Reaction, seconds
    #[arg(long, value_parser = value::seconds, allow_hyphen_values = true)]
    reaction_s: Option<f64>,
    /// Time at 60 ft, seconds
    #[arg(long, value_parser = value::seconds)]
    t60_s: Option<f64>,
    /// Time at 330 ft, seconds
    #[arg(long, value_parser = value::seconds)]
    t330_s: Option<f64>,
    /// Time at 660 ft, seconds
    #[arg(long, value_parser = value::seconds)]
    t660_s: Option<f64>,
    /// Time at 1000 ft, seconds
    #[arg(long, value_parser = value::seconds)]
    t1000_s: Option<f64>,
    /// Speed at 330 ft, mph (or with a unit: 300km/h)
    #[arg(long, value_parser = value::miles_per_hour)]
    mph330: Option<f64>,
    /// Speed at 660 ft, mph
    #[arg(long, value_parser = value::miles_per_hour)]
    mph660: Option<f64>,
    /// Speed at 1000 ft, mph
    #[arg(long, value_parser = value::miles_per_hour)]
    mph1000: Option<f64>,
    /// Earlier slips to compare with, a CSV of the same columns
    #[arg(long, value_name = "FILE")]
    earlier: Option<String>,
    /// Earlier slips to compare with, out of the book in this directory
    #[arg(long, value_name = "DIR", conflicts_with = "earlier")]
    data: Option<PathBuf>,
    /// Whose slips of the book; the car of its latest warm-up when absent
    #[arg(long, value_name = "NAME", requires = "data")]
    car: Option<String>,
}

#[derive(Serialize)]
struct Answer {
    #[serde(flatten)]
    facts: SlipFacts,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    compared: Vec<Comparison>,
}

/// Where the columns of a slip stand.
struct Columns {
    reaction: Option<usize>,
    times: [Option<usize>; 4],
    speeds: [Option<usize>; 4],
}

impl Columns {
    fn of(table: &Table) -> Result<Columns, CommandError> {
        let times = MARKS_FT.map(|ft| table.optional(&format!("t{ft:.0}_s")));
        if times.iter().all(Option::is_none) {
            // None at all: let the first say what is nearest.
            table.column("t60_s")?;
        }
        Ok(Columns {
            reaction: table.optional("reaction_s"),
            times,
            speeds: MARKS_FT.map(|ft| table.optional(&format!("mph{ft:.0}"))),
        })
    }

    fn slip(&self, row: &Row<'_>) -> Result<Slip, String> {
        let mut slip = Slip {
            reaction_s: row.maybe(self.reaction)?.map(Seconds),
            ..Slip::default()
        };
        for i in 0..MARKS_FT.len() {
            slip.times_s[i] = row.maybe(self.times[i])?.map(Seconds);
            slip.speeds_mph[i] = row.maybe(self.speeds[i])?.map(MilesPerHour);
        }
        Ok(slip)
    }
}

fn of_book(dir: &Path, car: Option<&str>) -> Result<Vec<Slip>, CommandError> {
    let slips = Reader::open(dir).and_then(|reader| history::slips(&reader, car));
    slips.map_err(|error| match error {
        BookError::Missing(_) => CommandError::Input(error.to_string()),
        error => CommandError::Failed(error.into()),
    })
}

pub(super) fn run(args: &SlipArgs) -> Result<(), CommandError> {
    if let Some(path) = &args.output.csv {
        let table = Table::open(path)?;
        let columns = Columns::of(&table)?;
        return table.append(&["g60", "g330", "g660", "g1000", "checks"], |row| {
            let facts = slip(&columns.slip(row)?).map_err(|why| why.words())?;
            let mut cells: Vec<String> = MARKS_FT
                .iter()
                .map(|ft| {
                    let there = facts.intervals.iter().find(|i| i.to_ft == *ft);
                    there.map_or_else(String::new, |i| cell(i.accel_g.0, 3))
                })
                .collect();
            cells.push(
                facts
                    .misfits
                    .iter()
                    .map(|m| m.words())
                    .collect::<Vec<_>>()
                    .join("; "),
            );
            Ok(cells)
        });
    }
    let this = Slip {
        reaction_s: args.reaction_s.map(Seconds),
        times_s: [args.t60_s, args.t330_s, args.t660_s, args.t1000_s].map(|t| t.map(Seconds)),
        speeds_mph: [None, args.mph330, args.mph660, args.mph1000].map(|v| v.map(MilesPerHour)),
    };
    let earlier = match (&args.earlier, &args.data) {
        (Some(path), _) => {
            let table = Table::open(path)?;
            let columns = Columns::of(&table)?;
            table.collect(|row| columns.slip(row))?
        }
        (None, Some(dir)) => of_book(dir, args.car.as_deref())?,
        (None, None) => Vec::new(),
    };
    let answer = slip(&this).map(|facts| {
        let compared = compare(&this, &earlier);
        let mut words = facts.words();
        for c in &compared {
            words.push_str(&format!(
                "; {} {:+.3} on {} runs",
                c.what, c.difference, c.runs
            ));
        }
        (Answer { facts, compared }, words)
    });
    print(&args.output, answer)
}
