//! What the book teaches the figures, out of a real book: made-up warm-ups of a known engine, whose rule must come out again.

mod book_kit;

use book_kit::{answer, who};
use spinover::{
    book::{Book, Reading},
    core::lessons::Lessons,
    figures::{
        CantSay,
        air::air_of_readings,
        flow::{Today, by_book},
        quantity::Celsius,
    },
    serve::history,
};
use spinover_protocol::{
    car::{Car, Channel},
    event::{Event, EventBody},
    sheet::{Phase, Sheet, Step},
    today::{Conditions, TimeSlip},
    units::Unit,
};
use std::collections::BTreeMap;

/// This engine wants 1.1 % of flow for 1 % of density about this flow and density, and runs 4 K hotter for 1 % too little.
const FLOW: f64 = 30.0;
const DENSITY: f64 = 1.15;
const PER_DENSITY: f64 = 1.1;
const HOTTER_K: f64 = 4.0;

fn wanted(density: f64) -> f64 {
    FLOW * (1.0 + PER_DENSITY * (density / DENSITY - 1.0))
}

fn channel(key: &str, unit: Unit, plausible: (f64, f64), band: (f64, f64)) -> Channel {
    Channel {
        decimals: 1,
        old_after_ms: 1000,
        band: Some(band.into()),
        ..Channel::new(key, unit, plausible)
    }
}

fn car(weather_station: bool) -> Car {
    let mut channels = vec![
        channel("engine_rpm", Unit::Rpm, (0.0, 12_000.0), (2200.0, 2600.0)),
        channel("fuel_flow", Unit::UsGalPerMin, (-1.0, 150.0), (7.0, 9.0)),
        // As hot as it should be, to a kelvin: 426 to 427 degC.
        channel("egt_1", Unit::DegF, (-60.0, 2500.0), (798.8, 800.6)),
    ];
    if weather_station {
        channels.push(channel(
            "air_temp",
            Unit::DegF,
            (-60.0, 140.0),
            (0.0, 120.0),
        ));
        channels.push(channel(
            "air_pressure",
            Unit::InHg,
            (20.0, 33.0),
            (25.0, 31.0),
        ));
        channels.push(channel(
            "air_humidity",
            Unit::Percent,
            (0.0, 100.0),
            (0.0, 100.0),
        ));
    }
    Car {
        team: "Larkspur Racing".to_owned(),
        name: "Kestrel".to_owned(),
        channels,
        ..Car::default()
    }
}

fn sheet() -> Sheet {
    let step = |key: &str| Step {
        key: key.into(),
        text: key.to_owned(),
        owner: "chief".into(),
        ordered: true,
        ..Step::default()
    };
    let phase = |key: &str, steps: &[&str]| Phase {
        key: key.into(),
        name: key.to_owned(),
        shut_down: key == "shut_down",
        firing: key != "shut_down",
        steps: steps.iter().map(|key| step(key)).collect(),
        ..Phase::default()
    };
    Sheet {
        key: "pit".to_owned(),
        name: "Pit".to_owned(),
        phases: vec![
            phase("petrol", &["start"]),
            phase("nitro", &["nitro_on", "warm"]),
            phase("shut_down", &["off"]),
        ],
    }
}

/// One day: the weather, and how far off the flow was, in percent.
#[derive(Clone, Copy)]
struct Day {
    air: (f64, f64, f64),
    off_pct: f64,
    typed: bool,
    aborted: bool,
}

impl Day {
    fn density(&self) -> f64 {
        let (temp_c, hpa, rh) = self.air;
        air_of_readings(temp_c, hpa, rh).unwrap().density_kg_m3.0
    }
}

/// Days over a season, each flow off by a little, some by much.
fn season(days: usize) -> Vec<Day> {
    let day = |n: usize| {
        let part = n as f64;
        Day {
            air: (
                14.0 + (part * 7.3) % 21.0,
                968.0 + (part * 11.9) % 47.0,
                30.0 + (part * 17.0) % 50.0,
            ),
            off_pct: [0.4, -0.7, 0.1, 0.9, -0.3, -1.1, 0.6][n % 7],
            typed: true,
            aborted: false,
        }
    };
    (0..days).map(day).collect()
}

/// Writes the days down as warm-ups of a minute on nitro each; a jumble of readings before and after.
fn write(book: &Book, days: &[Day], station: bool) {
    let mut seq = 0;
    for (n, day) in days.iter().enumerate() {
        let begun = 1_780_000_000_000 + n as i64 * 86_400_000;
        let mut events = Vec::new();
        let mut say = |at_s: i64, body: EventBody| {
            seq += 1;
            events.push(Event {
                seq,
                at: begun + at_s * 1000,
                by: Some(who("Ada")),
                command: None,
                body,
            });
        };
        let id = format!("w{n:02}");
        let mark = |step: &str| EventBody::StepMarked {
            step: step.into(),
            readings: BTreeMap::new(),
        };
        say(
            0,
            EventBody::WarmupBegun {
                id: id.clone(),
                sheet: Box::new(sheet()),
                car: Box::new(car(station)),
                today: Box::default(),
            },
        );
        let (temp_c, pressure_hpa, rh_pct) = day.air;
        if day.typed {
            say(
                1,
                EventBody::ConditionsSet(Conditions {
                    temp_c,
                    pressure_hpa,
                    rh_pct,
                    place: None,
                }),
            );
        }
        say(10, mark("start"));
        say(20, mark("nitro_on"));
        match day.aborted {
            true => say(
                80,
                EventBody::Aborted {
                    reason: "leak".to_owned(),
                },
            ),
            false => say(80, mark("warm")),
        }
        say(100, mark("off"));
        say(
            110,
            EventBody::SlipTyped(TimeSlip {
                t60_s: Some(0.85 + 0.01 * (n % 3) as f64),
                ..TimeSlip::default()
            }),
        );
        say(120, EventBody::WarmupClosed {});
        answer(book.append(events)).unwrap();
        let flow = wanted(day.density()) * (1.0 + day.off_pct / 100.0);
        let hot = -HOTTER_K * day.off_pct;
        for tick in 0..600 {
            let t_us = (begun + tick * 200) * 1000;
            let at_s = tick as f64 / 5.0;
            let wobble = ((tick * 37) % 11) as f64 / 10.0 - 0.5;
            let on = (20.0..80.0).contains(&at_s);
            let litres = if on {
                flow * (1.0 + 0.02 * wobble)
            } else {
                3.0
            };
            let celsius = if on {
                426.5 + hot.signum() * 0.5 + hot + wobble
            } else {
                200.0
            };
            let mut readings: Vec<Reading> = vec![
                (0, t_us, if at_s < 100.0 { 2400.0 } else { 0.0 }),
                (
                    1,
                    t_us,
                    if at_s < 100.0 {
                        litres / 3.785_411_784
                    } else {
                        0.0
                    },
                ),
                (2, t_us, celsius * 1.8 + 32.0),
            ];
            if station {
                readings.push((3, t_us, temp_c * 1.8 + 32.0));
                readings.push((4, t_us, pressure_hpa / 33.863_886_4));
                readings.push((5, t_us, rh_pct));
            }
            book.readings(&id, readings);
        }
        answer(book.flush()).unwrap();
    }
}

fn learned(days: &[Day], station: bool) -> Lessons {
    let dir = tempfile::tempdir().unwrap();
    let (book, _) = Book::open(dir.path()).unwrap();
    write(&book, days, station);
    history::lessons(&book.reader().unwrap(), &car(station), "").unwrap()
}

fn today(temp_c: f64, hpa: f64) -> Today {
    Today {
        density_kg_m3: air_of_readings(temp_c, hpa, 40.0).unwrap().density_kg_m3,
        temp_c: Celsius(temp_c),
    }
}

#[test]
fn the_rule_of_the_engine_comes_out_of_the_book() {
    let days = season(18);
    for station in [false, true] {
        let mut days = days.clone();
        days.iter_mut().for_each(|day| day.typed = !station);
        let lessons = learned(&days, station);
        assert_eq!(lessons.flows.len(), days.len());
        for (case, day) in lessons.flows.iter().zip(&days) {
            let flow = wanted(day.density()) * (1.0 + day.off_pct / 100.0);
            assert!(
                (case.flow_l_per_min.0 / flow - 1.0).abs() < 2e-3,
                "{case:?} {flow}"
            );
            assert!((case.density_kg_m3.0 - day.density()).abs() < 1e-4);
            let hot = case.ran_hot_by_k.unwrap();
            assert!(
                (hot + HOTTER_K * day.off_pct).abs() < 0.3,
                "{hot} {}",
                day.off_pct
            );
        }
        let now = today(24.0, 995.0);
        let book = by_book(&lessons.flows, &now).unwrap();
        let truth = wanted(now.density_kg_m3.0);
        assert!(
            (book.flow_l_per_min.0 / truth - 1.0).abs() < 0.005,
            "{book:?} {truth}"
        );
        assert!(
            (book.pct_per_pct_density - PER_DENSITY).abs() < 0.15,
            "{book:?}"
        );
        assert!(book.lo_l_per_min.0 < truth && truth < book.hi_l_per_min.0);
        assert!(!book.extrapolated);
        // More fuel ran cooler.
        let hotter = book
            .why
            .iter()
            .find(|why| why.contains("1 K hotter"))
            .unwrap();
        assert!(hotter.starts_with('-'), "{hotter}");
        assert!(
            by_book(&lessons.flows, &today(44.0, 900.0))
                .unwrap()
                .extrapolated
        );
    }
}

#[test]
fn two_days_that_went_wrong_do_not_turn_it() {
    let mut days = season(18);
    // The lever slipped, and nobody noted that the engine ran cold.
    days[3].off_pct = 18.0;
    days[11].off_pct = 22.0;
    let mut lessons = learned(&days, false);
    for case in &mut lessons.flows {
        case.ran_hot_by_k = None;
    }
    let now = today(24.0, 995.0);
    let book = by_book(&lessons.flows, &now).unwrap();
    let truth = wanted(now.density_kg_m3.0);
    assert!(
        (book.flow_l_per_min.0 / truth - 1.0).abs() < 0.012,
        "{book:?} {truth}"
    );
    assert_eq!(book.odd, 2);
}

#[test]
fn too_few_an_abort_and_a_day_without_weather_teach_no_flow() {
    let mut days = season(9);
    days[2].aborted = true;
    days[5].typed = false;
    let lessons = learned(&days, false);
    assert_eq!(lessons.flows.len(), 7);
    assert!(matches!(
        by_book(&lessons.flows, &today(24.0, 995.0)),
        Err(CantSay::TooFew { have: 7, .. })
    ));
    // What the phase used and the slip say is no less true for that.
    assert_eq!(lessons.slips.len(), 9);
    assert_eq!(
        lessons.used_l[&"nitro".into()].len(),
        8,
        "the aborted one saw a part of it"
    );
    let day = &days[0];
    let used = lessons.used_l[&"nitro".into()][0];
    let truth = (10.0 * 3.0 + 60.0 * wanted(day.density()) * (1.0 + day.off_pct / 100.0)) / 60.0;
    assert!((used / truth - 1.0).abs() < 0.01, "{used} {truth}");
}

#[test]
fn another_car_and_a_simulation_teach_this_car_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let (book, _) = Book::open(dir.path()).unwrap();
    write(&book, &season(3), false);
    let reader = book.reader().unwrap();
    let other = Car {
        name: "Wagtail".to_owned(),
        ..car(false)
    };
    assert!(
        history::lessons(&reader, &other, "")
            .unwrap()
            .flows
            .is_empty()
    );
    assert!(
        history::lessons(&reader, &car(false), "simulated")
            .unwrap()
            .flows
            .is_empty()
    );
    assert_eq!(history::slips(&reader, None).unwrap().len(), 3);
    assert!(history::slips(&reader, Some("Wagtail")).unwrap().is_empty());
    drop((reader, book));
    let said = std::process::Command::new(env!("CARGO_BIN_EXE_spinover"))
        .args(["figure", "slip", "--t60-s", "0.84", "--json", "--data"])
        .arg(dir.path())
        .output()
        .unwrap();
    let answer: serde_json::Value = serde_json::from_slice(&said.stdout).unwrap();
    let compared = &answer["compared"][0];
    assert_eq!(
        (&compared["what"], &compared["runs"]),
        (&"60 ft time".into(), &3.into())
    );
    assert!(
        (compared["difference"].as_f64().unwrap() + 0.02).abs() < 1e-9,
        "{compared}"
    );
}
