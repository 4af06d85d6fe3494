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
            Err(_) => set_timeout(move || bring(app, owner), RETRY),
        }
    });
}

/// Stands where the rest will be.
pub fn coming() -> AnyView {
    view! { <p class="hint" data-test="coming">{say(W::Looking)}</p> }.into_any()
}
