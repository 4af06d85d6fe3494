//! A simulated car to practise on: engine, sensors and crew behind one source. See `engine` for what it is and is not.

pub mod controls;
mod crew;
pub mod engine;
pub mod fault;
mod sensors;

pub use controls::SimControls;

use super::spec::Speed;
use super::{Feed, Running, Source};
use crate::core::feed::{Batch, FaultKind};
use controls::Order;
use crew::{BY_ITSELF, BY_ITSELF_S, Crew};
use engine::{Broken, Engine, Inputs, Params, STEP_S};
use fault::{ScriptedFault, What};
use sensors::Sensors;
use spinover_protocol::{ChannelKey, car::Car, message::SourceState, units::Unit};
use std::time::Duration;
use tokio::time::Instant;

/// Integration steps between two samples: 50 ms, so 20 samples a second.
const STEPS_A_SAMPLE: u32 = 5;
/// Time between samples in seconds.
pub const SAMPLE_S: f64 = STEPS_A_SAMPLE as f64 * STEP_S;
/// Further behind the clock than this (the laptop slept), the time lost is let go instead of caught up.
const CATCH_UP: Duration = Duration::from_secs(1);

/// How a simulation is to be.
#[derive(Clone, Debug, PartialEq)]
pub struct Settings {
    /// What all chance in it starts from.
    pub seed: u64,
    /// It runs whole warm-ups by itself.
    pub auto: bool,
    /// Sensors have noise, spikes and drop-outs.
    pub noise: bool,
    /// What goes wrong, and when.
    pub faults: Vec<ScriptedFault>,
}

/// What one sample of the simulated car gives.
#[derive(Clone, Debug, PartialEq)]
pub struct Sample {
    /// Simulated time in seconds since the start.
    pub t_s: f64,
    /// Channel and value in the channel's unit; `None` while the link to the car is lost.
    pub values: Option<Vec<(usize, f64)>>,
}

/// The simulated car without a clock: [`Simulation::sample`] goes on by [`SAMPLE_S`] each time.
#[derive(Debug)]
pub struct Simulation {
    engine: Engine,
    inputs: Inputs,
    crew: Crew,
    sensors: Sensors,
    controls: SimControls,
    settings: Settings,
    /// Steps done; time is counted and not added up, so that it does not drift.
    steps: u64,
    /// Where in [`BY_ITSELF`] a car is that runs by itself, and when that run began.
    by_itself: Option<(usize, f64)>,
}

impl Simulation {
    /// A cold car at rest.
    ///
    /// # Errors
    /// When it knows none of the car's channels, or a fault names one that it has not.
    pub fn new(car: &Car, settings: Settings) -> anyhow::Result<Self> {
        let params = fitting(car);
        let sensors = Sensors::new(car, settings.seed, settings.noise, &settings.faults)?;
        Ok(Self {
            inputs: Inputs::at_rest(&params),
            crew: Crew::new(&params),
            controls: SimControls::new(&params),
            sensors,
            by_itself: settings.auto.then_some((0, 0.0)),
            engine: Engine::new(params, settings.seed),
            settings,
            steps: 0,
        })
    }

    /// The handle to its controls.
    pub fn controls(&self) -> SimControls {
        self.controls.clone()
    }

    /// The engine, for tests and teaching; what a crew sees are the samples.
    pub fn engine(&self) -> &Engine {
        &self.engine
    }

    /// Goes on by [`SAMPLE_S`] and reads the sensors.
    pub fn sample(&mut self) -> Sample {
        let now = self.now();
        for order in self.controls.take_orders() {
            self.crew.take(order, now, &mut self.inputs);
        }
        for _ in 0..STEPS_A_SAMPLE {
            self.step();
        }
        let t_s = self.now();
        let values = self
            .sensors
            .read(self.engine.truth(), t_s, SAMPLE_S, &self.settings.faults);
        let lost = self
            .settings
            .faults
            .iter()
            .any(|fault| fault.what == What::LinkLost && fault.on(t_s));
        Sample {
            t_s,
            values: (!lost).then_some(values),
        }
    }

    fn now(&self) -> f64 {
        self.steps as f64 * STEP_S
    }

    fn step(&mut self) {
        let now = self.now();
        self.run_by_itself(now);
        self.crew.tick(now, self.engine.truth(), &mut self.inputs);
        let mut broken = Broken::default();
        for fault in self.settings.faults.iter().filter(|fault| fault.on(now)) {
            match fault.what {
                What::OilLost => broken.oil_lost = true,
                What::OverTemp => broken.over_temp = true,
                What::DeadCylinder(number) => broken.dead_cylinders |= 1 << (number - 1),
                _ => {}
            }
        }
        self.engine.step(&self.inputs, broken);
        self.steps += 1;
    }

    fn run_by_itself(&mut self, now: f64) {
        let Some((next, began)) = self.by_itself else {
            return;
        };
        if let Some((when, step)) = BY_ITSELF.get(next) {
            if now - began >= *when {
                self.crew
                    .take(Order::Marked((*step).to_owned()), now, &mut self.inputs);
                self.by_itself = Some((next + 1, began));
            }
        } else if now - began >= BY_ITSELF_S {
            self.engine.cool_down();
            self.inputs = Inputs::at_rest(self.engine.params());
            self.by_itself = Some((0, now));
        }
    }
}

/// An engine that idles in the middle of the car's own bands, so that the same simulator serves any car file.
fn fitting(car: &Car) -> Params {
    let middle = |key: &str, unit: Unit| {
        let (_, channel) = car.channel(&ChannelKey::from(key))?;
        let band = channel.band?;
        channel.unit.convert((band.low + band.high) / 2.0, unit)
    };
    let usual = Params::default();
    Params {
        // Outside these the model is no engine any more.
        idle_rpm: middle("engine_rpm", Unit::Rpm)
            .filter(|rpm| (1_500.0..=3_500.0).contains(rpm))
            .unwrap_or(usual.idle_rpm),
        idle_flow: middle("fuel_flow", Unit::UsGalPerMin)
            .filter(|flow| (1.0..=20.0).contains(flow))
            .unwrap_or(usual.idle_flow),
        tank_gal: car
            .tank_l
            .and_then(|tank| Unit::Litre.convert(tank, Unit::UsGal))
            .unwrap_or(usual.tank_gal),
        ambient_c: usual.ambient_c,
    }
}

/// The simulated car as a source.
#[derive(Debug)]
pub struct Sim {
    simulation: Simulation,
    speed: Speed,
}

impl Sim {
    /// A source that gives 20 samples for each second of simulated time.
    ///
    /// # Errors
    /// As [`Simulation::new`].
    pub fn new(car: &Car, settings: Settings, speed: Speed) -> anyhow::Result<Self> {
        Ok(Self {
            simulation: Simulation::new(car, settings)?,
            speed,
        })
    }

    async fn play(mut self, feed: Feed) -> anyhow::Result<()> {
        feed.state(SourceState::Up).await?;
        let (mut due, mut linked) = (Instant::now(), true);
        let wait = self.speed.wait_s(SAMPLE_S).map(Duration::from_secs_f64);
        loop {
            if let Some(wait) = wait {
                due += wait;
                tokio::time::sleep_until(due).await;
                let now = Instant::now();
                if now.duration_since(due) > CATCH_UP {
                    due = now;
                }
            }
            let sample = self.simulation.sample();
            match sample.values {
                Some(values) => {
                    if !std::mem::replace(&mut linked, true) {
                        feed.state(SourceState::Up).await?;
                    }
                    feed.batch(Batch {
                        t_s: Some(sample.t_s),
                        values,
                    })
                    .await?;
                }
                None => {
                    if std::mem::replace(&mut linked, false) {
                        feed.fault(
                            FaultKind::Trouble,
                            1,
                            "the link to the simulated car is lost, as it was told to be",
                        )
                        .await?;
                        feed.state(SourceState::Failed).await?;
                    }
                    // At full speed nothing else gives the others a turn, or notices that the hub has gone.
                    tokio::task::yield_now().await;
                }
            }
        }
    }
}

impl Source for Sim {
    fn name(&self) -> String {
        "sim:".to_owned()
    }

    fn not_live(&self) -> Option<String> {
        Some("simulated car".to_owned())
    }

    fn controls(&self) -> Option<SimControls> {
        Some(self.simulation.controls())
    }

    fn run(self: Box<Self>, feed: Feed) -> Running {
        Box::pin(self.play(feed))
    }
}
