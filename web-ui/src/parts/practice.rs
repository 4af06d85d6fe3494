//! A practice over the real pages: what to do next, how long it took, and on every other phone that it is one.

use super::{
    hold_key::{HoldKey, MARK_MS},
    step_card::waiting,
};
use crate::{
    app::{App, app},
    pure::{route::Page, show::Units},
    socket::{self, Topic},
    words::{Word as W, fill, say},
};
use leptos::prelude::*;
use spinover_protocol::{
    Millis, Seq,
    event::Right,
    link::Link,
    message::Command,
    record::{Practice, Warmup},
};

/// Whoever is done is told so for this long, unless they put it away.
const TOLD_MS: Millis = 60_000;

/// Whether a practice could begin: a warm-up is open, no stop stands, and nothing delivers that may be a car.
pub fn possible(link: &Link) -> bool {
    let mirror = link.mirror();
    let warmup = mirror.record.warmup.as_ref();
    let open =
        warmup.is_some_and(|warmup| warmup.closed_at.is_none() && warmup.stops().next().is_none());
    open && !mirror.sources.iter().any(|source| source.may_be_a_car())
}

/// Whether the hub has a simulated car: newcomers are then offered to practise at once.
pub fn simulated(link: &Link) -> bool {
    let welcome = link.mirror().welcome.as_ref();
    welcome.is_some_and(|welcome| !welcome.controls.is_empty())
}

/// Begins one.
pub fn begin(app: App, crew: bool) {
    let text = say(W::PracticeText).to_owned();
    app.want(Command::Practise { crew, text });
}

/// How far this person is in a practice.
#[derive(Clone, Debug, PartialEq)]
struct Part {
    seq: Seq,
    crew: bool,
    at: Millis,
    seen: bool,
    called: bool,
    /// The chief has marked a step since it began.
    marked: bool,
    /// The chief could mark the current step now.
    can_mark: bool,
    /// Milliseconds that it took.
    took: Option<Millis>,
    /// They may end it for everyone.
    ends: bool,
    /// Who has done it, with seconds.
    done: Vec<String>,
}

fn seconds(ms: Millis) -> String {
    (ms / 1000).to_string()
}

fn part(link: &Link, now: Millis) -> Option<Part> {
    let mirror = link.mirror();
    let welcome = mirror.welcome.as_ref()?;
    let me = &welcome.you;
    let warmup = mirror.record.warmup.as_ref()?;
    let fresh = |practice: &&Practice| {
        let told = practice.ended_at.is_some_and(|ended| now - ended < TOLD_MS);
        practice.is_for(me) || (told && practice.took(me).is_some())
    };
    let practice = warmup.practices.iter().rev().find(fresh)?;
    let (seen, called) = warmup.practised(practice, me);
    let chief = welcome.right == Right::Chief;
    let marked = warmup
        .steps
        .values()
        .any(|mark| mark.at >= practice.at && mark.by.as_ref().is_some_and(|by| by.id == me.id));
    let own = practice.by.as_ref().is_some_and(|by| by.id == me.id);
    Some(Part {
        seq: practice.seq,
        crew: practice.crew,
        at: practice.at,
        seen,
        called,
        marked,
        can_mark: chief && can_mark(link, warmup, now),
        took: practice.took(me),
        ends: practice.ended_at.is_none() && (chief || own),
        done: done(practice),
    })
}

fn can_mark(link: &Link, warmup: &Warmup, now: Millis) -> bool {
    let allowed = warmup
        .current()
        .is_some_and(|(_, step)| warmup.order_allows(&step.key).is_ok());
    allowed && waiting(link, None, Units::Car, now).is_some_and(|waiting| waiting.ready)
}

fn done(practice: &Practice) -> Vec<String> {
    let one = |(who, took): &(spinover_protocol::event::Who, Millis)| {
        who.name.clone() + " " + &fill(W::Seconds, &[&seconds(*took)])
    };
    practice.done.iter().map(one).collect()
}

/// Practices of others that are on: whose, in words.
fn others(link: &Link) -> Vec<String> {
    let mirror = link.mirror();
    let me = mirror.welcome.as_ref().map(|welcome| &welcome.you);
    let warmup = mirror.record.warmup.iter();
    let on = warmup
        .flat_map(|warmup| &warmup.practices)
        .filter(|practice| practice.ended_at.is_none() && me.is_none_or(|me| !practice.is_for(me)));
    on.map(|practice| {
        practice
            .by
            .as_ref()
            .map_or_else(|| "?".to_owned(), |by| by.name.clone())
    })
    .collect()
}

/// The bars of practices.
#[component]
pub fn PracticeBars(
    /// On a wall, which has no hands to practise with.
    wall: Memo<bool>,
) -> impl IntoView {
    let app = app();
    let part = Memo::new(move |_| {
        app.track(&[Topic::Record, Topic::Welcome, Topic::Progress]);
        let now = app.second.get() * 1_000;
        socket::with(|link| part(link, now)).flatten()
    });
    let others = app.about(&[Topic::Record, Topic::Welcome], others);
    // Of which practice the hold was practised, and which was put away.
    let held = RwSignal::new(None::<Seq>);
    let away = RwSignal::new(None::<Seq>);
    let sent = StoredValue::new(None::<Seq>);
    Effect::new(move |_| {
        let Some(part) = part.get() else { return };
        let practice = part.seq;
        let marked = part.marked || held.get() == Some(practice);
        if part.seen
            && part.called
            && marked
            && part.took.is_none()
            && sent.get_value() != Some(practice)
        {
            sent.set_value(Some(practice));
            app.want(Command::PractiseDone { practice });
        }
    });
    let shown = Memo::new(move |_| {
        let away = away.get();
        part.get()
            .filter(|part| away != Some(part.seq) && (part.crew || !wall.get()))
    });
    view! {
        {move || others.get().unwrap_or_default().into_iter().map(|name| view! {
            <p class="banner practice" data-test="practice-other"><strong>{fill(W::PracticeBy, &[&name])}</strong><span>{say(W::PracticeNotMeant)}</span></p>
        }).collect_view()}
        <Show when=move || shown.read().is_some()>
            <Bar shown=shown held=held away=away wall=wall/>
        </Show>
    }
}

/// One's own practice. Only what changes is made anew: the key that is being held must stay.
#[component]
fn Bar(
    shown: Memo<Option<Part>>,
    held: RwSignal<Option<Seq>>,
    away: RwSignal<Option<Seq>>,
    wall: Memo<bool>,
) -> impl IntoView {
    let app = app();
    let page = app.page();
    let of = move |look: fn(&Part) -> bool| shown.read().as_ref().is_some_and(look);
    let seq = move || shown.read().as_ref().map(|part| part.seq);
    let began = move || shown.read().as_ref().map_or(0, |part| part.at);
    let took = move || shown.read().as_ref().and_then(|part| part.took);
    let marked = move || of(|part| part.marked) || (seq().is_some() && held.get() == seq());
    let at = Memo::new(move |_| match () {
        () if took().is_some() => "done",
        () if !of(|part| part.seen) => "see",
        () if !of(|part| part.called) => "call",
        () if of(|part| part.can_mark) && page.get() == Page::Chief => "mark",
        () => "hold",
    });
    let words = move || match at.get() {
        "done" => fill(W::PracticeTook, &[&seconds(took().unwrap_or(0))]),
        "see" => fill(W::PracticeSee, &[say(W::Seen)]),
        "call" => fill(W::PracticeCall, &[say(W::Call)]),
        "mark" => fill(W::PracticeMark, &[say(W::MarkHold)]),
        _ => say(W::PracticeHold).to_owned(),
    };
    let count = move || {
        let parts = [of(|part| part.seen), of(|part| part.called), marked()];
        let count = parts.into_iter().filter(|done| *done).count();
        fill(W::PracticePart, &[&count.to_string()])
    };
    let title = move || {
        say(if of(|part| part.crew) {
            W::PracticeCrew
        } else {
            W::Practice
        })
    };
    let was_held = move || seq().is_some() && held.get() == seq();
    let finished = move || at.get() == "done";
    let by = move || {
        shown
            .read()
            .as_ref()
            .map(|part| part.done.join(", "))
            .unwrap_or_default()
    };
    let hands = move || !wall.get();
    let end = move |_| {
        if let Some(practice) = shown.get_untracked().map(|part| part.seq) {
            app.want(Command::PractiseEnd { practice });
        }
    };
    view! {
        <section class="banner practice" data-test="practice" data-at=at aria-label=title>
            <div>
                <strong>
                    {title} " · "
                    <span data-test="practice-part">{count}</span>
                    <Show when=move || !finished()>
                        " · " <span class="practice-time">{move || fill(W::Seconds, &[&seconds((app.second.get() * 1_000 - began()).max(0))])}</span>
                    </Show>
                </strong>
                <span class="practice-say" data-test="practice-say" role="status">{words}</span>
                <Show when=move || of(|part| part.crew && !part.done.is_empty())>
                    <span data-test="practice-done-by">{move || fill(W::PracticeDoneBy, &[&by()])}</span>
                </Show>
                <span class="practice-hint">{say(W::PracticeNotMeant)}</span>
            </div>
            // Once held it stays, and nothing moves: the finger must not come up on what would lie beneath it then.
            <Show when=move || hands() && (at.get() == "hold" || was_held())>
                <HoldKey off=Signal::derive(was_held) label=say(W::PracticeHoldKey) ms=MARK_MS test="practice-hold" class="practice-hold" done=move |()| held.set(shown.get_untracked().map(|part| part.seq))/>
            </Show>
            <Show when=move || of(|part| part.ends) && hands()>
                <button type="button" class="key" data-test="practice-end" on:click=end>{say(W::PracticeEnd)}</button>
            </Show>
            <Show when=move || finished() && hands()>
                <button type="button" class="key" data-test="practice-away" on:click=move |_| away.set(shown.get_untracked().map(|part| part.seq))>{say(W::Close)}</button>
            </Show>
        </section>
    }
}

/// The keys that begin one, in the menu.
#[component]
pub fn PracticeKeys() -> impl IntoView {
    let app = app();
    let possible = app.about(&[Topic::Record, Topic::Sources, Topic::Welcome], possible);
    let chief = app.chief();
    let press = move |crew| {
        begin(app, crew);
        app.close();
    };
    view! {
        <h3>{say(W::PracticeTitle)}</h3>
        {move || if possible.get() == Some(true) {
            view! {
                <p class="hint">{say(W::PracticeHint)}</p>
                <div class="choices wide">
                    <button type="button" class="key choice" data-test="practise-alone" on:click=move |_| press(false)>{say(W::PracticeAlone)}</button>
                    <Show when=move || chief.get()>
                        <button type="button" class="key choice" data-test="practise-all" on:click=move |_| press(true)>{say(W::PracticeAll)}</button>
                    </Show>
                </div>
            }.into_any()
        } else {
            view! { <p class="hint" data-test="practise-not">{say(W::PracticeNo)}</p> }.into_any()
        }}
    }
}
