//! `build` and `demo`: the app by Trunk, then the hub with the app inside.

use crate::{places, real, shell, tools};
use anyhow::{Context, Result, bail};
use std::{
    fs,
    hash::{DefaultHasher, Hash, Hasher},
    path::{Path, PathBuf},
    process::{Command, ExitCode},
};

/// What the app is built from. The hub's own sources are not among it.
const APP_SOURCES: [&str; 7] = [
    ".cargo",
    "web-ui",
    "protocol",
    "Trunk.toml",
    "Cargo.toml",
    "Cargo.lock",
    "rust-toolchain.toml",
];
/// Sets up and builds both.
///
/// # Errors
/// When either does not build.
pub fn build(release: bool) -> Result<()> {
    tools::setup()?;
    build_app()?;
    shell::say(format_args!(
        "building the hub{}",
        if release { ", optimised" } else { "" }
    ));
    let mut cargo = shell::cargo();
    cargo.args(["build", "-p", "spinover"]);
    if release {
        cargo.arg("--release");
    }
    shell::run(&mut cargo)
}

/// Builds the app into `web-ui/dist`, unless what is there was built from these very sources by these very tools.
///
/// # Errors
/// When it does not build.
pub fn build_app() -> Result<()> {
    let dist = places::dist();
    let stamp_file = places::target().join("app.stamp");
    let stamp = stamp()?;
    if dist.join("index.html").is_file()
        && fs::read_to_string(&stamp_file).is_ok_and(|known| known == stamp)
    {
        return Ok(());
    }
    shell::say("building the app (Trunk)");
    // Trunk is run offline, so that it looks for no tools of its own; it hands that on to cargo, which must have all it needs.
    let host = shell::host()?;
    shell::run(shell::cargo().args(["fetch", "--target", tools::WASM, "--target", &host]))?;
    let _ = fs::remove_file(&stamp_file);
    let mut trunk = Command::new(tools::own("trunk"));
    trunk
        .args(["build", "--release", "--offline", "--skip-version-check"])
        .current_dir(places::root());
    // Trunk takes NO_COLOR only as `true` or `false`, while the custom is any value.
    trunk
        .env("PATH", shell::path_with_tools())
        .env_remove("NO_COLOR");
    shell::run(&mut trunk)?;
    fs::write(stamp_file, stamp)?;
    Ok(())
}

/// Sets up, builds and becomes the demo hub.
///
/// # Errors
/// When anything before the hub's own start fails.
pub fn demo(args: &[String]) -> Result<ExitCode> {
    let mut args: Vec<&str> = args
        .iter()
        .map(String::as_str)
        .filter(|arg| *arg != "--")
        .collect();
    let release = take(&mut args, "--release");
    let real = take(&mut args, "--real");
    build(release)?;
    let mut hub = Command::new(places::hub(release));
    hub.arg("demo");
    if real {
        let recording = places::real_recording();
        if !recording.is_file() {
            real::fetch();
        }
        if !recording.is_file() {
            bail!(
                "there is no real recording to replay; the simulated car (`cargo xtask demo`) needs none"
            );
        }
        hub.arg("--real").arg(recording);
    }
    hub.args(args);
    become_it(hub)
}

/// Hands the terminal over, so that Ctrl-C reaches the hub alone and its exit code is the task's.
#[cfg(unix)]
fn become_it(mut command: Command) -> Result<ExitCode> {
    use std::os::unix::process::CommandExt;
    Err(command.exec()).context("cannot start the hub")
}

#[cfg(not(unix))]
fn become_it(mut command: Command) -> Result<ExitCode> {
    let code = shell::status(&mut command)?
        .code()
        .and_then(|code| u8::try_from(code).ok());
    Ok(ExitCode::from(code.unwrap_or(1)))
}

fn take(args: &mut Vec<&str>, flag: &str) -> bool {
    let before = args.len();
    args.retain(|arg| *arg != flag);
    args.len() < before
}

/// Changes when a source of the app does, or a tool.
fn stamp() -> Result<String> {
    let mut hasher = DefaultHasher::new();
    for source in APP_SOURCES {
        for path in files(&places::root().join(source))? {
            path.hash(&mut hasher);
            fs::read(&path)
                .with_context(|| path.display().to_string())?
                .hash(&mut hasher);
        }
    }
    tools::VERSIONS.hash(&mut hasher);
    tools::own_wasm_opt().is_some().hash(&mut hasher);
    Ok(format!("{:016x}\n", hasher.finish()))
}

/// Every file at or under that path, in a fixed order; what was built is left out.
fn files(path: &Path) -> Result<Vec<PathBuf>> {
    let mut found = Vec::new();
    if path.is_file() {
        found.push(path.to_owned());
    } else if path.is_dir() {
        let mut entries: Vec<PathBuf> = fs::read_dir(path)?
            .flatten()
            .map(|entry| entry.path())
            .collect();
        entries.sort();
        for entry in entries {
            if *entry != places::dist() && !entry.ends_with("target") {
                found.extend(files(&entry)?);
            }
        }
    }
    Ok(found)
}
