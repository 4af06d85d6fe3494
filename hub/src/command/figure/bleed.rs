//! `spinover figure bleed`.

use clap::Args;
use serde::Serialize;

use super::table::{Table, cell};
use super::{CommandError, Output, print, value};
use crate::figures::bleed::{BleedAdvice, BleedGain, Gain};
use crate::figures::quantity::Rpm;

/// Arguments of `spinover figure bleed`.
#[derive(Args, Clone, Debug)]
#[command(
    after_help = "Columns: turns,change_rpm (turns outwards positive).\nAdds: rpm_per_turn,rpm_per_turn_sd; \
empty until it can say."
)]
pub(super) struct BleedArgs {
    #[command(flatten)]
    output: Output,
    /// A marked adjustment as TURNS:RPM, turns outwards positive, and the change of idle it made; repeat
    #[arg(long = "adjustment", value_parser = adjustment, allow_hyphen_values = true, value_name = "TURNS:RPM")]
    adjustments: Vec<(f64, f64)>,
    /// The idle now, rpm
    #[arg(long, value_parser = value::rpm, requires = "want_rpm")]
    rpm: Option<f64>,
    /// The idle wanted, rpm
    #[arg(long, value_parser = value::rpm, requires = "rpm")]
    want_rpm: Option<f64>,
    /// Uncertainty of each change, rpm
    #[arg(long, default_value_t = 10.0)]
    change_off_rpm: f64,
}

#[derive(Serialize)]
#[serde(untagged)]
enum Answer {
    Gain(Gain),
    Advice(BleedAdvice),
}

fn adjustment(text: &str) -> Result<(f64, f64), String> {
    let (turns, change) = text
        .split_once(':')
        .ok_or("say TURNS:RPM, for example 0.5:60 or -0.25:-28")?;
    Ok((value::number(turns)?, value::number(change)?))
}

pub(super) fn run(args: &BleedArgs) -> Result<(), CommandError> {
    let mut gain = BleedGain::default();
    if let Some(path) = &args.output.csv {
        let table = Table::open(path)?;
        let (turns, change) = (table.column("turns")?, table.column("change_rpm")?);
        return table.append(&["rpm_per_turn", "rpm_per_turn_sd"], |row| {
            gain.push(row.number(turns)?, row.number(change)?, args.change_off_rpm);
            Ok(gain.gain().map_or_else(
                |_| Vec::new(),
                |g| vec![cell(g.rpm_per_turn, 2), cell(g.sd_rpm_per_turn, 2)],
            ))
        });
    }
    for (turns, change) in &args.adjustments {
        gain.push(*turns, *change, args.change_off_rpm);
    }
    let answer = match args.rpm.zip(args.want_rpm) {
        Some((now, want)) => gain.advise(Rpm(now), Rpm(want)).map(|advice| {
            let words = advice.words();
            (Answer::Advice(advice), words)
        }),
        None => gain.gain().map(|gain| {
            let words = gain.words();
            (Answer::Gain(gain), words)
        }),
    };
    print(&args.output, answer)
}
