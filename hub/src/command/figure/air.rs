//! `spinover figure air`.

use clap::Args;

use super::table::{Table, cell};
use super::{CommandError, Output, missing, print, value};
use crate::figures::air::{Air, AirTolerance, Barometer, Moisture, air};
use crate::figures::quantity::{Celsius, HectoPascals, Metres, Percent};

/// Arguments of `spinover figure air`.
#[derive(Args, Clone, Debug)]
#[command(
    after_help = "Columns: temp_c,pressure_hpa,rh_pct (or dew_c for rh_pct; altimeter_hpa,elevation_m for \
pressure_hpa).\nAdds: density_kg_m3,density_altitude_m,vapor_pressure_pa,humidity_ratio (kg/kg)."
)]
pub(super) struct AirArgs {
    #[command(flatten)]
    output: Output,
    /// Air temperature, degC (or with a unit: 75F)
    #[arg(long, value_parser = value::celsius, allow_hyphen_values = true)]
    temp_c: Option<f64>,
    /// Station pressure, hPa (or with a unit: 29.1inHg)
    #[arg(long, value_parser = value::hectopascals, conflicts_with = "altimeter_hpa")]
    pressure_hpa: Option<f64>,
    /// Altimeter setting, hPa (or with a unit: 29.92inHg); needs --elevation-m
    #[arg(long, value_parser = value::hectopascals, requires = "elevation_m")]
    altimeter_hpa: Option<f64>,
    /// Elevation above sea level, m (or with a unit: 1200ft)
    #[arg(long, value_parser = value::metres, allow_hyphen_values = true, requires = "altimeter_hpa")]
    elevation_m: Option<f64>,
    /// Relative humidity, %
    #[arg(long, value_parser = value::percent, conflicts_with = "dew_c")]
    rh_pct: Option<f64>,
    /// Dew point, degC (or with a unit: 55F)
    #[arg(long, value_parser = value::celsius, allow_hyphen_values = true)]
    dew_c: Option<f64>,
    /// How far off the thermometer can be, K (one standard deviation)
    #[arg(long, default_value_t = AirTolerance::default().temp_k)]
    temp_off_k: f64,
    /// How far off the barometer can be, hPa
    #[arg(long, default_value_t = AirTolerance::default().pressure_hpa)]
    pressure_off_hpa: f64,
    /// How far off the humidity can be, points of %
    #[arg(long, default_value_t = AirTolerance::default().rh_pct)]
    rh_off_pct: f64,
    /// How far off the dew point can be, K
    #[arg(long, default_value_t = AirTolerance::default().dew_k)]
    dew_off_k: f64,
}

pub(super) fn run(args: &AirArgs) -> Result<(), CommandError> {
    let tolerance = AirTolerance {
        temp_k: args.temp_off_k,
        pressure_hpa: args.pressure_off_hpa,
        rh_pct: args.rh_off_pct,
        dew_k: args.dew_off_k,
    };
    if let Some(path) = &args.output.csv {
        return table(path, tolerance);
    }
    let temp = args.temp_c.ok_or_else(|| missing("--temp-c"))?;
    let barometer = match (args.pressure_hpa, args.altimeter_hpa, args.elevation_m) {
        (Some(p), _, _) => Barometer::Station(HectoPascals(p)),
        (None, Some(setting), Some(elevation)) => Barometer::Altimeter {
            setting: HectoPascals(setting),
            elevation: Metres(elevation),
        },
        _ => {
            return Err(missing(
                "--pressure-hpa, or --altimeter-hpa with --elevation-m,",
            ));
        }
    };
    let moisture = match (args.rh_pct, args.dew_c) {
        (Some(rh), _) => Moisture::Relative(Percent(rh)),
        (None, Some(dew)) => Moisture::DewPoint(Celsius(dew)),
        (None, None) => return Err(missing("--rh-pct or --dew-c")),
    };
    let answer = air(Celsius(temp), barometer, moisture, tolerance);
    print(&args.output, answer.map(|a| (a, a.words())))
}

fn table(path: &str, tolerance: AirTolerance) -> Result<(), CommandError> {
    let table = Table::open(path)?;
    let temp = table.column("temp_c")?;
    // The stated columns come first; the others stand in where those are absent.
    let altimeter = match table.optional("pressure_hpa") {
        Some(_) => None,
        None => table
            .optional("altimeter_hpa")
            .zip(table.optional("elevation_m")),
    };
    let pressure = if altimeter.is_none() {
        Some(table.column("pressure_hpa")?)
    } else {
        None
    };
    let dew = match table.optional("rh_pct") {
        Some(_) => None,
        None => table.optional("dew_c"),
    };
    let humidity = if dew.is_none() {
        Some(table.column("rh_pct")?)
    } else {
        None
    };
    let results = [
        "density_kg_m3",
        "density_altitude_m",
        "vapor_pressure_pa",
        "humidity_ratio",
    ];
    table.append(&results, |row| {
        let barometer = match (pressure, altimeter) {
            (Some(p), _) => Barometer::Station(HectoPascals(row.number(p)?)),
            (None, Some((setting, elevation))) => Barometer::Altimeter {
                setting: HectoPascals(row.number(setting)?),
                elevation: Metres(row.number(elevation)?),
            },
            (None, None) => return Err("no pressure".to_owned()),
        };
        let moisture = match (humidity, dew) {
            (Some(rh), _) => Moisture::Relative(Percent(row.number(rh)?)),
            (None, Some(dew)) => Moisture::DewPoint(Celsius(row.number(dew)?)),
            (None, None) => return Err("no humidity".to_owned()),
        };
        let a: Air = air(Celsius(row.number(temp)?), barometer, moisture, tolerance)
            .map_err(|why| why.words())?;
        Ok(vec![
            cell(a.density_kg_m3.0, 7),
            cell(a.density_altitude_m.0, 3),
            cell(a.vapor_pressure_pa.0, 3),
            cell(a.humidity_ratio.0, 8),
        ])
    })
}
