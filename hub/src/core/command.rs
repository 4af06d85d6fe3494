//! What a person asks for: accepted as events, or refused with a reason that they can act on.

use super::{Core, Output, typed};
use spinover_protocol::{
    ChannelKey, CommandId, MAX_TEXT, Millis, PersonId, Seq, StepKey,
    event::{Audience, EventBody, Right, Who},
    message::{Command, Wait},
    record::{Block, Warmup},
    sheet::Must,
    trust::{Calibration, Point},
};

/// Why not, in words for the person who asked.
pub(super) type Refusal = String;

/// What an accepted command turns into.
pub(super) enum Decision {
    /// Events.
    Events(Vec<EventBody>),
    /// A practice, and the call of the hub's own that belongs to it.
    Practice(Box<[EventBody; 2]>),
    /// Nothing: it is so already.
    Nothing,
    /// Close and begin.
    Begin(String),
    /// A control of the simulated car; not for the record.
    Control(String, f64),
}

impl Core {
    pub(super) fn command(
        &mut self,
        now: Millis,
        who: &Who,
        right: Right,
        id: CommandId,
        command: Command,
        outputs: &mut Vec<Output>,
    ) {
        if let Some(seq) = self.answered.get(&id) {
            outputs.push(Output::Accepted(id, *seq));
            return;
        }
        let stop = if let Command::Stop { text } = &command {
            Some(text.clone())
        } else {
            None
        };
        match self.decide(now, who, right, command) {
            Err(reason) => outputs.push(Output::Refused(id, reason)),
            Ok(decision) => {
                if let Some(text) = stop {
                    outputs.push(Output::StopNow {
                        text,
                        by: who.clone(),
                        command: id.clone(),
                    });
                }
                match decision {
                    Decision::Nothing => {}
                    Decision::Events(bodies) => {
                        for body in bodies {
                            self.emit(now, Some(who), Some(&id), body, outputs);
                        }
                    }
                    Decision::Practice(both) => {
                        let [begun, call] = *both;
                        self.emit(now, Some(who), Some(&id), begun, outputs);
                        self.emit(now, None, Some(&id), call, outputs);
                    }
                    Decision::Begin(sheet) => {
                        self.begin(now, Some(who), Some(&id), &sheet, outputs)
                    }
                    Decision::Control(key, value) => outputs.push(Output::Control(key, value)),
                }
                self.note_typed(now, outputs);
                outputs.push(Output::Accepted(id, self.record.seq));
            }
        }
    }

    /// A typed reading is an event and a reading.
    fn note_typed(&mut self, now: Millis, outputs: &[Output]) {
        for output in outputs {
            let Output::Event(event) = output else {
                continue;
            };
            let EventBody::ReadingTyped { channel, value } = &event.body else {
                continue;
            };
            if let Some((index, _)) = self.car.channel(channel) {
                self.channels.take_typed(now, index, *value);
                self.gates.look(now, &self.channels, &self.record);
            }
        }
    }

    fn decide(
        &self,
        now: Millis,
        who: &Who,
        right: Right,
        command: Command,
    ) -> Result<Decision, Refusal> {
        use Command as C;
        let chief_only = matches!(
            command,
            C::Mark { .. }
                | C::Skip { .. }
                | C::WithdrawSkip { .. }
                | C::Undo { .. }
                | C::Hold { .. }
                | C::Resume {}
                | C::Abort { .. }
                | C::Lift { .. }
                | C::SetBand { .. }
                | C::SetFlowBaseline(_)
                | C::AcknowledgeAlarm { .. }
                | C::ResetAlarm { .. }
                | C::ShelveAlarm { .. }
                | C::UnshelveAlarm { .. }
                | C::TakeAlarmOut { .. }
                | C::PutAlarmBack { .. }
                | C::Calibrate { .. }
                | C::BeginTurnaround { .. }
                | C::CloseTurnaround {}
                | C::SetLanesCall { .. }
                | C::ChangePart { .. }
                | C::UndoPartChange { .. }
                | C::Begin { .. }
                | C::Close {}
        );
        if chief_only && right != Right::Chief {
            return Err("only a phone that joined with the chief code can do that".to_owned());
        }
        let event = |body| Ok(Decision::Events(vec![body]));
        match command {
            C::Train { control, value } => self.train(control, value),
            C::Begin { sheet } => match self.sheets.iter().any(|known| known.key == sheet) {
                true => Ok(Decision::Begin(sheet)),
                false => Err(format!("there is no sheet '{}'", short(&sheet))),
            },
            C::Mark { step } => self.mark(now, step),
            C::Skip { step, reason } => self.skip(step, reason),
            C::ConfirmSkip { step } => self.confirm_skip(who, step),
            C::WithdrawSkip { step } => match &self.open()?.skip_asked {
                Some(ask) if ask.step == step => event(EventBody::SkipWithdrawn { step }),
                _ => Err("nobody has asked to skip that step".to_owned()),
            },
            C::Undo { step } => match self.open()?.order.last() {
                Some(last) if *last == step => event(EventBody::StepUndone { step }),
                Some(last) => Err(format!(
                    "only the latest can be undone, and that is '{}'",
                    self.step_text(last)
                )),
                None => Err("nothing has been marked yet".to_owned()),
            },
            C::Hold { reason } => {
                let reason = cleaned(&reason, MAX_TEXT);
                match self.open()?.held {
                    Some(_) => Ok(Decision::Nothing),
                    None => event(EventBody::Held { reason }),
                }
            }
            C::Resume {} => match self.open()?.held {
                Some(_) => event(EventBody::Resumed {}),
                None => Ok(Decision::Nothing),
            },
            C::Abort { reason } => {
                // Giving up must not wait for somebody to type why.
                let reason = cleaned(&reason, MAX_TEXT);
                match self.open()?.aborted {
                    Some(_) => Ok(Decision::Nothing),
                    None => event(EventBody::Aborted { reason }),
                }
            }
            C::Close {} => {
                self.open()?;
                event(EventBody::WarmupClosed {})
            }
            // Which of two laptops takes commands is no matter of the record: `serve::helm` answers before it comes here.
            C::TakeOver {} => Err("there is no second laptop".to_owned()),
            C::Call { to, text } => {
                let text = words(text)?;
                if let Audience::Role(role) = &to
                    && self.car.role(role).is_none()
                {
                    return Err(format!("there is no role '{}'", short(role.as_str())));
                }
                self.any()?;
                event(EventBody::Called {
                    to,
                    text,
                    stop: false,
                })
            }
            C::Stop { text } => {
                // A stop is taken whatever its words: cutting them is better than refusing it.
                let text = cleaned(&text, MAX_TEXT);
                self.any()?;
                event(EventBody::Called {
                    to: Audience::All,
                    text,
                    stop: true,
                })
            }
            C::Practise { crew, text } => self.practise(now, who, right, crew, text),
            C::PractiseDone { practice } => self.practise_done(now, who, practice),
            C::PractiseEnd { practice } => self.practise_end(who, right, practice),
            C::Seen { call } => self.seen(&who.id, call),
            C::Lift { call } => match self.any()?.call(call) {
                None => Err("there is no such call".to_owned()),
                Some(known) if known.lifted.is_some() => Ok(Decision::Nothing),
                Some(_) => event(EventBody::Lifted { call }),
            },
            C::SetBand {
                channel,
                phase,
                band,
            } => {
                let warmup = self.open()?;
                if self.car.channel(&channel).is_none() {
                    return Err(format!("there is no channel '{}'", short(channel.as_str())));
                }
                if let Some(phase) = &phase
                    && warmup.sheet.phase(phase).is_none()
                {
                    return Err(format!("there is no phase '{}'", short(phase.as_str())));
                }
                if band.is_some_and(|band| {
                    !(band.low.is_finite() && band.high.is_finite() && band.low < band.high)
                }) {
                    return Err("a band's low end must be below its high end".to_owned());
                }
                event(EventBody::BandSet {
                    channel,
                    phase,
                    band,
                })
            }
            C::Calibrate { channel, points } => self.calibration(channel, points),
            C::TypeReading { channel, value } => {
                self.any()?;
                let Some((_, known)) = self.car.channel(&channel) else {
                    return Err(format!("there is no channel '{}'", short(channel.as_str())));
                };
                if !value.is_finite() || !known.plausible.holds(value) {
                    let (low, high) = (known.plausible.low, known.plausible.high);
                    return Err(format!(
                        "{} is between {low} and {high} {}",
                        known.label,
                        known.unit.symbol()
                    ));
                }
                event(EventBody::ReadingTyped { channel, value })
            }
            C::SetConditions(mut value) => {
                self.any()?;
                typed::conditions(&value)?;
                let place = value.place.map(|place| cleaned(&place, MAX_TEXT));
                value.place = place.filter(|place| !place.is_empty());
                event(EventBody::ConditionsSet(value))
            }
            C::MeasureMix(value) => {
                self.any()?;
                typed::mix_reading(&value)?;
                event(EventBody::MixMeasured(value))
            }
            C::PlanCan(value) => {
                self.any()?;
                typed::can_plan(&value)?;
                event(EventBody::CanPlanned(value))
            }
            C::SetFlowBaseline(value) => {
                self.any()?;
                typed::flow_baseline(&value)?;
                event(EventBody::FlowBaselineSet(value))
            }
            C::MoveBleed { turns } => {
                self.open()?;
                typed::bleed(turns)?;
                event(EventBody::BleedMoved { turns })
            }
            C::TypeSlip(value) => {
                self.any()?;
                typed::time_slip(&value)?;
                event(EventBody::SlipTyped(value))
            }
            C::AcknowledgeAlarm { alarm } => self.acknowledge_alarm(alarm),
            C::ResetAlarm { alarm } => self.reset_alarm(alarm),
            C::ShelveAlarm {
                alarm,
                for_s,
                reason,
            } => self.shelve_alarm(now, alarm, for_s, reason),
            C::UnshelveAlarm { alarm } => self.bring_back(
                alarm,
                |flags| flags.shelved,
                |alarm| EventBody::AlarmUnshelved { alarm },
            ),
            C::TakeAlarmOut { alarm, reason } => self.take_alarm_out(alarm, reason),
            C::PutAlarmBack { alarm } => self.bring_back(
                alarm,
                |flags| flags.out,
                |alarm| EventBody::AlarmPutBack { alarm },
            ),
            C::BeginTurnaround { lanes_at } => self.begin_turnaround(now, lanes_at),
            C::CloseTurnaround {} => self.close_turnaround(),
            C::SetLanesCall { lanes_at } => self.set_lanes_call(now, lanes_at),
            C::StartTask { task } => self.start_task(who, right, task),
            C::FinishTask { task } => self.finish_task(who, right, task),
            C::UndoTask { task } => self.undo_task(who, right, task),
            C::TaskLate { task, left_min } => self.task_late(who, right, task, left_min),
            C::SeeLate { task } => self.see_late(who, right, task),
            C::ChangePart { counter, remark } => self.change_part(counter, remark),
            C::UndoPartChange { counter } => self.undo_change(counter),
            C::Note { text } => {
                let text = words(text)?;
                self.any()?;
                event(EventBody::Noted { text })
            }
        }
    }

    /// The warm-up under way.
    pub(super) fn open(&self) -> Result<&Warmup, Refusal> {
        let warmup = self.any()?;
        match warmup.closed_at {
            None => Ok(warmup),
            Some(_) => Err("the warm-up is closed; begin another".to_owned()),
        }
    }

    /// The warm-up under way or the last one.
    pub(super) fn any(&self) -> Result<&Warmup, Refusal> {
        self.record
            .warmup
            .as_ref()
            .ok_or_else(|| "no warm-up has begun".to_owned())
    }

    fn step_text(&self, key: &StepKey) -> String {
        let warmup = self.record.warmup.as_ref();
        warmup
            .and_then(|warmup| warmup.sheet.step(key))
            .map_or_else(|| key.to_string(), |(_, step)| step.text.clone())
    }

    fn blocked(&self, block: Block) -> Refusal {
        match block {
            Block::NoSuchStep => "there is no such step on this sheet".to_owned(),
            Block::Closed => "the warm-up is closed; begin another".to_owned(),
            Block::Held => "the procedure is held; go on first".to_owned(),
            Block::Aborted => "the procedure was aborted; only the shut-down is left".to_owned(),
            Block::AlreadyDone => "that step is marked already".to_owned(),
            Block::After(first) => format!("'{}' comes first", self.step_text(&first)),
        }
    }

    fn mark(&self, now: Millis, key: StepKey) -> Result<Decision, Refusal> {
        let warmup = self.open()?;
        let step = warmup
            .order_allows(&key)
            .map_err(|block| self.blocked(block))?;
        let waits = self.gates.waits(now, step, &self.channels, warmup);
        if let Some(wait) = waits.iter().find(|wait| !wait.met()) {
            return Err(self.still_waits(wait));
        }
        let reading = |gate: &spinover_protocol::sheet::Gate| {
            let (index, _) = self.car.channel(&gate.channel)?;
            Some((gate.channel.clone(), self.channels.good(now, index)?))
        };
        let readings = step.gates.iter().filter_map(reading).collect();
        Ok(Decision::Events(vec![EventBody::StepMarked {
            step: key,
            readings,
        }]))
    }

    fn still_waits(&self, wait: &Wait) -> Refusal {
        match wait {
            Wait::Dwell { left_ms } => format!("{:.1} s more", *left_ms as f64 / 1000.0),
            Wait::Reading {
                channel,
                must,
                holds,
                left_ms,
                doubt,
            } => {
                let label = self
                    .car
                    .channel(channel)
                    .map_or(channel.as_str(), |(_, channel)| channel.label.as_str());
                let wanted = match must {
                    Must::AtLeast(limit) => format!("at least {limit}"),
                    Must::AtMost(limit) => format!("at most {limit}"),
                    Must::InBand(_) => "in band".to_owned(),
                };
                match (holds, doubt) {
                    (true, _) => {
                        format!("{label} {wanted}, {:.1} s more", *left_ms as f64 / 1000.0)
                    }
                    (false, Some(doubt)) => {
                        format!("{label} must be {wanted}, and its reading is {doubt}")
                    }
                    (false, None) => format!("{label} must be {wanted}"),
                }
            }
        }
    }

    fn calibration(&self, channel: ChannelKey, points: Vec<Point>) -> Result<Decision, Refusal> {
        let warmup = self.any()?;
        let Some((_, known)) = self.car.channel(&channel) else {
            return Err(format!("there is no channel '{}'", short(channel.as_str())));
        };
        let calibration = match points[..] {
            [] => None,
            _ => {
                let gain = warmup.calibration(&channel).gain;
                let span = known.plausible.high - known.plausible.low;
                Some(Calibration::through(&points, gain, span)?)
            }
        };
        if calibration.is_none() && !warmup.today.calibrations.contains_key(&channel) {
            return Ok(Decision::Nothing);
        }
        Ok(Decision::Events(vec![EventBody::CalibrationSet {
            channel,
            calibration,
            points,
        }]))
    }

    fn skip(&self, key: StepKey, reason: String) -> Result<Decision, Refusal> {
        let reason = words(reason)?;
        let warmup = self.open()?;
        let step = warmup
            .order_allows(&key)
            .map_err(|block| self.blocked(block))?;
        let body = match step.safety {
            true => EventBody::SkipAsked { step: key, reason },
            false => EventBody::StepSkipped {
                step: key,
                reason,
                asked_by: None,
            },
        };
        Ok(Decision::Events(vec![body]))
    }

    /// Two phones with one name would be one person with two phones.
    fn confirm_skip(&self, who: &Who, key: StepKey) -> Result<Decision, Refusal> {
        let warmup = self.open()?;
        let Some(ask) = warmup.skip_asked.as_ref().filter(|ask| ask.step == key) else {
            return Err("nobody has asked to skip that step".to_owned());
        };
        let asked_by = ask.asked.by.clone();
        let same = |asker: &Who| {
            asker.id == who.id || asker.name.trim().to_lowercase() == who.name.trim().to_lowercase()
        };
        if asked_by.as_ref().is_some_and(same) {
            return Err("it takes a second person to skip a safety step".to_owned());
        }
        warmup
            .order_allows(&key)
            .map_err(|block| self.blocked(block))?;
        Ok(Decision::Events(vec![EventBody::StepSkipped {
            step: key,
            reason: ask.asked.text.clone(),
            asked_by,
        }]))
    }

    fn seen(&self, who: &PersonId, call: Seq) -> Result<Decision, Refusal> {
        match self.any()?.call(call) {
            None => Err("there is no such call".to_owned()),
            Some(known) if known.seen.contains_key(who) => Ok(Decision::Nothing),
            Some(_) => Ok(Decision::Events(vec![EventBody::Seen { call }])),
        }
    }

    fn train(&self, control: String, value: f64) -> Result<Decision, Refusal> {
        if self.trainable.is_empty() {
            return Err(
                "there is no simulated car here; spinover never moves anything on a real one"
                    .to_owned(),
            );
        }
        if !self.trainable.contains(&control) || !value.is_finite() {
            return Err(format!(
                "the simulated car has no control '{}'",
                short(&control)
            ));
        }
        Ok(Decision::Control(control, value))
    }
}

/// Words that a person wrote: not empty, not too long, no control characters.
pub(super) fn words(text: String) -> Result<String, Refusal> {
    let clean = cleaned(&text, MAX_TEXT + 1);
    match clean.chars().count() {
        0 => Err("say it in a few words".to_owned()),
        count if count > MAX_TEXT => Err(format!("at most {MAX_TEXT} characters")),
        _ => Ok(clean),
    }
}

/// Text without control characters and outer blanks, cut to so many characters.
fn cleaned(text: &str, most: usize) -> String {
    let plain: String = text
        .chars()
        .map(|c| if c.is_control() { ' ' } else { c })
        .collect();
    plain.trim().chars().take(most).collect()
}

/// Somebody else's text in our message, cut short.
pub(super) fn short(text: &str) -> String {
    cleaned(text, 40)
}
