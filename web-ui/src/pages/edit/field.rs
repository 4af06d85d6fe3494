//! One field of the forms: its label, what is in it, and under it what is wrong with it.

use crate::{
    desk::Desk,
    words::{Word as W, say},
};
use leptos::prelude::*;

/// Where in the files a field stands: the file, and the keys' names.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Place {
    /// Which file.
    pub id: String,
    /// The key, as the hub names it in mistakes.
    pub field: String,
}

impl Place {
    /// A place.
    pub fn new(id: &str, field: impl Into<String>) -> Self {
        Self {
            id: id.to_owned(),
            field: field.into(),
        }
    }

    /// A key in it.
    pub fn key(&self, key: &str) -> Self {
        Self::new(&self.id, format!("{}.{key}", self.field))
    }

    /// Its name in the draft's list of what cannot be meant.
    pub fn name(&self) -> String {
        format!("{}/{}", self.id, self.field)
    }
}

/// What is wrong at a place: what cannot be meant, and what the hub says.
#[component]
pub fn WrongAt(desk: Desk, place: Place) -> impl IntoView {
    let name = place.name();
    let bad = move || desk.watch(|draft| draft.bad.contains(&name)) == Some(true);
    let said = move || desk.wrongs_at(&place.id, &place.field);
    view! {
        {move || bad().then(|| view! { <span class="wrong" data-test="edit-wrong">{say(W::EditBadNumber)}</span> })}
        {move || said().into_iter().map(|wrong| view! {
            <span class="wrong" data-test="edit-wrong">{wrong.what} <small>{wrong.right}</small></span>
        }).collect_view()}
    }
}

/// A field to type in. `set` says whether what stands in it can be meant.
#[component]
pub fn Field(
    desk: Desk,
    place: Place,
    #[prop(into)] label: String,
    /// What stands behind the label: a unit.
    #[prop(optional, into)]
    unit: String,
    /// What stands in it at first.
    value: String,
    #[prop(into)] test: String,
    /// It takes a number.
    #[prop(optional)]
    number: bool,
    #[prop(into)] set: Callback<String, bool>,
) -> impl IntoView {
    let name = place.name();
    let typed = move |event| {
        let good = set.run(event_target_value(&event));
        let name = name.clone();
        desk.type_in(move |draft| draft.judge(&name, good));
    };
    let mode = if number { "decimal" } else { "text" };
    view! {
        <label class="edit-field" class:edit-number=number>
            <span>{label} " " <small>{unit}</small></span>
            <input type="text" inputmode=mode autocomplete="off" data-test=test value=value on:input=typed/>
            <WrongAt desk=desk place=place/>
        </label>
    }
}

/// A tick.
#[component]
pub fn Tick(
    desk: Desk,
    place: Place,
    #[prop(into)] label: String,
    value: bool,
    #[prop(into)] test: String,
    #[prop(into)] set: Callback<bool>,
) -> impl IntoView {
    view! {
        <label class="edit-tick">
            <input type="checkbox" data-test=test prop:checked=value on:change=move |event| set.run(event_target_checked(&event))/>
            <span>{label}</span>
            <WrongAt desk=desk place=place/>
        </label>
    }
}

/// One of several.
#[component]
pub fn Choose(
    desk: Desk,
    place: Place,
    #[prop(into)] label: String,
    /// What is sent, and what is read.
    options: Vec<(String, String)>,
    value: String,
    #[prop(into)] test: String,
    #[prop(into)] set: Callback<String>,
) -> impl IntoView {
    let options = options.into_iter().map(|(key, label)| {
        let chosen = key == value;
        view! { <option value=key selected=chosen>{label}</option> }
    });
    view! {
        <label class="edit-field">
            <span>{label}</span>
            <select data-test=test on:change=move |event| set.run(event_target_value(&event))>{options.collect_view()}</select>
            <WrongAt desk=desk place=place/>
        </label>
    }
}

/// The keys of a row: up, down, and out.
#[component]
pub fn RowKeys(
    #[prop(into)] test: String,
    /// What the row is, for whoever hears the keys.
    what: String,
    first: bool,
    last: bool,
    #[prop(into)] moved: Callback<bool>,
    #[prop(into)] gone: Callback<()>,
) -> impl IntoView {
    let name = |word: W| format!("{}: {what}", say(word));
    view! {
        <span class="edit-row-keys">
            <button type="button" class="key small" data-test=format!("{test}-up") disabled=first aria-label=name(W::EditUp) on:click=move |_| moved.run(false)>"↑"</button>
            <button type="button" class="key small" data-test=format!("{test}-down") disabled=last aria-label=name(W::EditDown) on:click=move |_| moved.run(true)>"↓"</button>
            <button type="button" class="key small" data-test=format!("{test}-out") aria-label=name(W::EditOut) on:click=move |_| gone.run(())>"✕"</button>
        </span>
    }
}
