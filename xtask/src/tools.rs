//! `setup`: the tools that building the app needs, at the versions pinned here, into `target/tools` and nowhere else.

use crate::{places, real, shell};
use anyhow::{Result, bail};
use std::{path::PathBuf, process::Command, time::Instant};

/// What the app is compiled to.
pub const WASM: &str = "wasm32-unknown-unknown";
/// Newer ones need a newer compiler than the pinned one.
const TRUNK: &str = "0.21.14";
/// The same version as the `wasm-bindgen` crate in `web-ui/Cargo.toml`: the two must match to the last digit.
const WASM_BINDGEN: &str = "0.2.129";
/// The package `wasm_split_cli_support` cuts the app in two.
const WASM_SPLIT: &str = "0.2.4";
/// The npm package `binaryen` carries `wasm-opt`. Debian 12's own (108) breaks the page though it reports success.
const BINARYEN: &str = "132.0.0";
/// The npm package `axe-core` checks the pages' accessibility in a test.
const AXE: &str = "4.14.1";
/// Runs the fuzz targets; only `fuzz` needs it.
const CARGO_FUZZ: &str = "0.13.2";
/// Those that build; what they built is built again when one changes.
pub const VERSIONS: [&str; 4] = [TRUNK, WASM_BINDGEN, WASM_SPLIT, BINARYEN];
/// They run for a second and are built on every new machine: fast to build matters, fast to run hardly. Trunk's own release
/// profile (one unit, whole-program optimisation) takes more than twice as long to build, for nothing that is felt here.
const TOOL_PROFILE: [(&str, &str); 4] = [
    ("CARGO_PROFILE_RELEASE_LTO", "off"),
    ("CARGO_PROFILE_RELEASE_CODEGEN_UNITS", "32"),
    ("CARGO_PROFILE_RELEASE_OPT_LEVEL", "0"),
    ("CARGO_PROFILE_RELEASE_STRIP", "true"),
];

/// Brings whatever is missing; a second run finds all and does nothing.
///
/// # Errors
/// When a tool that the app cannot be built without does not come.
pub fn setup() -> Result<()> {
    let begun = Instant::now();
    wasm_target()?;
    cargo_tool("trunk", "trunk", TRUNK)?;
    cargo_tool("wasm-bindgen-cli", "wasm-bindgen", WASM_BINDGEN)?;
    cargo_tool("wasm_split_cli_support", "wasm-split-cli", WASM_SPLIT)?;
    npm_packages();
    real::fetch();
    outside();
    if begun.elapsed().as_secs() >= 1 {
        shell::say(format_args!(
            "set up in {:.0} s",
            begun.elapsed().as_secs_f64()
        ));
    }
    Ok(())
}

/// Brings what `fuzz` needs besides.
///
/// # Errors
/// When it does not come.
pub fn cargo_fuzz() -> Result<()> {
    cargo_tool("cargo-fuzz", "cargo-fuzz", CARGO_FUZZ)
}

/// What the tests of live sources hold ours against: decoders from PyPI into `target/reference`, two brokers and a pair of
/// pseudo-terminals from the system's packages. Those tests say in one line what they skip without them, so that a machine that cannot
/// have them still builds and tests all else.
fn outside() {
    if shell::find("python3").is_none() {
        shell::warn("skipped: the outside decoders of CAN and NMEA (no python3 here)");
    } else if let Err(error) = shell::run(
        Command::new("sh")
            .arg("hub/tests/reference/prepare.sh")
            .current_dir(places::root()),
    ) {
        shell::warn(format_args!(
            "skipped: the outside decoders of CAN and NMEA ({error})"
        ));
    }
    // Debian puts servers where only root's PATH looks.
    let there =
        |name: &str| shell::find(name).is_some() || PathBuf::from("/usr/sbin").join(name).is_file();
    let missing: Vec<&str> = [
        ("mosquitto", "mosquitto"),
        ("mosquitto_pub", "mosquitto-clients"),
        ("socat", "socat"),
        ("nats-server", "nats-server"),
    ]
    .into_iter()
    .filter(|(program, _)| !there(program))
    .map(|(_, package)| package)
    .collect();
    if missing.is_empty() {
        return;
    }
    let mut install = match (shell::find("apt-get"), shell::is_root()) {
        (None, _) => return skipped(&missing, "no apt-get here"),
        (Some(_), true) => Command::new("apt-get"),
        (Some(_), false) if can_sudo() => {
            let mut sudo = Command::new("sudo");
            sudo.args(["-n", "apt-get"]);
            sudo
        }
        _ => return skipped(&missing, "neither root nor sudo without a password"),
    };
    shell::say(format_args!("installing {}", missing.join(" and ")));
    install
        .args(["install", "--yes", "--no-install-recommends"])
        .args(&missing)
        .env("DEBIAN_FRONTEND", "noninteractive");
    if let Err(error) = shell::run(&mut install) {
        skipped(&missing, &error.to_string());
    }
}

fn skipped(missing: &[&str], why: &str) {
    shell::warn(format_args!(
        "skipped: {}, for the tests of live sources ({why})",
        missing.join(" and ")
    ));
}

fn can_sudo() -> bool {
    shell::find("sudo").is_some()
        && shell::output(Command::new("sudo").args(["-n", "true"])).is_some()
}

fn wasm_target() -> Result<()> {
    // Asking the compiler where it lives takes a tenth of the time that rustup takes.
    let sysroot = shell::output(
        Command::new("rustc")
            .args(["--print", "sysroot"])
            .current_dir(places::root()),
    );
    if sysroot.is_some_and(|sysroot| {
        PathBuf::from(sysroot)
            .join("lib/rustlib")
            .join(WASM)
            .join("lib")
            .is_dir()
    }) {
        return Ok(());
    }
    if shell::find("rustup").is_none() {
        bail!(
            "this Rust has no {WASM} target and there is no rustup to add it; install the target with your system's packages"
        );
    }
    shell::say(format_args!("adding the Rust target {WASM}"));
    shell::run(
        Command::new("rustup")
            .args(["target", "add", WASM])
            .current_dir(places::root()),
    )
}

/// The checkout's own tool where there is one, else the machine's. Windows looks a bare name up in this task's own PATH, so the place is
/// spelt out.
pub fn own(binary: &str) -> PathBuf {
    let own = places::tools()
        .join("bin")
        .join(format!("{binary}{}", std::env::consts::EXE_SUFFIX));
    if own.is_file() {
        own
    } else {
        PathBuf::from(binary)
    }
}

/// Whether the tool, as the app's build would find it, is of the pinned version: by what it says (`trunk 0.21.14`), or where it says
/// nothing of it, by what cargo has noted of the installation.
fn is_pinned(package: &str, binary: &str, version: &str) -> bool {
    if package == "wasm_split_cli_support" {
        let noted = std::fs::read_to_string(places::tools().join(".crates.toml"));
        let here = own(binary).is_file();
        return here && noted.is_ok_and(|noted| noted.contains(&format!("{package} {version} ")));
    }
    let told = shell::output(Command::new(own(binary)).arg("--version"));
    told.is_some_and(|line| line.split_whitespace().nth(1) == Some(version))
}

fn cargo_tool(package: &str, binary: &str, version: &str) -> Result<()> {
    if is_pinned(package, binary, version) {
        return Ok(());
    }
    shell::say(format_args!(
        "installing {package} {version} into target/tools (once; a few minutes)"
    ));
    let building = places::tools().join("build");
    let mut install = shell::cargo();
    install
        .args(["install", "--locked", "--force", "--root"])
        .arg(places::tools())
        .arg("--target-dir")
        .arg(&building);
    install.args([&format!("{package}@{version}"), "--bin", binary]);
    if package == "trunk" {
        // It is run offline, so it needs neither its downloads' TLS nor its look for updates.
        install.arg("--no-default-features");
    }
    if package == "wasm_split_cli_support" {
        install.args(["--features", "build-binary"]);
    }
    install.envs(TOOL_PROFILE);
    shell::run(&mut install)?;
    // Both tools share what they have in common while they are built; afterwards it is only a gigabyte on the disk.
    if is_pinned("trunk", "trunk", TRUNK)
        && is_pinned("wasm-bindgen-cli", "wasm-bindgen", WASM_BINDGEN)
    {
        let _ = std::fs::remove_dir_all(building);
    }
    if !is_pinned(package, binary, version) {
        bail!("{package} {version} was installed but does not run");
    }
    Ok(())
}

/// Whether an npm package is there at the pinned version.
fn is_npm(package: &str, version: &str) -> bool {
    let file = places::tools()
        .join("node_modules")
        .join(package)
        .join("package.json");
    std::fs::read(file)
        .ok()
        .and_then(|text| serde_json::from_slice::<serde_json::Value>(&text).ok())
        .is_some_and(|manifest| manifest["version"] == version)
}

/// The program that makes the app smaller, where there is one that is known to work.
pub fn own_wasm_opt() -> Option<PathBuf> {
    let path = places::tools()
        .join("node_modules")
        .join(".bin")
        .join("wasm-opt");
    (is_npm("binaryen", BINARYEN) && path.is_file()).then_some(path)
}

/// All in one call: npm takes away again what a call does not name.
fn npm_packages() {
    if own_wasm_opt().is_some() && is_npm("axe-core", AXE) {
        return;
    }
    if shell::find("npm").is_none() {
        shell::warn(
            "no npm here: without wasm-opt the app works all the same and is somewhat bigger, and without axe-core its test of accessibility is skipped",
        );
        return;
    }
    shell::say(format_args!(
        "installing wasm-opt (npm package binaryen {BINARYEN}) and axe-core {AXE} into target/tools"
    ));
    let _ = std::fs::create_dir_all(places::tools());
    let mut npm = Command::new("npm");
    npm.args([
        "install",
        "--no-save",
        "--no-audit",
        "--no-fund",
        "--no-package-lock",
        "--prefix",
    ])
    .arg(places::tools());
    npm.args([format!("binaryen@{BINARYEN}"), format!("axe-core@{AXE}")]);
    if let Err(error) = shell::run(&mut npm) {
        shell::warn(format_args!(
            "{error}: the app may be somewhat bigger, and its test of accessibility may be skipped"
        ));
    }
}
