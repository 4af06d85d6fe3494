//! The controls of a simulated car, to train on.

use crate::{
    app::app,
    pure::show::number,
    socket::Topic,
    words::{Word as W, say},
};
use leptos::prelude::*;
use spinover_protocol::message::{Command, Control};

/// Decimals that a step of that size needs.
fn decimals(step: f64) -> u8 {
    if step >= 1.0 {
        0
    } else if step >= 0.1 {
        1
    } else {
        2
    }
}

/// Every control of the simulated car.
#[component]
pub fn TrainSheet() -> impl IntoView {
    let app = app();
    let controls = app.about(&[Topic::Welcome], |link| {
        link.mirror()
            .welcome
            .as_ref()
            .map(|welcome| welcome.controls.clone())
            .unwrap_or_default()
    });
    view! {
        <p class="hint">{say(W::TrainHint)}</p>
        {move || controls.get().unwrap_or_default().into_iter().enumerate().map(|(index, control)| view! { <ControlRow index=index control=control/> }).collect_view()}
    }
}

#[component]
fn ControlRow(index: usize, control: Control) -> impl IntoView {
    let app = app();
    let now = Memo::new(move |_| app.controls.read().get(index).copied().unwrap_or_default());
    let (low, high, step) = (control.low, control.high, control.step);
    let key = control.key.clone();
    let set = move |value: f64| {
        let value = value.clamp(low, high);
        app.controls.update(|controls| {
            if let Some(known) = controls.get_mut(index) {
                *known = value
            }
        });
        app.want(Command::Train {
            control: key.clone(),
            value,
        });
    };
    let test = format!("control-{}", control.key);
    let keys = if step == 0.0 {
        let (on, off) = (set.clone(), set);
        let is_on = move || now.get() > f64::midpoint(low, high);
        view! {
            <button type="button" class="key choice" data-test=format!("{test}-off") aria-pressed=move || (!is_on()).to_string() on:click=move |_| off(low)>{say(W::Off)}</button>
            <button type="button" class="key choice" data-test=format!("{test}-on") aria-pressed=move || is_on().to_string() on:click=move |_| on(high)>{say(W::On)}</button>
        }
        .into_any()
    } else {
        let (less, more) = (set.clone(), set);
        let shown = move || number(now.get(), decimals(step));
        view! {
            <button type="button" class="key" data-test=format!("{test}-less") aria-label=say(W::Less) on:click=move |_| less(now.get_untracked() - step)>"\u{2212}"</button>
            <span class="control-value digits">{shown}</span>
            <button type="button" class="key" data-test=format!("{test}-more") aria-label=say(W::More) on:click=move |_| more(now.get_untracked() + step)>"+"</button>
        }
        .into_any()
    };
    view! {
        <div class="control" data-test=test.clone()>
            <span class="control-label">{control.label.clone()}</span>
            <div class="control-keys">{keys}</div>
        </div>
    }
}
