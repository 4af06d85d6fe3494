//! A core with alarms of a test's own, its clock, and what it said: nothing here waits or reads a real clock.
#![allow(dead_code, reason = "each test file uses a part of it")]

use spinover::core::{
    Core, Input, Journal, Output,
    feed::{Batch, Report},
};
use spinover_protocol::{
    Millis,
    alarm::{Alarm, AlarmState, Hold, InPhases, Limit, Watch},
    car::{Band, Car, Channel, Role},
    event::{Event, EventBody, Right, Who},
    message::Command,
    record::Warmup,
    sheet::{Phase, Sheet, Step},
    units::Unit,
};

pub const OIL: usize = 0;
pub const RPM: usize = 1;
pub const HEAD: usize = 2;
/// No channel here can honestly read that.
pub const IMPLAUSIBLE: f64 = 99_999.0;
pub const OLD_AFTER: Millis = 1_000;

pub fn above(channel: &str, limit: f64) -> Watch {
    Watch::Above(Limit {
        channel: channel.into(),
        limit,
    })
}

pub fn below(channel: &str, limit: f64) -> Watch {
    Watch::Below(Limit {
        channel: channel.into(),
        limit,
    })
}

pub fn hold(channel: &str, at_least: f64, for_ms: i64) -> Option<Hold> {
    Some(Hold {
        channel: channel.into(),
        at_least,
        for_ms,
    })
}

/// An alarm that comes after 300 ms and goes after two seconds.
pub fn alarm(key: &str, priority: u8, watch: Watch) -> Alarm {
    Alarm {
        key: key.into(),
        text: key.to_owned(),
        answer: "look".to_owned(),
        priority,
        watch,
        deadband: 0.0,
        on_delay_ms: 300,
        off_delay_ms: 2_000,
        phases: InPhases::All,
        only_while: None,
        once: None,
        latched: false,
        kill: false,
        follows: vec![],
    }
}

pub fn car(alarms: Vec<Alarm>) -> Car {
    let channel = |key: &str, unit, high, band| Channel {
        decimals: 0,
        old_after_ms: OLD_AFTER,
        band,
        ..Channel::new(key, unit, (0.0, high))
    };
    let narrow = Some(Band {
        low: 60.0,
        high: 64.0,
    });
    Car {
        team: "t".to_owned(),
        name: "c".to_owned(),
        channels: vec![
            channel("oil", Unit::Psi, 300.0, narrow),
            channel("rpm", Unit::Rpm, 12_000.0, None),
            channel("head", Unit::DegC, 600.0, None),
        ],
        roles: vec![Role {
            key: "chief".into(),
            label: "Chief".to_owned(),
            ..Role::default()
        }],
        alarms,
        ..Car::default()
    }
}

/// Three phases of one step each: `prepare` stands still, `run` fires, `off` is the shut-down.
pub fn sheet() -> Sheet {
    let phase = |key: &str, step: &str, firing, shut_down| Phase {
        key: key.into(),
        name: key.to_owned(),
        shut_down,
        firing,
        steps: vec![Step {
            key: step.into(),
            text: step.to_owned(),
            owner: "chief".into(),
            ordered: true,
            ..Step::default()
        }],
        ..Phase::default()
    };
    Sheet {
        key: "s".to_owned(),
        name: "s".to_owned(),
        phases: vec![
            phase("prepare", "lit", false, false),
            phase("run", "done", true, false),
            phase("off", "safe", false, true),
        ],
    }
}

/// What an event says of an alarm, in short.
pub fn said(event: &Event) -> Option<String> {
    Some(match &event.body {
        EventBody::AlarmRaised { alarm, after, .. } => match after {
            Some(after) => format!("{alarm} after {after}"),
            None => format!("{alarm} raised"),
        },
        EventBody::AlarmReturned { alarm } => format!("{alarm} returned"),
        EventBody::AlarmUnshelved { alarm } => format!("{alarm} unshelved"),
        _ => return None,
    })
}

pub struct Pit {
    pub core: Core,
    pub now: Millis,
    pub events: Vec<Event>,
    alarms: Vec<Alarm>,
    fresh: usize,
    ids: u32,
}

impl Pit {
    pub fn new(alarms: Vec<Alarm>) -> Self {
        let core = core(&alarms, &Journal::default());
        let mut pit = Self {
            core,
            now: 1_000_000,
            events: Vec::new(),
            alarms,
            fresh: 0,
            ids: 0,
        };
        assert_eq!(pit.take(Input::Start), Ok(()));
        pit
    }

    /// The hub ends without a word and is started again with what is on its disk.
    pub fn start_again(&mut self) {
        let last = self.events.last().map_or(0, |event| event.seq);
        let journal = Journal {
            events: self.events.clone(),
            last,
            ..Journal::default()
        };
        self.core = core(&self.alarms, &journal);
        assert_eq!(self.take(Input::Start), Ok(()));
    }

    pub fn take(&mut self, input: Input) -> Result<(), String> {
        let mut done = Ok(());
        for output in self.core.take(self.now, input) {
            match output {
                Output::Event(event) => self.events.push(event),
                Output::Refused(_, reason) => done = Err(reason),
                _ => {}
            }
        }
        done
    }

    /// Readings come in now.
    pub fn read(&mut self, values: &[(usize, f64)]) {
        let (t_s, values) = (None, values.to_vec());
        let batch = Report::Batch(Batch { t_s, values });
        assert_eq!(self.take(Input::Report(0, batch)), Ok(()));
    }

    /// So many milliseconds later; the hub looks once, then.
    pub fn later(&mut self, ms: Millis) {
        self.now += ms;
        assert_eq!(self.take(Input::Tick), Ok(()));
    }

    /// The same readings every tenth of a second for so long, the first and the last at its ends.
    pub fn keep(&mut self, ms: Millis, values: &[(usize, f64)]) {
        self.read(values);
        let mut left = ms;
        while left > 0 {
            let step = left.min(100);
            self.now += step;
            left -= step;
            self.read(values);
        }
    }

    pub fn ask(&mut self, right: Right, command: Command) -> Result<(), String> {
        self.ids += 1;
        let who = Who {
            id: "phone-0001".into(),
            name: "Ines".to_owned(),
            role: "chief".into(),
        };
        let id = format!("c{}", self.ids).as_str().into();
        self.take(Input::Command(who, right, id, command))
    }

    pub fn chief(&mut self, command: Command) {
        assert_eq!(
            self.ask(Right::Chief, command.clone()),
            Ok(()),
            "{command:?}"
        );
    }

    pub fn mark(&mut self, step: &str) {
        self.chief(Command::Mark { step: step.into() });
    }

    pub fn warmup(&self) -> &Warmup {
        self.core.record().warmup.as_ref().expect("it has begun")
    }

    pub fn state(&self, key: &str) -> AlarmState {
        self.warmup().alarm_state(&key.into())
    }

    pub fn urgent(&mut self) -> Vec<String> {
        let urgent = self.core.frame(self.now).urgent;
        urgent.iter().map(ToString::to_string).collect()
    }

    /// What was said of alarms since this was last asked.
    pub fn news(&mut self) -> Vec<String> {
        let news = self.events[self.fresh..].iter().filter_map(said).collect();
        self.fresh = self.events.len();
        news
    }
}

fn core(alarms: &[Alarm], journal: &Journal) -> Core {
    let sources = vec!["lines".to_owned()];
    Core::new(
        car(alarms.to_vec()),
        vec![sheet()],
        sources,
        vec![],
        journal,
    )
}
