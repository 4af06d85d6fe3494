//! What marked turns of the bleeds teach.

use super::*;

#[test]
fn marked_bleed_turns_are_learned_from_and_give_advice() {
    let mut pit = Pit::new();
    // This engine idles 200 rpm faster for each turn out.
    let idle_at = |turns: f64| 2_200.0 + 200.0 * turns;
    pit.run(30, idle_at(0.0));
    assert!(pit.figure("bleed").words.contains("0 of 2"));
    let mut out = 0.0;
    for turns in [0.5, -0.25, 0.5] {
        pit.crew(Command::MoveBleed { turns });
        out += turns;
        pit.run(30, idle_at(out));
    }
    let figure = pit.figure("bleed");
    // It stands at 2350, and the middle of the band is 2400: a quarter of a turn out.
    assert_eq!(figure.value, Some(0.25), "{figure:?}");
    assert_eq!(figure.unit, Some(Unit::Turn));
    assert!(figure.words.starts_with("turn 1/4 out"), "{figure:?}");
    // Sure enough to be called: to everyone, since this car has no role but the chief's.
    let ask = figure.ask.expect("a call to offer");
    assert_eq!((ask.what, ask.by, ask.to), (Asked::Bleed, Some(0.25), None));
    let hold = |pit: &mut Pit, command| pit.ask(Right::Chief, command).unwrap();
    let reason = String::new();
    hold(&mut pit, Command::Hold { reason });
    assert_eq!(pit.figure("bleed").ask, None, "held, nobody moves anything");
    hold(&mut pit, Command::Resume {});
    assert!(figure.low.unwrap() <= 0.25 && 0.25 <= figure.high.unwrap());

    // Too far: the other way.
    pit.crew(Command::MoveBleed { turns: 0.75 });
    pit.run(1, idle_at(out + 0.75));
    assert_eq!(pit.figure("bleed").ask, None, "it has to settle first");
    pit.run(29, idle_at(out + 0.75));
    let back = pit.figure("bleed");
    assert_eq!(back.value, Some(-0.5), "{back:?}");
    assert!(
        back.words.starts_with("turn 1/2 the other way, in"),
        "{back:?}"
    );

    let none = pit.ask(Right::Crew, Command::MoveBleed { turns: 0.0 });
    assert!(none.is_err());
}

#[test]
fn a_hub_started_again_learns_the_same_from_the_book() {
    let mut pit = Pit::new();
    let mut rows: Vec<(Millis, f64)> = Vec::new();
    for (turns, rpm) in [(0.0, 2_200.0), (0.5, 2_300.0), (0.25, 2_350.0)] {
        if turns != 0.0 {
            pit.crew(Command::MoveBleed { turns });
        }
        let from = pit.now;
        pit.run(30, rpm);
        rows.extend((1..=300).map(|n| {
            (
                from + n * 100,
                rpm + 8.0 * (((n - 1) % 7) as f64 - 3.0) / 3.0,
            )
        }));
    }
    let before = pit.figure("bleed");
    assert!(before.value.is_some(), "{before:?}");
    let last = pit.events.len() as u64;
    let journal = Journal {
        lessons: Default::default(),
        events: pit.events.clone(),
        commands: vec![],
        last,
    };
    let mut again = Pit::with(&journal, pit.now);
    for (at, rpm) in rows {
        again.core.recall(at * 1000, &[(0, rpm)]);
    }
    assert_eq!(again.figure("bleed"), before);
}

#[test]
fn bleeds_begin_with_what_earlier_warm_ups_taught() {
    let done = |turns: f64| Adjustment {
        turns,
        change_rpm: 200.0 * turns,
        change_sd_rpm: 5.0,
    };
    let lessons = Lessons {
        bleeds: [0.5, -0.25, 0.5].map(done).into(),
        ..Lessons::default()
    };
    let mut pit = Pit::of((car(), sheet()), lessons);
    pit.run(30, 2_300.0);
    let advice = pit.figure("bleed");
    assert_eq!(
        advice.value,
        Some(0.5),
        "100 rpm short of the middle: {advice:?}"
    );
    assert!(
        advice.words.contains("learned in earlier warm-ups only"),
        "{advice:?}"
    );
}
