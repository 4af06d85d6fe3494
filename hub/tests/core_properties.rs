//! Properties of the core over random crews: whatever they press and whatever the sensors say, in whatever order.
//!
//! What a mark needs is worked out here a second time, from the history alone, so that the core is not its own judge.

use proptest::prelude::*;
use spinover::core::{
    Core, Input, Journal, Output,
    feed::{Batch, Report},
};
use spinover_protocol::{
    Millis,
    car::{Band, Car, Channel, Role},
    event::{Audience, Event, EventBody, Right, Who},
    message::Command,
    record::Record,
    sheet::{Gate, Must, Phase, Sheet, Step},
    today::{Conditions, FlowBaseline, MixReading, TimeSlip},
    units::Unit,
};
use std::collections::BTreeMap;

const OLD_AFTER: Millis = 1_000;
const CHANNELS: [&str; 2] = ["oil", "fuel"];

/// When, of which channel, what (none where it is doubted), and whether a person typed it in.
type Heard = (Millis, usize, Option<f64>, bool);

fn car() -> Car {
    let channel = |key: &str| Channel {
        decimals: 0,
        old_after_ms: OLD_AFTER,
        band: Some(Band {
            low: 50.0,
            high: 90.0,
        }),
        ..Channel::new(key, Unit::Psi, (0.0, 200.0))
    };
    let role = |key: &str| Role {
        key: key.into(),
        label: key.to_owned(),
        ..Role::default()
    };
    Car {
        team: "t".to_owned(),
        name: "c".to_owned(),
        channels: CHANNELS.map(channel).to_vec(),
        roles: vec![role("chief"), role("idle")],
        ..Car::default()
    }
}

fn step(
    key: &str,
    safety: bool,
    ordered: bool,
    gates: Vec<Gate>,
    dwell_ms: Option<Millis>,
) -> Step {
    let (text, owner) = (key.to_owned(), "chief".into());
    Step {
        key: key.into(),
        text,
        owner,
        safety,
        ordered,
        gates,
        dwell_ms,
        ..Step::default()
    }
}

fn gate(channel: &str, must: Must, for_ms: Millis) -> Gate {
    Gate {
        channel: channel.into(),
        must,
        for_ms,
    }
}

fn sheet() -> Sheet {
    let phase = |key: &str, shut_down, steps| Phase {
        key: key.into(),
        name: key.to_owned(),
        shut_down,
        steps,
        ..Phase::default()
    };
    Sheet {
        key: "s".to_owned(),
        name: "s".to_owned(),
        phases: vec![
            phase(
                "start",
                false,
                vec![
                    step("clear", true, true, vec![], None),
                    step(
                        "oil_up",
                        false,
                        true,
                        vec![gate("oil", Must::AtLeast(60.0), 700)],
                        None,
                    ),
                    step("talk", false, false, vec![], Some(500)),
                    step(
                        "fuel_ok",
                        true,
                        true,
                        vec![
                            gate("fuel", Must::InBand(true), 300),
                            gate("oil", Must::AtMost(80.0), 0),
                        ],
                        Some(400),
                    ),
                ],
            ),
            phase(
                "off",
                true,
                vec![
                    step(
                        "stopped",
                        true,
                        true,
                        vec![gate("oil", Must::AtMost(5.0), 200)],
                        None,
                    ),
                    step("safe", false, true, vec![], None),
                ],
            ),
        ],
    }
}

const STEPS: [&str; 7] = [
    "clear", "oil_up", "talk", "fuel_ok", "stopped", "safe", "no_such",
];

#[derive(Clone, Debug)]
enum Act {
    Wait(Millis),
    Reading(usize, f64),
    Press {
        person: usize,
        chief: bool,
        id: u16,
        command: Command,
    },
    Join(usize),
    Leave(usize),
}

fn person(n: usize) -> Who {
    let names = ["Ines", "Marek", "ines "];
    Who {
        id: format!("phone-{n:04}").as_str().into(),
        name: names[n].to_owned(),
        role: if n == 0 { "chief" } else { "idle" }.into(),
    }
}

fn command() -> impl Strategy<Value = Command> {
    let step = || prop::sample::select(&STEPS[..]).prop_map(Into::into);
    let text = || prop_oneof![Just(String::new()), Just("why".to_owned()), "\\PC{0,300}"];
    prop_oneof![
        40 => step().prop_map(|step| Command::Mark { step }),
        4 => (step(), text()).prop_map(|(step, reason)| Command::Skip { step, reason }),
        8 => step().prop_map(|step| Command::ConfirmSkip { step }),
        1 => step().prop_map(|step| Command::WithdrawSkip { step }),
        2 => step().prop_map(|step| Command::Undo { step }),
        1 => text().prop_map(|reason| Command::Hold { reason }),
        4 => Just(Command::Resume {}),
        1 => text().prop_map(|reason| Command::Abort { reason }),
        1 => text().prop_map(|text| Command::Call { to: Audience::Role("idle".into()), text }),
        1 => text().prop_map(|text| Command::Stop { text }),
        1 => (0u64..60).prop_map(|call| Command::Seen { call }),
        1 => (0u64..60).prop_map(|call| Command::Lift { call }),
        1 => (any::<bool>(), -50.0..250.0f64).prop_map(|(set, low)| Command::SetBand {
            channel: "fuel".into(),
            phase: None,
            band: set.then_some(Band { low, high: low + 20.0 }),
        }),
        1 => (-10.0..210.0f64).prop_map(|value| Command::TypeReading { channel: "oil".into(), value }),
        1 => (-60.0..70.0f64, 400.0..1200.0f64, -10.0..110.0f64, prop::option::of(text())).prop_map(
            |(temp_c, pressure_hpa, rh_pct, place)| Command::SetConditions(Conditions { temp_c, pressure_hpa, rh_pct, place }),
        ),
        1 => (0.7..1.2f64, -5.0..55.0f64).prop_map(|(sg, temp_c)| Command::MeasureMix(MixReading { sg, temp_c })),
        1 => (0.0..60.0f64, 0.5..1.7f64, -1.0..2.0f64).prop_map(|(flow_l_per_min, density_kg_m3, pct_per_pct_density)| {
            let (temp_c, pct_per_k, sd_pct) = (24.0, 0.0, 2.0);
            Command::SetFlowBaseline(FlowBaseline { flow_l_per_min, density_kg_m3, temp_c, pct_per_pct_density, pct_per_k, sd_pct })
        }),
        1 => (-12.0..12.0f64).prop_map(|turns| Command::MoveBleed { turns }),
        1 => prop::option::of(-1.0..5.0f64).prop_map(|t60_s| Command::TypeSlip(TimeSlip { t60_s, ..TimeSlip::default() })),
        1 => Just(Command::Begin { sheet: "s".to_owned() }),
        1 => Just(Command::Close {}),
    ]
}

fn act() -> impl Strategy<Value = Act> {
    let value = prop_oneof![1 => Just(0.0), 8 => Just(70.0), 1 => Just(85.0), 1 => 0.0..210.0f64];
    prop_oneof![
        6 => prop_oneof![8 => 0i64..400, 4 => Just(400), 1 => Just(OLD_AFTER + 1)].prop_map(Act::Wait),
        6 => (0usize..2, value).prop_map(|(channel, value)| Act::Reading(channel, value)),
        8 => (0usize..3, prop::bool::weighted(0.8), prop_oneof![1 => 0u16..4, 6 => any::<u16>()], command())
            .prop_map(|(person, chief, id, command)| Act::Press { person, chief, id, command }),
        1 => (0usize..3).prop_map(Act::Join),
        1 => (0usize..3).prop_map(Act::Leave),
    ]
}

/// What happened to a run, with everything that a judge needs.
struct Run {
    core: Core,
    events: Vec<Event>,
    /// Time, channel, value, and whether a person typed it.
    readings: Vec<Heard>,
    /// How many readings there had been when each event came: within one millisecond the order tells.
    read_before: Vec<usize>,
    acks: Vec<(String, u64)>,
}

fn run(acts: &[Act]) -> Run {
    let mut core = Core::new(
        car(),
        vec![sheet()],
        vec!["lines".to_owned()],
        vec![],
        &Journal::default(),
    );
    let (mut now, mut events, mut readings, mut acks) =
        (1_000_000, Vec::new(), Vec::new(), Vec::new());
    let mut read_before = Vec::new();
    let mut outputs = core.take(now, Input::Start);
    for act in acts {
        outputs.extend(match act.clone() {
            Act::Wait(ms) => {
                now += ms;
                core.take(now, Input::Tick)
            }
            Act::Reading(channel, value) => {
                let batch = Batch {
                    t_s: None,
                    values: vec![(channel, value)],
                };
                // What comes out of it comes after it.
                let place = readings.len();
                readings.push((now, channel, Some(value), false));
                let outputs = core.take(now, Input::Report(0, Report::Batch(batch)));
                // Whether it can be believed is the judge's word, which has tests of its own.
                let said = core.sources(now).swap_remove(0).last;
                let mut said = said
                    .iter()
                    .filter(|last| last.channel == CHANNELS[channel].into());
                if said.any(|last| last.why.is_some()) {
                    readings[place].2 = None;
                }
                outputs
            }
            Act::Press {
                person: n,
                chief,
                id,
                command,
            } => {
                let right = if chief { Right::Chief } else { Right::Crew };
                core.take(
                    now,
                    Input::Command(person(n), right, format!("c{id}").as_str().into(), command),
                )
            }
            Act::Join(n) => core.take(now, Input::Joined(person(n), Right::Crew)),
            Act::Leave(n) => core.take(now, Input::Left(person(n).id)),
        });
        for output in outputs.drain(..) {
            match output {
                Output::Event(event) => {
                    read_before.push(readings.len());
                    if let EventBody::ReadingTyped { value, .. } = event.body {
                        readings.push((event.at, 0, Some(value), true));
                    }
                    events.push(event);
                }
                Output::Accepted(id, seq) => acks.push((id.0, seq)),
                _ => {}
            }
        }
    }
    Run {
        core,
        events,
        readings,
        read_before,
        acks,
    }
}

/// The reading that counted at a time, worked out from the history: the newest from the source while it is fresh, else the
/// newest of all; and whether it was good.
fn good_at(readings: &[Heard], channel: usize, at: Millis) -> Option<f64> {
    let mut shown: Option<(Millis, Option<f64>, bool)> = None;
    for (when, index, value, typed) in readings {
        if *index != channel || *when > at {
            continue;
        }
        let fresh_source = shown.is_some_and(|(came, value, typed)| {
            !typed && when - came <= OLD_AFTER && value.is_some_and(believed)
        });
        if !(*typed && fresh_source) {
            shown = Some((*when, *value, *typed));
        }
    }
    let (came, value, typed) = shown?;
    let limit = if typed { 30_000 } else { OLD_AFTER };
    value.filter(|value| at - came <= limit && believed(*value))
}

fn believed(value: f64) -> bool {
    (0.0..=200.0).contains(&value)
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 400, ..ProptestConfig::default() })]

    #[test]
    fn events_are_numbered_without_gaps_and_replay_to_the_same_state(acts in prop::collection::vec(act(), 1..120)) {
        let run = run(&acts);
        let numbers: Vec<u64> = run.events.iter().map(|event| event.seq).collect();
        prop_assert_eq!(&numbers, &(1..=numbers.len() as u64).collect::<Vec<_>>());
        let mut folded = Record::default();
        for event in &run.events {
            // Through JSON, as the journal keeps it.
            let text = serde_json::to_string(event).unwrap();
            folded.apply(&serde_json::from_str(&text).unwrap());
        }
        prop_assert_eq!(&folded, run.core.record());
        let journal = Journal { events: run.events.clone(), commands: vec![], last: numbers.len() as u64, lessons: Default::default() };
        let again = Core::new(car(), vec![sheet()], vec![], vec![], &journal);
        prop_assert_eq!(again.record(), run.core.record());
    }

    #[test]
    fn one_command_id_is_one_answer(acts in prop::collection::vec(act(), 1..120)) {
        let run = run(&acts);
        let mut by_command: BTreeMap<String, Vec<u64>> = BTreeMap::new();
        for event in &run.events {
            if let Some(command) = &event.command {
                by_command.entry(command.0.clone()).or_default().push(event.seq);
            }
        }
        for (id, events) in &by_command {
            // `begin` closes and begins in two events, one after the other; nothing else makes more than one.
            prop_assert!(events.len() == 1 || events.len() == 2 && events[1] == events[0] + 1, "{} gave {:?}", id, events);
            if events.len() == 2 {
                let first = &run.events[events[0] as usize - 1];
                let closed = matches!(first.body, EventBody::WarmupClosed {});
                prop_assert!(closed);
            }
            let last = events[events.len() - 1];
            // Whatever was sent again under the id after its event is answered with that event.
            let answers: Vec<u64> = run.acks.iter().filter(|(known, _)| known == id).map(|(_, seq)| *seq).collect();
            let first = answers.iter().position(|seq| *seq == last);
            prop_assert!(first.is_some(), "no answer names the event");
            prop_assert!(answers[first.unwrap()..].iter().all(|seq| *seq == last));
        }
    }

    #[test]
    fn no_order_of_commands_reaches_a_mark_whose_gate_is_shut(acts in prop::collection::vec(act(), 1..120)) {
        let run = run(&acts);
        let mut before = Record::default();
        for event in &run.events {
            if let EventBody::StepMarked { step: key, .. } = &event.body {
                let warmup = before.warmup.as_ref().unwrap();
                let (phase, step) = warmup.sheet.step(key).unwrap();
                prop_assert!(warmup.closed_at.is_none() && warmup.held.is_none() && !warmup.steps.contains_key(key));
                prop_assert!(warmup.aborted.is_none() || phase.shut_down);
                // Every safety step before it, and every ordered one if it is ordered, is done with.
                for (earlier_phase, earlier) in warmup.sheet.steps().take_while(|(_, earlier)| earlier.key != *key) {
                    let counts = warmup.aborted.is_none() || earlier_phase.shut_down;
                    if counts && (earlier.safety || earlier.ordered && step.ordered) {
                        prop_assert!(warmup.steps.contains_key(&earlier.key), "{} before {}", key, earlier.key);
                    }
                }
                let readings = &run.readings[..run.read_before[event.seq as usize - 1]];
                for gate in &step.gates {
                    let (index, _) = warmup.car.channel(&gate.channel).unwrap();
                    let holds = |at| good_at(readings, index, at).is_some_and(|value| gate.must.met(value, warmup.band_now(&gate.channel)));
                    prop_assert!(holds(event.at), "{}: {:?} at the mark", key, gate);
                    // And at every reading of the time that it asks for, and at its beginning.
                    let from = event.at - gate.for_ms;
                    prop_assert!(gate.for_ms == 0 || holds(from), "{}: {:?} {} ms before", key, gate, gate.for_ms);
                    for (when, channel, ..) in readings {
                        if *channel == index && (from..event.at).contains(when) {
                            prop_assert!(holds(*when), "{}: {:?} at {}", key, gate, when);
                        }
                    }
                }
                if let Some(dwell) = step.dwell_ms {
                    prop_assert!(event.at - warmup.current_since >= dwell);
                }
            }
            before.apply(event);
        }
    }

    #[test]
    fn a_safety_step_is_skipped_by_two_people_only(acts in prop::collection::vec(act(), 1..160)) {
        let run = run(&acts);
        for event in &run.events {
            let EventBody::StepSkipped { step, asked_by, .. } = &event.body else { continue };
            if sheet().step(step).unwrap().1.safety {
                let (asked, agreed) = (asked_by.clone().unwrap(), event.by.clone().unwrap());
                prop_assert_ne!(&asked.id, &agreed.id);
                prop_assert_ne!(asked.name.trim().to_lowercase(), agreed.name.trim().to_lowercase());
            }
        }
    }

    #[test]
    fn the_same_inputs_give_the_same_outputs(acts in prop::collection::vec(act(), 1..80)) {
        let (one, other) = (run(&acts), run(&acts));
        prop_assert_eq!(one.events, other.events);
        prop_assert_eq!(one.acks, other.acks);
    }
}

/// The random crews do get somewhere: otherwise the properties above would hold of nothing.
#[test]
fn random_crews_reach_marks_skips_and_aborts() {
    use proptest::{strategy::ValueTree, test_runner::TestRunner};
    let mut runner = TestRunner::deterministic();
    let mut seen: BTreeMap<&str, u32> = BTreeMap::new();
    for _ in 0..1500 {
        let acts = prop::collection::vec(act(), 100..120)
            .new_tree(&mut runner)
            .unwrap()
            .current();
        for event in run(&acts).events {
            let kind = match event.body {
                EventBody::StepMarked { step, .. } if step.0 == "fuel_ok" => {
                    "a mark behind two gates and a dwell"
                }
                EventBody::StepMarked { step, .. } if step.0 == "oil_up" => "a mark behind a gate",
                EventBody::StepSkipped {
                    asked_by: Some(_), ..
                } => "a skip by two",
                EventBody::Aborted { .. } => "an abort",
                EventBody::StepUndone { .. } => "an undo",
                _ => continue,
            };
            *seen.entry(kind).or_default() += 1;
        }
    }
    assert_eq!(seen.len(), 5, "{seen:?}");
    assert!(seen.values().all(|count| *count >= 5), "{seen:?}");
}
