//! Every car of the team on one wall: its step, its key strips, its stop and its latest call, as their hubs say on the team's bus.

use crate::{
    app::{LinkView, Reading, app},
    parts::{pen::Feed, strip::StripOf},
    pure::show::age,
    socket::Topic,
    words::{Word as W, fill, say},
};
use leptos::prelude::*;
use spinover_protocol::{
    car::{Band, Channel},
    message::Quality,
    team::{At, CarHeard, Team},
};

/// What there is to say of a car's procedure: the phase or its state, and the step.
fn at_words(heard: &CarHeard) -> (String, String) {
    let car = &heard.car;
    let step = car.step.clone();
    match car.at {
        At::Nothing => (say(W::NoWarmup).to_owned(), String::new()),
        At::Step => (car.phase.clone(), step),
        At::AllDone => (say(W::AllDone).to_owned(), String::new()),
        At::Held => (say(W::Held).to_owned(), step),
        At::Aborted => (say(W::Aborted).to_owned(), step),
    }
}

fn at_key(at: At) -> &'static str {
    match at {
        At::Nothing => "nothing",
        At::Step => "step",
        At::AllDone => "done",
        At::Held => "held",
        At::Aborted => "aborted",
    }
}

/// What one of its strips shows; of a car that is not heard, never more than old.
fn reading(heard: &CarHeard, place: usize, live: bool) -> Reading {
    let (value, quality, age) = heard.car.frame.reading(place);
    let quality = match quality {
        Quality::Good | Quality::Suspect if heard.is_old() || !live => Quality::Old,
        quality => quality,
    };
    let age_s = match quality {
        Quality::Old => ((age + heard.heard_ms) / 1000).max(0) as u32,
        _ => 0,
    };
    Reading {
        value,
        quality,
        age_s,
        typed: false,
        doubt: None,
        second: None,
    }
}

/// The page.
#[component]
pub fn Cars() -> impl IntoView {
    let app = app();
    let team = app.about(&[Topic::Team, Topic::Welcome], |link| {
        link.mirror().team.clone()
    });
    let team = Memo::new(move |_| team.get().flatten());
    let names = Memo::new(move |_| {
        let team = team.read();
        let cars = team.iter().flat_map(|team: &Team| &team.cars);
        let names = cars.map(|heard| heard.car.name.clone());
        names.collect::<Vec<String>>()
    });
    let none = move || match team.read().is_some() {
        false => say(W::CarsNoBus),
        true => say(W::CarsNone),
    };
    let many = move || match names.read().len() > 2 {
        true => "yes",
        false => "no",
    };
    view! {
        <div class="cars" data-test="cars" data-many=many>
            <Show when=move || names.read().is_empty()><p class="hint">{none}</p></Show>
            <For each=move || names.get() key=String::clone children=move |name| view! { <Car name=name team=team/> }/>
        </div>
    }
}

#[component]
fn Car(name: String, team: Memo<Option<Team>>) -> impl IntoView {
    let app = app();
    let test = format!("car-{name}");
    let heard = {
        let name = name.clone();
        Memo::new(move |_| {
            let team = team.read();
            let mut cars = team.iter().flat_map(|team: &Team| &team.cars);
            cars.find(|heard| heard.car.name == name)
                .cloned()
                .unwrap_or_default()
        })
    };
    let live = Memo::new(move |_| matches!(*app.link.read(), LinkView::Live));
    let old_key = move || match heard.read().is_old() || !live.get() {
        true => "yes",
        false => "no",
    };
    let old = move || heard.read().is_old() || !live.get();
    let silent = move || fill(W::CarSilent, &[&age(heard.read().heard_ms as f64)]);
    let channels = Memo::new(move |_| heard.read().car.channels.clone());
    let strips = move || {
        let channels = channels.get().into_iter().enumerate();
        channels
            .map(|(place, channel)| view! { <CarStrip channel=channel place=place heard=heard live=live/> })
            .collect_view()
    };
    let call = move |call: &spinover_protocol::team::StopCall| match call.by.is_empty() {
        true => call.text.clone(),
        false => format!("{}: {}", call.by, call.text),
    };
    let stop = move || heard.read().car.stop.as_ref().map(call);
    let latest = move || heard.read().car.call.as_ref().map(call);
    view! {
        <article
            class="car"
            class:old=old
            data-test=test
            data-old=old_key
            data-at=move || at_key(heard.read().car.at)
        >
            <h2 class="car-name">{name}<small>{move || heard.read().car.team.clone()}</small></h2>
            <Show when=old><p class="car-silent" data-test="car-silent">{silent}</p></Show>
            {move || heard.read().car.not_live.clone().map(|why| view! { <p class="car-played">{why}</p> })}
            {move || stop().map(|words| view! {
                <p class="car-stop" data-test="car-stop" role="alert"><strong>{say(W::Stop)}</strong><span>{words}</span></p>
            })}
            <p class="car-step">
                <span class="car-phase">{move || at_words(&heard.read()).0}</span>
                <strong>{move || at_words(&heard.read()).1}</strong>
            </p>
            <div class="strips narrow">{strips}</div>
            {move || latest().map(|words| view! { <p class="car-call" data-test="car-call">{words}</p> })}
        </article>
    }
}

#[component]
fn CarStrip(
    channel: Channel,
    place: usize,
    heard: Memo<CarHeard>,
    live: Memo<bool>,
) -> impl IntoView {
    let shown = RwSignal::new(reading(&heard.get_untracked(), place, true));
    Effect::new(move |_| {
        let new = reading(&heard.read(), place, live.get());
        if shown.get_untracked() != new {
            shown.set(new);
        }
    });
    let band = Memo::new(move |_| -> Option<Band> {
        heard.read().car.bands.get(place).copied().flatten()
    });
    let typed = Memo::new(|_| None::<String>);
    view! { <StripOf channel=channel index=place reading=shown band=band typed=typed feed=Feed::Still/> }
}
