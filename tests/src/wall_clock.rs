//! A wall clock of the hub's own that a test can set while it runs. Linux, with the library of Debian's package `faketime`; elsewhere
//! it says why there is none.

use crate::hub::Launch;
use anyhow::Result;
use std::{fs, path::PathBuf};
use tempfile::TempDir;

/// The clock. The hub's steady clock goes on as it does when a wall clock is set.
#[derive(Debug)]
pub struct WallClock {
    library: PathBuf,
    folder: TempDir,
}

impl WallClock {
    /// One that shows the true time.
    ///
    /// # Errors
    /// Why there can be none here.
    pub fn new() -> Result<Self, String> {
        let folders = [
            "/usr/lib/x86_64-linux-gnu/faketime",
            "/usr/lib/aarch64-linux-gnu/faketime",
            "/usr/lib/faketime",
        ];
        let library = folders
            .map(|folder| PathBuf::from(folder).join("libfaketimeMT.so.1"))
            .into_iter()
            .find(|path| path.is_file())
            .ok_or("no other wall clock here (Debian's package faketime has one)")?;
        let folder = tempfile::tempdir().map_err(|error| error.to_string())?;
        let clock = Self { library, folder };
        clock.set(0).map_err(|error| error.to_string())?;
        Ok(clock)
    }

    /// A hub that goes by it.
    pub fn of(&self, launch: Launch) -> Launch {
        launch
            .env("LD_PRELOAD", &self.library.display().to_string())
            .env(
                "FAKETIME_TIMESTAMP_FILE",
                &self.file().display().to_string(),
            )
            .env("FAKETIME_NO_CACHE", "1")
            .env("FAKETIME_DONT_FAKE_MONOTONIC", "1")
    }

    /// Sets it to so many seconds ahead of the true time.
    ///
    /// # Errors
    /// What the system says.
    pub fn set(&self, ahead_s: i64) -> Result<()> {
        Ok(fs::write(self.file(), format!("{ahead_s:+}\n"))?)
    }

    fn file(&self) -> PathBuf {
        self.folder.path().join("clock")
    }
}
