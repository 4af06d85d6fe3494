//! Which call a figure gives reason for: only while the figure is sure, and what is off is beyond its own doubt.
//!
//! What is left out here is never offered on a phone. The limits are settings, no source.

use crate::figures::{
    bleed::BleedAdvice,
    fuel::FuelCall,
    idle::{Idle, IdleState},
    robust::Z80,
    warm::{Basis, Forecast},
};
use spinover_protocol::{
    RoleKey,
    alarm::Shown,
    car::Car,
    message::{Ask, Asked, FigureNow},
    record::Warmup,
};
use std::collections::VecDeque;

/// A flow is what it was over this long, in seconds: a lever that is being moved needs no call.
const FLOW_S: f64 = 3.0;
/// So much of it must be there.
const FLOW_LEAST_S: f64 = 2.0;
/// Readings older than this say nothing about now, in seconds.
const FLOW_OLD_S: f64 = 1.5;
/// How soon warm is soon, in seconds; sooner than the first nobody could do anything with it.
const SOON_S: (f64, f64) = (10.0, 90.0);

/// The flow of the last seconds.
#[derive(Clone, Debug, Default)]
pub(super) struct FlowNow {
    readings: VecDeque<(f64, f64)>,
}

impl FlowNow {
    /// Takes one flow: seconds, litres per minute.
    pub(super) fn push(&mut self, t_s: f64, flow: f64) {
        if self.readings.back().is_some_and(|(last, _)| t_s < *last) {
            self.readings.clear();
        }
        self.readings.push_back((t_s, flow));
        while self
            .readings
            .front()
            .is_some_and(|(first, _)| t_s - first > FLOW_S)
        {
            self.readings.pop_front();
        }
    }

    /// Its mean, and half of what it moved by meanwhile; nothing while it is not known.
    fn at(&self, now_s: f64) -> Option<(f64, f64)> {
        let ((first, _), (last, _)) = (self.readings.front()?, self.readings.back()?);
        if now_s - last > FLOW_OLD_S || last - first < FLOW_LEAST_S {
            return None;
        }
        let middle = f64::midpoint(*first, *last);
        let mean = |late: bool| {
            let part = self.readings.iter().filter(|(t, _)| (*t > middle) == late);
            let (sum, count) = part.fold((0.0, 0.0), |(s, n), (_, v)| (s + v, n + 1.0));
            (count > 0.0).then(|| sum / count)
        };
        let (early, late) = (mean(false)?, mean(true)?);
        Some((f64::midpoint(early, late), (late - early).abs() / 2.0))
    }
}

/// By how much the flow is off the number for today's air: only outside the number's own 80 % range, and while the lever rests.
pub(super) fn flow(number: &FigureNow, flow: &FlowNow, now_s: f64) -> Option<Ask> {
    let (low, high) = number.low.zip(number.high)?;
    let (mean, moved) = flow.at(now_s)?;
    let by = number.value? - mean;
    let sure = !number.attention && (mean < low || mean > high) && moved < by.abs() / 8.0;
    sure.then(|| ask(Asked::Flow, Some(by)))
}

/// How far to turn the bleeds: only from a settled idle that is off by more than it is known to, and no farther than was ever turned.
pub(super) fn bleed(advice: &BleedAdvice, idle: &Idle, want_rpm: f64) -> Option<Ask> {
    let off = (want_rpm - idle.rpm.0).abs() > Z80 * idle.rpm_sd.0;
    let sure = matches!(idle.state, IdleState::Settled)
        && off
        && advice.turns.0 != 0.0
        && !advice.beyond_experience;
    sure.then(|| ask(Asked::Bleed, Some(advice.turns.0)))
}

/// Soon warm: only from more than a slope, and where the range is narrower than the wait.
pub(super) fn warm(forecast: &Forecast) -> Option<Ask> {
    let soon = SOON_S.0 <= forecast.eta_s && forecast.eta_s <= SOON_S.1;
    let sure = matches!(forecast.basis, Basis::History | Basis::ThisRunOnly)
        && forecast.hi_s - forecast.lo_s <= forecast.eta_s;
    (soon && sure).then(|| ask(Asked::WarmSoon, Some(forecast.eta_s)))
}

/// The fuel does not last even as things usually go.
pub(super) fn fuel(call: FuelCall) -> Option<Ask> {
    (call == FuelCall::Short).then(|| ask(Asked::FuelShort, None))
}

/// Names the role that each ask is for, and takes all of them away where nobody should be told to do anything more.
pub(super) fn address(figures: &mut [FigureNow], warmup: &Warmup) {
    let still = warmup.closed_at.is_some()
        || warmup.aborted.is_some()
        || warmup.held.is_some()
        || warmup.stops().next().is_some()
        || alarmed(warmup);
    for figure in figures {
        if still {
            figure.ask = None;
        }
        if let Some(ask) = &mut figure.ask {
            ask.to = owner(&warmup.car, &figure.key);
        }
    }
}

/// An alarm of the first priority says what to do, and nothing else is asked for beside it.
fn alarmed(warmup: &Warmup) -> bool {
    let mut first = warmup.car.alarms.iter().filter(|alarm| alarm.priority == 1);
    first.any(|alarm| {
        let now = warmup.alarms.get(&alarm.key);
        now.is_some_and(|now| now.flags.active)
            && warmup.alarm_state(&alarm.key).shown() > Shown::Aside
    })
}

/// The role whose hands a figure is for: the first of the car's that looks at it, the chief and the wall apart.
fn owner(car: &Car, figure: &str) -> Option<RoleKey> {
    let hands = |key: &RoleKey| !matches!(key.as_str(), "chief" | "wall");
    let looks = car
        .roles
        .iter()
        .find(|role| hands(&role.key) && role.figures.iter().any(|key| key == figure));
    looks.map(|role| role.key.clone())
}

fn ask(what: Asked, by: Option<f64>) -> Ask {
    Ask { what, by, to: None }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::core::live::figure;
    use spinover_protocol::units::Unit;

    fn number(value: f64, half: f64) -> FigureNow {
        FigureNow {
            value: Some(value),
            unit: Some(Unit::LitrePerMin),
            low: Some(value - half),
            high: Some(value + half),
            ..figure("flow", "Flow", String::new())
        }
    }

    fn steady(level: f64) -> FlowNow {
        let mut flow = FlowNow::default();
        for tick in 0..40 {
            flow.push(f64::from(tick) / 10.0, level + 0.2 * f64::from(tick % 2));
        }
        flow
    }

    #[test]
    fn a_flow_is_asked_for_only_outside_the_numbers_own_doubt() {
        let ask = flow(&number(30.0, 0.6), &steady(28.9), 4.0).unwrap();
        assert!((ask.by.unwrap() - 1.0).abs() < 0.1, "{ask:?}");
        let down = flow(&number(30.0, 0.6), &steady(31.4), 4.0).unwrap();
        assert!(down.by.unwrap() < -1.0);
        assert_eq!(flow(&number(30.0, 0.6), &steady(29.6), 4.0), None);
        assert_eq!(flow(&number(30.0, 1.6), &steady(28.9), 4.0), None);
        let doubtful = FigureNow {
            attention: true,
            ..number(30.0, 0.6)
        };
        assert_eq!(flow(&doubtful, &steady(28.9), 4.0), None);
        let cannot = figure("flow", "Flow", String::new());
        assert_eq!(flow(&cannot, &steady(28.9), 4.0), None);
    }

    #[test]
    fn a_flow_that_is_old_or_on_its_way_is_not_called() {
        assert_eq!(flow(&number(30.0, 0.6), &steady(28.9), 6.0), None);
        assert_eq!(flow(&number(30.0, 0.6), &FlowNow::default(), 4.0), None);
        let mut moving = FlowNow::default();
        for tick in 0..40 {
            moving.push(f64::from(tick) / 10.0, 26.0 + 0.05 * f64::from(tick));
        }
        assert_eq!(flow(&number(30.0, 0.6), &moving, 4.0), None);
    }

    #[test]
    fn warm_is_called_when_it_is_soon_and_sure() {
        let sure = Forecast {
            eta_s: 40.0,
            lo_s: 30.0,
            hi_s: 52.0,
            basis: Basis::History,
            n_history: 4,
        };
        assert_eq!(warm(&sure).and_then(|ask| ask.by), Some(40.0));
        for forecast in [
            Forecast { hi_s: 75.0, ..sure },
            Forecast {
                basis: Basis::SlopeOnly,
                ..sure
            },
            Forecast { eta_s: 5.0, ..sure },
            Forecast {
                eta_s: 200.0,
                ..sure
            },
        ] {
            assert_eq!(warm(&forecast), None, "{forecast:?}");
        }
    }
}
