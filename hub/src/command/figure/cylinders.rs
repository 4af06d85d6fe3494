//! `spinover figure cylinders`.

use clap::Args;

use super::table::{Row, Table, cell};
use super::{CommandError, Output, missing, print, value};
use crate::figures::cylinders::{CylinderLimits, CylinderWatch, Cylinders, Firing, odd_ones};

/// Arguments of `spinover figure cylinders`.
#[derive(Args, Clone, Debug)]
#[command(
    after_help = "Columns: t_s and one a cylinder whose name starts with `cyl` (cyl1_c, cyl2_c, ...), degC.\nAdds: \
worst_cylinder,verdict,z,apart_k,call; empty where all are alike.\nWith --json: the state at the last row, as one \
object. Without --csv: one moment, from --temps-c."
)]
pub(super) struct CylindersArgs {
    #[command(flatten)]
    output: Output,
    /// Temperatures of all cylinders at one moment, degC, parted by commas (an empty place: no reading)
    #[arg(long, allow_hyphen_values = true)]
    temps_c: Option<String>,
    /// The engine runs on petrol yet, so a cold cylinder is only odd
    #[arg(long)]
    petrol: bool,
    /// Modified z-score beyond which a cylinder is odd
    #[arg(long, default_value_t = CylinderLimits::default().z)]
    z: f64,
    /// Least distance from the median to be odd, K
    #[arg(long, default_value_t = CylinderLimits::default().apart_k)]
    apart_k: f64,
}

pub(super) fn run(args: &CylindersArgs) -> Result<(), CommandError> {
    let limits = CylinderLimits {
        z: args.z,
        apart_k: args.apart_k,
        ..CylinderLimits::default()
    };
    let Some(path) = &args.output.csv else {
        let text = args.temps_c.as_ref().ok_or_else(|| missing("--temps-c"))?;
        let temps =
            value::list(text).map_err(|why| CommandError::Input(format!("--temps-c: {why}")))?;
        return print(&args.output, odd_ones(&temps, &limits).map(said));
    };
    let table = Table::open(path)?;
    let time = table.column("t_s")?;
    let columns: Vec<usize> = (0..table.header().len())
        .filter(|i| table.header()[*i].to_lowercase().starts_with("cyl"))
        .collect();
    if columns.is_empty() {
        // Names the nearest that is there.
        table.column("cyl1_c")?;
    }
    let firing = Firing {
        running: true,
        on_nitro: !args.petrol,
    };
    let mut watch = CylinderWatch::new(columns.len(), limits);
    let take = |row: &Row<'_>, watch: &mut CylinderWatch| -> Result<f64, String> {
        let t = row.number(time)?;
        // One cylinder's broken cell is that cylinder without a reading, not a broken row.
        let temps: Vec<Option<f64>> = columns
            .iter()
            .map(|c| row.maybe(Some(*c)).unwrap_or(None))
            .collect();
        watch.push(t, &temps);
        Ok(t)
    };
    if args.output.json {
        let mut last = 0.0;
        table.collect(|row| {
            last = take(row, &mut watch)?;
            Ok(())
        })?;
        return print(&args.output, watch.now(last, firing).map(said));
    }
    let results = ["worst_cylinder", "verdict", "z", "apart_k", "call"];
    table.append(&results, |row| {
        let t = take(row, &mut watch)?;
        let all = watch.now(t, firing).map_err(|why| why.words())?;
        let Some(worst) = all.worst else {
            return Ok(vec![
                String::new(),
                String::new(),
                String::new(),
                String::new(),
                "false".into(),
            ]);
        };
        let c = &all.cylinders[worst - 1];
        Ok(vec![
            worst.to_string(),
            c.verdict.word().to_owned(),
            c.z.map_or_else(String::new, |z| cell(z, 1)),
            c.apart_k.map_or_else(String::new, |a| cell(a, 1)),
            all.call.to_string(),
        ])
    })
}

fn said(all: Cylinders) -> (Cylinders, String) {
    let words = all.words();
    (all, words)
}
