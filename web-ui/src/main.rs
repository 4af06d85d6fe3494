//! The crew's pages: a thin shell around the protocol's link, and the screens.
//!
//! What tests can hold on to is listed in `TESTING.md` beside the manifest.
//!
//! In a browser this is the app. Elsewhere only the pure modules are built, so that `cargo test` proves them in seconds.
#![forbid(unsafe_code)]
#![cfg_attr(not(target_arch = "wasm32"), allow(dead_code))]

mod pure;
mod words;

#[cfg(target_arch = "wasm32")]
mod app;
#[cfg(target_arch = "wasm32")]
mod ask;
#[cfg(target_arch = "wasm32")]
mod desk;
#[cfg(target_arch = "wasm32")]
mod pages;
#[cfg(target_arch = "wasm32")]
mod parts;
#[cfg(target_arch = "wasm32")]
mod photo;
#[cfg(target_arch = "wasm32")]
mod player;
#[cfg(target_arch = "wasm32")]
mod socket;
#[cfg(target_arch = "wasm32")]
mod speech;
#[cfg(target_arch = "wasm32")]
mod store;
#[cfg(target_arch = "wasm32")]
mod wake;
#[cfg(target_arch = "wasm32")]
mod wanted;

#[cfg(target_arch = "wasm32")]
fn main() {
    console_error_panic_hook::set_once();
    leptos::mount::mount_to_body(pages::Root);
}

#[cfg(not(target_arch = "wasm32"))]
fn main() {
    eprintln!("This is the browser app; `cargo xtask demo` builds it and serves it.");
    std::process::exit(2);
}
