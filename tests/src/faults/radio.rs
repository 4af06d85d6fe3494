//! Faults of the network between phones and the hub.

use super::{Found, scene::Scene};
use crate::{
    eventually,
    hub::CREW_CODE,
    netns::Netns,
    phone::{Phone, Seen},
    process,
    proxy::{Proxy, Weather},
    raw::{Raw, hello},
};
use anyhow::{Context, Result, ensure};
use serde_json::json;
use spinover_protocol::{
    link::State,
    message::{Command, HubMessage},
};
use std::{
    net::{IpAddr, Ipv4Addr},
    time::{Duration, Instant},
};

fn lost(seen: &Seen) -> bool {
    matches!(seen.link.state(seen.now), State::Lost { .. })
}

fn live(seen: &Seen) -> bool {
    seen.link.state(seen.now) == State::Live
}

/// A phone behind a bad radio, which calls out now and then; how many of its calls are done.
async fn far_phone(scene: &mut Scene, seed: u64) -> Result<Proxy> {
    let proxy = Proxy::before(scene.hub.address(), seed).await?;
    let far = Phone::dial_at(proxy.address(), CREW_CODE, "Far", "fuel");
    far.until("the first snapshot", |seen| seen.mirror().record.seq > 0)
        .await;
    scene.crew.push(far);
    Ok(proxy)
}

fn far(scene: &Scene) -> &Phone {
    scene.crew.last().expect("one was added")
}

/// Presses something on the far phone and waits until it is done.
async fn press(scene: &Scene, n: usize) {
    far(scene)
        .done(Command::Note {
            text: format!("from afar {n}"),
        })
        .await;
}

/// What was pressed on the far phone is in the record once each.
fn pressed_once(scene: &Scene, count: usize) -> Result<()> {
    let warmup = scene
        .chief
        .look(|seen| seen.mirror().record.warmup.clone())
        .context("a warm-up")?;
    for n in 0..count {
        let text = format!("from afar {n}");
        let times = warmup.notes.iter().filter(|note| note.text == text).count();
        ensure!(times == 1, "{text:?} is in the record {times} times");
    }
    Ok(())
}

/// See [`super::ALL`].
pub async fn slow_and_uneven() -> Result<Found> {
    let mut scene = Scene::begin().await?;
    let proxy = far_phone(&mut scene, 11).await?;
    proxy.weather(Weather {
        delay: Duration::from_millis(300),
        jitter: Duration::from_millis(300),
        ..Weather::default()
    });
    let begun = Instant::now();
    for n in 0..10 {
        press(&scene, n).await;
    }
    let a_press_ms = begun.elapsed().as_millis() / 10;
    let lag = far(&scene).look(|seen| seen.link.lag_ms());
    scene.readings_go_on(far(&scene)).await;
    pressed_once(&scene, 10)?;
    let sockets = far(&scene).look(|seen| seen.sockets);
    let lost = scene.end(0.0).await?;
    Ok(Found::Made(
        Some(lost),
        json!({ "a_press_takes_ms": a_press_ms, "lag_ms_shown": lag, "sockets": sockets }),
    ))
}

/// See [`super::ALL`].
pub async fn stalls_as_from_loss() -> Result<Found> {
    let mut scene = Scene::begin().await?;
    let proxy = far_phone(&mut scene, 12).await?;
    proxy.weather(Weather {
        delay: Duration::from_millis(20),
        stalls_per_mille: 30,
        stall: Duration::from_millis(1_200),
        ..Weather::default()
    });
    for n in 0..20 {
        press(&scene, n).await;
    }
    pressed_once(&scene, 20)?;
    let (sockets, silence) = far(&scene).look(|seen| (seen.sockets, seen.silence_ms));
    proxy.weather(Weather::default());
    let lost = scene.end(0.0).await?;
    Ok(Found::Made(
        Some(lost),
        json!({ "sockets": sockets, "far_silence_ms": silence }),
    ))
}

/// See [`super::ALL`].
pub async fn resets() -> Result<Found> {
    let mut scene = Scene::begin().await?;
    let proxy = far_phone(&mut scene, 13).await?;
    for n in 0..12 {
        let id = far(&scene).want(Command::Note {
            text: format!("from afar {n}"),
        });
        proxy.reset();
        far(&scene).answer(&id).await;
    }
    pressed_once(&scene, 12)?;
    let (sockets, silence) = far(&scene).look(|seen| (seen.sockets, seen.silence_ms));
    ensure!(sockets > 6, "the radio reset only {sockets} sockets");
    let lost = scene.end(0.0).await?;
    Ok(Found::Made(
        Some(lost),
        json!({ "sockets": sockets, "far_silence_ms": silence }),
    ))
}

/// See [`super::ALL`].
pub async fn ten_seconds_of_silence() -> Result<Found> {
    let mut scene = Scene::begin().await?;
    let proxy = far_phone(&mut scene, 14).await?;
    proxy.weather(Weather {
        silent: true,
        ..Weather::default()
    });
    let begun = Instant::now();
    far(&scene)
        .until("the phone to say that the link is lost", lost)
        .await;
    let noticed_ms = begun.elapsed().as_millis();
    let id = far(&scene).want(Command::Note {
        text: "from afar 0".to_owned(),
    });
    tokio::time::sleep(Duration::from_secs(10).saturating_sub(begun.elapsed())).await;
    proxy.weather(Weather::default());
    let back = Instant::now();
    far(&scene).until("the phone to be back", live).await;
    let back_ms = back.elapsed().as_millis();
    far(&scene).answer(&id).await;
    pressed_once(&scene, 1)?;
    let lost = scene.end(0.0).await?;
    Ok(Found::Made(
        Some(lost),
        json!({ "noticed_after_ms": noticed_ms, "back_after_ms": back_ms }),
    ))
}

/// A crew whose hub is in a network of its own.
async fn apart() -> Result<Result<(Scene, Netns), String>> {
    let net = match Netns::new() {
        Ok(net) => net,
        Err(why) => return Ok(Err(why)),
    };
    let launch = Scene::launch().within(&net.within()).at(net.hub_ip());
    Ok(Ok((Scene::begin_with(launch).await?, net)))
}

/// See [`super::ALL`].
pub async fn radio_switched_off() -> Result<Found> {
    let (scene, net) = match apart().await? {
        Ok(apart) => apart,
        Err(why) => return Ok(Found::Skipped(why)),
    };
    net.up(false)?;
    let begun = Instant::now();
    scene
        .chief
        .until("the phone to say that the link is lost", lost)
        .await;
    let noticed_ms = begun.elapsed().as_millis();
    tokio::time::sleep(Duration::from_secs(10).saturating_sub(begun.elapsed())).await;
    net.up(true)?;
    let back = Instant::now();
    for phone in scene.phones() {
        phone.until("the phone to be back", live).await;
    }
    let back_ms = back.elapsed().as_millis();
    let lost = scene.end(0.0).await?;
    Ok(Found::Made(
        Some(lost),
        json!({ "noticed_after_ms": noticed_ms, "back_after_ms": back_ms }),
    ))
}

/// See [`super::ALL`].
pub async fn narrow_link() -> Result<Found> {
    let (mut scene, net) = match apart().await? {
        Ok(apart) => apart,
        Err(why) => return Ok(Found::Skipped(why)),
    };
    for n in 0..3 {
        scene
            .crew
            .push(Phone::join(&scene.hub, CREW_CODE, &format!("Phone {n}"), "idle").await);
    }
    net.limit("96kbit")?;
    let frames = || {
        scene
            .phones()
            .map(|phone| phone.look(|seen| seen.frames().count()))
            .sum::<usize>()
    };
    let before = frames();
    let begun = Instant::now();
    let mut behind_s: Vec<f64> = Vec::new();
    while begun.elapsed() < Duration::from_secs(20) {
        tokio::time::sleep(Duration::from_millis(100)).await;
        behind_s.extend(scene.phones().map(|phone| scene.behind_s(phone)));
    }
    let rate =
        (frames() - before) as f64 / begun.elapsed().as_secs_f64() / scene.phones().count() as f64;
    behind_s.sort_by(f64::total_cmp);
    let at = |share: f64| behind_s[((behind_s.len() - 1) as f64 * share) as usize];
    let seen = json!({ "frames_per_phone_s": rate, "behind_s": { "median": at(0.5), "p95": at(0.95), "worst": at(1.0) } });
    let lost = scene.end(0.0).await?;
    Ok(Found::Made(Some(lost), seen))
}

/// See [`super::ALL`].
pub async fn stuck_phone() -> Result<Found> {
    let scene = Scene::begin().await?;
    let before = process::look(scene.hub.pid());
    let mut stuck = Raw::open_with_room(&scene.hub, Some(4_096)).await?;
    stuck.send(&hello(CREW_CODE, "stuck-phone", None)).await?;
    scene.forget_silence();
    // It goes on saying that it is there, and never reads.
    for n in 0..10 {
        if stuck
            .send(&json!({ "type": "ping", "sent": n }))
            .await
            .is_err()
        {
            break;
        }
        scene.some_more().await;
    }
    let after = process::look(scene.hub.pid());
    let grown = match (before, after) {
        (Ok(before), Ok(after)) => Some(after.rss_kb as i64 - before.rss_kb as i64),
        _ => None,
    };
    let lost = scene.end(0.0).await?;
    Ok(Found::Made(Some(lost), json!({ "hub_grew_kb": grown })))
}

/// See [`super::ALL`].
pub async fn five_hundred_join_at_once() -> Result<Found> {
    const PHONES: usize = 500;
    let scene = Scene::begin().await?;
    scene.forget_silence();
    let begun = Instant::now();
    let joining: Vec<_> = (0..PHONES)
        .map(|n| tokio::spawn(join_one(scene.hub.address(), n)))
        .collect();
    let mut sockets = Vec::new();
    let mut last_ms = 0;
    for one in joining {
        let (socket, at) = one.await??;
        last_ms = last_ms.max(at.duration_since(begun).as_millis());
        sockets.push(socket);
    }
    let taken = process::look(scene.hub.pid()).ok();
    scene.readings_go_on(&scene.chief).await;
    drop(sockets);
    eventually("the many to be gone", async || {
        let here = scene.chief.look(|seen| {
            seen.mirror()
                .people
                .iter()
                .filter(|person| person.here)
                .count()
        });
        (here <= 2).then_some(())
    })
    .await;
    let lost = scene.end(0.0).await?;
    Ok(Found::Made(
        Some(lost),
        json!({ "all_in_after_ms": last_ms, "hub_rss_kb": taken.map(|taken| taken.rss_kb) }),
    ))
}

/// One phone of many, with an address of its own as in a pit; when it has its snapshot.
async fn join_one(address: String, n: usize) -> Result<(Raw, Instant)> {
    let from = if cfg!(target_os = "linux") {
        Ipv4Addr::new(127, 1, (n / 250) as u8, (n % 250 + 1) as u8)
    } else {
        Ipv4Addr::LOCALHOST
    };
    let mut raw = Raw::open_from(&address, IpAddr::V4(from)).await?;
    raw.send(&hello(CREW_CODE, &format!("one-of-many-{n:04}"), None))
        .await?;
    raw.until(|message| matches!(message, HubMessage::Snapshot { .. }).then_some(()))
        .await?;
    Ok((raw, Instant::now()))
}
