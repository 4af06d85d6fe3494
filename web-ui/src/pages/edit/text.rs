//! The files as text, for what the forms cannot do: channels, phases, steps and roles that come, go or move, alarms, sources.

use super::look::Mistakes;
use crate::{
    desk::Desk,
    pure::draft::short,
    words::{Word as W, say},
};
use leptos::prelude::*;

/// One file's text at a time.
#[component]
pub fn Text(desk: Desk) -> impl IntoView {
    let files = desk.with(|draft| {
        let files = draft.from.files.iter();
        files
            .map(|file| (file.id.clone(), short(&file.name).to_owned()))
            .collect::<Vec<_>>()
    });
    let files = files.unwrap_or_default();
    let open = RwSignal::new(files.first().map(|(id, _)| id.clone()).unwrap_or_default());
    let keys = files.into_iter().map(|(id, name)| {
        let this = id.clone();
        let pressed = move || (*open.read() == this).to_string();
        view! { <button type="button" class="key choice small" data-test=format!("edit-file-{id}") aria-pressed=pressed on:click=move |_| open.set(id.clone())>{name}</button> }
    });
    let keys = keys.collect_view();
    let area = move || {
        let id = open.get();
        let by_form = desk.with(|draft| draft.by_form(&id)) == Some(true);
        let text = desk.with(|draft| {
            let own = draft.from.files.iter().find(|file| file.id == id);
            let own = own.map(|file| file.text.clone()).unwrap_or_default();
            draft.texts.get(&id).cloned().unwrap_or(own)
        });
        let rows = text
            .as_ref()
            .map_or(10, |text| text.lines().count() + 2)
            .clamp(10, 60);
        let typed = move |event| {
            let text = event_target_value(&event);
            let id = open.get_untracked();
            desk.type_in(|draft| draft.type_text(&id, text));
        };
        view! {
            {by_form.then(|| view! { <p class="hint" data-test="edit-form-first">{say(W::EditFormFirst)}</p> })}
            <textarea
                class="edit-area" data-test="edit-area" aria-label=say(W::EditText) spellcheck="false" autocomplete="off" wrap="off"
                rows=rows.to_string() readonly=by_form prop:value=text.unwrap_or_default() on:input=typed
            ></textarea>
        }
    };
    view! {
        <div class="choices" role="group">{keys}</div>
        <Mistakes desk=desk/>
        {area}
    }
}
