//! Practices over the real pages: only on the simulator or while nothing is connected, and ended at once when a car speaks.

use super::{
    Core, Output,
    command::{Decision, Refusal, words},
};
use spinover_protocol::{
    Millis, Seq,
    event::{Audience, EventBody, Right, Who},
    record::Practice,
};

impl Core {
    pub(super) fn practise(
        &self,
        now: Millis,
        who: &Who,
        right: Right,
        crew: bool,
        text: String,
    ) -> Result<Decision, Refusal> {
        if crew && right != Right::Chief {
            return Err("only the crew chief begins a practice for everyone".to_owned());
        }
        if self.health.may_be_a_car(now) {
            return Err("no practice while a car or a recording is connected".to_owned());
        }
        let warmup = self.open()?;
        if warmup.stops().next().is_some() {
            return Err("a stop stands; it is lifted first".to_owned());
        }
        if warmup.practices.iter().any(|practice| practice.is_for(who)) {
            return Ok(Decision::Nothing);
        }
        let (to, text) = match crew {
            true => (Audience::All, words(text)?),
            false => (Audience::Role(who.role.clone()), words(text)?),
        };
        let call = EventBody::Called {
            to,
            text,
            stop: false,
        };
        let begun = EventBody::PracticeBegun { crew };
        Ok(Decision::Practice(Box::new([begun, call])))
    }

    pub(super) fn practise_done(
        &self,
        now: Millis,
        who: &Who,
        seq: Seq,
    ) -> Result<Decision, Refusal> {
        let practice = self.practice(seq)?;
        if !practice.is_for(who) || practice.took(who).is_some() {
            return Ok(Decision::Nothing);
        }
        match self.open()?.practised(practice, who) {
            (true, true) => Ok(Decision::Events(vec![EventBody::PracticeDone {
                practice: seq,
                took_ms: now - practice.at,
            }])),
            (false, _) => Err("the practice's call has not been seen yet".to_owned()),
            (true, false) => Err("nothing has been called yet".to_owned()),
        }
    }

    pub(super) fn practise_end(
        &self,
        who: &Who,
        right: Right,
        seq: Seq,
    ) -> Result<Decision, Refusal> {
        let practice = self.practice(seq)?;
        let own = practice.by.as_ref().is_some_and(|by| by.id == who.id);
        if right != Right::Chief && !own {
            return Err("the crew chief ends it, or whoever began it".to_owned());
        }
        match practice.ended_at {
            Some(_) => Ok(Decision::Nothing),
            None => Ok(Decision::Events(vec![EventBody::PracticeEnded {
                practice: seq,
            }])),
        }
    }

    fn practice(&self, seq: Seq) -> Result<&Practice, Refusal> {
        let found = self.any()?.practice(seq);
        found.ok_or_else(|| "there is no such practice".to_owned())
    }

    /// From the moment that a car speaks, everything is meant.
    pub(super) fn end_practices_over_a_car(&mut self, now: Millis, outputs: &mut Vec<Output>) {
        let on = |practice: &&Practice| practice.ended_at.is_none();
        let warmup = self.record.warmup.as_ref();
        let open: Vec<Seq> = warmup
            .iter()
            .flat_map(|warmup| warmup.practices.iter().filter(on))
            .map(|practice| practice.seq)
            .collect();
        if open.is_empty() || !self.health.may_be_a_car(now) {
            return;
        }
        for practice in open {
            self.emit(
                now,
                None,
                None,
                EventBody::PracticeEnded { practice },
                outputs,
            );
        }
    }
}
