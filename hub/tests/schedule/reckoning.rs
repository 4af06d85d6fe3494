//! How a turnaround stands, reckoned from its record: what people said, what earlier ones teach, what the call to the lanes asks.
use spinover::core::turnaround::{Reckoning, Took, teach};
use spinover::files::demo;
use spinover_protocol::event::{Event, EventBody};
use spinover_protocol::turnaround::{Outlook, TaskNow, Turnaround};
use std::sync::Arc;

const MINUTE_MS: i64 = 60_000;
const BEGUN: i64 = 1_778_943_000_000;

struct Pit {
    turnaround: Turnaround,
    seq: u64,
}

impl Pit {
    fn new(lanes_in_min: Option<i64>) -> Self {
        let plan = demo::between_rounds().unwrap();
        let lanes_at = lanes_in_min.map(|min| BEGUN + min * MINUTE_MS);
        Self {
            turnaround: Turnaround::begin(&plan, BEGUN, lanes_at),
            seq: 0,
        }
    }

    fn at(&mut self, min: f64, body: EventBody) -> &mut Self {
        self.seq += 1;
        self.turnaround.apply(&Event {
            seq: self.seq,
            at: BEGUN + (min * MINUTE_MS as f64) as i64,
            by: None,
            command: None,
            body,
        });
        self
    }

    fn took(&mut self, task: &str, from: f64, to: f64) -> &mut Self {
        self.at(from, EventBody::TaskStarted { task: task.into() })
            .at(to, EventBody::TaskDone { task: task.into() })
    }

    fn outlook(&self, min: f64, took: &Took) -> Outlook {
        let now = Reckoning {
            now: BEGUN + (min * MINUTE_MS as f64) as i64,
            plan: "Between rounds".to_owned(),
            turnaround: Some(self.turnaround.clone()),
            took: Arc::new(took.clone()),
            air: Default::default(),
        }
        .run();
        *now.outlook.expect("under way")
    }
}

fn task<'o>(outlook: &'o Outlook, key: &str) -> &'o TaskNow {
    let tasks = &outlook.tasks;
    tasks.iter().find(|task| task.task.as_str() == key).unwrap()
}

#[test]
fn times_are_the_hubs_clock_and_go_on_as_time_passes() {
    let mut pit = Pit::new(Some(80));
    pit.took("made_safe", 0.0, 5.0);
    let early = pit.outlook(5.0, &Took::new());
    assert!(early.ready.unwrap().middle > BEGUN + 40 * MINUTE_MS);
    // Nothing was done for half an hour: everything is half an hour later, and the chance is gone.
    let late = pit.outlook(35.0, &Took::new());
    let moved = late.end.middle - early.end.middle;
    assert!((moved - 30 * MINUTE_MS).abs() < MINUTE_MS / 10, "{moved}");
    assert!(early.chance.unwrap() > 0.3 && late.chance.unwrap() < 0.01);
    assert!(task(&late, "heads_off").spare_min.unwrap() < 0.0);
    assert_eq!(task(&late, "made_safe").spare_min, None);
}

#[test]
fn what_somebody_says_of_a_task_counts_from_when_it_was_said() {
    let mut pit = Pit::new(Some(90));
    pit.took("made_safe", 0.0, 5.0)
        .took("body_up", 5.0, 8.0)
        .at(
            8.0,
            EventBody::TaskStarted {
                task: "clutch".into(),
            },
        )
        .at(
            20.0,
            EventBody::TaskLate {
                task: "clutch".into(),
                left_min: 40.0,
            },
        );
    let minutes =
        |outlook: &Outlook| (task(outlook, "clutch").finish - BEGUN) as f64 / MINUTE_MS as f64;
    let said = minutes(&pit.outlook(20.0, &Took::new()));
    assert!((57.0..66.0).contains(&said), "{said}");
    // Ten minutes on, it is still about the same time of day.
    let later = minutes(&pit.outlook(30.0, &Took::new()));
    assert!((later - said).abs() < 1.0, "{said} {later}");
}

#[test]
fn earlier_turnarounds_correct_the_guesses_and_say_how_many_they_were() {
    let mut took = Took::new();
    for _ in 0..6 {
        let mut past = Pit::new(None);
        // Half as long again as the likely 25 minutes; one that was marked in passing teaches nothing.
        past.took("clutch", 8.0, 45.5).took("oil_in", 50.0, 50.01);
        past.at(90.0, EventBody::TurnaroundClosed {});
        teach(&past.turnaround, &mut took);
    }
    let pit = Pit::new(None);
    let (fresh, taught) = (pit.outlook(0.0, &Took::new()), pit.outlook(0.0, &took));
    let lasts = |outlook: &Outlook| {
        let clutch = task(outlook, "clutch");
        (clutch.finish - clutch.start) as f64
    };
    assert!((1.2..1.45).contains(&(lasts(&taught) / lasts(&fresh))));
    assert_eq!(task(&taught, "clutch").learned, 6);
    assert_eq!(task(&taught, "oil_in").learned, 0);
    assert_eq!(taught.chance, None);
}

#[test]
fn taken_back_is_as_if_it_had_not_been() {
    let mut pit = Pit::new(Some(80));
    pit.took("made_safe", 0.0, 5.0);
    let before = pit.turnaround.clone();
    let undone = || EventBody::TaskUndone {
        task: "body_up".into(),
    };
    pit.took("body_up", 5.0, 8.0).at(9.0, undone());
    assert!(pit.turnaround.since(&"body_up".into()).is_some());
    pit.at(9.5, undone());
    assert_eq!(pit.turnaround, before);
}
