//! `spinover figure forecast`: the air some hours ahead, and the flow that it wants.

use clap::Args;
use serde::Serialize;

use super::flow::RuleArgs;
use super::table::{Row, Table, cell};
use super::{CommandError, Output, missing, print, value};
use crate::figures::CantSay;
use crate::figures::air_ahead::{AirAhead, FlowAhead, Seen, ahead, flow_ahead};
use crate::figures::flow::{Baseline, by_baseline};

/// Arguments of `spinover figure forecast`.
#[derive(Args, Clone, Debug)]
#[command(
    after_help = "The readings (--readings) are a CSV with time,temp_c,pressure_hpa,rh_pct; times are the clock's on the \
wall (2026-05-16T14:00), since the day's course goes by it.\nWith --csv each row is a time to forecast for. Columns: at.\nAdds: \
altitude_m,altitude_lo_m,altitude_hi_m,temp_c,temp_lo_c,temp_hi_c,readings,flow_l_per_min,flow_lo_l_per_min,flow_hi_l_per_min."
)]
pub(super) struct ForecastArgs {
    #[command(flatten)]
    output: Output,
    /// What was measured so far, a CSV (`-` for standard input)
    #[arg(long, value_name = "FILE")]
    readings: Option<String>,
    /// For when: 15:40 of the newest reading's day, or 2026-05-16T15:40
    #[arg(long, value_name = "TIME")]
    at: Option<String>,
    /// The chief's baseline flow, L/min (or with a unit: 2.1gpm): then the flow is told as well
    #[arg(long, value_parser = value::litres_per_min, requires_all = ["base_density_kg_m3", "base_temp_c"])]
    base_l_per_min: Option<f64>,
    /// Air density that the baseline was right at, kg/m3
    #[arg(long, value_parser = value::kg_per_m3, requires = "base_l_per_min")]
    base_density_kg_m3: Option<f64>,
    /// Air temperature that it was right at, degC (or with a unit: 75F)
    #[arg(long, value_parser = value::celsius, allow_hyphen_values = true, requires = "base_l_per_min")]
    base_temp_c: Option<f64>,
    #[command(flatten)]
    rule: RuleArgs,
}

/// The answer as JSON.
#[derive(Serialize)]
struct Answer {
    at: String,
    #[serde(flatten)]
    air: AirAhead,
    density_kg_m3: crate::figures::air_ahead::Spread,
    #[serde(skip_serializing_if = "Option::is_none")]
    flow: Option<FlowAhead>,
}

pub(super) fn run(args: &ForecastArgs) -> Result<(), CommandError> {
    let seen = readings(
        args.readings
            .as_deref()
            .ok_or_else(|| missing("--readings"))?,
    )?;
    let base = args.baseline();
    if let Some(path) = &args.output.csv {
        let table = Table::open(path)?;
        let at = table.column("at")?;
        return table.append(&RESULTS, |row| {
            let (_, air, flow) =
                forecast(&seen, row.text(at), base.as_ref())?.map_err(|why| why.words())?;
            Ok(cells(&air, flow.as_ref()))
        });
    }
    let at = args.at.as_deref().ok_or_else(|| missing("--at"))?;
    let answer = forecast(&seen, at, base.as_ref()).map_err(CommandError::Input)?;
    print(
        &args.output,
        answer.map(|(at, air, flow)| {
            let mut words = format!("at {at}, {}", air.words());
            if let Some(flow) = &flow {
                let spread = flow.flow_l_per_min;
                words += &format!(
                    "; flow {:.2} L/min ({:.2} to {:.2})",
                    spread.middle, spread.low, spread.high
                );
                if flow.extrapolated {
                    words += ", OUTSIDE what the rule was made for";
                }
            }
            let density_kg_m3 = air.density_kg_m3();
            let answer = Answer {
                at: at.to_string(),
                air,
                density_kg_m3,
                flow,
            };
            (answer, words)
        }),
    )
}

impl ForecastArgs {
    fn baseline(&self) -> Option<Baseline> {
        Some(self.rule.from(
            self.base_l_per_min?,
            self.base_density_kg_m3?,
            self.base_temp_c?,
        ))
    }
}

type Told = (jiff::civil::DateTime, AirAhead, Option<FlowAhead>);

/// The forecast for a time as somebody writes it; the inner error is the figure's own.
fn forecast(
    seen: &[Seen],
    at: &str,
    base: Option<&Baseline>,
) -> Result<Result<Told, CantSay>, String> {
    let newest = seen
        .iter()
        .map(|seen| seen.at_s)
        .fold(f64::NEG_INFINITY, f64::max);
    let at = match at.parse::<jiff::civil::Time>() {
        // "2026-05-16T15:40" is a time of the day as well, to jiff: the date says more.
        Ok(time) if !at.contains('-') => {
            let newest = jiff::Timestamp::from_second(newest as i64)
                .map_err(|_| "there are no readings".to_owned())?;
            let newest = jiff::ZonedDateTime::new(newest, jiff::tz::TimeZone::UTC);
            newest.date().to_datetime(time)
        }
        _ => civil(at)?,
    };
    let at_s = seconds(at)?;
    // The scale is the wall clock's own, so the clock is ahead of it by nothing.
    Ok(ahead(seen, 0.0, at_s).and_then(|air| {
        let flow = base
            .map(|base| flow_ahead(&air, |air| by_baseline(base, air)))
            .transpose()?;
        Ok((at, air, flow))
    }))
}

/// A time on the wall's clock; an offset behind it is passed over, since all are of one place.
fn civil(text: &str) -> Result<jiff::civil::DateTime, String> {
    text.parse().map_err(|_| {
        format!(
            "{text:?} is no time on the clock on the wall, such as 2026-05-16T15:40 (without a Z)"
        )
    })
}

/// Seconds on the wall clock's own scale.
fn seconds(time: jiff::civil::DateTime) -> Result<f64, String> {
    let stamp = jiff::tz::TimeZone::UTC
        .to_timestamp(time)
        .map_err(|error| error.to_string())?;
    Ok(stamp.as_second() as f64)
}

fn readings(path: &str) -> Result<Vec<Seen>, CommandError> {
    let table = Table::open(path)?;
    let time = table.column("time")?;
    let (temp, pressure) = (table.column("temp_c")?, table.column("pressure_hpa")?);
    let humidity = table.column("rh_pct")?;
    table.collect(|row: &Row<'_>| {
        let at_s = seconds(civil(row.text(time))?)?;
        let [temp, pressure, humidity] =
            [temp, pressure, humidity].map(|column| row.number(column));
        Seen::of_readings(at_s, temp?, pressure?, humidity?).map_err(|why| why.words())
    })
}

const RESULTS: [&str; 10] = [
    "altitude_m",
    "altitude_lo_m",
    "altitude_hi_m",
    "temp_c",
    "temp_lo_c",
    "temp_hi_c",
    "readings",
    "flow_l_per_min",
    "flow_lo_l_per_min",
    "flow_hi_l_per_min",
];

fn cells(air: &AirAhead, flow: Option<&FlowAhead>) -> Vec<String> {
    let spread = |spread: crate::figures::air_ahead::Spread, decimals| {
        [spread.middle, spread.low, spread.high].map(|value| cell(value, decimals))
    };
    let mut cells = spread(air.altitude_m, 1).to_vec();
    cells.extend(spread(air.temp_c, 2));
    cells.push(air.readings.to_string());
    if let Some(flow) = flow {
        cells.extend(spread(flow.flow_l_per_min, 3));
    }
    cells
}
