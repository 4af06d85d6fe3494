//! The simulated sensors: true values to readings of the car's channels, with noise, spikes, drop-outs and scripted faults.

use super::engine::{CYLINDERS, Truth, gauss};
use super::fault::{ScriptedFault, What};
use crate::sources::spec::nearest;
use anyhow::bail;
use rand::{Rng, SeedableRng, rngs::SmallRng};
use spinover_protocol::{car::Car, units::Unit};

/// A sensor drops out about this often, in seconds, and spikes about this often.
const DROPOUT_EVERY_S: f64 = 1_200.0;
const SPIKE_EVERY_S: f64 = 1_800.0;

/// What a sensor looks at.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Quantity {
    Rpm,
    FuelFlow,
    FuelPressure,
    OilPressure,
    OilTemp,
    HeadTemp,
    Mag(usize),
    Exhaust(usize),
    ClutchAir,
    Battery,
    FuelLeft,
}

impl Quantity {
    fn from_key(key: &str) -> Option<Self> {
        Some(match key {
            "engine_rpm" => Self::Rpm,
            "fuel_flow" => Self::FuelFlow,
            "fuel_pressure" => Self::FuelPressure,
            "oil_pressure" => Self::OilPressure,
            "oil_temp" => Self::OilTemp,
            "head_temp" => Self::HeadTemp,
            "mag_1_timing" => Self::Mag(0),
            "mag_2_timing" => Self::Mag(1),
            "clutch_air" => Self::ClutchAir,
            "battery" => Self::Battery,
            "fuel_left" => Self::FuelLeft,
            _ => {
                let number: usize = key.strip_prefix("egt_")?.parse().ok()?;
                Self::Exhaust(number.checked_sub(1).filter(|number| *number < CYLINDERS)?)
            }
        })
    }

    /// The unit of [`Quantity::of`], and the standard deviation of its sensor's noise in that unit.
    fn unit_and_noise(self) -> (Unit, f64) {
        match self {
            Self::Rpm => (Unit::Rpm, 6.0),
            Self::FuelFlow => (Unit::UsGalPerMin, 0.03),
            Self::FuelPressure => (Unit::Psi, 0.4),
            Self::OilPressure => (Unit::Psi, 0.6),
            Self::OilTemp => (Unit::DegC, 0.15),
            Self::HeadTemp => (Unit::DegC, 0.3),
            Self::Mag(_) => (Unit::DegAngle, 0.12),
            Self::Exhaust(_) => (Unit::DegC, 1.5),
            Self::ClutchAir => (Unit::Psi, 0.3),
            Self::Battery => (Unit::Volt, 0.015),
            Self::FuelLeft => (Unit::UsGal, 0.01),
        }
    }

    /// Its true value; `None` where there is nothing to measure.
    fn of(self, truth: &Truth) -> Option<f64> {
        Some(match self {
            Self::Rpm => truth.rpm,
            Self::FuelFlow => truth.fuel_flow,
            Self::FuelPressure => truth.fuel_psi,
            Self::OilPressure => truth.oil_psi,
            Self::OilTemp => truth.oil_c,
            Self::HeadTemp => truth.head_c,
            Self::Mag(number) => return truth.mag_deg[number],
            Self::Exhaust(number) => truth.egt_c[number],
            Self::ClutchAir => truth.clutch_psi,
            Self::Battery => truth.battery_v,
            Self::FuelLeft => truth.fuel_gal,
        })
    }

    /// It counts pulses: standing still is exactly zero.
    fn counts(self) -> bool {
        matches!(self, Self::Rpm | Self::FuelFlow)
    }
}

/// The sensors of one car.
#[derive(Clone, Debug)]
pub(super) struct Sensors {
    sensors: Vec<Sensor>,
    noise: bool,
}

#[derive(Clone, Debug)]
struct Sensor {
    channel: usize,
    key: String,
    quantity: Quantity,
    from: Unit,
    to: Unit,
    noise: f64,
    /// Span of what is plausible, in the channel's unit; spikes are a part of it.
    span: f64,
    /// Readings are rounded to this many decimals.
    decimals: i32,
    rng: SmallRng,
    /// Samples still to be left out.
    out: u32,
    last: Option<f64>,
}

impl Sensors {
    /// A sensor for each channel of the car that the simulation knows.
    ///
    /// # Errors
    /// When the car has none, when one is in a unit of another kind, or a fault is for a channel that has no sensor.
    pub(super) fn new(
        car: &Car,
        seed: u64,
        noise: bool,
        faults: &[ScriptedFault],
    ) -> anyhow::Result<Self> {
        let mut sensors = Vec::new();
        for (channel, known) in car.channels.iter().enumerate() {
            let Some(quantity) = Quantity::from_key(known.key.as_str()) else {
                continue;
            };
            let (from, deviation) = quantity.unit_and_noise();
            if from.convert(0.0, known.unit).is_none() {
                bail!(
                    "sim: gives {} in units such as {from}; the car file has it in {}",
                    known.key,
                    known.unit
                );
            }
            sensors.push(Sensor {
                channel,
                key: known.key.0.clone(),
                quantity,
                from,
                to: known.unit,
                noise: deviation,
                span: known.plausible.high - known.plausible.low,
                decimals: i32::from(known.decimals.min(9)) + 2,
                // Each its own, so that a channel more or less does not change the others.
                rng: SmallRng::seed_from_u64(
                    seed ^ (0x9E37_79B9_7F4A_7C15_u64.wrapping_mul(channel as u64 + 1)),
                ),
                out: 0,
                last: None,
            });
        }
        if sensors.is_empty() {
            bail!(
                "sim: knows none of the car's channels; it gives engine_rpm, fuel_flow, fuel_pressure, oil_pressure, oil_temp, head_temp, mag_1_timing, mag_2_timing, egt_1 to egt_8, clutch_air, battery, fuel_left"
            );
        }
        for fault in faults {
            if let What::Stuck(key) | What::Dropout(key) | What::Spike(key) = &fault.what
                && !sensors.iter().any(|sensor| sensor.key == *key)
            {
                let near = nearest(key, sensors.iter().map(|sensor| sensor.key.as_str()));
                bail!(
                    "sim: has no sensor {key:?} to fail{}",
                    near.map(|near| format!("; did you mean {near}?"))
                        .unwrap_or_default()
                );
            }
        }
        Ok(Self { sensors, noise })
    }

    /// One sample of every sensor, in the channels' units. `every_s` is the time between samples.
    pub(super) fn read(
        &mut self,
        truth: &Truth,
        t_s: f64,
        every_s: f64,
        faults: &[ScriptedFault],
    ) -> Vec<(usize, f64)> {
        let noise = self.noise;
        self.sensors
            .iter_mut()
            .filter_map(|sensor| {
                Some((
                    sensor.channel,
                    sensor.read(truth, t_s, every_s, noise, faults)?,
                ))
            })
            .collect()
    }
}

impl Sensor {
    fn read(
        &mut self,
        truth: &Truth,
        t_s: f64,
        every_s: f64,
        noisy: bool,
        faults: &[ScriptedFault],
    ) -> Option<f64> {
        // Always the same number of draws a sample, so that one fault does not shift all that follows.
        let (scatter, drop, spike, size) = (
            gauss(&mut self.rng),
            self.rng.random::<f64>(),
            self.rng.random::<f64>(),
            self.rng.random_range(-1.0..1.0_f64),
        );
        let own = |what: &What| match what {
            What::Stuck(key) | What::Dropout(key) | What::Spike(key) => *key == self.key,
            _ => false,
        };
        let (mut stuck, mut out, mut spikes) = (false, false, false);
        for fault in faults.iter().filter(|fault| own(&fault.what)) {
            match fault.what {
                What::Stuck(_) => stuck |= fault.on(t_s),
                What::Dropout(_) => out |= fault.on(t_s),
                _ => spikes |= t_s >= fault.from_s && t_s < fault.from_s + every_s * 0.999,
            }
        }
        if noisy && self.out == 0 && drop < every_s / DROPOUT_EVERY_S {
            self.out = ((0.2 + 0.6 * size.abs()) / every_s) as u32;
        }
        if self.out > 0 {
            self.out -= 1;
            out = true;
        }
        let mut value = self.from.convert(self.quantity.of(truth)?, self.to)?;
        if noisy && !(self.quantity.counts() && value.abs() < 1e-6) {
            value += self.from.convert_span(self.noise, self.to)? * scatter;
            if spike < every_s / SPIKE_EVERY_S {
                value += self.span * (0.4 * size + 0.3 * size.signum());
            }
            if self.quantity.counts() {
                value = value.max(0.0);
            }
        }
        if spikes {
            value += 0.6 * self.span;
        }
        let scale = 10_f64.powi(self.decimals);
        value = (value * scale).round() / scale;
        if stuck {
            value = self.last.unwrap_or(value);
        }
        self.last = Some(value);
        (!out).then_some(value)
    }
}
