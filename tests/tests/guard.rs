//! The door: devices come back by a token of their own, the chief puts one out, guessing is slow for everyone but those who are
//! in, and nothing that opens is written down anywhere.

use anyhow::{Context, Result};
use spinover_protocol::{
    door::{Device, NewCode},
    link::State,
    message::{Farewell, HubMessage},
};
use spinover_tests::{
    data, eventually, http,
    hub::{CHIEF_CODE, CREW_CODE, Hub, Launch},
    phone::Phone,
    raw::{Raw, hello, hello_again},
};
use std::{net::Ipv4Addr, path::Path};

fn hub() -> Hub {
    Launch::serve(&data::own("car.toml"), &data::own("sheet.toml")).start()
}

/// Joins by code; the device's token.
async fn token_of(hub: &Hub, code: &str, device: &str) -> Result<String> {
    let mut raw = Raw::join(hub, code, device, None).await?;
    let welcome = raw.said().await?.expect("a right code");
    welcome.token.context("a token for next time")
}

async fn come_back(hub: &Hub, token: &str, device: &str) -> Result<Result<(), Farewell>> {
    let mut raw = Raw::open(hub).await?;
    raw.send(&hello_again(token, device)).await?;
    let said = raw.said().await?;
    if let Ok(welcome) = &said {
        assert_eq!(welcome.token, None, "one token is enough");
    }
    Ok(said.map(|_| ()).map_err(|(why, _)| why))
}

/// Every file under a folder, with what is in it.
fn files(folder: &Path) -> Vec<(String, Vec<u8>)> {
    let mut found = Vec::new();
    for entry in std::fs::read_dir(folder).expect("a folder").flatten() {
        let path = entry.path();
        if path.is_dir() {
            found.extend(files(&path));
        } else if let Ok(bytes) = std::fs::read(&path) {
            found.push((path.display().to_string(), bytes));
        }
    }
    found
}

fn holds(bytes: &[u8], secret: &str) -> bool {
    let lower = bytes.to_ascii_lowercase();
    let secret = secret.to_ascii_lowercase();
    lower
        .windows(secret.len())
        .any(|part| part == secret.as_bytes())
}

#[tokio::test]
async fn a_device_comes_back_by_its_token_also_after_a_restart() -> Result<()> {
    let mut hub = hub();
    let token = token_of(&hub, CREW_CODE, "phone-of-ash").await?;
    assert_ne!(token, token_of(&hub, CREW_CODE, "phone-of-bo").await?);
    assert_eq!(come_back(&hub, &token, "phone-of-ash").await?, Ok(()));
    assert_eq!(
        come_back(&hub, &token, "phone-of-bo").await?,
        Err(Farewell::WrongCode),
        "another device has no use for it"
    );

    assert!(hub.stop().success());
    hub.start_again();
    let mut raw = Raw::open(&hub).await?;
    raw.send(&hello_again(&token, "phone-of-ash")).await?;
    let welcome = raw.said().await?.expect("known after a restart");
    assert_eq!(welcome.right, spinover_protocol::event::Right::Crew);

    // It opens what the code opens over HTTP, and no more.
    let list = http::get(&hub.address(), "/api/book", Some(&token)).await?;
    assert_eq!(list.status, 200, "{}", list.text());
    let devices = http::get(&hub.address(), "/api/devices", Some(&token)).await?;
    assert_eq!(devices.status, 403, "the list is the chief's");
    Ok(())
}

#[tokio::test]
async fn nothing_that_opens_is_on_the_disk() -> Result<()> {
    let mut hub = hub();
    let crew = token_of(&hub, CREW_CODE, "phone-of-ash").await?;
    let chief = token_of(&hub, CHIEF_CODE, "phone-of-ida").await?;
    let answer = http::post(&hub.address(), "/api/code", Some(&chief), b"").await?;
    assert!(answer.status >= 400, "a body is needed");
    let made = renew(&hub, CHIEF_CODE, "crew").await?;
    let ticket = http::get(&hub.address(), "/api/book/ticket", Some(&made)).await?;
    let ticket: serde_json::Value = serde_json::from_slice(&ticket.body)?;
    let ticket = ticket["ticket"].as_str().context("a ticket")?.to_owned();
    assert!(hub.stop().success());

    let files = files(hub.data());
    let kept = files
        .iter()
        .find(|(name, _)| name.ends_with("devices.json"));
    let (name, text) = kept.context("the devices are kept")?;
    assert!(holds(text, "phone-of-ash") && holds(text, "$argon2id$"));
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        let mode = std::fs::metadata(name)?.permissions().mode() & 0o777;
        assert_eq!(mode, 0o600, "{mode:o}");
    }
    for secret in [
        &crew,
        &chief,
        &made,
        &ticket,
        CREW_CODE,
        CHIEF_CODE,
        "crewcodefortests",
        "chiefcodefortests",
    ] {
        for (name, bytes) in &files {
            assert!(!holds(bytes, secret), "{secret} is in {name}");
        }
        let plain = secret.replace('-', "");
        assert!(
            files.iter().all(|(_, bytes)| !holds(bytes, &plain)),
            "{plain}"
        );
    }
    Ok(())
}

async fn post(hub: &Hub, path: &str, code: &str, json: &str) -> Result<http::Answer> {
    let address = hub.address();
    let length = json.len();
    let request = format!(
        "POST {path} HTTP/1.1\r\nHost: {address}\r\nConnection: close\r\nContent-Type: application/json\r\n\
         Authorization: Bearer {code}\r\nContent-Length: {length}\r\n\r\n{json}"
    );
    http::send(&address, request.as_bytes())
        .await?
        .context("an answer")
}

async fn renew(hub: &Hub, code: &str, right: &str) -> Result<String> {
    let answer = post(
        hub,
        "/api/code",
        code,
        &format!("{{\"right\":\"{right}\"}}"),
    )
    .await?;
    assert_eq!(answer.status, 200, "{}", answer.text());
    let made: NewCode = serde_json::from_slice(&answer.body)?;
    made.code.context("a new code")
}

#[tokio::test(flavor = "multi_thread")]
async fn the_chief_puts_a_device_out_for_good() -> Result<()> {
    let mut hub = hub();
    let stays = Phone::join(&hub, CREW_CODE, "Bo", "idle").await;
    let mut goes = Raw::join(&hub, CREW_CODE, "lost-phone", None).await?;
    let token = goes
        .said()
        .await?
        .expect("welcome")
        .token
        .context("a token")?;
    let chief = token_of(&hub, CHIEF_CODE, "phone-of-ida").await?;

    let list = http::get(&hub.address(), "/api/devices", Some(&chief)).await?;
    let list: Vec<Device> = serde_json::from_slice(&list.body)?;
    let names: Vec<&str> = list.iter().map(|device| device.name.as_str()).collect();
    assert_eq!(list.len(), 3, "{names:?}");

    let path = "/api/devices/lost-phone/out";
    let how = r#"{"new_code":true}"#;
    assert_eq!(post(&hub, path, CREW_CODE, how).await?.status, 403);
    assert_eq!(
        post(&hub, "/api/devices/nobody/out", &chief, how)
            .await?
            .status,
        404
    );
    let answer = post(&hub, path, &chief, how).await?;
    assert_eq!(answer.status, 200, "{}", answer.text());
    let made: NewCode = serde_json::from_slice(&answer.body)?;
    let new_code = made.code.context("a new code")?;

    // Out at once, and not told the new code on the way.
    let mut farewell = None;
    while let Some(message) = goes.next().await? {
        match message {
            HubMessage::Join(join) => panic!("told how to join: {join:?}"),
            HubMessage::Goodbye { why, .. } => farewell = Some(why),
            _ => {}
        }
    }
    assert_eq!(farewell, Some(Farewell::PutOut));
    assert_eq!(
        come_back(&hub, &token, "lost-phone").await?,
        Err(Farewell::PutOut)
    );
    let bearer = http::get(&hub.address(), "/api/book", Some(&token)).await?;
    assert_eq!(bearer.status, 401);

    // The others notice nothing but the new code.
    stays
        .until("the new code", |seen| {
            let welcome = seen.mirror().welcome.as_ref().expect("welcome");
            welcome
                .join
                .urls
                .iter()
                .all(|url| url.ends_with(&format!("#{new_code}")))
        })
        .await;
    assert_eq!(stays.look(|seen| seen.sockets), 1);
    token_of(&hub, &new_code, "phone-of-cy").await?;
    let mut old = Raw::join(&hub, CREW_CODE, "lost-phone", None).await?;
    assert_eq!(
        old.said().await?.expect_err("the old code").0,
        Farewell::WrongCode
    );

    // Nor after a restart, though the old code stands in the environment.
    assert!(hub.stop().success());
    hub.start_again();
    assert_eq!(
        come_back(&hub, &token, "lost-phone").await?,
        Err(Farewell::PutOut)
    );
    let from = Ipv4Addr::new(127, 0, 0, 9);
    let mut old = Raw::open_from(&hub.address(), from.into()).await?;
    old.send(&hello(CREW_CODE, "lost-phone", None)).await?;
    assert_eq!(
        old.said().await?.expect_err("the old code").0,
        Farewell::WrongCode
    );
    assert!(
        hub.stderr().contains("the chief has replaced"),
        "{}",
        hub.stderr()
    );
    stays
        .until("back by token", |seen| {
            seen.sockets >= 2 && seen.link.state(seen.now) == State::Live
        })
        .await;
    Ok(())
}

#[tokio::test]
async fn forgetting_devices_and_another_code_void_tokens() -> Result<()> {
    let mut hub = hub();
    let token = token_of(&hub, CREW_CODE, "phone-of-ash").await?;
    assert!(hub.stop().success());
    // The same book with another crew code: whoever came in by the old one comes in anew.
    let data = hub.data().to_owned();
    let run = |more: &[(&str, &str)], args: &[&str]| {
        let mut launch = Launch::serve(&data::own("car.toml"), &data::own("sheet.toml"));
        for (name, value) in more {
            launch = launch.env(name, value);
        }
        for arg in args {
            launch = launch.arg(*arg);
        }
        launch.start_in(&data)
    };
    let other = run(&[("SPINOVER_CREW_CODE", "quite another")], &[]);
    assert_eq!(
        come_back(&other, &token, "phone-of-ash").await?,
        Err(Farewell::WrongCode)
    );
    let second = token_of(&other, "quite another", "phone-of-ash").await?;
    assert_eq!(come_back(&other, &second, "phone-of-ash").await?, Ok(()));
    let mut other = other;
    assert!(other.stop().success());
    let again = run(
        &[("SPINOVER_CREW_CODE", "quite another")],
        &["--forget-devices"],
    );
    assert_eq!(
        come_back(&again, &second, "phone-of-ash").await?,
        Err(Farewell::WrongCode)
    );
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn guessing_from_many_addresses_is_slow_but_for_those_who_are_in() -> Result<()> {
    let hub = hub();
    let chief = Phone::join(&hub, CHIEF_CODE, "Ida", "chief").await;
    let token = token_of(&hub, CREW_CODE, "phone-of-ash").await?;
    let trusted = Ipv4Addr::LOCALHOST;

    // One guess from each of 150 addresses: none has a wait of its own, so only the common budget can stop it.
    let guess = async |n: u8| {
        let mut raw = Raw::open_from(&hub.address(), Ipv4Addr::new(127, 0, 7, n).into()).await?;
        raw.send(&hello("guess-guess", &format!("stranger-{n:03}"), None))
            .await?;
        Ok::<_, anyhow::Error>(raw.said().await?.expect_err("no code").0)
    };
    let begun = std::time::Instant::now();
    let mut looked_at = 0;
    for n in 1..=150 {
        match guess(n).await? {
            Farewell::WrongCode => looked_at += 1,
            Farewell::TooManyTries => {}
            other => panic!("{other:?}"),
        }
    }
    // Sixty, and one more for every five seconds that it took.
    let more = begun.elapsed().as_secs() / 5 + 1;
    assert!((60..=60 + more).contains(&looked_at), "{looked_at} of 150");

    // A right code from an address that nobody came in by waits too, or the wait would tell it from wrong ones.
    let mut strangers = 0;
    let stranger = eventually("a stranger's turn to wait", async || {
        strangers += 1;
        let mut raw = Raw::open_from(&hub.address(), Ipv4Addr::new(127, 0, 8, strangers).into())
            .await
            .ok()?;
        raw.send(&hello(CREW_CODE, "phone-of-cy", None))
            .await
            .ok()?;
        match raw.said().await.ok()? {
            Err((Farewell::TooManyTries, wait)) => wait,
            // A guess came back in between; it is spent again.
            _ => {
                guess(200).await.ok()?;
                None
            }
        }
    })
    .await;
    assert!((1..=5_000).contains(&stranger), "{stranger} ms");

    // Who has a token is not held up anywhere, nor is a code from where people came in before.
    let mut raw = Raw::open_from(&hub.address(), Ipv4Addr::new(127, 0, 7, 1).into()).await?;
    raw.send(&hello_again(&token, "phone-of-ash")).await?;
    assert!(
        raw.said().await?.is_ok(),
        "a token from an address that guessed"
    );
    let mut raw = Raw::open_from(&hub.address(), trusted.into()).await?;
    raw.send(&hello(CREW_CODE, "phone-of-bo", None)).await?;
    assert!(
        raw.said().await?.is_ok(),
        "a code from where people came in"
    );

    chief
        .until("word of the guessing", |seen| {
            seen.mirror()
                .guessing
                .is_some_and(|(wrong, addresses)| wrong >= 60 && addresses >= 60)
        })
        .await;
    eventually("the log's word of it", async || {
        hub.stderr().contains("somebody tries codes").then_some(())
    })
    .await;
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn the_log_tells_no_secrets_however_wordy() -> Result<()> {
    let hub = Launch::serve(&data::own("car.toml"), &data::own("sheet.toml"))
        .env(
            "SPINOVER_LOG",
            "trace,tungstenite=trace,tungstenite::protocol=trace",
        )
        .start();
    let phone = Phone::join(&hub, CREW_CODE, "Bo", "idle").await;
    let chief = token_of(&hub, CHIEF_CODE, "phone-of-ida").await?;
    let token = token_of(&hub, CREW_CODE, "phone-of-ash").await?;
    come_back(&hub, &token, "phone-of-ash").await?.expect("in");
    phone.cut();
    phone
        .until("back by its token", |seen| {
            seen.sockets >= 2 && seen.link.state(seen.now) == State::Live
        })
        .await;
    let ticket = http::get(&hub.address(), "/api/book/ticket", Some(&token)).await?;
    let ticket: serde_json::Value = serde_json::from_slice(&ticket.body)?;
    let ticket = ticket["ticket"].as_str().context("a ticket")?.to_owned();
    let id = phone.look(|seen| {
        seen.mirror()
            .record
            .warmup
            .as_ref()
            .map(|warmup| warmup.id.clone())
    });
    let report = format!("/book/{}?ticket={ticket}", id.context("a warm-up")?);
    assert_eq!(http::get(&hub.address(), &report, None).await?.status, 200);
    let lines = b"{\"engine_rpm\": 2400}\n";
    let path = format!("/api/readings?code={CREW_CODE}");
    assert_eq!(
        http::post(&hub.address(), &path, None, lines).await?.status,
        200
    );
    let renewed = renew(&hub, &chief, "crew").await?;
    // A slip of the finger is nearly a code, and must not be written down either.
    let slip = format!("{renewed}x");
    assert_eq!(
        http::get(&hub.address(), "/api/book", Some(&slip))
            .await?
            .status,
        401
    );
    let mut raw = Raw::join(&hub, &slip, "phone-of-cy", None).await?;
    assert!(raw.said().await?.is_err());

    // What it says last can come after the answer.
    let log = eventually("the wrong code in the log", async || {
        let log = hub.stderr();
        log.contains("a wrong code").then_some(log)
    })
    .await;
    assert!(
        log.contains("TRACE") || log.contains("DEBUG"),
        "it was asked to be wordy:\n{log}"
    );
    for secret in [CREW_CODE, CHIEF_CODE, &token, &chief, &ticket, &renewed] {
        let lines: Vec<&str> = log.lines().filter(|line| line.contains(secret)).collect();
        assert!(lines.is_empty(), "{secret} is in the log: {lines:?}");
    }
    Ok(())
}
