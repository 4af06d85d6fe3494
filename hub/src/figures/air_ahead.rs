//! The air in some hours, from what was measured over the day: density altitude and temperature, each with its interval.
//!
//! The model is a Gaussian process (Rasmussen and Williams 2006, chapter 2): a level that nothing is known of beforehand, a usual
//! course of the day (harmonics of 24 h and 12 h), how far this place and day depart from that course (the same harmonic, with a
//! normal prior), slow weather (exponential covariance), and quick weather that is smooth (Matérn 3/2). One reading gives persistence
//! on the usual course; a day of readings bends the course to the place; far ahead the interval opens to the day's own spread.
//! The usual course and the spreads were fitted by maximum likelihood to hourly years of four places (`tests/data/weather`); where it
//! was tried on others, and how it did against plain persistence, is in `docs/figures.md`.

use nalgebra::{DMatrix, DVector};
use serde::Serialize;

use super::air::{air_of_readings, standard_density};
use super::flow::{FlowNumber, Today};
use super::quantity::{Celsius, KgPerM3, Metres};
use super::{CantSay, robust};

/// What is further back than this is left out: two days and a night. In hours.
pub const LOOKED_BACK_H: f64 = 54.0;
/// Readings closer together than this say nothing new of the weather; the last of them stands for all. In hours.
const APART_H: f64 = 0.5;
/// No further ahead than this from the newest reading, in hours: by then it is the usual day and nothing else.
pub const FURTHEST_H: f64 = 12.0;
/// A reading so many standard deviations from what all others say of its time is left out (own judgement). Never the newest: that may
/// be a front.
const ODD: f64 = 4.0;
/// So many readings' worth of belief that the spreads are the fitted ones (own judgement).
const SPREAD_WEIGHS: f64 = 20.0;

/// The air at one time.
#[derive(Copy, Clone, Debug, PartialEq, Serialize)]
pub struct Seen {
    /// When, in seconds on any scale.
    pub at_s: f64,
    /// Density altitude.
    pub altitude_m: Metres,
    /// Temperature.
    pub temp_c: Celsius,
}

impl Seen {
    /// From a thermometer (degC), a barometer at the car (hPa) and a hygrometer (percent).
    ///
    /// # Errors
    /// As [`super::air::air`].
    pub fn of_readings(
        at_s: f64,
        temp_c: f64,
        pressure_hpa: f64,
        rh_pct: f64,
    ) -> Result<Self, CantSay> {
        let air = air_of_readings(temp_c, pressure_hpa, rh_pct)?;
        Ok(Self {
            at_s,
            altitude_m: air.density_altitude_m,
            temp_c: air.temp_c,
        })
    }
}

/// A value and its 80 % interval.
#[derive(Copy, Clone, Debug, Default, PartialEq, Serialize)]
pub struct Spread {
    /// The middle.
    pub middle: f64,
    /// One in ten is lower.
    pub low: f64,
    /// One in ten is higher.
    pub high: f64,
}

/// The air at a time to come.
#[derive(Copy, Clone, Debug, PartialEq, Serialize)]
pub struct AirAhead {
    /// For when, seconds.
    pub at_s: f64,
    /// How long after the newest reading, hours.
    pub ahead_h: f64,
    /// Density altitude, metres.
    pub altitude_m: Spread,
    /// Temperature, degC.
    pub temp_c: Spread,
    /// From how many readings.
    pub readings: usize,
    /// How many more were left out as odd.
    pub odd: usize,
}

impl AirAhead {
    /// Air density: that of the standard atmosphere at the density altitude. The low end is that of the high altitude.
    pub fn density_kg_m3(&self) -> Spread {
        let at = |altitude| standard_density(Metres(altitude)).0;
        Spread {
            middle: at(self.altitude_m.middle),
            low: at(self.altitude_m.high),
            high: at(self.altitude_m.low),
        }
    }

    /// The air as the flow's rule takes it: in the middle, at its thinnest, at its densest. Hot goes with thin, so the ends of both
    /// intervals are taken together.
    pub fn for_flow(&self) -> [Today; 3] {
        let density = self.density_kg_m3();
        let air = |density, temp| Today {
            density_kg_m3: KgPerM3(density),
            temp_c: Celsius(temp),
        };
        [
            air(density.middle, self.temp_c.middle),
            air(density.low, self.temp_c.high),
            air(density.high, self.temp_c.low),
        ]
    }

    /// One plain sentence.
    pub fn words(&self) -> String {
        let feet = |metres: f64| metres / 0.3048;
        let (altitude, temp) = (&self.altitude_m, &self.temp_c);
        let mut words = format!(
            "{:.1} h after the newest of {} readings: density altitude {:.0} m ({:.0} to {:.0}), {:.0} ft ± {:.0}; {:.1} °C ({:.1} to {:.1})",
            self.ahead_h,
            self.readings,
            altitude.middle,
            altitude.low,
            altitude.high,
            feet(altitude.middle),
            feet(altitude.high - altitude.low) / 2.0,
            temp.middle,
            temp.low,
            temp.high
        );
        if self.odd > 0 {
            words += &format!("; {} odd left out", self.odd);
        }
        words
    }
}

/// The flow that the air ahead wants, by a rule of the flow: the chief's, or the book's.
///
/// The rule's own interval and what the air may yet be are taken as independent, so their halves add as squares.
///
/// # Errors
/// As the rule.
pub fn flow_ahead(
    ahead: &AirAhead,
    rule: impl Fn(&Today) -> Result<FlowNumber, CantSay>,
) -> Result<FlowAhead, CantSay> {
    let [middle, thin, dense] = ahead.for_flow().map(|air| rule(&air));
    let (middle, thin, dense) = (middle?, thin?, dense?);
    let flow = middle.flow_l_per_min.0;
    let (least, most) = (
        flow.min(thin.flow_l_per_min.0).min(dense.flow_l_per_min.0),
        flow.max(thin.flow_l_per_min.0).max(dense.flow_l_per_min.0),
    );
    Ok(FlowAhead {
        flow_l_per_min: Spread {
            middle: flow,
            low: flow - (flow - least).hypot(flow - middle.lo_l_per_min.0),
            high: flow + (most - flow).hypot(middle.hi_l_per_min.0 - flow),
        },
        extrapolated: middle.extrapolated,
    })
}

/// What the flow number will be.
#[derive(Copy, Clone, Debug, PartialEq, Serialize)]
pub struct FlowAhead {
    /// Litres a minute.
    pub flow_l_per_min: Spread,
    /// The air in the middle lies outside of what the rule rests on.
    pub extrapolated: bool,
}

/// What one quantity does over a day: the fitted part of the model.
struct Course {
    /// Standard deviation, and hours, of quick weather.
    quick: (f64, f64),
    /// The same of slow weather.
    slow: (f64, f64),
    /// Standard deviation of the departure from the usual course: of the 24 h cosine and sine.
    day: f64,
    /// Standard deviation of a reading's own error and of what changes within minutes.
    reading: f64,
    /// Standard deviation of the level: so wide that the readings alone say it.
    level: f64,
    /// The usual course: cosine and sine of 24 h, of 12 h, by the hours of a clock that is on summer time.
    usual: [f64; 4],
}

/// Metres. Fitted, see above.
const ALTITUDE: Course = Course {
    quick: (53.3, 5.66),
    slow: (180.0, 92.7),
    day: 38.2,
    reading: 4.0,
    level: 1000.0,
    usual: [-49.8, -84.2, 3.9, 17.3],
};
/// Degrees Celsius. Fitted, see above.
const TEMPERATURE: Course = Course {
    quick: (0.858, 2.89),
    slow: (2.15, 23.2),
    day: 1.18,
    reading: 0.214,
    level: 50.0,
    usual: [-1.37, -2.25, 0.19, 0.47],
};

/// Cosine and sine of 24 h and of 12 h.
fn harmonics(clock_h: f64) -> [f64; 4] {
    let day = std::f64::consts::TAU * clock_h / 24.0;
    [day.cos(), day.sin(), (2.0 * day).cos(), (2.0 * day).sin()]
}

impl Course {
    fn usual(&self, clock_h: f64) -> f64 {
        let parts = self.usual.iter().zip(harmonics(clock_h));
        parts.map(|(size, wave)| size * wave).sum()
    }

    /// How two times' values go together, readings' own errors apart.
    fn together(&self, one_h: f64, other_h: f64) -> f64 {
        let apart = (one_h - other_h).abs();
        let quick = 3.0_f64.sqrt() * apart / self.quick.1;
        let day = std::f64::consts::TAU * apart / 24.0;
        self.quick.0.powi(2) * (1.0 + quick) * (-quick).exp()
            + self.slow.0.powi(2) * (-apart / self.slow.1).exp()
            + self.day.powi(2) * day.cos()
            + self.level.powi(2)
    }

    /// Those values put into the process.
    fn fit(&self, seen: &[(f64, f64)]) -> Option<Fit> {
        let n = seen.len();
        let base = seen.iter().map(|(_, value)| value).sum::<f64>() / n as f64;
        let rest = DVector::from_fn(n, |at, _| seen[at].1 - base - self.usual(seen[at].0));
        let all = DMatrix::from_fn(n, n, |a, b| {
            let own = if a == b { self.reading.powi(2) } else { 0.0 };
            self.together(seen[a].0, seen[b].0) + own
        });
        let inverse = all.cholesky()?.inverse();
        let weighed = &inverse * &rest;
        let off = (0..n)
            .map(|at| weighed[at] / inverse[(at, at)].sqrt())
            .collect();
        Some(Fit {
            base,
            inverse,
            weighed,
            off,
        })
    }

    /// The value that is odd against all others of its time, if one is: with the newest among them, and without. The newest may be a
    /// front, which makes what was before it odd, and bears out what came just before it.
    fn oddest(&self, seen: &[(f64, f64)], fit: &Fit) -> Option<usize> {
        let before = seen.len().checked_sub(1).filter(|before| *before > 3)?;
        let without = self.fit(&seen[..before])?;
        let odd = |at: &usize| fit.off[*at].abs().min(without.off[*at].abs());
        (0..before)
            .filter(|at| odd(at) > ODD)
            .max_by(|a, b| odd(a).total_cmp(&odd(b)))
    }

    /// The values at times of the clock, from values at others, oldest first; and which of those were left out as odd.
    fn ahead(&self, seen: &[(f64, f64)], at_h: &[f64]) -> Option<(Vec<Spread>, Vec<usize>)> {
        let mut kept: Vec<usize> = (0..seen.len()).collect();
        let mut odd = Vec::new();
        let mut values = seen.to_vec();
        let mut fit = self.fit(&values)?;
        while odd.len() < seen.len() / 4
            && let Some(at) = self.oddest(&values, &fit)
        {
            odd.push(kept.remove(at));
            values.remove(at);
            fit = self.fit(&values)?;
        }
        let n = values.len() as f64;
        let squares: f64 = fit.off.iter().map(|off| off * off).sum();
        // The level is fitted, so that few readings are never off.
        let wider = match values.len() {
            ..4 => 1.0,
            _ => (SPREAD_WEIGHS + squares) / (SPREAD_WEIGHS + n),
        };
        let spread = |at_h: &f64| {
            let towards =
                DVector::from_fn(values.len(), |at, _| self.together(*at_h, values[at].0));
            let middle = fit.base + self.usual(*at_h) + towards.dot(&fit.weighed);
            let left = self.together(*at_h, *at_h) + self.reading.powi(2)
                - towards.dot(&(&fit.inverse * &towards));
            let half = robust::Z80 * (wider * left.max(0.0)).sqrt();
            Spread {
                middle,
                low: middle - half,
                high: middle + half,
            }
        };
        Some((at_h.iter().map(spread).collect(), odd))
    }
}

/// Values put into the process.
struct Fit {
    base: f64,
    inverse: DMatrix<f64>,
    weighed: DVector<f64>,
    /// Each value against what all others say of its time, in standard deviations (Rasmussen and Williams 2006, 5.4.2).
    off: Vec<f64>,
}

/// The air at `at_s`, from what was seen until then. `clock_ahead_h` is how many hours the clock on the wall is ahead of the scale's
/// midnight: what the usual course of the day goes by.
///
/// # Errors
/// [`CantSay::Missing`] where nothing was seen within [`LOOKED_BACK_H`]; [`CantSay::OutOfReach`] where it is further than
/// [`FURTHEST_H`] from the newest; [`CantSay::Implausible`] for a time or a value that is no number.
pub fn ahead(seen: &[Seen], clock_ahead_h: f64, at_s: f64) -> Result<AirAhead, CantSay> {
    let before: Vec<Seen> = seen
        .iter()
        .filter(|seen| seen.at_s <= at_s)
        .copied()
        .collect();
    let said = course(&before, clock_ahead_h, &[at_s])?;
    said.first()
        .copied()
        .ok_or(CantSay::Missing { what: "time" })
}

/// The air at several times, none before the newest that was seen.
///
/// # Errors
/// As [`ahead`].
pub fn course(seen: &[Seen], clock_ahead_h: f64, at_s: &[f64]) -> Result<Vec<AirAhead>, CantSay> {
    super::plausible("the clock's offset, h,", clock_ahead_h, -26.0, 26.0)?;
    let thin = thinned(seen);
    let from_s = thin
        .last()
        .ok_or(CantSay::Missing {
            what: "reading of the air",
        })?
        .at_s;
    // Hours from the midnight before the newest, so that they are small.
    let clock = (from_s / 3600.0 + clock_ahead_h).rem_euclid(24.0);
    let hour = |at_s: f64| clock + (at_s - from_s) / 3600.0;
    for at_s in at_s {
        let ahead_h = (at_s - from_s) / 3600.0;
        if ahead_h > FURTHEST_H {
            return Err(CantSay::OutOfReach {
                what: "that is more than twelve hours after the newest reading of the air",
            });
        }
        super::plausible("hours ahead", ahead_h, 0.0, FURTHEST_H)?;
    }
    let hours: Vec<f64> = at_s.iter().map(|at_s| hour(*at_s)).collect();
    let of = |course: &Course, value: fn(&Seen) -> f64| {
        let values: Vec<(f64, f64)> = thin
            .iter()
            .map(|seen| (hour(seen.at_s), value(seen)))
            .collect();
        course.ahead(&values, &hours).ok_or(CantSay::NoSpread {
            what: "the times of the air's readings",
        })
    };
    let (altitudes, mut odd) = of(&ALTITUDE, |seen| seen.altitude_m.0)?;
    let (temps, odd_temp) = of(&TEMPERATURE, |seen| seen.temp_c.0)?;
    odd.extend(odd_temp);
    odd.sort_unstable();
    odd.dedup();
    let all = at_s.iter().zip(altitudes).zip(temps);
    let said = all.map(|((at_s, altitude_m), temp_c)| AirAhead {
        at_s: *at_s,
        ahead_h: (at_s - from_s) / 3600.0,
        altitude_m,
        temp_c,
        readings: thin.len() - odd.len(),
        odd: odd.len(),
    });
    Ok(said.collect())
}

/// What is looked back at, oldest first: the newest always, and before it one in every half hour.
fn thinned(seen: &[Seen]) -> Vec<Seen> {
    let number = |seen: &&Seen| {
        let numbers = [seen.at_s, seen.altitude_m.0, seen.temp_c.0];
        numbers.iter().all(|value| value.is_finite())
    };
    let mut all: Vec<Seen> = seen.iter().filter(number).copied().collect();
    all.sort_by(|a, b| b.at_s.total_cmp(&a.at_s));
    let mut thin: Vec<Seen> = Vec::new();
    for seen in all {
        let apart = thin
            .last()
            .map_or(f64::INFINITY, |last| last.at_s - seen.at_s);
        let back = thin.first().map_or(0.0, |newest| newest.at_s - seen.at_s);
        if apart >= APART_H * 3600.0 - 1.0 && back <= LOOKED_BACK_H * 3600.0 {
            thin.push(seen);
        }
    }
    thin.reverse();
    thin
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const HOUR: f64 = 3600.0;

    fn seen(hour: f64, altitude: f64) -> Seen {
        Seen {
            at_s: hour * HOUR,
            altitude_m: Metres(altitude),
            temp_c: Celsius(20.0 + altitude / 60.0),
        }
    }

    /// Hourly from 8 to 13 o'clock, on the usual course at a level of 500 m.
    fn morning() -> Vec<Seen> {
        (8..=13)
            .map(|hour| seen(f64::from(hour), 500.0 + ALTITUDE.usual(f64::from(hour))))
            .collect()
    }

    #[test]
    fn one_reading_is_persistence_on_the_usual_course() {
        let only = [seen(10.0, 500.0)];
        let now = ahead(&only, 0.0, 10.0 * HOUR).unwrap();
        assert!((now.altitude_m.middle - 500.0).abs() < 1.0, "{now:?}");
        let later = ahead(&only, 0.0, 15.0 * HOUR).unwrap();
        let usual = ALTITUDE.usual(15.0) - ALTITUDE.usual(10.0);
        assert!(usual > 50.0);
        let rise = later.altitude_m.middle - 500.0;
        assert!(
            (0.7 * usual..1.05 * usual).contains(&rise),
            "{rise} {usual}"
        );
        // In the small hours it cools: the clock counts, not the scale.
        let night = ahead(&only, 12.0, 15.0 * HOUR).unwrap();
        assert!(night.altitude_m.middle < 500.0);
    }

    #[test]
    fn the_interval_opens_with_the_time_ahead() {
        let morning = morning();
        let width = |hour: f64| {
            let said = ahead(&morning, 0.0, hour * HOUR).unwrap().altitude_m;
            said.high - said.low
        };
        let widths: Vec<f64> = [13.0, 14.0, 15.0, 17.0, 21.0, 25.0].map(width).to_vec();
        assert!(widths.is_sorted(), "{widths:?}");
        assert!(widths[0] < 30.0 && widths[5] > 200.0, "{widths:?}");
    }

    #[test]
    fn a_slip_of_the_finger_is_left_out_and_a_front_is_not() {
        let mut morning = morning();
        let before = ahead(&morning, 0.0, 15.0 * HOUR).unwrap();
        morning.insert(3, seen(10.5, 1500.0));
        let after = ahead(&morning, 0.0, 15.0 * HOUR).unwrap();
        assert_eq!((before.odd, after.odd), (0, 1));
        assert!((before.altitude_m.middle - after.altitude_m.middle).abs() < 5.0);
        // The newest counts, whatever it says.
        let mut front = self::morning();
        front.push(seen(13.5, 200.0));
        let cold = ahead(&front, 0.0, 14.0 * HOUR).unwrap();
        assert_eq!(cold.odd, 0);
        assert!(cold.altitude_m.middle < 300.0, "{cold:?}");
    }

    #[test]
    fn what_cannot_be_said_is_not() {
        assert!(ahead(&[], 0.0, 0.0).is_err());
        assert!(ahead(&[seen(20.0, 0.0)], 0.0, 19.0 * HOUR).is_err());
        assert!(ahead(&[seen(1.0, 0.0)], 0.0, 14.0 * HOUR).is_err());
        assert!(ahead(&[seen(1.0, 0.0)], f64::NAN, 2.0 * HOUR).is_err());
        assert!(ahead(&[seen(1.0, f64::NAN)], 0.0, 2.0 * HOUR).is_err());
        // Many at once are one.
        let many = vec![seen(1.0, 100.0); 500];
        assert_eq!(ahead(&many, 0.0, 2.0 * HOUR).unwrap().readings, 1);
    }

    proptest! {
        #[test]
        fn a_higher_place_is_higher_by_as_much(level in -300.0..2500.0_f64, at in 13.0..24.0_f64) {
            let up: Vec<Seen> = morning().into_iter().map(|s| Seen { altitude_m: Metres(s.altitude_m.0 + level), ..s }).collect();
            let (low, high) = (ahead(&morning(), 0.0, at * HOUR).unwrap(), ahead(&up, 0.0, at * HOUR).unwrap());
            let moved = high.altitude_m.middle - low.altitude_m.middle;
            prop_assert!((moved - level).abs() < 1e-6 * level.abs().max(1.0), "{moved}");
        }

        #[test]
        fn nothing_but_numbers_comes_out(hours in proptest::collection::vec((0.0..50.0_f64, -500.0..4000.0_f64), 1..60), more in 0.0..12.0_f64) {
            let all: Vec<Seen> = hours.iter().map(|(hour, altitude)| seen(*hour, *altitude)).collect();
            let newest = hours.iter().map(|(hour, _)| *hour).fold(0.0, f64::max);
            let said = ahead(&all, 0.0, (newest + more) * HOUR).unwrap();
            prop_assert!(said.altitude_m.low < said.altitude_m.middle && said.altitude_m.middle < said.altitude_m.high);
            prop_assert!(said.readings >= 1);
            let density = said.density_kg_m3();
            prop_assert!(density.low < density.middle && density.middle < density.high);
        }
    }
}
