//! `spinover figure fuel`.

use clap::Args;
use serde::Serialize;
use spinover_protocol::units::Unit;

use super::table::{Table, cell};
use super::{CommandError, Output, missing, print, value};
use crate::figures::fuel::{Allowance, FuelLimits, FuelState, FuelUsed, Tank, Used, fuel_state};
use crate::figures::quantity::Litres;

/// Arguments of `spinover figure fuel`.
#[derive(Args, Clone, Debug)]
#[command(
    after_help = "Columns: t_s,flow_l_per_min (other names and unit: --time-column, --flow-column, \
--flow-unit).\nAdds: used_l,used_least_l,used_most_l, and with --tank-l left_l,margin_worst_l.\nWith --csv and --json: \
the state at the last row, as one object. Without --csv: from --used-l."
)]
pub(super) struct FuelArgs {
    #[command(flatten)]
    output: Output,
    /// Name of the time column, seconds
    #[arg(long, default_value = "t_s")]
    time_column: String,
    /// Name of the flow column
    #[arg(long, default_value = "flow_l_per_min")]
    flow_column: String,
    /// Unit of the flow column
    #[arg(long, default_value = "L/min")]
    flow_unit: Unit,
    /// Longest time between readings that is not a gap, seconds
    #[arg(long, default_value_t = FuelLimits::default().gap_limit_s)]
    gap_s: f64,
    /// The most the system can flow, L/min (or with a unit); bounds what a gap used
    #[arg(long, value_parser = value::litres_per_min)]
    most_flow_l_per_min: Option<f64>,
    /// The meter's error, percent
    #[arg(long, default_value_t = FuelLimits::default().meter_error * 100.0)]
    meter_off_pct: f64,
    /// Used so far, L (or with a unit), where there are no readings
    #[arg(long, value_parser = value::litres)]
    used_l: Option<f64>,
    /// What was put in the tank, L (or with a unit: 11gal)
    #[arg(long, value_parser = value::litres)]
    tank_l: Option<f64>,
    /// How far off that can be, L
    #[arg(long, value_parser = value::litres, default_value = "0.5")]
    tank_off_l: f64,
    /// What the pump cannot draw, L
    #[arg(long, value_parser = value::litres, default_value = "0")]
    unusable_l: f64,
    /// What must remain at the end, L
    #[arg(long, value_parser = value::litres, default_value = "0")]
    reserve_l: f64,
    /// A phase still to come as NAME=LITRES or NAME=LIKELY:MOST; repeat
    #[arg(long = "phase", value_parser = phase, value_name = "NAME=LITRES")]
    phases: Vec<(String, f64, f64)>,
}

fn phase(text: &str) -> Result<(String, f64, f64), String> {
    let (name, litres) = text
        .split_once('=')
        .ok_or("say NAME=LITRES or NAME=LIKELY:MOST, for example idle=8:10")?;
    let (likely, most) = litres.split_once(':').unwrap_or((litres, litres));
    Ok((
        name.to_owned(),
        value::litres(likely)?,
        value::litres(most)?,
    ))
}

#[derive(Serialize)]
#[serde(untagged)]
enum Answer {
    Used(Used),
    State(FuelState),
}

pub(super) fn run(args: &FuelArgs) -> Result<(), CommandError> {
    let limits = FuelLimits {
        gap_limit_s: args.gap_s,
        most_flow_l_per_min: args.most_flow_l_per_min,
        meter_error: args.meter_off_pct / 100.0,
    };
    let tank = args.tank_l.map(|filled| Tank {
        filled_l: Litres(filled),
        fill_error_l: Litres(args.tank_off_l),
        unusable_l: Litres(args.unusable_l),
    });
    let still: Vec<Allowance> = args
        .phases
        .iter()
        .map(|(name, likely, most)| Allowance::of_chief(name.clone(), *likely, *most))
        .collect();
    let mut fuel = FuelUsed::new(limits);
    let Some(path) = &args.output.csv else {
        let used = args.used_l.ok_or_else(|| missing("--used-l"))?;
        if used < 0.0 {
            return Err(CommandError::Input(
                "--used-l must not be negative".to_owned(),
            ));
        }
        // A minute at a steady flow of that many litres a minute, as one watched interval.
        let mut fuel = FuelUsed::new(FuelLimits {
            gap_limit_s: 60.0,
            ..limits
        });
        fuel.push(0.0, used);
        fuel.push(60.0, used);
        return answer(args, fuel.used(), tank, &still);
    };
    if args.flow_unit.convert(1.0, Unit::LitrePerMin).is_none() {
        return Err(CommandError::Input(format!(
            "--flow-unit {} is no volume flow; say L/min, L/h, US gal/min or US gal/h",
            args.flow_unit
        )));
    }
    let table = Table::open(path)?;
    let (time, flow) = (
        table.column(&args.time_column)?,
        table.column(&args.flow_column)?,
    );
    let to_l_per_min = |flow: f64| {
        args.flow_unit
            .convert(flow, Unit::LitrePerMin)
            .unwrap_or(f64::NAN)
    };
    if args.output.json {
        table.collect(|row| {
            fuel.push(row.number(time)?, to_l_per_min(row.number(flow)?));
            Ok(())
        })?;
        return answer(args, fuel.used(), tank, &still);
    }
    let mut results = vec!["used_l", "used_least_l", "used_most_l"];
    if tank.is_some() {
        results.extend(["left_l", "margin_worst_l"]);
    }
    table.append(&results, |row| {
        let (t, l_per_min) = (row.number(time)?, to_l_per_min(row.number(flow)?));
        let before = fuel.used();
        fuel.push(t, l_per_min);
        let used = fuel.used();
        if used.refused > before.refused {
            return Err("a flow below nought".to_owned());
        }
        if used.late > before.late {
            return Err("an earlier time than the row before".to_owned());
        }
        let mut cells = vec![
            cell(used.likely_l.0, 4),
            cell(used.least_l.0, 4),
            cell(used.most_l.0, 4),
        ];
        if let Some(tank) = tank {
            let state = fuel_state(used, tank, &still, args.reserve_l);
            cells.extend([cell(state.left_l.0, 3), cell(state.margin_worst_l.0, 3)]);
        }
        Ok(cells)
    })
}

fn answer(
    args: &FuelArgs,
    used: Used,
    tank: Option<Tank>,
    still: &[Allowance],
) -> Result<(), CommandError> {
    let answer = match tank {
        None => (Answer::Used(used), used.words()),
        Some(tank) => {
            let state = fuel_state(used, tank, still, args.reserve_l);
            let words = state.words();
            (Answer::State(state), words)
        }
    };
    print(&args.output, Ok(answer))
}
