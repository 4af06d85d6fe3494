//! What this phone remembers between visits, in the browser's local storage. Where there is none, nothing is remembered and all else works.

use crate::{pure::show::Units, words::Language};
use wasm_bindgen::JsCast;

const PREFIX: &str = "spinover.";

fn storage() -> Option<web_sys::Storage> {
    web_sys::window()?.local_storage().ok().flatten()
}

fn get(key: &str) -> Option<String> {
    storage()?
        .get_item(&(PREFIX.to_owned() + key))
        .ok()
        .flatten()
        .filter(|text| !text.is_empty())
}

fn set(key: &str, value: &str) {
    if let Some(storage) = storage() {
        // A full or forbidden storage costs the convenience, not the session.
        let _ = storage.set_item(&(PREFIX.to_owned() + key), value);
    }
}

/// Who this phone joins as.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Person {
    /// The name; empty before the first visit.
    pub name: String,
    /// The code; empty when there is none.
    pub code: String,
    /// The role; empty before one was chosen.
    pub role: String,
}

impl Person {
    /// As remembered.
    pub fn load() -> Self {
        let text = |key| get(key).unwrap_or_default();
        Self {
            name: text("name"),
            code: text("code"),
            role: text("role"),
        }
    }

    /// Remembers.
    pub fn save(&self) {
        set("name", &self.name);
        set("code", &self.code);
        set("role", &self.role);
    }
}

/// How this phone shows things.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Settings {
    /// Units.
    pub units: Units,
    /// Light ink on dark.
    pub night: bool,
    /// Language: as chosen, else the browser's where the app speaks it.
    pub language: Language,
    /// Calls and alarms are spoken.
    pub speech: bool,
    /// Single keys of a keyboard go to pages and open sheets.
    pub shortcuts: bool,
}

impl Settings {
    /// As remembered.
    pub fn load() -> Self {
        Self {
            units: Units::from_key(&get("units").unwrap_or_default()),
            night: get("light").as_deref() == Some("night"),
            language: get("language")
                .or_else(|| web_sys::window()?.navigator().language())
                .and_then(|tag| Language::from_tag(&tag))
                .unwrap_or_default(),
            speech: get("speech").as_deref() == Some("on"),
            shortcuts: get("shortcuts").as_deref() != Some("off"),
        }
    }

    /// Remembers.
    pub fn save(&self) {
        set("units", self.units.key());
        set("light", if self.night { "night" } else { "day" });
        set("speech", if self.speech { "on" } else { "off" });
        set("shortcuts", if self.shortcuts { "on" } else { "off" });
    }

    /// Remembers the language, once it was chosen; until then the browser's goes on to hold.
    pub fn save_language(&self) {
        set("language", self.language.tag());
    }
}

/// Whether the cautions were read and understood on this phone.
pub fn cautions_read() -> bool {
    get("cautions").as_deref() == Some("1")
}

/// Remembers that they were.
pub fn set_cautions_read() {
    set("cautions", "1");
}

/// The phone's own name: made once, then kept. Kept for this visit only where nothing can be stored.
pub fn device() -> String {
    if let Some(known) = get("device").filter(|known| known.len() >= 16) {
        return known;
    }
    let made = random_name();
    set("device", &made);
    made
}

/// What a device joins by in place of the code: this browser's, and the wall's where it is one too.
fn token_key(device: &str) -> &'static str {
    if device.ends_with("-wall") {
        "token-wall"
    } else {
        "token"
    }
}

/// The token that the hub gave a device of this browser.
pub fn token(device: &str) -> Option<String> {
    get(token_key(device))
}

/// Remembers it.
pub fn set_token(device: &str, token: &str) {
    set(token_key(device), token);
}

/// Forgets them: another code was given, or the chief has put this device out.
pub fn forget_tokens() {
    set("token", "");
    set("token-wall", "");
}

/// Twenty characters of `a-z 0-9` that nobody else will make.
pub fn random_name() -> String {
    const LETTERS: &[u8; 32] = b"abcdefghijkmnopqrstuvwxyz2345678";
    random_bytes()
        .iter()
        .map(|byte| char::from(LETTERS[usize::from(byte % 32)]))
        .collect()
}

/// A seed that differs between phones.
pub fn seed() -> u64 {
    random_bytes()
        .iter()
        .take(8)
        .fold(0, |seed, byte| seed << 8 | u64::from(*byte))
}

fn random_bytes() -> [u8; 20] {
    let mut bytes = [0; 20];
    let crypto = web_sys::window().and_then(|window| window.crypto().ok());
    let filled =
        crypto.is_some_and(|crypto| crypto.get_random_values_with_u8_array(&mut bytes).is_ok());
    if !filled {
        bytes.fill_with(|| (js_sys::Math::random() * 256.0) as u8);
    }
    bytes
}

/// Buzzes, where the phone can; a list of on and off times in milliseconds.
pub fn vibrate(pattern: &[u32]) {
    let Some(window) = web_sys::window() else {
        return;
    };
    let navigator = window.navigator();
    // Not every browser has it, and asking a missing one throws; and before the page has been touched it is refused with a complaint.
    let get = |from: &wasm_bindgen::JsValue, name: &str| {
        js_sys::Reflect::get(from, &name.into()).unwrap_or_default()
    };
    let touched = get(&get(&navigator, "userActivation"), "hasBeenActive").as_bool() != Some(false);
    if touched && get(&navigator, "vibrate").is_function() {
        let list: js_sys::Array = pattern
            .iter()
            .map(|ms| wasm_bindgen::JsValue::from(*ms))
            .collect();
        let _ = navigator.vibrate_with_pattern(list.unchecked_ref());
    }
}
