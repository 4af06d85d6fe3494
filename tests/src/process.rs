//! What a process takes of the machine, as the kernel counts it. Linux only; the hub needs to tell nothing for it.

use anyhow::{Context, Result};
use serde::Serialize;
use std::{fs, path::Path};

/// What a process takes at one moment.
#[derive(Clone, Copy, Debug, Serialize)]
pub struct Use {
    /// Resident memory, in kB.
    pub rss_kb: u64,
    /// Of that, what is not a file's, in kB.
    pub anon_kb: u64,
    /// The most that was ever resident, in kB.
    pub peak_kb: u64,
    /// Open files and sockets.
    pub fds: u64,
    /// Threads.
    pub threads: u64,
    /// Processor time used, in seconds.
    pub cpu_s: f64,
}

/// Looks at a process.
///
/// # Errors
/// When it is gone, or this is not Linux.
pub fn look(pid: u32) -> Result<Use> {
    let folder = format!("/proc/{pid}");
    let status =
        fs::read_to_string(format!("{folder}/status")).context("no such process, or not Linux")?;
    let number = |name: &str| -> Result<u64> {
        let line = status
            .lines()
            .find_map(|line| line.strip_prefix(name)?.strip_prefix(':'))
            .with_context(|| format!("no {name}"))?;
        Ok(line
            .split_whitespace()
            .next()
            .context("no number")?
            .parse()?)
    };
    let stat = fs::read_to_string(format!("{folder}/stat"))?;
    // Behind the name, which may hold anything: fields 14 and 15 of proc(5), in ticks of a hundredth of a second.
    let (_, rest) = stat.rsplit_once(')').context("no name")?;
    let field = |n: usize| -> Result<f64> {
        Ok(rest
            .split_whitespace()
            .nth(n - 3)
            .context("too short")?
            .parse()?)
    };
    Ok(Use {
        rss_kb: number("VmRSS")?,
        anon_kb: number("RssAnon")?,
        peak_kb: number("VmHWM")?,
        fds: fs::read_dir(format!("{folder}/fd"))?.count() as u64,
        threads: number("Threads")?,
        cpu_s: (field(14)? + field(15)?) / 100.0,
    })
}

/// A file's size in bytes; nought where there is none.
pub fn size(path: &Path) -> u64 {
    fs::metadata(path).map_or(0, |meta| meta.len())
}
