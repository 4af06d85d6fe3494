//! The bands of all channels, everywhere or in one phase, each with the strip that it would make of the reading now.

use super::field::{Place, WrongAt};
use crate::{
    app::{Reading, app},
    desk::Desk,
    parts::strip::quality_key,
    pure::{
        draft::typed_number,
        show::{Scale, Standing, Units},
    },
    words::{Word as W, fill, say},
};
use leptos::prelude::*;
use spinover_protocol::{
    car::{Band, Channel},
    files::{CAR, sheet_id},
    message::Quality,
};

/// All bands.
#[component]
pub fn Bands(desk: Desk) -> impl IntoView {
    let scope = RwSignal::new(None::<(usize, usize)>);
    let scopes = desk.with(|draft| {
        let mut all = vec![(None, say(W::EditEverywhere).to_owned())];
        for (nth, sheet) in draft.sheets.iter().enumerate() {
            for (place, phase) in sheet
                .iter()
                .flat_map(|sheet| sheet.phases.iter().enumerate())
            {
                let sheet = sheet.as_ref().map_or("", |sheet| &sheet.name);
                all.push((Some((nth, place)), format!("{sheet}: {}", phase.name)));
            }
        }
        all
    });
    let scopes = scopes.unwrap_or_default();
    let values: Vec<_> = scopes.iter().map(|(scope, _)| *scope).collect();
    let options = scopes
        .into_iter()
        .enumerate()
        .map(|(nth, (_, label))| view! { <option value=nth.to_string()>{label}</option> });
    let chosen = move |event| {
        let nth: usize = event_target_value(&event).parse().unwrap_or_default();
        scope.set(values.get(nth).copied().flatten());
    };
    let rows = move || {
        let scope = scope.get();
        let channels = desk
            .with(|draft| draft.car.as_ref().map(|car| car.channels.clone()))
            .flatten();
        let row =
            |(index, channel)| view! { <Row desk=desk index=index channel=channel scope=scope/> };
        channels
            .into_iter()
            .flatten()
            .enumerate()
            .map(row)
            .collect_view()
    };
    view! {
        <label class="edit-field">
            <span>{say(W::EditScope)}</span>
            <select data-test="edit-scope" on:change=chosen>{options.collect_view()}</select>
        </label>
        <p class="hint">{say(W::EditBandHint)}</p>
        <div class="edit-bands">{rows}</div>
    }
}

#[component]
fn Row(desk: Desk, index: usize, channel: Channel, scope: Option<(usize, usize)>) -> impl IntoView {
    let scale = Scale::of(&channel, Units::Car);
    let was = desk.with(|draft| draft.band(index, scope)).flatten();
    let text = |value: Option<f64>| {
        RwSignal::new(value.map_or_else(String::new, |value| value.to_string()))
    };
    let (low, high) = (
        text(was.map(|band| band.low)),
        text(was.map(|band| band.high)),
    );
    let place = match scope {
        None => Place::new(CAR, format!("channel.{}.band", channel.key)),
        Some((sheet, phase)) => {
            let phase = desk.with(|draft| {
                let sheet = draft.sheets.get(sheet)?.as_ref()?;
                sheet.phases.get(phase).map(|phase| phase.key.to_string())
            });
            let phase = phase.flatten().unwrap_or_default();
            Place::new(
                &sheet_id(sheet),
                format!("phase.{phase}.bands.{}", channel.key),
            )
        }
    };
    let name = place.name();
    let ends = [place.key("0"), place.key("1")];
    let typed = move |into: RwSignal<String>, event| {
        into.set(event_target_value(&event));
        let (low, high) = (low.get_untracked(), high.get_untracked());
        let numbers = (typed_number(&low), typed_number(&high));
        let empty = low.trim().is_empty() && high.trim().is_empty();
        let name = name.clone();
        desk.type_in(move |draft| {
            match numbers {
                (Some(low), Some(high)) => draft.set_band(index, scope, Some(Band { low, high })),
                _ if empty => draft.set_band(index, scope, None),
                _ => {}
            }
            draft.judge(&name, empty || matches!(numbers, (Some(_), Some(_))));
        });
    };
    let typed_high = typed.clone();
    let key = channel.key.clone();
    // Where a phase says nothing, the car's own band holds.
    let holds = Memo::new(move |_| {
        desk.watch(|draft| draft.band(index, scope).or_else(|| draft.band(index, None)))
            .flatten()
            .filter(|band| band.low < band.high)
    });
    let [at_low, at_high] = ends;
    let label = |end: W| format!("{}, {}", channel.label, say(end));
    view! {
        <fieldset class="edit-band" data-test=format!("edit-band-{key}")>
            <legend>{channel.label.clone()} " " <small>{channel.unit.label()}</small></legend>
            <input type="text" inputmode="decimal" autocomplete="off" data-test="edit-low" aria-label=label(W::BandLow) placeholder=say(W::BandLow) prop:value=low on:input=move |event| typed(low, event)/>
            <input type="text" inputmode="decimal" autocomplete="off" data-test="edit-high" aria-label=label(W::BandHigh) placeholder=say(W::BandHigh) prop:value=high on:input=move |event| typed_high(high, event)/>
            <Preview channel=key.0.clone() scale=scale holds=holds/>
            <WrongAt desk=desk place=place/>
            <WrongAt desk=desk place=at_low/>
            <WrongAt desk=desk place=at_high/>
        </fieldset>
    }
}

/// The strip as it would be: the notch, and in it the reading of this moment.
#[component]
fn Preview(channel: String, scale: Scale, holds: Memo<Option<Band>>) -> impl IntoView {
    let app = app();
    let key = channel.as_str().into();
    // The draft's channels may be others than those that are live.
    let reading = Memo::new(move |_| {
        let found = app.channel(&key).and_then(|(index, _)| app.reading(index));
        found.map(|reading| reading.get())
    });
    let good = |reading: &Reading| reading.value.filter(|_| reading.quality == Quality::Good);
    let standing = Memo::new(move |_| {
        let value = reading.get().as_ref().and_then(good);
        value.map_or(Standing::Free, |value| Standing::of(holds.get(), value))
    });
    let shift = move || {
        let value = reading.get().as_ref().and_then(good)?;
        Some((holds.get()?.place(value) * 1000.0).round() / 10.0)
    };
    let words = move || match reading.get().as_ref().and_then(good) {
        None => say(W::NoReading).to_owned(),
        Some(value) => {
            let now = fill(W::EditNow, &[&scale.text(value)]);
            match holds.get() {
                Some(_) => format!("{now} · {}", standing.get().words(&scale)),
                None => format!("{now} · {}", say(W::BandNone)),
            }
        }
    };
    view! {
        <div
            class="strip edit-strip" data-test="edit-strip"
            data-quality=move || quality_key(reading.get().map_or(Quality::None, |reading| reading.quality))
            data-standing=move || standing.get().key()
            data-band=move || if holds.get().is_some() { "yes" } else { "no" }
        >
            <div class="track" aria-hidden="true">
                <span class="rail low"></span><span class="notch"></span><span class="rail high"></span>
                <span class="carrier" hidden=move || shift().is_none() style:transform=move || format!("translateX({}%)", shift().unwrap_or(0.0))><span class="marker"></span></span>
            </div>
            <p class="edit-now" data-test="edit-now">{words}</p>
        </div>
    }
}
