//! Who is here.

use crate::{
    app::app,
    parts::devices::DevicesKey,
    pure::show::age,
    socket::{self, Topic},
    words::{Word as W, fill, say},
};
use leptos::prelude::*;
use spinover_protocol::{event::Right, link::Link, message::Present};

/// Somebody who has been gone for longer is not shown any more, in milliseconds.
const MISSED_MS: i64 = 30 * 60_000;

/// One person in the list.
#[derive(Clone, Debug, PartialEq)]
struct Row {
    id: String,
    name: String,
    role: String,
    chief: bool,
    here: bool,
    you: bool,
    note: String,
}

fn rows(link: &Link, now: i64) -> Vec<Row> {
    let mirror = link.mirror();
    let Some(welcome) = &mirror.welcome else {
        return Vec::new();
    };
    let row = |present: &Present| Row {
        id: present.who.id.to_string(),
        name: present.who.name.clone(),
        role: welcome
            .car
            .role(&present.who.role)
            .map_or_else(|| present.who.role.to_string(), |role| role.label.clone()),
        chief: present.right == Right::Chief,
        here: present.here,
        you: present.who.id == welcome.you.id,
        note: if present.here {
            present
                .lag_ms
                .map(|lag| fill(W::LagMs, &[&lag.to_string()]))
                .unwrap_or_default()
        } else {
            fill(W::Gone, &[&age((now - present.since) as f64)])
        },
    };
    // Somebody who is here again from another browser is not missing; and who left long ago is not looked for.
    let here = |name: &str| {
        mirror
            .people
            .iter()
            .any(|present| present.here && present.who.name == name)
    };
    let shown = |present: &&Present| {
        present.here || (!here(&present.who.name) && now - present.since < MISSED_MS)
    };
    let mut rows: Vec<Row> = mirror.people.iter().filter(shown).map(row).collect();
    rows.sort_by_key(|row| !row.here);
    rows
}

/// Who is here.
#[component]
pub fn People() -> impl IntoView {
    let app = app();
    let rows = Memo::new(move |_| {
        app.track(&[Topic::People, Topic::Welcome]);
        let now = app.second.get() * 1_000;
        socket::with(|link| rows(link, now)).unwrap_or_default()
    });
    view! {
        <section class="people" data-test="people">
            <h2>{say(W::People)}</h2>
            <ul>
                {move || rows.get().into_iter().map(|row| view! {
                    <li class="person" class:gone=!row.here data-test=format!("person-{}", row.name) data-here=if row.here { "yes" } else { "no" }>
                        <span class="person-mark" aria-hidden="true"></span>
                        <span class="person-name">{row.name.clone()}</span>
                        <span class="person-role">{row.role}</span>
                        {row.chief.then(|| view! { <span class="tag">{say(W::ChiefRight)}</span> })}
                        {row.you.then(|| view! { <span class="tag">{say(W::You)}</span> })}
                        <span class="person-note">{row.note}</span>
                    </li>
                }).collect_view()}
            </ul>
            <DevicesKey/>
            <Show when=move || rows.read().is_empty()><p class="hint">{say(W::PeopleNone)}</p></Show>
        </section>
    }
}
