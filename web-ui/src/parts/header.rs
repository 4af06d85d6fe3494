//! The top of every page: where the procedure is, and whether what is shown is live.

use crate::{
    app::{LinkView, app},
    pure::{route::Over, show::age},
    socket::Topic,
    words::{Word as W, fill, say},
};
use leptos::prelude::*;
use spinover_protocol::{link::Link, record::Warmup};

/// A step with more characters than this is written smaller, so that it does not push the strips off a phone.
const LONG: usize = 44;

/// Where the procedure is.
#[derive(Clone, Debug, PartialEq)]
pub struct StepNow {
    /// The current step's key; none when there is no step to do.
    pub key: Option<String>,
    /// The phase's name, or what stands in its place.
    pub phase: String,
    /// The step's words, or what stands in their place.
    pub text: String,
    /// `step 3 of 24`.
    pub count: String,
    /// Whose step it is, in words.
    pub owner: Option<String>,
    /// It is this person's.
    pub mine: bool,
    /// What can go wrong.
    pub caution: Option<String>,
    /// It is a safety step.
    pub safety: bool,
    /// `held`, `aborted` or nothing.
    pub state: &'static str,
}

/// Where the procedure is now.
pub fn step_now(link: &Link) -> StepNow {
    let mirror = link.mirror();
    let car = mirror
        .welcome
        .as_ref()
        .map(|welcome| welcome.car.name.clone())
        .unwrap_or_default();
    let bare = |phase: String, text: W| StepNow {
        key: None,
        phase,
        text: say(text).to_owned(),
        count: String::new(),
        owner: None,
        mine: false,
        caution: None,
        safety: false,
        state: "",
    };
    let Some(warmup) = &mirror.record.warmup else {
        return bare(car, W::NoWarmup);
    };
    if warmup.closed_at.is_some() {
        return bare(warmup.sheet.name.clone(), W::WarmupClosed);
    }
    let state = state(warmup);
    let Some((phase, step)) = warmup.current() else {
        return StepNow {
            state,
            ..bare(warmup.sheet.name.clone(), W::AllDone)
        };
    };
    let total = warmup.open_steps().count();
    let done = warmup
        .open_steps()
        .filter(|(_, step)| warmup.steps.contains_key(&step.key))
        .count();
    let me = mirror.welcome.as_ref().map(|welcome| &welcome.you);
    let mine = me.is_some_and(|me| me.role == step.owner);
    let label = warmup
        .car
        .role(&step.owner)
        .map_or(step.owner.as_str(), |role| role.label.as_str());
    StepNow {
        key: Some(step.key.to_string()),
        phase: phase.name.clone(),
        text: step.text.clone(),
        count: fill(W::StepOf, &[&(done + 1).to_string(), &total.to_string()]),
        owner: Some(if mine {
            say(W::YourStep).to_owned()
        } else {
            fill(W::OwnerIs, &[label])
        }),
        mine,
        caution: step.caution.clone(),
        safety: step.safety,
        state,
    }
}

fn state(warmup: &Warmup) -> &'static str {
    if warmup.aborted.is_some() {
        "aborted"
    } else if warmup.held.is_some() {
        "held"
    } else {
        ""
    }
}

/// The header.
#[component]
pub fn Header() -> impl IntoView {
    let app = app();
    let now = app.about(&[Topic::Record, Topic::Welcome], step_now);
    let lost = Memo::new(move |_| matches!(*app.link.read(), LinkView::Lost(_)));
    let text = move || now.read().as_ref().map(|now| now.text.clone());
    let long = move || {
        if text().is_some_and(|text| text.chars().count() > LONG) {
            "yes"
        } else {
            "no"
        }
    };
    let link_words = Memo::new(move |_| match &*app.link.read() {
        LinkView::Live => say(W::LinkLive).to_owned(),
        LinkView::Lost(_) => say(W::LinkLost).to_owned(),
        _ => say(W::LinkConnecting).to_owned(),
    });
    let link_key = move || match &*app.link.read() {
        LinkView::Live => "live",
        LinkView::Lost(_) => "lost",
        _ => "connecting",
    };
    let lost_for = Memo::new(move |_| match &*app.link.read() {
        LinkView::Lost(seconds) => age(f64::from(*seconds) * 1000.0),
        _ => String::new(),
    });
    view! {
        <header
            class="top"
            class:lost=lost
            data-state=move || now.read().as_ref().map_or("", |now| now.state)
            data-mine=move || if now.read().as_ref().is_some_and(|now| now.mine) { "yes" } else { "no" }
        >
            <div class="where">
                <p class="phase">
                    <span class="phase-name" data-test="phase">{move || now.read().as_ref().map(|now| now.phase.clone())}</span>
                    <span class="count">{move || now.read().as_ref().map(|now| now.count.clone())}</span>
                    <span class="owner" class:mine=move || now.read().as_ref().is_some_and(|now| now.mine)>
                        {move || now.read().as_ref().and_then(|now| now.owner.clone())}
                    </span>
                </p>
                <h1
                    class="step"
                    data-test="step-current"
                    data-step=move || now.read().as_ref().and_then(|now| now.key.clone())
                    data-long=long
                    aria-live="polite"
                >
                    {text}
                </h1>
            </div>
            <p class="link">
                <span class="link-state" role="status" data-test="link-state" data-link=link_key>{link_words}</span>
                <span class="lag" hidden=lost>{move || app.lag.get().map(|lag| fill(W::LagMs, &[&lag.to_string()]))}</span>
                <strong class="lost-for" data-test="lost-for" hidden=move || !lost.get()>{lost_for}</strong>
                <span class="lost-hint" hidden=move || !lost.get()>{say(W::LinkLostHint)}</span>
            </p>
            <button type="button" class="key menu-key" data-test="menu-open" on:click=move |_| app.open(Over::Menu)>
                {say(W::Menu)}
            </button>
        </header>
    }
}
