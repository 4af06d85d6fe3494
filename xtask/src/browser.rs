//! Chromium and its driver for the browser tests: found, or installed where that can be done, or asked for in words.

use crate::shell;
use anyhow::{Result, bail};
use std::{fs, path::PathBuf, process::Command};

/// The two programs.
pub struct Browser {
    /// The browser.
    pub chromium: PathBuf,
    /// What drives it.
    pub driver: PathBuf,
}

const CHROMIUM_NAMES: [&str; 4] = [
    "chromium",
    "chromium-browser",
    "google-chrome-stable",
    "google-chrome",
];
/// Some systems keep the driver beside the browser and off the PATH.
const DRIVER_PLACES: [&str; 3] = [
    "/usr/lib/chromium/chromedriver",
    "/usr/lib/chromium-browser/chromedriver",
    "/snap/bin/chromium.chromedriver",
];

/// Finds both, or installs them as root on Debian or Ubuntu.
///
/// # Errors
/// When they are not there and cannot be installed, with what to do about it.
pub fn ensure() -> Result<Browser> {
    if let Some(found) = find() {
        return Ok(found);
    }
    install()?;
    match find() {
        Some(found) => Ok(found),
        None => bail!(
            "the packages were installed, but there is no chromium or no chromedriver among them; {ADVICE}"
        ),
    }
}

const ADVICE: &str = "the browser tests need Chromium (or Chrome) and the ChromeDriver of the same version. Install both, so that \
    `chromium` and `chromedriver` are on the PATH, or name them in SPINOVER_CHROMIUM and SPINOVER_CHROMEDRIVER. \
    Debian: apt-get install chromium chromium-driver. Fedora: dnf install chromium chromedriver. Arch: pacman -S chromium";

fn find() -> Option<Browser> {
    let named = |variable: &str| {
        std::env::var_os(variable)
            .map(PathBuf::from)
            .filter(|path| path.is_file())
    };
    let chromium =
        named("SPINOVER_CHROMIUM").or_else(|| CHROMIUM_NAMES.into_iter().find_map(shell::find))?;
    let driver = named("SPINOVER_CHROMEDRIVER")
        .or_else(|| shell::find("chromedriver"))
        .or_else(|| {
            DRIVER_PLACES
                .into_iter()
                .map(PathBuf::from)
                .find(|path| path.is_file())
        })?;
    Some(Browser { chromium, driver })
}

fn install() -> Result<()> {
    let system = fs::read_to_string("/etc/os-release").unwrap_or_default();
    let is = |name: &str| {
        system
            .lines()
            .any(|line| line.trim_matches('"').replace('"', "") == format!("ID={name}"))
    };
    let packages: &[&str] = if is("debian") {
        &["chromium", "chromium-driver", "fonts-liberation"]
    } else if is("ubuntu") {
        &[
            "chromium-browser",
            "chromium-chromedriver",
            "fonts-liberation",
        ]
    } else {
        bail!(
            "no Chromium or no ChromeDriver found, and this is neither Debian nor Ubuntu; {ADVICE}"
        );
    };
    if !shell::is_root() {
        bail!("no Chromium or no ChromeDriver found, and only root can install them; {ADVICE}");
    }
    shell::say(format_args!(
        "installing {} with apt-get",
        packages.join(", ")
    ));
    let apt = |args: &[&str]| {
        shell::run(
            Command::new("apt-get")
                .args(args)
                .env("DEBIAN_FRONTEND", "noninteractive"),
        )
    };
    apt(&["update", "-q"])?;
    apt(&[
        &["install", "-q", "-y", "--no-install-recommends"],
        packages,
    ]
    .concat())
}
