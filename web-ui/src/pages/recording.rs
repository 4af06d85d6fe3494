//! A recording from elsewhere taken into the book, by the chief: what each column is, what would come of it, and then the warm-up.
//! The hub reads it; nothing is guessed here.

use crate::{
    app::app,
    ask,
    pages::book::lasted,
    pure::{
        route::Over,
        show::{clock_number, number},
    },
    words::{Word as W, fill, say},
};
use leptos::{ev, prelude::*};
use spinover_protocol::{
    recording::{Found, Kept, LOOKED_AT, LookedAt, MAX_RECORDING, TakeIn, TakenIn},
    units::Unit,
};
use wasm_bindgen::{JsCast, JsValue};
use web_sys::{Blob, File, HtmlInputElement};

/// A column and what the person makes of it.
#[derive(Clone, Copy)]
struct Column {
    found: StoredValue<Found>,
    keep: RwSignal<bool>,
    key: RwSignal<String>,
    unit: RwSignal<Unit>,
}

impl Column {
    fn new(found: Found) -> Self {
        Self {
            keep: RwSignal::new(true),
            key: RwSignal::new(found.key.to_string()),
            unit: RwSignal::new(found.unit.unwrap_or(Unit::One)),
            found: StoredValue::new(found),
        }
    }

    fn kept(self) -> Option<Kept> {
        let (header, nth) = self
            .found
            .with_value(|found| (found.header.clone(), found.nth));
        self.keep.get_untracked().then(|| Kept {
            header,
            nth,
            key: self.key.get_untracked().trim().into(),
            unit: self.unit.get_untracked(),
        })
    }
}

/// A time of day as a date field writes it, on this phone's clock.
fn field_time(at: f64) -> String {
    let date = js_sys::Date::new(&JsValue::from_f64(at));
    let two = clock_number;
    format!(
        "{}-{}-{}T{}:{}:{}",
        date.get_full_year(),
        two(date.get_month() + 1),
        two(date.get_date()),
        two(date.get_hours()),
        two(date.get_minutes()),
        two(date.get_seconds())
    )
}

/// The sheet.
#[component]
pub fn Recording() -> impl IntoView {
    let app = app();
    let chief = app.chief();
    let file = StoredValue::new_local(None::<File>);
    let looked = RwSignal::new(None::<LookedAt>);
    let columns = RwSignal::new(Vec::<Column>::new());
    let begun = RwSignal::new(String::new());
    let told = RwSignal::new(None::<TakenIn>);
    let wrong = RwSignal::new(None::<String>);
    let busy = RwSignal::new(false);
    // What was told holds for what was asked: any change makes it untold.
    Effect::new(move |_| {
        for column in columns.get() {
            column.keep.track();
            column.key.track();
            column.unit.track();
        }
        begun.track();
        told.set(None);
    });
    let choose = move |event: ev::Event| {
        let input = event
            .target()
            .and_then(|target| target.dyn_into::<HtmlInputElement>().ok());
        let Some(chosen) = input.and_then(|input| input.files()?.get(0)) else {
            return;
        };
        looked.set(None);
        columns.set(Vec::new());
        wrong.set(None);
        begun.set(field_time(chosen.last_modified()));
        if chosen.size() > MAX_RECORDING as f64 {
            let most = (MAX_RECORDING / 1024 / 1024).to_string();
            wrong.set(Some(fill(W::RecordingLarge, &[&most])));
            return;
        }
        let head = chosen.slice_with_f64_and_f64(0.0, LOOKED_AT as f64);
        file.set_value(Some(chosen));
        busy.set(true);
        leptos::task::spawn_local(async move {
            let answer = match head {
                Ok(head) => ask::file(app, "/api/book/recording/look", &head).await,
                Err(_) => Err(String::new()),
            };
            busy.try_set(false);
            let parsed = answer.and_then(|text| {
                spinover_protocol::json::from_str::<LookedAt>(&text)
                    .map_err(|error| error.to_string())
            });
            match parsed {
                Ok(found) => {
                    columns.try_set(found.columns.iter().cloned().map(Column::new).collect());
                    looked.try_set(Some(found));
                }
                Err(reason) => drop(wrong.try_set(Some(reason))),
            }
        });
    };
    let send = move |take: bool| {
        let Some(chosen) = file.get_value() else {
            return;
        };
        let at = js_sys::Date::new(&JsValue::from_str(&begun.get_untracked())).get_time();
        let said = TakeIn {
            name: chosen.name(),
            begun: if at.is_finite() { at as i64 } else { 0 },
            columns: columns
                .get_untracked()
                .into_iter()
                .filter_map(Column::kept)
                .collect(),
            take,
        };
        let line = serde_json::to_string(&said).unwrap_or_default() + "\n";
        let parts = js_sys::Array::of2(&JsValue::from_str(&line), &chosen);
        let Ok(body) = Blob::new_with_blob_sequence(&parts) else {
            return;
        };
        busy.set(true);
        wrong.set(None);
        leptos::task::spawn_local(async move {
            let answer = ask::file(app, "/api/book/recording", &body).await;
            busy.try_set(false);
            let parsed = answer.and_then(|text| {
                spinover_protocol::json::from_str::<TakenIn>(&text)
                    .map_err(|error| error.to_string())
            });
            match parsed {
                Ok(TakenIn { id: Some(id), .. }) => {
                    app.notify(say(W::RecordingTaken).to_owned());
                    app.open(Over::Warmup(id));
                }
                Ok(answer) => drop(told.try_set(Some(answer))),
                Err(reason) => drop(wrong.try_set(Some(reason))),
            }
        });
    };
    let channels = move || {
        let car = app.car.read();
        let keys = car
            .iter()
            .flat_map(|car| &car.channels)
            .map(|channel| channel.key.to_string());
        keys.map(|key| view! { <option value=key></option> })
            .collect_view()
    };
    let dated = move || {
        looked
            .read()
            .as_ref()
            .is_some_and(|looked| looked.form == "rfc3339")
    };
    let about = move || {
        let looked = looked.get()?;
        let form = say(match looked.form.as_str() {
            "rfc3339" => W::RecordingDates,
            "clock" => W::RecordingClock,
            _ => W::RecordingSeconds,
        });
        let left = looked.others.join(", ");
        Some(view! {
            <p data-test="recording-time">{fill(W::RecordingTime, &[&looked.time, form])}</p>
            {(!left.is_empty()).then(|| view! { <p class="hint">{fill(W::RecordingOthers, &[&left])}</p> })}
        })
    };
    view! {
        <Show when=move || chief.get() fallback=|| view! { <p class="hint">{say(W::ChiefOnly)}</p> }>
            <div class="wizard" data-test="recording">
                <p class="hint">{fill(W::RecordingHint, &[&(MAX_RECORDING / 1024 / 1024).to_string()])}</p>
                <label class="key file-key" class:off=busy>
                    {say(W::RecordingChoose)}
                    <input type="file" accept=".csv,.txt,.tsv,text/csv" data-test="recording-file" disabled=busy on:change=choose/>
                </label>
                {move || wrong.get().map(|words| view! { <p class="wrong" role="alert" data-test="recording-wrong">{words}</p> })}
                {about}
                <datalist id="own-channels">{channels}</datalist>
                <ol class="columns">
                    <For each=move || columns.get().into_iter().enumerate() key=|(n, column)| (*n, column.keep) let:column>
                        <ColumnRow n=column.0 column=column.1/>
                    </For>
                </ol>
                <Show when=move || looked.read().is_some()>
                    <Show when=move || !dated()>
                        <label>
                            {say(W::RecordingBegun)}
                            <input type="datetime-local" step="1" data-test="recording-begun" prop:value=begun on:input=move |event| begun.set(event_target_value(&event))/>
                        </label>
                    </Show>
                    <button type="button" class="key" data-test="recording-try" disabled=busy on:click=move |_| send(false)>{say(W::RecordingTry)}</button>
                </Show>
                {move || told.get().map(|told| view! { <Told told=told/> })}
                <Show when=move || told.read().as_ref().is_some_and(|told| told.rows > 0)>
                    <button type="button" class="key primary" data-test="recording-take" disabled=busy on:click=move |_| send(true)>{say(W::RecordingTake)}</button>
                </Show>
            </div>
        </Show>
    }
}

/// One column: what is in it, what it becomes, whether it is kept.
#[component]
fn ColumnRow(n: usize, column: Column) -> impl IntoView {
    let Column {
        found,
        keep,
        key,
        unit,
    } = column;
    let n = n + 1;
    let found = found.get_value();
    let header = match found.nth {
        1 => found.header.clone(),
        nth => format!("{} ({nth})", found.header),
    };
    let range = fill(
        W::RecordingRange,
        &[&number(found.low, 2), &number(found.high, 2)],
    );
    let units = Unit::ALL.into_iter().map(|one| {
        let label = if one == Unit::One {
            say(W::RecordingNoUnit)
        } else {
            one.symbol()
        };
        view! { <option value=one.symbol() selected=move || unit.get() == one>{label}</option> }
    });
    let choose = move |event: ev::Event| {
        if let Some(chosen) = Unit::parse(&event_target_value(&event)) {
            unit.set(chosen);
        }
    };
    view! {
        <li class="column" class:left-out=move || !keep.get() data-test=format!("column-{n}") data-header=found.header.clone()>
            <p class="column-what"><strong>{header.clone()}</strong> " " <span>{found.samples.join(" · ")}</span> " " <span class="hint">{range}</span></p>
            <label>
                {say(W::RecordingChannel)}
                <input type="text" list="own-channels" autocapitalize="off" autocomplete="off" spellcheck="false" maxlength="40" data-test=format!("column-{n}-key") disabled=move || !keep.get() prop:value=key on:input=move |event| key.set(event_target_value(&event))/>
            </label>
            <label>
                {say(W::RecordingUnit)}
                <select data-test=format!("column-{n}-unit") disabled=move || !keep.get() on:change=choose>{units.collect_view()}</select>
            </label>
            <button type="button" class="key" data-test=format!("column-{n}-keep") aria-pressed=move || keep.get().to_string() aria-label=move || format!("{header}: {}", say(if keep.get() { W::RecordingKept } else { W::RecordingLeft })) on:click=move |_| keep.update(|keep| *keep = !*keep)>
                {move || say(if keep.get() { W::RecordingKept } else { W::RecordingLeft })}
            </button>
        </li>
    }
}

/// What would come of it.
#[component]
fn Told(told: TakenIn) -> impl IntoView {
    let TakenIn {
        lasts_ms,
        rows,
        channels,
        first,
        wrong,
        wrong_count,
        ..
    } = told;
    let value = |value: Option<f64>| {
        value.map_or_else(|| say(W::NoValue).to_owned(), |value| number(value, 2))
    };
    let heads = channels.iter().map(|channel| view! { <th>{channel.key.to_string()} " " <small>{channel.unit.label()}</small></th> }).collect_view();
    let low = channels
        .iter()
        .map(|channel| view! { <td>{value(channel.low)}</td> })
        .collect_view();
    let high = channels
        .iter()
        .map(|channel| view! { <td>{value(channel.high)}</td> })
        .collect_view();
    let empty: Vec<String> = channels
        .iter()
        .filter(|channel| channel.readings == 0)
        .map(|channel| channel.key.to_string())
        .collect();
    let first = first.into_iter().map(|(t_s, values)| {
        let cells = values
            .into_iter()
            .map(|cell| view! { <td>{value(cell)}</td> })
            .collect_view();
        view! { <tr><th>{format!("{t_s:.2} s")}</th>{cells}</tr> }
    });
    let lines = wrong
        .into_iter()
        .map(|wrong| view! { <li>{wrong.what}</li> })
        .collect_view();
    view! {
        <h3 data-test="recording-rows" data-rows=rows>{fill(W::RecordingRows, &[&rows.to_string(), &lasted(lasts_ms)])}</h3>
        {(!empty.is_empty()).then(|| view! { <p class="wrong">{fill(W::RecordingEmpty, &[&empty.join(", ")])}</p> })}
        {(wrong_count > 0).then(|| view! {
            <p class="wrong" data-test="recording-mistakes" data-count=wrong_count>{fill(W::RecordingMistakes, &[&wrong_count.to_string()])}</p>
            <ol class="mistakes">{lines}</ol>
        })}
        <div class="wide-table">
            <table data-test="recording-first">
                <thead><tr><th></th>{heads}</tr></thead>
                <tbody>
                    <tr class="low"><th>{say(W::RecordingLowest)}</th>{low}</tr>
                    <tr class="high"><th>{say(W::RecordingHighest)}</th>{high}</tr>
                    {first.collect_view()}
                </tbody>
            </table>
        </div>
    }
}
