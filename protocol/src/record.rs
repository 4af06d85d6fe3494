//! The state that events fold into, on the hub and on every phone alike, and the rules of order on a sheet.
//!
//! [`Record::apply`] cannot fail and reads no clock: the same events give the same record, whoever folds them.

mod alarms;
mod practice;

use crate::json::FromJson;
use crate::map::Map;
use crate::{
    AlarmKey, ChannelKey, Millis, PersonId, PhaseKey, Seq, StepKey,
    alarm::AlarmNow,
    car::{Band, Car},
    event::{Audience, Event, EventBody, Right, Who},
    hubs::Charge,
    sheet::{Phase, Sheet, Step},
    today::{TimeSlip, Today, Told},
    trust::Calibration,
    turnaround::Turnaround,
};
pub use practice::Practice;
use serde::{Deserialize, Serialize};

/// All that is recorded and current.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, FromJson)]
pub struct Record {
    /// Number of the last event folded in; 0 before the first.
    pub seq: Seq,
    /// Everyone who ever joined.
    pub people: Map<PersonId, Person>,
    /// The warm-up under way, or the last one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub warmup: Option<Warmup>,
    /// The last takeover.
    #[serde(default, skip_serializing_if = "Charge::is_first")]
    pub charge: Charge,
    /// The turnaround under way, or the last one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub turnaround: Option<Turnaround>,
    /// Changes of counted parts by the counter's key, oldest first, with their remarks.
    #[serde(default, skip_serializing_if = "Map::is_empty")]
    pub changes: Map<String, Vec<Said>>,
}

/// Somebody who joined.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, FromJson)]
pub struct Person {
    /// Who they are now.
    pub who: Who,
    /// What they may do.
    pub right: Right,
}

/// One recorded run through a sheet.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, FromJson)]
pub struct Warmup {
    /// Its id.
    pub id: String,
    /// When it began.
    pub begun_at: Millis,
    /// When it was closed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub closed_at: Option<Millis>,
    /// The sheet it follows.
    pub sheet: Sheet,
    /// The car as it was when it began.
    pub car: Car,
    /// What was done about each step; steps that nothing was done about are absent.
    pub steps: Map<StepKey, Mark>,
    /// The order in which steps were marked or skipped: the last can be undone.
    pub order: Vec<StepKey>,
    /// When the current step became the current one.
    pub current_since: Millis,
    /// It stands still.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub held: Option<Said>,
    /// It was given up.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub aborted: Option<Said>,
    /// A safety step that the chief wants to skip.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub skip_asked: Option<SkipAsk>,
    /// Calls, oldest first.
    pub calls: Vec<Call>,
    /// Bands that the chief set, later ones first.
    pub bands: Vec<SetBand>,
    /// Remarks.
    pub notes: Vec<Said>,
    /// The latest reading that a person typed in, by channel.
    #[serde(default, skip_serializing_if = "Map::is_empty")]
    pub typed: Map<ChannelKey, Typed>,
    /// Weather, mix and the chief's rule for the flow; the next warm-up begins with them.
    #[serde(default, skip_serializing_if = "Today::is_empty")]
    pub today: Today,
    /// Turns of the idle's air bleeds, outwards positive, oldest first.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub bleeds: Vec<Told<f64>>,
    /// The time slip of the run, the last that was typed in.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub slip: Option<Told<TimeSlip>>,
    /// Alarms that something has happened to.
    #[serde(default, skip_serializing_if = "Map::is_empty")]
    pub alarms: Map<AlarmKey, AlarmNow>,
    /// Practices, oldest first; what was called and marked in their times was not meant.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub practices: Vec<Practice>,
}

/// A reading that a person typed in.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, FromJson)]
pub struct Typed {
    /// When.
    pub at: Millis,
    /// By whom.
    pub by: Option<Who>,
    /// The value, in the channel's unit.
    pub value: f64,
}

/// What was done about a step.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, FromJson)]
pub struct Mark {
    /// When.
    pub at: Millis,
    /// By whom.
    pub by: Option<Who>,
    /// Why it was skipped; done when absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub skipped: Option<String>,
    /// Who asked for the skip, where it took two.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub asked_by: Option<Who>,
    /// What its gates' channels read.
    #[serde(default, skip_serializing_if = "Map::is_empty")]
    pub readings: Map<ChannelKey, f64>,
}

/// Something said, by whom and when.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, FromJson)]
pub struct Said {
    /// When.
    pub at: Millis,
    /// By whom.
    pub by: Option<Who>,
    /// The words.
    pub text: String,
}

/// The wish to skip a safety step.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, FromJson)]
pub struct SkipAsk {
    /// The step.
    pub step: StepKey,
    /// When, by whom and why.
    pub asked: Said,
}

/// A call-out.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, FromJson)]
pub struct Call {
    /// Its number: that of its event.
    pub seq: Seq,
    /// When, by whom, and its words.
    pub said: Said,
    /// Who it is for.
    pub to: Audience,
    /// It takes over every screen.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub stop: bool,
    /// Who has seen it, and when.
    pub seen: Map<PersonId, Millis>,
    /// When it was lifted or put away.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lifted: Option<Said>,
}

/// A band that the chief set.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, FromJson)]
pub struct SetBand {
    /// The channel.
    pub channel: ChannelKey,
    /// For one phase, or for all.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub phase: Option<PhaseKey>,
    /// The band.
    pub band: Band,
}

/// Why a step cannot be marked or skipped now, as far as order goes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Block {
    /// No such step on the sheet.
    NoSuchStep,
    /// The warm-up is closed.
    Closed,
    /// The procedure is held.
    Held,
    /// It was given up, and the step is not part of the shut-down.
    Aborted,
    /// It is marked or skipped already.
    AlreadyDone,
    /// That step comes first.
    After(StepKey),
}

impl Call {
    /// Whether the call is meant for that person: their role's, or everyone's, and not their own.
    pub fn is_for(&self, who: &Who) -> bool {
        let theirs = match &self.to {
            Audience::All => true,
            Audience::Role(role) => *role == who.role,
        };
        theirs && self.said.by.as_ref().is_none_or(|by| by.id != who.id)
    }

    /// Whether that person should still say that they have seen it.
    pub fn waits_for(&self, who: &Who) -> bool {
        self.lifted.is_none() && self.is_for(who) && !self.seen.contains_key(&who.id)
    }
}

impl Warmup {
    fn begin(id: &str, at: Millis, sheet: &Sheet, car: &Car, today: &Today) -> Self {
        Self {
            id: id.to_owned(),
            begun_at: at,
            closed_at: None,
            sheet: sheet.clone(),
            car: car.clone(),
            steps: Map::new(),
            order: Vec::new(),
            current_since: at,
            held: None,
            aborted: None,
            skip_asked: None,
            calls: Vec::new(),
            bands: Vec::new(),
            notes: Vec::new(),
            typed: Map::new(),
            today: today.clone(),
            bleeds: Vec::new(),
            slip: None,
            alarms: Map::new(),
            practices: Vec::new(),
        }
    }

    /// The steps that are still part of the procedure: all, or the shut-down alone after an abort.
    pub fn open_steps(&self) -> impl Iterator<Item = (&Phase, &Step)> {
        let aborted = self.aborted.is_some();
        self.sheet
            .steps()
            .filter(move |(phase, _)| !aborted || phase.shut_down)
    }

    /// The first ordered step that nothing was done about, and its phase; none when all are done.
    pub fn current(&self) -> Option<(&Phase, &Step)> {
        let mut undone = self
            .open_steps()
            .filter(|(_, step)| !self.steps.contains_key(&step.key));
        let first = undone.next()?;
        if first.1.ordered {
            return Some(first);
        }
        Some(undone.find(|(_, step)| step.ordered).unwrap_or(first))
    }

    /// The phase that the procedure is in: the current step's, or the last one's when all is done.
    pub fn phase(&self) -> Option<&Phase> {
        self.current()
            .map(|(phase, _)| phase)
            .or(self.sheet.phases.last())
    }

    /// Whether order allows the step to be marked now, and if not, why.
    ///
    /// An ordered step waits for every ordered step before it; any step waits for every safety step before it.
    ///
    /// # Errors
    /// The first thing in the way.
    pub fn order_allows(&self, key: &StepKey) -> Result<&Step, Block> {
        let (phase, step) = self.sheet.step(key).ok_or(Block::NoSuchStep)?;
        if self.closed_at.is_some() {
            return Err(Block::Closed);
        }
        if self.steps.contains_key(key) {
            return Err(Block::AlreadyDone);
        }
        if self.aborted.is_some() && !phase.shut_down {
            return Err(Block::Aborted);
        }
        if self.held.is_some() {
            return Err(Block::Held);
        }
        let before = self
            .open_steps()
            .take_while(|(_, earlier)| earlier.key != *key);
        for (_, earlier) in before {
            if (earlier.safety || (step.ordered && earlier.ordered))
                && !self.steps.contains_key(&earlier.key)
            {
                return Err(Block::After(earlier.key.clone()));
            }
        }
        Ok(step)
    }

    /// The steps that order allows now, the current one first.
    pub fn allowed(&self) -> Vec<&Step> {
        let current = self.current().map(|(_, step)| step.key.clone());
        let mut allowed: Vec<&Step> = self
            .open_steps()
            .filter(|(_, step)| self.order_allows(&step.key).is_ok())
            .map(|(_, step)| step)
            .collect();
        if let Some(at) = allowed
            .iter()
            .position(|step| Some(&step.key) == current.as_ref())
        {
            let step = allowed.remove(at);
            allowed.insert(0, step);
        }
        allowed
    }

    /// The band that holds for a channel in a phase: the chief's for the phase, the chief's for all, the phase's, the car's.
    pub fn band(&self, channel: &ChannelKey, phase: Option<&PhaseKey>) -> Option<Band> {
        let set = |wanted: Option<&PhaseKey>| {
            self.bands
                .iter()
                .find(|set| set.channel == *channel && set.phase.as_ref() == wanted)
                .map(|set| set.band)
        };
        phase
            .and_then(|phase| set(Some(phase)))
            .or_else(|| set(None))
            .or_else(|| self.sheet.phase(phase?)?.bands.get(channel).copied())
            .or_else(|| self.car.channel(channel)?.1.band)
    }

    /// The band that holds for a channel now.
    pub fn band_now(&self, channel: &ChannelKey) -> Option<Band> {
        self.band(channel, self.phase().map(|phase| &phase.key))
    }

    /// The calibration that holds for a channel now: the chief's, else the car file's.
    pub fn calibration(&self, channel: &ChannelKey) -> Calibration {
        let set = self.today.calibrations.get(channel).map(|told| told.value);
        set.or_else(|| Some(self.car.channel(channel)?.1.sensor.calibration))
            .unwrap_or_default()
    }

    /// Stop calls that are not lifted, latest first.
    pub fn stops(&self) -> impl Iterator<Item = &Call> {
        self.calls
            .iter()
            .rev()
            .filter(|call| call.stop && call.lifted.is_none())
    }

    /// The call with that number.
    pub fn call(&self, seq: Seq) -> Option<&Call> {
        self.calls.iter().find(|call| call.seq == seq)
    }

    fn settle(&mut self, before: Option<StepKey>, at: Millis) {
        // The dwell and the limit count from when a step became the current one.
        if self.current().map(|(_, step)| &step.key) != before.as_ref() {
            self.current_since = at;
        }
    }
}

impl Record {
    /// Folds one event in. Events that were folded in already are passed over, so sending one twice does no harm.
    pub fn apply(&mut self, event: &Event) {
        if event.seq <= self.seq {
            return;
        }
        self.seq = event.seq;
        match &event.body {
            EventBody::WarmupBegun {
                id,
                sheet,
                car,
                today,
            } => self.warmup = Some(Warmup::begin(id, event.at, sheet, car, today)),
            EventBody::PersonJoined { who, right } => {
                self.people.insert(
                    who.id.clone(),
                    Person {
                        who: who.clone(),
                        right: *right,
                    },
                );
            }
            EventBody::TookOver { charge, .. } => self.charge = charge.clone(),
            EventBody::TurnaroundBegun { plan, lanes_at } => {
                self.turnaround = Some(Turnaround::begin(plan, event.at, *lanes_at));
            }
            EventBody::PartChanged { counter, remark } => {
                let changes = self.changes.entry(counter.clone()).or_default();
                changes.push(Said {
                    at: event.at,
                    by: event.by.clone(),
                    text: remark.clone(),
                });
            }
            EventBody::PartChangeUndone { counter } => {
                if let Some(changes) = self.changes.get_mut(counter) {
                    changes.pop();
                }
                self.changes.retain(|_, changes| !changes.is_empty());
            }
            body => {
                if let Some(turnaround) = &mut self.turnaround {
                    turnaround.apply(event);
                }
                if let Some(warmup) = &mut self.warmup {
                    warmup.apply(event, body);
                }
            }
        }
    }
}

impl Warmup {
    fn apply(&mut self, event: &Event, body: &EventBody) {
        let before = self.current().map(|(_, step)| step.key.clone());
        let said = |text: &str| Said {
            at: event.at,
            by: event.by.clone(),
            text: text.to_owned(),
        };
        match body {
            EventBody::WarmupBegun { .. }
            | EventBody::PersonJoined { .. }
            | EventBody::TookOver { .. } => {}
            // Not the warm-up's: see `Record::apply`.
            EventBody::TurnaroundBegun { .. }
            | EventBody::TurnaroundClosed {}
            | EventBody::LanesCallSet { .. }
            | EventBody::TaskStarted { .. }
            | EventBody::TaskDone { .. }
            | EventBody::TaskUndone { .. }
            | EventBody::TaskLate { .. }
            | EventBody::LateTold { .. }
            | EventBody::LateSeen { .. }
            | EventBody::PartChanged { .. }
            | EventBody::PartChangeUndone { .. } => {}
            EventBody::WarmupClosed {} => self.closed_at = Some(event.at),
            EventBody::StepMarked { step, readings } => self.note_done(
                step,
                Mark {
                    at: event.at,
                    by: event.by.clone(),
                    skipped: None,
                    asked_by: None,
                    readings: readings.clone(),
                },
            ),
            EventBody::StepSkipped {
                step,
                reason,
                asked_by,
            } => self.note_done(
                step,
                Mark {
                    at: event.at,
                    by: event.by.clone(),
                    skipped: Some(reason.clone()),
                    asked_by: asked_by.clone(),
                    readings: Map::new(),
                },
            ),
            EventBody::SkipAsked { step, reason } => {
                self.skip_asked = Some(SkipAsk {
                    step: step.clone(),
                    asked: said(reason),
                })
            }
            EventBody::SkipWithdrawn { .. } => self.skip_asked = None,
            EventBody::StepUndone { step } => {
                self.steps.remove(step);
                self.order.retain(|key| key != step);
                self.skip_asked = None;
            }
            EventBody::Held { reason } => self.held = Some(said(reason)),
            EventBody::Resumed {} => self.held = None,
            EventBody::Aborted { reason } => {
                self.aborted = Some(said(reason));
                self.held = None;
                self.skip_asked = None;
            }
            EventBody::Called { to, text, stop } => {
                let (seq, seen) = (event.seq, Map::new());
                self.calls.push(Call {
                    seq,
                    said: said(text),
                    to: to.clone(),
                    stop: *stop,
                    seen,
                    lifted: None,
                });
            }
            EventBody::Seen { call } => {
                if let (Some(call), Some(by)) = (self.call_mut(*call), &event.by) {
                    call.seen.entry(by.id.clone()).or_insert(event.at);
                }
            }
            EventBody::Lifted { call } => {
                if let Some(call) = self.call_mut(*call) {
                    call.lifted = Some(said(""));
                }
            }
            EventBody::BandSet {
                channel,
                phase,
                band,
            } => {
                self.bands
                    .retain(|set| set.channel != *channel || set.phase != *phase);
                if let Some(band) = band {
                    self.bands.insert(
                        0,
                        SetBand {
                            channel: channel.clone(),
                            phase: phase.clone(),
                            band: *band,
                        },
                    );
                }
            }
            EventBody::CalibrationSet {
                channel,
                calibration,
                ..
            } => {
                let set = &mut self.today.calibrations;
                match calibration {
                    Some(calibration) => set.insert(channel.clone(), told(event, calibration)),
                    None => set.remove(channel),
                };
            }
            EventBody::ReadingTyped { channel, value } => {
                self.typed.insert(
                    channel.clone(),
                    Typed {
                        at: event.at,
                        by: event.by.clone(),
                        value: *value,
                    },
                );
            }
            EventBody::ConditionsSet(value) => self.today.conditions = Some(told(event, value)),
            EventBody::MixMeasured(value) => self.today.mix = Some(told(event, value)),
            EventBody::CanPlanned(value) => self.today.can = Some(told(event, value)),
            EventBody::FlowBaselineSet(value) => self.today.flow = Some(told(event, value)),
            EventBody::BleedMoved { turns } => self.bleeds.push(told(event, turns)),
            EventBody::SlipTyped(value) => self.slip = Some(told(event, value)),
            EventBody::AlarmRaised { .. }
            | EventBody::AlarmReturned { .. }
            | EventBody::AlarmAcknowledged { .. }
            | EventBody::AlarmReset { .. }
            | EventBody::AlarmShelved { .. }
            | EventBody::AlarmTakenOut { .. }
            | EventBody::AlarmUnshelved { .. }
            | EventBody::AlarmPutBack { .. } => self.apply_to_alarms(event, body),
            EventBody::PracticeBegun { .. }
            | EventBody::PracticeDone { .. }
            | EventBody::PracticeEnded { .. } => self.apply_to_practices(event, body),
            EventBody::Noted { text } => self.notes.push(said(text)),
        }
        self.settle(before, event.at);
    }

    fn call_mut(&mut self, seq: Seq) -> Option<&mut Call> {
        self.calls.iter_mut().find(|call| call.seq == seq)
    }

    fn note_done(&mut self, step: &StepKey, mark: Mark) {
        self.steps.insert(step.clone(), mark);
        self.order.push(step.clone());
        if self
            .skip_asked
            .as_ref()
            .is_some_and(|ask| ask.step == *step)
        {
            self.skip_asked = None;
        }
    }
}

fn told<T: Clone>(event: &Event, value: &T) -> Told<T> {
    Told {
        at: event.at,
        by: event.by.clone(),
        value: value.clone(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn step(key: &str, safety: bool, ordered: bool) -> Step {
        Step {
            key: key.into(),
            text: key.to_owned(),
            owner: "chief".into(),
            safety,
            ordered,
            ..Step::default()
        }
    }

    fn warmup() -> Warmup {
        let phase = |key: &str, shut_down, steps| Phase {
            key: key.into(),
            name: key.to_owned(),
            shut_down,
            steps,
            ..Phase::default()
        };
        let sheet = Sheet {
            key: "s".to_owned(),
            name: "s".to_owned(),
            phases: vec![
                phase(
                    "one",
                    false,
                    vec![
                        step("a", true, true),
                        step("b", false, false),
                        step("c", false, true),
                    ],
                ),
                phase(
                    "off",
                    true,
                    vec![step("y", true, true), step("z", false, true)],
                ),
            ],
        };
        let car = Car {
            team: String::new(),
            name: String::new(),
            channels: vec![],
            ..Car::default()
        };
        Warmup::begin("w", 0, &sheet, &car, &Today::default())
    }

    fn mark(warmup: &mut Warmup, key: &str, at: Millis) {
        let body = EventBody::StepMarked {
            step: key.into(),
            readings: Map::new(),
        };
        warmup.apply(
            &Event {
                seq: 1,
                at,
                by: None,
                command: None,
                body: body.clone(),
            },
            &body,
        );
    }

    #[test]
    fn safety_blocks_all_and_order_blocks_ordered() {
        let mut warmup = warmup();
        assert_eq!(
            warmup.order_allows(&"b".into()).unwrap_err(),
            Block::After("a".into())
        );
        mark(&mut warmup, "a", 5);
        assert!(warmup.order_allows(&"b".into()).is_ok(), "unordered");
        assert!(
            warmup.order_allows(&"c".into()).is_ok(),
            "passes over the unordered one"
        );
        assert_eq!(
            warmup.order_allows(&"y".into()).unwrap_err(),
            Block::After("c".into())
        );
        assert_eq!(
            warmup.order_allows(&"z".into()).unwrap_err(),
            Block::After("c".into())
        );
        assert_eq!(warmup.current().unwrap().1.key, "c".into());
        assert_eq!(warmup.current_since, 5);
        mark(&mut warmup, "b", 7);
        assert_eq!(
            warmup.current_since, 5,
            "an unordered mark does not restart the current step's time"
        );
    }

    #[test]
    fn an_abort_leaves_the_shut_down_only() {
        let mut warmup = warmup();
        let body = EventBody::Aborted {
            reason: "fire".to_owned(),
        };
        warmup.apply(
            &Event {
                seq: 1,
                at: 9,
                by: None,
                command: None,
                body: body.clone(),
            },
            &body,
        );
        assert_eq!(warmup.current().unwrap().1.key, "y".into());
        assert_eq!(
            warmup.order_allows(&"a".into()).unwrap_err(),
            Block::Aborted
        );
        assert!(warmup.order_allows(&"y".into()).is_ok());
        assert_eq!(
            warmup.order_allows(&"z".into()).unwrap_err(),
            Block::After("y".into())
        );
    }

    #[test]
    fn the_day_is_carried_on_and_what_belongs_to_a_run_is_not() {
        use crate::today::{Conditions, MixReading};
        let (mut record, mut seq) = (Record::default(), 0);
        let mut fold = |record: &mut Record, body| {
            seq += 1;
            let (at, by, command) = (seq as Millis * 1000, None, None);
            record.apply(&Event {
                seq,
                at,
                by,
                command,
                body,
            });
        };
        let first = warmup();
        let begun = |id: &str, today: Today| EventBody::WarmupBegun {
            id: id.to_owned(),
            sheet: Box::new(first.sheet.clone()),
            car: Box::new(first.car.clone()),
            today: Box::new(today),
        };
        let air = |temp_c| Conditions {
            temp_c,
            pressure_hpa: 980.0,
            rh_pct: 40.0,
            place: None,
        };
        let mix = MixReading {
            sg: 1.09,
            temp_c: 25.0,
        };
        fold(&mut record, begun("one", Today::default()));
        fold(&mut record, EventBody::ConditionsSet(air(20.0)));
        fold(&mut record, EventBody::ConditionsSet(air(30.0)));
        fold(&mut record, EventBody::MixMeasured(mix));
        fold(&mut record, EventBody::BleedMoved { turns: 0.25 });
        fold(&mut record, EventBody::BleedMoved { turns: -0.5 });
        fold(&mut record, EventBody::SlipTyped(TimeSlip::default()));
        let one = record.warmup.clone().unwrap();
        let conditions = one.today.conditions.as_ref().unwrap();
        assert_eq!((conditions.value.temp_c, conditions.at), (30.0, 3000));
        assert_eq!(one.today.mix.as_ref().unwrap().value, mix);
        let turns: Vec<f64> = one.bleeds.iter().map(|told| told.value).collect();
        assert_eq!(turns, [0.25, -0.5]);
        assert!(one.slip.is_some());

        fold(&mut record, begun("two", one.today.clone()));
        let two = record.warmup.unwrap();
        assert_eq!(two.today, one.today, "measured when it was measured");
        assert!(two.bleeds.is_empty() && two.slip.is_none());
    }
}
