//! The simulated engine: true values only, stepped by a fixed time. No noise of sensors, no clock, no names of channels.
//!
//! It is for practice and for tests, and its numbers are common practice with no source, chosen so that what a crew does
//! to it has the effect that the crew expects, in direction and in the order of size: more fuel makes it slower and
//! cooler, opening the bleeds makes it faster, oil pressure falls as the oil warms, a cold engine is rough. It is no
//! model of any particular engine, and nothing measured on it says anything about a real one.

use rand::{Rng, SeedableRng, rngs::SmallRng};

/// The integration step in seconds; every simulation runs at it, whatever the wall clock does.
pub const STEP_S: f64 = 0.01;
/// Cylinders.
pub const CYLINDERS: usize = 8;

/// Moment of inertia of all that turns, in kg m2.
const INERTIA: f64 = 1.2;
/// Angular speed of the nominal idle in rad/s per rpm.
const RAD_PER_RPM: f64 = std::f64::consts::PI / 30.0;
/// Resisting torque at rest, warm, in N m; then its rise with speed, and with speed squared (the blower).
const DRAG: (f64, f64, f64) = (90.0, 0.10, 0.000_5);
/// Torque of the starter at rest in N m, and the speed in rpm at which it gives none.
const STARTER: (f64, f64) = (520.0, 420.0);
/// The engine turns fast enough to fire from here, in rpm.
const FIRES_FROM_RPM: f64 = 120.0;
/// The ignition cuts above this, in rpm.
const LIMIT_RPM: f64 = 8_000.0;
/// Share of the power that one turn of bleed adds at idle.
const AIR_PER_TURN: f64 = 0.09;
/// Bleed at which the nominal idle is reached with the nominal flow and a warm engine, in turns.
const BLEED_NOMINAL: f64 = 3.0;
/// Rise of the heads' plateau above ambient at nominal idle, in kelvin, and its time constant in seconds.
const HEAD_RISE_K: f64 = 85.0;
const HEAD_TAU_S: f64 = 110.0;
/// Share of the heads' cooling that the fuel does at nominal flow; the rest is air and oil.
const FUEL_COOLING: f64 = 0.45;
/// Cooling of a standing engine, as a share of that of a running one.
const STANDING_COOLING: f64 = 0.12;
/// Pressure of warm oil at nominal idle in psi, and where the relief valve holds it.
const OIL_PSI: f64 = 78.0;
const OIL_RELIEF_PSI: f64 = 160.0;
/// Pressure of the fuel at nominal idle in psi.
const FUEL_PSI: f64 = 46.0;
/// Exhaust temperature above ambient at nominal idle on nitro, in kelvin.
const EXHAUST_RISE_K: f64 = 430.0;

/// What the engine is built for and stands in.
#[derive(Clone, Debug, PartialEq)]
pub struct Params {
    /// Idle speed with nominal flow and bleed, warm, in rpm.
    pub idle_rpm: f64,
    /// Flow at which the mixture is right at idle, in US gal/min.
    pub idle_flow: f64,
    /// What the tank holds, in US gal.
    pub tank_gal: f64,
    /// Ambient temperature in degrees Celsius.
    pub ambient_c: f64,
}

impl Default for Params {
    fn default() -> Self {
        Self {
            idle_rpm: 2_400.0,
            idle_flow: 7.8,
            tank_gal: 17.0,
            ambient_c: 24.0,
        }
    }
}

/// Where the crew has set the controls.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Inputs {
    /// The starter turns the engine.
    pub starter: bool,
    /// The magnetos may spark.
    pub ignition: bool,
    /// Petrol is being fed by hand.
    pub petrol: bool,
    /// The fuel valve is open: nitro flows when the pump turns.
    pub nitro: bool,
    /// The flow that the lever asks for at nominal idle speed, in US gal/min.
    pub flow_lever: f64,
    /// Air bleeds, in turns open.
    pub bleed: f64,
    /// 0 shut, 1 open.
    pub throttle: f64,
    /// Air is on to the clutch.
    pub clutch_air: bool,
}

impl Inputs {
    /// Everything off and shut; the lever rich and the bleeds as they were left.
    pub fn at_rest(params: &Params) -> Self {
        Self {
            starter: false,
            ignition: false,
            petrol: false,
            nitro: false,
            flow_lever: (params.idle_flow * 1.12 * 10.0).round() / 10.0,
            bleed: 2.5,
            throttle: 0.0,
            clutch_air: false,
        }
    }
}

/// What has gone wrong in the engine itself, as a scripted fault would have it.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Broken {
    /// The oil pump gives nothing.
    pub oil_lost: bool,
    /// The heads take up more than they give off.
    pub over_temp: bool,
    /// Cylinders that do not fire, one bit each, number 1 lowest.
    pub dead_cylinders: u8,
}

/// The true state, in fixed units.
#[derive(Clone, Debug, PartialEq)]
pub struct Truth {
    /// Crankshaft speed in rpm.
    pub rpm: f64,
    /// Fuel flow to the engine in US gal/min; petrol fed by hand does not pass the meter.
    pub fuel_flow: f64,
    /// Fuel pressure in psi.
    pub fuel_psi: f64,
    /// Oil pressure in psi.
    pub oil_psi: f64,
    /// Oil temperature in degrees Celsius.
    pub oil_c: f64,
    /// Cylinder head temperature in degrees Celsius.
    pub head_c: f64,
    /// Exhaust temperatures in degrees Celsius.
    pub egt_c: [f64; CYLINDERS],
    /// Timing of each magneto in degrees before top dead centre; `None` while it does not spark.
    pub mag_deg: [Option<f64>; 2],
    /// Air in the clutch in psi.
    pub clutch_psi: f64,
    /// Battery in volts.
    pub battery_v: f64,
    /// Fuel left in US gal.
    pub fuel_gal: f64,
    /// It is firing.
    pub firing: bool,
}

/// The engine. The same seed and the same inputs at the same steps give the same engine.
#[derive(Clone, Debug)]
pub struct Engine {
    params: Params,
    truth: Truth,
    rng: SmallRng,
    /// Fuel in the ports, as a share of what the nominal idle burns: petrol, nitro.
    petrol_film: f64,
    nitro_film: f64,
    /// Slow disorder of the combustion: an Ornstein-Uhlenbeck process of unit variance.
    rough: f64,
    /// How full the oil galleries are, 0 to 1.
    galleries: f64,
    /// What makes each cylinder's exhaust its own, around 1.
    cylinder: [f64; CYLINDERS],
}

impl Engine {
    /// A cold engine with a full tank.
    pub fn new(params: Params, seed: u64) -> Self {
        let mut rng = SmallRng::seed_from_u64(seed);
        let cylinder = std::array::from_fn(|_| rng.random_range(0.96..1.04));
        let truth = Truth {
            rpm: 0.0,
            fuel_flow: 0.0,
            fuel_psi: 0.0,
            oil_psi: 0.0,
            oil_c: params.ambient_c,
            head_c: params.ambient_c,
            egt_c: [params.ambient_c; CYLINDERS],
            mag_deg: [None; 2],
            clutch_psi: 0.0,
            battery_v: 12.9,
            fuel_gal: params.tank_gal,
            firing: false,
        };
        Self {
            params,
            truth,
            rng,
            petrol_film: 0.0,
            nitro_film: 0.0,
            rough: 0.0,
            galleries: 0.0,
            cylinder,
        }
    }

    /// The state as it is.
    pub fn truth(&self) -> &Truth {
        &self.truth
    }

    /// What it is built for.
    pub fn params(&self) -> &Params {
        &self.params
    }

    /// Lets it cool to ambient and fills the tank, as between two warm-ups.
    pub fn cool_down(&mut self) {
        let ambient = self.params.ambient_c;
        self.truth.head_c = ambient;
        self.truth.oil_c = ambient;
        self.truth.egt_c = [ambient; CYLINDERS];
        self.truth.fuel_gal = self.params.tank_gal;
    }

    /// Goes on by [`STEP_S`].
    pub fn step(&mut self, inputs: &Inputs, broken: Broken) {
        let dt = STEP_S;
        // Drawn at every step, whatever happens, so that one changed input does not shift the whole sequence.
        let draw = gauss(&mut self.rng);
        self.rough += (-self.rough / 0.4) * dt + (2.0 * dt / 0.4_f64).sqrt() * draw;

        self.fuel(inputs, dt);
        let power = self.turn(inputs, broken, dt);
        self.heat(power, broken, dt);
        self.oil(broken, dt);
        self.rest(inputs, dt);
    }

    fn speed_ratio(&self) -> f64 {
        self.truth.rpm / self.params.idle_rpm
    }

    /// The pump turns with the engine: flow follows its speed, pressure nearly the square of it.
    fn fuel(&mut self, inputs: &Inputs, dt: f64) {
        let ratio = self.speed_ratio();
        let open = inputs.nitro && self.truth.fuel_gal > 0.0;
        let opening = 1.0 + 9.0 * inputs.throttle;
        let flow = if open {
            inputs.flow_lever * ratio * opening
        } else {
            0.0
        };
        toward(&mut self.truth.fuel_flow, flow, 0.15, dt);
        // A wider metering valve drops the pressure a little; the pump's bypass does most of the work.
        let width = (inputs.flow_lever / self.params.idle_flow).max(0.1);
        let psi = if open {
            FUEL_PSI * ratio.powf(1.6) * width.powf(-0.3)
        } else {
            0.0
        };
        toward(&mut self.truth.fuel_psi, psi, 0.25, dt);
        self.truth.fuel_gal = (self.truth.fuel_gal - self.truth.fuel_flow * dt / 60.0).max(0.0);
        toward(
            &mut self.petrol_film,
            if inputs.petrol { 0.95 } else { 0.0 },
            0.7,
            dt,
        );
        toward(
            &mut self.nitro_film,
            self.truth.fuel_flow / self.params.idle_flow,
            0.5,
            dt,
        );
    }

    /// Torque balance. Past a shut throttle the air flows at a rate that hardly depends on speed, so the power is nearly
    /// constant and the torque falls as the engine speeds up: that is what makes an idle hold itself.
    fn turn(&mut self, inputs: &Inputs, broken: Broken, dt: f64) -> f64 {
        let rpm = self.truth.rpm;
        let ratio = self.speed_ratio();
        let air = (1.0 + AIR_PER_TURN * (inputs.bleed - BLEED_NOMINAL)).max(0.3)
            + 9.0 * inputs.throttle * ratio.min(2.5);
        let richness = (self.petrol_film + self.nitro_film) / air;
        let warm = ((self.truth.head_c - 20.0) / 60.0).clamp(0.0, 1.0);
        let sparks = inputs.ignition && rpm > FIRES_FROM_RPM && rpm < LIMIT_RPM;
        let live = 1.0 - f64::from(broken.dead_cylinders.count_ones()) / CYLINDERS as f64;
        let burn = burn(richness);
        self.truth.firing = sparks && burn > 0.05;
        // Petrol gives less than nitro does in such an engine, and a cold engine burns badly and unevenly.
        let nitro_share = self.nitro_film / (self.nitro_film + self.petrol_film).max(1e-9);
        let kind = 0.86 + 0.14 * nitro_share;
        let rough = 1.0 + self.rough * (0.05 - 0.025 * warm) * (0.5 + richness);
        let strength = if sparks {
            burn * live * kind * (0.84 + 0.16 * warm) * rough.max(0.0)
        } else {
            0.0
        };
        let nominal =
            drag(self.params.idle_rpm * RAD_PER_RPM, 1.0) * self.params.idle_rpm * RAD_PER_RPM;
        let omega = rpm * RAD_PER_RPM;
        let power = nominal * air * strength;
        // Below a third of the idle speed the air is limited by the strokes, so torque and not power is what is constant.
        let torque = power / omega.max(self.params.idle_rpm * RAD_PER_RPM / 3.0);
        let starter = if inputs.starter {
            (STARTER.0 * (1.0 - rpm / STARTER.1)).max(0.0)
        } else {
            0.0
        };
        let resist = drag(omega, 0.8 + 0.2 * thickness(self.truth.oil_c));
        let mut next = omega + (torque + starter - resist) / INERTIA * dt;
        if next < 0.5 && torque + starter < resist {
            next = 0.0;
        }
        self.truth.rpm = next.max(0.0) / RAD_PER_RPM;
        power / nominal
    }

    /// First-order rises: the fuel that makes the heat also carries it off, so both plateau and time constant answer flow.
    fn heat(&mut self, power: f64, broken: Broken, dt: f64) {
        let ambient = self.params.ambient_c;
        let running = (self.truth.rpm / 600.0).clamp(0.0, 1.0);
        let flow = self.truth.fuel_flow / self.params.idle_flow;
        let cooling = STANDING_COOLING.max(running * (1.0 - FUEL_COOLING)) + FUEL_COOLING * flow;
        let richness = (self.petrol_film + self.nitro_film).max(0.3);
        let taken_up =
            power.min(4.0) * richness.powf(-0.7) * if broken.over_temp { 3.0 } else { 1.0 };
        let head = &mut self.truth.head_c;
        *head += (HEAD_RISE_K * taken_up - cooling * (*head - ambient)) / HEAD_TAU_S * dt;

        let oil = self.truth.oil_c;
        let stirred = 0.055 * self.truth.rpm.min(8_000.0).powi(2) / 2_400.0_f64.powi(2);
        let from_heads = (self.truth.head_c - oil) / if running > 0.0 { 380.0 } else { 1_500.0 };
        self.truth.oil_c += (stirred + from_heads - (oil - ambient) / 1_500.0) * dt;

        for (number, (egt, own)) in self.truth.egt_c.iter_mut().zip(self.cylinder).enumerate() {
            let fires = self.truth.firing && broken.dead_cylinders & (1 << number) == 0;
            if fires {
                let over = if broken.over_temp { 1.5 } else { 1.0 };
                let target = ambient
                    + EXHAUST_RISE_K
                        * own
                        * over
                        * richness.powf(-0.35)
                        * power.clamp(0.3, 3.0).powf(0.3);
                toward(egt, target, 3.0, dt);
            } else {
                toward(egt, self.truth.head_c, 14.0, dt);
            }
        }
    }

    fn oil(&mut self, broken: Broken, dt: f64) {
        let turning = self.truth.rpm > 60.0 && !broken.oil_lost;
        toward(
            &mut self.galleries,
            if turning { 1.0 } else { 0.0 },
            if turning { 0.8 } else { 1.5 },
            dt,
        );
        let raw = OIL_PSI
            * self.speed_ratio().max(0.0).powf(0.75)
            * thickness(self.truth.oil_c).powf(0.45)
            * self.galleries;
        // Above the relief valve's setting only a fifth of the rise is left.
        let psi = if raw > OIL_RELIEF_PSI {
            OIL_RELIEF_PSI + 0.2 * (raw - OIL_RELIEF_PSI)
        } else {
            raw
        };
        toward(
            &mut self.truth.oil_psi,
            if broken.oil_lost { 0.0 } else { psi },
            0.3,
            dt,
        );
    }

    fn rest(&mut self, inputs: &Inputs, dt: f64) {
        let sparks = inputs.ignition && self.truth.rpm > 100.0;
        self.truth.mag_deg = if sparks {
            [Some(50.0), Some(50.3)]
        } else {
            [None, None]
        };
        toward(
            &mut self.truth.clutch_psi,
            if inputs.clutch_air { 118.0 } else { 0.0 },
            0.9,
            dt,
        );
        let load =
            0.15 * f64::from(u8::from(inputs.ignition)) + 0.9 * f64::from(u8::from(inputs.starter));
        toward(&mut self.truth.battery_v, 12.9 - load, 0.2, dt);
    }
}

/// A first-order approach.
fn toward(value: &mut f64, target: f64, tau_s: f64, dt: f64) {
    *value += (target - *value) * (dt / tau_s).min(1.0);
}

/// Torque that resists turning, in N m, at rad/s.
fn drag(omega: f64, thickness: f64) -> f64 {
    DRAG.0 * thickness + DRAG.1 * omega + DRAG.2 * omega * omega
}

/// How much thicker the oil is than at 65 degrees Celsius.
fn thickness(oil_c: f64) -> f64 {
    (-0.028 * (oil_c - 65.0)).exp().clamp(0.2, 6.0)
}

/// How well the mixture burns, 1 when it is right: best a little lean, no fire far from it.
fn burn(richness: f64) -> f64 {
    let hill = 1.02 - 0.9 * (richness - 0.85).powi(2);
    let lean_end = ((richness - 0.25) / 0.2).clamp(0.0, 1.0);
    let rich_end = ((2.4 - richness) / 0.4).clamp(0.0, 1.0);
    hill.max(0.0) * lean_end * rich_end
}

/// A number of the standard normal distribution.
pub(super) fn gauss(rng: &mut SmallRng) -> f64 {
    rng.sample(rand_distr::StandardNormal)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn run(engine: &mut Engine, inputs: &Inputs, seconds: f64) {
        for _ in 0..(seconds / STEP_S).round() as usize {
            engine.step(inputs, Broken::default());
        }
    }

    /// Started on petrol, brought over to nitro, and left at a setting for a while.
    fn idling(flow: f64, bleed: f64, seconds: f64) -> (Engine, Inputs) {
        let params = Params {
            tank_gal: 1e6,
            ..Params::default()
        };
        let mut inputs = Inputs {
            flow_lever: flow,
            bleed,
            ignition: true,
            petrol: true,
            starter: true,
            ..Inputs::at_rest(&params)
        };
        let mut engine = Engine::new(params, 7);
        run(&mut engine, &inputs, 2.0);
        inputs.starter = false;
        run(&mut engine, &inputs, 4.0);
        inputs.nitro = true;
        run(&mut engine, &inputs, 2.0);
        inputs.petrol = false;
        run(&mut engine, &inputs, seconds);
        (engine, inputs)
    }

    /// Mean speed over ten seconds.
    fn mean_rpm(engine: &mut Engine, inputs: &Inputs) -> f64 {
        let sum: f64 = (0..1000)
            .map(|_| {
                engine.step(inputs, Broken::default());
                engine.truth().rpm
            })
            .sum();
        sum / 1000.0
    }

    #[test]
    fn a_starter_alone_spins_it_and_never_fires_it() {
        let params = Params::default();
        let inputs = Inputs {
            starter: true,
            ..Inputs::at_rest(&params)
        };
        let mut engine = Engine::new(params, 1);
        run(&mut engine, &inputs, 5.0);
        let truth = engine.truth();
        assert!((200.0..400.0).contains(&truth.rpm), "{}", truth.rpm);
        assert!(!truth.firing && truth.fuel_flow == 0.0 && truth.mag_deg == [None, None]);
        assert!(
            truth.oil_psi > 10.0,
            "cranking shows oil pressure: {}",
            truth.oil_psi
        );
    }

    #[test]
    fn it_starts_on_petrol_and_idles_on_nitro() {
        let (mut engine, inputs) = idling(7.8, 3.0, 150.0);
        let rpm = mean_rpm(&mut engine, &inputs);
        assert!((2_200.0..2_600.0).contains(&rpm), "{rpm}");
        let truth = engine.truth();
        assert!(truth.firing);
        assert!(
            (truth.fuel_flow / truth.rpm * 2_400.0 - 7.8).abs() < 0.2,
            "{}",
            truth.fuel_flow
        );
        assert!((35.0..60.0).contains(&truth.fuel_psi), "{}", truth.fuel_psi);
        assert!(
            truth.egt_c.iter().all(|egt| (250.0..650.0).contains(egt)),
            "{:?}",
            truth.egt_c
        );
    }

    #[test]
    fn more_flow_gives_a_cooler_plateau_and_a_slower_idle() {
        let (mut lean, lean_inputs) = idling(7.0, 3.0, 900.0);
        let (mut rich, rich_inputs) = idling(9.0, 3.0, 900.0);
        assert!(
            lean.truth().head_c > rich.truth().head_c + 10.0,
            "{} {}",
            lean.truth().head_c,
            rich.truth().head_c
        );
        let (fast, slow) = (
            mean_rpm(&mut lean, &lean_inputs),
            mean_rpm(&mut rich, &rich_inputs),
        );
        assert!(fast > slow + 50.0, "{fast} {slow}");
    }

    #[test]
    fn more_bleed_idles_faster() {
        let (mut shut, shut_inputs) = idling(7.8, 2.0, 200.0);
        let (mut open, open_inputs) = idling(7.8, 4.0, 200.0);
        let (slow, fast) = (
            mean_rpm(&mut shut, &shut_inputs),
            mean_rpm(&mut open, &open_inputs),
        );
        assert!(fast > slow + 60.0, "{slow} {fast}");
    }

    #[test]
    fn heads_rise_as_a_first_order_does() {
        // Rises over equal times shrink by equal ratios, once the engine runs evenly.
        let at = |seconds: f64| idling(7.8, 3.0, seconds).0.truth().head_c;
        let temps = [at(60.0), at(140.0), at(220.0), at(300.0)];
        let (first, second) = (
            (temps[2] - temps[1]) / (temps[1] - temps[0]),
            (temps[3] - temps[2]) / (temps[2] - temps[1]),
        );
        assert!(
            (first - second).abs() < 0.1 && (0.3..0.6).contains(&first),
            "{first} {second} {temps:?}"
        );
    }

    #[test]
    fn oil_pressure_falls_as_the_oil_warms() {
        let (cold, _) = idling(7.8, 3.0, 10.0);
        let (warm, _) = idling(7.8, 3.0, 400.0);
        assert!(warm.truth().oil_c > cold.truth().oil_c + 15.0);
        // Compared at the same speed, since a warm engine idles faster.
        let at_speed = |engine: &Engine| engine.truth().oil_psi / engine.truth().rpm.powf(0.75);
        assert!(at_speed(&warm) < 0.9 * at_speed(&cold));
    }

    #[test]
    fn it_stops_within_seconds_when_the_ignition_goes_off() {
        let (mut engine, mut inputs) = idling(7.8, 3.0, 60.0);
        inputs.ignition = false;
        run(&mut engine, &inputs, 6.0);
        assert_eq!(engine.truth().rpm, 0.0);
        run(&mut engine, &inputs, 4.0);
        assert!(engine.truth().oil_psi < 1.0 && engine.truth().fuel_flow < 0.01);
    }

    #[test]
    fn it_stops_when_the_fuel_is_shut_and_when_the_tank_is_dry() {
        let (mut engine, mut inputs) = idling(7.8, 3.0, 30.0);
        inputs.nitro = false;
        run(&mut engine, &inputs, 10.0);
        assert_eq!(engine.truth().rpm, 0.0);

        let (mut engine, inputs) = idling(7.8, 3.0, 30.0);
        engine.truth.fuel_gal = 0.2;
        run(&mut engine, &inputs, 12.0);
        assert_eq!((engine.truth().rpm, engine.truth().fuel_gal), (0.0, 0.0));
    }

    #[test]
    fn a_dead_cylinder_goes_cold_and_costs_speed() {
        let (mut engine, inputs) = idling(7.8, 3.0, 60.0);
        let before = mean_rpm(&mut engine, &inputs);
        let broken = Broken {
            dead_cylinders: 0b100,
            ..Broken::default()
        };
        for _ in 0..4_000 {
            engine.step(&inputs, broken);
        }
        let truth = engine.truth();
        assert!(truth.egt_c[2] < truth.egt_c[1] - 150.0, "{:?}", truth.egt_c);
        assert!(truth.rpm < before - 50.0, "{} {before}", truth.rpm);
    }

    #[test]
    fn the_same_seed_gives_the_same_engine_and_another_seed_another() {
        let trace = |seed: u64| {
            let params = Params::default();
            let inputs = Inputs {
                starter: true,
                ignition: true,
                petrol: true,
                ..Inputs::at_rest(&params)
            };
            let mut engine = Engine::new(params, seed);
            run(&mut engine, &inputs, 20.0);
            engine.truth().clone()
        };
        assert_eq!(trace(3), trace(3));
        assert_ne!(trace(3), trace(4));
    }
}
