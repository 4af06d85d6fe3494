//! What browsers are told to forbid: scripts and styles that are not ours, frames, guessing types, telling others where one was.

use super::hosts::Hosts;
use axum::http::{HeaderMap, HeaderName, HeaderValue, header, uri::Authority};
use base64::{Engine, prelude::BASE64_STANDARD};
use ring::digest::{SHA256, digest};

/// The same for every answer.
const ALWAYS: [(HeaderName, &str); 6] = [
    (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
    (header::REFERRER_POLICY, "no-referrer"),
    (header::X_FRAME_OPTIONS, "DENY"),
    (
        HeaderName::from_static("permissions-policy"),
        "accelerometer=(), browsing-topics=(), camera=(), display-capture=(), geolocation=(), gyroscope=(), hid=(), \
         magnetometer=(), microphone=(), midi=(), payment=(), publickey-credentials-get=(), serial=(), usb=(), \
         screen-wake-lock=(self), fullscreen=(self)",
    ),
    (
        HeaderName::from_static("cross-origin-opener-policy"),
        "same-origin",
    ),
    (
        HeaderName::from_static("cross-origin-resource-policy"),
        "same-origin",
    ),
];

/// Puts the headers on an answer; a policy that it has already is its own.
pub fn put(headers: &mut HeaderMap, host: &Authority, hosts: &Hosts) {
    for (name, value) in ALWAYS {
        headers.insert(name, HeaderValue::from_static(value));
    }
    if !headers.contains_key(header::CONTENT_SECURITY_POLICY)
        && let Ok(value) = HeaderValue::from_str(&app(host, hosts))
    {
        headers.insert(header::CONTENT_SECURITY_POLICY, value);
    }
    if !headers.contains_key(header::CACHE_CONTROL) {
        // Readings, the book and codes have no business in a phone's or a proxy's store.
        headers.insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
    }
}

/// The app's. Not every browser takes `'self'` for sockets too, so they are named.
fn app(host: &Authority, hosts: &Hosts) -> String {
    let mut connect = format!("'self' ws://{host} wss://{host}");
    for origin in hosts.origins() {
        let socket = origin.replacen("http", "ws", 1);
        connect += &format!(" {origin} {socket}");
    }
    format!(
        "default-src 'none'; script-src 'self' 'wasm-unsafe-eval'; style-src 'self'; img-src 'self' data: blob:; \
         connect-src {connect}; manifest-src 'self'; worker-src 'self'; base-uri 'none'; form-action 'none'; \
         frame-ancestors 'none'"
    )
}

/// For a page that carries its style with it and runs nothing: the style by its hash, so that nothing else is one.
pub fn of_page(html: &str) -> String {
    let mut styles = String::new();
    for part in html.split("<style>").skip(1) {
        let style = part.split("</style>").next().unwrap_or_default();
        let hash = BASE64_STANDARD.encode(digest(&SHA256, style.as_bytes()));
        styles += &format!(" 'sha256-{hash}'");
    }
    if styles.is_empty() {
        styles = " 'none'".to_owned();
    }
    format!(
        "default-src 'none'; style-src{styles}; img-src 'self' data:; base-uri 'none'; form-action 'none'; \
         frame-ancestors 'none'"
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_style_is_allowed_by_its_hash() {
        // The hash of `*{}`, made with openssl: printf '*{}' | openssl dgst -sha256 -binary | base64
        let policy = of_page("<head><style>*{}</style></head>");
        assert!(
            policy.contains("style-src 'sha256-mXG7JU8TV69JbFGTY1sCBEeSnX7esCXEfbnsKvyjrqE=';"),
            "{policy}"
        );
        assert!(of_page("<p>").contains("style-src 'none';"));
    }
}
