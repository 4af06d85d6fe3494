//! What was measured of the air over the day and the day before: typed in, or from a weather station now and then. It is what the
//! air at the call to the lanes is forecast from.

use crate::figures::{
    CantSay,
    air_ahead::{self, AirAhead, FlowAhead, LOOKED_BACK_H, Seen, course, flow_ahead},
    flow::{self, Baseline, Case},
    quantity::{Celsius, KgPerM3, LitresPerMin},
};
use spinover_protocol::{
    Millis,
    today::{Conditions, FlowBaseline},
    turnaround::{AirThen, FlowThen, Likely},
};
use std::sync::Arc;

/// A weather station's values are noted this often, in milliseconds.
pub const EVERY_MS: Millis = 10 * 60_000;
/// The day's trend is shown so far back, in milliseconds.
const SHOWN_MS: Millis = 12 * 3_600_000;
/// Points of the course that is to come.
const POINTS: i64 = 8;

/// The air, as it was measured once.
#[derive(Clone, Debug, PartialEq)]
pub struct AirSeen {
    /// When.
    pub at: Millis,
    /// What.
    pub air: Conditions,
}

/// All that was measured, oldest first.
#[derive(Clone, Debug, Default)]
pub struct DayAir {
    seen: Arc<Vec<AirSeen>>,
}

impl DayAir {
    /// Takes a measurement in. One at a place of another name ends what was measured elsewhere.
    pub fn take(&mut self, at: Millis, air: &Conditions) {
        if self.seen.iter().any(|seen| seen.at == at) {
            return;
        }
        let all = Arc::make_mut(&mut self.seen);
        let after = all.partition_point(|seen| seen.at < at);
        all.insert(
            after,
            AirSeen {
                at,
                air: air.clone(),
            },
        );
        let newest = all.last().map_or(at, |seen| seen.at);
        let place = all.iter().rev().find_map(|seen| seen.air.place.clone());
        let elsewhere = all
            .iter()
            .rposition(|seen| seen.air.place.is_some() && seen.air.place != place);
        let from = elsewhere.map_or(0, |last| last + 1);
        all.drain(..from);
        all.retain(|seen| newest - seen.at <= (LOOKED_BACK_H * 3_600_000.0) as Millis);
    }

    /// Whether a weather station's values are to be noted now.
    pub fn wants(&self, now: Millis) -> bool {
        self.seen
            .last()
            .is_none_or(|last| now - last.at >= EVERY_MS)
    }

    /// All of it.
    pub fn seen(&self) -> Arc<Vec<AirSeen>> {
        self.seen.clone()
    }
}

/// What it takes to say what the air will be and what flow it wants.
#[derive(Clone, Debug, Default)]
pub struct AirQuestion {
    /// What was measured.
    pub seen: Arc<Vec<AirSeen>>,
    /// The chief's rule for the flow.
    pub rule: Option<FlowBaseline>,
    /// What earlier warm-ups ran at: where there is no rule.
    pub cases: Vec<Case>,
    /// How far the clock on the wall is ahead of UTC, in minutes: the day's course goes by it.
    pub clock_ahead_min: i32,
}

impl AirQuestion {
    /// The air at that time. Nothing where it was not measured, or too long ago.
    pub fn then(&self, at: Millis) -> Option<AirThen> {
        let seen: Vec<Seen> = self.seen.iter().filter_map(of).collect();
        let newest = seen.last()?;
        let seen_at = self.seen.last()?.at;
        let at = at.max(seen_at);
        let clock = f64::from(self.clock_ahead_min) / 60.0;
        let times: Vec<Millis> = (0..=POINTS)
            .map(|part| seen_at + (at - seen_at) * part / POINTS)
            .collect();
        let times_s: Vec<f64> = times.iter().map(|at| *at as f64 / 1e3).collect();
        let to_come = course(&seen, clock, &times_s).ok()?;
        let said = *to_come.last()?;
        let course = times.iter().zip(&to_come).map(|(at, said)| {
            let altitude = said.altitude_m;
            (*at, altitude.low, altitude.middle, altitude.high)
        });
        let trend = self
            .seen
            .iter()
            .filter(|seen| seen_at - seen.at <= SHOWN_MS)
            .filter_map(|seen| Some((seen.at, of(seen)?.altitude_m.0)));
        Some(AirThen {
            at,
            seen_at,
            readings: said.readings,
            odd: said.odd,
            altitude_now_m: newest.altitude_m.0,
            altitude_m: likely(said.altitude_m),
            temp_now_c: newest.temp_c.0,
            temp_c: likely(said.temp_c),
            flow: self.flow(newest, &said),
            trend: trend.collect(),
            course: course.collect(),
        })
    }

    fn flow(&self, newest: &Seen, then: &AirAhead) -> Option<FlowThen> {
        let by_book = self.rule.is_none();
        let rule = |air: &flow::Today| match &self.rule {
            Some(rule) => flow::by_baseline(&baseline(rule), air),
            None => flow::by_book(&self.cases, air),
        };
        let now = flow::Today {
            density_kg_m3: KgPerM3(crate::figures::air::standard_density(newest.altitude_m).0),
            temp_c: newest.temp_c,
        };
        let (now, then): (_, FlowAhead) = (rule(&now).ok()?, flow_ahead(then, rule).ok()?);
        Some(FlowThen {
            now_l_per_min: now.flow_l_per_min.0,
            l_per_min: likely(then.flow_l_per_min),
            by_book,
            outside: then.extrapolated,
        })
    }
}

/// The chief's rule as the figure takes it.
pub fn baseline(rule: &FlowBaseline) -> Baseline {
    Baseline {
        flow_l_per_min: LitresPerMin(rule.flow_l_per_min),
        density_kg_m3: KgPerM3(rule.density_kg_m3),
        temp_c: Celsius(rule.temp_c),
        pct_per_pct_density: rule.pct_per_pct_density,
        pct_per_k: rule.pct_per_k,
        sd_pct: rule.sd_pct,
    }
}

fn likely(spread: air_ahead::Spread) -> Likely {
    Likely {
        low: spread.low,
        middle: spread.middle,
        high: spread.high,
    }
}

fn of(seen: &AirSeen) -> Option<Seen> {
    let air = &seen.air;
    let of: Result<Seen, CantSay> = Seen::of_readings(
        seen.at as f64 / 1e3,
        air.temp_c,
        air.pressure_hpa,
        air.rh_pct,
    );
    of.ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    const HOUR_MS: Millis = 3_600_000;

    fn air(temp_c: f64, place: Option<&str>) -> Conditions {
        Conditions {
            temp_c,
            pressure_hpa: 975.0,
            rh_pct: 50.0,
            place: place.map(str::to_owned),
        }
    }

    #[test]
    fn another_place_is_another_day_and_what_is_old_goes() {
        let mut day = DayAir::default();
        day.take(0, &air(10.0, Some("Home")));
        day.take(2 * HOUR_MS, &air(12.0, Some("Track")));
        day.take(HOUR_MS, &air(11.0, None));
        day.take(3 * HOUR_MS, &air(13.0, None));
        let temps = |day: &DayAir| -> Vec<f64> { day.seen.iter().map(|s| s.air.temp_c).collect() };
        // What comes in late, and says no place, is taken for this one.
        assert_eq!(temps(&day), [11.0, 12.0, 13.0]);
        day.take(3 * HOUR_MS, &air(99.0, None));
        day.take(80 * HOUR_MS, &air(14.0, Some("Track")));
        assert_eq!(temps(&day), [14.0]);
        assert!(!day.wants(80 * HOUR_MS + EVERY_MS - 1) && day.wants(80 * HOUR_MS + EVERY_MS));
    }

    #[test]
    fn the_flow_is_told_by_the_rule_and_follows_the_air() {
        let mut day = DayAir::default();
        for hour in 8..=12 {
            day.take(hour * HOUR_MS, &air(10.0 + 1.2 * hour as f64, None));
        }
        let rule = FlowBaseline {
            flow_l_per_min: 130.0,
            density_kg_m3: 1.15,
            temp_c: 20.0,
            pct_per_pct_density: 1.0,
            pct_per_k: 0.0,
            sd_pct: 1.0,
        };
        let mut question = AirQuestion {
            seen: day.seen(),
            rule: Some(rule),
            ..AirQuestion::default()
        };
        let then = question.then(15 * HOUR_MS).unwrap();
        let flow = then.flow.unwrap();
        assert!(
            then.altitude_m.middle > then.altitude_now_m && then.temp_c.middle > then.temp_now_c
        );
        assert!(flow.l_per_min.middle < flow.now_l_per_min && !flow.by_book);
        assert_eq!((then.trend.len(), then.course.len()), (5, 9));
        assert_eq!(then.course[0].0, 12 * HOUR_MS);
        assert!((then.course[8].2 - then.altitude_m.middle).abs() < 1e-9);
        // A call that has passed is now; without a rule and a book there is no flow.
        assert_eq!(question.then(0).unwrap().at, 12 * HOUR_MS);
        question.rule = None;
        assert_eq!(question.then(15 * HOUR_MS).unwrap().flow, None);
        assert_eq!(AirQuestion::default().then(0), None);
    }
}
