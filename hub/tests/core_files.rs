//! A hub that is begun anew with other files: which warm-up goes on, which is begun, and what must outlive it.

use spinover::core::{Core, Input, Journal, Output};
use spinover::files::demo;
use spinover_protocol::{
    car::{Band, Car},
    event::{Event, Right, Who},
    message::Command,
    record::Warmup,
    sheet::Sheet,
};

fn files() -> (Car, Vec<Sheet>) {
    (demo::car().unwrap().car, demo::sheets().unwrap())
}

fn other_car() -> Car {
    let mut car = files().0;
    car.channels[3].band = Some(Band {
        low: 70.0,
        high: 140.0,
    });
    car
}

/// A run of the hub: what it does with the inputs, from the events of the runs before; its events are added.
fn run(car: Car, sheets: Vec<Sheet>, events: &mut Vec<Event>, commands: Vec<Command>) -> Core {
    let journal = Journal {
        last: events.last().map_or(0, |event| event.seq),
        events: events.clone(),
        ..Journal::default()
    };
    let mut core = Core::new(car, sheets, Vec::new(), Vec::new(), &journal);
    let who = Who {
        id: "wren-the-chief".into(),
        name: "Wren".to_owned(),
        role: "chief".into(),
    };
    let asked = commands.into_iter().enumerate().map(|(nth, command)| {
        let id = format!("{}-{nth}", journal.last);
        Input::Command(who.clone(), Right::Chief, id.as_str().into(), command)
    });
    for input in std::iter::once(Input::Start).chain(asked) {
        let now = 1_000 * (events.len() as i64 + 1);
        for output in core.take(now, input) {
            match output {
                Output::Event(event) => events.push(event),
                Output::Refused(_, why) => panic!("{why}"),
                _ => {}
            }
        }
    }
    core
}

fn warmup(core: &Core) -> &Warmup {
    core.record().warmup.as_ref().unwrap()
}

#[test]
fn the_same_files_go_on_and_others_begin_anew_on_the_sheet_that_was_chosen() {
    let (car, sheets) = files();
    let mut events = Vec::new();
    let begin = Command::Begin {
        sheet: "to_the_line".to_owned(),
    };
    let first = warmup(&run(car.clone(), sheets.clone(), &mut events, vec![begin]))
        .id
        .clone();
    assert_eq!(
        warmup(&run(car, sheets.clone(), &mut events, Vec::new())).id,
        first
    );
    let core = run(other_car(), sheets, &mut events, Vec::new());
    assert_ne!(warmup(&core).id, first);
    assert_eq!(warmup(&core).car, other_car(), "the record says what held");
    assert_eq!(warmup(&core).sheet.key, "to_the_line");
}

#[test]
fn a_stop_that_stands_outlives_its_warm_up() {
    let (car, sheets) = files();
    let mut events = Vec::new();
    let stop = Command::Stop {
        text: "Person under the car".to_owned(),
    };
    run(car, sheets.clone(), &mut events, vec![stop]);
    let core = run(other_car(), sheets.clone(), &mut events, Vec::new());
    let stops: Vec<_> = warmup(&core).stops().collect();
    assert_eq!(stops.len(), 1);
    assert_eq!(
        (
            stops[0].said.text.as_str(),
            stops[0].said.by.as_ref().unwrap().name.as_str()
        ),
        ("Person under the car", "Wren")
    );
    let seqs: Vec<u64> = events.iter().map(|event| event.seq).collect();
    assert!(seqs.windows(2).all(|two| two[1] == two[0] + 1), "{seqs:?}");
    assert_eq!(
        core.busy(99_000, true).as_deref(),
        Some("a stop stands; lift it first")
    );
    // Lifted, it does not come back.
    let call = stops[0].seq;
    run(
        other_car(),
        sheets.clone(),
        &mut events,
        vec![Command::Lift { call }],
    );
    let core = run(files().0, sheets, &mut events, Vec::new());
    assert_eq!(warmup(&core).stops().count(), 0);
    assert_eq!(core.busy(99_000, true), None);
}
