//! A warm-up played back: the strips, the step and the calls as they were, and the line that is scrubbed over. Its head stands in the
//! place of the live one and never leaves the screen, so that nobody takes what is under it for live.

use super::book::{day, lasted};
use crate::{
    app::{LinkView, app, wall_time},
    parts::{figures::Cards, past_alarms::PastAlarms, pen::Feed, strip::StripOf},
    player::{self, Deck},
    pure::{draft::typed_number, playback::SPEEDS, route::Page},
    words::{Word as W, fill, say},
};
use leptos::prelude::*;
use spinover_protocol::{
    AlarmKey, Millis,
    event::{Event, EventBody},
    record::Warmup,
};

/// What happened, for the line and the list under it.
#[derive(Clone, Debug, PartialEq)]
struct Moment {
    at: Millis,
    seq: u64,
    /// `step`, `call`, `stop`, `state`, `alarm-1` (of the first priority), `alarm`, or `other`; its shape on the line.
    kind: &'static str,
    words: String,
    by: String,
}

fn moment(event: &Event, warmup: Option<&Warmup>) -> Option<Moment> {
    let step = |key: &spinover_protocol::StepKey| {
        warmup
            .and_then(|warmup| warmup.sheet.step(key))
            .map_or_else(|| key.to_string(), |(_, step)| step.text.clone())
    };
    let alarm = |key: &AlarmKey| {
        let alarm = warmup.and_then(|warmup| warmup.car.alarm(key));
        let text = alarm.map_or_else(|| key.to_string(), |alarm| alarm.text.clone());
        (text, alarm.is_some_and(|alarm| alarm.priority == 1))
    };
    let (kind, words) = match &event.body {
        EventBody::StepMarked { step: key, .. } => ("step", step(key)),
        EventBody::StepSkipped {
            step: key, reason, ..
        } => ("step", step(key) + " – " + &fill(W::Skipped, &[reason])),
        EventBody::StepUndone { step: key } => ("step", fill(W::DoUndo, &[&step(key)])),
        EventBody::Called {
            text, stop: false, ..
        } => ("call", fill(W::CallSent, &[text])),
        EventBody::Called {
            text, stop: true, ..
        } => ("stop", say(W::Stop).to_owned() + " " + text),
        EventBody::Held { reason } => ("state", say(W::Held).to_owned() + " " + reason),
        EventBody::Resumed {} => ("state", say(W::HoldOn).to_owned()),
        EventBody::Aborted { reason } => ("state", say(W::Aborted).to_owned() + " " + reason),
        EventBody::WarmupClosed {} => ("state", say(W::WarmupClosed).to_owned()),
        EventBody::AlarmRaised {
            alarm: key, after, ..
        } => {
            let (text, first) = alarm(key);
            let words = match after {
                Some(after) => fill(W::PastAlarmAfter, &[&text, &alarm(after).0]),
                None => text,
            };
            (if first { "alarm-1" } else { "alarm" }, words)
        }
        EventBody::AlarmReturned { alarm: key } => {
            ("other", fill(W::PastAlarmWent, &[&alarm(key).0]))
        }
        EventBody::AlarmAcknowledged { alarm: key } => {
            ("other", fill(W::PastAlarmAcknowledged, &[&alarm(key).0]))
        }
        EventBody::AlarmReset { alarm: key } => {
            ("other", fill(W::PastAlarmReset, &[&alarm(key).0]))
        }
        EventBody::AlarmShelved {
            alarm: key,
            until,
            reason,
        } => (
            "other",
            fill(
                W::PastAlarmShelved,
                &[&alarm(key).0, reason, &wall_time(*until)],
            ),
        ),
        EventBody::AlarmTakenOut { alarm: key, reason } => {
            ("other", fill(W::PastAlarmOut, &[&alarm(key).0, reason]))
        }
        EventBody::AlarmUnshelved { alarm: key } | EventBody::AlarmPutBack { alarm: key } => {
            ("other", fill(W::PastAlarmBack, &[&alarm(key).0]))
        }
        EventBody::TookOver { .. } => ("other", say(W::PastTookOver).to_owned()),
        EventBody::Noted { text } => ("other", text.clone()),
        _ => return None,
    };
    let by = event
        .by
        .as_ref()
        .map_or_else(String::new, |by| by.name.clone());
    Some(Moment {
        at: event.at,
        seq: event.seq,
        kind,
        words,
        by,
    })
}

fn moments() -> Vec<Moment> {
    player::with(|playback| {
        let events = &playback.opened().events;
        // The whole story's warm-up: steps keep their words whatever the point.
        let mut record = spinover_protocol::record::Record::default();
        events.iter().for_each(|event| record.apply(event));
        events
            .iter()
            .filter_map(|event| moment(event, record.warmup.as_ref()))
            .collect()
    })
    .unwrap_or_default()
}

/// The head of a replay, in the place of the live one.
#[component]
pub fn ReplayHead(deck: Deck) -> impl IntoView {
    let app = app();
    let what = Memo::new(move |_| {
        deck.opened.track();
        player::with(|playback| {
            let entry = &playback.opened().entry;
            (
                day(entry.begun_at),
                format!("{}, {}", entry.car, entry.sheet),
                entry.begun_at,
            )
        })
    });
    let step = Memo::new(move |_| {
        deck.seq.track();
        deck.opened.track();
        player::with(|playback| {
            let warmup = playback.record().warmup.as_ref()?;
            let current = warmup.current().filter(|_| warmup.closed_at.is_none());
            Some(match current {
                Some((phase, step)) => {
                    (phase.name.clone(), step.text.clone(), step.key.to_string())
                }
                None if warmup.closed_at.is_some() => (
                    String::new(),
                    say(W::WarmupClosed).to_owned(),
                    String::new(),
                ),
                None => (String::new(), say(W::AllDone).to_owned(), String::new()),
            })
        })
        .flatten()
    });
    let state = Memo::new(move |_| {
        deck.seq.track();
        player::with(|playback| {
            let warmup = playback.record().warmup.as_ref()?;
            let stop = warmup.stops().next().map(|stop| {
                let by = stop.said.by.as_ref().map_or("–", |by| by.name.as_str());
                fill(W::StopCalledBy, &[by])
            });
            let aborted = warmup.aborted.as_ref().map(|_| say(W::Aborted).to_owned());
            let held = warmup.held.as_ref().map(|_| say(W::Held).to_owned());
            stop.or(aborted).or(held)
        })
        .flatten()
    });
    let since = move || what.get().map(|(.., begun)| lasted(deck.at.get() - begun));
    view! {
        <header class="replay-top" data-test="replay-head">
            <div class="replay-say">
                <strong class="replay-word" data-test="replay-word">{say(W::ReplaySays)}</strong>
                <span>{move || what.get().map(|(day, car, _)| format!("{day}, {car}"))}</span>
            </div>
            <button type="button" class="key" data-test="replay-close" on:click=move |_| app.go(Page::Book)>{say(W::ReplayClose)}</button>
            <div class="replay-when">
                <span class="digits" data-test="replay-time" data-at=move || deck.at.get()>{move || wall_time(deck.at.get())}</span>
                <span class="digits">{move || since().map(|since| fill(W::ReplaySince, &[&since]))}</span>
                <Show when=move || matches!(*app.link.read(), LinkView::Lost(_))><strong data-test="replay-link-lost">{say(W::LinkLost)}</strong></Show>
                <Show when=move || deck.waits.get()><span data-test="replay-waits">{say(W::ReplayWaits)}</span></Show>
            </div>
            <h1 class="replay-step" data-test="replay-step" data-step=move || step.get().map(|(.., key)| key)>
                {move || step.get().map(|(phase, text, _)| if phase.is_empty() { text } else { phase + ": " + &text })}
                {move || state.get().map(|words| view! { <strong class="replay-state" data-test="replay-state">{words}</strong> })}
            </h1>
            <Controls deck=deck/>
        </header>
    }
}

/// Play, pause, speed, and the line.
#[component]
fn Controls(deck: Deck) -> impl IntoView {
    let speeds = SPEEDS.map(|speed| {
        let pressed = move || (deck.speed.get() == speed).to_string();
        let choose = move |_| deck.change(|playback| playback.set_speed(speed));
        view! { <button type="button" class="key" data-test=format!("replay-speed-{speed}") aria-pressed=pressed on:click=choose>{fill(W::ReplaySpeed, &[&speed.to_string()])}</button> }
    });
    let play = move |_| {
        let playing = deck.playing.get_untracked();
        deck.change(|playback| playback.play(!playing));
    };
    view! {
        <Line deck=deck/>
        <div class="replay-keys">
            <button type="button" class="key primary" data-test="replay-play" on:click=play>
                {move || say(if deck.playing.get() { W::ReplayPause } else { W::ReplayPlay })}
            </button>
            {speeds.into_iter().collect_view()}
        </div>
    }
}

/// The line that is scrubbed over, with steps, calls and out-of-band times on it.
#[component]
fn Line(deck: Deck) -> impl IntoView {
    let span = Memo::new(move |_| {
        deck.opened.track();
        player::with(|playback| (playback.opened().from, playback.opened().to)).unwrap_or((0, 1))
    });
    let place = move |at: Millis| {
        let (from, to) = span.get();
        (at - from) as f64 / (to - from).max(1) as f64 * 1000.0
    };
    let marks = move || {
        deck.opened.track();
        moments()
            .into_iter()
            .filter(|moment| moment.kind != "other")
            .map(|moment| {
                let x = place(moment.at);
                // A shape and a height of its own for each kind.
                let path = match moment.kind {
                    "step" => format!("M{x} 22V44"),
                    "call" => format!("M{x} 14l5 6-5 6-5-6z"),
                    // Its wedge points at the moment; that of the first priority is filled and has a line under it.
                    "alarm-1" => format!("M{} 0h16l-8 18zM{x} 18V56", x - 8.0),
                    "alarm" => format!("M{} 4h10l-5 12z", x - 5.0),
                    "stop" => format!("M{} 2h14v18h-14z", x - 7.0),
                    _ => format!("M{x} 4V44"),
                };
                view! { <path class=format!("line-{}", moment.kind) d=path></path> }
            })
            .collect_view()
    };
    let outside = move || {
        deck.outside.track();
        let spells = player::with(|playback| playback.outside.clone()).unwrap_or_default();
        spells
            .iter()
            .map(|spell| {
                let (x, to) = (place(spell.from), place(spell.to));
                view! { <rect class="line-outside" x=x y="48" width={(to - x).max(1.5)} height="8"></rect> }
            })
            .collect_view()
    };
    let scrub = move |event: leptos::ev::Event| {
        if let Some(to) = typed_number(&event_target_value(&event)) {
            deck.change(|playback| playback.jump(to as Millis));
        }
    };
    view! {
        <div class="line">
            <svg viewBox="0 0 1000 60" preserveAspectRatio="none" aria-hidden="true">
                <path class="line-base" d="M0 44H1000"></path>
                {outside}
                {marks}
            </svg>
            <input
                type="range"
                data-test="replay-line"
                aria-label=say(W::ReplayLine)
                min=move || span.get().0
                max=move || span.get().1
                step="100"
                prop:value=move || deck.at.get().to_string()
                on:input=scrub
            />
        </div>
    }
}

/// The page of a replay.
#[component]
pub fn Replay(deck: Deck) -> impl IntoView {
    let app = app();
    let strips = move || {
        let readings = deck.readings.get();
        let channels = player::with(|playback| {
            let warmup = playback.record().warmup.as_ref()?;
            Some(warmup.car.channels.clone())
        })
        .flatten()
        .unwrap_or_default();
        readings
            .into_iter()
            .zip(channels)
            .enumerate()
            .map(|(index, (reading, channel))| {
                let key = channel.key.clone();
                let band = Memo::new(move |_| {
                    deck.seq.track();
                    player::with(|playback| player::band(playback, &key)).flatten()
                });
                let key = channel.key.clone();
                let typed = Memo::new(move |_| {
                    deck.seq.track();
                    reading.read().typed.then(|| {
                        player::with(|playback| {
                            let warmup = playback.record().warmup.as_ref()?;
                            Some(warmup.typed.get(&key)?.by.as_ref()?.name.clone())
                        })
                        .flatten()
                        .unwrap_or_else(|| "?".to_owned())
                    })
                });
                view! { <StripOf channel=channel index=index reading=reading band=band typed=typed feed=Feed::Replay/> }
            })
            .collect_view()
    };
    let moments = Memo::new(move |_| {
        deck.opened.track();
        moments()
    });
    let seen_by = move |seq: u64| {
        deck.seq.track();
        player::with(|playback| {
            let record = playback.record();
            let call = record.warmup.as_ref()?.call(seq)?;
            let names: Vec<&str> = call
                .seen
                .keys()
                .filter_map(|id| Some(record.people.get(id)?.who.name.as_str()))
                .collect();
            (!names.is_empty()).then(|| fill(W::SeenBy, &[&names.join(", ")]))
        })
        .flatten()
    };
    let outside = move || {
        deck.outside.track();
        player::with(|playback| {
            let warmup = playback.record().warmup.as_ref()?;
            Some(
                playback
                    .outside
                    .iter()
                    .filter_map(|spell| {
                        let (_, channel) = warmup.car.channel(&spell.channel)?;
                        let scale = app.scale(channel.clone()).get();
                        let words = say(if spell.low {
                            W::ReplayLow
                        } else {
                            W::ReplayHigh
                        });
                        Some((
                            spell.from,
                            fill(
                                W::ReplayOutside,
                                &[
                                    &channel.label,
                                    words,
                                    &lasted(spell.to - spell.from),
                                    &scale.text_unit(spell.worst),
                                ],
                            ),
                        ))
                    })
                    .collect::<Vec<_>>(),
            )
        })
        .flatten()
        .unwrap_or_default()
    };
    let figures = Memo::new(move |_| deck.figures.get());
    let not_said = move || {
        deck.opened.track();
        let kept = player::with(|playback| playback.opened().figures_from.is_some());
        kept.map(|kept| {
            say(if kept {
                W::ReplayFiguresNot
            } else {
                W::ReplayFiguresNone
            })
        })
    };
    let lost = move || {
        deck.opened.track();
        player::with(|playback| playback.opened().lost.len()).filter(|lost| *lost > 0)
    };
    view! {
        {move || match deck.opened.get() {
            None => Some(view! { <p class="hint">{say(W::BookReading)}</p> }.into_any()),
            Some(Err(reason)) => Some(view! { <p class="wrong" data-test="replay-wrong">{fill(W::BookNotRead, &[&reason])}</p> }.into_any()),
            Some(Ok(())) => None,
        }}
        {move || lost().map(|lost| view! { <p class="wrong">{fill(W::ReplayLost, &[&lost.to_string()])}</p> })}
        <PastAlarms deck=deck/>
        <div class="strips all">{strips}</div>
        <section class="past-figures" data-test="past-figures">
            <h2>{say(W::ReplayFigures)}</h2>
            <Cards figures=figures quiet=true/>
            <p class="hint" hidden=move || figures.read().as_ref().is_some_and(|figures| !figures.is_empty())>{not_said}</p>
        </section>
        <section class="moments">
            <h2>{say(W::ReplayMoments)}</h2>
            <ol>
                {move || moments.get().into_iter().map(|moment| {
                    let Moment { at, seq, kind, words, by } = moment;
                    let later = move || deck.at.get() < at;
                    view! {
                        <li>
                            <button type="button" class="moment" class:later=later data-kind=kind data-test=format!("moment-{seq}") on:click=move |_| deck.change(|playback| playback.jump(at))>
                                <span class="digits">{wall_time(at)}</span>
                                <span>{words} <small>{by}</small> <small>{move || (kind == "call" || kind == "stop").then(|| seen_by(seq)).flatten()}</small></span>
                            </button>
                        </li>
                    }
                }).collect_view()}
            </ol>
            <h2>{say(W::ReplayOutsideTitle)}</h2>
            <ol data-test="replay-outside">
                {move || outside().into_iter().map(|(at, words)| view! {
                    <li><button type="button" class="moment" class:later=move || deck.at.get() < at on:click=move |_| deck.change(|playback| playback.jump(at))><span class="digits">{wall_time(at)}</span><span>{words}</span></button></li>
                }).collect_view()}
            </ol>
        </section>
    }
}
