//! The laptop's keyboard: single keys that open pages and sheets, and the list of them.

use crate::{
    app::{App, app},
    pages::tab_list,
    pure::{
        keys::{Wish, wish},
        route::Over,
    },
    words::{Word as W, say},
};
use leptos::{ev, prelude::*};

/// Where what is typed is meant for a field, or for what has taken the screen over.
const BUSY: &str = "input, textarea, select, [contenteditable], .takeover";

/// Listens for as long as the component that calls it is there.
pub fn listen(app: App, chief: Memo<bool>) {
    let listener = window_event_listener(ev::keydown, move |event| {
        let focused = document().active_element();
        let in_field =
            focused.is_some_and(|element| element.closest(BUSY).is_ok_and(|found| found.is_some()));
        let stopped = document()
            .query_selector(".takeover")
            .is_ok_and(|found| found.is_some());
        let off = !app.settings.get_untracked().shortcuts;
        let over = app.route.with_untracked(|route| route.over.is_some());
        let modified = event.ctrl_key() || event.alt_key() || event.meta_key();
        match wish(&event.key(), off || in_field || stopped || over, modified) {
            Some(Wish::Tab(place)) => {
                if let Some((page, _)) = tab_list(chief.get_untracked()).get(place) {
                    app.go(*page);
                }
            }
            Some(Wish::Call) => app.open(Over::Call),
            Some(Wish::Menu) => app.open(Over::Menu),
            Some(Wish::Shortcuts) => app.open(Over::Shortcuts),
            None => return,
        }
        // The key's own letter must not land in a field that has just opened.
        event.prevent_default();
    });
    on_cleanup(move || listener.remove());
}

/// What the keys do, and the switch for whoever speaks to the laptop or types with one hand.
#[component]
pub fn Shortcuts() -> impl IntoView {
    let app = app();
    let rows = [
        ("1 … 9", W::ShortcutTabs),
        ("C", W::ShortcutCall),
        ("M", W::ShortcutMenu),
        ("?", W::ShortcutHelp),
        ("Esc", W::ShortcutEscape),
        (say(W::ShortcutSpace), W::ShortcutHold),
    ];
    let rows = rows.map(
        |(key, word)| view! { <div class="shortcut"><dt><kbd>{key}</kbd></dt><dd>{say(word)}</dd></div> },
    );
    let switch = [(true, "shortcuts-on", W::On), (false, "shortcuts-off", W::Off)].map(|(on, test, word)| {
        let choose = move |_| {
            app.settings.update(|settings| settings.shortcuts = on);
            app.settings.get_untracked().save();
        };
        let pressed = move || (app.settings.read().shortcuts == on).to_string();
        view! { <button type="button" class="key choice" data-test=test aria-pressed=pressed on:click=choose>{say(word)}</button> }
    });
    view! {
        <dl class="shortcuts" data-test="shortcuts">{rows}</dl>
        <p class="hint">{say(W::ShortcutHint)}</p>
        <p class="label">{say(W::ShortcutsTitle)}</p>
        <div class="choices" role="group" aria-label=say(W::ShortcutsTitle)>{switch}</div>
    }
}
