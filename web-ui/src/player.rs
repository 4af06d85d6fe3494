//! The replay that is open: asks the hub for what it needs, lets time go on, and tells the page. One a page, as there is one screen.

use crate::{
    app::{App, Reading},
    ask,
    pure::{playback::Playback, route::escaped},
};
use leptos::prelude::*;
use spinover_protocol::{
    ChannelKey, Millis,
    book::{Opened, Outside, Said},
    car::Band,
    message::{FigureNow, Frame, Quality, SRC_TYPED},
};
use std::cell::{Cell, RefCell};

/// After an answer that did not come, the next try waits so long, in milliseconds.
const RETRY_MS: f64 = 2_000.0;

thread_local! {
    static OPEN: RefCell<Option<Playback>> = const { RefCell::new(None) };
    /// Counts replays, so that what one asked for is not given to the next.
    static TURN: Cell<u32> = const { Cell::new(0) };
    static RETRY_AT: Cell<f64> = const { Cell::new(0.0) };
}

/// What the page of a replay depends on.
#[derive(Clone, Copy)]
pub struct Deck {
    turn: u32,
    app: App,
    /// Its warm-up, once it has come; or why it has not.
    pub opened: RwSignal<Option<Result<(), String>>>,
    /// Where it stands, in milliseconds.
    pub at: RwSignal<Millis>,
    /// The number of the last event folded in.
    pub seq: RwSignal<u64>,
    /// It plays.
    pub playing: RwSignal<bool>,
    /// How fast.
    pub speed: RwSignal<u32>,
    /// What is shown is not yet that of the point.
    pub waits: RwSignal<bool>,
    /// Out-of-band times have come.
    pub outside: RwSignal<bool>,
    /// What the figures said at the point; none when nothing is kept of it.
    pub figures: RwSignal<Option<Vec<FigureNow>>>,
    /// One a channel.
    pub readings: RwSignal<Vec<RwSignal<Reading>>>,
}

/// Looks at the open replay.
pub fn with<T>(look: impl FnOnce(&Playback) -> T) -> Option<T> {
    OPEN.with_borrow(|open| open.as_ref().map(look))
}

/// The band that held for a channel.
pub fn band(playback: &Playback, key: &ChannelKey) -> Option<Band> {
    let warmup = playback.record().warmup.as_ref()?;
    warmup.band_now(key)
}

fn path(id: &str, rest: &str) -> String {
    format!("/api/book/warmup/{}{rest}", escaped(id))
}

impl Deck {
    /// Opens a warm-up; what was open before is closed.
    pub fn open(app: App, id: String) -> Self {
        let turn = TURN.get() + 1;
        TURN.set(turn);
        OPEN.set(None);
        let deck = Self {
            turn,
            app,
            opened: RwSignal::new(None),
            at: RwSignal::new(0),
            seq: RwSignal::new(0),
            playing: RwSignal::new(false),
            speed: RwSignal::new(1),
            waits: RwSignal::new(true),
            outside: RwSignal::new(false),
            figures: RwSignal::new(None),
            readings: RwSignal::new(Vec::new()),
        };
        on_cleanup(move || {
            if TURN.get() == turn {
                TURN.set(turn + 1);
                OPEN.set(None);
            }
        });
        leptos::task::spawn_local(async move {
            let answer = ask::json::<Opened>(app, &path(&id, "")).await;
            if TURN.get() != turn {
                return;
            }
            match answer {
                Ok(opened) => {
                    let channels = channels(&opened);
                    OPEN.set(Some(Playback::new(opened)));
                    let none = Reading {
                        value: None,
                        quality: Quality::None,
                        age_s: 0,
                        typed: false,
                        doubt: None,
                        second: None,
                    };
                    deck.readings
                        .set((0..channels).map(|_| RwSignal::new(none)).collect());
                    deck.show();
                    deck.opened.set(Some(Ok(())));
                    deck.run(crate::socket::now());
                    let outside = ask::json::<Vec<Outside>>(app, &path(&id, "/outside")).await;
                    if let (Ok(outside), true) = (outside, TURN.get() == turn) {
                        deck.change(|playback| playback.outside = outside);
                        deck.outside.set(true);
                    }
                }
                Err(reason) => deck.opened.set(Some(Err(reason))),
            }
        });
        deck
    }

    /// Does something to the replay and shows what came of it; nothing when it has been closed.
    pub fn change(self, change: impl FnOnce(&mut Playback)) {
        if TURN.get() == self.turn {
            OPEN.with_borrow_mut(|open| open.as_mut().map(change));
            self.show();
            self.ask();
        }
    }

    /// Once for each frame of the screen, until it is closed.
    fn run(self, before: f64) {
        request_animation_frame(move || {
            if TURN.get() != self.turn {
                return;
            }
            let now = crate::socket::now();
            OPEN.with_borrow_mut(|open| {
                open.as_mut().map(|playback| playback.advance(now - before))
            });
            self.show();
            self.ask();
            self.run(now);
        });
    }

    fn ask(self) {
        if crate::socket::now() < RETRY_AT.get() {
            return;
        }
        let wanted = OPEN.with_borrow_mut(|open| {
            let playback = open.as_mut()?;
            let wanted = playback.wants()?;
            let id = playback.opened().entry.id.clone();
            Some((wanted, wanted.figures(playback.speed()), id))
        });
        let Some((wanted, (from, to, step), id)) = wanted else {
            return;
        };
        let figures = path(&id, &format!("/figures?from={from}&to={to}&step={step}"));
        leptos::task::spawn_local(async move {
            // Beside the readings, which do not wait for them. What does not come is not shown.
            let said = ask::json::<Vec<Said>>(self.app, &figures).await;
            self.change(|playback| playback.take_said(wanted, said.unwrap_or_default()));
        });
        leptos::task::spawn_local(async move {
            let rest = format!(
                "/frames?from={}&to={}&step={}",
                wanted.from, wanted.to, wanted.step
            );
            let answer = ask::json::<Vec<Frame>>(self.app, &path(&id, &rest)).await;
            match answer {
                Ok(frames) => self.change(|playback| {
                    playback.take(wanted, frames);
                }),
                Err(reason) => {
                    RETRY_AT.set(crate::socket::now() + RETRY_MS);
                    self.change(Playback::failed);
                    if TURN.get() == self.turn {
                        self.app.notify(reason);
                    }
                }
            }
        });
    }

    fn show(self) {
        let shown = with(|playback| {
            set(self.at, playback.at());
            set(self.seq, playback.record().seq);
            set(self.playing, playback.playing());
            set(self.speed, playback.speed());
            set(self.waits, playback.waits());
            set(self.figures, playback.said().map(<[FigureNow]>::to_vec));
            playback.frame().clone()
        });
        let Some(frame) = shown else { return };
        for (index, signal) in self.readings.get_untracked().into_iter().enumerate() {
            let (value, quality, age) = frame.reading(index);
            let age_s = if quality == Quality::Old {
                (age / 1000) as u32
            } else {
                0
            };
            let typed = frame.src.get(index) == Some(&SRC_TYPED);
            set(
                signal,
                Reading {
                    value,
                    quality,
                    age_s,
                    typed,
                    doubt: frame.doubt(index),
                    // Which source spoke is not in the book.
                    second: None,
                },
            );
        }
    }
}

fn channels(opened: &Opened) -> usize {
    let mut record = spinover_protocol::record::Record::default();
    for event in &opened.events {
        record.apply(event);
        if let Some(warmup) = &record.warmup {
            return warmup.car.channels.len();
        }
    }
    0
}

fn set<T: PartialEq + Send + Sync + 'static>(signal: RwSignal<T>, value: T) {
    if signal.with_untracked(|known| *known != value) {
        signal.set(value);
    }
}
