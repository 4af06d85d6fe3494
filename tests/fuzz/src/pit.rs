//! Whole crews: what phones send, what a hub sends, and what sensors and people do in any order.

use spinover::{
    core::{
        Core, Input, Journal, Output,
        feed::{Batch, Report},
    },
    files::{CarFile, demo},
    sources::{decode::Intake, index::ChannelIndex, tally::Tally},
};
use spinover_protocol::{
    CommandId, Millis,
    event::{Audience, Event, Right, Who},
    json,
    link::{self, Action, Identity, Link},
    message::{ClientMessage, Command, HubMessage},
    record::Record,
    sheet::Sheet,
};
use std::sync::{Arc, LazyLock};

static CAR: LazyLock<CarFile> = LazyLock::new(|| demo::car().expect("the demo's car"));
static SHEETS: LazyLock<Vec<Sheet>> = LazyLock::new(|| demo::sheets().expect("the demo's sheets"));

const BEGUN: Millis = 1_790_000_000_000;
/// Longer inputs only repeat what shorter ones can do.
const MOST_LINES: usize = 300;
const MOST_HAPPENINGS: usize = 100;

/// A hub's core, and beside it what a phone and a book would make of what comes out.
struct Crew {
    core: Core,
    now: Millis,
    witness: Record,
    events: Vec<Event>,
    commands: u64,
}

impl Crew {
    fn new() -> Self {
        let core = Core::new(
            CAR.car.clone(),
            SHEETS.clone(),
            vec!["a".to_owned(), "b".to_owned()],
            vec!["flow_lever".to_owned()],
            &Journal::default(),
        );
        let mut crew = Self {
            core,
            now: BEGUN,
            witness: Record::default(),
            events: Vec::new(),
            commands: 0,
        };
        crew.take(Input::Start);
        for right in [Right::Crew, Right::Chief] {
            crew.take(Input::Joined(who(right), right));
        }
        crew
    }

    fn take(&mut self, input: Input) {
        for output in self.core.take(self.now, input) {
            match output {
                Output::Event(event) => {
                    let told = serde_json::to_string(&event).expect("finite numbers");
                    assert_eq!(serde_json::from_str::<Event>(&told).expect(&told), event);
                    assert_eq!(event.seq, self.witness.seq + 1);
                    self.witness.apply(&event);
                    self.events.push(event);
                }
                Output::Accepted(_, seq) => assert!(seq > 0 && seq <= self.witness.seq),
                Output::Refused(_, reason) => assert!(!reason.is_empty()),
                Output::Keep(_, values) => {
                    assert!(
                        values
                            .iter()
                            .all(|(channel, value)| *channel < CAR.car.channels.len()
                                && value.is_finite())
                    );
                }
                Output::Control(_, value) => assert!(value.is_finite()),
                Output::StopNow { .. } | Output::PresenceChanged => {}
            }
        }
    }

    fn want(&mut self, right: Right, command: Command) {
        self.commands += 1;
        let id = CommandId(format!("own-{}", self.commands));
        self.take(Input::Command(who(right), right, id, command));
    }

    /// What is shown can be told, and a hub started again on the same book knows the same.
    fn end(mut self) {
        assert_eq!(&self.witness, self.core.record());
        told(HubMessage::Progress(self.core.progress(self.now)));
        told(HubMessage::Readings(self.core.frame(self.now)));
        told(HubMessage::Figures {
            figures: self.core.figures(self.now),
        });
        told(HubMessage::Presence {
            people: self.core.people(),
        });
        told(HubMessage::Sources {
            sources: self.core.sources(self.now),
        });
        told(HubMessage::Snapshot {
            record: Box::new(self.witness.clone()),
        });
        let journal = Journal {
            last: self.witness.seq,
            events: self.events,
            ..Journal::default()
        };
        let again = Core::new(CAR.car.clone(), SHEETS.clone(), vec![], vec![], &journal);
        assert_eq!(&self.witness, again.record());
    }
}

fn told(message: HubMessage) {
    let text = serde_json::to_string(&message).expect("every message is JSON");
    assert_eq!(
        serde_json::from_str::<HubMessage>(&text).expect(&text),
        message
    );
}

fn who(right: Right) -> Who {
    let (id, name) = match right {
        Right::Crew => ("phone-crew", "Ash"),
        Right::Chief => ("phone-chief", "Wren"),
    };
    let role = if right == Right::Chief {
        "chief"
    } else {
        "idle"
    };
    Who {
        id: id.into(),
        name: name.to_owned(),
        role: role.into(),
    }
}

/// Frames from phones, one a line: from the chief's, or from another's where a `+` stands before. A line that is no frame is
/// taken as readings; a blank one lets a second pass.
pub fn client_frames(data: &[u8]) {
    let mut crew = Crew::new();
    let mut intake = Intake::new(Arc::new(ChannelIndex::new(&CAR.car)));
    let mut tally = Tally::default();
    for line in data.split(|byte| *byte == b'\n').take(MOST_LINES) {
        crew.now += 137;
        let (right, text) = match line.strip_prefix(b"+") {
            Some(rest) => (Right::Crew, rest),
            None => (Right::Chief, line),
        };
        if text.is_empty() {
            crew.now += 1_000;
            crew.take(Input::Tick);
            continue;
        }
        match serde_json::from_slice(text) {
            Ok(ClientMessage::Command { id, command }) if (1..=64).contains(&id.0.len()) => {
                let before = crew.witness.seq;
                let input = Input::Command(who(right), right, id, command);
                crew.take(input.clone());
                // Sent again, it makes nothing new.
                let once = crew.witness.seq;
                if once > before {
                    crew.take(input);
                    assert_eq!(crew.witness.seq, once);
                }
            }
            Ok(ClientMessage::Ping {
                lag_ms: Some(lag), ..
            }) => crew.take(Input::Lag(who(right).id, lag)),
            Ok(_) => {}
            Err(_) => {
                if let Some(batch) = intake.line(text, &mut tally) {
                    crew.take(Input::Report(0, Report::Batch(batch)));
                }
            }
        }
    }
    crew.end();
}

/// A hub's frame as the app reads it, by a reader of its own. That one knows a unit by its symbol alone and is otherwise a little more
/// lenient than serde; but where both read something it is the same, and it reads whatever a hub writes.
fn as_the_app_reads(line: &[u8]) -> Option<HubMessage> {
    let text = std::str::from_utf8(line).ok()?;
    let read = json::from_str(text).ok();
    if let Ok(message) = serde_json::from_str::<HubMessage>(text) {
        assert!(read.is_none() || read.as_ref() == Some(&message), "{text}");
        let told = serde_json::to_string(&message).expect("every message is JSON");
        let again: HubMessage = serde_json::from_str(&told).expect(&told);
        assert_eq!(json::from_str(&told).ok(), Some(again), "{told}");
    }
    read
}

/// Frames from a hub to a phone, one a line. A line that is none is something that happens to the phone.
pub fn hub_frames(data: &[u8]) {
    let identity = Identity {
        code: "code".to_owned(),
        name: "Ash".to_owned(),
        role: "idle".into(),
        device: "phone-0001".into(),
    };
    let mut link = Link::new(identity, 7);
    let mut now = 1_000.0;
    link.take(now, link::Input::Tick);
    link.take(now, link::Input::Opened);
    for (n, line) in data
        .split(|byte| *byte == b'\n')
        .take(MOST_LINES)
        .enumerate()
    {
        now += 90.0;
        let input = match (as_the_app_reads(line), line.first()) {
            (Some(message), _) => link::Input::Received(Box::new(message)),
            (_, Some(b'c')) => link::Input::Closed,
            (_, Some(b'o')) => link::Input::Opened,
            (_, Some(b'w')) => link::Input::Wake,
            (_, Some(b'n')) => link::Input::Want(
                CommandId(format!("c-{n}")),
                Command::Note {
                    text: "n".to_owned(),
                },
            ),
            _ => {
                now += 3_000.0;
                link::Input::Tick
            }
        };
        for action in link.take(now, input) {
            if let Action::Send(message) = action {
                let told = serde_json::to_string(&message).expect("every message is JSON");
                assert!(
                    serde_json::from_str::<ClientMessage>(&told).is_ok(),
                    "{told}"
                );
            }
        }
        looked_at(&link, now);
    }
}

/// What the pages ask of the link.
fn looked_at(link: &Link, now: f64) {
    link.state(now);
    link.lag_ms();
    let mirror = link.mirror();
    let channels = mirror
        .welcome
        .as_ref()
        .map_or(0, |welcome| welcome.car.channels.len());
    for channel in 0..channels.min(40) {
        mirror.frame.reading(channel);
        link.age_ms(channel, now);
    }
    link::marks(mirror);
    if let Some(warmup) = &mirror.record.warmup {
        for call in warmup.calls.iter().take(20) {
            link::not_seen_by(mirror, call.seq);
        }
    }
}

/// Sensors, people and time in any order, three bytes a happening: alarms come, go, are answered, shelved and taken out.
pub fn crew(data: &[u8]) {
    let mut crew = Crew::new();
    for bytes in data.chunks_exact(3).take(MOST_HAPPENINGS) {
        let (what, which, much) = (bytes[0], usize::from(bytes[1]), f64::from(bytes[2]) / 255.0);
        let right = if what & 0x80 == 0 {
            Right::Chief
        } else {
            Right::Crew
        };
        crew.now += 40;
        match what & 0x0F {
            0..=3 => {
                let channel = which % CAR.car.channels.len();
                let plausible = CAR.car.channels[channel].plausible;
                // From a fifth of the span below to a fifth above.
                let value = plausible.low + (plausible.high - plausible.low) * (much * 1.4 - 0.2);
                let t_s = (what & 1 == 0).then(|| (crew.now - BEGUN) as f64 / 1000.0);
                let batch = Batch {
                    t_s,
                    values: vec![(channel, value)],
                };
                crew.take(Input::Report(
                    usize::from(what & 0x10 != 0),
                    Report::Batch(batch),
                ));
            }
            4 => {
                crew.now += (much * 60_000.0) as Millis;
                crew.take(Input::Tick);
            }
            5 | 6 => {
                let alarm = CAR.car.alarms[which % CAR.car.alarms.len()].key.clone();
                let reason = "because".to_owned();
                crew.want(
                    right,
                    match bytes[2] % 6 {
                        0 => Command::AcknowledgeAlarm { alarm },
                        1 => Command::ResetAlarm { alarm },
                        2 => Command::ShelveAlarm {
                            alarm,
                            for_s: u32::from(bytes[2]) * 5,
                            reason,
                        },
                        3 => Command::UnshelveAlarm { alarm },
                        4 => Command::TakeAlarmOut { alarm, reason },
                        _ => Command::PutAlarmBack { alarm },
                    },
                );
            }
            7..=9 => {
                let steps: Vec<_> = SHEETS
                    .iter()
                    .flat_map(|sheet| sheet.steps())
                    .map(|(_, step)| step.key.clone())
                    .collect();
                let next = crew
                    .core
                    .progress(crew.now)
                    .steps
                    .first()
                    .map(|step| step.step.clone());
                let step = next
                    .filter(|_| which < 200)
                    .unwrap_or_else(|| steps[which % steps.len()].clone());
                let reason = "because".to_owned();
                crew.want(
                    right,
                    match bytes[2] % 5 {
                        0 => Command::Skip { step, reason },
                        1 => Command::ConfirmSkip { step },
                        2 => Command::Undo { step },
                        3 => Command::WithdrawSkip { step },
                        _ => Command::Mark { step },
                    },
                );
            }
            10 => {
                let call = crew.witness.seq.saturating_sub(which as u64);
                crew.want(
                    right,
                    match bytes[2] % 4 {
                        0 => Command::Call {
                            to: Audience::All,
                            text: "ready".to_owned(),
                        },
                        1 => Command::Stop {
                            text: String::new(),
                        },
                        2 => Command::Seen { call },
                        _ => Command::Lift { call },
                    },
                );
            }
            11 => {
                let channel = CAR.car.channels[which % CAR.car.channels.len()].key.clone();
                crew.want(
                    right,
                    match bytes[2] % 3 {
                        0 => Command::TypeReading {
                            channel,
                            value: much * 300.0,
                        },
                        1 => Command::SetBand {
                            channel,
                            phase: None,
                            band: None,
                        },
                        _ => Command::Calibrate {
                            channel,
                            points: vec![],
                        },
                    },
                );
            }
            12 => {
                let reason = "because".to_owned();
                crew.want(
                    right,
                    match bytes[2] % 5 {
                        0 => Command::Hold { reason },
                        1 => Command::Resume {},
                        2 => Command::Abort { reason },
                        3 => Command::Close {},
                        _ => Command::Begin {
                            sheet: SHEETS[which % SHEETS.len()].key.clone(),
                        },
                    },
                );
            }
            13 => crew.take(Input::Left(who(right).id)),
            14 => crew.take(Input::Joined(who(right), right)),
            _ => crew.take(Input::Tick),
        }
    }
    crew.end();
}
