//! What stands under the header on every page while it is so: not live, nothing written down, held, aborted, stopped, a skip to agree to.

use super::alarms::AlarmBars;
use super::devices::Guessing;
use super::hold_key::{HoldKey, MARK_MS};
use super::laptops::NotInCharge;
use crate::{
    app::{Notice, app},
    pure::calls::{seen_names, unseen_names},
    socket::Topic,
    words::{Word as W, fill, say},
};
use leptos::prelude::*;
use spinover_protocol::{
    Seq,
    link::{Link, Mirror},
    message::Command,
    record::Said,
};

/// A stop call that is not lifted.
#[derive(Clone, Debug, PartialEq)]
struct StopShown {
    call: Seq,
    by: String,
    text: String,
    seen: Vec<String>,
    unseen: Vec<String>,
}

fn stops(mirror: &Mirror) -> Vec<StopShown> {
    let Some(warmup) = &mirror.record.warmup else {
        return Vec::new();
    };
    let shown = warmup.stops().map(|call| StopShown {
        call: call.seq,
        by: name(&call.said),
        text: call.said.text.clone(),
        seen: seen_names(&mirror.record, call),
        unseen: unseen_names(mirror, call.seq),
    });
    shown.collect()
}

/// The name of who said it.
pub fn name(said: &Said) -> String {
    said.by
        .as_ref()
        .map_or_else(|| "–".to_owned(), |by| by.name.clone())
}

/// `by: words`, or the bare form where there are no words.
fn said_words(said: &Said, with: W, bare: W) -> String {
    if said.text.is_empty() {
        fill(bare, &[&name(said)])
    } else {
        fill(with, &[&name(said), &said.text])
    }
}

/// Held and aborted, in words.
fn standstill(link: &Link) -> Vec<(&'static str, &'static str, String)> {
    let warmup = link
        .mirror()
        .record
        .warmup
        .as_ref()
        .filter(|warmup| warmup.closed_at.is_none());
    let Some(warmup) = warmup else {
        return Vec::new();
    };
    let mut shown = Vec::new();
    if let Some(said) = &warmup.aborted {
        let words = said_words(said, W::AbortedBy, W::AbortedByBare) + ". " + say(W::ShutDownOnly);
        shown.push(("aborted", say(W::Aborted), words));
    }
    if let Some(said) = &warmup.held {
        shown.push((
            "held",
            say(W::Held),
            said_words(said, W::HeldBy, W::HeldByBare),
        ));
    }
    shown
}

/// A safety step that somebody wants to skip.
#[derive(Clone, Debug, PartialEq)]
struct SkipShown {
    key: String,
    text: String,
    by: String,
    reason: String,
    own: bool,
}

fn skip_asked(link: &Link) -> Option<SkipShown> {
    let mirror = link.mirror();
    let warmup = mirror.record.warmup.as_ref()?;
    let ask = warmup.skip_asked.as_ref()?;
    let me = &mirror.welcome.as_ref()?.you;
    Some(SkipShown {
        key: ask.step.to_string(),
        text: warmup
            .sheet
            .step(&ask.step)
            .map_or_else(|| ask.step.to_string(), |(_, step)| step.text.clone()),
        by: name(&ask.asked),
        reason: ask.asked.text.clone(),
        own: ask.asked.by.as_ref().is_some_and(|by| by.id == me.id),
    })
}

/// Everything that stands under the header.
#[component]
pub fn Banners() -> impl IntoView {
    let app = app();
    let not_live = app.about(&[Topic::Welcome], |link| {
        link.mirror()
            .welcome
            .as_ref()
            .and_then(|welcome| welcome.not_live.clone())
    });
    let trouble = app.about(&[Topic::Book], |link| link.mirror().book_trouble.clone());
    let late = app.about(&[Topic::Book], |link| link.mirror().book_late_ms);
    let chief = app.chief();
    let still = app.about(&[Topic::Record], standstill);
    view! {
        {move || not_live.get().flatten().map(|words| view! { <p class="banner not-live" data-test="not-live" role="status">{words}</p> })}
        {move || {
            trouble.get().flatten().map(|words| {
                view! {
                    <div class="banner trouble" data-test="book-trouble" role="alert">
                        <strong>{fill(W::BookTrouble, &[&words])}</strong>
                        <span>{say(W::BookTroubleHint)}</span>
                    </div>
                }
            })
        }}
        {move || {
            // Nothing that the crew at the car can do anything about.
            late.get().flatten().filter(|_| chief.get()).map(|late| {
                let seconds = format!("{:.1}", late as f64 / 1000.0);
                view! { <p class="banner trouble" data-test="book-slow" role="status">{fill(W::BookSlow, &[&seconds])}</p> }
            })
        }}
        <Guessing/>
        <NotInCharge/>
        <StopBars/>
        <AlarmBars/>
        {move || {
            let shown = still.get().unwrap_or_default();
            shown.into_iter().map(|(key, title, words)| {
                view! { <p class="banner still" data-test=key role="status"><strong>{title}</strong><span>{words}</span></p> }
            }).collect_view()
        }}
        <SkipAsked/>
    }
}

/// Stops that stand until the chief lifts them.
#[component]
pub fn StopBars() -> impl IntoView {
    let app = app();
    let shown = app.about(&[Topic::Record, Topic::People], |link| stops(link.mirror()));
    let chief = app.chief();
    view! {
        <For each=move || shown.get().unwrap_or_default() key=|stop| (stop.call, stop.seen.len(), stop.unseen.len()) let:stop>
            <div class="banner stop-bar" data-test="stop-bar" role="alert">
                <div class="stop-words">
                    <strong>{fill(W::StopCalledBy, &[&stop.by])}</strong>
                    <span>{stop.text.clone()}</span>
                    <SeenState seen=stop.seen.clone() unseen=stop.unseen.clone()/>
                </div>
                <Show when=move || chief.get()>
                    <HoldKey
                        label=say(W::LiftHold)
                        ms=MARK_MS
                        test="lift"
                        class="lift"
                        done=move |()| app.want(Command::Lift { call: stop.call })
                    />
                </Show>
            </div>
        </For>
    }
}

/// Who has seen a call, and who has not.
#[component]
pub fn SeenState(
    /// Names of those who have.
    seen: Vec<String>,
    /// Names of those here who have not.
    unseen: Vec<String>,
) -> impl IntoView {
    let nobody = seen.is_empty() && unseen.is_empty();
    let all = !seen.is_empty() && unseen.is_empty();
    view! {
        <p class="seen-state" data-all=if all { "yes" } else { "no" }>
            {(!seen.is_empty()).then(|| {
                let words = fill(W::SeenBy, &[&seen.join(", ")]);
                view! { <span class="seen-by" data-test="seen-by">{words}</span> }
            })}
            {(!unseen.is_empty()).then(|| {
                let words = fill(W::NotSeenBy, &[&unseen.join(", ")]);
                view! { <span class="not-seen-by" data-test="not-seen-by">{words}</span> }
            })}
            {nobody.then(|| view! { <span class="not-seen-by">{say(W::SeenByNobody)}</span> })}
        </p>
    }
}

/// A safety step that the chief wants to skip: everyone else may agree, the one who asked may take it back.
#[component]
fn SkipAsked() -> impl IntoView {
    let app = app();
    let asked = app.about(&[Topic::Record, Topic::Welcome], skip_asked);
    move || {
        asked.get().flatten().map(|ask| {
            let title = if ask.own { say(W::SkipAsked).to_owned() } else { fill(W::SkipAskedBy, &[&ask.by]) };
            let step: spinover_protocol::StepKey = ask.key.as_str().into();
            let key = if ask.own {
                let withdraw = move |_| app.want(Command::WithdrawSkip { step: step.clone() });
                view! { <button type="button" class="key" data-test="skip-withdraw" on:click=withdraw>{say(W::SkipWithdraw)}</button> }.into_any()
            } else {
                let agree = move |()| app.want(Command::ConfirmSkip { step: step.clone() });
                view! { <HoldKey label=say(W::SkipAgree) ms=MARK_MS test="skip-agree" done=agree/> }.into_any()
            };
            view! {
                <div class="banner skip-asked" data-test="skip-asked" role="alert">
                    <div>
                        <strong>{title}</strong>
                        <span>{ask.text}</span>
                        <span>{fill(W::SkipReason, &[&ask.reason])}</span>
                    </div>
                    {key}
                </div>
            }
        })
    }
}

/// What was refused, and what has not been written down yet.
#[component]
pub fn Notices() -> impl IntoView {
    let app = app();
    view! {
        <div class="notices" role="status">
            <Show when=move || !app.unwritten.read().is_empty()>
                <p class="notice unwritten" data-test="unwritten">
                    {move || fill(W::NotWritten, &[&app.unwritten.read().join(", ")])}
                </p>
            </Show>
            <For each=move || app.notices.get() key=|notice: &Notice| notice.text.clone() let:notice>
                <p class="notice" data-test="refused">
                    <span>{notice.text.clone()}</span>
                    <button type="button" class="key small" on:click=move |_| app.dismiss(&notice)>{say(W::Close)}</button>
                </p>
            </For>
        </div>
    }
}
