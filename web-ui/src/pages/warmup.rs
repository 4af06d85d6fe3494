//! One warm-up of the book: what is known of it, and what can be done with it.

use super::book::{Shelf, day, lasted};
use crate::{
    app::{app, wall_time},
    ask,
    parts::{
        hold_key::{ABORT_MS, HoldKey, MARK_MS},
        photos::Photos,
    },
    pure::route::escaped,
    words::{Word as W, fill, say},
};
use leptos::prelude::*;
use spinover_protocol::{
    MAX_TEXT,
    book::{By, Listed, MAX_NOTE, Remarks, Ticket},
};

/// The sheet of one warm-up.
#[component]
pub fn WarmupSheet(
    /// Which.
    id: String,
) -> impl IntoView {
    let shelf = Shelf::new();
    let listed = Memo::new(move |_| {
        let list = shelf.list.read();
        list.iter()
            .flatten()
            .find(|listed| listed.id == id)
            .cloned()
    });
    let loaded = Memo::new(move |_| shelf.list.read().is_some());
    view! {
        {move || match listed.get() {
            Some(listed) => view! { <Sheet listed=listed shelf=shelf/> }.into_any(),
            None => view! { <p class="hint">{move || say(if loaded.get() { W::BookNotThere } else { W::BookReading })}</p> }.into_any(),
        }}
    }
}

#[component]
fn Sheet(listed: Listed, shelf: Shelf) -> impl IntoView {
    let app = app();
    let chief = app.chief();
    let ticket = RwSignal::new(None::<String>);
    leptos::task::spawn_local(async move {
        if let Ok(Ticket { ticket: given, .. }) = ask::json::<Ticket>(app, "/api/book/ticket").await
        {
            ticket.try_set(Some(given));
        }
    });
    let id = listed.id.clone();
    let link = {
        let id = escaped(&id);
        move |rest: &str, and: &str| {
            let rest = rest.to_owned();
            let and = and.to_owned();
            let id = id.clone();
            move || {
                let ticket = ticket.get()?;
                Some(ask::address(&format!(
                    "/book/{id}{rest}?ticket={ticket}{and}"
                )))
            }
        }
    };
    let change = {
        let id = escaped(&id);
        move |method: &'static str, rest: &'static str, body: String, close: bool| {
            let path = format!("/api/book/warmup/{id}{rest}");
            leptos::task::spawn_local(async move {
                match ask::text(app, method, &path, Some(body)).await {
                    Ok(_) if close => app.close(),
                    Ok(_) => {
                        app.notify(say(W::BookSaved).to_owned());
                        shelf.fetch();
                    }
                    Err(reason) => app.notify(fill(W::BookNotDone, &[&reason])),
                }
            });
        }
    };
    let by = move || {
        let by = app.person.with_untracked(|person| person.name.clone());
        serde_json::to_string(&By { by }).unwrap_or_default()
    };
    let is_deleted = listed.deleted_at.is_some();
    let (delete, restore) = (change.clone(), change.clone());
    let others: Vec<Listed> = shelf
        .list
        .read_untracked()
        .iter()
        .flatten()
        .filter(|other| other.deleted_at.is_none() && other.id != id && other.car == listed.car)
        .cloned()
        .collect();
    let play = {
        let id = id.clone();
        move |_| app.replay(&id)
    };
    let deleted = listed.deleted_at.map(|_| {
        let until = listed.kept_until.map(day).unwrap_or_default();
        let by = listed.deleted_by.clone().unwrap_or_default();
        view! { <p class="wrong" data-test="warmup-deleted">{fill(W::BookDeletedBy, &[&by, &until])}</p> }
    });
    let length = listed
        .closed_at
        .map(|closed| lasted(closed - listed.begun_at));
    view! {
        <p class="skip-what">{day(listed.begun_at)} " " {wall_time(listed.begun_at)}</p>
        <p>{format!("{}, {}", listed.car, listed.sheet)} {length.map(|length| ", ".to_owned() + &fill(W::BookLasted, &[&length]))}</p>
        {(!listed.source.is_empty()).then(|| view! { <p class="hint">{fill(W::BookSource, &[&listed.source])}</p> })}
        {deleted}
        <div class="choices wide">
            <button type="button" class="key primary" data-test="replay-open" on:click=play>{say(W::ReplayOpen)}</button>
            <a class="key" target="_blank" rel="noopener" data-test="report-open" href=link("", "")>{say(W::ReportOpen)}</a>
            <a class="key" target="_blank" rel="noopener" data-test="compare-open" href=link("/compare", "")>{say(W::CompareOpen)}</a>
        </div>
        <Remark listed=listed.clone() save=move |remarks: Remarks| change("PATCH", "", serde_json::to_string(&remarks).unwrap_or_default(), false)/>
        <Photos id=listed.id.clone() names=listed.photos.clone() ticket=ticket/>
        {(!others.is_empty()).then(|| view! {
            <details>
                <summary class="key">{say(W::CompareWith)}</summary>
                <div class="choices wide">
                    {others.iter().rev().map(|other| view! {
                        <a class="key" target="_blank" rel="noopener" data-test=format!("compare-with-{}", other.id) href=link("/compare", &format!("&with={}", escaped(&other.id)))>
                            {day(other.begun_at)} " " {wall_time(other.begun_at)} " " {other.place.clone()}
                        </a>
                    }).collect_view()}
                </div>
            </details>
        })}
        <h3>{say(W::TakeAway)}</h3>
        <div class="choices wide">
            <a class="key" download="" data-test="export-csv" href=link(".csv", "")>{say(W::TakeCsv)}</a>
            <a class="key" download="" data-test="export-json" href=link(".json", "")>{say(W::TakeJson)}</a>
        </div>
        <Show when=move || chief.get()>
            {if is_deleted {
                let restore = restore.clone();
                view! { <HoldKey label=say(W::BookRestore) ms=MARK_MS test="warmup-restore" done=move |()| restore("POST", "/restore", by(), true)/> }.into_any()
            } else {
                let delete = delete.clone();
                view! {
                    <h3>{say(W::BookDelete)}</h3>
                    <p class="hint">{say(W::BookDeleteHint)}</p>
                    <HoldKey label=say(W::BookDeleteHold) ms=ABORT_MS test="warmup-delete" class="abort" done=move |()| delete("POST", "/delete", by(), true)/>
                }.into_any()
            }}
        </Show>
    }
}

/// What people write about it.
#[component]
fn Remark(listed: Listed, #[prop(into)] save: Callback<Remarks>) -> impl IntoView {
    let field = |text: &str| RwSignal::new(text.to_owned());
    let (place, weather, driver) = (
        field(&listed.place),
        field(&listed.weather),
        field(&listed.driver),
    );
    let (tags, note) = (field(&listed.tags.join(", ")), field(&listed.note));
    let line = |label: W, test: &'static str, text: RwSignal<String>| {
        view! {
            <label>
                {say(label)}
                <input type="text" data-test=test maxlength=MAX_TEXT prop:value=text on:input=move |event| text.set(event_target_value(&event))/>
            </label>
        }
    };
    let send = move |_| {
        let text = |text: RwSignal<String>| Some(text.get_untracked().trim().to_owned());
        let tags = tags.get_untracked();
        let tags = tags.split(',').map(|tag| tag.trim().to_owned());
        save.run(Remarks {
            place: text(place),
            weather: text(weather),
            driver: text(driver),
            note: text(note),
            tags: Some(tags.filter(|tag| !tag.is_empty()).collect()),
        });
    };
    view! {
        <h3>{say(W::BookAbout)}</h3>
        {line(W::AirPlace, "warmup-place", place)}
        {line(W::Weather, "warmup-weather", weather)}
        {line(W::BookDriver, "warmup-driver", driver)}
        {line(W::BookTags, "warmup-tags", tags)}
        <label>
            {say(W::BookNote)}
            <textarea rows="3" data-test="warmup-note" maxlength=MAX_NOTE prop:value=note on:input=move |event| note.set(event_target_value(&event))></textarea>
        </label>
        <button type="button" class="key primary" data-test="warmup-save" on:click=send>{say(W::BookSave)}</button>
    }
}
