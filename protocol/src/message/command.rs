//! What people ask the hub for.

use crate::json::FromJson;
use crate::{
    AlarmKey, ChannelKey, Millis, PhaseKey, Seq, StepKey, TaskKey,
    car::Band,
    event::Audience,
    today::{CanPlan, Conditions, FlowBaseline, MixReading, TimeSlip},
    trust::Point,
};
use serde::{Deserialize, Serialize};

/// What a person can ask for.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, FromJson)]
#[serde(tag = "do", rename_all = "snake_case")]
pub enum Command {
    /// Chief: mark a step done.
    Mark {
        /// The step.
        step: StepKey,
    },
    /// Chief: skip a step; for a safety step this asks for a second person's word.
    Skip {
        /// The step.
        step: StepKey,
        /// Why.
        reason: String,
    },
    /// Anyone but the one who asked: agree to skip a safety step.
    ConfirmSkip {
        /// The step.
        step: StepKey,
    },
    /// Chief: take back the wish to skip.
    WithdrawSkip {
        /// The step.
        step: StepKey,
    },
    /// Chief: take back the latest mark or skip.
    Undo {
        /// The step that was marked last.
        step: StepKey,
    },
    /// Chief: stand still.
    Hold {
        /// Why.
        reason: String,
    },
    /// Chief: go on.
    Resume {},
    /// Chief: give up and shut down.
    Abort {
        /// Why.
        reason: String,
    },
    /// Anyone: call out.
    Call {
        /// To whom.
        to: Audience,
        /// The words.
        text: String,
    },
    /// Anyone: the call that takes over every screen.
    Stop {
        /// The words; may be empty.
        text: String,
    },
    /// Practise, alone or (chief) with the whole crew; refused while a car is connected.
    Practise {
        /// Everyone practises.
        crew: bool,
        /// The words of the call that comes in to be seen.
        text: String,
    },
    /// Whoever practises: I have done all of it.
    PractiseDone {
        /// The practice: the number of the event that began it.
        practice: Seq,
    },
    /// End a practice: the chief, or whoever practises alone.
    PractiseEnd {
        /// The practice.
        practice: Seq,
    },
    /// Anyone: I have seen this call.
    Seen {
        /// The call.
        call: Seq,
    },
    /// Chief: lift a stop, or put a call away.
    Lift {
        /// The call.
        call: Seq,
    },
    /// Chief: set or clear a band.
    SetBand {
        /// The channel.
        channel: ChannelKey,
        /// For one phase, or for all.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        phase: Option<PhaseKey>,
        /// The band, or `null` to go back to the file's.
        band: Option<Band>,
    },
    /// Chief: what is true, against what the sensor says. One point shifts it, two also set its gain, none takes the chief's
    /// calibration away, and the car file's holds again.
    Calibrate {
        /// The channel.
        channel: ChannelKey,
        /// At most two.
        points: Vec<Point>,
    },
    /// Anyone: a gauge I can see reads this.
    TypeReading {
        /// The channel.
        channel: ChannelKey,
        /// The value, in the channel's unit.
        value: f64,
    },
    /// Anyone: the air measures this.
    SetConditions(Conditions),
    /// Anyone: the fuel measures this.
    MeasureMix(MixReading),
    /// Anyone: what must be added to the can?
    PlanCan(CanPlan),
    /// Chief: the rule for the flow.
    SetFlowBaseline(FlowBaseline),
    /// Anyone: I have turned the idle's air bleeds.
    MoveBleed {
        /// By how many turns, outwards positive.
        turns: f64,
    },
    /// Anyone: what the time slip says.
    TypeSlip(TimeSlip),
    /// Chief: I know of this alarm.
    AcknowledgeAlarm {
        /// The alarm.
        alarm: AlarmKey,
    },
    /// Chief: let go of an alarm that is kept until it is reset.
    ResetAlarm {
        /// The alarm.
        alarm: AlarmKey,
    },
    /// Chief: put an alarm aside for a while.
    ShelveAlarm {
        /// The alarm.
        alarm: AlarmKey,
        /// For how long, in seconds: at most [`crate::alarm::SHELF_MOST_S`], for the first priority
        /// [`crate::alarm::SHELF_FIRST_S`].
        for_s: u32,
        /// Why.
        reason: String,
    },
    /// Chief: bring a shelved alarm back before its time.
    UnshelveAlarm {
        /// The alarm.
        alarm: AlarmKey,
    },
    /// Chief: put an alarm out of service for the rest of the warm-up.
    TakeAlarmOut {
        /// The alarm.
        alarm: AlarmKey,
        /// Why.
        reason: String,
    },
    /// Chief: put an alarm back into service.
    PutAlarmBack {
        /// The alarm.
        alarm: AlarmKey,
    },
    /// Chief: begin the time between rounds by the hub's plan; one under way is closed.
    BeginTurnaround {
        /// When the car will be called to the lanes, on the hub's clock.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        lanes_at: Option<Millis>,
    },
    /// Chief: the time between rounds is over.
    CloseTurnaround {},
    /// Chief: the car will be called to the lanes then.
    SetLanesCall {
        /// When, on the hub's clock; `null` when it is not known any more.
        lanes_at: Option<Millis>,
    },
    /// The task's owner, or the chief: it is under way.
    StartTask {
        /// The task.
        task: TaskKey,
    },
    /// The task's owner, or the chief: it is done.
    FinishTask {
        /// The task.
        task: TaskKey,
    },
    /// The task's owner, or the chief: take back the last that was said about it.
    UndoTask {
        /// The task.
        task: TaskKey,
    },
    /// The task's owner, or the chief: it will take longer.
    TaskLate {
        /// The task.
        task: TaskKey,
        /// How many more minutes from now on, at a guess.
        left_min: f64,
    },
    /// The task's owner, or the chief: seen that it is late; the chance is the chief's.
    SeeLate {
        /// The task; absent: the chance.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        task: Option<TaskKey>,
    },
    /// Chief: a counted part was changed; it counts from nought again.
    ChangePart {
        /// The counter's key, as in the season file.
        counter: String,
        /// What was changed, and why.
        remark: String,
    },
    /// Chief: take the latest change of that part back.
    UndoPartChange {
        /// The counter's key.
        counter: String,
    },
    /// Anyone: a remark for the record.
    Note {
        /// The words.
        text: String,
    },
    /// Chief: close the warm-up under way, if any, and begin another.
    Begin {
        /// The sheet's key, one of those in `welcome`.
        sheet: String,
    },
    /// Chief: close the warm-up under way.
    Close {},
    /// Chief: the second laptop takes over. The hub in charge hands over to a standby that lacks nothing; a standby whose first
    /// hub has gone takes over by itself.
    TakeOver {},
    /// Anyone, with a simulated car only: move its controls, to train on.
    Train {
        /// The control: `flow_lever`, `bleed`, `ignition`, `fuel_petrol`, `fuel_nitro`, `starter`.
        control: String,
        /// Where to: its own range, given by the simulator's documentation.
        value: f64,
    },
}
