//! The demo's sheets can be worked through on the simulated car: every gate opens, no limit passes, the fuel lasts, and
//! the bands are where the engine goes when all is well.

use spinover::core::{Core, Input, Journal, Output, feed::Batch, feed::Report};
use spinover::files::demo;
use spinover::sources::sim::{SAMPLE_S, Settings, Simulation};
use spinover_protocol::event::{EventBody, Right, Who};
use spinover_protocol::message::Command;
use spinover_protocol::{ChannelKey, CommandId, StepKey};
use std::collections::BTreeMap;

/// A chief looks, and then holds the key: nothing is marked sooner than this after it could be, in milliseconds.
const HAND_MS: i64 = 1_200;
/// Longest simulated warm-up, in milliseconds: ten minutes.
const LONGEST_MS: i64 = 600_000;

/// What came of a warm-up.
struct Run {
    /// When each step was marked, in milliseconds from the start.
    marked: BTreeMap<StepKey, i64>,
    /// Steps that were marked after their limit.
    late: Vec<StepKey>,
    /// What each channel read, and whether it was in its band, when a step was marked.
    readings: BTreeMap<(StepKey, ChannelKey), (f64, bool)>,
}

/// Marks every step of a sheet as soon as a chief could.
fn work_through(sheet: &str, seed: u64) -> Run {
    let file = demo::car().unwrap();
    let settings = Settings {
        seed,
        auto: false,
        noise: true,
        faults: Vec::new(),
    };
    let mut sim = Simulation::new(&file.car, settings).unwrap();
    let controls = sim.controls();
    let mut core = Core::new(
        file.car,
        demo::sheets().unwrap(),
        vec!["sim:".to_owned()],
        Vec::new(),
        &Journal::default(),
    );
    let chief = Who {
        id: "laptop".into(),
        name: "Ann".to_owned(),
        role: "chief".into(),
    };
    let mut commands = 0;
    let mut command = |core: &mut Core, now: i64, command: Command| {
        commands += 1;
        let id = CommandId(format!("c{commands}"));
        core.take(
            now,
            Input::Command(chief.clone(), Right::Chief, id, command),
        )
    };
    // A hub's clock does not start at nothing, and gates count from it.
    let start = 1_000_000;
    core.take(start, Input::Start);
    command(
        &mut core,
        start,
        Command::Begin {
            sheet: sheet.to_owned(),
        },
    );
    let mut run = Run {
        marked: BTreeMap::new(),
        late: Vec::new(),
        readings: BTreeMap::new(),
    };
    let mut ready_since: BTreeMap<StepKey, i64> = BTreeMap::new();
    for tick in 1.. {
        let now = start + (f64::from(tick) * SAMPLE_S * 1000.0).round() as i64;
        let sample = sim.sample();
        let values = sample.values.expect("no fault takes the link");
        core.take(
            now,
            Input::Report(
                0,
                Report::Batch(Batch {
                    t_s: Some(sample.t_s),
                    values,
                }),
            ),
        );
        core.take(now, Input::Tick);
        let Some(warmup) = &core.record().warmup else {
            panic!("no warm-up")
        };
        let Some(current) = warmup.current().map(|(_, step)| step.key.clone()) else {
            return run;
        };
        let progress = core.progress(now);
        let step = progress
            .steps
            .iter()
            .find(|step| step.step == current)
            .unwrap();
        if !step.ready {
            ready_since.remove(&current);
        }
        assert!(
            now - start < LONGEST_MS,
            "{sheet}, seed {seed}: stuck at {current}: {:?}",
            step.waits
        );
        if step.ready && now - *ready_since.entry(current.clone()).or_insert(now) >= HAND_MS {
            if step.limit_left_ms.is_some_and(|left| left < 0) {
                run.late.push(current.clone());
            }
            for (index, channel) in warmup.car.channels.iter().enumerate() {
                let Some(value) = core.channels().good(now, index) else {
                    continue;
                };
                let band = warmup.band_now(&channel.key);
                let held = band.is_none_or(|band| band.holds(value));
                run.readings
                    .insert((current.clone(), channel.key.clone()), (value, held));
            }
            let outputs = command(
                &mut core,
                now,
                Command::Mark {
                    step: current.clone(),
                },
            );
            for output in &outputs {
                match output {
                    Output::Event(event) => {
                        if let EventBody::StepMarked { step, .. } = &event.body {
                            controls.step_marked(step.as_str());
                            run.marked.insert(step.clone(), now - start);
                        }
                    }
                    Output::Refused(_, why) => {
                        panic!("{sheet}, seed {seed}: {current} refused: {why}")
                    }
                    _ => {}
                }
            }
        }
    }
    unreachable!("the loop has no end but a return");
}

#[test]
fn the_pit_warm_up_can_be_worked_through() {
    for seed in 1..=6 {
        let run = work_through("pit_warm_up", seed);
        assert_eq!(run.marked.len(), 23, "seed {seed}");
        assert!(run.late.is_empty(), "seed {seed}: late {:?}", run.late);
        // When the temperatures are there, all is as it should be: that is what the bands are for.
        let off: Vec<_> = run
            .readings
            .iter()
            .filter(|((step, _), (_, held))| step.as_str() == "leaks_checked" && !held)
            .collect();
        assert!(
            off.is_empty(),
            "seed {seed}: out of band when warm: {off:?}"
        );
        let left = run.readings[&("made_safe".into(), "fuel_left".into())].0;
        assert!(left > 2.0, "seed {seed}: {left} gal left");
        println!(
            "seed {seed}: {:.0} s, {left:.1} gal left",
            *run.marked.values().max().unwrap() as f64 / 1000.0
        );
    }
}

#[test]
fn the_way_to_the_line_can_be_worked_through() {
    for seed in 1..=6 {
        let run = work_through("to_the_line", seed);
        assert_eq!(run.marked.len(), 32, "seed {seed}");
        assert!(run.late.is_empty(), "seed {seed}: late {:?}", run.late);
        let left = run.readings[&("fuel_off".into(), "fuel_left".into())].0;
        assert!(left > 2.0, "seed {seed}: {left} gal left");
        println!(
            "seed {seed}: {:.0} s, {left:.1} gal left",
            *run.marked.values().max().unwrap() as f64 / 1000.0
        );
    }
}

/// The bands of each phase suit the engine while the phase's steps are worked on, so that a demo does not open with strips
/// that stick out for no reason. Of all readings at all marks, at most this share may be off.
#[test]
fn bands_suit_the_engine_all_along() {
    for sheet in ["pit_warm_up", "to_the_line"] {
        let run = work_through(sheet, 3);
        let off: Vec<String> = run
            .readings
            .iter()
            .filter(|(_, (_, held))| !held)
            .map(|((step, channel), (value, _))| format!("{step}: {channel} {value:.1}"))
            .collect();
        println!(
            "{sheet}: {} of {} off: {off:#?}",
            off.len(),
            run.readings.len()
        );
        assert!(off.len() * 10 < run.readings.len(), "{sheet}: {off:#?}");
    }
}
