//! What alarms did in a warm-up: each coming with its end and its answer, and what was put aside. Pure.

use spinover_protocol::{
    AlarmKey, Millis,
    event::{Event, EventBody},
    record::{Record, Said},
};

/// One coming of an alarm.
#[derive(Clone, Debug, PartialEq)]
pub struct Came {
    /// The alarm.
    pub alarm: AlarmKey,
    /// When its condition came true, after its delay.
    pub at: Millis,
    /// What its channel read then, in the channel's unit.
    pub value: Option<f64>,
    /// The alarm that it followed from.
    pub after: Option<AlarmKey>,
    /// When its condition went; still true at the end when absent.
    pub returned_at: Option<Millis>,
    /// What became of it.
    pub answer: Answer,
    /// Who reset it, and when, where it waits for that.
    pub reset: Option<Said>,
}

/// What became of an alarm that came.
#[derive(Clone, Debug, PartialEq)]
pub enum Answer {
    /// Nothing was asked: it followed from another, or had been put aside before.
    NotAsked,
    /// It waited to the end.
    Waits,
    /// Acknowledged.
    Acknowledged(Said),
    /// Put aside while it waited.
    PutAside(Said),
}

/// An alarm put aside.
#[derive(Clone, Debug, PartialEq)]
pub struct PutAside {
    /// The alarm.
    pub alarm: AlarmKey,
    /// When, by whom, and why.
    pub said: Said,
    /// Until when it was to be; none for the rest of the warm-up.
    pub until: Option<Millis>,
    /// When it came back and by whom, the hub when its time was over.
    pub back: Option<Said>,
}

/// What alarms did, in the order of time.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Alarmed {
    /// Every coming.
    pub came: Vec<Came>,
    /// What was put aside.
    pub aside: Vec<PutAside>,
}

impl Alarmed {
    /// Reads the events of one warm-up, as [`super::Reader::story`] gives them.
    pub fn of(story: &[Event]) -> Self {
        let mut record = Record::default();
        let mut alarmed = Self::default();
        for event in story {
            record.apply(event);
            // The state machine of the live alarms says whether somebody is asked; it is not worked out a second time here.
            let asked = |alarm: &AlarmKey| {
                let warmup = record.warmup.as_ref();
                warmup
                    .and_then(|warmup| warmup.alarms.get(alarm))
                    .is_some_and(|now| now.flags.unacknowledged)
            };
            alarmed.take(event, asked);
        }
        alarmed
    }

    fn take(&mut self, event: &Event, asked: impl Fn(&AlarmKey) -> bool) {
        let said = |text: &str| Said {
            at: event.at,
            by: event.by.clone(),
            text: text.to_owned(),
        };
        match &event.body {
            EventBody::AlarmRaised {
                alarm,
                value,
                after,
            } => {
                let answer = match asked(alarm) {
                    true => Answer::Waits,
                    false => Answer::NotAsked,
                };
                // What turns from a consequence into news of its own is the same coming.
                let open = self.open(alarm);
                if let Some(came) = open
                    && came.after.is_some()
                    && after.is_none()
                {
                    came.answer = answer;
                    return;
                }
                self.came.push(Came {
                    alarm: alarm.clone(),
                    at: event.at,
                    value: *value,
                    after: after.clone(),
                    returned_at: None,
                    answer,
                    reset: None,
                });
            }
            EventBody::AlarmReturned { alarm } => {
                if let Some(came) = self.open(alarm) {
                    came.returned_at = Some(event.at);
                }
            }
            EventBody::AlarmAcknowledged { alarm } => {
                self.answered(alarm, &Answer::Acknowledged(said("")));
            }
            EventBody::AlarmReset { alarm } => {
                let of_it = self.came.iter_mut().filter(|came| came.alarm == *alarm);
                of_it
                    .filter(|came| came.reset.is_none())
                    .for_each(|came| came.reset = Some(said("")));
            }
            EventBody::AlarmShelved {
                alarm,
                until,
                reason,
            } => self.put_aside(alarm, said(reason), Some(*until)),
            EventBody::AlarmTakenOut { alarm, reason } => {
                // Out of service ends a shelf, as the state machine has it.
                self.back(alarm, true, said(""), false);
                self.put_aside(alarm, said(reason), None);
            }
            EventBody::AlarmUnshelved { alarm } => {
                self.back(alarm, true, said(""), asked(alarm));
            }
            EventBody::AlarmPutBack { alarm } => {
                self.back(alarm, false, said(""), asked(alarm));
            }
            _ => {}
        }
    }

    /// The coming of an alarm whose condition still holds.
    fn open(&mut self, alarm: &AlarmKey) -> Option<&mut Came> {
        let mut came = self.came.iter_mut().rev();
        came.find(|came| came.alarm == *alarm)
            .filter(|came| came.returned_at.is_none())
    }

    fn answered(&mut self, alarm: &AlarmKey, answer: &Answer) {
        for came in &mut self.came {
            if came.alarm == *alarm && came.answer == Answer::Waits {
                came.answer = answer.clone();
            }
        }
    }

    fn put_aside(&mut self, alarm: &AlarmKey, said: Said, until: Option<Millis>) {
        self.answered(alarm, &Answer::PutAside(said.clone()));
        self.aside.push(PutAside {
            alarm: alarm.clone(),
            said,
            until,
            back: None,
        });
    }

    fn back(&mut self, alarm: &AlarmKey, shelf: bool, said: Said, asked: bool) {
        for aside in &mut self.aside {
            if aside.alarm == *alarm && aside.until.is_some() == shelf && aside.back.is_none() {
                aside.back = Some(said.clone());
            }
        }
        if asked && let Some(came) = self.open(alarm) {
            came.answer = Answer::Waits;
        }
    }
}
