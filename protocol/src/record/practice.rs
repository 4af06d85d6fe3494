//! Practices: who practised when, and how long it took them.

use super::{Call, Said, Warmup};
use crate::json::FromJson;
use crate::{
    Millis, Seq,
    event::{Event, EventBody, Who},
};
use serde::{Deserialize, Serialize};

/// A practice: alone, or with the whole crew.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, FromJson)]
pub struct Practice {
    /// Its number: that of the event that began it.
    pub seq: Seq,
    /// When it began.
    pub at: Millis,
    /// Who began it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub by: Option<Who>,
    /// Everyone practises; else only whoever began it.
    pub crew: bool,
    /// Who has done all of it, and in how many milliseconds.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub done: Vec<(Who, Millis)>,
    /// When it ended.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ended_at: Option<Millis>,
}

impl Practice {
    /// Whether that person takes part, as long as it is on.
    pub fn is_for(&self, who: &Who) -> bool {
        self.ended_at.is_none() && (self.crew || self.by.as_ref().is_some_and(|by| by.id == who.id))
    }

    /// Whether a call was made in it.
    fn has(&self, call: &Call) -> bool {
        let by = call.said.by.as_ref();
        let during = call.seq > self.seq && self.ended_at.is_none_or(|ended| call.said.at <= ended);
        let own = by
            .zip(self.by.as_ref())
            .is_some_and(|(by, its)| by.id == its.id);
        let hubs = by.is_none() && call.seq == self.seq + 1;
        !call.stop && during && (self.crew || own || hubs)
    }

    /// How long that person took, once they have done all of it.
    pub fn took(&self, who: &Who) -> Option<Millis> {
        let done = self.done.iter().find(|(done, _)| done.id == who.id);
        done.map(|(_, took)| *took)
    }
}

impl Warmup {
    /// The practice with that number.
    pub fn practice(&self, seq: Seq) -> Option<&Practice> {
        self.practices.iter().find(|practice| practice.seq == seq)
    }

    /// The call of the hub's own that is to be seen in a practice.
    pub fn practice_call(&self, practice: Seq) -> Option<&Call> {
        self.call(practice + 1)
            .filter(|call| call.said.by.is_none())
    }

    /// Whether a call was made in a practice, and so is not meant. A stop always is.
    pub fn is_practice_call(&self, call: &Call) -> bool {
        let mut practices = self.practices.iter();
        practices.any(|practice| practice.has(call))
    }

    /// Whether that person has said seen to the practice's call, and has called out themselves since it began.
    pub fn practised(&self, practice: &Practice, who: &Who) -> (bool, bool) {
        let own = |call: &&Call| call.said.by.as_ref().is_some_and(|by| by.id == who.id);
        let seen = self
            .practice_call(practice.seq)
            .is_some_and(|call| call.seen.contains_key(&who.id));
        let called = self
            .calls
            .iter()
            .filter(own)
            .any(|call| call.seq > practice.seq && !call.stop);
        (seen, called)
    }

    pub(super) fn apply_to_practices(&mut self, event: &Event, body: &EventBody) {
        match body {
            EventBody::PracticeBegun { crew } => self.practices.push(Practice {
                seq: event.seq,
                at: event.at,
                by: event.by.clone(),
                crew: *crew,
                done: Vec::new(),
                ended_at: None,
            }),
            EventBody::PracticeDone { practice, took_ms } => {
                let known = self
                    .practices
                    .iter_mut()
                    .find(|known| known.seq == *practice);
                if let (Some(known), Some(by)) = (known, &event.by) {
                    known.done.push((by.clone(), *took_ms));
                    if !known.crew {
                        self.end_practice(*practice, event);
                    }
                }
            }
            EventBody::PracticeEnded { practice } => self.end_practice(*practice, event),
            _ => {}
        }
    }

    /// Its calls go with it: nobody is to be interrupted by them afterwards.
    fn end_practice(&mut self, practice: Seq, event: &Event) {
        let mut practices = self.practices.iter_mut();
        let Some(known) = practices.find(|known| known.seq == practice && known.ended_at.is_none())
        else {
            return;
        };
        known.ended_at = Some(event.at);
        for call in self.calls.iter_mut().filter(|call| known.has(call)) {
            call.lifted.get_or_insert(Said {
                at: event.at,
                by: event.by.clone(),
                text: String::new(),
            });
        }
    }
}
