//! The rest of the app: what a phone at the car can begin without. It is a file of its own that comes once the readings are on the
//! screen, so that a phone on poor Wi-Fi shows them sooner; from then on it is there, whatever becomes of the link.
//!
//! `#[wasm_split]` marks where the app is cut; `cargo xtask` cuts it there after the build. Everything that is reached through
//! [`Rest`] alone is in the second file; what both need stays in the first.

// The macro's door to the second file is a foreign function. Its two sides are made from one signature, so they cannot differ.
#![allow(unsafe_code)]

use crate::{
    app::App,
    desk::Desk,
    pages::second as pages,
    player::Deck,
    pure::route::{Over, Page},
    words::{Word as W, say},
};
use leptos::{prelude::*, wasm_split::SplitLoaderError};
use std::time::Duration;

/// After a try that failed, the next one waits so long.
const RETRY: Duration = Duration::from_secs(2);

/// The ways into the second file.
#[derive(Clone, Copy)]
pub struct Rest {
    begin: fn(App),
    /// The body of a page.
    pub page: fn(Page) -> AnyView,
    /// What lies over a page.
    pub over: fn(Over) -> AnyView,
    /// Opens a replay.
    pub open: fn(App, String) -> Deck,
    /// A replay's head.
    pub replay_head: fn(Deck) -> AnyView,
    /// A replay's page.
    pub replay: fn(Deck) -> AnyView,
    /// The bars of a practice; it is told whether it stands on a wall.
    pub practice: fn(Memo<bool>) -> AnyView,
    /// What is late between rounds.
    pub late: fn() -> AnyView,
    /// The line of the time between rounds.
    pub turnaround: fn() -> AnyView,
    /// The key that marks the step.
    pub mark: fn() -> AnyView,
    /// The figures of one's role.
    pub figures: fn() -> AnyView,
}

// What comes back has no form that C knows; both sides are this very build.
#[allow(improper_ctypes, improper_ctypes_definitions)]
#[leptos::wasm_split::wasm_split(rest, fallible, wasm_split_path = ::leptos::wasm_split)]
fn fetch() -> Result<Box<Rest>, SplitLoaderError> {
    Ok(Box::new(Rest {
        begin: |app| provide_context(Desk::new(app)),
        page: pages::page,
        over: pages::over,
        open: Deck::open,
        replay_head: pages::replay_head,
        replay: pages::replay,
        practice: pages::practice,
        late: pages::late,
        turnaround: pages::turnaround,
        mark: pages::mark,
        figures: pages::figures,
    }))
}

/// Fetches it once that is so: from then on again and again until it is here. What it keeps for as long as the app lives belongs to
/// the component that calls this.
pub fn begin_when(app: App, ready: impl Fn() -> bool + 'static) {
    let owner = Owner::current().unwrap_or_default();
    Effect::new(move |begun: Option<bool>| {
        if begun == Some(true) {
            return true;
        }
        let ready = ready();
        if ready {
            bring(app, owner.clone());
        }
        ready
    });
}

fn bring(app: App, owner: Owner) {
    leptos::task::spawn_local(async move {
        match fetch().await {
            Ok(rest) => {
                owner.with(|| (rest.begin)(app));
                app.rest.set(Some(*rest));
            }
            Err(_) => {
                app.rest_late.set(true);
                set_timeout(move || bring(app, owner), RETRY);
            }
        }
    });
}

/// A part of the rest, as soon as that is here.
pub fn part(of: impl Fn(Rest) -> AnyView + Send + 'static) -> impl IntoView {
    let app = crate::app::app();
    move || app.rest.get().map(&of)
}

/// Stands where the rest will be.
pub fn coming() -> AnyView {
    let app = crate::app::app();
    let reload = |_| drop(window().location().reload());
    let late = move || {
        app.rest_late.get().then(|| view! {
            <p class="wrong">{say(W::ComingLate)}</p>
            <button type="button" class="key" data-test="reload" on:click=reload>{say(W::Reload)}</button>
        })
    };
    view! { <div class="plain" data-test="coming"><p class="hint">{say(W::Coming)}</p>{late}</div> }
        .into_any()
}
