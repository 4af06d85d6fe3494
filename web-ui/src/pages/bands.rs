//! Setting bands: the chief's, for all phases or for the one under way.

use crate::{
    app::{app, band_now},
    pure::{draft::typed_number, show::Scale},
    socket::{self, Topic},
    words::{Word as W, fill, say},
};
use leptos::prelude::*;
use spinover_protocol::{
    car::{Band, Channel},
    message::Command,
};

/// Every channel with its band.
#[component]
pub fn Bands() -> impl IntoView {
    let app = app();
    let here = RwSignal::new(false);
    let phase = app.about(&[Topic::Record], |link| {
        link.mirror()
            .record
            .warmup
            .as_ref()
            .and_then(|warmup| warmup.phase())
            .map(|phase| phase.name.clone())
    });
    let rows = move || {
        app.car.get().map(|car| {
            car.channels
                .iter()
                .map(|channel| view! { <BandRow channel=channel.clone() here=here/> })
                .collect_view()
        })
    };
    view! {
        <div class="choices">
            <button type="button" class="key choice" data-test="band-always" aria-pressed=move || (!here.get()).to_string() on:click=move |_| here.set(false)>{say(W::BandAlways)}</button>
            <button type="button" class="key choice" data-test="band-phase" aria-pressed=move || here.get().to_string() on:click=move |_| here.set(true)>
                {say(W::BandPhase)} " " <small>{move || phase.get().flatten()}</small>
            </button>
        </div>
        {rows}
    }
}

#[component]
fn BandRow(channel: Channel, here: RwSignal<bool>) -> impl IntoView {
    let app = app();
    let scale = Scale::of(&channel, app.settings.get_untracked().units);
    let key = channel.key.clone();
    let now = socket::with(|link| band_now(link, &key)).flatten();
    let plain = |value: f64| scale.text(value).replace('\u{2212}', "-");
    let low = RwSignal::new(now.map(|band| plain(band.low)).unwrap_or_default());
    let high = RwSignal::new(now.map(|band| plain(band.high)).unwrap_or_default());
    let band = Memo::new(move |_| {
        let (low, high) = (typed_number(&low.read())?, typed_number(&high.read())?);
        (low < high).then(|| Band {
            low: scale.back(low),
            high: scale.back(high),
        })
    });
    let shown = app.band(key.clone());
    let shown_words = move || match shown.get() {
        Some(band) => fill(
            W::Between,
            &[&scale.text(band.low), &scale.text_unit(band.high)],
        ),
        None => say(W::BandNone).to_owned(),
    };
    let send = move |band: Option<Band>| {
        let phase = here
            .get_untracked()
            .then(|| {
                socket::with(|link| {
                    link.mirror()
                        .record
                        .warmup
                        .as_ref()?
                        .phase()
                        .map(|phase| phase.key.clone())
                })
            })
            .flatten()
            .flatten();
        app.want(Command::SetBand {
            channel: key.clone(),
            phase,
            band,
        });
    };
    let clear = send.clone();
    let bad = move || band.get().is_none() && !(low.read().is_empty() && high.read().is_empty());
    view! {
        <fieldset class="band-row" data-test=format!("band-{}", channel.key)>
            <legend>{channel.label.clone()} " " <small>{shown_words}</small></legend>
            <label><span>{say(W::BandLow)}</span><input type="text" inputmode="decimal" data-test="band-low" prop:value=low on:input=move |event| low.set(event_target_value(&event))/></label>
            <label><span>{say(W::BandHigh)}</span><input type="text" inputmode="decimal" data-test="band-high" prop:value=high on:input=move |event| high.set(event_target_value(&event))/></label>
            <button type="button" class="key" data-test="band-set" disabled=move || band.get().is_none() on:click=move |_| send(band.get_untracked())>{say(W::BandSet)}</button>
            <button type="button" class="key" data-test="band-clear" on:click=move |_| clear(None)>{say(W::BandClear)}</button>
            <Show when=bad><p class="wrong">{say(W::BandBad)}</p></Show>
        </fieldset>
    }
}
