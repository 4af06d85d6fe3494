//! What the journal holds. An event is a fact that was accepted, numbered, and written down before anyone was told.

use crate::json::FromJson;
use crate::map::Map;
use crate::{
    AlarmKey, ChannelKey, CommandId, Millis, PersonId, PhaseKey, RoleKey, Seq, StepKey, TaskKey,
    car::{Band, Car},
    hubs::Charge,
    sheet::Sheet,
    today::{CanPlan, Conditions, FlowBaseline, MixReading, TimeSlip, Today},
    trust::{Calibration, Point},
    turnaround::Plan,
};
use serde::{Deserialize, Serialize};

/// One entry of the journal.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, FromJson)]
pub struct Event {
    /// Its number.
    pub seq: Seq,
    /// When the hub accepted it.
    pub at: Millis,
    /// Who did it; nobody when the hub did it by itself.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub by: Option<Who>,
    /// The command that it answers.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub command: Option<CommandId>,
    /// What happened.
    #[serde(flatten)]
    pub body: EventBody,
}

/// A person as an event names them: the name and role they had at that time.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, FromJson)]
pub struct Who {
    /// Their phone.
    pub id: PersonId,
    /// Their name at the time.
    pub name: String,
    /// Their role at the time.
    pub role: RoleKey,
}

/// What a code allows.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, FromJson)]
#[serde(rename_all = "snake_case")]
pub enum Right {
    /// See, call, type readings in, say seen, confirm a skip.
    Crew,
    /// All that, and mark, skip, undo, hold, abort, lift a stop, set bands, begin and close.
    Chief,
}

/// Who a call is for.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, FromJson)]
#[serde(rename_all = "snake_case")]
pub enum Audience {
    /// Everyone.
    All,
    /// Whoever has that role.
    Role(RoleKey),
}

/// What happened.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, FromJson)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum EventBody {
    /// A warm-up began. It carries the car and the sheet, so that the record can be read without the files.
    WarmupBegun {
        /// Its id: the UTC time it began, `2026-05-16T14-03-22Z`.
        id: String,
        /// The sheet it follows.
        sheet: Box<Sheet>,
        /// The car as it was.
        car: Box<Car>,
        /// What held for the day already: weather, mix, the chief's rule for the flow.
        #[serde(default, skip_serializing_if = "is_empty")]
        today: Box<Today>,
    },
    /// The warm-up is over.
    WarmupClosed {},
    /// Somebody joined for the first time, or came back with another name, role or right.
    PersonJoined {
        /// The person.
        who: Who,
        /// What their code allows.
        right: Right,
    },
    /// A step was marked done.
    StepMarked {
        /// The step.
        step: StepKey,
        /// What its gates' channels read at that moment, in the channels' units.
        #[serde(default, skip_serializing_if = "Map::is_empty")]
        readings: Map<ChannelKey, f64>,
    },
    /// The chief wants to skip a safety step; a second person must agree.
    SkipAsked {
        /// The step.
        step: StepKey,
        /// Why.
        reason: String,
    },
    /// The wish to skip was taken back.
    SkipWithdrawn {
        /// The step.
        step: StepKey,
    },
    /// A step was skipped.
    StepSkipped {
        /// The step.
        step: StepKey,
        /// Why.
        reason: String,
        /// Who asked for it, where it took two people; the event's `by` is then the one who agreed.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        asked_by: Option<Who>,
    },
    /// The latest mark or skip was taken back.
    StepUndone {
        /// The step.
        step: StepKey,
    },
    /// The procedure stands still.
    Held {
        /// Why.
        reason: String,
    },
    /// The procedure goes on.
    Resumed {},
    /// The procedure was given up; only the shut-down is left.
    Aborted {
        /// Why.
        reason: String,
    },
    /// Somebody called. The call's number is the event's.
    Called {
        /// Who it is for.
        to: Audience,
        /// Its words.
        text: String,
        /// It takes over every screen.
        #[serde(default, skip_serializing_if = "std::ops::Not::not")]
        stop: bool,
    },
    /// A practice began: nothing that is called or marked in it is meant. The hub's own call to be seen follows it as the next event.
    PracticeBegun {
        /// Everyone practises; else only whoever began it.
        crew: bool,
    },
    /// Somebody has done all of it.
    PracticeDone {
        /// The practice: the number of the event that began it.
        practice: Seq,
        /// How long that took, in milliseconds.
        took_ms: Millis,
    },
    /// It is over: by a person, or by the hub when a car spoke.
    PracticeEnded {
        /// The practice.
        practice: Seq,
    },
    /// Somebody has seen a call.
    Seen {
        /// The call.
        call: Seq,
    },
    /// The chief lifted a stop call, or put an ordinary one away.
    Lifted {
        /// The call.
        call: Seq,
    },
    /// The chief set a band.
    BandSet {
        /// The channel.
        channel: ChannelKey,
        /// For that phase only; for all when absent.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        phase: Option<PhaseKey>,
        /// The band; `null` takes the chief's band away, and the file's holds again.
        band: Option<Band>,
    },
    /// The chief calibrated a channel.
    CalibrationSet {
        /// The channel.
        channel: ChannelKey,
        /// What holds from now on; `null` takes the chief's away, and the car file's holds again.
        calibration: Option<Calibration>,
        /// The points that it was made from.
        #[serde(default, skip_serializing_if = "Vec::is_empty")]
        points: Vec<Point>,
    },
    /// Somebody read a gauge and typed it in.
    ReadingTyped {
        /// The channel.
        channel: ChannelKey,
        /// The value, in the channel's unit.
        value: f64,
    },
    /// Somebody measured the air.
    ConditionsSet(Conditions),
    /// Somebody measured the fuel.
    MixMeasured(MixReading),
    /// Somebody asked what to add to the can.
    CanPlanned(CanPlan),
    /// The chief set the rule for the flow.
    FlowBaselineSet(FlowBaseline),
    /// Somebody turned the idle's air bleeds.
    BleedMoved {
        /// By how many turns, outwards positive.
        turns: f64,
    },
    /// Somebody typed the run's time slip in.
    SlipTyped(TimeSlip),
    /// An alarm's condition came true.
    AlarmRaised {
        /// The alarm.
        alarm: AlarmKey,
        /// What its channel read, in the channel's unit.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        value: Option<f64>,
        /// The active alarm that it is a consequence of.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        after: Option<AlarmKey>,
    },
    /// An alarm's condition has gone.
    AlarmReturned {
        /// The alarm.
        alarm: AlarmKey,
    },
    /// The chief acknowledged an alarm.
    AlarmAcknowledged {
        /// The alarm.
        alarm: AlarmKey,
    },
    /// The chief reset a latched alarm.
    AlarmReset {
        /// The alarm.
        alarm: AlarmKey,
    },
    /// The chief put an alarm aside for a while.
    AlarmShelved {
        /// The alarm.
        alarm: AlarmKey,
        /// Until when.
        until: Millis,
        /// Why.
        reason: String,
    },
    /// A shelved alarm came back: by the chief, or by the hub when the time was over.
    AlarmUnshelved {
        /// The alarm.
        alarm: AlarmKey,
    },
    /// The chief put an alarm out of service for the rest of the warm-up.
    AlarmTakenOut {
        /// The alarm.
        alarm: AlarmKey,
        /// Why.
        reason: String,
    },
    /// The chief put an alarm back into service.
    AlarmPutBack {
        /// The alarm.
        alarm: AlarmKey,
    },
    /// Another hub took over: from here on it is the one that takes commands. Events that the hub before it accepted and did not
    /// hand on in time are in that one's book only.
    TookOver {
        /// The charge that it has from now on.
        charge: Charge,
        /// Nobody said so: the hub before it had been gone for as long as was agreed.
        #[serde(default, skip_serializing_if = "std::ops::Not::not")]
        by_itself: bool,
    },
    /// The time between rounds began, by that plan.
    TurnaroundBegun {
        /// The plan, so that the record can be read without the file.
        plan: Box<Plan>,
        /// When the car will be called to the lanes, as far as is known.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        lanes_at: Option<Millis>,
    },
    /// The time between rounds is over.
    TurnaroundClosed {},
    /// The chief set or moved the call to the lanes.
    LanesCallSet {
        /// When; `null` when it is not known any more.
        lanes_at: Option<Millis>,
    },
    /// A task was started.
    TaskStarted {
        /// The task.
        task: TaskKey,
    },
    /// A task is done.
    TaskDone {
        /// The task.
        task: TaskKey,
    },
    /// The last that was said about a task was taken back.
    TaskUndone {
        /// The task.
        task: TaskKey,
    },
    /// A task will take longer.
    TaskLate {
        /// The task.
        task: TaskKey,
        /// How many more minutes from then on, at a guess.
        left_min: f64,
    },
    /// The hub says once that a task is late that all the rest waits for, or that the chance has fallen below what the plan says.
    LateTold {
        /// The task; absent: it is the chance.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        task: Option<TaskKey>,
        /// By how many minutes the task is late.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        late_min: Option<f64>,
        /// The chance to be in time, 0 to 1.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        chance: Option<f64>,
    },
    /// The task's owner, or the chief, has seen that it is late.
    LateSeen {
        /// The task; absent: the chance.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        task: Option<TaskKey>,
    },
    /// The chief has a counted part changed: it counts from nought again.
    PartChanged {
        /// The counter's key, as in the season file.
        counter: String,
        /// What was changed, and why.
        remark: String,
    },
    /// The latest change of that part was taken back.
    PartChangeUndone {
        /// The counter's key.
        counter: String,
    },
    /// A remark for the record.
    Noted {
        /// Its words.
        text: String,
    },
}

impl EventBody {
    /// Whether it changes how the time between rounds stands: what the hub itself said to be late does not.
    pub fn moves_turnaround(&self) -> bool {
        let told = matches!(self, Self::LateTold { .. } | Self::LateSeen { .. });
        self.is_of_turnaround() && !told
    }

    /// Whether it is about the time between rounds.
    pub fn is_of_turnaround(&self) -> bool {
        matches!(
            self,
            Self::TurnaroundBegun { .. }
                | Self::TurnaroundClosed {}
                | Self::LanesCallSet { .. }
                | Self::TaskStarted { .. }
                | Self::TaskDone { .. }
                | Self::TaskUndone { .. }
                | Self::TaskLate { .. }
                | Self::LateTold { .. }
                | Self::LateSeen { .. }
        )
    }
}

fn is_empty(today: &Today) -> bool {
    today.is_empty()
}
