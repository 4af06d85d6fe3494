//! `spinover figure mags`.

use clap::Args;

use super::table::{Table, cell};
use super::{CommandError, Output, missing, print};
use crate::figures::mags::{MagLimits, MagWatch};

/// Arguments of `spinover figure mags`.
#[derive(Args, Clone, Debug)]
#[command(after_help = "Columns: t_s,mag1_deg,mag2_deg.\nAdds: \
apart_deg,apart_drift_deg_per_min,since_start_deg,noted; empty where it can't say yet.\nWith --json: the state at the \
last row, as one object.")]
pub(super) struct MagsArgs {
    #[command(flatten)]
    output: Output,
    /// Window looked at, seconds
    #[arg(long, default_value_t = MagLimits::default().window_s)]
    window_s: f64,
    /// Difference worth a word, degrees
    #[arg(long, default_value_t = MagLimits::default().apart_deg)]
    apart_deg: f64,
    /// Drift worth a word, degrees a minute
    #[arg(long, default_value_t = MagLimits::default().drift_deg_per_min)]
    drift_deg_per_min: f64,
}

pub(super) fn run(args: &MagsArgs) -> Result<(), CommandError> {
    let mut watch = MagWatch::new(MagLimits {
        window_s: args.window_s,
        least_s: MagLimits::default().least_s.min(args.window_s),
        apart_deg: args.apart_deg,
        drift_deg_per_min: args.drift_deg_per_min,
        ..MagLimits::default()
    });
    let path = args
        .output
        .csv
        .as_ref()
        .ok_or_else(|| missing("the readings: --csv IN"))?;
    let table = Table::open(path)?;
    let time = table.column("t_s")?;
    let (first, second) = (table.column("mag1_deg")?, table.column("mag2_deg")?);
    if args.output.json {
        let mut last = 0.0;
        table.collect(|row| {
            last = row.number(time)?;
            watch.push(last, row.number(first)?, row.number(second)?);
            Ok(())
        })?;
        return print(
            &args.output,
            watch.now(last).map(|mags| (mags, mags.words())),
        );
    }
    let results = [
        "apart_deg",
        "apart_drift_deg_per_min",
        "since_start_deg",
        "noted",
    ];
    table.append(&results, |row| {
        let t = row.number(time)?;
        watch.push(t, row.number(first)?, row.number(second)?);
        Ok(watch.now(t).map_or_else(
            |_| Vec::new(),
            |mags| {
                vec![
                    cell(mags.apart_deg.0, 2),
                    cell(mags.apart_drift.deg_per_min, 3),
                    cell(mags.since_start_deg.0, 2),
                    mags.noted.to_string(),
                ]
            },
        ))
    })
}
