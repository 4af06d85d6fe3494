//! A reading as a strip: the numeral first, and below it a track whose middle third is the band, the same on every strip.

use super::pen::{self, Feed};
use crate::{
    app::{Reading, app},
    parts::sources::{doubt_words, short_name},
    pure::{
        route::Over,
        show::{Scale, Standing, age},
    },
    socket::Topic,
    words::{Word as W, fill, say},
};
use leptos::{html, prelude::*};
use spinover_protocol::{
    ChannelKey,
    car::{Band, Channel},
    message::{Quality, SourceHealth},
};

/// One channel's strip; nothing where the car has no such channel.
#[component]
pub fn Strip(
    /// The channel.
    channel: ChannelKey,
    /// It is the first on its page, and larger than all others.
    #[prop(optional)]
    first: bool,
) -> impl IntoView {
    let app = app();
    let (index, channel) = app.channel(&channel)?;
    let reading = app.reading(index)?;
    let band = app.band(channel.key.clone());
    let typed = typed_by(reading, channel.key.clone());
    Some(
        view! { <StripOf channel=channel index=index reading=reading band=band typed=typed first=first/> },
    )
}

/// A strip of what is live, or of what is played back.
#[component]
pub fn StripOf(
    /// The channel.
    channel: Channel,
    /// Its place in the frames.
    index: usize,
    /// What it reads.
    reading: RwSignal<Reading>,
    /// The band that holds.
    band: Memo<Option<Band>>,
    /// Who typed the reading in.
    typed: Memo<Option<String>>,
    /// Where its trace is.
    #[prop(optional)]
    feed: Feed,
    /// It is the first on its page.
    #[prop(optional)]
    first: bool,
) -> impl IntoView {
    let app = app();
    let scale = app.scale(channel.clone());
    let canvas: NodeRef<html::Canvas> = NodeRef::new();
    let paper = StoredValue::new(None::<u32>);
    {
        let channel = channel.clone();
        Effect::new(move |_| {
            if let Some(canvas) = canvas.get() {
                paper.update_value(|paper| {
                    *paper = Some(pen::remember(feed, index, channel.clone(), canvas))
                });
            }
        });
    }
    on_cleanup(move || {
        if let Some(id) = paper.try_get_value().flatten() {
            pen::forget(id);
        }
    });
    let standing = Memo::new(move |_| {
        reading
            .read()
            .value
            .map_or(Standing::Free, |value| Standing::of(band.get(), value))
    });
    let digits = Memo::new(move |_| {
        reading.read().value.map_or_else(
            || say(W::NoValue).to_owned(),
            |value| scale.get().text(value),
        )
    });
    let word = Memo::new(move |_| state_words(&reading.read(), standing.get(), &scale.get()));
    let quality = Memo::new(move |_| quality_key(reading.read().quality));
    let shift = {
        let channel = channel.clone();
        Memo::new(move |_| shift(feed, &reading.read(), band.get(), index, &channel))
    };
    let at_end =
        Memo::new(move |_| matches!(shift.get(), Some(shift) if shift <= 0.0 || shift >= 1000.0));
    let second = second_source(reading);
    let beside = move || {
        let typed = typed.get().map(|name| fill(W::TypedBy, &[&name]));
        let doubt = reading
            .read()
            .doubt
            .map(|doubt| doubt_words(doubt).to_owned());
        let second = second.get().map(|name| fill(W::SourceIs, &[&name]));
        let notes: Vec<String> = [doubt, second, typed].into_iter().flatten().collect();
        notes.join(" · ")
    };
    let key = channel.key.clone();
    let label = channel.label.clone();
    let open_trend = {
        let key = key.0.clone();
        move |_| app.open(Over::Trend(key.clone()))
    };
    view! {
        <article
            class="strip"
            class:first=first
            data-test=format!("strip-{}", channel.key)
            data-quality=quality
            data-standing=move || standing.get().key()
            data-band=move || if band.get().is_some() { "yes" } else { "no" }
            data-value=move || reading.read().value.map(|value| value.to_string())
        >
            <div class="numeral">
                <span class="digits" data-len=move || digits.read().chars().count().min(7)>{digits}</span>
                <span class="unit">{move || scale.get().unit.label()}</span>
            </div>
            <h2 class="name">
                {channel.label.clone()}
                <small class="typed" data-test="beside">{beside}</small>
            </h2>
            <p class="word"><span>{word}</span></p>
            <div class="track" aria-hidden="true">
                <span class="rail low"></span>
                <span class="notch"></span>
                <span class="rail high"></span>
                <canvas node_ref=canvas></canvas>
                <span
                    class="carrier"
                    class:end=at_end
                    hidden=move || shift.get().is_none()
                    style:transform=move || format!("translateX({}%)", shift.get().unwrap_or(0.0) / 10.0)
                >
                    <span class="marker"></span>
                </span>
            </div>
            // The whole strip is the key that opens its trend: a finger in a glove does not find a track.
            {(feed == Feed::Live).then(|| view! {
                <button
                    type="button"
                    class="strip-open"
                    data-test=format!("open-{key}")
                    on:click=open_trend
                    // Nobody is read numbers faster than they are said.
                    aria-label=move || { app.second.track(); fill(W::StripIs, &[&label, &digits.read_untracked(), &word.read_untracked()]) }
                ></button>
            })}
        </article>
    }
}

/// Which source speaks, where it is not the first choice.
fn second_source(reading: RwSignal<Reading>) -> Memo<Option<String>> {
    let app = app();
    let names = app.about(&[Topic::Sources], |link| {
        let sources = &link.mirror().sources;
        let name = |source: &SourceHealth| short_name(&source.name).to_owned();
        sources.iter().map(name).collect::<Vec<String>>()
    });
    Memo::new(move |_| {
        let place = usize::from(reading.read().second?);
        let names = names.read();
        let name = names.as_ref().and_then(|names| names.get(place));
        Some(name.map_or("?", String::as_str).to_owned())
    })
}

/// Who typed the reading in, where a person did.
fn typed_by(reading: RwSignal<Reading>, key: ChannelKey) -> Memo<Option<String>> {
    let app = app();
    let by = app.about(&[Topic::Record], move |link| {
        let typed = link
            .mirror()
            .record
            .warmup
            .as_ref()
            .and_then(|warmup| warmup.typed.get(&key));
        typed
            .and_then(|typed| typed.by.as_ref())
            .map(|by| by.name.clone())
    });
    Memo::new(move |_| {
        reading
            .read()
            .typed
            .then(|| by.get().flatten().unwrap_or_else(|| "?".to_owned()))
    })
}

/// Where the marker lies, in thousandths of the strip, rounded so that noise below a pixel moves nothing.
fn shift(
    feed: Feed,
    reading: &Reading,
    band: Option<Band>,
    index: usize,
    channel: &Channel,
) -> Option<f64> {
    let value = reading.value?;
    let place = feed.trace(index, |trace| pen::place(band, channel, trace)(value))?;
    Some((place * 1000.0).round())
}

/// The name of a quality for stylesheets and tests.
pub fn quality_key(quality: Quality) -> &'static str {
    match quality {
        Quality::Good => "good",
        Quality::Suspect => "suspect",
        Quality::Old => "old",
        Quality::None => "none",
    }
}

/// The words beside a numeral.
fn state_words(reading: &Reading, standing: Standing, scale: &Scale) -> String {
    match reading.quality {
        Quality::Good => standing.words(scale),
        Quality::Suspect => say(W::Suspect).to_owned(),
        Quality::Old => fill(W::AgeIs, &[&age(f64::from(reading.age_s) * 1000.0)]),
        Quality::None => say(W::NoReading).to_owned(),
    }
}
