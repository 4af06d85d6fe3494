//! Typing a reading in: somebody sees a gauge that the hub does not.

use crate::{
    app::app,
    pure::{draft::typed_number, show::Scale},
    words::{Word as W, fill, say},
};
use leptos::prelude::*;
use spinover_protocol::{car::Channel, message::Command};

/// Digits that a gauge can honestly show.
const LONGEST: usize = 8;

fn erase(text: &mut String) {
    text.pop();
}

/// Pick a channel, press a number, send it.
#[component]
pub fn TypeSheet() -> impl IntoView {
    let app = app();
    let picked = RwSignal::new(None::<Channel>);
    let channels = move || {
        app.car
            .get()
            .map(|car| car.channels.clone())
            .unwrap_or_default()
    };
    let pick = move || {
        channels().into_iter().map(|channel| {
            let (label, key) = (channel.label.clone(), channel.key.clone());
            view! {
                <button type="button" class="key choice" data-test=format!("type-{key}") on:click=move |_| picked.set(Some(channel.clone()))>{label}</button>
            }
        }).collect_view()
    };
    move || {
        match picked.get() {
        None => view! { <p class="label">{say(W::TypePick)}</p><div class="choices wide">{pick()}</div> }.into_any(),
        Some(channel) => view! { <Pad channel=channel picked=picked/> }.into_any(),
    }
    }
}

#[component]
fn Pad(channel: Channel, picked: RwSignal<Option<Channel>>) -> impl IntoView {
    let app = app();
    let text = RwSignal::new(String::new());
    let scale = Scale::of(&channel, app.settings.get_untracked().units);
    let unit = scale.unit.label();
    let add = move |what: char| {
        text.update(|text| match what {
            '-' => {
                if text.starts_with('-') {
                    text.remove(0);
                } else {
                    text.insert(0, '-');
                }
            }
            '.' if text.contains('.') => {}
            _ if text.len() >= LONGEST => {}
            digit => text.push(digit),
        });
    };
    let value = Memo::new(move |_| typed_number(&text.read()));
    let send = {
        let key = channel.key.clone();
        move |_| {
            if let Some(value) = value.get_untracked() {
                app.want(Command::TypeReading {
                    channel: key.clone(),
                    value: scale.back(value),
                });
                app.close();
            }
        }
    };
    let keys = ['7', '8', '9', '4', '5', '6', '1', '2', '3', '.', '0', '-'];
    let pad = keys.into_iter().map(|what| {
        let shown = if what == '-' { "±".to_owned() } else { what.to_string() };
        let test = match what { '.' => "pad-dot".to_owned(), '-' => "pad-sign".to_owned(), digit => format!("pad-{digit}") };
        view! { <button type="button" class="key pad-key" data-test=test on:click=move |_| add(what)>{shown}</button> }
    });
    let send_label = move || {
        fill(
            W::TypeSend,
            &[&(text.get().replace('-', "\u{2212}") + " " + unit)],
        )
    };
    view! {
        <button type="button" class="key choice" on:click=move |_| picked.set(None)>{channel.label.clone()}</button>
        <p class="pad-value" data-test="pad-value"><span class="digits">{move || text.get().replace('-', "\u{2212}")}</span><span class="unit">{unit}</span></p>
        <div class="pad">{pad.collect_view()}</div>
        <div class="choices">
            <button type="button" class="key" data-test="pad-erase" on:click=move |_| text.update(erase)>{say(W::Erase)}</button>
            <button type="button" class="key primary" data-test="type-send" disabled=move || value.get().is_none() on:click=send>{send_label}</button>
        </div>
    }
}
