//! The figures, kept up with the readings. Which channel feeds which figure goes by the channel's key; `docs/files.md` lists the keys.

mod typed;

use crate::figures::{
    CantSay,
    bleed::BleedLearner,
    cylinders::{CylinderLimits, CylinderWatch, Cylinders, Firing, Verdict},
    flow::Case,
    fuel::{FuelCall, FuelLimits, FuelUsed, Tank, Used, fuel_state},
    idle::{Idle, IdleState, IdleWatch},
    mags::MagWatch,
    quantity::{Litres, Rpm},
    warm::{self, Basis, Forecast, Warm, WarmCurve},
};
use spinover_protocol::{
    ChannelKey,
    car::{Car, FuelSettings},
    message::{Ahead, FigureNow},
    record::{Record, Warmup},
    sheet::Must,
    units::Unit,
};
use std::collections::VecDeque;

/// Below this the engine is not running, in rpm; a starter turns it slower. Common practice, no source.
const RUNNING_RPM: f64 = 600.0;
/// How often the idle is asked whether it has settled after a bleed was turned, in seconds: asking costs milliseconds.
const ASK_IDLE_EVERY_S: f64 = 1.0;

/// One channel that feeds figures: its place, its unit, and its newest value in the figures' unit.
#[derive(Clone, Copy, Debug)]
struct Fed {
    index: usize,
    from: Unit,
    to: Unit,
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
    of: Option<String>,
    fuel: FuelUsed,
    idle: IdleWatch,
    mag_watch: MagWatch,
    cylinder_watch: CylinderWatch,
    warm: Option<Warm>,
    settings: FuelSettings,
    cases: Vec<Case>,
    warmed: Vec<WarmCurve>,
    bleed: BleedLearner,
    /// Bleed turns that the readings have not come to yet: when, and by how many turns.
    turned: VecDeque<(f64, f64)>,
    turns_taken: usize,
    idle_pushed_s: f64,
    idle_asked_s: f64,
}

impl Live {
    /// Figures for that car; those whose channels it has not are left out.
    pub fn new(car: &Car) -> Self {
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
            of: None,
            fuel: FuelUsed::new(FuelLimits::default()),
            idle: IdleWatch::default(),
            mag_watch: MagWatch::default(),
            warm: None,
            // The file's as it is now, not as it was when the warm-up began: a limit that was set right must hold at once.
            settings: car.fuel.clone().unwrap_or_default(),
            cases: Vec::new(),
            warmed: Vec::new(),
            bleed: BleedLearner::default(),
            turned: VecDeque::new(),
            turns_taken: 0,
            idle_pushed_s: f64::NEG_INFINITY,
            idle_asked_s: f64::NEG_INFINITY,
        }
    }

    /// How this car warmed in earlier warm-ups, for the forecast. To be told before a warm-up is followed.
    pub fn remember(&mut self, warmed: Vec<WarmCurve>) {
        self.warmed = warmed;
    }

    /// Earlier warm-ups to learn the flow from.
    pub fn learn(&mut self, cases: Vec<Case>) {
        self.cases = cases;
    }

    /// Begins anew when another warm-up has begun; takes bleed turns in.
    pub fn follow(&mut self, car: &Car, record: &Record) {
        self.begin_anew(car, record);
        let bleeds = record
            .warmup
            .iter()
            .flat_map(|warmup| &warmup.bleeds)
            .skip(self.turns_taken);
        for told in bleeds {
            self.turned.push_back((told.at as f64 / 1e3, told.value));
            self.turns_taken += 1;
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
                    self.warmed.clone(),
                ))
            });
        *self = Self {
            of: id.cloned(),
            warm,
            cases: std::mem::take(&mut self.cases),
            warmed: std::mem::take(&mut self.warmed),
            ..Self::new(car)
        };
    }

    /// Takes good readings in; the time is the hub's, in microseconds.
    pub fn batch(&mut self, t_us: i64, values: &[(usize, f64)]) {
        let t_s = t_us as f64 / 1e6;
        if let Some(flow) = self.flow.as_mut().and_then(|fed| fed.take(values)) {
            self.fuel.push(t_s, flow);
        }
        let rpm = self.rpm.as_mut().and_then(|fed| fed.take(values));
        if let Some(rpm) = rpm {
            self.take_turns(t_s);
            self.idle.push(t_s, rpm);
            self.idle_pushed_s = t_s;
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
        if !self.cylinders.is_empty() {
            let temps: Vec<Option<f64>> = self
                .cylinders
                .iter_mut()
                .map(|fed| fed.take(values))
                .collect();
            if temps.iter().any(Option::is_some) {
                self.cylinder_watch.push(t_s, &temps);
            }
        }
    }

    /// Tells the learner of the bleed turns made by that time, and asks it now and then whether the idle has settled since.
    ///
    /// Going by the readings' times, a hub that was started again learns the same from the book.
    fn take_turns(&mut self, t_s: f64) {
        while let Some((at_s, turns)) = self.turned.pop_front_if(|(at_s, _)| *at_s < t_s) {
            // A recording that is played fast is ahead of the hub's clock.
            let at_s = at_s.max(self.idle_pushed_s);
            // Where the idle before is not known, there is nothing to learn from that turn.
            let _ = self.bleed.adjusted(at_s, turns, &mut self.idle);
        }
        if t_s - self.idle_asked_s >= ASK_IDLE_EVERY_S {
            self.bleed.poll(t_s, &self.idle);
            self.idle_asked_s = t_s;
        }
    }

    /// What they say at that time.
    pub fn figures(&self, now_us: i64, record: &Record) -> Vec<FigureNow> {
        let now_s = now_us as f64 / 1e6;
        let mut figures = Vec::new();
        if let Some(warmup) = &record.warmup {
            if self.flow.is_some() {
                figures.extend(self.fuel_figures(now_s, warmup));
            }
            if self.rpm.is_some() {
                let idle = self.idle.now(now_s);
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
            figures.extend(typed::figures(now, &self.settings, warmup, &self.cases));
        }
        figures
    }

    fn fuel_figures(&self, now_s: f64, warmup: &Warmup) -> Vec<FigureNow> {
        // A recording that is played fast is ahead of the clock; its own last time then counts.
        let used = self.fuel.used_at(now_s);
        let mut figures = vec![FigureNow {
            value: Some(used.likely_l.0),
            unit: Some(Unit::Litre),
            low: Some(used.least_l.0),
            high: Some(used.most_l.0),
            ..figure("fuel_used", "Fuel used", used_words(&used))
        }];
        if let Some(tank_l) = warmup.car.tank_l {
            let tank = Tank {
                filled_l: Litres(tank_l),
                fill_error_l: Litres(0.0),
                unusable_l: Litres(0.0),
            };
            let state = fuel_state(used, tank, &[], warmup.car.reserve_l.unwrap_or(0.0));
            let words = match state.call {
                FuelCall::Enough => "reckoned from a full tank",
                FuelCall::Close => "could be below the reserve; reckoned from a full tank",
                FuelCall::Short => "below the reserve; reckoned from a full tank",
            };
            let words = words.to_owned();
            figures.push(FigureNow {
                value: Some(state.left_l.0),
                unit: Some(Unit::Litre),
                low: Some(state.left_least_l.0),
                high: Some((tank_l - state.used.least_l.0).max(0.0)),
                attention: state.call != FuelCall::Enough,
                ..figure("fuel_left", "Fuel left", words)
            });
        }
        figures
    }

    /// How far to turn the bleeds for the middle of the idle's band.
    fn bleed_figure(&self, idle: &Result<Idle, CantSay>, warmup: &Warmup) -> FigureNow {
        const KEY: (&str, &str) = ("bleed", "Idle bleeds");
        let idle = match idle {
            Err(why) => return cannot(KEY.0, KEY.1, why),
            Ok(idle) => idle,
        };
        let gain = match self.bleed.gain().gain() {
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
        match self.bleed.gain().advise(idle.rpm, want) {
            Err(why) => cannot(KEY.0, KEY.1, &why),
            Ok(advice) => {
                let (one, other) = (advice.turns_least.0, advice.turns_most.0);
                FigureNow {
                    value: Some(advice.turns.0),
                    unit: Some(Unit::Turn),
                    low: Some(one.min(other)),
                    high: Some(one.max(other)),
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
        let running = self
            .rpm
            .and_then(|fed| fed.newest)
            .is_some_and(|rpm| rpm > RUNNING_RPM);
        // On nitro is what the crew marked, not what a temperature suggests.
        let on_nitro = warmup.steps.contains_key(&"nitro_on".into());
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
            attention: matches!(idle.state, IdleState::Hunting { .. }),
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

fn used_words(used: &Used) -> String {
    match used.gaps {
        0 => "every reading since the warm-up began".to_owned(),
        _ => format!("{:.0} s of flow not seen", used.gap_s.0),
    }
}

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
