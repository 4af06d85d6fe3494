//! The app's state as the pages see it: signals fed by the link, at most once a frame for readings, at once for all else.

use crate::{
    parts::pen,
    pure::{
        route::{Invitation, Over, Page, Route},
        show::Scale,
        turnaround::hours_minutes,
    },
    rest::Rest,
    socket::{self, Topic},
    store::{self, Person, Settings},
    wake,
    wanted::wanted_words,
    words::{self, Language, Word as W, fill},
};
use leptos::prelude::*;
use spinover_protocol::{
    ChannelKey, CommandId, PersonId,
    car::{Band, Car, Channel},
    event::{Right, Who},
    link::{Identity, Input, Link, State},
    message::{Command, Doubt, Farewell, Quality, SRC_TYPED},
};
use std::{
    cell::{Cell, RefCell},
    sync::Arc,
    time::Duration,
};

/// A command that has not been answered for this long is said to be not yet written down, in milliseconds. Below it a good link would flicker.
const PATIENCE_MS: f64 = 800.0;
/// How often the link is ticked and the running times move, in milliseconds: a countdown in tenths needs ten a second.
const TICK_MS: u64 = 100;
/// After showing the readings the page rests for so many times what that took, but no longer than this, in milliseconds.
const REST_PER_COST: f64 = 4.0;
const LONGEST_REST_MS: f64 = 400.0;
/// What a frame has, in milliseconds, at sixty a second.
const FRAME_MS: f64 = 16.0;
/// So many readings are shown in one frame by a phone that takes longer than that for all of them.
const AT_ONCE: usize = 12;
/// A browser that has given no frame for this long is not waited for.
const FRAMELESS_MS: f64 = 800.0;
/// How long a notice stands, in milliseconds.
const NOTICE_MS: f64 = 8_000.0;

/// One channel's reading as it is shown.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reading {
    /// Its value in the channel's unit.
    pub value: Option<f64>,
    /// How far it can be trusted; with a lost link, never more than old.
    pub quality: Quality,
    /// Its age in whole seconds, where it is old.
    pub age_s: u32,
    /// A person typed it in.
    pub typed: bool,
    /// Why it is suspect.
    pub doubt: Option<Doubt>,
    /// The place of the source that speaks, where that is not the first choice.
    pub second: Option<u8>,
}

/// The link as it is shown.
#[derive(Clone, Debug, PartialEq)]
pub enum LinkView {
    /// Not joined.
    None,
    /// Never been up; seconds since the first try.
    Connecting(u32),
    /// Up.
    Live,
    /// Silent for so many seconds.
    Lost(u32),
    /// The hub refused.
    Refused(Farewell, String),
}

/// Something to tell the person once.
#[derive(Clone, Debug, PartialEq)]
pub struct Notice {
    id: u32,
    /// The words.
    pub text: String,
    until: f64,
}

/// The state of the app; a handful of signals, copied freely.
#[derive(Clone, Copy)]
pub struct App {
    /// Who this phone joins as.
    pub person: RwSignal<Person>,
    /// How it shows things.
    pub settings: RwSignal<Settings>,
    /// Where it is.
    pub route: RwSignal<Route>,
    /// The link.
    pub link: RwSignal<LinkView>,
    /// The lag last measured, in milliseconds.
    pub lag: RwSignal<Option<u32>>,
    /// The car, once welcomed.
    pub car: RwSignal<Option<Arc<Car>>>,
    /// The hub's clock, ten times a second.
    pub clock: RwSignal<i64>,
    /// The hub's clock in whole seconds.
    pub second: RwSignal<i64>,
    /// What to tell.
    pub notices: RwSignal<Vec<Notice>>,
    /// What has been asked for and not been answered for a while.
    pub unwritten: RwSignal<Vec<String>>,
    /// Whether the cautions were understood on this phone.
    pub cautioned: RwSignal<bool>,
    /// The command of a stop call that this person has said seen to before its event came.
    pub seen_early: RwSignal<Option<CommandId>>,
    /// Where the controls of a simulated car were last put from this phone, in the welcome's order.
    pub controls: RwSignal<Vec<f64>>,
    /// The app's second file, once it is here.
    pub rest: RwSignal<Option<Rest>>,
    /// It was tried to fetch that, in vain.
    pub rest_late: RwSignal<bool>,
    topics: [RwSignal<u32>; socket::TOPICS],
    readings: RwSignal<Arc<Vec<RwSignal<Reading>>>>,
}

thread_local! {
    static FRAME_ASKED: Cell<bool> = const { Cell::new(false) };
    /// When the readings were shown last.
    static SHOWN_AT: Cell<f64> = const { Cell::new(0.0) };
    /// No frame is asked for before this time of the phone's.
    static FREE_AT: Cell<f64> = const { Cell::new(0.0) };
    /// How long the last showing took, in milliseconds.
    static COST: Cell<f64> = const { Cell::new(0.0) };
    static CONNECTING_SINCE: Cell<f64> = const { Cell::new(0.0) };
    static OPENED_HERE: Cell<bool> = const { Cell::new(false) };
    static AFTER_FRAME: RefCell<Vec<Box<dyn Fn()>>> = const { RefCell::new(Vec::new()) };
}

/// The app's state, from any component.
pub fn app() -> App {
    expect_context()
}

impl App {
    /// The state of an app that has not joined.
    pub fn new() -> Self {
        Self {
            person: RwSignal::new(Person::load()),
            settings: RwSignal::new(Settings::load()),
            route: RwSignal::new(Route::default()),
            link: RwSignal::new(LinkView::None),
            lag: RwSignal::new(None),
            car: RwSignal::new(None),
            clock: RwSignal::new(0),
            second: RwSignal::new(0),
            notices: RwSignal::new(Vec::new()),
            unwritten: RwSignal::new(Vec::new()),
            cautioned: RwSignal::new(store::cautions_read()),
            seen_early: RwSignal::new(None),
            controls: RwSignal::new(Vec::new()),
            rest: RwSignal::new(None),
            rest_late: RwSignal::new(false),
            topics: std::array::from_fn(|_| RwSignal::new(0)),
            readings: RwSignal::new(Arc::default()),
        }
    }

    /// Starts the clockwork: called once, when the page has loaded.
    pub fn start(self) {
        words::speak(self.settings.with_untracked(|settings| settings.language));
        socket::on_change(move |topic| self.changed(topic));
        self.read_address();
        let _ = window_event_listener(leptos::ev::hashchange, move |_| self.read_address());
        let woken = move |_| {
            if !document().hidden() {
                socket::feed(Input::Wake);
                wake::keep_awake();
            }
        };
        let _ = window_event_listener_untyped("pageshow", woken);
        let _ = window_event_listener_untyped("online", woken);
        let listener = wasm_bindgen::closure::Closure::<dyn FnMut(web_sys::Event)>::new(woken);
        let callback = wasm_bindgen::JsCast::unchecked_ref(listener.as_ref());
        let _ = document().add_event_listener_with_callback("visibilitychange", callback);
        listener.forget();
        wake::keep_awake();
        set_interval(move || self.tick(), Duration::from_millis(TICK_MS));
        let person = self.person.get_untracked();
        let known = !person.code.is_empty() || store::token(&store::device()).is_some();
        if known && !person.name.is_empty() {
            self.join();
        }
        Effect::new(move |_| {
            let settings = self.settings.get();
            let (light, paper) = if settings.night {
                ("night", "#0c0e11")
            } else {
                ("day", "#f6f3ea")
            };
            if let Some(root) = document().document_element() {
                let _ = root.set_attribute("data-light", light);
                let _ = root.set_attribute("lang", settings.language.tag());
            }
            pen::look_again();
            if let Ok(Some(theme)) = document().query_selector("meta[name=\"theme-color\"]") {
                let _ = theme.set_attribute("content", paper);
            }
        });
    }

    fn read_address(self) {
        let hash = window().location().hash().unwrap_or_default();
        let Some(invitation) = Invitation::parse(&hash) else {
            self.route.set(Route::parse(&hash));
            return;
        };
        // The code must not stay where a screenshot, a shared tab or the history shows it.
        let _ = window()
            .history()
            .map(|history| history.replace_state_with_url(&"".into(), "", Some("/")));
        let unescape = |text: &str| {
            js_sys::decode_uri_component(text).map_or_else(|_| text.to_owned(), String::from)
        };
        self.person.update(|person| {
            person.code = unescape(&invitation.code);
            if let Some(role) = &invitation.role {
                person.role = unescape(role);
            }
            if let Some(name) = &invitation.name {
                person.name = unescape(name);
            }
        });
        store::forget_tokens();
        self.route.set(Route::default());
        if self.link.get_untracked() != LinkView::None {
            self.join();
        }
    }

    /// Joins as the person on the form.
    pub fn join(self) {
        let person = self.person.get_untracked();
        person.save();
        CONNECTING_SINCE.set(socket::now());
        // A wall is often another tab of the laptop that the chief uses: it is a device of its own, so that neither throws the other out.
        let suffix = if person.role == "wall" { "-wall" } else { "" };
        let device = PersonId(store::device() + suffix);
        self.seen_early.set(None);
        let token = store::token(device.as_str());
        let identity = Identity {
            code: person.code,
            name: person.name,
            role: person.role.as_str().into(),
            device,
        };
        socket::join(identity, token);
    }

    /// The chief has put this device out: it keeps nothing to come back by.
    fn put_out(self) {
        store::forget_tokens();
        if self.person.with_untracked(|person| !person.code.is_empty()) {
            self.person.update(|person| person.code.clear());
            self.person.get_untracked().save();
        }
    }

    /// Speaks another language from now on, and remembers it.
    pub fn choose_language(self, language: Language) {
        words::speak(language);
        self.settings
            .update(|settings| settings.language = language);
        self.settings.get_untracked().save_language();
    }

    /// Leaves the hub, back to the form.
    pub fn leave(self) {
        socket::leave();
        self.link.set(LinkView::None);
        self.close();
    }

    /// Takes another role, or the first one.
    pub fn choose_role(self, key: &str) {
        self.person
            .update(|person| key.clone_into(&mut person.role));
        self.person.get_untracked().save();
        let same = self
            .me_untracked()
            .is_some_and(|me| me.role.as_str() == key);
        self.route.set(Route::default());
        let _ = window()
            .history()
            .map(|history| history.replace_state_with_url(&"".into(), "", Some("/")));
        if !same {
            self.join();
        }
    }

    /// Asks the hub for something. What is only right at this moment is not kept for when the link is back; calls are.
    pub fn want(self, command: Command) {
        let keeps = matches!(
            command,
            Command::Call { .. }
                | Command::Stop { .. }
                | Command::Seen { .. }
                | Command::Lift { .. }
                | Command::Hold { .. }
                | Command::Abort { .. }
                | Command::Note { .. }
        );
        let here = self.link.get_untracked() == LinkView::Live
            && (matches!(command, Command::TakeOver {})
                || socket::with(Link::in_charge).unwrap_or(false));
        if keeps || here {
            socket::want(command);
        } else {
            self.notify(fill(W::NotSent, &[&wanted_words(&command)]));
        }
    }

    /// Goes to a page.
    pub fn go(self, page: Page) {
        OPENED_HERE.set(false);
        let _ = window().location().set_hash(&Route::hash(page, None, None));
    }

    /// Plays a warm-up of the book back.
    pub fn replay(self, id: &str) {
        OPENED_HERE.set(false);
        let hash = Route::hash(Page::Replay, Some(id), None);
        let _ = window().location().set_hash(&hash);
    }

    fn of_untracked(self) -> Option<String> {
        self.route.with_untracked(|route| route.of.clone())
    }

    /// Lays something over the page; the phone's back button takes it away again.
    pub fn open(self, over: Over) {
        let page = self.page_untracked();
        let had = self.route.with_untracked(|route| route.over.is_some());
        let hash = Route::hash(page, self.of_untracked().as_deref(), Some(&over));
        if had {
            self.replace(&hash);
        } else {
            OPENED_HERE.set(true);
            let _ = window().location().set_hash(&hash);
        }
    }

    /// Takes away what lies over the page.
    pub fn close(self) {
        if OPENED_HERE.replace(false) {
            let _ = window().history().map(|history| history.back());
        } else {
            let of = self.of_untracked();
            self.replace(&Route::hash(self.page_untracked(), of.as_deref(), None));
        }
    }

    fn replace(self, hash: &str) {
        let _ = window()
            .history()
            .map(|history| history.replace_state_with_url(&"".into(), "", Some(hash)));
        self.route.set(Route::parse(hash));
    }

    fn page_for(route: &Route, role: Option<&str>, chief: bool) -> Page {
        match route.page {
            Some(Page::Chief) if !chief => Page::Steps,
            Some(page) => page,
            None if role == Some("wall") => Page::Wall,
            None if chief => Page::Chief,
            None => Page::Crew,
        }
    }

    /// The page that is open: what the address says, or the role's own.
    pub fn page(self) -> Memo<Page> {
        let me = self.me();
        let chief = self.chief();
        Memo::new(move |_| {
            Self::page_for(
                &self.route.read(),
                me.read().as_ref().map(|me| me.role.as_str()),
                chief.get(),
            )
        })
    }

    fn page_untracked(self) -> Page {
        let role = self.me_untracked().map(|me| me.role);
        let chief = socket::with(Link::is_chief).unwrap_or(false);
        self.route.with_untracked(|route| {
            Self::page_for(
                route,
                role.as_ref().map(spinover_protocol::RoleKey::as_str),
                chief,
            )
        })
    }

    /// Something about the link, looked at again when one of the topics was told of.
    pub fn about<T>(
        self,
        topics: &'static [Topic],
        look: impl Fn(&Link) -> T + Send + Sync + 'static,
    ) -> Memo<Option<T>>
    where
        T: PartialEq + Send + Sync + 'static,
    {
        Memo::new(move |_| {
            self.track(topics);
            socket::with(&look)
        })
    }

    /// Depends on topics.
    pub fn track(self, topics: &[Topic]) {
        for topic in topics {
            self.topics[*topic as usize].track();
        }
    }

    /// Who this is, as the hub knows them.
    pub fn me(self) -> Memo<Option<Who>> {
        Memo::new(move |_| {
            self.track(&[Topic::Welcome]);
            self.me_untracked()
        })
    }

    /// Who this is, now.
    pub fn me_untracked(self) -> Option<Who> {
        socket::with(|link| {
            link.mirror()
                .welcome
                .as_ref()
                .map(|welcome| welcome.you.clone())
        })
        .flatten()
    }

    /// Whether this person may mark.
    pub fn chief(self) -> Memo<bool> {
        Memo::new(move |_| {
            self.track(&[Topic::Welcome]);
            socket::with(|link| {
                link.mirror()
                    .welcome
                    .as_ref()
                    .is_some_and(|welcome| welcome.right == Right::Chief)
            }) == Some(true)
        })
    }

    /// Whether what is shown is live.
    pub fn live(self) -> Memo<bool> {
        Memo::new(move |_| *self.link.read() == LinkView::Live)
    }

    /// Whether the hub at the other end is the one that takes marks.
    pub fn in_charge(self) -> Memo<bool> {
        Memo::new(move |_| {
            self.track(&[Topic::Hubs, Topic::Welcome]);
            socket::with(Link::in_charge) == Some(true)
        })
    }

    /// The reading of the channel at that place.
    pub fn reading(self, index: usize) -> Option<RwSignal<Reading>> {
        self.readings.read().get(index).copied()
    }

    /// A channel with its place in the frames.
    pub fn channel(self, key: &ChannelKey) -> Option<(usize, Channel)> {
        self.car.read().as_ref().and_then(|car| {
            car.channel(key)
                .map(|(index, channel)| (index, channel.clone()))
        })
    }

    /// The band that holds for a channel now.
    pub fn band(self, key: ChannelKey) -> Memo<Option<Band>> {
        Memo::new(move |_| {
            self.track(&[Topic::Record, Topic::Welcome]);
            socket::with(|link| band_now(link, &key)).flatten()
        })
    }

    /// The scale of a channel on this phone.
    pub fn scale(self, channel: Channel) -> Memo<Scale> {
        Memo::new(move |_| Scale::of(&channel, self.settings.read().units))
    }

    /// Tells something for a few seconds.
    pub fn notify(self, text: String) {
        let until = socket::now() + NOTICE_MS;
        self.notices.update(|notices| {
            let id = notices.last().map_or(0, |notice| notice.id + 1);
            notices.push(Notice { id, text, until });
        });
    }

    /// Puts a notice away.
    pub fn dismiss(self, notice: &Notice) {
        self.notices
            .update(|notices| notices.retain(|known| known.id != notice.id));
    }

    fn changed(self, topic: Option<Topic>) {
        if let Some(topic) = topic {
            if topic == Topic::Welcome {
                self.welcomed();
            }
            self.topics[topic as usize].update(|count| *count += 1);
        }
        let refusals =
            socket::with_shell(|shell| std::mem::take(&mut shell.refusals)).unwrap_or_default();
        for (command, reason) in refusals {
            let what = wanted_words(&command);
            self.notify(fill(W::Refused, &[&(what + " – " + &reason)]));
        }
        self.ask_frame();
    }

    /// Has the readings shown from the browser's next frame on. A phone that is slow at it is given fewer frames, so that four fifths
    /// of its time remain for touches, calls and stops, which wait for none of this.
    fn ask_frame(self) {
        if FRAME_ASKED.replace(true) {
            return;
        }
        match FREE_AT.get() - socket::now() {
            wait if wait >= 1.0 => set_timeout(
                move || self.show(0, 0.0),
                Duration::from_millis(wait as u64),
            ),
            _ => self.show(0, 0.0),
        }
    }

    /// Shows the readings from that one on, and draws the traces. Where the last time took longer than a frame has, it is a few readings
    /// in each frame and the traces in one of their own: a touch need not wait for all of it.
    fn show(self, from: usize, cost: f64) {
        request_animation_frame(move || {
            let begun = socket::now();
            let all = self.readings.with_untracked(|readings| readings.len());
            let at_once = if COST.get() > FRAME_MS { AT_ONCE } else { all };
            if from == 0 {
                self.show_link();
            }
            if from < all {
                self.show_readings(from, at_once);
            }
            let drawn = from >= all || at_once >= all;
            if drawn {
                AFTER_FRAME.with_borrow(|after| after.iter().for_each(|run| run()));
            }
            // This comes to its turn once the browser has laid out and painted what has changed.
            set_timeout(
                move || {
                    let now = socket::now();
                    let cost = cost + now - begun;
                    if drawn {
                        COST.set(cost);
                        FREE_AT.set(now + (cost * REST_PER_COST).min(LONGEST_REST_MS));
                        FRAME_ASKED.set(false);
                    } else {
                        self.show(from + AT_ONCE, cost);
                    }
                },
                Duration::ZERO,
            );
        });
    }

    fn welcomed(self) {
        let welcome = socket::with(|link| link.mirror().welcome.clone()).flatten();
        let Some(welcome) = welcome else { return };
        if self.controls.with_untracked(Vec::len) != welcome.controls.len() {
            self.controls.set(
                welcome
                    .controls
                    .iter()
                    .map(|control| control.start)
                    .collect(),
            );
        }
        if self
            .car
            .with_untracked(|car| car.as_deref() == Some(&welcome.car))
        {
            return;
        }
        let none = Reading {
            value: None,
            quality: Quality::None,
            age_s: 0,
            typed: false,
            doubt: None,
            second: None,
        };
        let signals = welcome
            .car
            .channels
            .iter()
            .map(|_| RwSignal::new(none))
            .collect();
        self.readings.set(Arc::new(signals));
        self.car.set(Some(Arc::new(welcome.car)));
    }

    fn tick(self) {
        socket::feed(Input::Tick);
        let now = socket::hub_now();
        set_if_new(self.clock, now);
        set_if_new(self.second, now / 1000);
        let waiting =
            socket::with_shell(|shell| shell.unanswered_for(PATIENCE_MS)).unwrap_or_default();
        set_if_new(self.unwritten, waiting.iter().map(wanted_words).collect());
        let phone_now = socket::now();
        if self
            .notices
            .with_untracked(|notices| notices.iter().any(|notice| notice.until < phone_now))
        {
            self.notices
                .update(|notices| notices.retain(|notice| notice.until >= phone_now));
        }
        // A hidden page has no frames, and no browser must be able to keep old numbers on the screen by giving none.
        if document().hidden() || phone_now - SHOWN_AT.get() > FRAMELESS_MS {
            self.refresh();
        } else {
            self.ask_frame();
        }
    }

    /// Shows the link's state and the readings as they are now.
    fn refresh(self) {
        self.show_link();
        self.show_readings(0, usize::MAX);
        AFTER_FRAME.with_borrow(|after| after.iter().for_each(|run| run()));
    }

    fn show_link(self) {
        let now = socket::now();
        SHOWN_AT.set(now);
        let seconds = |since: f64| ((now - since) / 1000.0).max(0.0) as u32;
        let view = socket::with(|link| match link.state(now) {
            State::Connecting => LinkView::Connecting(seconds(CONNECTING_SINCE.get())),
            State::Live => LinkView::Live,
            State::Lost { since_ms } => LinkView::Lost(seconds(since_ms)),
            State::Refused { why, reason } => LinkView::Refused(why, reason),
        });
        if matches!(view, Some(LinkView::Refused(Farewell::PutOut, _))) {
            self.put_out();
        }
        set_if_new(self.link, view.unwrap_or(LinkView::None));
        set_if_new(self.lag, socket::with(Link::lag_ms).flatten());
    }

    /// So many readings from that one on.
    fn show_readings(self, from: usize, most: usize) {
        let now = socket::now();
        let readings = self.readings.get_untracked();
        socket::with(|link| {
            let live = matches!(link.state(now), State::Live);
            readings
                .iter()
                .enumerate()
                .skip(from)
                .take(most)
                .map(|(index, signal)| (*signal, reading_now(link, index, now, live)))
                .collect::<Vec<_>>()
        })
        .into_iter()
        .flatten()
        .for_each(|(signal, reading)| set_if_new(signal, reading));
    }
}

/// Runs something after each refresh of the readings, for as long as the app runs: the traces' pen.
pub fn after_frame(run: impl Fn() + 'static) {
    AFTER_FRAME.with_borrow_mut(|after| after.push(Box::new(run)));
}

fn reading_now(link: &Link, index: usize, now: f64, live: bool) -> Reading {
    let (value, quality, _) = link.mirror().frame.reading(index);
    let quality = if live || value.is_none() {
        quality
    } else {
        Quality::Old
    };
    let age_s = match quality {
        Quality::Old => (link.age_ms(index, now).unwrap_or(0.0) / 1000.0) as u32,
        _ => 0,
    };
    let frame = &link.mirror().frame;
    let source = frame.src.get(index).copied();
    Reading {
        value,
        quality,
        age_s,
        typed: source == Some(SRC_TYPED),
        doubt: frame.doubt(index).filter(|_| quality == Quality::Suspect),
        second: source.filter(|_| frame.second.contains(&index)),
    }
}

/// The band that holds for a channel now: the warm-up's, or the car's own when none is under way.
pub fn band_now(link: &Link, key: &ChannelKey) -> Option<Band> {
    let mirror = link.mirror();
    match mirror
        .record
        .warmup
        .as_ref()
        .filter(|warmup| warmup.closed_at.is_none())
    {
        Some(warmup) => warmup.band_now(key),
        None => mirror.welcome.as_ref()?.car.channel(key)?.1.band,
    }
}

fn set_if_new<T: PartialEq + Send + Sync + 'static>(signal: RwSignal<T>, value: T) {
    if signal.with_untracked(|known| *known != value) {
        signal.set(value);
    }
}

/// A time of the hub's as the phone's wall clock shows it: `14:03:22`.
pub fn wall_time(at: i64) -> String {
    let date = js_sys::Date::new(&wasm_bindgen::JsValue::from_f64(at as f64));
    let two = |number: u32| format!("{number:02}");
    two(date.get_hours()) + ":" + &two(date.get_minutes()) + ":" + &two(date.get_seconds())
}

/// A time of the hub's as the phone's wall clock shows it, to the minute: `14:03`.
pub fn clock_text(at: i64) -> String {
    let date = js_sys::Date::new(&wasm_bindgen::JsValue::from_f64(at as f64));
    hours_minutes(at, -(date.get_timezone_offset() as i64))
}

/// The day of a time of the hub's on this phone's calendar, in its own way of writing it.
pub fn day_text(at: i64) -> String {
    let date = js_sys::Date::new(&wasm_bindgen::JsValue::from_f64(at as f64));
    String::from(
        date.to_locale_date_string(words::spoken().tag(), &wasm_bindgen::JsValue::UNDEFINED),
    )
}
