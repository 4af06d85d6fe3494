//! The simulated car as the hub meets it: repeatable, sane, and faulty when told to be.

use spinover::core::feed::Report;
use spinover::sources::sim::{
    SAMPLE_S, Sample, Settings, SimControls, Simulation, fault::parse_list,
};
use spinover::sources::{Feed, Setup, open};
use spinover_protocol::car::{Band, Car, Channel};
use spinover_protocol::units::Unit;
use tokio::sync::mpsc;

const KEYS: [(&str, Unit, f64, f64); 19] = [
    ("engine_rpm", Unit::Rpm, 0.0, 12_000.0),
    ("fuel_flow", Unit::UsGalPerMin, -1.0, 150.0),
    ("fuel_pressure", Unit::Psi, -5.0, 600.0),
    ("oil_pressure", Unit::Psi, -5.0, 300.0),
    ("oil_temp", Unit::DegF, -40.0, 400.0),
    ("head_temp", Unit::DegF, -40.0, 600.0),
    ("mag_1_timing", Unit::DegAngle, -10.0, 90.0),
    ("mag_2_timing", Unit::DegAngle, -10.0, 90.0),
    ("egt_1", Unit::DegF, -40.0, 2_200.0),
    ("egt_2", Unit::DegF, -40.0, 2_200.0),
    ("egt_3", Unit::DegF, -40.0, 2_200.0),
    ("egt_4", Unit::DegF, -40.0, 2_200.0),
    ("egt_5", Unit::DegF, -40.0, 2_200.0),
    ("egt_6", Unit::DegF, -40.0, 2_200.0),
    ("egt_7", Unit::DegF, -40.0, 2_200.0),
    ("egt_8", Unit::DegF, -40.0, 2_200.0),
    ("clutch_air", Unit::Psi, -5.0, 300.0),
    ("battery", Unit::Volt, 0.0, 20.0),
    ("fuel_left", Unit::UsGal, -1.0, 45.0),
];

fn car() -> Car {
    let channels = KEYS.map(|(key, unit, low, high)| Channel {
        key: key.into(),
        label: key.to_owned(),
        unit,
        decimals: 1,
        plausible: Band { low, high },
        max_rate: None,
        old_after_ms: 1_000,
        band: None,
    });
    Car {
        team: "Larkspur Racing".to_owned(),
        name: "Kestrel".to_owned(),
        channels: channels.to_vec(),
        roles: vec![],
        calls: vec![],
        // 40 US gal.
        tank_l: Some(151.4),
        reserve_l: None,
        fuel: None,
    }
}

fn settings(seed: u64) -> Settings {
    Settings {
        seed,
        auto: false,
        noise: true,
        faults: vec![],
    }
}

fn place(key: &str) -> usize {
    KEYS.iter().position(|(known, ..)| *known == key).unwrap()
}

fn value(sample: &Sample, key: &str) -> Option<f64> {
    let place = place(key);
    sample
        .values
        .as_ref()?
        .iter()
        .find(|(channel, _)| *channel == place)
        .map(|(_, value)| *value)
}

/// A crew at a simulation: marks steps, and waits for readings.
struct Pit {
    simulation: Simulation,
    controls: SimControls,
    latest: Sample,
}

impl Pit {
    fn new(settings: Settings) -> Self {
        let mut simulation = Simulation::new(&car(), settings).unwrap();
        let controls = simulation.controls();
        let latest = simulation.sample();
        Self {
            simulation,
            controls,
            latest,
        }
    }

    fn mark(&self, step: &str) {
        self.controls.step_marked(step);
    }

    fn run(&mut self, seconds: f64) {
        for _ in 0..(seconds / SAMPLE_S).round() as usize {
            self.latest = self.simulation.sample();
        }
    }

    /// Waits until the reading has been within these for so long, at most so many seconds.
    fn wait(&mut self, key: &str, low: f64, high: f64, for_s: f64, at_most_s: f64) {
        let (mut held, began) = (0.0, self.latest.t_s);
        while held < for_s {
            self.latest = self.simulation.sample();
            match value(&self.latest, key) {
                Some(value) if (low..=high).contains(&value) => held += SAMPLE_S,
                // A drop-out or a spike is as it is in life: the wait begins again.
                _ => held = 0.0,
            }
            assert!(
                self.latest.t_s - began < at_most_s,
                "{key} not in {low}..{high} within {at_most_s} s: {:?}",
                value(&self.latest, key)
            );
        }
    }

    /// As the pit warm-up sheet goes, each mark as soon as its gate would let it.
    fn warm_up_to(&mut self, last: &str) {
        let any = f64::INFINITY;
        for step in [
            "area_clear",
            "fire_bottle",
            "suits_on",
            "fuel_off_ignition_off",
            "spin_over",
            "cylinders_clear",
            "brake_clutch",
            "ignition_on",
            "recorder_on",
            "clutch_air_on",
            "clutch_charge",
            "start_petrol",
            "oil_pressure_up",
            "nitro_on",
            "clean_on_nitro",
            "flow_trimmed",
            "idle_set",
            "temps_there",
            "leaks_checked",
            "ignition_off",
            "fuel_shut",
            "engine_stopped",
            "made_safe",
        ] {
            match step {
                "fuel_off_ignition_off" | "engine_stopped" => {
                    self.wait("engine_rpm", -any, 50.0, 2.0, 20.0)
                }
                "spin_over" => self.wait("engine_rpm", 180.0, any, 2.0, 20.0),
                "cylinders_clear" => self.wait("fuel_flow", -any, 0.3, 0.1, 5.0),
                "clutch_air_on" => self.wait("clutch_air", 100.0, 130.0, 0.1, 20.0),
                "clutch_charge" => self.wait("clutch_air", 100.0, 130.0, 3.0, 20.0),
                "start_petrol" => self.wait("engine_rpm", 1_200.0, any, 1.0, 30.0),
                "oil_pressure_up" => self.wait("oil_pressure", 60.0, any, 1.0, 8.0),
                "nitro_on" => self.wait("fuel_flow", 3.0, any, 0.1, 15.0),
                "clean_on_nitro" => self.wait("engine_rpm", 1_800.0, any, 3.0, 20.0),
                "flow_trimmed" => self.wait("fuel_flow", 7.3, 8.3, 5.0, 60.0),
                "idle_set" => self.wait("engine_rpm", 2_200.0, 2_600.0, 5.0, 90.0),
                "temps_there" => {
                    self.wait("head_temp", 170.0, any, 3.0, 420.0);
                    self.wait("oil_temp", 90.0, any, 3.0, 60.0);
                }
                "fuel_shut" => self.wait("fuel_flow", -any, 0.3, 1.0, 15.0),
                _ => self.run(1.0),
            }
            self.mark(step);
            if step == last {
                return;
            }
        }
        panic!("no step {last}");
    }
}

#[test]
fn nothing_moves_until_something_is_marked() {
    let mut pit = Pit::new(settings(1));
    pit.run(60.0);
    assert_eq!(value(&pit.latest, "engine_rpm"), Some(0.0));
    assert_eq!(value(&pit.latest, "fuel_flow"), Some(0.0));
    assert_eq!(
        value(&pit.latest, "mag_1_timing"),
        None,
        "no spark, no timing"
    );
    assert!((60.0..90.0).contains(&value(&pit.latest, "head_temp").unwrap()));
}

#[test]
fn a_crew_that_marks_the_sheet_gets_through_a_whole_warm_up_twice() {
    for seed in 0..5 {
        let mut pit = Pit::new(settings(seed));
        pit.warm_up_to("temps_there");
        let warm = pit.latest.t_s;
        assert!(
            (100.0..330.0).contains(&warm),
            "seed {seed}: warm after {warm} s"
        );
        assert!(value(&pit.latest, "mag_1_timing").is_none_or(|deg| (48.0..52.0).contains(&deg)));
        let mut again = pit;
        again.mark("leaks_checked");
        again.mark("ignition_off");
        again.run(8.0);
        assert_eq!(
            value(&again.latest, "engine_rpm"),
            Some(0.0),
            "stopped within seconds"
        );
        again.mark("fuel_shut");
        again.mark("engine_stopped");
        again.mark("made_safe");
        again.run(5.0);
        again.warm_up_to("made_safe");
    }
}

#[test]
fn a_chief_who_takes_his_time_still_gets_his_spin_over() {
    let mut pit = Pit::new(settings(2));
    pit.mark("fuel_off_ignition_off");
    pit.run(90.0);
    pit.wait("engine_rpm", 180.0, 420.0, 2.0, 30.0);
    pit.mark("cylinders_clear");
    pit.run(5.0);
    assert_eq!(value(&pit.latest, "engine_rpm"), Some(0.0));
}

#[test]
fn a_stop_shuts_it_down_at_once_and_nothing_lights_it_again() {
    let mut pit = Pit::new(settings(3));
    pit.warm_up_to("oil_pressure_up");
    pit.controls.shut_down();
    pit.run(10.0);
    assert_eq!(value(&pit.latest, "engine_rpm"), Some(0.0));
    pit.run(30.0);
    assert_eq!(value(&pit.latest, "engine_rpm"), Some(0.0));
    assert_eq!(value(&pit.latest, "fuel_flow"), Some(0.0));
}

#[test]
fn what_a_person_holds_the_crew_leaves_alone() {
    let mut pit = Pit::new(settings(4));
    pit.warm_up_to("nitro_on");
    pit.controls.set("flow_lever", 9.6).unwrap();
    pit.run(5.0);
    pit.mark("clean_on_nitro");
    pit.run(30.0);
    let (flow, rpm) = (
        value(&pit.latest, "fuel_flow").unwrap(),
        value(&pit.latest, "engine_rpm").unwrap(),
    );
    assert!((flow / rpm * 2_400.0 - 9.6).abs() < 0.5, "{flow} at {rpm}");
}

#[test]
fn the_same_seed_gives_the_same_trace_and_another_seed_another() {
    let trace = |seed: u64| {
        let mut simulation = Simulation::new(
            &car(),
            Settings {
                auto: true,
                ..settings(seed)
            },
        )
        .unwrap();
        (0..3_000).map(|_| simulation.sample()).collect::<Vec<_>>()
    };
    assert_eq!(trace(11), trace(11));
    assert_ne!(trace(11), trace(12));
}

#[test]
fn by_itself_it_warms_up_and_shuts_down_again_and_again() {
    let mut simulation = Simulation::new(
        &car(),
        Settings {
            auto: true,
            ..settings(5)
        },
    )
    .unwrap();
    for turn in 0..2 {
        let (mut fastest, mut hottest) = (0.0_f64, 0.0_f64);
        let mut rpm = f64::NAN;
        while simulation.sample().t_s < 220.0 * f64::from(turn + 1) - 1.0 {
            let truth = simulation.engine().truth();
            rpm = truth.rpm;
            fastest = fastest.max(truth.rpm);
            hottest = hottest.max(truth.head_c);
        }
        assert!((2_200.0..3_000.0).contains(&fastest), "{fastest}");
        // 170 degF.
        assert!(hottest > 76.7, "{hottest}");
        assert_eq!(rpm, 0.0);
    }
}

#[test]
fn noise_is_small_and_can_be_left_out() {
    let mut quiet = Simulation::new(
        &car(),
        Settings {
            noise: false,
            ..settings(6)
        },
    )
    .unwrap();
    let mut noisy = Simulation::new(&car(), settings(6)).unwrap();
    let read = |simulation: &mut Simulation| {
        (0..2_000)
            .filter_map(|_| value(&simulation.sample(), "head_temp"))
            .collect::<Vec<_>>()
    };
    let (quiet, noisy) = (read(&mut quiet), read(&mut noisy));
    assert!(quiet.iter().all(|temp| (temp - quiet[0]).abs() < 1e-9));
    let mean = noisy.iter().sum::<f64>() / noisy.len() as f64;
    let spread =
        (noisy.iter().map(|temp| (temp - mean).powi(2)).sum::<f64>() / noisy.len() as f64).sqrt();
    // 0.3 kelvin is 0.54 degF; a spike or two may widen it.
    assert!(
        spread > 0.3 && (mean - quiet[0]).abs() < 0.5,
        "{mean} {spread} {}",
        quiet[0]
    );
}

fn faulty(list: &str) -> Pit {
    Pit::new(Settings {
        faults: parse_list(list).unwrap(),
        noise: false,
        ..settings(7)
    })
}

#[test]
fn scripted_faults_come_when_they_should() {
    let mut pit = faulty("oil_lost@120");
    pit.warm_up_to("clean_on_nitro");
    pit.wait("oil_pressure", 60.0, 300.0, 1.0, 10.0);
    let to_go = 120.0 - pit.latest.t_s;
    pit.run(to_go + 3.0);
    assert!(value(&pit.latest, "oil_pressure").unwrap() < 5.0);
    assert!(
        value(&pit.latest, "engine_rpm").unwrap() > 1_000.0,
        "it still runs, which is what makes it dangerous"
    );

    let mut pit = faulty("over_temp@100");
    pit.warm_up_to("clean_on_nitro");
    pit.wait("head_temp", 300.0, 2_000.0, 1.0, 200.0);

    let mut pit = faulty("stuck:battery@10+10,dropout:clutch_air@10+10,spike:oil_temp@15");
    pit.run(14.9);
    let before = value(&pit.latest, "oil_temp").unwrap();
    assert_eq!(value(&pit.latest, "clutch_air"), None);
    let spikes: Vec<f64> = (0..10)
        .filter_map(|_| {
            pit.run(SAMPLE_S);
            value(&pit.latest, "oil_temp")
        })
        .filter(|temp| (temp - before).abs() > 100.0)
        .collect();
    assert_eq!(spikes.len(), 1, "{spikes:?}");
    pit.run(10.0);
    assert!(value(&pit.latest, "clutch_air").is_some());

    let mut pit = faulty("link_lost@1+2");
    pit.run(1.5);
    assert_eq!(pit.latest.values, None);
    pit.run(2.0);
    assert!(pit.latest.values.is_some());
}

#[test]
fn a_stuck_sensor_says_the_same_to_the_last_digit() {
    let mut pit = Pit::new(Settings {
        faults: parse_list("stuck:battery@10+10").unwrap(),
        ..settings(8)
    });
    let mut distinct = |seconds: f64| {
        let mut seen = std::collections::BTreeSet::new();
        for _ in 0..(seconds / SAMPLE_S) as usize {
            pit.run(SAMPLE_S);
            seen.extend(value(&pit.latest, "battery").map(f64::to_bits));
        }
        seen.len()
    };
    assert!(distinct(9.0) > 10);
    distinct(1.5);
    assert_eq!(distinct(8.0), 1);
    distinct(1.5);
    assert!(distinct(9.0) > 10);
}

#[test]
fn units_are_the_cars_own() {
    let mut metric = car();
    for (key, unit) in [
        ("head_temp", Unit::DegC),
        ("fuel_flow", Unit::LitrePerMin),
        ("oil_pressure", Unit::Bar),
    ] {
        metric.channels[place(key)].unit = unit;
    }
    let quiet = Settings {
        noise: false,
        ..settings(9)
    };
    let mut simulation = Simulation::new(&metric, quiet.clone()).unwrap();
    assert!((23.0..25.0).contains(&value(&simulation.sample(), "head_temp").unwrap()));
    metric.channels[place("head_temp")].unit = Unit::Psi;
    let said = format!("{:#}", Simulation::new(&metric, quiet).unwrap_err());
    assert!(said.contains("head_temp") && said.contains("psi"), "{said}");
}

#[tokio::test(start_paused = true)]
async fn the_source_keeps_time_and_hands_out_its_controls() {
    let setup = Setup {
        car: car(),
        replay: None,
        names: Default::default(),
        seed: 1,
    };
    for (spec, seconds) in [("sim:", 2.0), ("sim:?speed=4", 0.5)] {
        let source = open(spec, &setup).unwrap();
        assert_eq!(source.not_live().as_deref(), Some("simulated car"));
        assert_eq!(source.controls().unwrap().list().len(), 8);
        let (to, mut from) = mpsc::channel(8);
        let running = tokio::spawn(source.run(Feed::new(0, to)));
        let began = tokio::time::Instant::now();
        let mut batches = 0;
        while batches < 40 {
            if let (_, Report::Batch(batch)) = from.recv().await.unwrap() {
                batches += 1;
                assert!((batch.t_s.unwrap() - f64::from(batches) * SAMPLE_S).abs() < 1e-9);
            }
        }
        let took = began.elapsed().as_secs_f64();
        assert!((took - seconds).abs() < 0.05, "{spec}: {took}");
        drop(from);
        assert!(running.await.unwrap().is_err());
    }
    assert!(
        format!(
            "{:#}",
            open("sim:?faults=stuck:oil_tmep@3", &setup).err().unwrap()
        )
        .contains("did you mean oil_temp?")
    );
}
