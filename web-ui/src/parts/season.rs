//! The season's counters: what is due, and the whole list with the ones before. It warns; it locks nothing.

use crate::{
    app::{App, app, day_text},
    parts::hold_key::{HoldKey, MARK_MS},
    pure::season::{counted, key, share},
    socket::Topic,
    words::{Word as W, fill, say},
};
use leptos::prelude::*;
use spinover_protocol::{
    message::Command,
    season::{CounterNow, Due},
};

fn counters(app: App) -> Memo<Option<Vec<CounterNow>>> {
    app.about(&[Topic::Season], |link| {
        let now = link.mirror().season.as_ref();
        now.map(|now| now.counters.clone()).unwrap_or_default()
    })
}

fn due_word(due: Due) -> Option<&'static str> {
    match due {
        Due::Fine => None,
        Due::Soon => Some(say(W::SeasonSoon)),
        Due::Now => Some(say(W::SeasonDue)),
    }
}

/// What is due, or soon: on the board and on the chief's page.
#[component]
pub fn SeasonDue() -> impl IntoView {
    let app = app();
    let all = counters(app);
    let due = Memo::new(move |_| {
        let mut due = all.get().unwrap_or_default();
        due.retain(|now| now.due() != Due::Fine);
        due.sort_by_key(|now| now.due() != Due::Now);
        due
    });
    let row = |now: CounterNow| {
        view! {
            <li data-test=format!("season-due-{}", now.counter.key) data-due=key(now.due())>
                <strong class="tag look">{due_word(now.due())}</strong> " " {now.counter.label.clone()} ": " {counted(&now)}
            </li>
        }
    };
    view! {
        <Show when=move || !due.read().is_empty()>
            <ul class="season-due" data-test="season-due" role="status">{move || due.get().into_iter().map(row).collect_view()}</ul>
        </Show>
    }
}

/// Every counter, with the chief's keys and the parts before.
#[component]
pub fn Season() -> impl IntoView {
    let app = app();
    let all = counters(app);
    // By key: a remark that is being typed must not go when something else is counted.
    let keys = Memo::new(move |_| {
        let all = all.read();
        let keys = all.iter().flatten().map(|now| now.counter.key.clone());
        keys.collect::<Vec<_>>()
    });
    view! {
        <Show when=move || !keys.read().is_empty()>
            <section class="season" data-test="season">
                <h3>{say(W::SeasonTitle)}</h3>
                <p class="hint">{say(W::SeasonWarns)}</p>
                <For each=move || keys.get() key=Clone::clone let:key>
                    <Counter all=all key=key/>
                </For>
            </section>
        </Show>
    }
}

#[component]
fn Counter(all: Memo<Option<Vec<CounterNow>>>, key: String) -> impl IntoView {
    let app = app();
    let chief = app.chief();
    let wanted = key.clone();
    let now = Memo::new(move |_| {
        let all = all.read();
        let mut all = all.iter().flatten();
        all.find(|now| now.counter.key == wanted)
            .cloned()
            .unwrap_or_default()
    });
    let remark = RwSignal::new(String::new());
    let key = StoredValue::new(key);
    let change = move |()| {
        let words = remark.get_untracked().trim().to_owned();
        let remark_or = if words.is_empty() {
            say(W::SeasonChanged).to_owned()
        } else {
            words
        };
        app.want(Command::ChangePart {
            counter: key.get_value(),
            remark: remark_or,
        });
        remark.set(String::new());
    };
    let undo = move |()| {
        app.want(Command::UndoPartChange {
            counter: key.get_value(),
        })
    };
    let before = move || {
        let lives = now.get().before.into_iter().map(|life| {
            let by = life.changed.by.map(|by| by.name).unwrap_or_default();
            let words = fill(
                W::SeasonBefore,
                &[
                    &format!("{:.0}", life.count),
                    &day_text(life.changed.at),
                    &by,
                ],
            );
            view! { <li>{words} ": " {life.changed.text}</li> }
        });
        lives.collect_view()
    };
    let has_before = move || !now.read().before.is_empty();
    let name = format!("season-{}", key.get_value());
    view! {
        <div class="season-row" data-test=name data-due=move || crate::pure::season::key(now.read().due()) data-count=move || now.read().count>
            <p><strong>{move || now.get().counter.label}</strong> " " {move || due_word(now.read().due()).map(|word| view! { <span class="tag look">{word}</span> })}</p>
            <p><span class="digits">{move || counted(&now.read())}</span></p>
            <div class="season-bar" aria-hidden="true"><div style:width=move || format!("{:.1}%", 100.0 * share(&now.read()))></div></div>
            {move || now.get().counter.caution.map(|caution| view! { <p class="turn-caution">{caution}</p> })}
            <Show when=has_before>
                <details data-test=format!("season-before-{}", key.get_value())><summary class="key small">{say(W::SeasonBeforeTitle)}</summary><ul class="turn-path">{before}</ul></details>
            </Show>
            <Show when=move || chief.get()>
                // The list is to be read; who changes a part opens its form.
                <details data-test=format!("season-open-{}", key.get_value())>
                <summary class="key small">{say(W::SeasonOpen)}</summary>
                <label>{say(W::SeasonRemark)} <input type="text" maxlength="200" data-test=format!("season-remark-{}", key.get_value()) prop:value=remark on:input=move |event| remark.set(event_target_value(&event))/></label>
                <div class="choices">
                    <HoldKey label=say(W::SeasonChange) ms=MARK_MS test=format!("season-change-{}", key.get_value()) done=change/>
                </div>
                <Show when=has_before>
                    <div class="turn-back"><HoldKey label=say(W::SeasonUndo) ms=MARK_MS test=format!("season-undo-{}", key.get_value()) class="undoes" done=undo/></div>
                </Show>
                </details>
            </Show>
        </div>
    }
}
