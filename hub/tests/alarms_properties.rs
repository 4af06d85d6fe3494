//! Properties of alarms over random readings, times, commands, phases and power cuts.

mod alarms_support;

use alarms_support::{HEAD, IMPLAUSIBLE, OIL, Pit, RPM, above, alarm, below, hold, said};
use proptest::prelude::*;
use spinover_protocol::{
    AlarmKey, Millis,
    alarm::{Alarm, AlarmNow, AlarmState, InPhases, Shown, Watch},
    event::{Event, EventBody, Right},
    message::Command,
    record::Record,
};
use std::collections::{BTreeMap, BTreeSet};

const TOO_HOT: f64 = 290.0;
const KEYS: [&str; 5] = ["oil", "head", "stopped", "silent", "oil_sensor"];

/// Every sort of alarm; `head` is the plainest, so that the judge below can say when it must be there.
fn alarms() -> Vec<Alarm> {
    let running = || hold("rpm", 900.0, 200);
    vec![
        Alarm {
            only_while: running(),
            phases: InPhases::Running,
            latched: true,
            deadband: 5.0,
            follows: vec!["stopped".into()],
            ..alarm("oil", 1, below("oil", 25.0))
        },
        alarm("head", 1, above("head", TOO_HOT)),
        Alarm {
            once: running(),
            phases: InPhases::Firing,
            follows: vec!["oil".into()],
            ..alarm("stopped", 1, below("rpm", 700.0))
        },
        Alarm {
            only_while: running(),
            ..alarm("silent", 1, Watch::SilentMs(500))
        },
        Alarm {
            follows: vec!["silent".into()],
            ..alarm("oil_sensor", 2, Watch::Doubtful("oil".into()))
        },
    ]
}

#[derive(Clone, Debug)]
enum Act {
    Wait(Millis),
    Read(usize, f64),
    Ask(bool, Command),
    PowerCut,
}

fn act() -> impl Strategy<Value = Act> {
    let key = || prop::sample::select(&KEYS[..]).prop_map(Into::into);
    let why = || "why".to_owned();
    let step = prop::sample::select(&["lit", "done", "safe"][..]);
    let command = prop_oneof![
        6 => key().prop_map(|alarm| Command::AcknowledgeAlarm { alarm }),
        3 => key().prop_map(|alarm| Command::ResetAlarm { alarm }),
        3 => (key(), 1u32..70).prop_map(move |(alarm, for_s)| Command::ShelveAlarm { alarm, for_s, reason: why() }),
        2 => key().prop_map(|alarm| Command::UnshelveAlarm { alarm }),
        2 => key().prop_map(move |alarm| Command::TakeAlarmOut { alarm, reason: why() }),
        2 => key().prop_map(|alarm| Command::PutAlarmBack { alarm }),
        4 => step.prop_map(|step| Command::Mark { step: step.into() }),
        1 => Just(Command::Undo { step: "lit".into() }),
        1 => Just(Command::Abort { reason: "fire".to_owned() }),
        1 => Just(Command::Close {}),
        1 => Just(Command::Begin { sheet: "s".to_owned() }),
    ];
    let oil =
        prop_oneof![4 => Just(10.0), 4 => Just(60.0), 1 => Just(27.0), 1 => Just(IMPLAUSIBLE)];
    let rpm = prop_oneof![4 => Just(2_000.0), 2 => Just(0.0)];
    let head = prop_oneof![5 => Just(300.0), 3 => Just(200.0), 1 => Just(IMPLAUSIBLE)];
    prop_oneof![
        12 => prop_oneof![8 => 0i64..400, 1 => Just(2_000), 1 => Just(30_000)].prop_map(Act::Wait),
        5 => oil.prop_map(|value| Act::Read(OIL, value)),
        5 => rpm.prop_map(|value| Act::Read(RPM, value)),
        5 => head.prop_map(|value| Act::Read(HEAD, value)),
        8 => (prop::bool::weighted(0.9), command).prop_map(|(chief, command)| Act::Ask(chief, command)),
        1 => Just(Act::PowerCut),
    ]
}

/// Does what is asked, and looks after each act whether anything first of all is hidden.
fn run(acts: &[Act]) -> Result<Pit, TestCaseError> {
    let mut pit = Pit::new(alarms());
    // Since when every look has found the heads too hot, by good readings.
    let mut hot_since: Option<Millis> = None;
    for act in acts {
        let events = pit.events.len();
        let mut looked = true;
        match act.clone() {
            Act::Wait(ms) => pit.later(ms),
            Act::Read(channel, value) => pit.read(&[(channel, value)]),
            Act::Ask(chief, command) => {
                let right = if chief { Right::Chief } else { Right::Crew };
                // Refused or not: random crews ask for the impossible too.
                let _ = pit.ask(right, command);
                looked = false;
            }
            Act::PowerCut => {
                pit.start_again();
                looked = false;
                hot_since = None;
            }
        }
        let begun = |event: &Event| matches!(event.body, EventBody::WarmupBegun { .. });
        if pit.events[events..].iter().any(begun) {
            hot_since = None;
        }
        if looked {
            let hot = pit.core.channels().good(pit.now, HEAD);
            match hot {
                Some(value) if value > TOO_HOT => hot_since = hot_since.or(Some(pit.now)),
                _ => hot_since = None,
            }
        }
        nothing_is_hidden(&mut pit)?;
        if looked && hot_since.is_some_and(|since| pit.now - since >= 300) {
            let head = pit.warmup().alarms.get(&"head".into());
            prop_assert!(head.is_some_and(|now| now.flags.active), "hot and no alarm");
        }
    }
    Ok(pit)
}

fn nothing_is_hidden(pit: &mut Pit) -> Result<(), TestCaseError> {
    let urgent: BTreeSet<String> = pit.urgent().into_iter().collect();
    let warmup = pit.warmup();
    let shown: BTreeMap<&str, AlarmState> = warmup
        .alarms_shown()
        .into_iter()
        .map(|(key, state, _)| (key.as_str(), state))
        .collect();
    for alarm in warmup.car.alarms.iter().filter(|alarm| alarm.priority == 1) {
        let Some(now) = warmup.alarms.get(&alarm.key) else {
            continue;
        };
        let state = shown.get(alarm.key.as_str());
        if now.flags.active {
            prop_assert!(state.is_some(), "{} is active and invisible", alarm.key);
            let aside = state.is_some_and(|state| state.shown() == Shown::Aside);
            prop_assert_eq!(urgent.contains(alarm.key.as_str()), !aside);
        }
        if now.flags.shelved {
            let until = now.aside.as_ref().and_then(|aside| aside.until);
            prop_assert!(until.is_some(), "{} is shelved for ever", alarm.key);
        }
    }
    Ok(())
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 400, ..ProptestConfig::default() })]

    #[test]
    fn an_active_first_priority_alarm_is_never_invisible(acts in prop::collection::vec(act(), 1..150)) {
        run(&acts)?;
    }

    #[test]
    fn events_fold_to_the_same_record_and_raised_and_returned_take_turns(acts in prop::collection::vec(act(), 1..150)) {
        let pit = run(&acts)?;
        let mut folded = Record::default();
        for event in &pit.events {
            let before = folded.warmup.clone();
            let was = |key: &AlarmKey| before.as_ref()?.alarms.get(key).cloned();
            let active = |key: &AlarmKey| was(key).is_some_and(|now| now.flags.active);
            match &event.body {
                // Only a consequence is raised again while it is active: its cause has gone, or been put aside.
                EventBody::AlarmRaised { alarm, after, .. } if active(alarm) => {
                    let cause = was(alarm).and_then(|now| now.after.clone());
                    prop_assert!(cause.is_some() && cause != *after, "{:?}", said(event));
                    let gone = cause.is_some_and(|cause| {
                        let aside = |now: AlarmNow| now.flags.shelved || now.flags.out;
                        !active(&cause) || was(&cause).is_some_and(aside)
                    });
                    prop_assert!(gone, "{:?}", said(event));
                }
                EventBody::AlarmReturned { alarm } => prop_assert!(active(alarm), "{:?}", said(event)),
                _ => {}
            }
            // Through JSON, as the journal keeps it.
            let text = serde_json::to_string(event).unwrap();
            folded.apply(&serde_json::from_str(&text).unwrap());
        }
        prop_assert_eq!(&folded, pit.core.record());
    }
}

/// The random pits do get somewhere: otherwise the properties above would hold of nothing.
#[test]
fn random_pits_reach_causes_returns_shelves_and_latches() {
    use proptest::{strategy::ValueTree, test_runner::TestRunner};
    let mut runner = TestRunner::deterministic();
    let mut seen: BTreeMap<&str, u32> = BTreeMap::new();
    for _ in 0..600 {
        let acts = prop::collection::vec(act(), 150).new_tree(&mut runner);
        let pit = run(&acts.unwrap().current()).unwrap();
        for event in &pit.events {
            let kind = match &event.body {
                EventBody::AlarmRaised { after: Some(_), .. } => "a consequence",
                EventBody::AlarmRaised { alarm, .. } if alarm.as_str() == "oil" => "lost oil",
                EventBody::AlarmRaised { alarm, .. } if alarm.as_str() == "silent" => "silence",
                EventBody::AlarmReturned { .. } => "a return",
                EventBody::AlarmUnshelved { .. } if event.by.is_none() => "the end of a shelf",
                EventBody::AlarmReset { .. } => "a reset",
                EventBody::AlarmPutBack { .. } => "one put back",
                _ => continue,
            };
            *seen.entry(kind).or_default() += 1;
        }
    }
    assert_eq!(seen.len(), 7, "{seen:?}");
    assert!(seen.values().all(|count| *count >= 5), "{seen:?}");
}
