//! Where things are in the checkout. No work is done here.

use std::path::PathBuf;

/// The top of the checkout.
pub fn root() -> PathBuf {
    // Cargo sets it for `cargo run`; started by hand, the task runs from the top.
    let here = std::env::var_os("CARGO_MANIFEST_DIR")
        .map_or_else(|| PathBuf::from("xtask"), PathBuf::from);
    here.parent()
        .map_or_else(|| PathBuf::from("."), PathBuf::from)
}

/// What cargo writes.
pub fn target() -> PathBuf {
    std::env::var_os("CARGO_TARGET_DIR").map_or_else(|| root().join("target"), PathBuf::from)
}

/// The tools that set-up brings, for this checkout alone.
pub fn tools() -> PathBuf {
    target().join("tools")
}

/// The real cold start.
pub fn real_recording() -> PathBuf {
    target().join("real").join("ground-run.csv")
}

/// The built app.
pub fn dist() -> PathBuf {
    root().join("web-ui").join("dist")
}

/// The hub that a profile builds.
pub fn hub(release: bool) -> PathBuf {
    let name = format!("spinover{}", std::env::consts::EXE_SUFFIX);
    target()
        .join(if release { "release" } else { "debug" })
        .join(name)
}
