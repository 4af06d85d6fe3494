//! The book: every warm-up that is kept, to search through and to open.

use crate::{
    app::{App, app, wall_time},
    ask,
    pure::route::Over,
    words::{Word as W, fill, say},
};
use leptos::prelude::*;
use spinover_protocol::book::Listed;

/// The list as it last came, and how that went.
#[derive(Clone, Copy)]
pub struct Shelf {
    app: App,
    /// All warm-ups, oldest first; none before the first answer.
    pub list: RwSignal<Option<Vec<Listed>>>,
    trouble: RwSignal<Option<String>>,
}

impl Shelf {
    /// An empty one, which fetches its list.
    pub fn new() -> Self {
        let shelf = Self {
            app: app(),
            list: RwSignal::new(None),
            trouble: RwSignal::new(None),
        };
        shelf.fetch();
        shelf
    }

    /// Fetches the list anew.
    pub fn fetch(self) {
        leptos::task::spawn_local(async move {
            match ask::json::<Vec<Listed>>(self.app, "/api/book").await {
                Ok(list) => {
                    self.trouble.try_set(None);
                    self.list.try_set(Some(list));
                }
                Err(reason) => drop(self.trouble.try_set(Some(reason))),
            }
        });
    }
}

/// A day as this phone writes it.
pub fn day(at: i64) -> String {
    let date = js_sys::Date::new(&wasm_bindgen::JsValue::from_f64(at as f64));
    date.to_date_string().into()
}

/// How long something lasted: `4:07`.
pub fn lasted(ms: i64) -> String {
    format!("{}:{:02}", ms.max(0) / 60_000, ms.max(0) / 1000 % 60)
}

/// The page of the book.
#[component]
pub fn Book() -> impl IntoView {
    let shelf = Shelf::new();
    let chief = shelf.app.chief();
    let find = RwSignal::new(String::new());
    let deleted = RwSignal::new(false);
    // What was changed in a sheet over the page shows when the sheet is closed.
    let over = Memo::new(move |_| shelf.app.route.read().over.is_some());
    Effect::new(move |was: Option<bool>| {
        let open = over.get();
        if was == Some(true) && !open {
            shelf.fetch();
        }
        open
    });
    let found = Memo::new(move |_| {
        let find = find.read();
        let words: Vec<&str> = find.split_whitespace().collect();
        let list = shelf.list.read();
        let mut found: Vec<Listed> = list
            .iter()
            .flatten()
            .filter(|listed| listed.deleted_at.is_some() == deleted.get())
            // A date as this phone writes it is looked for too.
            .filter(|listed| {
                let day = day(listed.begun_at).to_lowercase();
                let rest: Vec<&str> = words
                    .iter()
                    .copied()
                    .filter(|word| !day.contains(&word.to_lowercase()))
                    .collect();
                listed.matches(&rest)
            })
            .cloned()
            .collect();
        found.reverse();
        found
    });
    let gone = move || {
        let list = shelf.list.read();
        list.iter()
            .flatten()
            .filter(|listed| listed.deleted_at.is_some())
            .count()
    };
    view! {
        <section class="book" data-test="book">
            <label class="find">
                {say(W::BookFind)}
                <input type="text" data-test="book-find" enterkeyhint="search" placeholder=say(W::BookFindHint)
                    prop:value=find on:input=move |event| find.set(event_target_value(&event))/>
            </label>
            <Show when=move || deleted.get() || (gone() > 0)>
                <div class="choices">
                    <button type="button" class="key choice" data-test="book-kept" aria-pressed=move || (!deleted.get()).to_string() on:click=move |_| deleted.set(false)>{say(W::BookKept)}</button>
                    <button type="button" class="key choice" data-test="book-deleted" aria-pressed=move || deleted.get().to_string() on:click=move |_| deleted.set(true)>{move || fill(W::BookDeleted, &[&gone().to_string()])}</button>
                </div>
            </Show>
            {move || shelf.trouble.get().map(|reason| view! { <p class="wrong" data-test="book-wrong">{fill(W::BookNotRead, &[&reason])}</p> })}
            <ol class="warmups">
                <For each=move || found.get() key=|listed| (listed.id.clone(), listed.note.clone(), listed.tags.clone(), listed.place.clone(), listed.deleted_at) let:listed>
                    <Line listed=listed/>
                </For>
            </ol>
            <Show when=move || shelf.list.read().is_some() && found.read().is_empty()>
                <p class="hint" data-test="book-none">{say(W::BookNone)}</p>
            </Show>
            <Show when=move || chief.get()>
                <button type="button" class="key recording-open" data-test="recording-open" on:click=move |_| shelf.app.open(Over::Recording)>{say(W::RecordingTitle)}</button>
            </Show>
        </section>
    }
}

/// One warm-up in the list.
#[component]
fn Line(listed: Listed) -> impl IntoView {
    let app = app();
    let id = listed.id.clone();
    let length = listed.closed_at.map_or_else(
        || say(W::BookOpenStill).to_owned(),
        |closed| fill(W::BookLasted, &[&lasted(closed - listed.begun_at)]),
    );
    let about: Vec<String> = [&listed.place, &listed.weather, &listed.driver]
        .into_iter()
        .filter(|text| !text.is_empty())
        .cloned()
        .collect();
    let tags = listed
        .tags
        .iter()
        .map(|tag| view! { <span class="tag">{tag.clone()}</span> })
        .collect_view();
    view! {
        <li>
            <button type="button" class="warmup-line" data-test=format!("warmup-{}", listed.id) on:click=move |_| app.open(Over::Warmup(id.clone()))>
                <strong>{day(listed.begun_at)} " " <span class="digits">{wall_time(listed.begun_at)}</span></strong>
                <span>{format!("{}, {}", listed.car, listed.sheet)}</span>
                <span class="warmup-about">
                    <span>{length}</span>
                    <span>{about.join(" · ")}</span>
                    {(!listed.source.is_empty()).then(|| view! { <span class="not-live-word">{listed.source.clone()}</span> })}
                    {tags}
                </span>
            </button>
        </li>
    }
}
