//! What a change comes to: its lines, what is wrong with them, and the key that writes them.

use crate::{
    desk::Desk,
    parts::hold_key::{HoldKey, MARK_MS},
    pure::draft::{changed_lines, short},
    words::{Word as W, fill, say},
};
use leptos::prelude::*;
use spinover_protocol::{
    files::{Conflict, DiffLine, FileId, FilesNow, Wrong},
    map::Map,
};

fn name(files: &FilesNow, id: &str) -> String {
    let found = files.files.iter().find(|file| file.id == id);
    found.map_or_else(|| id.to_owned(), |file| short(&file.name).to_owned())
}

/// What is wrong, with its place.
#[component]
pub fn Mistakes(desk: Desk) -> impl IntoView {
    let list = move || {
        let outcome = desk.outcome.get();
        let all = match outcome {
            Some(outcome) => outcome.mistakes,
            None => desk
                .watch(|draft| draft.from.mistakes.clone())
                .unwrap_or_default(),
        };
        all.into_iter()
            .map(|wrong| view! { <Line desk=desk wrong=wrong/> })
            .collect_view()
    };
    view! { <ul class="edit-mistakes" data-test="edit-mistakes">{list}</ul> }
}

#[component]
fn Line(desk: Desk, wrong: Wrong) -> impl IntoView {
    let file = desk
        .with(|draft| name(&draft.from, &wrong.id))
        .unwrap_or_default();
    let place = match wrong.line {
        0 => file,
        line => fill(W::EditLine, &[&file, &line.to_string()]),
    };
    view! { <li class="wrong" data-test="edit-mistake"><strong>{place}</strong> " " {wrong.what} <small>{wrong.right}</small></li> }
}

/// The lines in which two texts differ.
#[component]
fn Lines(name: String, old: String, new: String) -> impl IntoView {
    let mut last = 0;
    let lines = changed_lines(&old, &new).into_iter().map(|line| {
        let (kind, mark, number, text) = match line {
            DiffLine::Same(number, text) => ("same", " ", number, text),
            DiffLine::Gone(number, text) => ("gone", "−", number, text),
            DiffLine::New(number, text) => ("new", "+", number, text),
        };
        // A gap where lines were left out.
        let gap = last > 0 && number > last + 1 && kind == "same";
        last = number;
        view! {
            {gap.then(|| view! { <div class="edit-gap" aria-hidden="true">"⋯"</div> })}
            <div class="edit-line" data-kind=kind data-test=format!("edit-line-{kind}")>
                <span class="edit-line-mark">{mark}</span><span class="edit-line-number digits">{number}</span><code>{text}</code>
            </div>
        }
    });
    view! { <section class="edit-diff" data-test="edit-diff"><h2>{name}</h2> {lines.collect_view()}</section> }
}

fn differences(from: &FilesNow, texts: &Map<FileId, String>) -> impl IntoView + use<> {
    let files = from
        .files
        .iter()
        .filter_map(|file| Some((file, texts.get(&file.id)?)));
    let one = |(file, new): (&spinover_protocol::files::FileNow, &String)| {
        view! { <Lines name=short(&file.name).to_owned() old=file.text.clone() new=new.clone()/> }
    };
    files.map(one).collect_view()
}

/// What will change, and the key that writes it.
#[component]
pub fn Look(desk: Desk) -> impl IntoView {
    let bad = move || desk.watch(|draft| !draft.bad.is_empty()) == Some(true);
    let ready = Memo::new(move |_| {
        let good = desk.outcome.with(|outcome| {
            outcome
                .as_ref()
                .is_some_and(|outcome| outcome.mistakes.is_empty() && !outcome.texts.is_empty())
        });
        good && !bad() && desk.not_now.read().is_none()
    });
    let lines = move || match desk.outcome.get() {
        Some(outcome) => desk.with(|draft| differences(&draft.from, &outcome.texts).into_any()),
        None if desk.is_changed() => {
            Some(view! { <p class="hint">{say(W::EditAsking)}</p> }.into_any())
        }
        None => Some(view! { <p class="hint">{say(W::EditNothing)}</p> }.into_any()),
    };
    let notes = move || {
        let notes = desk
            .outcome
            .with(|outcome| outcome.as_ref().map(|outcome| outcome.notes.clone()));
        notes
            .into_iter()
            .flatten()
            .map(|note| view! { <li class="hint">{note.what} " " {note.right}</li> })
            .collect_view()
    };
    view! {
        <div data-test="edit-looking">
            {move || bad().then(|| view! { <p class="wrong">{say(W::EditBadNumber)}</p> })}
            <Mistakes desk=desk/>
            <ul>{notes}</ul>
            {lines}
            <HoldKey label=say(W::EditWrite) ms=MARK_MS test="edit-save" class="primary edit-save" off=Signal::derive(move || !ready.get()) done=move |()| desk.save()/>
        </div>
    }
}

/// Two changes of the same files: what lies on the disk, and what was wanted here.
#[component]
pub fn Both(desk: Desk, conflict: Conflict) -> impl IntoView {
    let theirs: Map<FileId, String> = conflict
        .now
        .files
        .iter()
        .map(|file| (file.id.clone(), file.text.clone()))
        .collect();
    let was = desk.with(|draft| draft.from.clone()).unwrap_or_default();
    let changed = theirs
        .into_iter()
        .filter(|(id, text)| {
            was.files
                .iter()
                .any(|file| file.id == *id && file.text != *text)
        })
        .collect();
    view! {
        <div class="edit-conflict" data-test="edit-conflict">
            <p class="wrong">{say(W::EditConflict)}</p>
            <h2>{say(W::EditTheirs)}</h2>
            {differences(&was, &changed)}
            <h2>{say(W::EditYours)}</h2>
            {differences(&was, &conflict.yours)}
            <button type="button" class="key" data-test="edit-conflict-drop" on:click=move |_| desk.drop_changes()>{say(W::EditOtherDrop)}</button>
        </div>
    }
}
