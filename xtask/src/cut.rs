//! `cut`: cuts the app that Trunk has built in two, where `#[wasm_split]` says so: what a phone at the car begins with, and the rest,
//! which comes once readings are on the screen. Trunk calls it as its last step, so that the app is the same whoever builds it.

use crate::{places, shell, tools};
use anyhow::{Context, Result, bail};
use std::{
    fs,
    hash::{DefaultHasher, Hash, Hasher},
    path::{Path, PathBuf},
    process::Command,
};

const APP: &str = "spinover-web-ui";
/// What the cutting tool calls the two files that it adds.
const LOADER: &str = "__wasm_split.js";
const REST: &str = "split_rest.wasm";
/// What rustc lets the app use and wasm-opt must therefore let pass.
const WASM_FEATURES: [&str; 6] = [
    "--enable-bulk-memory",
    "--enable-nontrapping-float-to-int",
    "--enable-sign-ext",
    "--enable-mutable-globals",
    "--enable-reference-types",
    "--enable-multivalue",
];
/// What wasm-opt does. The functions are put in the order of their names, so that those made from the same generic one stand together:
/// gzip looks back no further than 32 KB. Names and all else that the browser does not need then go. Nothing of Rust's lies in the
/// first kilobyte of memory: the stack's end is there, and the linker puts all data behind the stack.
const SMALLER: [&str; 5] = [
    "-Oz",
    "--low-memory-unused",
    "--reorder-functions-by-name",
    "--strip-debug",
    "--strip-producers",
];

/// Cuts, and puts the two in place of what Trunk has made of the whole.
///
/// # Errors
/// When Trunk has not called it, or a tool refuses.
pub fn cut() -> Result<()> {
    let staged = std::env::var_os("TRUNK_STAGING_DIR")
        .map(PathBuf::from)
        .context("Trunk calls this, and says where it puts the app")?;
    let built = places::target()
        .join(tools::WASM)
        .join("wasm-release")
        .join(format!("{APP}.wasm"));
    let parts = places::target().join("cut");
    let _ = fs::remove_dir_all(&parts);
    shell::run(
        Command::new(tools::own("wasm-split-cli"))
            .arg(&built)
            .arg(&parts)
            .args(["--out-name", APP]),
    )?;
    let first = format!("{APP}.wasm");
    let wasm_opt = tools::own_wasm_opt();
    let mut bindgen = Command::new(tools::own("wasm-bindgen"));
    bindgen.args(["--target", "web", "--no-typescript", "--keep-lld-exports"]);
    if wasm_opt.is_none() {
        bindgen.arg("--remove-name-section");
    }
    bindgen.arg("--out-dir").arg(&staged);
    shell::run(bindgen.arg(parts.join(&first)))?;
    let others: Vec<String> = fs::read_dir(&parts)?
        .flatten()
        .filter_map(|entry| entry.file_name().into_string().ok())
        .filter(|name| name.ends_with(".wasm") && *name != first)
        .collect();
    if others != [REST] {
        bail!("the app was to be cut in two; beside {first} there is {others:?}");
    }
    // An open page must never take the other half of a newer app: the rest goes by the name of the first half it belongs to, and an
    // older page finds nothing.
    let mut hasher = DefaultHasher::new();
    fs::read(parts.join(&first))?.hash(&mut hasher);
    let rest = format!("rest-{:016x}.wasm", hasher.finish());
    let loader = fs::read_to_string(parts.join(LOADER))?;
    if !loader.contains(REST) {
        bail!("{LOADER} does not load {REST}");
    }
    fs::write(staged.join(LOADER), loader.replace(REST, &rest))?;
    let first = staged.join(format!("{APP}_bg.wasm"));
    let rest_to = staged.join(&rest);
    fs::copy(parts.join(REST), &rest_to)?;
    for file in [&first, &rest_to] {
        let before = fs::metadata(file)?.len();
        if let Some(wasm_opt) = &wasm_opt {
            make_smaller(wasm_opt, file)?;
        }
        shell::say(format_args!(
            "{}: {} KB, {} KB before wasm-opt",
            file.file_name().unwrap_or_default().display(),
            fs::metadata(file)?.len() / 1000,
            before / 1000
        ));
    }
    Ok(())
}

fn make_smaller(wasm_opt: &Path, wasm: &Path) -> Result<()> {
    let small = wasm.with_extension("small");
    shell::run(
        Command::new(wasm_opt)
            .args(SMALLER)
            .args(WASM_FEATURES)
            .arg(wasm)
            .arg("-o")
            .arg(&small),
    )?;
    fs::rename(small, wasm)?;
    Ok(())
}
