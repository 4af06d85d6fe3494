//! What the chief does seldom: hold, abort, begin, close; and saying why a step is skipped.

use crate::{
    app::app,
    parts::hold_key::{ABORT_MS, HoldKey, MARK_MS},
    pure::route::Over,
    socket::Topic,
    words::{Word as W, fill, say},
};
use leptos::prelude::*;
use spinover_protocol::{MAX_TEXT, StepKey, link::Link, message::Command};

/// Whether a warm-up is under way, and whether it is held.
fn under_way(link: &Link) -> (bool, bool, bool) {
    match link
        .mirror()
        .record
        .warmup
        .as_ref()
        .filter(|warmup| warmup.closed_at.is_none())
    {
        Some(warmup) => (true, warmup.held.is_some(), warmup.aborted.is_some()),
        None => (false, false, false),
    }
}

/// One reason out of a few, or in one's own words.
#[component]
fn Why(presets: Vec<W>, reason: RwSignal<String>, test: &'static str) -> impl IntoView {
    let keys = presets.into_iter().enumerate().map(|(index, word)| {
        view! {
            <button
                type="button" class="key choice" data-test=format!("{test}-{index}")
                aria-pressed=move || (reason.read().as_str() == say(word)).to_string()
                on:click=move |_| reason.set(say(word).to_owned())
            >
                {say(word)}
            </button>
        }
    });
    view! {
        <div class="choices">{keys.collect_view()}</div>
        <label>
            <span>{say(W::Reason)}</span>
            <input type="text" data-test=format!("{test}-text") autocomplete="off" maxlength=MAX_TEXT prop:value=reason on:input=move |event| reason.set(event_target_value(&event))/>
        </label>
    }
}

/// Hold, abort, begin, close.
#[component]
pub fn More() -> impl IntoView {
    let app = app();
    let state = app.about(&[Topic::Record], under_way);
    let sheets = app.about(&[Topic::Welcome], |link| {
        link.mirror()
            .welcome
            .as_ref()
            .map(|welcome| welcome.sheets.clone())
            .unwrap_or_default()
    });
    let reason = RwSignal::new(String::new());
    let going = move || state.get().is_some_and(|(going, ..)| going);
    let held = move || state.get().is_some_and(|(_, held, _)| held);
    let aborted = move || state.get().is_some_and(|(_, _, aborted)| aborted);
    let done = move |command: Command| {
        app.want(command);
        app.close();
    };
    let abort = move |()| {
        done(Command::Abort {
            reason: reason.get_untracked().trim().to_owned(),
        })
    };
    let begin = move || {
        sheets
            .get()
            .unwrap_or_default()
            .into_iter()
            .map(|sheet| {
                let key = sheet.key.clone();
                view! {
                    <HoldKey
                        label=fill(W::Begin, &[&sheet.name])
                        ms=MARK_MS
                        test=format!("begin-{}", sheet.key)
                        done=move |()| done(Command::Begin { sheet: key.clone() })
                    />
                }
            })
            .collect_view()
    };
    view! {
        <Show when=going>
            <div class="choices wide">
                <Show
                    when=held
                    fallback=move || view! {
                        <button type="button" class="key" data-test="hold" on:click=move |_| done(Command::Hold { reason: String::new() })>{say(W::Hold)}</button>
                    }
                >
                    <button type="button" class="key primary" data-test="resume" on:click=move |_| done(Command::Resume {})>{say(W::HoldOn)}</button>
                </Show>
                <button type="button" class="key" data-test="bands-open" on:click=move |_| app.open(Over::Bands)>{say(W::Bands)}</button>
                <button type="button" class="key" data-test="calibrate-open" on:click=move |_| app.open(Over::Calibrate)>{say(W::Calibrate)}</button>
            </div>
            <Show when=move || !aborted()>
                <h3>{say(W::Abort)}</h3>
                <p class="hint">{say(W::AbortHint)}</p>
                <Why presets=vec![W::AbortLeak, W::AbortOil, W::AbortFire, W::AbortOther] reason=reason test="abort-why"/>
                <HoldKey label=say(W::AbortHold) ms=ABORT_MS test="abort-hold" class="abort" done=abort/>
            </Show>
        </Show>
        <h3>{say(W::MoreTitle)}</h3>
        <Show when=going><p class="hint">{say(W::BeginHint)}</p></Show>
        <div class="choices wide">{begin}</div>
        <Show when=going>
            <div class="choices wide">
                <HoldKey label=say(W::CloseWarmup) ms=MARK_MS test="close-warmup" done=move |()| done(Command::Close {})/>
            </div>
        </Show>
    }
}

/// Why a step is skipped.
#[component]
pub fn SkipSheet(
    /// Which.
    step: StepKey,
) -> impl IntoView {
    let app = app();
    let reason = RwSignal::new(String::new());
    let about = {
        let step = step.clone();
        app.about(&[Topic::Record], move |link| {
            let found = link
                .mirror()
                .record
                .warmup
                .as_ref()
                .and_then(|warmup| warmup.sheet.step(&step));
            found.map(|(_, step)| (step.text.clone(), step.safety))
        })
    };
    let title = move || {
        about
            .get()
            .flatten()
            .map(|(text, _)| fill(W::SkipTitle, &[&text]))
    };
    let safety = move || about.get().flatten().is_some_and(|(_, safety)| safety);
    let send = move |()| {
        app.want(Command::Skip {
            step: step.clone(),
            reason: reason.get_untracked().trim().to_owned(),
        });
        app.close();
    };
    view! {
        <p class="skip-what">{title}</p>
        <Show when=safety><p class="caution">{say(W::SkipNeedsTwo)}</p></Show>
        <Why presets=vec![W::SkipNotNeeded, W::SkipDoneBefore, W::SkipSensor] reason=reason test="skip-why"/>
        <HoldKey label=say(W::SkipSend) ms=MARK_MS test="skip-send" off=Signal::derive(move || reason.read().trim().is_empty()) done=send/>
    }
}
