//! How the sources are doing: state, rate, clock, what was not taken, and the last that each said of every channel.

use crate::{
    app::app,
    pure::show::{Scale, age, number},
    socket::Topic,
    words::{Word as W, fill, say},
};
use leptos::prelude::*;
use spinover_protocol::{
    message::{FaultCount, LastValue, Quality, SourceClock, SourceHealth, SourceState},
    trust::{Doubt, source_name, source_spec},
};

/// A source whose time is further from the hub's than this counts from a start of its own, in seconds.
const SAME_EPOCH_S: f64 = 86_400.0;

fn state_words(state: SourceState) -> (&'static str, &'static str) {
    match state {
        SourceState::Waiting => ("waiting", say(W::SourceWaiting)),
        SourceState::Up => ("up", say(W::SourceUp)),
        SourceState::Ended => ("ended", say(W::SourceEnded)),
        SourceState::Failed => ("failed", say(W::SourceFailed)),
    }
}

fn fault_words(fault: &FaultCount) -> String {
    let kind = match fault.kind.as_str() {
        "malformed" => say(W::FaultMalformed),
        "unknown_channel" => say(W::FaultUnknown),
        "not_a_number" => say(W::FaultNotNumber),
        "absurd" => say(W::FaultAbsurd),
        "time_back" => say(W::FaultTimeBack),
        "duplicate" => say(W::FaultDuplicate),
        "too_long" => say(W::FaultTooLong),
        "trouble" => say(W::FaultTrouble),
        other => other,
    };
    fill(W::FaultCount, &[&fault.count.to_string(), kind])
}

/// Why a reading is suspect, in two or three words.
pub fn doubt_words(doubt: Doubt) -> &'static str {
    match doubt {
        Doubt::Range => say(W::WhyRange),
        Doubt::Rate => say(W::WhyRate),
        Doubt::Spike => say(W::WhySpike),
        Doubt::Stuck => say(W::WhyStuck),
    }
}

/// What a source is called on a strip: its name, or its SPEC without options.
pub fn short_name(name: &str) -> &str {
    source_name(name).unwrap_or_else(|| name.split(['?', '#']).next().unwrap_or(name))
}

fn clock_words(clock: &SourceClock) -> String {
    let offset = if clock.offset_s.abs() < SAME_EPOCH_S {
        let word = if clock.offset_s < 0.0 {
            W::ClockAhead
        } else {
            W::ClockBehind
        };
        fill(word, &[&number(clock.offset_s.abs(), 2)])
    } else {
        say(W::ClockOwn).to_owned()
    };
    let drift = match clock.drift_ppm {
        None => say(W::ClockWatched).to_owned(),
        Some(ppm) if ppm < 0.0 => fill(W::ClockSlow, &[&number(-ppm, 0)]),
        Some(ppm) => fill(W::ClockFast, &[&number(ppm, 0)]),
    };
    [
        offset,
        drift,
        fill(W::ClockLate, &[&number(clock.late_ms, 0)]),
    ]
    .join(" · ")
}

fn quality_words(last: &LastValue) -> String {
    match (Quality::from_letter(last.q), last.why) {
        (Some(Quality::Good), _) => say(W::Good).to_owned(),
        (Some(Quality::Suspect), Some(why)) => say(W::Suspect).to_owned() + ", " + doubt_words(why),
        (Some(Quality::Suspect), None) => say(W::Suspect).to_owned(),
        _ => fill(W::AgeIs, &[&age(last.age as f64)]),
    }
}

/// The last that a source said of each channel.
#[component]
fn Values(last: Vec<LastValue>) -> impl IntoView {
    let app = app();
    let units = app.settings.read().units;
    let row = |last: &LastValue| {
        let (_, channel) = app.channel(&last.channel)?;
        let scale = Scale::of(&channel, units);
        let key = Quality::from_letter(last.q).map_or("none", crate::parts::strip::quality_key);
        Some(view! {
            <tr data-test=format!("said-{}", last.channel) data-quality=key data-speaks=if last.speaks { "yes" } else { "no" }>
                <th scope="row">{channel.label.clone()}</th>
                <td class="said-value">{scale.text(last.value)} " " <small>{scale.unit.label()}</small></td>
                <td>{quality_words(last)}</td>
                <td class="said-who">{if last.speaks { say(W::Speaks) } else { say(W::SpeaksNot) }}</td>
            </tr>
        })
    };
    (!last.is_empty()).then(|| {
        view! { <table class="said"><tbody>{last.iter().filter_map(row).collect_view()}</tbody></table> }
    })
}

/// How the sources are doing, with what was not taken.
#[component]
pub fn Sources(
    /// Their clocks too, and the last that each said: for a screen with room.
    #[prop(optional)]
    all: bool,
) -> impl IntoView {
    let app = app();
    let sources = app.about(&[Topic::Sources], |link| link.mirror().sources.clone());
    let row = move |source: SourceHealth| {
        let (key, words) = state_words(source.state);
        let rate = fill(W::PerSecond, &[&number(source.per_second, 0)]);
        let since = (source.since > 0).then(|| {
            let now = app.second.get_untracked() * 1_000;
            fill(W::SourceSince, &[&age((now - source.since) as f64)])
        });
        let lost = (source.lost > 0).then(|| fill(W::SourceLost, &[&source.lost.to_string()]));
        let faults = source.faults.iter().map(|fault| view! {
            <li class="fault"><strong>{fault_words(fault)}</strong><span>{fault.last.clone()}</span></li>
        });
        let facts: Vec<String> = [Some(words.to_owned()), since, Some(rate), lost]
            .into_iter()
            .flatten()
            .collect();
        let spec = source_name(&source.name).map(|_| source_spec(&source.name).to_owned());
        view! {
            <li class="source" data-state=key data-test="source" data-source=short_name(&source.name).to_owned()>
                <span class="source-name">{source_name(&source.name).unwrap_or(&source.name).to_owned()} " " <small>{spec}</small></span>
                <span class="source-state">{facts.join(" · ")}</span>
                {source.clock.filter(|_| all).map(|clock| view! { <span class="source-clock" data-test="source-clock">{clock_words(&clock)}</span> })}
                <ul>{faults.collect_view()}</ul>
                {all.then(|| view! { <Values last=source.last/> })}
            </li>
        }
    };
    view! {
        <section class="sources" data-test="sources">
            <h2>{say(W::Sources)}</h2>
            <ul>{move || sources.get().unwrap_or_default().into_iter().map(row).collect_view()}</ul>
            <Show when=move || sources.read().as_ref().is_none_or(Vec::is_empty)><p class="hint">{say(W::SourcesNone)}</p></Show>
        </section>
    }
}
