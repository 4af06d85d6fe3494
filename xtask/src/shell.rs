//! Running other programs: said before, their output passed through, a failure told in words.

use crate::places;
use anyhow::{Context, Result, bail};
use std::{
    env,
    ffi::OsString,
    path::{Path, PathBuf},
    process::{Command, ExitStatus, Stdio},
};

/// Tells what is being done.
pub fn say(text: impl std::fmt::Display) {
    eprintln!("· {text}");
}

/// Tells what could not be done, and goes on.
pub fn warn(text: impl std::fmt::Display) {
    eprintln!("! {text}");
}

/// The cargo that started this task.
pub fn cargo() -> Command {
    let cargo = env::var_os("CARGO").unwrap_or_else(|| "cargo".into());
    let mut command = Command::new(cargo);
    command.current_dir(places::root());
    // What cargo set for the task itself would make build scripts of other packages run again.
    for (name, _) in env::vars_os() {
        let text = name.to_string_lossy();
        if text.starts_with("CARGO_PKG_")
            || text.starts_with("CARGO_MANIFEST_")
            || text == "OUT_DIR"
        {
            command.env_remove(&name);
        }
    }
    command
}

/// Runs it with its output passed through.
///
/// # Errors
/// When it cannot be started or fails.
pub fn run(command: &mut Command) -> Result<()> {
    let status = status(command)?;
    if !status.success() {
        bail!("`{}` failed ({status})", words(command));
    }
    Ok(())
}

/// Runs it with its output passed through, and tells how it ended.
///
/// # Errors
/// When it cannot be started.
pub fn status(command: &mut Command) -> Result<ExitStatus> {
    command
        .status()
        .with_context(|| format!("cannot start `{}`", words(command)))
}

/// What it prints, when it can be run and succeeds.
pub fn output(command: &mut Command) -> Option<String> {
    let output = command
        .stdin(Stdio::null())
        .stderr(Stdio::null())
        .output()
        .ok()?;
    output
        .status
        .success()
        .then(|| String::from_utf8_lossy(&output.stdout).trim().to_owned())
}

/// The program of that name on the PATH.
pub fn find(name: &str) -> Option<PathBuf> {
    let file = format!("{name}{}", env::consts::EXE_SUFFIX);
    env::split_paths(&env::var_os("PATH")?)
        .map(|folder| folder.join(&file))
        .find(|path| is_program(path))
}

/// The PATH with the checkout's own tools first.
pub fn path_with_tools() -> OsString {
    let mut folders = vec![
        places::tools().join("bin"),
        places::tools().join("node_modules").join(".bin"),
    ];
    folders.extend(env::var_os("PATH").iter().flat_map(env::split_paths));
    env::join_paths(folders).unwrap_or_else(|_| env::var_os("PATH").unwrap_or_default())
}

/// The kind of machine that the compiler makes programs for by itself.
///
/// # Errors
/// When there is no compiler.
pub fn host() -> Result<String> {
    let told = output(Command::new("rustc").arg("-vV").current_dir(places::root()))
        .context("rustc does not run")?;
    let host = told.lines().find_map(|line| line.strip_prefix("host: "));
    Ok(host.context("rustc told no host")?.to_owned())
}

/// Whether this is the machine's administrator, who may install packages.
pub fn is_root() -> bool {
    output(Command::new("id").arg("-u")).as_deref() == Some("0")
}

#[cfg(unix)]
fn is_program(path: &Path) -> bool {
    use std::os::unix::fs::PermissionsExt;
    path.metadata()
        .is_ok_and(|meta| meta.is_file() && meta.permissions().mode() & 0o111 != 0)
}

#[cfg(not(unix))]
fn is_program(path: &Path) -> bool {
    path.is_file()
}

fn words(command: &Command) -> String {
    let words: Vec<_> = [command.get_program()]
        .into_iter()
        .chain(command.get_args())
        .map(|word| word.to_string_lossy())
        .collect();
    words.join(" ")
}
