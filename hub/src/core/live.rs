//! The figures, kept up with the readings. Which channel feeds which figure goes by the channel's key; `docs/files.md` lists the keys.

mod asks;
mod fuel;
pub mod idling;
mod typed;
mod weather;

use super::lessons::Lessons;
use crate::figures::{
    CantSay,
    change::ChangeWatch,
    cylinders::{CylinderLimits, CylinderWatch, Cylinders, Firing, Verdict},
    flow::Case,
    idle::{Idle, IdleState},
    mags::MagWatch,
    quantity::Rpm,
    warm::{self, Basis, Forecast, Warm},
};
use asks::FlowNow;
use fuel::Fuel;
use idling::Idling;
use spinover_protocol::{
    ChannelKey, Millis,
    car::{Car, FuelSettings},
    message::{Ahead, FigureNow},
    record::{Record, Warmup},
    sheet::Must,
    today::Conditions,
    units::Unit,
};
use weather::Sensors;
pub use weather::{OLD_MS as WEATHER_OLD_MS, SENSED};

/// Below this the engine is not running, in rpm; a starter turns it slower. Common practice, no source.
const RUNNING_RPM: f64 = 600.0;
/// The step that is marked when the engine has gone over to nitro.
pub const NITRO_ON: &str = "nitro_on";

/// One channel that feeds figures: its place, its unit, and its newest value in the figures' unit.
#[derive(Clone, Copy, Debug)]
struct Fed {
    index: usize,
    from: Unit,
    to: Unit,
    old_after_ms: i64,
    newest: Option<f64>,
}

impl Fed {
    fn of(car: &Car, key: &str, to: Unit) -> Option<Self> {
        let (index, channel) = car.channel(&ChannelKey::from(key))?;
        channel.unit.convert(0.0, to)?;
        Some(Self {
            index,
            from: channel.unit,
            to,
            old_after_ms: channel.old_after_ms,
            newest: None,
        })
    }

    /// The value among these, if it is there, in the figures' unit.
    fn take(&mut self, values: &[(usize, f64)]) -> Option<f64> {
        let (_, value) = values
            .iter()
            .rev()
            .find(|(index, _)| *index == self.index)?;
        self.newest = self.from.convert(*value, self.to);
        self.newest
    }
}

/// Every figure that follows the readings.
pub struct Live {
    rpm: Option<Fed>,
    flow: Option<Fed>,
    temp: Option<Fed>,
    mags: Option<(Fed, Fed)>,
    cylinders: Vec<Fed>,
    sensors: Sensors,
    of: Option<String>,
    fuel: Fuel,
    idling: Idling,
    mag_watch: MagWatch,
    cylinder_watch: CylinderWatch,
    /// When nitro came on, and whether the readings have come to it.
    nitro: Option<(Millis, bool)>,
    flow_watch: ChangeWatch,
    flow_now: FlowNow,
    warm: Option<Warm>,
    settings: FuelSettings,
    lessons: Lessons,
}

impl Live {
    /// Figures for that car; those whose channels it has not are left out.
    pub fn new(car: &Car, lessons: Lessons) -> Self {
        let cylinders: Vec<Fed> = (1..=16)
            .map_while(|n| Fed::of(car, &format!("egt_{n}"), Unit::DegC))
            .collect();
        let temp = warm_channel(car).and_then(|key| Fed::of(car, key.as_str(), Unit::DegC));
        Self {
            rpm: Fed::of(car, "engine_rpm", Unit::Rpm),
            flow: Fed::of(car, "fuel_flow", Unit::LitrePerMin),
            temp,
            mags: Fed::of(car, "mag_1_timing", Unit::DegAngle).zip(Fed::of(
                car,
                "mag_2_timing",
                Unit::DegAngle,
            )),
            cylinder_watch: CylinderWatch::new(cylinders.len(), CylinderLimits::default()),
            cylinders,
            sensors: Sensors::of(car),
            of: None,
            fuel: Fuel::new(),
            idling: Idling::knowing(&lessons.bleeds),
            mag_watch: MagWatch::default(),
            nitro: None,
            flow_watch: ChangeWatch::default(),
            flow_now: FlowNow::default(),
            warm: None,
            // The file's as it is now, not as it was when the warm-up began: a limit that was set right must hold at once.
            settings: car.fuel.clone().unwrap_or_default(),
            lessons,
        }
    }

    /// Takes newer lessons in. The flow, the fuel and the slip go by them at once; the forecast and the bleeds from the next
    /// warm-up on, since they have begun with the ones before.
    pub fn learn(&mut self, lessons: Lessons) {
        self.lessons = lessons;
    }

    /// The air, where any part of it is live from a weather station; the rest is as it was typed.
    pub fn air_of_station(&self, now: Millis, record: &Record) -> Option<Conditions> {
        let told = record.warmup.as_ref()?.today.conditions.as_ref();
        let known = self
            .sensors
            .any_live(now)
            .then(|| weather::now(now, told, &self.sensors))?;
        known.ok().map(|known| known.air)
    }

    /// At what flow earlier warm-ups ran in what air.
    pub fn flow_cases(&self) -> Vec<Case> {
        self.lessons.flows.clone()
    }

    /// Begins anew when another warm-up has begun; takes in what was told and marked.
    pub fn follow(&mut self, car: &Car, record: &Record) {
        self.begin_anew(car, record);
        if let Some(warmup) = &record.warmup {
            self.idling.follow(&warmup.bleeds);
            self.fuel.follow(warmup);
            let on = warmup.steps.get(&NITRO_ON.into()).map(|mark| mark.at);
            if self.nitro.map(|(at, _)| at) != on {
                self.nitro = on.map(|at| (at, false));
            }
        }
    }

    fn begin_anew(&mut self, car: &Car, record: &Record) {
        let id = record.warmup.as_ref().map(|warmup| &warmup.id);
        if id == self.of.as_ref() {
            return;
        }
        let warm = record
            .warmup
            .as_ref()
            .zip(self.temp)
            .and_then(|(warmup, temp)| {
                let target = warm_target(warmup, &car.channels.get(temp.index)?.key)?;
                Some(Warm::new(
                    temp.from.convert(target, temp.to)?,
                    self.lessons.warmed.clone(),
                ))
            });
        // The weather outlasts a warm-up.
        let sensors = std::mem::take(&mut self.sensors);
        *self = Self {
            of: id.cloned(),
            warm,
            sensors,
            ..Self::new(car, std::mem::take(&mut self.lessons))
        };
    }

    /// Takes good readings in; the time is the hub's, in microseconds.
    pub fn batch(&mut self, t_us: i64, values: &[(usize, f64)]) {
        let t_s = t_us as f64 / 1e6;
        self.sensors.take(t_us / 1000, values);
        if let Some(flow) = self.flow.as_mut().and_then(|fed| fed.take(values)) {
            self.fuel.push(t_s, flow);
            self.flow_now.push(t_s, flow);
            if self.flow_watch.push(t_s, flow)
                && let Some(warm) = &mut self.warm
            {
                warm.note_change(t_s);
            }
        }
        let rpm = self.rpm.as_mut().and_then(|fed| fed.take(values));
        if let Some(rpm) = rpm {
            self.idling.push(t_s, rpm);
        }
        if let (Some(temp), Some(warm)) = (
            self.temp.as_mut().and_then(|fed| fed.take(values)),
            &mut self.warm,
        ) {
            warm.push(t_s, temp, self.rpm.and_then(|fed| fed.newest));
        }
        if let Some((one, two)) = &mut self.mags
            && let (Some(one), Some(two)) = (one.take(values), two.take(values))
        {
            self.mag_watch.push(t_s, one, two);
        }
        self.take_cylinders(t_s, values);
    }

    fn take_cylinders(&mut self, t_s: f64, values: &[(usize, f64)]) {
        if self.cylinders.is_empty() {
            return;
        }
        if let Some((at, reached)) = &mut self.nitro
            && !*reached
            && t_s * 1e3 >= *at as f64
        {
            // What petrol warmed up is no sign of a cylinder that burns nitro.
            self.cylinder_watch.started();
            *reached = true;
        }
        let temps: Vec<Option<f64>> = self
            .cylinders
            .iter_mut()
            .map(|fed| fed.take(values))
            .collect();
        if temps.iter().any(Option::is_some) {
            self.cylinder_watch.push(t_s, &temps);
        }
    }

    /// What they say at that time.
    pub fn figures(&self, now_us: i64, record: &Record) -> Vec<FigureNow> {
        let now_s = now_us as f64 / 1e6;
        let mut figures = Vec::new();
        if let Some(warmup) = &record.warmup {
            if self.flow.is_some() {
                let used_l = &self.lessons.used_l;
                figures.extend(self.fuel.figures(now_s, warmup, used_l));
            }
            if self.rpm.is_some() {
                let idle = self.idling.idle.now(now_s);
                figures.push(idle_figure(&idle));
                figures.push(self.bleed_figure(&idle, warmup));
            }
            figures.extend(
                self.warm
                    .as_ref()
                    .map(|warm| self.warm_figure(warm, warmup)),
            );
            if self.mags.is_some() {
                figures.push(self.mags_figure(now_s));
            }
            if !self.cylinders.is_empty() {
                figures.push(self.cylinders_figure(now_s, warmup));
            }
            let now = now_us / 1000;
            let typed_from = figures.len();
            let weather = weather::now(now, warmup.today.conditions.as_ref(), &self.sensors);
            figures.extend(typed::figures(
                now,
                &self.settings,
                warmup,
                weather,
                &self.lessons,
            ));
            // On petrol, or standing, the number for nitro says nothing about the lever.
            if self.nitro.is_some() && self.running() {
                for number in figures.iter_mut().skip(typed_from) {
                    if number.key == "flow" {
                        number.ask = asks::flow(number, &self.flow_now, now_s);
                    }
                }
            }
            asks::address(&mut figures, warmup);
        }
        figures
    }

    fn running(&self) -> bool {
        let rpm = self.rpm.and_then(|fed| fed.newest);
        rpm.is_some_and(|rpm| rpm > RUNNING_RPM)
    }

    /// How far to turn the bleeds for the middle of the idle's band.
    fn bleed_figure(&self, idle: &Result<Idle, CantSay>, warmup: &Warmup) -> FigureNow {
        const KEY: (&str, &str) = ("bleed", "Idle bleeds");
        let idle = match idle {
            Err(why) => return cannot(KEY.0, KEY.1, why),
            Ok(idle) => idle,
        };
        let gain = match self.idling.gain().gain() {
            Err(why) => return cannot(KEY.0, KEY.1, &why),
            Ok(gain) => gain,
        };
        let still = matches!(idle.state, IdleState::Settled | IdleState::Hunting { .. });
        let Some(want) = self.wanted_idle(warmup).filter(|_| still) else {
            let why = if still {
                "no band to set it to"
            } else {
                "wait until the idle has settled"
            };
            return figure(KEY.0, KEY.1, format!("{why}; {}", gain.words()));
        };
        match self.idling.gain().advise(idle.rpm, want) {
            Err(why) => cannot(KEY.0, KEY.1, &why),
            Ok(advice) => {
                let (one, other) = (advice.turns_least.0, advice.turns_most.0);
                FigureNow {
                    value: Some(advice.turns.0),
                    unit: Some(Unit::Turn),
                    low: Some(one.min(other)),
                    high: Some(one.max(other)),
                    ask: asks::bleed(&advice, idle, want.0),
                    ..figure(KEY.0, KEY.1, advice.words())
                }
            }
        }
    }

    /// The middle of the band that the idle should be in now.
    fn wanted_idle(&self, warmup: &Warmup) -> Option<Rpm> {
        let fed = self.rpm?;
        let band = warmup.band_now(&warmup.car.channels.get(fed.index)?.key)?;
        Some(Rpm(fed
            .from
            .convert((band.low + band.high) / 2.0, fed.to)?))
    }

    fn warm_figure(&self, warm: &Warm, warmup: &Warmup) -> FigureNow {
        match warm.forecast() {
            Err(why) => figure("warm", "Warm in", not_warm_words(&why, warm.target_c())),
            Ok(forecast) => FigureNow {
                value: Some(forecast.eta_s),
                unit: Some(Unit::Second),
                low: Some(forecast.lo_s),
                high: Some(forecast.hi_s),
                ask: asks::warm(&forecast),
                forecast: self.warm_ahead(warm.target_c(), forecast.eta_s, warmup),
                ..figure("warm", "Warm in", warm_words(&forecast))
            },
        }
    }

    /// The rise still to come as a line to the target: the forecast says when it is reached, not by what curve.
    fn warm_ahead(&self, target_c: f64, eta_s: f64, warmup: &Warmup) -> Option<Ahead> {
        let temp = self.temp.filter(|_| eta_s > 0.0)?;
        let back = |value| temp.to.convert(value, temp.from);
        Some(Ahead {
            channel: warmup.car.channels.get(temp.index)?.key.clone(),
            points: vec![(0.0, back(temp.newest?)?), (eta_s, back(target_c)?)],
        })
    }

    fn mags_figure(&self, now_s: f64) -> FigureNow {
        match self.mag_watch.now(now_s) {
            Err(why) => cannot("mags", "Magnetos", &why),
            // Nothing can be done about the timing now, so it never asks for attention.
            Ok(mags) => FigureNow {
                value: Some(mags.apart_deg.0),
                unit: Some(Unit::DegAngle),
                ..figure("mags", "Magnetos apart", mags.words())
            },
        }
    }

    fn cylinders_figure(&self, now_s: f64, warmup: &Warmup) -> FigureNow {
        let running = self.running();
        // On nitro is what the crew marked, not what a temperature suggests.
        let on_nitro = warmup.steps.contains_key(&NITRO_ON.into());
        match self.cylinder_watch.now(now_s, Firing { running, on_nitro }) {
            Err(why) => cannot("cylinders", "Cylinders", &why),
            Ok(all) => FigureNow {
                attention: all.call,
                ..figure("cylinders", "Cylinders", cylinder_words(&all))
            },
        }
    }
}

fn figure(key: &str, label: &str, words: String) -> FigureNow {
    let (key, label) = (key.to_owned(), label.to_owned());
    FigureNow {
        key,
        label,
        value: None,
        unit: None,
        low: None,
        high: None,
        words,
        attention: false,
        forecast: None,
        rests_on: None,
        ask: None,
    }
}

fn cannot(key: &str, label: &str, why: &CantSay) -> FigureNow {
    figure(key, label, why.words())
}

fn idle_figure(idle: &Result<Idle, CantSay>) -> FigureNow {
    match idle {
        Err(why) => cannot("idle", "Idle", why),
        Ok(idle) => FigureNow {
            value: Some(idle.rpm.0),
            unit: Some(Unit::Rpm),
            low: Some(idle.rpm.0 - 1.2816 * idle.rpm_sd.0),
            high: Some(idle.rpm.0 + 1.2816 * idle.rpm_sd.0),
            attention: matches!(
                idle.state,
                IdleState::Hunting { .. } | IdleState::Stepped { .. }
            ),
            ..figure("idle", "Idle", idle.words())
        },
    }
}

/// The channel that the warm-up's forecast follows: the head's temperature, else the coolant's, else the oil's.
pub fn warm_channel(car: &Car) -> Option<&ChannelKey> {
    let keys = ["head_temp", "coolant_temp", "oil_temp"];
    keys.iter().find_map(|key| {
        car.channels
            .iter()
            .map(|channel| &channel.key)
            .find(|known| known.as_str() == *key)
    })
}

/// How warm it is to get: the most that any band or gate before the shut-down asks of the channel as a least.
fn warm_target(warmup: &Warmup, channel: &ChannelKey) -> Option<f64> {
    let phases = || warmup.sheet.phases.iter().filter(|phase| !phase.shut_down);
    let bands = phases().filter_map(|phase| Some(warmup.band(channel, Some(&phase.key))?.low));
    let gates = phases()
        .flat_map(|phase| &phase.steps)
        .flat_map(|step| &step.gates);
    let asked = gates
        .filter(|gate| gate.channel == *channel)
        .filter_map(|gate| match gate.must {
            Must::AtLeast(least) => Some(least),
            Must::AtMost(_) | Must::InBand(_) => None,
        });
    bands.chain(asked).reduce(f64::max)
}

// Each phone shows values in its own units, so the words that go with them hold no number that has one.

fn warm_words(forecast: &Forecast) -> String {
    match (forecast.basis, forecast.n_history) {
        (Basis::Reached, _) => "there".to_owned(),
        (Basis::History, 1) => "from 1 earlier warm-up".to_owned(),
        (Basis::History, count) => format!("from {count} earlier warm-ups"),
        (Basis::SlopeOnly, _) => "from the slope so far alone".to_owned(),
        _ => "from this warm-up alone".to_owned(),
    }
}

fn not_warm_words(why: &warm::CantSay, target_c: f64) -> String {
    match why {
        warm::CantSay::LevelledOff { .. } => {
            "won't get there at this flow: it has levelled off".to_owned()
        }
        warm::CantSay::OutOfReach { runs, of, .. } => {
            format!(
                "won't get there at this flow: {runs} of {of} earlier warm-ups levelled off below"
            )
        }
        other => other.words(target_c),
    }
}

fn cylinder_words(all: &Cylinders) -> String {
    let odd = all
        .cylinders
        .iter()
        .filter(|cylinder| cylinder.verdict != Verdict::Alike);
    let odd: Vec<String> = odd
        .map(|cylinder| format!("{} {}", cylinder.number, cylinder.verdict.word()))
        .collect();
    match odd.len() {
        0 => "all alike".to_owned(),
        _ => odd.join(", "),
    }
}
