//! `fuzz`: builds a fuzz target of `tests/fuzz` and runs it for a while. What is checked is theirs; here it is only started.

use crate::{places, shell, tools};
use anyhow::{Context, Result, bail};
use std::{
    fs,
    path::PathBuf,
    process::{Command, Stdio},
};

/// How long each target runs when nothing is said, in seconds.
const SECONDS: &str = "60";
/// Memory that a run may take, in MB; an input that needs more is reported as a finding.
const MEMORY_MB: u32 = 2048;
/// An input that takes longer is reported, in seconds.
const SLOW_S: u32 = 20;

/// Runs one target, or `all`, for so many seconds each.
///
/// # Errors
/// When there is none of that name, or one finds something; the input is then in `target/fuzz/found`.
pub fn fuzz(args: &[String]) -> Result<()> {
    let names = names()?;
    let (name, seconds) = match args {
        [] => {
            println!("{}", names.join("\n"));
            return Ok(());
        }
        [name] => (name.as_str(), SECONDS),
        [name, seconds] => (name.as_str(), seconds.as_str()),
        _ => bail!("only TARGET and SECONDS can follow"),
    };
    let seconds: u32 = seconds
        .parse()
        .with_context(|| format!("{seconds} is no number of seconds"))?;
    let chosen: Vec<&String> = names
        .iter()
        .filter(|known| name == "all" || *known == name)
        .collect();
    if chosen.is_empty() {
        bail!(
            "there is no target `{name}`; there are: all, {}",
            names.join(", ")
        );
    }
    tools::cargo_fuzz()?;
    let mut build = shell::cargo();
    build
        .args(["fuzz", "build", "--fuzz-dir", "tests/fuzz", "--target-dir"])
        .arg(folder());
    if let [one] = chosen.as_slice() {
        build.arg(one);
    }
    // The flags that instrument a build are not of the stable compiler; this makes the pinned one take them.
    build
        .env("RUSTC_BOOTSTRAP", "1")
        .env("PATH", shell::path_with_tools());
    shell::run(&mut build)?;
    let found: Vec<&String> = chosen
        .into_iter()
        .map(|name| Ok((name, run(name, seconds)?)))
        .collect::<Result<Vec<_>>>()?
        .into_iter()
        .filter_map(|(name, good)| (!good).then_some(name))
        .collect();
    if !found.is_empty() {
        bail!(
            "{found:?} found something: the log and the input are in {}",
            folder().display()
        );
    }
    Ok(())
}

/// Runs a built target, and prints one line about it. Whether it found nothing.
fn run(name: &str, seconds: u32) -> Result<bool> {
    let (corpus, found) = (folder().join("corpus").join(name), folder().join("found"));
    for folder in [&corpus, &found] {
        fs::create_dir_all(folder)?;
    }
    let log_path = folder().join(format!("{name}.log"));
    let log = fs::File::create(&log_path)?;
    shell::say(format_args!("{name} for {seconds} s"));
    let binary = folder().join(shell::host()?).join("release").join(name);
    let mut command = Command::new(binary);
    command.arg(corpus);
    // What the project has anyway is a good beginning too; for others than files it is only long.
    let also = ["hub/demo", "docs/cars", "tests/data"].map(|folder| places::root().join(folder));
    let seeds = places::root().join("tests/fuzz/seeds").join(name);
    let folders = also.into_iter().filter(|_| name.ends_with("_file"));
    command.args(folders.chain([seeds]).filter(|path| path.is_dir()));
    command
        .arg(format!("-max_total_time={seconds}"))
        .arg(format!("-rss_limit_mb={MEMORY_MB}"))
        .arg(format!("-timeout={SLOW_S}"))
        .arg(format!("-artifact_prefix={}/{name}-", found.display()))
        .args(["-print_final_stats=1", "-verbosity=1"])
        .stdin(Stdio::null())
        .stdout(log.try_clone()?)
        .stderr(log);
    // A book on a disk that waits for every write would be most of the time; this one need not last.
    if PathBuf::from("/dev/shm").is_dir() {
        command.env("TMPDIR", "/dev/shm");
    }
    let good = shell::status(&mut command)?.success();
    let told = String::from_utf8_lossy(&fs::read(&log_path)?).into_owned();
    let after = |mark: &str| {
        let mut rest = told.rsplit(mark);
        let last = rest.next().filter(|_| rest.next().is_some())?;
        last.split_whitespace().next().map(str::to_owned)
    };
    println!(
        "{}",
        serde_json::json!({
            "target": name,
            "seconds": seconds,
            "executions": after("stat::number_of_executed_units:").or(after("\n#")),
            "edges": after(" cov: "),
            "features": after(" ft: "),
            "peak_rss_mb": after("stat::peak_rss_mb:"),
            "found_nothing": good,
        })
    );
    Ok(good)
}

/// What building and running them writes.
fn folder() -> PathBuf {
    places::target().join("fuzz")
}

/// The targets, by the files that hold them.
fn names() -> Result<Vec<String>> {
    let mut names = Vec::new();
    for entry in fs::read_dir(places::root().join("tests/fuzz/fuzz_targets"))?.flatten() {
        let file = entry.file_name().to_string_lossy().into_owned();
        names.extend(file.strip_suffix(".rs").map(str::to_owned));
    }
    names.sort();
    Ok(names)
}
