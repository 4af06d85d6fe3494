//! The menu: the pages, this phone's settings, the cautions.

use super::tab_list;
use crate::{
    app::app,
    parts::{language::LanguageChoice, practice::PracticeKeys},
    pure::{
        route::{Over, Page},
        show::Units,
    },
    socket::Topic,
    speech,
    words::{Word as W, fill, say},
};
use leptos::prelude::*;
use wasm_bindgen::{JsCast, JsValue};

/// Fills the screen, or stops filling it, where the browser can.
fn full_screen() {
    let root: JsValue = document()
        .document_element()
        .map(Into::into)
        .unwrap_or_default();
    let filled = js_sys::Reflect::get(&document(), &"fullscreenElement".into())
        .is_ok_and(|element| element.is_object());
    let (owner, method) = if filled {
        (document().into(), "exitFullscreen")
    } else {
        (root, "requestFullscreen")
    };
    // Not every phone has it; the key then does nothing.
    if let Ok(function) = js_sys::Reflect::get(&owner, &method.into())
        && let Some(function) = function.dyn_ref::<js_sys::Function>()
    {
        let _ = function.call0(&owner);
    }
}

/// The menu.
#[component]
pub fn Menu() -> impl IntoView {
    let app = app();
    let chief = app.chief();
    let role = move || {
        let key = app.person.read().role.clone();
        app.car
            .get()
            .and_then(|car| {
                car.role(&key.as_str().into())
                    .map(|role| role.label.clone())
            })
            .unwrap_or(key)
    };
    let change = move |change: fn(&mut crate::store::Settings)| {
        app.settings.update(change);
        app.settings.get_untracked().save();
    };
    let team = app.about(&[Topic::Team, Topic::Welcome], |link| {
        link.mirror().team.is_some()
    });
    let pages = move || {
        let mut pages = tab_list(chief.get());
        pages.push((Page::Turnaround, say(W::PageTurnaround)));
        pages.push((Page::Wall, say(W::PageWall)));
        if team.get().unwrap_or_default() {
            pages.push((Page::Cars, say(W::PageCars)));
        }
        pages.into_iter().map(|(page, label)| view! {
            <button type="button" class="key choice" data-test=format!("menu-{}", page.key()) on:click=move |_| app.go(page)>{label}</button>
        }).collect_view()
    };
    let units = [(Units::Car, W::UnitsCar), (Units::Us, W::UnitsUs), (Units::Si, W::UnitsSi)].map(|(units, word)| {
        let choose = move |_| match units {
            Units::Car => change(|settings| settings.units = Units::Car),
            Units::Us => change(|settings| settings.units = Units::Us),
            Units::Si => change(|settings| settings.units = Units::Si),
        };
        let pressed = move || (app.settings.read().units == units).to_string();
        view! { <button type="button" class="key choice" data-test=format!("units-{}", units.key()) aria-pressed=pressed on:click=choose>{say(word)}</button> }
    });
    view! {
        <div class="choices wide">{pages}</div>
        <PracticeKeys/>
        <h3>{say(W::Settings)}</h3>
        <div class="choices wide">
            <button type="button" class="key choice" data-test="menu-role" on:click=move |_| app.open(Over::Roles)>{move || fill(W::RoleChange, &[&role()])}</button>
            <button type="button" class="key choice" data-test="menu-leave" on:click=move |_| app.leave()>{move || fill(W::NameChange, &[&app.person.read().name])}</button>
            <Show when=move || chief.get()>
                <button type="button" class="key choice" data-test="menu-bands" on:click=move |_| app.open(Over::Bands)>{say(W::Bands)}</button>
                <button type="button" class="key choice" data-test="menu-calibrate" on:click=move |_| app.open(Over::Calibrate)>{say(W::Calibrate)}</button>
            </Show>
            <button type="button" class="key choice" data-test="menu-alarms" on:click=move |_| app.open(Over::Alarms)>{say(W::Alarms)}</button>
            <button type="button" class="key choice" data-test="menu-cautions" on:click=move |_| app.open(Over::Cautions)>{say(W::CautionsShort)}</button>
            <button type="button" class="key choice" data-test="menu-shortcuts" on:click=move |_| app.open(Over::Shortcuts)>{say(W::Shortcuts)}</button>
            <button type="button" class="key choice" on:click=move |_| full_screen()>{say(W::FullScreen)}</button>
        </div>
        <LanguageChoice/>
        <p class="label">{say(W::UnitsTitle)}</p>
        <div class="choices">{units}</div>
        <p class="label">{say(W::LightTitle)}</p>
        <div class="choices">
            <button type="button" class="key choice" data-test="light-day" aria-pressed=move || (!app.settings.read().night).to_string() on:click=move |_| change(|settings| settings.night = false)>{say(W::LightDay)}</button>
            <button type="button" class="key choice" data-test="light-night" aria-pressed=move || app.settings.read().night.to_string() on:click=move |_| change(|settings| settings.night = true)>{say(W::LightNight)}</button>
        </div>
        <p class="label">{say(W::SpeechTitle)}</p>
        <div class="choices">
            <button type="button" class="key choice" data-test="speech-off" aria-pressed=move || (!app.settings.read().speech).to_string() on:click=move |_| change(|settings| settings.speech = false)>{say(W::Off)}</button>
            // It speaks at once: whoever switches it on hears whether this phone can, and some browsers want a press first.
            <button type="button" class="key choice" data-test="speech-on" aria-pressed=move || app.settings.read().speech.to_string() on:click=move |_| { change(|settings| settings.speech = true); speech::say(app, say(W::SpeechTitle)) }>{say(W::On)}</button>
        </div>
    }
}
