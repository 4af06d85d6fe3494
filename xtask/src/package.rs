//! `package`: one archive with all that a pit laptop needs: the binary with the app inside, demo files, a service unit, the licences.

use crate::{app, places, shell};
use anyhow::{Context, Result, bail};
use std::{
    fs,
    path::{Path, PathBuf},
    process::Command,
};

/// Builds the release and packs it.
///
/// # Errors
/// When it does not build, or a file that belongs in is missing.
pub fn package() -> Result<()> {
    app::build(true)?;
    let hub = places::hub(true);
    let version =
        shell::output(Command::new(&hub).arg("--version")).context("the built hub does not run")?;
    let version = version
        .split_whitespace()
        .last()
        .context("the hub told no version")?
        .to_owned();
    let name = format!("spinover-{version}-{}", shell::host()?);
    let folder = places::target().join("package");
    let staged = folder.join(&name);
    let _ = fs::remove_dir_all(&staged);
    fs::create_dir_all(&staged)?;
    fs::copy(&hub, staged.join(hub.file_name().context("a file name")?))?;
    for file in ["README.md", "LICENSE-MIT", "LICENSE-APACHE"] {
        copy(&places::root().join(file), &staged.join(file))?;
    }
    copy(&places::root().join("hub/demo"), &staged.join("demo"))?;
    fs::create_dir_all(staged.join("docs"))?;
    for entry in fs::read_dir(places::root().join("docs"))?.flatten() {
        let path = entry.path();
        if path.extension().is_some_and(|end| end == "md") {
            copy(&path, &staged.join("docs").join(entry.file_name()))?;
        }
    }
    fs::write(staged.join("spinover.service"), UNIT)?;
    let archive = folder.join(format!("{name}.tar.gz"));
    let _ = fs::remove_file(&archive);
    shell::run(
        Command::new("tar")
            .arg("-czf")
            .arg(&archive)
            .arg("-C")
            .arg(&folder)
            .arg(&name),
    )?;
    shell::say(format_args!(
        "{} ({:.1} MB; the binary alone {:.1} MB)",
        archive
            .strip_prefix(places::root())
            .unwrap_or(&archive)
            .display(),
        megabytes(&archive)?,
        megabytes(&hub)?
    ));
    Ok(())
}

/// Runs the hub as a user of its own that can write to its own folder and nothing else.
const UNIT: &str = "\
# Install: copy the binary to /usr/local/bin, the car file and the sheet to /etc/spinover, this file to
# /etc/systemd/system; set the codes in /etc/spinover/codes; then: systemctl enable --now spinover
[Unit]
Description=Spinover, the warm-up hub of the pit
After=network.target

[Service]
# /etc/spinover/codes holds SPINOVER_CREW_CODE=... and SPINOVER_CHIEF_CODE=..., readable by root only.
EnvironmentFile=-/etc/spinover/codes
ExecStart=/usr/local/bin/spinover serve --car /etc/spinover/car.toml --sheet /etc/spinover/sheet.toml --data /var/lib/spinover --listen 0.0.0.0:8080
DynamicUser=yes
StateDirectory=spinover
Restart=always
RestartSec=1
NoNewPrivileges=yes
ProtectSystem=strict
ProtectHome=yes
PrivateTmp=yes
# A serial instrument is read by the group that owns it.
SupplementaryGroups=dialout

[Install]
WantedBy=multi-user.target
";

fn copy(from: &Path, to: &Path) -> Result<()> {
    if from.is_dir() {
        fs::create_dir_all(to)?;
        let mut entries: Vec<PathBuf> = fs::read_dir(from)?
            .flatten()
            .map(|entry| entry.path())
            .collect();
        entries.sort();
        for entry in entries {
            copy(&entry, &to.join(entry.file_name().context("a file name")?))?;
        }
    } else if from.is_file() {
        fs::copy(from, to)?;
    } else {
        bail!("{} is missing", from.display());
    }
    Ok(())
}

fn megabytes(path: &Path) -> Result<f64> {
    Ok(fs::metadata(path)?.len() as f64 / 1e6)
}
