//! What the hub says to be late by itself, over a whole time between rounds: once each, only what somebody can do something about, and
//! nothing where there is time enough.
use spinover::core::{Core, Input, Journal, Output};
use spinover::files::demo;
use spinover_protocol::event::{EventBody, Right, Who};
use spinover_protocol::message::Command;
use spinover_protocol::turnaround::Turnaround;

const MINUTE_MS: i64 = 60_000;
const BEGUN: i64 = 1_778_943_000_000;

struct Pit {
    core: Core,
    now: i64,
    presses: usize,
    told: Vec<(Option<String>, i64)>,
}

impl Pit {
    fn new(lanes_in_min: i64) -> Self {
        let (car, sheets) = (demo::car().unwrap().car, demo::sheets().unwrap());
        let mut core = Core::new(car, sheets, Vec::new(), Vec::new(), &Journal::default());
        core.plan(Some(demo::between_rounds().unwrap()));
        let mut pit = Self {
            core,
            now: BEGUN,
            presses: 0,
            told: Vec::new(),
        };
        let lanes_at = Some(BEGUN + lanes_in_min * MINUTE_MS);
        pit.press(Command::BeginTurnaround { lanes_at });
        pit
    }

    fn turnaround(&self) -> &Turnaround {
        self.core.record().turnaround.as_ref().unwrap()
    }

    fn press(&mut self, command: Command) {
        let who = Who {
            id: "chiefs".into(),
            name: "Wren".to_owned(),
            role: "chief".into(),
        };
        self.presses += 1;
        let id = spinover_protocol::CommandId(format!("press-{}", self.presses));
        let outputs = self
            .core
            .take(self.now, Input::Command(who, Right::Chief, id, command));
        assert!(
            !outputs
                .iter()
                .any(|output| matches!(output, Output::Refused(..))),
            "{outputs:?}"
        );
    }

    /// Five minutes pass, and it is reckoned; the core hears of it three times over.
    fn minutes(&mut self) {
        self.now += 5 * MINUTE_MS;
        let stands = self.core.reckoning(self.now).unwrap().run();
        let outlook = stands.outlook.clone().unwrap();
        for _ in 0..3 {
            let stands = stands.clone();
            for output in self.core.take(self.now, Input::Stands(Box::new(stands))) {
                let Output::Event(event) = output else {
                    continue;
                };
                let EventBody::LateTold { task, chance, .. } = event.body else {
                    panic!("{:?}", event.body)
                };
                assert_eq!(event.by, None);
                if let Some(task) = &task {
                    let turnaround = self.turnaround();
                    let can =
                        turnaround.may_start(task).is_ok() || turnaround.since(task).is_some();
                    assert!(can, "{task} waits for others");
                    let now = outlook.tasks.iter().find(|now| now.task == *task).unwrap();
                    assert!(
                        now.spare_min.unwrap() < 0.0 && now.critical >= 0.5,
                        "{now:?}"
                    );
                } else {
                    assert!(chance.unwrap() < turnaround_below(self.turnaround()));
                }
                let call = self.turnaround().lanes_at.unwrap();
                self.told.push((task.map(|task| task.to_string()), call));
            }
        }
    }
}

fn turnaround_below(turnaround: &Turnaround) -> f64 {
    turnaround.plan.tell_below.expect("the demo's plan says")
}

#[test]
fn nothing_is_told_where_there_is_time_enough() {
    let mut pit = Pit::new(300);
    (0..2).for_each(|_| pit.minutes());
    assert_eq!(pit.told, []);
}

#[test]
fn a_slow_crew_is_told_each_thing_once_for_each_call() {
    let mut pit = Pit::new(75);
    // Nobody does anything for half an hour; then each task takes five minutes, one after the other.
    (0..6).for_each(|_| pit.minutes());
    let idle = pit.told.len();
    assert!((1..=4).contains(&idle), "{:?}", pit.told);
    while let Some(task) = {
        let turnaround = pit.turnaround();
        let mut tasks = turnaround.plan.tasks.iter().map(|task| task.key.clone());
        tasks.find(|task| turnaround.may_start(task).is_ok())
    } {
        pit.press(Command::StartTask { task: task.clone() });
        pit.minutes();
        pit.press(Command::FinishTask { task });
        if pit.presses > 10 {
            break;
        }
    }
    let mut once = pit.told.clone();
    once.sort();
    once.dedup();
    assert_eq!(once.len(), pit.told.len(), "{:?}", pit.told);
    assert!(pit.told.len() > idle, "each has its turn");
    // A call that has been moved may be told of again, as often as it is moved.
    let before = pit.told.len();
    let lanes_at = Some(pit.now + MINUTE_MS);
    pit.press(Command::SetLanesCall { lanes_at });
    pit.minutes();
    assert!(pit.told.len() > before);
}

#[test]
fn a_reckoning_of_what_was_says_nothing() {
    let mut pit = Pit::new(20);
    pit.now += MINUTE_MS;
    let old = pit.core.reckoning(pit.now).unwrap().run();
    pit.now += 1_000;
    let lanes_at = Some(pit.now + 300 * MINUTE_MS);
    pit.press(Command::SetLanesCall { lanes_at });
    assert_eq!(pit.core.take(pit.now, Input::Stands(Box::new(old))), []);
}
