//! Keeps the screen awake while the app is open, where the browser can: only in a secure context, so not on plain HTTP.

use wasm_bindgen::{JsCast, JsValue, closure::Closure};

fn get(from: &JsValue, name: &str) -> JsValue {
    js_sys::Reflect::get(from, &name.into()).unwrap_or_default()
}

/// Asks for the screen to stay awake. The browser takes it back whenever the page is hidden, so it is asked again each time it is shown.
pub fn keep_awake() {
    let Some(window) = web_sys::window() else {
        return;
    };
    let lock = get(&window.navigator(), "wakeLock");
    let Ok(request) = get(&lock, "request").dyn_into::<js_sys::Function>() else {
        return;
    };
    let Ok(promise) = request.call1(&lock, &"screen".into()) else {
        return;
    };
    if let Ok(promise) = promise.dyn_into::<js_sys::Promise>() {
        // A low battery refuses it; nothing can be done about that here, and an unhandled refusal would only fill the console.
        let refused = Closure::once_into_js(|_: JsValue| {});
        let _ = get(&promise, "catch")
            .dyn_into::<js_sys::Function>()
            .map(|catch| catch.call1(&promise, &refused));
    }
}
