//! Calling out: ready calls as big keys, or one's own words, and to whom. And the list of calls with who has seen each.

use super::banners::{SeenState, name};
use crate::{
    app::{app, wall_time},
    pure::calls::{audience_label, seen_names, unseen_names},
    socket::Topic,
    words::{Word as W, fill, say},
};
use leptos::prelude::*;
use spinover_protocol::{
    RoleKey, Seq, car::ReadyCall, event::Audience, link::Link, message::Command,
};

/// The longest call, in characters, as the hub takes it.
const LONGEST: usize = spinover_protocol::MAX_TEXT;

fn ready(link: &Link) -> Vec<ReadyCall> {
    let Some(welcome) = &link.mirror().welcome else {
        return Vec::new();
    };
    let own = welcome
        .car
        .role(&welcome.you.role)
        .map(|role| role.calls.clone())
        .unwrap_or_default();
    own.into_iter()
        .chain(welcome.car.calls.iter().cloned())
        .collect()
}

fn roles(link: &Link) -> Vec<(RoleKey, String)> {
    let Some(welcome) = &link.mirror().welcome else {
        return Vec::new();
    };
    welcome
        .car
        .roles
        .iter()
        .map(|role| (role.key.clone(), role.label.clone()))
        .collect()
}

/// The sheet to call from.
#[component]
pub fn CallSheet() -> impl IntoView {
    let app = app();
    let calls = app.about(&[Topic::Welcome], ready);
    let roles = app.about(&[Topic::Welcome], roles);
    let to = RwSignal::new(None::<RoleKey>);
    let text = RwSignal::new(String::new());
    let audience = move |role: Option<RoleKey>| role.map_or(Audience::All, Audience::Role);
    let send = move |words: String, role: Option<RoleKey>| {
        let words = words.trim().to_owned();
        if !words.is_empty() {
            app.want(Command::Call {
                to: audience(role),
                text: words,
            });
            app.close();
        }
    };
    let label = move |key: &RoleKey| {
        let found = roles.read().as_ref().and_then(|roles| {
            roles
                .iter()
                .find(|(known, _)| known == key)
                .map(|(_, label)| label.clone())
        });
        found.unwrap_or_else(|| key.to_string())
    };
    let ready_keys = move || {
        let calls = calls.get().unwrap_or_default();
        if calls.is_empty() {
            return view! { <p class="hint">{say(W::NoReadyCalls)}</p> }.into_any();
        }
        let keys = calls.into_iter().enumerate().map(|(index, call)| {
            let to_label = call.to.as_ref().map_or_else(|| say(W::Everyone).to_owned(), label);
            let words = call.text.clone();
            let press = move |_| send(call.text.clone(), call.to.clone());
            view! {
                <button type="button" class="key ready" data-test=format!("ready-call-{index}") on:click=press>
                    <span class="ready-text">{words}</span>
                    <span class="ready-to">{to_label}</span>
                </button>
            }
        });
        view! { <div class="ready-keys">{keys.collect_view()}</div> }.into_any()
    };
    let audience_keys = move || {
        let keys = roles.get().unwrap_or_default().into_iter().map(|(key, label)| {
            let (chosen, test) = (key.clone(), format!("call-to-{key}"));
            let pressed = { let key = key.clone(); move || *to.read() == Some(key.clone()) };
            view! {
                <button type="button" class="key choice" data-test=test aria-pressed=move || pressed().to_string() on:click=move |_| to.set(Some(chosen.clone()))>
                    {label}
                </button>
            }
        });
        keys.collect_view()
    };
    view! {
        {ready_keys}
        <form class="own-words" on:submit=move |event| { event.prevent_default(); send(text.get_untracked(), to.get_untracked()) }>
            <label>
                {say(W::CallOwnWords)}
                <input type="text" data-test="call-text" autocomplete="off" maxlength=LONGEST prop:value=text on:input=move |event| text.set(event_target_value(&event))/>
            </label>
            <p class="label">{say(W::CallTo)}</p>
            <div class="choices">
                <button type="button" class="key choice" data-test="call-to-all" aria-pressed=move || to.read().is_none().to_string() on:click=move |_| to.set(None)>
                    {say(W::Everyone)}
                </button>
                {audience_keys}
            </div>
            <button type="submit" class="key primary" data-test="call-send">{say(W::CallSend)}</button>
        </form>
        <h3>{say(W::CallsTitle)}</h3>
        <CallList/>
    }
}

/// One call in the list.
#[derive(Clone, Debug, PartialEq)]
struct Row {
    call: Seq,
    text: String,
    stop: bool,
    from: String,
    at: String,
    to: String,
    seen: Vec<String>,
    unseen: Vec<String>,
    own: bool,
    waits: bool,
    open: bool,
    practice: bool,
}

fn rows(link: &Link) -> Vec<Row> {
    let mirror = link.mirror();
    let (Some(warmup), Some(welcome)) = (&mirror.record.warmup, &mirror.welcome) else {
        return Vec::new();
    };
    let row = |call: &spinover_protocol::record::Call| Row {
        call: call.seq,
        text: call.said.text.clone(),
        stop: call.stop,
        from: name(&call.said),
        at: wall_time(call.said.at),
        to: audience_label(mirror, &call.to).unwrap_or_else(|| say(W::Everyone).to_owned()),
        seen: seen_names(&mirror.record, call),
        unseen: unseen_names(mirror, call.seq),
        own: call
            .said
            .by
            .as_ref()
            .is_some_and(|by| by.id == welcome.you.id),
        waits: call.waits_for(&welcome.you),
        open: call.lifted.is_none(),
        practice: warmup.is_practice_call(call),
    };
    warmup.calls.iter().rev().take(30).map(row).collect()
}

/// The latest calls, with who has seen each.
#[component]
pub fn CallList() -> impl IntoView {
    let app = app();
    let rows = app.about(&[Topic::Record, Topic::People, Topic::Welcome], rows);
    let chief = app.chief();
    view! {
        <ul class="calls" data-test="calls">
            <For
                each=move || rows.get().unwrap_or_default()
                key=|row| (row.call, row.seen.len(), row.unseen.len(), row.open, row.waits)
                let:row
            >
                <li class="call-row" class:stop=row.stop class:away=!row.open data-test=format!("call-{}", row.call)>
                    <div>
                        <strong>{if row.stop { say(W::Stop).to_owned() + " " + &row.text } else { row.text.clone() }}</strong>
                        {row.practice.then(|| view! { <span class="practice-tag" data-test="practice-call">{say(W::Practice)}</span> })}
                        <span class="call-meta">{row.at.clone()} " · " {row.from.clone()} " · " {fill(W::ToRole, &[&row.to])}</span>
                        {row.open.then(|| view! { <SeenState seen=row.seen.clone() unseen=row.unseen.clone()/> })}
                    </div>
                    {row.waits.then(|| view! {
                        <button type="button" class="key" data-test="seen-late" on:click=move |_| app.want(Command::Seen { call: row.call })>{say(W::Seen)}</button>
                    })}
                    {(row.open && !row.stop).then(|| view! {
                        <Show when=move || chief.get()>
                            <button type="button" class="key" data-test="put-away" on:click=move |_| app.want(Command::Lift { call: row.call })>{say(W::PutAway)}</button>
                        </Show>
                    })}
                </li>
            </For>
        </ul>
        <Show when=move || rows.read().as_ref().is_none_or(Vec::is_empty)>
            <p class="hint">{say(W::CallsNone)}</p>
        </Show>
    }
}
