//! Plain requests to the hub, for the book: what is asked for once and may take its time. All that is live comes by the socket.

use crate::{app::App, socket};
use leptos::prelude::*;
use serde::de::DeserializeOwned;
use wasm_bindgen::{JsCast, JsValue};
use wasm_bindgen_futures::JsFuture;
use web_sys::{Headers, Request, RequestInit, Response};

/// Where the hub that this phone is at has that page: the page stays when the phone moves over to the second laptop.
pub fn address(path: &str) -> String {
    socket::with(|link| link.target().to_owned()).unwrap_or_default() + path
}

/// What the hub answers to a request with this person's code: its text, or in words why there is none.
pub async fn text(
    app: App,
    method: &str,
    path: &str,
    body: Option<String>,
) -> Result<String, String> {
    let code = app.person.with_untracked(|person| person.code.clone());
    let failed = |error: JsValue| {
        let message = js_sys::Reflect::get(&error, &"message".into()).ok();
        message
            .and_then(|text| text.as_string())
            .unwrap_or_default()
    };
    let asked = async {
        let headers = Headers::new()?;
        headers.set("Authorization", &format!("Bearer {code}"))?;
        if body.is_some() {
            headers.set("Content-Type", "application/json")?;
        }
        let init = RequestInit::new();
        init.set_method(method);
        init.set_headers(&headers);
        if let Some(body) = &body {
            init.set_body(&JsValue::from_str(body));
        }
        let request = Request::new_with_str_and_init(&address(path), &init)?;
        let response: Response = JsFuture::from(window().fetch_with_request(&request))
            .await?
            .dyn_into()?;
        let text = JsFuture::from(response.text()?).await?;
        Ok::<_, JsValue>((response.ok(), text.as_string().unwrap_or_default()))
    };
    match asked.await {
        Ok((true, text)) => Ok(text),
        Ok((false, reason)) => Err(reason.trim().to_owned()),
        Err(error) => Err(failed(error)),
    }
}

/// The same, where the answer is JSON.
pub async fn json<T: DeserializeOwned>(app: App, path: &str) -> Result<T, String> {
    let text = text(app, "GET", path, None).await?;
    serde_json::from_str(&text).map_err(|error| error.to_string())
}
