//! Faults of the laptop: sleep, clock, ports, handles, and every way to end a program.

use super::{
    Found,
    scene::{RATE_HZ, Scene},
};
use crate::{eventually, hub::CREW_CODE, phone::Phone, process, wall_clock::WallClock};
use anyhow::{Context, Result, ensure};
use serde_json::json;
use spinover_protocol::{
    event::Event,
    link::State,
    message::{Farewell, HubMessage},
};
use std::{
    process::Command,
    time::{Duration, Instant},
};
use tokio::net::TcpStream;

fn signal(pid: u32, name: &str) -> Result<()> {
    let told = Command::new("kill")
        .args([name, &pid.to_string()])
        .status()?;
    ensure!(told.success(), "kill {name} failed");
    Ok(())
}

/// See [`super::ALL`].
pub async fn asleep() -> Result<Found> {
    let scene = Scene::begin().await?;
    scene.forget_silence();
    signal(scene.hub.pid(), "-STOP")?;
    let begun = Instant::now();
    for phone in scene.phones() {
        phone
            .until("the phone to say that the link is lost", |seen| {
                matches!(seen.link.state(seen.now), State::Lost { .. })
            })
            .await;
    }
    let noticed_ms = begun.elapsed().as_millis();
    tokio::time::sleep(Duration::from_secs(8).saturating_sub(begun.elapsed())).await;
    signal(scene.hub.pid(), "-CONT")?;
    let woken = Instant::now();
    for phone in scene.phones() {
        phone
            .until("the phone to be back", |seen| {
                seen.link.state(seen.now) == State::Live
            })
            .await;
    }
    let back_ms = woken.elapsed().as_millis();
    scene.readings_go_on(&scene.chief).await;
    // What the car sent meanwhile waited in the pipe, and comes after.
    let lost = scene.end(0.0).await?;
    Ok(Found::Made(
        Some(lost),
        json!({ "noticed_after_ms": noticed_ms, "back_after_ms": back_ms }),
    ))
}

/// See [`super::ALL`].
pub async fn clock_jumps() -> Result<Found> {
    let clock = match WallClock::new() {
        Ok(clock) => clock,
        Err(why) => return Ok(Found::Skipped(why)),
    };
    let mut scene = Scene::begin_with(clock.of(Scene::launch())).await?;
    for jump_s in [3_600, -7_200] {
        clock.set(jump_s)?;
        scene.some_more().await;
        scene.readings_go_on(&scene.chief).await;
    }
    // Started again with a clock that has gone back behind the record.
    let before = scene.sent();
    let status = tokio::task::block_in_place(|| scene.hub.stop());
    ensure!(status.success(), "it ended with {status}");
    tokio::task::block_in_place(|| scene.hub.start_again());
    scene.plug_in();
    let away = scene.sent() - before;
    scene.some_more().await;
    scene.readings_go_on(&scene.chief).await;
    let times = scene.chief.look(|seen| {
        let mut events: Vec<&Event> = seen.events().collect();
        events.sort_by_key(|event| event.seq);
        events.iter().map(|event| event.at).collect::<Vec<_>>()
    });
    ensure!(
        times.len() > 10,
        "the chief's phone heard of {} events only",
        times.len()
    );
    ensure!(times.is_sorted(), "times in the record go back");
    let aged = scene
        .chief
        .look(|seen| seen.link.age_ms(seen.index("engine_rpm"), seen.now))
        .context("a reading")?;
    ensure!(
        aged < 2_000.0,
        "a fresh reading is said to be {aged:.0} ms old"
    );
    let span_s = (times[times.len() - 1] - times[0]) as f64 / 1000.0;
    let lost = scene.end(away as f64 / RATE_HZ as f64 + 0.1).await?;
    Ok(Found::Made(
        Some(lost),
        json!({ "record_spans_s": span_s, "age_shown_ms": aged }),
    ))
}

/// See [`super::ALL`].
pub async fn port_taken() -> Result<Found> {
    let scene = Scene::begin().await?;
    let port = scene
        .hub
        .address()
        .rsplit(':')
        .next()
        .context("a port")?
        .parse()?;
    let begun = Instant::now();
    let other = tempfile::tempdir()?;
    let output = tokio::task::block_in_place(|| Scene::launch().fails(other.path(), port));
    let (words, took_ms) = (
        String::from_utf8_lossy(&output.stderr).into_owned(),
        begun.elapsed().as_millis(),
    );
    ensure!(
        output.status.code() == Some(1),
        "it ended with {}",
        output.status
    );
    ensure!(words.contains("cannot listen"), "it said: {words}");
    let said = words.lines().last().unwrap_or_default().to_owned();
    let lost = scene.end(0.0).await?;
    Ok(Found::Made(
        Some(lost),
        json!({ "said": said, "after_ms": took_ms }),
    ))
}

/// See [`super::ALL`].
pub async fn asked_to_stop() -> Result<Found> {
    let mut scene = Scene::begin().await?;
    let before = scene.sent();
    let begun = Instant::now();
    let status = tokio::task::block_in_place(|| scene.hub.stop());
    let took_ms = begun.elapsed().as_millis();
    ensure!(status.success(), "it ended with {status}");
    for phone in scene.phones() {
        phone
            .until("the hub's farewell", |seen| {
                let stopping = |message: &HubMessage| {
                    matches!(
                        message,
                        HubMessage::Goodbye {
                            why: Farewell::Stopping,
                            ..
                        }
                    )
                };
                seen.heard.iter().any(|(_, message)| stopping(message))
            })
            .await;
    }
    let log = process::size(&scene.hub.data().join("spinover.db-wal"));
    ensure!(log == 0, "{log} bytes are left beside the one file");
    tokio::task::block_in_place(|| scene.hub.start_again());
    scene.plug_in();
    let away = scene.sent() - before;
    let lost = scene.end(away as f64 / RATE_HZ as f64).await?;
    Ok(Found::Made(
        Some(lost),
        json!({ "took_ms": took_ms, "away_s": away as f64 / RATE_HZ as f64 }),
    ))
}

/// See [`super::ALL`].
pub async fn killed() -> Result<Found> {
    let mut scene = Scene::begin().await?;
    let mut away = 0;
    for _ in 0..3 {
        let before = scene.sent();
        scene.hub.kill();
        tokio::task::block_in_place(|| scene.hub.start_again());
        scene.plug_in();
        away += scene.sent() - before;
        scene.some_more().await;
    }
    let away_s = away as f64 / RATE_HZ as f64;
    let lost = scene.end(away_s + 3.0 * 0.25).await?;
    let of_the_book_s = (lost.readings_lost_s - away_s).max(0.0);
    Ok(Found::Made(
        Some(lost),
        json!({ "kills": 3, "away_s": away_s, "readings_lost_by_the_book_s": of_the_book_s }),
    ))
}

/// See [`super::ALL`].
pub async fn no_more_files() -> Result<Found> {
    const HANDLES: u64 = 48;
    let limit = format!("--nofile={HANDLES}:{HANDLES}");
    if !Command::new("prlimit")
        .arg("--version")
        .output()
        .is_ok_and(|output| output.status.success())
    {
        return Ok(Found::Skipped("no prlimit here".to_owned()));
    }
    let scene = Scene::begin_with(Scene::launch().within(&["prlimit", &limit])).await?;
    let mut held = Vec::new();
    for _ in 0..HANDLES * 2 {
        held.push(TcpStream::connect(scene.hub.address()).await?);
    }
    let used = eventually("the handles to be gone", async || {
        let used = process::look(scene.hub.pid()).ok()?.fds;
        (used + 2 >= HANDLES).then_some(used)
    })
    .await;
    scene.some_more().await;
    scene.readings_go_on(&scene.chief).await;
    drop(held);
    let begun = Instant::now();
    let late = Phone::join(&scene.hub, CREW_CODE, "Late", "fuel").await;
    let joined_ms = begun.elapsed().as_millis();
    drop(late);
    let lost = scene.end(0.0).await?;
    Ok(Found::Made(
        Some(lost),
        json!({ "handles_used": used, "limit": HANDLES, "joined_again_after_ms": joined_ms }),
    ))
}
