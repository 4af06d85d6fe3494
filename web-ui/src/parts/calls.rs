//! Calls that come in, over whatever page is open, and the receipt for one's own.

use super::banners::{SeenState, name};
use crate::{
    app::app,
    pure::calls::{
        AGAIN_MS, FRESH_MS, WALL_MS, called_again, incoming, own_latest, seen_names, takeover,
        unseen_names,
    },
    socket::{self, Topic},
    speech, store,
    words::{Word as W, fill, say},
};
use leptos::{html, prelude::*};
use spinover_protocol::{CommandId, Millis, Seq, link::Link, message::Command};

/// How long one's own call stays on the page after everyone has seen it, in milliseconds.
const RECEIPT_MS: i64 = 6_000;
/// Two short buzzes for a call.
const CALL_BUZZ: [u32; 3] = [180, 90, 180];
/// A long rattle for a stop.
const STOP_BUZZ: [u32; 7] = [400, 100, 400, 100, 400, 100, 800];

/// A call as it comes in.
#[derive(Clone, Debug, PartialEq)]
struct Shown {
    call: Seq,
    text: String,
    from: String,
    practice: bool,
    more: usize,
    again: u8,
}

/// The latest call for this person, full width, until they say seen.
#[component]
pub fn Incoming(
    /// On a wall, where nobody can say seen.
    wall: Memo<bool>,
) -> impl IntoView {
    let app = app();
    let shown = Memo::new(move |_| {
        app.track(&[Topic::Record, Topic::Welcome]);
        let now = app.second.get() * 1_000;
        let fresh_ms = if wall.get() { WALL_MS } else { FRESH_MS };
        socket::with(|link: &Link| {
            let mirror = link.mirror();
            let me = &mirror.welcome.as_ref()?.you;
            let mut calls = incoming(&mirror.record, me, now, fresh_ms);
            let call = calls.next()?;
            let role = call.said.by.as_ref().and_then(|by| {
                mirror
                    .welcome
                    .as_ref()?
                    .car
                    .role(&by.role)
                    .map(|role| role.label.clone())
            });
            let warmup = mirror.record.warmup.as_ref();
            let practice = warmup.is_some_and(|warmup| warmup.is_practice_call(call));
            // The call of a practice that nobody made is the hub's own.
            let from = match practice && call.said.by.is_none() {
                true => say(W::AppName).to_owned(),
                false => name(&call.said),
            };
            let from = role.map_or(from.clone(), |role| fill(W::CallFrom, &[&from, &role]));
            Some(Shown {
                call: call.seq,
                text: call.said.text.clone(),
                from,
                practice,
                again: called_again(call.said.at, now),
                more: calls.count(),
            })
        })
        .flatten()
    });
    // The call, and how often it has come: each time more than before, it buzzes and is spoken.
    let newest = Memo::new(move |_| shown.read().as_ref().map(|shown| (shown.call, shown.again)));
    Effect::new(move |before: Option<Option<(Seq, u8)>>| {
        let now = newest.get();
        if now.is_some() && now > before.flatten() {
            store::vibrate(&CALL_BUZZ);
            if let Some(text) =
                shown.with_untracked(|shown| shown.as_ref().map(|shown| shown.text.clone()))
            {
                speech::say(app, &text);
            }
        }
        now
    });
    move || {
        shown.get().map(|shown| {
            let call = shown.call;
            view! {
                <section class="incoming" data-test="incoming" data-again=shown.again role="alert" aria-label=say(W::Call)>
                    <p class="call-text" data-test="incoming-text">{shown.text}</p>
                    <p class="call-from">{shown.practice.then(|| view! { <strong class="practice-tag" data-test="practice-call">{say(W::Practice)}</strong> })}{shown.from}</p>
                    {(shown.more > 0).then(|| view! { <p class="call-more">{fill(W::CallMore, &[&shown.more.to_string()])}</p> })}
                    {(!wall.get()).then(|| view! {
                        <button type="button" class="key seen" data-test="seen" on:click=move |_| app.want(Command::Seen { call })>{say(W::Seen)}</button>
                    })}
                </section>
            }
        })
    }
}

/// One's own latest call: who has seen it, and who has not.
#[component]
pub fn Receipt() -> impl IntoView {
    let app = app();
    let put_away = RwSignal::new(0 as Seq);
    let shown = Memo::new(move |_| {
        app.track(&[Topic::Record, Topic::People, Topic::Welcome]);
        let now = app.second.get() * 1_000;
        socket::with(|link: &Link| {
            let mirror = link.mirror();
            let me = &mirror.welcome.as_ref()?.you;
            let call = own_latest(mirror, me, now, RECEIPT_MS)?;
            Some((
                call.seq,
                call.said.text.clone(),
                seen_names(&mirror.record, call),
                unseen_names(mirror, call.seq),
                called_again(call.said.at, now),
            ))
        })
        .flatten()
        .filter(|(call, ..)| *call > put_away.get())
    });
    move || {
        shown.get().map(|(call, text, seen, unseen, again)| {
            let again = (again > 0 && !unseen.is_empty()).then(|| {
                let after = i64::from(again) * AGAIN_MS / 1_000;
                view! { <p class="called-again" data-test="called-again">{fill(W::CalledAgain, &[&after.to_string()])}</p> }
            });
            view! {
                <aside class="receipt" data-test="receipt">
                    <div>
                        <strong>{fill(W::CallSent, &[&text])}</strong>
                        {again}
                        <SeenState seen=seen unseen=unseen/>
                    </div>
                    <button type="button" class="key small" on:click=move |_| put_away.set(call)>{say(W::Close)}</button>
                </aside>
            }
        })
    }
}

/// A stop that takes over the screen: in the record already, or only just heard of.
#[derive(Clone, Debug, PartialEq)]
enum Stop {
    Recorded(Seq, String, String),
    Heard(CommandId, String, String),
}

fn stop(link: &Link, seen_early: Option<&CommandId>, now: Millis) -> Option<Stop> {
    let mirror = link.mirror();
    let me = &mirror.welcome.as_ref()?.you;
    if let Some((text, by, command)) = &mirror.stop_now
        && by.id != me.id
        && seen_early != Some(command)
    {
        return Some(Stop::Heard(command.clone(), by.name.clone(), text.clone()));
    }
    let call = takeover(&mirror.record, me, now)?;
    Some(Stop::Recorded(
        call.seq,
        name(&call.said),
        call.said.text.clone(),
    ))
}

/// The stop over everything, on every page, until this person says seen.
#[component]
pub fn Takeover(
    /// On a wall, where nobody can say seen.
    wall: Memo<bool>,
) -> impl IntoView {
    let app = app();
    let shown = Memo::new(move |_| {
        app.track(&[Topic::Record, Topic::Welcome]);
        let early = app.seen_early.get();
        let now = app.second.get() * 1_000;
        socket::with(|link| stop(link, early.as_ref(), now)).flatten()
    });
    // The same stop, heard and then recorded, is one takeover: it must not flash and buzz twice.
    let words = Memo::new(move |_| match shown.get()? {
        Stop::Recorded(_, by, text) | Stop::Heard(_, by, text) => Some((by, text)),
    });
    let seen = move |_| match shown.get_untracked() {
        Some(Stop::Recorded(call, ..)) => app.want(Command::Seen { call }),
        Some(Stop::Heard(command, ..)) => {
            socket::seen_early(command.clone());
            app.seen_early.set(Some(command));
        }
        None => {}
    };
    let again = Memo::new(move |_| {
        app.track(&[Topic::Record, Topic::Welcome]);
        let now = app.second.get() * 1_000;
        socket::with(|link| {
            let mirror = link.mirror();
            let me = &mirror.welcome.as_ref()?.you;
            Some(called_again(
                takeover(&mirror.record, me, now)?.said.at,
                now,
            ))
        })
        .flatten()
        .unwrap_or(0)
    });
    let key: NodeRef<html::Button> = NodeRef::new();
    Effect::new(move |_| {
        again.track();
        if let Some((_, text)) = words.get() {
            store::vibrate(&STOP_BUZZ);
            speech::say(app, &(say(W::Stop).to_owned() + ". " + &text));
        }
    });
    Effect::new(move |_| {
        words.track();
        if let Some(key) = key.get() {
            let _ = key.focus();
        }
    });
    move || {
        words.get().map(|(by, text)| {
            view! {
                <div class="takeover" data-test="stop-takeover" data-again=again role="alertdialog" aria-modal="true" aria-labelledby="stop-word" aria-describedby="stop-by">
                    <p class="stop-word" id="stop-word">{say(W::Stop)}</p>
                    <p class="stop-text">{text}</p>
                    <p class="stop-by" id="stop-by">{fill(W::CalledBy, &[&by])}</p>
                    <p class="stop-hint">{say(W::StopTakeoverHint)}</p>
                    {(!wall.get()).then(|| view! {
                        <button type="button" class="key seen" data-test="seen" node_ref=key on:click=seen>{say(W::Seen)}</button>
                    })}
                </div>
            }
        })
    }
}
