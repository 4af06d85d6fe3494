//! Today's air: vapour, density, density altitude, oxygen. Pure functions of weather readings.
//!
//! Density is CIPM-2007: Picard, Davis, Glaeser and Fujii 2008, "Revised formula for the density
//! of moist air (CIPM-2007)", Metrologia 45:149. Density altitude is the geopotential altitude at
//! which the standard atmosphere (ISO 2533, the same as the US Standard Atmosphere 1976 up to
//! 11 km) is as dense.

use serde::Serialize;

use super::quantity::{Celsius, Feet, HectoPascals, KgPerM3, Metres, Pascals, Percent, Ratio};
use super::{CantSay, plausible};

/// Molar gas constant used by CIPM-2007, J/(mol K) (CODATA 2006).
const GAS_CONSTANT: f64 = 8.314_472;
/// Molar mass of water, kg/mol (CIPM-2007).
const MOLAR_MASS_WATER: f64 = 18.015_28e-3;
/// Mole fraction of carbon dioxide that CIPM-2007 gives for the open air.
pub const CO2_OUTDOORS: f64 = 400e-6;
/// Celsius zero, kelvin.
const ZERO_C: f64 = 273.15;
/// Relative standard uncertainty of the CIPM-2007 equation itself, readings apart (Picard and
/// others 2008; the number from memory).
const EQUATION_UNCERTAINTY: f64 = 22e-6;
/// Ranges that CIPM-2007 is recommended for (from memory): hPa and degrees Celsius.
const RECOMMENDED_HPA: (f64, f64) = (600.0, 1100.0);
const RECOMMENDED_C: (f64, f64) = (15.0, 27.0);

/// Standard atmosphere, ISO 2533: temperature K, pressure Pa and density kg/m3 at sea level, lapse
/// rate K/m, gravity m/s2, specific gas constant of dry air J/(kg K).
mod isa {
    pub const T0: f64 = 288.15;
    pub const P0: f64 = 101_325.0;
    pub const LAPSE: f64 = 0.0065;
    pub const G0: f64 = 9.806_65;
    pub const R: f64 = 287.052_87;
    pub const RHO0: f64 = P0 / (R * T0);
    /// Exponent of pressure over temperature.
    pub const N: f64 = G0 / (R * LAPSE);
}

/// Where the density was set against another equation of state (CoolProp's): temperature degC and
/// pressure hPa, humidity throughout. The largest deviation of all those rows is 1.3e-4.
const CHECKED_C: (f64, f64) = (-5.0, 50.0);
const CHECKED_HPA: (f64, f64) = (750.0, 1050.0);

/// Mass share of oxygen in dry air: 0.209476 mol/mol x 31.9988 / 28.9644 (US Standard Atmosphere
/// 1976; constants from memory).
const OXYGEN_IN_DRY_AIR: f64 = 0.231_421;
/// Grains in a pound; exact.
const GRAINS_PER_LB: f64 = 7000.0;

/// Saturation vapour pressure over liquid water, also below freezing (CIPM-2007, annex A.1.1).
pub fn saturation_vapor_pressure(temp: Celsius) -> Pascals {
    let t = temp.0 + ZERO_C;
    Pascals((1.237_884_7e-5 * t * t - 1.912_131_6e-2 * t + 33.937_110_47 - 6.343_164_5e3 / t).exp())
}

/// How much more vapour moist air holds than the same space without air would (enhancement factor;
/// CIPM-2007, annex A.1.1). Dimensionless, about 1.004.
pub fn enhancement_factor(temp: Celsius, pressure: Pascals) -> f64 {
    1.000_62 + 3.14e-8 * pressure.0 + 5.6e-7 * temp.0 * temp.0
}

/// Compressibility factor of moist air for a mole fraction of vapour (CIPM-2007, annex A.1.4).
pub fn compressibility(temp: Celsius, pressure: Pascals, vapor: f64) -> f64 {
    let (c, t) = (temp.0, temp.0 + ZERO_C);
    let p_t = pressure.0 / t;
    1.0 - p_t
        * (1.581_23e-6 - 2.933_1e-8 * c
            + 1.104_3e-10 * c * c
            + (5.707e-6 - 2.051e-8 * c) * vapor
            + (1.989_8e-4 - 2.376e-6 * c) * vapor * vapor)
        + p_t * p_t * (1.83e-11 - 0.765e-8 * vapor * vapor)
}

/// Density of moist air by CIPM-2007, for a mole fraction of vapour and of carbon dioxide.
pub fn moist_air_density(temp: Celsius, pressure: Pascals, vapor: f64, co2: f64) -> KgPerM3 {
    let dry = (28.965_46 + 12.011 * (co2 - CO2_OUTDOORS)) * 1e-3;
    let z = compressibility(temp, pressure, vapor);
    KgPerM3(
        pressure.0 * dry / (z * GAS_CONSTANT * (temp.0 + ZERO_C))
            * (1.0 - vapor * (1.0 - MOLAR_MASS_WATER / dry)),
    )
}

/// Geopotential altitude at which the standard atmosphere has this density (ISO 2533, the layer
/// below 11 km, in closed form).
pub fn density_altitude(density: KgPerM3) -> Metres {
    let ratio = density.0 / isa::RHO0;
    Metres(isa::T0 / isa::LAPSE * (1.0 - ratio.powf(1.0 / (isa::N - 1.0))))
}

/// Temperature of the standard atmosphere at a geopotential altitude below 11 km (ISO 2533).
pub fn standard_temperature(altitude: Metres) -> Celsius {
    Celsius(isa::T0 - isa::LAPSE * altitude.0 - ZERO_C)
}

/// Pressure of the standard atmosphere at a geopotential altitude below 11 km (ISO 2533).
pub fn standard_pressure(altitude: Metres) -> Pascals {
    Pascals(isa::P0 * (1.0 - isa::LAPSE * altitude.0 / isa::T0).powf(isa::N))
}

/// Density of the standard atmosphere at a geopotential altitude below 11 km (ISO 2533).
pub fn standard_density(altitude: Metres) -> KgPerM3 {
    let t = standard_temperature(altitude).0 + ZERO_C;
    KgPerM3(standard_pressure(altitude).0 / (isa::R * t))
}

/// Station pressure from an altimeter setting at a field elevation. The setting is by definition
/// the sea-level pressure from which the standard atmosphere's lapse leads to the station's
/// pressure, so `p^(1/N) = setting^(1/N) - P0^(1/N) L h / T0` (from the ISO 2533 relations).
pub fn station_pressure(altimeter: HectoPascals, elevation: Metres) -> HectoPascals {
    let root = |p: f64| p.powf(1.0 / isa::N);
    let p = root(altimeter.0 * 100.0) - root(isa::P0) * isa::LAPSE * elevation.0 / isa::T0;
    HectoPascals(p.powf(isa::N) / 100.0)
}

/// How the barometer was read.
#[derive(Copy, Clone, Debug, PartialEq, Serialize)]
pub enum Barometer {
    /// The pressure at the car.
    Station(HectoPascals),
    /// The setting that a nearby field reports, and the elevation of the car.
    Altimeter {
        /// Altimeter setting.
        setting: HectoPascals,
        /// Elevation of the car above sea level.
        elevation: Metres,
    },
}

/// How the moisture was read.
#[derive(Copy, Clone, Debug, PartialEq, Serialize)]
pub enum Moisture {
    /// Relative humidity over liquid water.
    Relative(Percent),
    /// Dew point over liquid water.
    DewPoint(Celsius),
}

/// How far off the weather readings can be, one standard deviation each.
#[derive(Copy, Clone, Debug, PartialEq, Serialize)]
pub struct AirTolerance {
    /// Temperature, kelvin.
    pub temp_k: f64,
    /// Pressure, hPa.
    pub pressure_hpa: f64,
    /// Relative humidity, points of percent.
    pub rh_pct: f64,
    /// Dew point, kelvin.
    pub dew_k: f64,
}

impl Default for AirTolerance {
    /// A fair hand-held weather meter: 0.5 K, 1 hPa, 3 points, 1 K (common practice, no source).
    fn default() -> Self {
        AirTolerance {
            temp_k: 0.5,
            pressure_hpa: 1.0,
            rh_pct: 3.0,
            dew_k: 1.0,
        }
    }
}

/// Today's air.
#[derive(Copy, Clone, Debug, PartialEq, Serialize)]
pub struct Air {
    /// Air temperature.
    pub temp_c: Celsius,
    /// Station pressure.
    pub pressure_hpa: HectoPascals,
    /// Relative humidity over liquid water.
    pub rh_pct: Percent,
    /// Dew point over liquid water, enhancement factor regarded; none for air with no vapour.
    pub dew_c: Option<Celsius>,
    /// Vapour pressure that would saturate the air, without the enhancement factor.
    pub saturation_pa: Pascals,
    /// Partial pressure of the vapour in the air, enhancement factor regarded.
    pub vapor_pressure_pa: Pascals,
    /// Density of the moist air.
    pub density_kg_m3: KgPerM3,
    /// Standard uncertainty of the density: the readings' tolerances and the equation's own.
    pub density_sd_kg_m3: KgPerM3,
    /// Density over that of the standard atmosphere at sea level.
    pub density_ratio: Ratio,
    /// Geopotential altitude of equal density in the standard atmosphere.
    pub density_altitude_m: Metres,
    /// The same in feet.
    pub density_altitude_ft: Feet,
    /// Standard uncertainty of the density altitude.
    pub density_altitude_sd_m: Metres,
    /// Mass of vapour to mass of dry air, kg/kg.
    pub humidity_ratio: Ratio,
    /// The same in grams to the kilogram.
    pub humidity_g_per_kg: f64,
    /// The same in grains to the pound.
    pub humidity_gr_per_lb: f64,
    /// Mass of oxygen in a cubic metre of this air.
    pub oxygen_kg_m3: KgPerM3,
    /// True outside 600..1100 hPa or 15..27 degC, where CIPM-2007 is extrapolated.
    pub extrapolated: bool,
}

/// The bare computation, for readings already in range: density, vapour fraction and pressure.
fn density_of(temp: Celsius, barometer: Barometer, moisture: Moisture) -> (f64, f64, f64) {
    let hpa = match barometer {
        Barometer::Station(p) => p,
        Barometer::Altimeter { setting, elevation } => station_pressure(setting, elevation),
    };
    let pressure = Pascals(hpa.0 * 100.0);
    let partial = match moisture {
        Moisture::Relative(rh) => {
            rh.0 / 100.0 * enhancement_factor(temp, pressure) * saturation_vapor_pressure(temp).0
        }
        Moisture::DewPoint(dew) => {
            enhancement_factor(dew, pressure) * saturation_vapor_pressure(dew).0
        }
    };
    let vapor = partial / pressure.0;
    (
        moist_air_density(temp, pressure, vapor, CO2_OUTDOORS).0,
        vapor,
        pressure.0,
    )
}

/// Today's air from its readings.
///
/// # Errors
/// [`CantSay::Implausible`] for readings that no weather has (temperature outside -50..60 degC,
/// station pressure outside 500..1100 hPa, humidity outside 0..100 %, a dew point above the
/// temperature).
pub fn air(
    temp: Celsius,
    barometer: Barometer,
    moisture: Moisture,
    tolerance: AirTolerance,
) -> Result<Air, CantSay> {
    plausible("temperature, degC,", temp.0, -50.0, 60.0)?;
    match moisture {
        Moisture::Relative(rh) => plausible("relative humidity, %,", rh.0, 0.0, 100.0)?,
        Moisture::DewPoint(dew) => plausible("dew point, degC,", dew.0, -80.0, temp.0)?,
    };
    if let Barometer::Altimeter { setting, elevation } = barometer {
        plausible("altimeter setting, hPa,", setting.0, 900.0, 1100.0)?;
        plausible("elevation, m,", elevation.0, -450.0, 5500.0)?;
    }
    let (density, vapor, pressure) = density_of(temp, barometer, moisture);
    plausible("station pressure, hPa,", pressure / 100.0, 500.0, 1100.0)?;

    // Each reading moved by its tolerance in turn; the changes add as squares.
    let warmer = Celsius(temp.0 + tolerance.temp_k);
    let higher = match barometer {
        Barometer::Station(p) => Barometer::Station(HectoPascals(p.0 + tolerance.pressure_hpa)),
        Barometer::Altimeter { setting, elevation } => Barometer::Altimeter {
            setting: HectoPascals(setting.0 + tolerance.pressure_hpa),
            elevation,
        },
    };
    let moister = match moisture {
        Moisture::Relative(rh) => Moisture::Relative(Percent(rh.0 + tolerance.rh_pct)),
        Moisture::DewPoint(dew) => Moisture::DewPoint(Celsius(dew.0 + tolerance.dew_k)),
    };
    let moved = [
        density_of(warmer, barometer, moisture).0 - density,
        density_of(temp, higher, moisture).0 - density,
        density_of(temp, barometer, moister).0 - density,
        density * EQUATION_UNCERTAINTY,
    ];
    let density_sd = moved.iter().map(|d| d * d).sum::<f64>().sqrt();

    let altitude = density_altitude(KgPerM3(density));
    let altitude_off = density_altitude(KgPerM3(density - density_sd)).0 - altitude.0;
    let pressure_pa = Pascals(pressure);
    let saturation = saturation_vapor_pressure(temp);
    let dry_mass = 28.965_46e-3 * (1.0 - vapor);
    let humidity = MOLAR_MASS_WATER * vapor / dry_mass;
    let rh = match moisture {
        Moisture::Relative(rh) => rh.0,
        Moisture::DewPoint(_) => {
            100.0 * vapor * pressure / (enhancement_factor(temp, pressure_pa) * saturation.0)
        }
    };
    let dew = match moisture {
        Moisture::DewPoint(dew) => Some(dew),
        Moisture::Relative(_) => dew_point(temp, pressure_pa, vapor),
    };
    let hpa = pressure / 100.0;
    Ok(Air {
        temp_c: temp,
        pressure_hpa: HectoPascals(hpa),
        rh_pct: Percent(rh),
        dew_c: dew,
        saturation_pa: saturation,
        vapor_pressure_pa: Pascals(vapor * pressure),
        density_kg_m3: KgPerM3(density),
        density_sd_kg_m3: KgPerM3(density_sd),
        density_ratio: Ratio(density / isa::RHO0),
        density_altitude_m: altitude,
        density_altitude_ft: Feet(altitude.0 / 0.3048),
        density_altitude_sd_m: Metres(altitude_off.abs()),
        humidity_ratio: Ratio(humidity),
        humidity_g_per_kg: humidity * 1000.0,
        humidity_gr_per_lb: humidity * GRAINS_PER_LB,
        oxygen_kg_m3: KgPerM3(density / (1.0 + humidity) * OXYGEN_IN_DRY_AIR),
        extrapolated: !(RECOMMENDED_HPA.0..=RECOMMENDED_HPA.1).contains(&hpa)
            || !(RECOMMENDED_C.0..=RECOMMENDED_C.1).contains(&temp.0),
    })
}

/// The air by a thermometer (degC), a barometer at the car (hPa) and a hygrometer (percent), with
/// the usual tolerances of hand-held ones.
///
/// # Errors
/// As [`air`].
pub fn air_of_readings(temp_c: f64, pressure_hpa: f64, rh_pct: f64) -> Result<Air, CantSay> {
    air(
        Celsius(temp_c),
        Barometer::Station(HectoPascals(pressure_hpa)),
        Moisture::Relative(Percent(rh_pct)),
        AirTolerance::default(),
    )
}

/// The temperature at which this much vapour would saturate the air; `None` for next to none
/// (below a dew point of -80 degC).
fn dew_point(temp: Celsius, pressure: Pascals, vapor: f64) -> Option<Celsius> {
    let fraction_at = |c: f64| {
        enhancement_factor(Celsius(c), pressure) * saturation_vapor_pressure(Celsius(c)).0
            / pressure.0
    };
    let (mut low, mut high) = (-80.0, temp.0);
    if vapor < fraction_at(low) {
        return None;
    }
    // Saturation rises steadily with temperature, so halving finds it to well under a millikelvin.
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if fraction_at(middle) < vapor {
            low = middle;
        } else {
            high = middle;
        }
    }
    Some(Celsius(0.5 * (low + high)))
}

impl Air {
    /// One plain sentence for a phone.
    pub fn words(&self) -> String {
        let mut s = format!(
            "air {:.4} kg/m³ ± {:.4}, density altitude {:.0} m ({:.0} ft)",
            self.density_kg_m3.0,
            self.density_sd_kg_m3.0,
            self.density_altitude_m.0,
            self.density_altitude_ft.0
        );
        if let Some(words) = self.range_words() {
            s.push_str("; ");
            s.push_str(words);
        }
        s
    }

    /// What is to be said of the equation's range; nothing within it.
    pub fn range_words(&self) -> Option<&'static str> {
        let within = |v: f64, (low, high): (f64, f64)| (low..=high).contains(&v);
        let checked = within(self.temp_c.0, CHECKED_C) && within(self.pressure_hpa.0, CHECKED_HPA);
        match (self.extrapolated, checked) {
            (false, _) => None,
            (true, true) => {
                Some("outside the equation's own range; checked there, good to 0.02 % of density")
            }
            (true, false) => {
                Some("outside the range the equation is recommended for, and not checked there")
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn station(c: f64, hpa: f64, rh: f64) -> Air {
        air(
            Celsius(c),
            Barometer::Station(HectoPascals(hpa)),
            Moisture::Relative(Percent(rh)),
            AirTolerance::default(),
        )
        .unwrap()
    }

    #[test]
    fn the_standard_day_is_at_altitude_nought() {
        assert!((density_altitude(KgPerM3(isa::RHO0)).0).abs() < 1e-9);
        assert!((isa::RHO0 - 1.225).abs() < 1e-5);
        assert!((standard_temperature(Metres(1000.0)).0 - 8.5).abs() < 1e-9);
    }

    #[test]
    fn warmer_lower_and_moister_air_is_thinner() {
        let base = station(20.0, 1000.0, 50.0);
        for thinner in [
            station(25.0, 1000.0, 50.0),
            station(20.0, 990.0, 50.0),
            station(20.0, 1000.0, 80.0),
        ] {
            assert!(thinner.density_kg_m3 < base.density_kg_m3);
            assert!(thinner.density_altitude_m > base.density_altitude_m);
            assert!(thinner.oxygen_kg_m3 < base.oxygen_kg_m3);
        }
    }

    #[test]
    fn humidity_and_dew_point_say_the_same() {
        for (c, hpa, rh) in [
            (20.0, 1013.25, 50.0),
            (35.0, 850.0, 12.0),
            (5.0, 950.0, 97.0),
        ] {
            let by_rh = station(c, hpa, rh);
            let by_dew = air(
                Celsius(c),
                Barometer::Station(HectoPascals(hpa)),
                Moisture::DewPoint(by_rh.dew_c.unwrap()),
                AirTolerance::default(),
            )
            .unwrap();
            assert!((by_dew.density_kg_m3.0 - by_rh.density_kg_m3.0).abs() < 1e-9);
            assert!((by_dew.rh_pct.0 - rh).abs() < 1e-6);
        }
        assert_eq!(station(20.0, 1000.0, 0.0).dew_c, None);
    }

    #[test]
    fn an_altimeter_setting_leads_back_to_the_station() {
        // At sea level they are one; on a standard day the setting is the standard pressure.
        let sea = station_pressure(HectoPascals(1020.0), Metres(0.0));
        assert!((sea.0 - 1020.0).abs() < 1e-9);
        for h in [-100.0, 250.0, 1772.0] {
            let station = station_pressure(HectoPascals(1013.25), Metres(h));
            assert!((station.0 * 100.0 - standard_pressure(Metres(h)).0).abs() < 1e-6);
        }
    }

    #[test]
    fn out_of_range_is_flagged_and_impossible_is_refused() {
        assert!(!station(20.0, 1000.0, 50.0).extrapolated);
        assert!(station(35.0, 1000.0, 50.0).extrapolated);
        assert!(station(20.0, 580.0, 50.0).extrapolated);
        assert!(
            station(35.0, 1000.0, 50.0)
                .words()
                .contains("checked there, good to 0.02 %")
        );
        assert_eq!(station(20.0, 1000.0, 50.0).range_words(), None);
        let far = station(20.0, 580.0, 50.0).range_words().unwrap();
        assert!(far.ends_with("not checked there"), "{far}");
        let bad = |c, hpa, m| {
            air(
                Celsius(c),
                Barometer::Station(HectoPascals(hpa)),
                m,
                AirTolerance::default(),
            )
        };
        assert!(bad(20.0, 1000.0, Moisture::Relative(Percent(101.0))).is_err());
        assert!(bad(20.0, 29.92, Moisture::Relative(Percent(50.0))).is_err());
        assert!(bad(f64::NAN, 1000.0, Moisture::Relative(Percent(50.0))).is_err());
        assert!(bad(20.0, 1000.0, Moisture::DewPoint(Celsius(21.0))).is_err());
    }

    #[test]
    fn the_uncertainty_is_what_the_readings_allow() {
        // By hand: 0.5 K of 293 K is 1.71e-3, and at the same humidity brings 36 Pa more vapour,
        // 0.14e-3; 1 hPa of 1000 is 1.00e-3; 3 points are 70 Pa of vapour, 0.27e-3.
        let a = station(20.0, 1000.0, 50.0);
        let relative = a.density_sd_kg_m3.0 / a.density_kg_m3.0;
        assert!((2.05e-3..2.2e-3).contains(&relative), "{relative}");
        assert!((15.0..30.0).contains(&a.density_altitude_sd_m.0));
    }
}
