//! A crew chief without hands: marks each step as soon as the hub says that nothing is left to wait for.

use crate::phone::Phone;
use spinover_protocol::{StepKey, link::Answer, message::Command};
use std::time::Duration;

/// Marks steps until that one is the current one, or until all are marked. Returns the steps that it marked.
///
/// # Panics
/// When a step is not ready within `patience`.
pub async fn mark_until(chief: &Phone, stop_at: Option<&str>, patience: Duration) -> Vec<StepKey> {
    let mut marked = Vec::new();
    loop {
        let current = chief.look(|seen| {
            let warmup = seen.mirror().record.warmup.as_ref().expect("a warm-up");
            warmup.current().map(|(_, step)| step.key.clone())
        });
        let Some(step) = current.filter(|step| Some(step.as_str()) != stop_at) else {
            return marked;
        };
        let mut id = None;
        while id.is_none() {
            chief
                .until_within(patience, &format!("{step} to be ready"), |seen| {
                    let steps = &seen.mirror().progress.steps;
                    steps
                        .iter()
                        .any(|progress| progress.step == step && progress.ready)
                })
                .await;
            let wanted = chief.want(Command::Mark { step: step.clone() });
            match chief.answer(&wanted).await {
                Answer::Done(_) => id = Some(wanted),
                // A reading moved between the look and the mark: the gate has the last word, and the chief waits on.
                Answer::Refused(_) => {}
            }
        }
        chief
            .until("the mark", |seen| {
                seen.mirror()
                    .record
                    .warmup
                    .as_ref()
                    .is_some_and(|warmup| warmup.steps.contains_key(&step))
            })
            .await;
        marked.push(step);
    }
}
