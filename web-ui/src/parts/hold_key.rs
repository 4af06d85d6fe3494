//! A key that does nothing until it has been held: a sleeve, a brush or a bump cannot press it.

use crate::store;
use leptos::{ev, prelude::*};
use std::time::Duration;
use wasm_bindgen::JsCast;

/// How long a stop is held: short enough for an emergency, longer than a knock.
pub const STOP_MS: u32 = 500;
/// How long a mark is held.
pub const MARK_MS: u32 = 800;
/// How long an abort is held.
pub const ABORT_MS: u32 = 1_000;

/// A key to press and hold, with pointer or keyboard; the stylesheet fills it while it is held.
#[component]
pub fn HoldKey(
    /// What it says.
    #[prop(into)]
    label: Signal<String>,
    /// How long it is held, in milliseconds: one of those above, as the stylesheet knows them.
    ms: u32,
    /// Its name for tests.
    #[prop(into)]
    test: String,
    /// Its look.
    #[prop(optional)]
    class: &'static str,
    /// It cannot be held now.
    #[prop(optional, into)]
    off: Signal<bool>,
    /// What holding it does.
    #[prop(into)]
    done: Callback<()>,
) -> impl IntoView {
    let holding = RwSignal::new(false);
    let fired = RwSignal::new(false);
    let timer = StoredValue::new(None::<TimeoutHandle>);
    let release = move || {
        if let Some(timer) = timer.try_update_value(Option::take).flatten() {
            timer.clear();
        }
        holding.try_set(false);
    };
    let press = move || {
        if off.get_untracked() || holding.get_untracked() {
            return;
        }
        fired.set(false);
        holding.set(true);
        store::vibrate(&[10]);
        let handle = set_timeout_with_handle(
            move || {
                timer.try_set_value(None);
                // The page may have gone while the key was held; then nobody held this key any more.
                if holding.try_get_untracked() == Some(true) {
                    holding.set(false);
                    fired.set(true);
                    store::vibrate(&[60]);
                    done.run(());
                    set_timeout(
                        move || {
                            let _ = fired.try_set(false);
                        },
                        Duration::from_millis(700),
                    );
                }
            },
            Duration::from_millis(u64::from(ms)),
        );
        timer.set_value(handle.ok());
    };
    on_cleanup(release);
    let pointer_down = move |event: ev::PointerEvent| {
        if event.button() == 0 && event.is_primary() {
            // A finger in a glove rolls; the key stays held until it is lifted.
            if let Some(target) = event
                .current_target()
                .and_then(|target| target.dyn_into::<web_sys::Element>().ok())
            {
                let _ = target.set_pointer_capture(event.pointer_id());
            }
            press();
        }
    };
    let is_key = |event: &ev::KeyboardEvent| matches!(event.key().as_str(), " " | "Enter");
    let key_down = move |event: ev::KeyboardEvent| {
        if is_key(&event) {
            event.prevent_default();
            if !event.repeat() {
                press();
            }
        }
    };
    view! {
        <button
            type="button"
            class=move || format!("key hold {class}")
            class:holding=holding
            class:fired=fired
            data-ms=ms
            data-test=test
            aria-disabled=move || if off.get() { "true" } else { "false" }
            on:pointerdown=pointer_down
            on:pointerup=move |_| release()
            on:pointercancel=move |_| release()
            on:keydown=key_down
            on:keyup=move |event| { if is_key(&event) { release() } }
            on:blur=move |_| release()
            on:contextmenu=move |event| event.prevent_default()
        >
            <span class="hold-label">{move || label.get()}</span>
        </button>
    }
}
