//! What a person asked the hub for, in a few words: for what was refused, not sent, or not written down yet.

use crate::{
    socket,
    words::{Word as W, fill, say},
};
use spinover_protocol::{StepKey, TaskKey, message::Command};

fn step_text(key: &StepKey) -> String {
    let text = socket::with(|link| {
        link.mirror()
            .record
            .warmup
            .as_ref()
            .and_then(|warmup| warmup.sheet.step(key))
            .map(|(_, step)| step.text.clone())
    });
    text.flatten().unwrap_or_else(|| key.to_string())
}

fn task_text(key: &TaskKey) -> String {
    let text = socket::with(|link| {
        let turnaround = link.mirror().record.turnaround.as_ref()?;
        Some(turnaround.plan.task(key)?.1.text.clone())
    });
    text.flatten().unwrap_or_else(|| key.to_string())
}

/// What was wanted, in a few words.
pub fn wanted_words(command: &Command) -> String {
    match command {
        Command::Mark { step } => fill(W::DoMark, &[&step_text(step)]),
        Command::Skip { step, .. } => fill(W::DoSkip, &[&step_text(step)]),
        Command::ConfirmSkip { step } => fill(W::DoAgree, &[&step_text(step)]),
        Command::WithdrawSkip { .. } => say(W::SkipWithdraw).to_owned(),
        Command::Undo { step } => fill(W::DoUndo, &[&step_text(step)]),
        Command::Hold { .. } => say(W::DoHold).to_owned(),
        Command::Resume {} => say(W::DoResume).to_owned(),
        Command::Abort { .. } => say(W::DoAbort).to_owned(),
        Command::Call { text, .. } => fill(W::DoCall, &[text]),
        Command::Practise { .. } | Command::PractiseDone { .. } | Command::PractiseEnd { .. } => {
            say(W::DoPractise).to_owned()
        }
        Command::Stop { .. } => say(W::DoStop).to_owned(),
        Command::Seen { .. } => say(W::DoSeen).to_owned(),
        Command::Lift { .. } => say(W::DoLift).to_owned(),
        Command::SetBand { .. } => say(W::DoBand).to_owned(),
        Command::Calibrate { .. } => say(W::DoCalibrate).to_owned(),
        Command::TypeReading { .. } => say(W::DoType).to_owned(),
        Command::SetConditions(_) => say(W::DoWeather).to_owned(),
        Command::MeasureMix(_) => say(W::DoMix).to_owned(),
        Command::PlanCan(_) => say(W::DoCan).to_owned(),
        Command::SetFlowBaseline(_) => say(W::DoRule).to_owned(),
        Command::MoveBleed { .. } => say(W::DoBleed).to_owned(),
        Command::TypeSlip(_) => say(W::DoSlip).to_owned(),
        Command::AcknowledgeAlarm { .. }
        | Command::ResetAlarm { .. }
        | Command::ShelveAlarm { .. }
        | Command::UnshelveAlarm { .. }
        | Command::TakeAlarmOut { .. }
        | Command::PutAlarmBack { .. } => say(W::DoAlarm).to_owned(),
        Command::BeginTurnaround { .. }
        | Command::CloseTurnaround {}
        | Command::SetLanesCall { .. } => say(W::PageTurnaround).to_owned(),
        Command::StartTask { task } | Command::FinishTask { task } => {
            fill(W::DoMark, &[&task_text(task)])
        }
        Command::UndoTask { task } => fill(W::DoUndo, &[&task_text(task)]),
        Command::TaskLate { task, .. } => fill(W::DoTaskLate, &[&task_text(task)]),
        Command::SeeLate { .. } => say(W::DoSeen).to_owned(),
        Command::ChangePart { .. } | Command::UndoPartChange { .. } => say(W::DoPart).to_owned(),
        Command::Note { .. } => say(W::DoNote).to_owned(),
        Command::Begin { .. } => say(W::DoBegin).to_owned(),
        Command::Close {} => say(W::DoClose).to_owned(),
        Command::TakeOver {} => say(W::DoTakeOver).to_owned(),
        Command::Train { .. } => say(W::DoTrain).to_owned(),
    }
}
