//! Alarms: the bars over every page, and the list with what the chief can do about each.

use super::hold_key::{HoldKey, MARK_MS, STOP_MS};
use crate::{
    app::app,
    pure::{
        alarms::{Line, all, bars, loud},
        route::Over,
        show::{Scale, age},
    },
    socket::Topic,
    speech, store,
    words::{Word as W, fill, say},
};
use leptos::prelude::*;
use spinover_protocol::{
    AlarmKey,
    alarm::{AlarmState, SHELF_FIRST_S, SHELF_MOST_S, Shown},
    message::Command,
};

/// Bars of less urgent alarms that a page shows before it says how many more there are.
const MOST: usize = 2;
/// Three buzzes for an alarm: neither a call's nor a stop's.
const ALARM_BUZZ: [u32; 5] = [300, 120, 300, 120, 300];
const TOPICS: &[Topic] = &[Topic::Record, Topic::Urgent, Topic::Welcome];

fn state_words(line: &Line) -> &'static str {
    say(match line.state {
        AlarmState::Normal => W::AlarmNormal,
        AlarmState::Unacknowledged => W::AlarmNew,
        AlarmState::Acknowledged => W::AlarmKnown,
        AlarmState::ReturnedUnacknowledged => W::AlarmGone,
        AlarmState::LatchedUnacknowledged => W::AlarmGoneKept,
        AlarmState::LatchedAcknowledged => W::AlarmKept,
        AlarmState::Shelved => W::AlarmShelved,
        AlarmState::Suppressed => W::AlarmSuppressed,
        AlarmState::OutOfService => W::AlarmOut,
    })
}

/// The bars over every page.
#[component]
pub fn AlarmBars() -> impl IntoView {
    let app = app();
    let lines = app.about(TOPICS, |link| bars(link.mirror()));
    let lines = Memo::new(move |_| lines.get().unwrap_or_default());
    let loud_now = Memo::new(move |_| loud(&lines.read()));
    Effect::new(move |before: Option<Vec<AlarmKey>>| {
        let now = loud_now.get();
        let before = before.unwrap_or_default();
        if !now.iter().all(|key| before.contains(key)) {
            store::vibrate(&ALARM_BUZZ);
            let lines = lines.read_untracked();
            for line in lines
                .iter()
                .filter(|line| now.contains(&line.key) && !before.contains(&line.key))
            {
                speech::say(app, &(line.text.clone() + ". " + &line.answer));
            }
        }
        now
    });
    // The first priority is shown whole and always; of the rest the first few.
    let shown = move || {
        let lines = lines.get();
        let first = lines
            .iter()
            .filter(|line| line.priority == 1 && line.state.shown() > Shown::Aside)
            .count();
        lines.into_iter().take(first + MOST).collect::<Vec<_>>()
    };
    let more = move || lines.read().len().saturating_sub(shown().len());
    view! {
        <For each=shown key=|line| (line.key.clone(), format!("{line:?}")) let:line><Bar line=line/></For>
        <Show when=move || more() != 0>
            <button type="button" class="banner alarm-more" data-test="alarm-more" on:click=move |_| app.open(Over::Alarms)>
                {move || fill(W::AlarmMore, &[&more().to_string()])}
            </button>
        </Show>
    }
}

#[component]
fn Bar(line: Line) -> impl IntoView {
    let app = app();
    let chief = app.chief();
    let loud = line.state.shown() == Shown::Loud;
    let aside = line.state.shown() == Shown::Aside;
    let whole = line.priority == 1 && !aside;
    let title = if line.first && !line.then.is_empty() {
        fill(W::AlarmFirst, &[&line.text])
    } else {
        line.text.clone()
    };
    let read = reading_words(&line);
    let since = line.since;
    let state = state_words(&line);
    let words = move || {
        let ago = since.map(|since| {
            let ago = age((app.second.get() * 1_000 - since).max(0) as f64);
            fill(W::AgoShort, &[&ago])
        });
        let parts = [Some(state.to_owned()), read(), ago];
        parts.into_iter().flatten().collect::<Vec<_>>().join(" · ")
    };
    let then = (!line.then.is_empty()).then(|| fill(W::AlarmThen, &[&line.then.join(", ")]));
    let key = line.key.clone();
    let acknowledge = move |()| app.want(Command::AcknowledgeAlarm { alarm: key.clone() });
    let key = line.key.clone();
    let reset = move |()| app.want(Command::ResetAlarm { alarm: key.clone() });
    let waits = matches!(
        line.state,
        AlarmState::Unacknowledged
            | AlarmState::ReturnedUnacknowledged
            | AlarmState::LatchedUnacknowledged
    );
    let kept = line.state == AlarmState::LatchedAcknowledged;
    let stop_text = line.text.clone();
    let stop = move |()| {
        app.want(Command::Stop {
            text: stop_text.clone(),
        })
    };
    let offers_stop = line.kill && line.active && whole;
    view! {
        <div
            class="banner alarm"
            class:loud=loud
            class:whole=whole
            data-test="alarm"
            data-alarm=line.key.to_string()
            data-priority=line.priority
            data-active=if line.active { "yes" } else { "no" }
            data-shown=if aside { "aside" } else if loud { "loud" } else { "still" }
            role=if loud { "alert" } else { "status" }
        >
            <button type="button" class="alarm-words" data-test="alarm-open" on:click=move |_| app.open(Over::Alarms)>
                <strong><span class="alarm-mark">{line.priority}</span>{title}</strong>
                <span class="alarm-state">{words}</span>
                {aside_words(&line)}
                {whole.then(|| view! { <span class="alarm-answer">{line.answer.clone()}</span> })}
                {then.map(|then| view! { <span class="alarm-then">{then}</span> })}
            </button>
            {offers_stop.then(|| view! { <HoldKey label=say(W::AlarmStop) ms=STOP_MS test="alarm-stop" class="stop" done=stop/> })}
            {waits.then(|| view! {
                <Show when=move || chief.get()>
                    <HoldKey label=say(W::AlarmAcknowledge) ms=STOP_MS test="alarm-acknowledge" done=acknowledge.clone()/>
                </Show>
            })}
            {kept.then(|| view! {
                <Show when=move || chief.get()>
                    <HoldKey label=say(W::AlarmReset) ms=MARK_MS test="alarm-reset" done=reset.clone()/>
                </Show>
            })}
        </div>
    }
}

fn reading_words(line: &Line) -> impl Fn() -> Option<String> + Send + Sync + 'static {
    let app = app();
    let reading = line.reading;
    move || {
        let (index, value) = reading?;
        let car = app.car.get()?;
        let channel = car.channels.get(index)?;
        Some(Scale::of(channel, app.settings.read().units).text_unit(value))
    }
}

fn aside_words(line: &Line) -> Option<impl IntoView + use<>> {
    let app = app();
    let (by, why, until) = line.aside.clone()?;
    let active = line.active;
    let words = move || {
        let left = until.map(|until| age((until - app.second.get() * 1_000).max(0) as f64));
        let words = match left {
            Some(left) => fill(W::AlarmAsideFor, &[&by, &why, &left]),
            None => fill(W::AlarmAsideBy, &[&by, &why]),
        };
        if active {
            words + ". " + say(W::AlarmTrueNow)
        } else {
            words
        }
    };
    Some(view! { <span class="alarm-aside">{words}</span> })
}

/// Every alarm of the car, its state, and for the chief what can be done about it.
#[component]
pub fn AlarmList() -> impl IntoView {
    let app = app();
    let lines = app.about(TOPICS, |link| all(link.mirror()));
    let none = move || lines.read().as_ref().is_none_or(Vec::is_empty);
    view! {
        <p class="hint">{say(W::AlarmHint)}</p>
        <Show when=none><p>{say(W::AlarmNone)}</p></Show>
        <For each=move || lines.get().unwrap_or_default() key=|line| (line.key.clone(), format!("{line:?}")) let:line><Row line=line/></For>
    }
}

#[component]
fn Row(line: Line) -> impl IntoView {
    let app = app();
    let chief = app.chief();
    let shown = line.state.shown();
    let times = (line.times > 0).then(|| fill(W::AlarmTimes, &[&line.times.to_string()]));
    let key = StoredValue::new(line.key.clone());
    let aside = shown == Shown::Aside;
    let out = line.state == AlarmState::OutOfService;
    let most = if line.priority == 1 {
        SHELF_FIRST_S
    } else {
        SHELF_MOST_S
    };
    let spans: Vec<u32> = [60, 300, 900]
        .into_iter()
        .filter(|span| *span <= most)
        .collect();
    let reason = RwSignal::new(String::new());
    let no_reason = Signal::derive(move || reason.read().trim().is_empty());
    let said = move || reason.get_untracked().trim().to_owned();
    let back = move |_| {
        let alarm = key.get_value();
        app.want(if out {
            Command::PutAlarmBack { alarm }
        } else {
            Command::UnshelveAlarm { alarm }
        });
    };
    let keys = move || {
        if aside {
            return view! { <button type="button" class="key" data-test="alarm-back" on:click=back>{say(W::AlarmBack)}</button> }.into_any();
        }
        let shelve = spans.clone().into_iter().map(|for_s| {
            let done = move |()| app.want(Command::ShelveAlarm { alarm: key.get_value(), for_s, reason: said() });
            let label = fill(W::AlarmShelve, &[&age(f64::from(for_s) * 1e3)]);
            view! { <HoldKey label=label ms=MARK_MS test=format!("alarm-shelve-{for_s}") off=no_reason done=done/> }
        }).collect_view();
        let take_out = move |()| {
            app.want(Command::TakeAlarmOut {
                alarm: key.get_value(),
                reason: said(),
            })
        };
        view! {
            <label>
                <span>{say(W::AlarmWhy)}</span>
                <input type="text" data-test="alarm-why" autocomplete="off" maxlength=spinover_protocol::MAX_TEXT prop:value=reason on:input=move |event| reason.set(event_target_value(&event))/>
            </label>
            <div class="choices">
                {shelve}
                <HoldKey label=say(W::AlarmTakeOut) ms=MARK_MS test="alarm-take-out" off=no_reason done=take_out/>
            </div>
        }.into_any()
    };
    view! {
        <div class="alarm-row" data-test="alarm-row" data-alarm=line.key.to_string() data-state=format!("{:?}", line.state)>
            <p class="alarm-title"><span class="alarm-mark">{line.priority}</span><strong>{line.text.clone()}</strong></p>
            <p class="alarm-state">{state_words(&line)} {times}</p>
            {aside_words(&line)}
            <p class="hint">{line.answer.clone()}</p>
            <Show when=move || chief.get()>
                <details class="alarm-keys">
                    <summary class="key small">{say(W::AlarmSetAside)}</summary>
                    {keys.clone()}
                </details>
            </Show>
        </div>
    }
}

/// The most urgent alarm in one line, at the top of whatever lies over the page. Over a replay it says that it is live.
#[component]
pub fn AlarmLine(#[prop(optional)] over_replay: bool) -> impl IntoView {
    let app = app();
    let text = app.about(TOPICS, |link| {
        let lines = bars(link.mirror()).into_iter();
        let mut first =
            lines.filter(|line| line.priority == 1 && line.state.shown() == Shown::Loud);
        first.next().map(|line| line.text)
    });
    move || {
        text.get().flatten().map(|text| {
            view! { <p class="over-alarm" data-test="over-alarm" role="alert">{over_replay.then(|| view! { <span class="alarm-live">{say(W::AlarmLive)}</span> })}<span class="alarm-mark">1</span>{text}</p> }
        })
    }
}
