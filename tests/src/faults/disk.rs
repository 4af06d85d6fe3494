//! Faults of the disk and of the book's file.

use super::{Found, scene::Scene};
use crate::hub::CREW_CODE;
use crate::phone::Phone;
use anyhow::{Context, Result, ensure};
use rusqlite::Connection;
use serde_json::{Value, json};
use std::{
    fs::{self, File},
    io::Write,
    path::Path,
    process::Command,
    time::{Duration, Instant},
};

/// A small disk, let go when this is dropped.
struct SmallDisk {
    folder: tempfile::TempDir,
}

impl SmallDisk {
    /// One of so many megabytes, or why there can be none here.
    fn new(megabytes: u32) -> Result<Self, String> {
        let folder = tempfile::tempdir().map_err(|error| error.to_string())?;
        let size = format!("size={megabytes}m");
        let mount = Command::new("mount")
            .args(["-t", "tmpfs", "-o", &size, "tmpfs"])
            .arg(folder.path())
            .output();
        match mount {
            Ok(output) if output.status.success() => Ok(Self { folder }),
            Ok(output) => Err(format!(
                "no small disk here: {}",
                String::from_utf8_lossy(&output.stderr).trim()
            )),
            Err(error) => Err(format!("no small disk here: {error}")),
        }
    }

    fn fill(&self) -> Result<()> {
        let mut filler = File::create(self.folder.path().join("filler"))?;
        for size in [1 << 20, 1 << 12, 1] {
            let piece = vec![0; size];
            while filler.write_all(&piece).is_ok() {}
        }
        Ok(())
    }
}

impl Drop for SmallDisk {
    fn drop(&mut self) {
        // Its hub may take a moment to let go; "lazy" lets it.
        let _ = Command::new("umount")
            .arg("-l")
            .arg(self.folder.path())
            .status();
    }
}

/// The book cannot be written: the hub says so, refuses with the reason, and goes on showing readings. What it said.
async fn said(scene: &Scene) -> Result<Value> {
    let begun = Instant::now();
    for phone in scene.phones() {
        phone
            .until("the hub to say that it cannot write", |seen| {
                seen.mirror().book_trouble.is_some()
            })
            .await;
    }
    let said_ms = begun.elapsed().as_millis();
    scene.one_refused().await;
    scene.readings_go_on(&scene.chief).await;
    // Also to somebody who comes now.
    let late = Phone::join(&scene.hub, CREW_CODE, "Late", "fuel").await;
    late.until("the hub to say so to a newcomer", |seen| {
        seen.mirror().book_trouble.is_some()
    })
    .await;
    let words = scene
        .chief
        .look(|seen| seen.mirror().book_trouble.clone())
        .unwrap_or_default();
    Ok(json!({ "said": words, "said_after_ms": said_ms }))
}

/// It can be written again: it says so, and goes on.
async fn goes_on(scene: &Scene) {
    for phone in scene.phones() {
        phone
            .until("the hub to say that it can write again", |seen| {
                seen.mirror().book_trouble.is_none()
            })
            .await;
    }
    scene.some_more().await;
}

/// See [`super::ALL`].
pub async fn disk_full() -> Result<Found> {
    let disk = match SmallDisk::new(16) {
        Ok(disk) => disk,
        Err(why) => return Ok(Found::Skipped(why)),
    };
    let data = disk.folder.path().join("book");
    fs::create_dir(&data)?;
    let scene = Scene::begin_with(Scene::launch().data(&data)).await?;
    disk.fill()?;
    let seen = said(&scene).await?;
    fs::remove_file(disk.folder.path().join("filler"))?;
    goes_on(&scene).await;
    let lost = scene.end(0.0).await?;
    Ok(Found::Made(Some(lost), seen))
}

/// See [`super::ALL`].
pub async fn file_at_its_limit() -> Result<Found> {
    if !Command::new("prlimit")
        .arg("--version")
        .output()
        .is_ok_and(|output| output.status.success())
    {
        return Ok(Found::Skipped("no prlimit here".to_owned()));
    }
    // In halves of a kilobyte, and without the signal that would end the program: a full disk sends none.
    let limited = [
        "sh",
        "-c",
        "trap '' XFSZ; ulimit -S -f 640; exec \"$0\" \"$@\"",
    ];
    let scene = Scene::begin_with(Scene::launch().within(&limited)).await?;
    let seen = said(&scene).await?;
    let pid = scene.hub.pid().to_string();
    let raised = Command::new("prlimit")
        .args(["--pid", &pid, "--fsize=unlimited:"])
        .status()?;
    ensure!(raised.success(), "the limit could not be raised again");
    goes_on(&scene).await;
    let lost = scene.end(0.0).await?;
    Ok(Found::Made(Some(lost), seen))
}

/// Another program with a transaction of its own in the book's file.
fn hold(data: &Path) -> Result<Connection> {
    let other = Connection::open(data.join("spinover.db"))?;
    other.busy_timeout(Duration::from_secs(10))?;
    other.execute_batch("BEGIN IMMEDIATE")?;
    Ok(other)
}

/// See [`super::ALL`].
pub async fn book_locked() -> Result<Found> {
    let scene = Scene::begin().await?;
    let other = hold(scene.hub.data())?;
    let begun = Instant::now();
    let seen = said(&scene).await?;
    tokio::time::sleep(Duration::from_secs(8).saturating_sub(begun.elapsed())).await;
    drop(other);
    goes_on(&scene).await;
    let lost = scene.end(0.0).await?;
    Ok(Found::Made(Some(lost), seen))
}

/// See [`super::ALL`].
pub async fn book_in_use() -> Result<Found> {
    let scene = Scene::begin().await?;
    let data = scene.hub.data().to_owned();
    let begun = Instant::now();
    let output = tokio::task::block_in_place(|| Scene::launch().fails(&data, 0));
    let took_ms = begun.elapsed().as_millis();
    let words = String::from_utf8_lossy(&output.stderr).into_owned();
    ensure!(
        output.status.code() == Some(1),
        "it ended with {}",
        output.status
    );
    ensure!(
        words.contains("in use by another spinover"),
        "it said: {words}"
    );
    let said = words.lines().last().context("words")?.to_owned();
    let lost = scene.end(0.0).await?;
    Ok(Found::Made(
        Some(lost),
        json!({ "said": said, "after_ms": took_ms }),
    ))
}
