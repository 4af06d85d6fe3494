//! The chief's current step: what it still waits for, its limit, and the keys that mark it.

use super::{
    header::step_now,
    hold_key::{HoldKey, MARK_MS},
};
use crate::{
    app::app,
    pure::{
        route::Over,
        show::number,
        waits::{WaitShown, wait_shown},
    },
    socket::{self, Topic},
    words::{Word as W, fill, say},
};
use leptos::prelude::*;
use spinover_protocol::{StepKey, event::Audience, link::Link, message::Command};

/// What a step waits for now.
#[derive(Clone, Debug, PartialEq)]
pub struct Waiting {
    /// Each condition.
    pub waits: Vec<WaitShown>,
    /// Nothing is left.
    pub ready: bool,
    /// Milliseconds left of its limit.
    pub left_ms: Option<i64>,
    /// The call to offer when the limit has passed.
    pub late_call: Option<String>,
}

/// What that step, or the current one, waits for at that time of the hub's.
pub fn waiting(
    link: &Link,
    step: Option<&StepKey>,
    units: crate::pure::show::Units,
    now: i64,
) -> Option<Waiting> {
    let mirror = link.mirror();
    let warmup = mirror
        .record
        .warmup
        .as_ref()
        .filter(|warmup| warmup.closed_at.is_none())?;
    let key = match step {
        Some(key) => key.clone(),
        None => warmup.current()?.1.key.clone(),
    };
    let (_, sheet_step) = warmup.sheet.step(&key)?;
    let elapsed = (now - mirror.progress.now).max(0);
    let progress = mirror
        .progress
        .steps
        .iter()
        .find(|progress| progress.step == key);
    let waits: Vec<_> = progress
        .iter()
        .flat_map(|progress| &progress.waits)
        .map(|wait| wait_shown(wait, &warmup.car, units, elapsed as f64))
        .collect();
    // Until the hub has told of this step nothing is known to be met, unless there is nothing to meet.
    let ready = match progress {
        Some(progress) => progress.ready || waits.iter().all(|wait| wait.met),
        None => sheet_step.gates.is_empty() && sheet_step.dwell_ms.is_none(),
    };
    let left_ms = progress
        .and_then(|progress| progress.limit_left_ms)
        .map(|left| left - elapsed);
    Some(Waiting {
        waits,
        ready,
        left_ms,
        late_call: sheet_step.late_call.clone(),
    })
}

/// What the current step waits for, counting down.
pub fn current_waiting() -> Memo<Option<Waiting>> {
    let app = app();
    Memo::new(move |_| {
        app.track(&[Topic::Progress, Topic::Record]);
        let units = app.settings.read().units;
        let now = app.clock.get();
        socket::with(|link| waiting(link, None, units, now)).flatten()
    })
}

/// The current step's caution and waits.
#[component]
pub fn StepCard() -> impl IntoView {
    let app = app();
    let step = app.about(&[Topic::Record, Topic::Welcome], step_now);
    let waiting = current_waiting();
    let safety = move || step.read().as_ref().is_some_and(|step| step.safety);
    let caution = move || step.read().as_ref().and_then(|step| step.caution.clone());
    view! {
        <section class="step-card" data-test="step-card">
            <Show when=safety><p class="tag safety">{say(W::Safety)}</p></Show>
            {move || caution().map(|caution| view! { <p class="caution" data-test="caution">{caution}</p> })}
            <Waits waiting=waiting/>
            <Limit waiting=waiting/>
        </section>
    }
}

/// The conditions of a step.
#[component]
pub fn Waits(
    /// Of which.
    waiting: Memo<Option<Waiting>>,
) -> impl IntoView {
    let waits = Memo::new(move |_| {
        waiting
            .read()
            .as_ref()
            .map(|waiting| waiting.waits.clone())
            .unwrap_or_default()
    });
    view! {
        <div class="waits" data-test="waits">
            <Show when=move || !waits.read().is_empty()>
                <h3>{say(W::WaitsTitle)}</h3>
                <ul>
                    {move || waits.get().into_iter().map(|wait| view! {
                        <li class="wait" class:met=wait.met data-met=if wait.met { "yes" } else { "no" }>
                            <span class="wait-mark" aria-hidden="true"></span>
                            <span>{wait.words}</span>
                        </li>
                    }).collect_view()}
                </ul>
            </Show>
        </div>
    }
}

/// The step's time limit, and the call to make when it has passed.
#[component]
fn Limit(waiting: Memo<Option<Waiting>>) -> impl IntoView {
    let app = app();
    let tenths = Memo::new(move |_| {
        waiting
            .read()
            .as_ref()
            .and_then(|waiting| waiting.left_ms)
            .map(|left| left.div_euclid(1_000))
    });
    let late_call = Memo::new(move |_| {
        waiting
            .read()
            .as_ref()
            .and_then(|waiting| waiting.late_call.clone())
    });
    move || {
        tenths.get().map(|seconds| {
            let late = seconds < 0;
            let word = if late { W::LimitOver } else { W::LimitLeft };
            let call = late_call.get().filter(|_| late).map(|text| {
                let words = fill(W::LateCall, &[&text]);
                let press = move |_| app.want(Command::Call { to: Audience::All, text: text.clone() });
                view! { <button type="button" class="key" data-test="late-call" on:click=press>{words}</button> }
            });
            view! {
                <div class="limit" class:late=late data-test="limit">
                    <p>{fill(word, &[&number(seconds.unsigned_abs() as f64, 0)])}</p>
                    {call}
                </div>
            }
        })
    }
}

fn last_marked(link: &Link) -> Option<StepKey> {
    let warmup = link
        .mirror()
        .record
        .warmup
        .as_ref()
        .filter(|warmup| warmup.closed_at.is_none())?;
    warmup.order.last().cloned()
}

/// The chief's row of keys: undo, mark, skip.
#[component]
pub fn MarkRow() -> impl IntoView {
    let app = app();
    let step = app.about(&[Topic::Record, Topic::Welcome], step_now);
    let key = Memo::new(move |_| step.read().as_ref().and_then(|step| step.key.clone()));
    let held = Memo::new(move |_| {
        step.read()
            .as_ref()
            .is_some_and(|step| step.state == "held")
    });
    let waiting = current_waiting();
    let (linked, in_charge) = (app.live(), app.in_charge());
    let live = Memo::new(move |_| linked.get() && in_charge.get());
    let ready = Memo::new(move |_| {
        waiting.read().as_ref().is_some_and(|waiting| waiting.ready) && !held.get()
    });
    let label = Signal::derive(move || {
        let word = if !linked.get() {
            W::MarkNotLive
        } else if !in_charge.get() {
            W::MarkNotHere
        } else if held.get() {
            W::Held
        } else if ready.get() {
            W::MarkHold
        } else {
            W::MarkWaits
        };
        say(word).to_owned()
    });
    let mark = move |()| {
        if let Some(key) = key.get_untracked() {
            app.want(Command::Mark {
                step: key.as_str().into(),
            });
        }
    };
    let skip = move |_| {
        if let Some(key) = key.get_untracked() {
            app.open(Over::Skip(key));
        }
    };
    let last = app.about(&[Topic::Record], last_marked);
    let undo = move |()| {
        if let Some(step) = last.get_untracked().flatten() {
            app.want(Command::Undo { step });
        }
    };
    let begin = move || {
        view! {
            <button type="button" class="key primary begin" data-test="begin-open" on:click=move |_| app.open(Over::More)>{say(W::BeginOpen)}</button>
        }
    };
    let going = app.about(&[Topic::Record], |link| {
        link.mirror()
            .record
            .warmup
            .as_ref()
            .is_some_and(|warmup| warmup.closed_at.is_none())
    });
    view! {
        <div class="mark-row">
            <Show when=move || going.get() == Some(true) fallback=begin>
            <HoldKey
                label=say(W::UndoHold)
                ms=MARK_MS
                test="undo-hold"
                class="undo"
                off=Signal::derive(move || last.read().as_ref().is_none_or(Option::is_none) || !live.get())
                done=undo
            />
            <HoldKey
                label=label
                ms=MARK_MS
                test="mark-hold"
                class="mark"
                off=Signal::derive(move || !ready.get() || !live.get() || key.read().is_none())
                done=mark
            />
            <button type="button" class="key" data-test="skip-open" disabled=move || key.read().is_none() on:click=skip>{say(W::Skip)}</button>
            <button type="button" class="key" data-test="more-open" on:click=move |_| app.open(Over::More)>{say(W::MoreKey)}</button>
            </Show>
        </div>
    }
}
