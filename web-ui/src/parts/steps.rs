//! All steps of the sheet by phase, with what was done about each; the chief can mark those that order allows from here too.

use super::{
    hold_key::{HoldKey, MARK_MS},
    step_card::{Waits, waiting},
};
use crate::{
    app::{app, wall_time},
    pure::route::Over,
    socket::{self, Topic},
    words::{Word as W, fill, say},
};
use leptos::prelude::*;
use spinover_protocol::{
    PhaseKey, StepKey,
    link::Link,
    message::Command,
    record::{Mark, Warmup},
    sheet::Step,
};

/// One step in the list.
#[derive(Clone, Debug, PartialEq)]
struct Row {
    key: StepKey,
    text: String,
    owner: String,
    caution: Option<String>,
    safety: bool,
    /// `done`, `skipped`, `current`, `allowed`, `open`.
    state: &'static str,
    note: String,
}

/// A phase with its steps.
#[derive(Clone, Debug, PartialEq)]
struct Group {
    key: PhaseKey,
    name: String,
    rows: Vec<Row>,
}

fn mark_note(mark: &Mark) -> String {
    let by = mark.by.as_ref().map_or("–", |by| by.name.as_str());
    let done = fill(W::DoneBy, &[&wall_time(mark.at), by]);
    match &mark.skipped {
        Some(reason) => fill(W::Skipped, &[reason]) + " · " + &done,
        None => done,
    }
}

fn groups(link: &Link) -> Vec<Group> {
    let Some(warmup) = &link.mirror().record.warmup else {
        return Vec::new();
    };
    let current = warmup.current().map(|(_, step)| step.key.clone());
    let row = |warmup: &Warmup, step: &Step| {
        let mark = warmup.steps.get(&step.key);
        let state = match mark {
            Some(mark) if mark.skipped.is_some() => "skipped",
            Some(_) => "done",
            None if Some(&step.key) == current.as_ref() => "current",
            None if warmup.order_allows(&step.key).is_ok() => "allowed",
            None => "open",
        };
        Row {
            key: step.key.clone(),
            text: step.text.clone(),
            owner: warmup
                .car
                .role(&step.owner)
                .map_or_else(|| step.owner.to_string(), |role| role.label.clone()),
            caution: step.caution.clone(),
            safety: step.safety,
            state,
            note: mark.map(mark_note).unwrap_or_default(),
        }
    };
    let group = |phase: &spinover_protocol::sheet::Phase| Group {
        key: phase.key.clone(),
        name: phase.name.clone(),
        rows: phase.steps.iter().map(|step| row(warmup, step)).collect(),
    };
    warmup.sheet.phases.iter().map(group).collect()
}

/// The list.
#[component]
pub fn Steps() -> impl IntoView {
    let app = app();
    let groups = app.about(&[Topic::Record], groups);
    let opened = RwSignal::new(None::<StepKey>);
    view! {
        <section class="steps" data-test="steps">
            <For each=move || groups.get().unwrap_or_default() key=|group| group.key.clone() let:group>
                <h2 class="phase-title">{group.name.clone()}</h2>
                <PhaseRows groups=groups phase=group.key.clone() opened=opened/>
            </For>
            <Show when=move || groups.read().as_ref().is_none_or(Vec::is_empty)>
                <p class="hint">{say(W::NoWarmup)} ". " {say(W::NoWarmupCrew)}</p>
            </Show>
        </section>
    }
}

#[component]
fn PhaseRows(
    groups: Memo<Option<Vec<Group>>>,
    phase: PhaseKey,
    opened: RwSignal<Option<StepKey>>,
) -> impl IntoView {
    let rows = Memo::new(move |_| {
        groups
            .read()
            .iter()
            .flatten()
            .find(|group| group.key == phase)
            .map(|group| group.rows.clone())
            .unwrap_or_default()
    });
    view! {
        <ol class="phase-steps">
            <For each=move || rows.get() key=|row| (row.key.clone(), row.state, row.note.clone()) let:row>
                <StepRow row=row opened=opened/>
            </For>
        </ol>
    }
}

#[component]
fn StepRow(row: Row, opened: RwSignal<Option<StepKey>>) -> impl IntoView {
    let app = app();
    let chief = app.chief();
    let key = row.key.clone();
    let is_open = {
        let key = key.clone();
        Memo::new(move |_| *opened.read() == Some(key.clone()))
    };
    let toggle = {
        let key = key.clone();
        move |_| {
            opened.update(|opened| {
                *opened = if *opened == Some(key.clone()) {
                    None
                } else {
                    Some(key.clone())
                }
            })
        }
    };
    let can_mark = matches!(row.state, "current" | "allowed");
    let words = match row.state {
        "done" => say(W::StepDone),
        "skipped" => "",
        "current" => say(W::StepCurrent),
        "allowed" => say(W::OutOfOrder),
        _ => "",
    };
    let caution = row.caution.clone();
    view! {
        <li class="step-row" data-test=format!("step-{}", row.key) data-state=row.state>
            <button type="button" class="step-line" aria-expanded=move || is_open.get().to_string() on:click=toggle>
                <span class="step-mark" aria-hidden="true"></span>
                <span class="step-text">{row.text.clone()}</span>
                <span class="step-note">
                    {row.safety.then(|| view! { <span class="tag">{say(W::Safety)}</span> })}
                    <span>{row.owner.clone()}</span>
                    <span>{words}</span>
                    <span>{row.note.clone()}</span>
                </span>
            </button>
            <Show when=move || is_open.get()>
                <div class="step-more">
                    {caution.clone().map(|caution| view! { <p class="caution">{caution}</p> })}
                    {
                        let key = key.clone();
                        (can_mark && chief.get()).then(move || view! { <MarkHere step=key/> })
                    }
                </div>
            </Show>
        </li>
    }
}

/// The keys that mark or skip a step out of the list.
#[component]
fn MarkHere(step: StepKey) -> impl IntoView {
    let app = app();
    let (linked, in_charge) = (app.live(), app.in_charge());
    let live = Memo::new(move |_| linked.get() && in_charge.get());
    let wait = {
        let step = step.clone();
        Memo::new(move |_| {
            app.track(&[Topic::Progress, Topic::Record]);
            let units = app.settings.read().units;
            let now = app.clock.get();
            socket::with(|link| waiting(link, Some(&step), units, now)).flatten()
        })
    };
    let ready = Memo::new(move |_| wait.read().as_ref().is_some_and(|wait| wait.ready));
    let label = Signal::derive(move || {
        say(if ready.get() {
            W::MarkHold
        } else {
            W::MarkWaits
        })
        .to_owned()
    });
    let (mark, skip) = (step.clone(), step.0.clone());
    view! {
        <Waits waiting=wait/>
        <div class="choices">
            <HoldKey
                label=label
                ms=MARK_MS
                test=format!("mark-hold-{step}")
                class="mark"
                off=Signal::derive(move || !ready.get() || !live.get())
                done=move |()| app.want(Command::Mark { step: mark.clone() })
            />
            <button type="button" class="key" on:click=move |_| app.open(Over::Skip(skip.clone()))>{say(W::Skip)}</button>
        </div>
    }
}
