//! The chief's desk: the files that are being changed, for as long as the page is open, whatever else is looked at meanwhile.
//! Asks the hub what a change comes to soon after the last stroke, so that mistakes stand at their fields while one types.

use crate::{
    app::App,
    ask,
    pure::draft::Draft,
    socket::Topic,
    words::{Word as W, say},
};
use leptos::prelude::*;
use serde::Serialize;
use spinover_protocol::{
    files::{Conflict, FilesNow, Outcome, Wrong},
    json::{self, FromJson},
};
use std::{cell::Cell, time::Duration};
use wasm_bindgen::JsCast;

/// Looks at the files on the disk this often, while the page is open: a text editor may have changed them.
const LOOK_EVERY: Duration = Duration::from_secs(4);
/// After the last stroke it is asked after this long what the change comes to.
const PAUSE: Duration = Duration::from_millis(500);

thread_local! {
    /// The page is open.
    static OPEN: Cell<bool> = const { Cell::new(false) };
}

/// What is on the desk; a handful of signals, copied freely.
#[derive(Clone, Copy)]
pub struct Desk {
    app: App,
    /// The draft; none before the files have come.
    pub draft: RwSignal<Option<Draft>>,
    /// Counts what makes the forms anew: other files, or other rows.
    pub turn: RwSignal<u32>,
    /// What the draft comes to, as the hub says; none while it is not known.
    pub outcome: RwSignal<Option<Outcome>>,
    /// Somebody else changed the files first.
    pub conflict: RwSignal<Option<Conflict>>,
    /// What lies on the disk, where that is not what the draft was made from.
    pub other: RwSignal<Option<FilesNow>>,
    /// Why nothing can be changed now.
    pub not_now: RwSignal<Option<String>>,
    /// What the hub said no to, in its words.
    pub trouble: RwSignal<Option<String>>,
    /// A change was written, and the hub is taking it up.
    pub written: RwSignal<bool>,
    edits: RwSignal<u32>,
}

/// The desk, from any component.
pub fn desk() -> Desk {
    expect_context()
}

impl Desk {
    /// An empty desk: called once.
    pub fn new(app: App) -> Self {
        let desk = Self {
            app,
            draft: RwSignal::new(None),
            turn: RwSignal::new(0),
            outcome: RwSignal::new(None),
            conflict: RwSignal::new(None),
            other: RwSignal::new(None),
            not_now: RwSignal::new(None),
            trouble: RwSignal::new(None),
            written: RwSignal::new(false),
            edits: RwSignal::new(0),
        };
        // The browser asks before it throws away what was not written.
        let leaving = wasm_bindgen::closure::Closure::<dyn FnMut(web_sys::Event)>::new(
            move |event: web_sys::Event| {
                if desk.is_changed_untracked() {
                    event.prevent_default();
                }
            },
        );
        let callback = leaving.as_ref().unchecked_ref();
        let _ = window().add_event_listener_with_callback("beforeunload", callback);
        leaving.forget();
        set_interval(
            move || {
                if OPEN.get() && !document().hidden() {
                    desk.look();
                }
            },
            LOOK_EVERY,
        );
        // A hub that has come back runs with the files as they are now.
        Effect::new(move |_| {
            app.track(&[Topic::Welcome]);
            if OPEN.get() {
                desk.look();
            }
        });
        desk
    }

    /// The page is opened, until it is left.
    pub fn open(self) {
        OPEN.set(true);
        on_cleanup(|| OPEN.set(false));
        self.look();
    }

    fn is_changed_untracked(self) -> bool {
        self.draft.with_untracked(|draft| {
            draft
                .as_ref()
                .is_some_and(|draft| !draft.changed().is_empty() || !draft.bad.is_empty())
        })
    }

    /// Whether anything is changed.
    pub fn is_changed(self) -> bool {
        self.edits.track();
        self.is_changed_untracked()
    }

    /// Looks at the draft; nothing before it has come.
    pub fn with<T>(self, look: impl FnOnce(&Draft) -> T) -> Option<T> {
        self.draft.with_untracked(|draft| draft.as_ref().map(look))
    }

    /// The same, and looked at again after each change.
    pub fn watch<T>(self, look: impl FnOnce(&Draft) -> T) -> Option<T> {
        self.draft.with(|draft| draft.as_ref().map(look))
    }

    /// Changes the draft by a stroke in a field; the forms stay as they are.
    pub fn type_in(self, change: impl FnOnce(&mut Draft)) {
        self.draft.update(|draft| {
            if let Some(draft) = draft {
                change(draft);
            }
        });
        self.stirred();
    }

    /// Changes the draft so that forms have other rows.
    pub fn rearrange(self, change: impl FnOnce(&mut Draft)) {
        self.type_in(change);
        self.turn.update(|turn| *turn += 1);
    }

    fn stirred(self) {
        self.outcome.set(None);
        self.written.set(false);
        self.edits.update(|edits| *edits += 1);
        let edit = self.edits.get_untracked();
        set_timeout(
            move || {
                if self.edits.get_untracked() == edit && self.is_changed_untracked() {
                    self.preview();
                }
            },
            PAUSE,
        );
    }

    /// Puts all changes away, and begins from the files as they are.
    pub fn drop_changes(self) {
        let now = self
            .other
            .get_untracked()
            .or_else(|| self.with(|draft| draft.from.clone()));
        if let Some(now) = now {
            self.begin(now);
        }
        self.look();
    }

    fn begin(self, now: FilesNow) {
        self.draft.set(Some(Draft::new(now)));
        self.other.set(None);
        self.conflict.set(None);
        self.outcome.set(None);
        self.trouble.set(None);
        self.edits.update(|edits| *edits += 1);
        self.turn.update(|turn| *turn += 1);
    }

    /// Asks for the files as they are now. What is changed here is never thrown away for it.
    pub fn look(self) {
        leptos::task::spawn_local(async move {
            match ask::json::<FilesNow>(self.app, "/api/files").await {
                Ok(now) => self.seen(now),
                // A lost link says so by itself.
                Err(_) if self.draft.with_untracked(Option::is_some) => {}
                Err(reason) => self.trouble.set(Some(reason)),
            }
        });
    }

    fn seen(self, now: FilesNow) {
        if self.not_now.with_untracked(|known| *known != now.not_now) {
            self.not_now.set(now.not_now.clone());
        }
        let same_texts = self.with(|draft| {
            let version = |files: &FilesNow| -> Vec<String> {
                files
                    .files
                    .iter()
                    .map(|file| file.version.clone())
                    .collect()
            };
            version(&draft.from) == version(&now)
        });
        match same_texts {
            Some(true) => {
                self.other.set(None);
                let stale = self.with(|draft| {
                    let known = &draft.from;
                    known.undo != now.undo
                        || known.files != now.files
                        || known.not_now != now.not_now
                });
                if stale == Some(true) {
                    self.draft.update(|draft| {
                        if let Some(draft) = draft {
                            draft.from = now;
                        }
                    });
                }
            }
            Some(false) if self.is_changed_untracked() && !self.written.get_untracked() => {
                self.other.set(Some(now));
            }
            _ => {
                let written = self.written.get_untracked();
                self.begin(now);
                self.written.set(written);
            }
        }
    }

    fn preview(self) {
        let edit = self.edits.get_untracked();
        let Some(change) = self.with(Draft::change) else {
            return;
        };
        leptos::task::spawn_local(async move {
            let answer = post(self.app, "/api/files/preview", &change).await;
            if self.edits.get_untracked() == edit {
                self.answered(answer);
            }
        });
    }

    fn answered(self, answer: Answer<Outcome>) {
        self.trouble.set(None);
        self.conflict.set(None);
        match answer {
            Answer::Good(outcome) => self.outcome.set(Some(outcome)),
            Answer::Conflict(conflict) => self.conflict.set(Some(*conflict)),
            Answer::No(reason) => self.trouble.set(Some(reason)),
        }
    }

    /// Writes the draft, and has the hub take it up.
    pub fn save(self) {
        let Some(change) = self.with(Draft::change) else {
            return;
        };
        self.ask("/api/files/save", change);
    }

    /// Undoes the last change that was written.
    pub fn undo(self) {
        let undo = self.with(|draft| draft.from.undo.clone()).flatten();
        if let Some(undo) = undo {
            self.ask(
                "/api/files/undo",
                serde_json::json!({ "number": undo.number }),
            );
        }
    }

    /// Has the hub take up what was changed from outside.
    pub fn take_up(self) {
        self.ask("/api/files/take-up", serde_json::json!({}));
    }

    fn ask(self, path: &'static str, body: impl Serialize + 'static) {
        leptos::task::spawn_local(async move {
            match post::<Outcome>(self.app, path, &body).await {
                Answer::Good(outcome) if outcome.written => {
                    self.written.set(true);
                    self.trouble.set(None);
                    self.conflict.set(None);
                    self.outcome.set(None);
                    self.app.notify(say(W::EditWritten).to_owned());
                    self.look();
                }
                answer => self.answered(answer),
            }
        });
    }

    /// What is wrong at a field: the file, and the key's name in it.
    pub fn wrongs_at(self, id: &str, field: &str) -> Vec<Wrong> {
        self.outcome.with(|outcome| {
            let wrongs = outcome.iter().flat_map(|outcome| &outcome.mistakes);
            let here = |wrong: &&Wrong| wrong.id == id && wrong.field == field;
            wrongs.filter(here).cloned().collect()
        })
    }
}

enum Answer<T> {
    Good(T),
    Conflict(Box<Conflict>),
    No(String),
}

/// Sends JSON. A refusal is a conflict, or an outcome with mistakes, or a sentence.
async fn post<T: FromJson>(app: App, path: &str, body: &impl Serialize) -> Answer<T> {
    let body = match serde_json::to_string(body) {
        Ok(body) => body,
        Err(error) => return Answer::No(error.to_string()),
    };
    let text = match ask::text(app, "POST", path, Some(body)).await {
        Ok(text) | Err(text) => text,
    };
    // Both have keys of their own that the other has not.
    if let Ok(conflict) = json::from_str::<Conflict>(&text) {
        return Answer::Conflict(Box::new(conflict));
    }
    match json::from_str(&text) {
        Ok(good) => Answer::Good(good),
        Err(_) => Answer::No(text),
    }
}
