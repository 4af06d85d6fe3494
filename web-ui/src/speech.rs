//! Calls and alarms spoken by the browser, where that is switched on. What cannot be spoken is on the screen all the same.

use crate::{app::App, words};
use leptos::prelude::{GetUntracked, window};
use wasm_bindgen::JsValue;
use web_sys::SpeechSynthesisUtterance;

/// Speaks the words after whatever is being spoken; nothing where this phone has it switched off, or has no voice.
pub fn say(app: App, text: &str) {
    let window = window();
    // Asking a browser for what it does not have would throw.
    let there = js_sys::Reflect::get(&window, &JsValue::from("speechSynthesis"))
        .is_ok_and(|voice| voice.is_object());
    if !app.settings.get_untracked().speech || !there {
        return;
    }
    if let (Ok(voice), Ok(words)) = (
        window.speech_synthesis(),
        SpeechSynthesisUtterance::new_with_text(text),
    ) {
        words.set_lang(words::spoken().tag());
        voice.speak(&words);
    }
}
