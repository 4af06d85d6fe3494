//! Alarms as they were at the point where a replay stands. To be read only: there is no key on them, they do not flash or buzz, and
//! every word of them is in the past.

use crate::{
    app::{app, wall_time},
    player::{self, Deck},
    pure::{
        alarms::{Line, standing},
        show::Scale,
    },
    words::{Word as W, fill, say},
};
use leptos::prelude::*;
use spinover_protocol::{alarm::AlarmState, car::Channel};

fn state_words(state: AlarmState) -> &'static str {
    say(match state {
        AlarmState::Unacknowledged => W::PastAlarmNew,
        AlarmState::Acknowledged => W::PastAlarmKnown,
        AlarmState::ReturnedUnacknowledged => W::AlarmGone,
        AlarmState::LatchedUnacknowledged => W::AlarmGoneKept,
        AlarmState::LatchedAcknowledged => W::AlarmKept,
        AlarmState::Shelved => W::AlarmShelved,
        AlarmState::OutOfService => W::AlarmOut,
        AlarmState::Normal => W::AlarmNormal,
        AlarmState::Suppressed => W::AlarmSuppressed,
    })
}

/// The alarms that stood then.
#[component]
pub fn PastAlarms(deck: Deck) -> impl IntoView {
    // An alarm and the channel that its reading is of.
    let lines: Memo<Vec<(Line, Option<Channel>)>> = Memo::new(move |_| {
        deck.seq.track();
        deck.opened.track();
        player::with(|playback| {
            let Some(warmup) = &playback.record().warmup else {
                return Vec::new();
            };
            let lines = standing(warmup).into_iter();
            lines
                .map(|line| {
                    let place = line.reading.map(|(place, _)| place);
                    let channel = place.and_then(|place| warmup.car.channels.get(place).cloned());
                    (line, channel)
                })
                .collect()
        })
        .unwrap_or_default()
    });
    move || {
        let lines = lines.get();
        (!lines.is_empty()).then(|| view! {
            <section class="past-alarms" data-test="past-alarms">
                <h2>{say(W::PastAlarms)}</h2>
                <ul>{lines.into_iter().map(|(line, channel)| view! { <PastAlarm line=line channel=channel/> }).collect_view()}</ul>
            </section>
        })
    }
}

#[component]
fn PastAlarm(line: Line, channel: Option<Channel>) -> impl IntoView {
    let app = app();
    let title = if line.first && !line.then.is_empty() {
        fill(W::AlarmFirst, &[&line.text])
    } else {
        line.text.clone()
    };
    let (since, reading) = (line.since, line.reading);
    let words = move || {
        let read = channel.as_ref().zip(reading).map(|(channel, (_, value))| {
            Scale::of(channel, app.settings.read().units).text_unit(value)
        });
        let came = since.map(|since| fill(W::PastAlarmCame, &[&wall_time(since)]));
        let parts = [Some(state_words(line.state).to_owned()), read, came];
        parts.into_iter().flatten().collect::<Vec<_>>().join(" · ")
    };
    let aside = line.aside.as_ref().map(|(by, why, until)| {
        let words = match until {
            Some(until) => fill(W::PastAlarmAside, &[by, why, &wall_time(*until)]),
            None => fill(W::AlarmAsideBy, &[by, why]),
        };
        if line.active {
            words + ". " + say(W::PastAlarmTrue)
        } else {
            words
        }
    });
    let then = (!line.then.is_empty()).then(|| fill(W::AlarmThen, &[&line.then.join(", ")]));
    view! {
        <li class="past-alarm" data-test="past-alarm" data-alarm=line.key.to_string() data-state=format!("{:?}", line.state)>
            <strong><span class="alarm-mark">{line.priority}</span>{title}</strong>
            <span class="alarm-state">{words}</span>
            {aside.map(|aside| view! { <span class="alarm-aside">{aside}</span> })}
            {then.map(|then| view! { <span class="alarm-then">{then}</span> })}
        </li>
    }
}
