//! Plain requests to the hub, for the book: what is asked for once and may take its time. All that is live comes by the socket.

use crate::{app::App, socket};
use leptos::prelude::*;
use spinover_protocol::json::{self, FromJson};
use wasm_bindgen::{JsCast, JsValue};
use wasm_bindgen_futures::JsFuture;
use web_sys::{Blob, Headers, Request, RequestInit, Response};

/// Where the hub that this phone is at has that page: the page stays when the phone moves over to the second laptop.
pub fn address(path: &str) -> String {
    socket::with(|link| link.target().to_owned()).unwrap_or_default() + path
}

/// What is sent along with a request.
enum Body<'a> {
    None,
    Json(&'a str),
    Bytes(&'a Blob),
}

/// What the hub answers to a request with this device's token, or this person's code: its text, or in words why there is none.
pub async fn text(
    app: App,
    method: &str,
    path: &str,
    body: Option<String>,
) -> Result<String, String> {
    let body = body.as_deref().map_or(Body::None, Body::Json);
    request(app, method, path, body).await
}

/// What the hub answers to a file that is sent to it as it is.
pub async fn file(app: App, path: &str, file: &Blob) -> Result<String, String> {
    request(app, "POST", path, Body::Bytes(file)).await
}

async fn request(app: App, method: &str, path: &str, body: Body<'_>) -> Result<String, String> {
    let token = socket::with(|link| link.token().map(str::to_owned)).flatten();
    let code = token.unwrap_or_else(|| app.person.with_untracked(|person| person.code.clone()));
    let failed = |error: JsValue| {
        let message = js_sys::Reflect::get(&error, &"message".into()).ok();
        message
            .and_then(|text| text.as_string())
            .unwrap_or_default()
    };
    let asked = async {
        let headers = Headers::new()?;
        headers.set("Authorization", &format!("Bearer {code}"))?;
        let init = RequestInit::new();
        init.set_method(method);
        match body {
            Body::None => {}
            Body::Json(text) => {
                headers.set("Content-Type", "application/json")?;
                init.set_body(&JsValue::from_str(text));
            }
            Body::Bytes(blob) => {
                headers.set("Content-Type", "application/octet-stream")?;
                init.set_body(blob);
            }
        }
        init.set_headers(&headers);
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
pub async fn json<T: FromJson>(app: App, path: &str) -> Result<T, String> {
    let text = text(app, "GET", path, None).await?;
    json::from_str(&text).map_err(|error| error.to_string())
}
