//! Figures as cards: the value, how sure it is, and one sentence.

use crate::{
    app::{App, app},
    pure::{
        show::{Scale, number, wait},
        suggest::{Suggested, suggested},
    },
    socket::{self, Topic},
    words::{Word as W, fill, say},
};
use leptos::prelude::*;
use spinover_protocol::{
    event::Audience,
    link::Link,
    message::{Command, FigureNow},
    units::Unit,
};

/// For so long after a figure's call was made it is not offered again, in seconds: hands need time.
const CALLED_S: i64 = 15;

fn chosen(link: &Link, all: bool, only: &[&str]) -> Vec<FigureNow> {
    let mirror = link.mirror();
    if !only.is_empty() {
        let find = |key: &&str| mirror.figures.iter().find(|figure| figure.key == **key);
        return only.iter().filter_map(find).cloned().collect();
    }
    if all {
        return mirror.figures.clone();
    }
    let Some(welcome) = &mirror.welcome else {
        return Vec::new();
    };
    let keys = welcome
        .car
        .role(&welcome.you.role)
        .map(|role| role.figures.as_slice())
        .unwrap_or_default();
    keys.iter()
        .filter_map(|key| mirror.figures.iter().find(|figure| figure.key == *key))
        .cloned()
        .collect()
}

/// The figures of this person's role, or all.
#[component]
pub fn Figures(
    /// Every figure, not just the role's.
    #[prop(optional)]
    all: bool,
    /// These alone, whatever the role.
    #[prop(optional)]
    only: &'static [&'static str],
    /// Without the calls that they give reason for: those stand elsewhere on the page.
    #[prop(optional)]
    quiet: bool,
) -> impl IntoView {
    let app = app();
    let figures = app.about(&[Topic::Figures, Topic::Welcome], move |link| {
        chosen(link, all, only)
    });
    view! { <Cards figures=figures quiet=quiet/> }
}

/// These figures, each on a card.
#[component]
pub fn Cards(
    /// What they say.
    figures: Memo<Option<Vec<FigureNow>>>,
    /// Without the calls that they give reason for: nobody calls about what is past.
    #[prop(optional)]
    quiet: bool,
) -> impl IntoView {
    let keys = Memo::new(move |_| keys_of(&figures.read(), |_| true));
    view! {
        <div class="figures" hidden=move || keys.read().is_empty()>
            <For each=move || keys.get() key=Clone::clone let:key>
                <Figure figures=figures key_name=key quiet=quiet/>
            </For>
        </div>
    }
}

/// The calls that the figures of this person's role give reason for, without the figures: where the page has them farther down.
#[component]
pub fn Offers() -> impl IntoView {
    let app = app();
    let figures = app.about(&[Topic::Figures, Topic::Welcome], |link| {
        chosen(link, false, &[])
    });
    let keys = Memo::new(move |_| keys_of(&figures.read(), |figure| figure.ask.is_some()));
    view! {
        <div class="offers">
            <For each=move || keys.get() key=Clone::clone let:key>
                <Suggestion figure=one_of(figures, key)/>
            </For>
        </div>
    }
}

fn keys_of(figures: &Option<Vec<FigureNow>>, which: fn(&FigureNow) -> bool) -> Vec<String> {
    let chosen = figures.iter().flatten().filter(|figure| which(figure));
    chosen.map(|figure| figure.key.clone()).collect()
}

fn one_of(figures: Memo<Option<Vec<FigureNow>>>, key: String) -> Memo<Option<FigureNow>> {
    Memo::new(move |_| {
        let figures = figures.read();
        let mut figures = figures.iter().flatten();
        figures.find(|figure| figure.key == key).cloned()
    })
}

/// A figure in words.
#[derive(Clone, Debug, PartialEq)]
struct Texts {
    label: String,
    value: Option<String>,
    unit: &'static str,
    between: Option<String>,
    words: String,
}

/// The cases that a figure was learned from, as given and got in this phone's units.
fn cases_of(figure: Option<&FigureNow>, app: App) -> Vec<(String, String)> {
    let Some((unit, cases)) = figure.and_then(|figure| figure.unit.zip(figure.rests_on.as_ref()))
    else {
        return Vec::new();
    };
    let units = app.settings.read().units;
    let car = app.car.read();
    let channels = car.as_ref().map_or(&[][..], |car| &car.channels);
    let given = Scale::of_unit(cases.given, units, channels);
    let got = Scale::of_unit(unit, units, channels);
    let pairs = cases.pairs.iter();
    pairs
        .map(|(x, y)| (given.text_unit(*x), got.text_unit(*y)))
        .collect()
}

#[component]
fn Figure(figures: Memo<Option<Vec<FigureNow>>>, key_name: String, quiet: bool) -> impl IntoView {
    let app = app();
    let test = format!("figure-{key_name}");
    let figure = one_of(figures, key_name);
    let texts = Memo::new(move |_| {
        let units = app.settings.read().units;
        let figure = figure.get()?;
        let car = app.car.read();
        let scale = figure
            .unit
            .map(|unit| Scale::of_unit(unit, units, car.as_ref().map_or(&[], |car| &car.channels)));
        // Seconds are read as a clock's; a minute of them has no unit to show.
        let seconds = figure.unit == Some(Unit::Second);
        let text = |value: f64| match scale {
            _ if seconds => wait(value),
            Some(scale) => scale.text(value),
            None => number(value, 1),
        };
        let clock = seconds && figure.value.is_some_and(|value| value >= 59.5);
        let unit = if clock {
            ""
        } else {
            scale.map_or("", |scale| scale.unit.label())
        };
        let between = figure
            .low
            .zip(figure.high)
            .map(|(low, high)| fill(W::Between, &[&text(low), &text(high)]));
        let value = figure.value.map(text);
        Some(Texts {
            label: figure.label,
            unit: if value.is_some() { unit } else { "" },
            value,
            between,
            words: figure.words,
        })
    });
    let cases = Memo::new(move |_| cases_of(figure.read().as_ref(), app));
    let test_cases = test.clone();
    let attention = move || {
        figure
            .read()
            .as_ref()
            .is_some_and(|figure| figure.attention)
    };
    let part = move |pick: fn(Texts) -> Option<String>| texts.get().and_then(pick);
    view! {
        <article class="figure" class:attention=attention data-test=test>
            <h2 class="name">{move || part(|texts| Some(texts.label))}</h2>
            <p class="figure-value">
                <span class="digits">{move || part(|texts| Some(texts.value.unwrap_or_else(|| say(W::NoValue).to_owned())))}</span>
                <span class="unit">{move || part(|texts| Some(texts.unit.to_owned()))}</span>
                <span class="between">{move || part(|texts| texts.between)}</span>
            </p>
            {(!quiet).then(|| view! { <Suggestion figure=figure/> })}
            <p class="figure-words">
                <Show when=attention><strong class="look">{say(W::Attention)}</strong></Show>
                <span>{move || part(|texts| Some(texts.words))}</span>
            </p>
            <Show when=move || !cases.read().is_empty()>
                <details class="cases" data-test=format!("{test_cases}-cases")>
                    <summary class="key">{move || fill(W::RestsOn, &[&cases.read().len().to_string()])}</summary>
                    <table>
                        <thead><tr><th>{say(W::CaseNumber)}</th><th>{say(W::CaseAir)}</th><th>{say(W::CaseFlow)}</th></tr></thead>
                        <tbody>{move || cases.get().into_iter().enumerate().map(|(n, (air, flow))| view! { <tr><td>{n + 1}</td><td>{air}</td><td>{flow}</td></tr> }).collect_view()}</tbody>
                    </table>
                </details>
            </Show>
        </article>
    }
}

/// The call that the figure gives reason for, as a key: one press makes it. It is offered while the figure is sure and the link is up.
#[component]
fn Suggestion(figure: Memo<Option<FigureNow>>) -> impl IntoView {
    let app = app();
    let live = app.live();
    let called = RwSignal::new(None::<i64>);
    let offered = Memo::new(move |_| {
        app.track(&[Topic::Welcome]);
        if !live.get() {
            return None;
        }
        let figure = figure.get()?;
        socket::with(|link| {
            let welcome = link.mirror().welcome.as_ref()?;
            let call = suggested(&figure, &welcome.car, &welcome.you)?;
            let to = match &call.to {
                Audience::All => say(W::Everyone).to_owned(),
                Audience::Role(role) => welcome
                    .car
                    .role(role)
                    .map_or_else(|| role.to_string(), |role| role.label.clone()),
            };
            Some((figure.key, call, to))
        })
        .flatten()
    });
    let rests = Memo::new(move |_| {
        let second = app.second.get();
        called.get().is_some_and(|at| second - at < CALLED_S)
    });
    let press = move |_| {
        let offer = offered.get_untracked().filter(|_| !rests.get_untracked());
        if let Some((_, Suggested { text, to }, _)) = offer {
            called.set(Some(app.second.get_untracked()));
            app.want(Command::Call { to, text });
        }
    };
    let test = move || {
        let offered = offered.read();
        offered.as_ref().map(|(key, ..)| format!("suggest-{key}"))
    };
    let part = move |pick: fn(&Suggested, &str) -> String| {
        let offered = offered.read();
        offered.as_ref().map(|(_, call, to)| pick(call, to))
    };
    view! {
        <Show when=move || offered.read().is_some()>
            <button
                type="button"
                class="key suggest"
                data-test=test
                aria-disabled=move || rests.get().to_string()
                on:click=press
            >
                <span class="suggest-text">{move || part(|call, _| fill(W::LateCall, &[&call.text]))}</span>
                <span class="ready-to">{move || if rests.get() { Some(say(W::AskCalled).to_owned()) } else { part(|_, to| fill(W::ToRole, &[to])) }}</span>
            </button>
        </Show>
    }
}
