//! `spinover figure idle`.

use clap::Args;

use super::table::{Table, cell};
use super::{CommandError, Output, missing, print};
use crate::figures::CantSay;
use crate::figures::idle::{Idle, IdleLimits, IdleState, IdleWatch};

/// Arguments of `spinover figure idle`.
#[derive(Args, Clone, Debug)]
#[command(after_help = "Columns: t_s,engine_rpm.\nAdds: \
idle,idle_rpm,slope_rpm_per_s,spread_rpm,swing_rpm,period_s,settle_s; empty where it can't say yet.\nWith --json: the \
state at the last row, as one object.")]
pub(super) struct IdleArgs {
    #[command(flatten)]
    output: Output,
    /// Window looked at, seconds
    #[arg(long, default_value_t = IdleLimits::default().window_s)]
    window_s: f64,
    /// Slope below which it is not moving, rpm per second
    #[arg(long, default_value_t = IdleLimits::default().slope_rpm_per_s)]
    slope: f64,
    /// Robust spread above which it is unsteady, rpm
    #[arg(long, default_value_t = IdleLimits::default().spread_rpm)]
    spread: f64,
    /// Peak-to-peak swing above which a rhythm is hunting, rpm
    #[arg(long, default_value_t = IdleLimits::default().swing_rpm)]
    swing: f64,
    /// Nearness to the end value at which it has settled, rpm
    #[arg(long, default_value_t = IdleLimits::default().band_rpm)]
    band: f64,
    /// Work out the state anew after so long at the soonest, seconds; rows between repeat it
    #[arg(long, default_value_t = 0.5)]
    step_s: f64,
}

pub(super) fn run(args: &IdleArgs) -> Result<(), CommandError> {
    let limits = IdleLimits {
        window_s: args.window_s,
        least_s: IdleLimits::default().least_s.min(args.window_s),
        slope_rpm_per_s: args.slope,
        spread_rpm: args.spread,
        swing_rpm: args.swing,
        band_rpm: args.band,
        ..IdleLimits::default()
    };
    if !(args.window_s > 0.0 && args.window_s.is_finite()) {
        return Err(CommandError::Input(
            "--window-s must be more than nought".to_owned(),
        ));
    }
    let path = args
        .output
        .csv
        .as_ref()
        .ok_or_else(|| missing("the readings: --csv IN"))?;
    let table = Table::open(path)?;
    let (time, rpm) = (table.column("t_s")?, table.column("engine_rpm")?);
    let mut watch = IdleWatch::new(limits);
    if args.output.json {
        let mut last = 0.0;
        table.collect(|row| {
            last = row.number(time)?;
            watch.push(last, row.number(rpm)?);
            Ok(())
        })?;
        return print(
            &args.output,
            watch.now(last).map(|idle| (idle, idle.words())),
        );
    }
    let results = [
        "idle",
        "idle_rpm",
        "slope_rpm_per_s",
        "spread_rpm",
        "swing_rpm",
        "period_s",
        "settle_s",
    ];
    let mut latest: Option<(f64, Result<Idle, CantSay>)> = None;
    table.append(&results, |row| {
        let t = row.number(time)?;
        watch.push(t, row.number(rpm)?);
        if latest
            .as_ref()
            .is_none_or(|(then, _)| (t - then).abs() >= args.step_s)
        {
            latest = Some((t, watch.now(t)));
        }
        Ok(match &latest {
            Some((_, Ok(idle))) => results_of(idle),
            _ => Vec::new(),
        })
    })
}

fn results_of(idle: &Idle) -> Vec<String> {
    let (mut swing, mut period, mut settle) = (String::new(), String::new(), String::new());
    match idle.state {
        IdleState::Hunting {
            swing_rpm,
            period_s,
        } => {
            (swing, period) = (cell(swing_rpm.0, 1), cell(period_s.0, 2));
        }
        IdleState::Settling {
            settle_s: Some(s), ..
        } => settle = cell(s.0, 1),
        IdleState::Settled => settle = cell(0.0, 1),
        _ => {}
    }
    vec![
        idle.state.word().to_owned(),
        cell(idle.rpm.0, 1),
        cell(idle.slope_rpm_per_s, 3),
        cell(idle.spread_rpm.0, 1),
        swing,
        period,
        settle,
    ]
}
