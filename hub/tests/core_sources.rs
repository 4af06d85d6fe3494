//! Properties of several sources on one channel, of calibration and of duplicates, over random sequences.
//!
//! Who should be heard is worked out here a second time from the history alone, so that the core is not its own judge.

use proptest::prelude::*;
use spinover::core::{
    Core, Input, Journal, Output,
    feed::{Batch, Report},
};
use spinover_protocol::{
    Millis,
    car::{Band, Car, Channel, Role},
    event::{EventBody, Right, Who},
    message::Command,
    sheet::{Phase, Sheet, Step},
    trust::{Calibration, Point, Quality, Sensor},
    units::Unit,
};
use std::collections::BTreeMap;

const OLD_AFTER: Millis = 1_000;
const START: Millis = 1_000_000;

fn car(prefer: &[&str]) -> Car {
    let role = Role {
        key: "chief".into(),
        label: String::new(),
        ..Role::default()
    };
    Car {
        team: String::new(),
        name: String::new(),
        channels: vec![Channel {
            key: "oil".into(),
            label: "Oil".to_owned(),
            unit: Unit::Psi,
            decimals: 0,
            plausible: Band {
                low: 0.0,
                high: 300.0,
            },
            max_rate: Some(1e9),
            old_after_ms: OLD_AFTER,
            band: None,
            sensor: Sensor {
                prefer: prefer.iter().map(|name| (*name).to_owned()).collect(),
                stuck_after_ms: Some(0),
                ..Sensor::default()
            },
        }],
        roles: vec![role],
        ..Car::default()
    }
}

fn sheet() -> Sheet {
    let step = Step {
        key: "stop".into(),
        text: "Stopped".to_owned(),
        owner: "chief".into(),
        ordered: true,
        ..Step::default()
    };
    Sheet {
        key: "s".to_owned(),
        name: "s".to_owned(),
        phases: vec![Phase {
            key: "off".into(),
            name: "Off".to_owned(),
            shut_down: true,
            steps: vec![step],
            ..Phase::default()
        }],
    }
}

fn core(prefer: &[&str]) -> Core {
    let names = ["a=lines:stdin", "b=can:can0", "c=nmea:x"].map(str::to_owned);
    let mut core = Core::new(
        car(prefer),
        vec![sheet()],
        names.to_vec(),
        vec![],
        &Journal::default(),
    );
    core.take(START, Input::Start);
    core
}

fn said(t_s: Option<f64>, value: f64) -> Report {
    Report::Batch(Batch {
        t_s,
        values: vec![(0, value)],
    })
}

fn chief() -> Who {
    Who {
        id: "laptop01".into(),
        name: "Ann".to_owned(),
        role: "chief".into(),
    }
}

/// What a step of a run is: time passes, and a source says something, in range or out of it.
fn words() -> impl Strategy<Value = Vec<(Millis, usize, f64)>> {
    let wait = prop_oneof![8 => 0i64..300, 2 => 300i64..1_500, 1 => 1_500i64..6_000];
    let value = prop_oneof![5 => 0.0..300.0_f64, 1 => 301.0..400.0_f64];
    prop::collection::vec((wait, 0usize..3, value), 1..150)
}

fn is_good(value: f64) -> bool {
    (0.0..=300.0).contains(&value)
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 400, ..ProptestConfig::default() })]

    #[test]
    fn a_better_word_is_never_passed_over(words in words(), first in 0usize..3) {
        let names = ["a", "b", "c"];
        let mut core = core(&names[first..=first]);
        let rank = |source: usize| if source == first { 0 } else { 1 + source };
        let mut heard: BTreeMap<usize, Vec<(Millis, f64)>> = BTreeMap::new();
        let mut now = START;
        let mut shown_came = 0;
        for (wait, source, value) in words {
            // Before the word too: a limit may have passed in the silence.
            now += wait;
            for say in [false, true] {
                if say {
                    core.take(now, Input::Report(source, said(None, value)));
                    heard.entry(source).or_default().push((now, value));
                } else {
                    core.take(now, Input::Tick);
                }
                let frame = core.frame(now);
                let speaks = usize::from(frame.src[0]);
                let (shown, quality, age) = frame.reading(0);
                if heard.is_empty() {
                    prop_assert_eq!(quality, Quality::None);
                    continue;
                }
                let last_good = |source: usize| {
                    let good = heard.get(&source)?.iter().rev().find(|(_, value)| is_good(*value));
                    good.map(|(at, _)| *at)
                };
                let is_fit = |source: usize| last_good(source).is_some_and(|at| now - at <= OLD_AFTER);
                // What is shown is that source's newest word.
                let newest = *heard[&speaks].last().unwrap();
                prop_assert_eq!((shown, age), (Some(newest.1), now - newest.0));
                // Where anyone is fit, whoever speaks is: so its good reading is never older than the limit while another's is not.
                if (0..3).any(is_fit) {
                    prop_assert!(is_fit(speaks), "{speaks} of {heard:?} at {now}");
                    prop_assert!(quality != Quality::Old);
                }
                // An old reading is shown only where nobody has said anything within the limit.
                let any_fresh = heard.values().any(|said| now - said.last().unwrap().0 <= OLD_AFTER);
                prop_assert_eq!(quality == Quality::Old, !any_fresh);
                // What is shown does not get older by a change of who speaks, but for a good word in place of a bad one.
                let went_back = newest.0 < shown_came;
                prop_assert!(!went_back || shown_came - newest.0 <= OLD_AFTER);
                shown_came = newest.0;
                // The frame says when it is not the first choice.
                let better_known = (0..3).any(|other| rank(other) < rank(speaks) && (other == first || heard.contains_key(&other)));
                prop_assert_eq!(frame.second.contains(&0), better_known);
            }
        }
    }

    /// The one that was lost is back at most the hold and one word after it is steadily good again.
    #[test]
    fn the_first_choice_comes_back_and_not_before_its_hold(gap in 1_001i64..20_000, step in 20i64..900) {
        let mut core = core(&[]);
        core.take(START, Input::Report(0, said(None, 60.0)));
        let back = START + gap;
        let mut now = START;
        let mut returned = None;
        while returned.is_none() && now < back + 10_000 {
            now += step;
            core.take(now, Input::Report(1, said(None, 50.0)));
            if now >= back {
                core.take(now, Input::Report(0, said(None, 60.0)));
            }
            let src = core.frame(now).src[0];
            if now > START + OLD_AFTER && src == 0 {
                returned = Some(now);
            }
        }
        let first_word = back + (step - gap % step) % step;
        let after = returned.unwrap() - first_word;
        prop_assert!((Sensor::BACK_AFTER_MS..=Sensor::BACK_AFTER_MS + step).contains(&after), "{after}");
    }

    #[test]
    fn calibration_and_back_gives_the_sensors_value(
        raws in prop::collection::vec(0.0..300.0_f64, 1..40),
        points in prop::collection::vec((0.0..300.0_f64, 0.0..300.0_f64), 0..3),
    ) {
        let mut core = core(&[]);
        let points: Vec<Point> = points.into_iter().map(|(raw, truth)| Point { raw, truth }).collect();
        let command = Command::Calibrate { channel: "oil".into(), points: points.clone() };
        let outputs = core.take(START, Input::Command(chief(), Right::Chief, "c1".into(), command));
        let set = outputs.iter().find_map(|output| match output {
            Output::Event(event) => match &event.body {
                EventBody::CalibrationSet { calibration, .. } => *calibration,
                _ => None,
            },
            _ => None,
        });
        let calibration = set.unwrap_or_default();
        for point in &points {
            if set.is_some() {
                prop_assert!((calibration.apply(point.raw) - point.truth).abs() < 1e-9);
            }
        }
        for (n, raw) in raws.into_iter().enumerate() {
            let now = START + 100 * (n as i64 + 1);
            let kept = core.take(now, Input::Report(0, said(None, raw))).into_iter().find_map(|output| match output {
                Output::Keep(_, values) => values.first().map(|(_, value)| *value),
                _ => None,
            });
            // What the book keeps, with what the record says was in force.
            let in_force = core.record().warmup.as_ref().unwrap().calibration(&"oil".into());
            prop_assert_eq!(in_force, calibration);
            prop_assert!((in_force.raw(kept.unwrap()) - raw).abs() < 1e-9);
        }
    }

    #[test]
    fn what_comes_twice_is_counted_and_nothing_else(words in prop::collection::vec((0.001..2.0_f64, 0.0..300.0_f64, 1usize..4), 1..80)) {
        let mut core = core(&[]);
        let (mut t_s, mut twice, mut kept) = (0.5, 0, 0);
        for (step, value, times) in &words {
            t_s += step;
            for _ in 0..*times {
                let now = START + (t_s * 1000.0) as i64;
                let outputs = core.take(now, Input::Report(0, said(Some(t_s), *value)));
                kept += outputs.iter().filter(|output| matches!(output, Output::Keep(..))).count();
            }
            twice += times - 1;
        }
        let health = &core.sources(START)[0];
        let counted: u64 = health.faults.iter().filter(|fault| fault.kind == "duplicate").map(|fault| fault.count).sum();
        prop_assert_eq!((counted, kept), (twice as u64, words.len()));
        prop_assert_eq!(health.taken, words.len() as u64);
    }
}

#[test]
fn a_calibration_is_the_chiefs_goes_on_to_the_next_warm_up_and_can_be_cleared() {
    let mut core = core(&[]);
    let command = |core: &mut Core, id: &str, right, command| {
        core.take(START, Input::Command(chief(), right, id.into(), command))
    };
    let set = |points: &[(f64, f64)]| Command::Calibrate {
        channel: "oil".into(),
        points: points
            .iter()
            .map(|&(raw, truth)| Point { raw, truth })
            .collect(),
    };
    let refused = |outputs: Vec<Output>| matches!(outputs[..], [Output::Refused(..)]);
    assert!(refused(command(
        &mut core,
        "c1",
        Right::Crew,
        set(&[(4.0, 0.0)])
    )));
    assert!(refused(command(
        &mut core,
        "c2",
        Right::Chief,
        set(&[(4.0, 0.0), (5.0, 90.0)])
    )));
    command(&mut core, "c3", Right::Chief, set(&[(4.0, 0.0)]));
    let begin = Command::Begin {
        sheet: "s".to_owned(),
    };
    command(&mut core, "c4", Right::Chief, begin);
    core.take(START, Input::Report(0, said(None, 64.0)));
    assert_eq!(core.frame(START).v, [Some(60.0)]);
    command(&mut core, "c5", Right::Chief, set(&[]));
    assert_eq!(core.frame(START).v, [Some(64.0)], "shown anew at once");
    let warmup = core.record().warmup.as_ref().unwrap();
    assert_eq!(warmup.calibration(&"oil".into()), Calibration::NONE);
}
