//! Changing the crew's files, on the laptop and by the chief: bands, roles, steps and ready calls by form, everything as text.
//! Nothing is written before its lines were shown.

mod bands;
mod calls;
mod field;
mod look;
mod roles;
mod steps;
mod text;

use crate::{
    app::{app, wall_time},
    desk::{Desk, desk},
    parts::hold_key::{HoldKey, MARK_MS},
    pure::draft::short,
    words::{Word as W, fill, say},
};
use leptos::prelude::*;

/// What is being changed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Part {
    Bands,
    Roles,
    Steps,
    Calls,
    Text,
    Look,
}

/// The page.
#[component]
pub fn Edit() -> impl IntoView {
    let (app, desk) = (app(), desk());
    let chief = app.chief();
    let part = RwSignal::new(Part::Bands);
    desk.open();
    let parts = [
        (Part::Bands, "edit-bands", W::Bands),
        (Part::Roles, "edit-roles", W::EditRoles),
        (Part::Steps, "edit-steps", W::PageSteps),
        (Part::Calls, "edit-calls", W::EditCalls),
        (Part::Text, "edit-text", W::EditText),
    ];
    let keys = move || {
        parts.map(|(one, test, word)| {
        view! { <button type="button" class="key choice" data-test=test aria-pressed=move || (part.get() == one).to_string() on:click=move |_| part.set(one)>{say(word)}</button> }
    })
    };
    let body = move || {
        desk.turn.track();
        let good =
            desk.with(|draft| draft.car.is_some() && draft.sheets.iter().all(Option::is_some))?;
        let typed = desk.with(|draft| !draft.texts.is_empty()) == Some(true);
        Some(match part.get() {
            Part::Text => view! { <text::Text desk=desk/> }.into_any(),
            Part::Look => view! { <look::Look desk=desk/> }.into_any(),
            _ if !good => view! { <p class="wrong" data-test="edit-mend">{say(W::EditMendFirst)}</p> <look::Mistakes desk=desk/> }.into_any(),
            _ if typed => view! { <p class="hint" data-test="edit-text-first">{say(W::EditTextFirst)}</p> }.into_any(),
            Part::Bands => view! { <bands::Bands desk=desk/> }.into_any(),
            Part::Roles => view! { <roles::Roles desk=desk/> }.into_any(),
            Part::Steps => view! { <steps::Steps desk=desk/> }.into_any(),
            Part::Calls => view! { <calls::Calls desk=desk/> }.into_any(),
        })
    };
    view! {
        <div class="edit" data-test="edit">
            <Show when=move || chief.get() fallback=|| view! { <p class="hint">{say(W::EditChiefOnly)}</p> }>
                <h1 class="edit-title">{say(W::EditTitle)}</h1>
                <p class="hint">{say(W::EditHint)}</p>
                <State desk=desk/>
                <div class="choices" role="group" aria-label=say(W::EditTitle)>{keys()}</div>
                {body}
                <Bar desk=desk part=part/>
            </Show>
        </div>
    }
}

/// What stands in the way, and what happened outside this page.
#[component]
fn State(desk: Desk) -> impl IntoView {
    let not_in_force = move || {
        let names = desk.watch(|draft| {
            let files = draft.from.files.iter().filter(|file| !file.in_force);
            files
                .map(|file| short(&file.name).to_owned())
                .collect::<Vec<_>>()
                .join(", ")
        });
        names.filter(|names| !names.is_empty() && !desk.written.get())
    };
    view! {
        {move || desk.not_now.get().map(|why| view! { <p class="wrong" data-test="edit-not-now">{fill(W::EditNotNow, &[&why])}</p> })}
        {move || desk.trouble.get().map(|why| view! { <p class="wrong" role="alert" data-test="edit-trouble">{fill(W::HubSays, &[&why])}</p> })}
        {move || desk.other.get().map(|_| view! {
            <div class="wrong" data-test="edit-other">
                <p>{say(W::EditOther)}</p>
                <button type="button" class="key" data-test="edit-other-drop" on:click=move |_| desk.drop_changes()>{say(W::EditOtherDrop)}</button>
            </div>
        })}
        {move || desk.conflict.get().map(|conflict| view! { <look::Both desk=desk conflict=conflict/> })}
        {move || not_in_force().map(|names| view! {
            <div class="wrong" data-test="edit-not-in-force">
                <p>{fill(W::EditNotInForce, &[&names])}</p>
                <button type="button" class="key" data-test="edit-take-up" on:click=move |_| desk.take_up()>{say(W::EditTakeUp)}</button>
            </div>
        })}
    }
}

/// What is changed, and the way to write it.
#[component]
fn Bar(desk: Desk, part: RwSignal<Part>) -> impl IntoView {
    let changed = Memo::new(move |_| desk.watch(|draft| draft.changed()).unwrap_or_default());
    let none = move || changed.read().is_empty();
    let mistakes = move || {
        let bad = desk.watch(|draft| draft.bad.len()).unwrap_or_default();
        let outcome = desk.outcome.read();
        bad + outcome.as_ref().map_or(0, |outcome| outcome.mistakes.len())
    };
    let words = move || match (none() && mistakes() == 0, mistakes()) {
        (true, _) if desk.written.get() => say(W::EditWritten).to_owned(),
        (true, _) => say(W::EditNothing).to_owned(),
        (false, 0) => fill(W::EditChanged, &[&changed.read().join(", ")]),
        (false, count) => fill(W::EditWrong, &[&count.to_string()]),
    };
    let undo = move || desk.watch(|draft| draft.from.undo.clone()).flatten();
    let undo_words = Signal::derive(move || {
        undo().map_or_else(String::new, |undo| {
            let names: Vec<&str> = undo.names.iter().map(|name| short(name)).collect();
            fill(
                W::EditUndo,
                &[
                    &undo.number.to_string(),
                    &wall_time(undo.at),
                    &names.join(", "),
                ],
            )
        })
    });
    view! {
        <div class="edit-bar" data-test="edit-bar" data-wrong=move || (mistakes() > 0).to_string()>
            <p role="status" data-test="edit-state">{words}</p>
            <div class="edit-keys">
                <button type="button" class="key primary" data-test="edit-look" disabled=move || !desk.is_changed() on:click=move |_| part.set(Part::Look)>{say(W::EditLook)}</button>
                <button type="button" class="key" data-test="edit-drop" disabled=move || !desk.is_changed() on:click=move |_| desk.drop_changes()>{say(W::EditDrop)}</button>
                <Show when=move || undo().is_some() && !desk.is_changed()>
                    <HoldKey label=undo_words ms=MARK_MS test="edit-undo" class="small" done=move |()| desk.undo()/>
                </Show>
            </div>
        </div>
    }
}
