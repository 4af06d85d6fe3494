//! Traffic encrypted by the hub's own authority. The clients here trust that authority and no other; OpenSSL, which is none of
//! ours, looks at the certificates. How many may shake hands at once is in `guard_limits`.

use anyhow::{Context, Result, ensure};
use futures_util::{SinkExt, StreamExt};
use rustls::{
    ClientConfig, RootCertStore,
    pki_types::{CertificateDer, ServerName, UnixTime, pem::PemObject},
    time_provider::TimeProvider,
};
use spinover_protocol::message::HubMessage;
use spinover_tests::{
    DEADLINE, data, eventually, http,
    hub::{CREW_CODE, Hub, Launch, binary},
    netns::Netns,
    raw::hello,
    wall_clock::WallClock,
};
use std::{net::Ipv4Addr, path::Path, process::Command, sync::Arc, time::Duration};
use tokio::{
    io::{AsyncReadExt, AsyncWriteExt},
    net::TcpStream,
    time::timeout,
};
use tokio_rustls::{TlsConnector, client::TlsStream};
use tokio_tungstenite::{client_async, tungstenite::Message};

fn hub() -> Hub {
    Launch::serve(&data::own("car.toml"), &data::own("sheet.toml"))
        .arg("--tls")
        .start()
}

fn authority(hub: &Hub) -> Result<CertificateDer<'static>> {
    let pem = std::fs::read(hub.data().join("tls/authority.crt"))?;
    Ok(CertificateDer::from_pem_slice(&pem)?)
}

/// A client's clock that is so far ahead.
#[derive(Debug)]
struct Ahead(Duration);

impl TimeProvider for Ahead {
    fn current_time(&self) -> Option<UnixTime> {
        let since = UnixTime::now().as_secs() + self.0.as_secs();
        Some(UnixTime::since_unix_epoch(Duration::from_secs(since)))
    }
}

/// A connection to the hub, by that name, that trusts those authorities only.
async fn connect(
    hub: &Hub,
    name: &str,
    trusted: &[CertificateDer<'static>],
) -> Result<TlsStream<TcpStream>> {
    connect_ahead(&hub.address(), name, trusted, Duration::ZERO).await
}

/// The same, at that address, of a phone whose clock is so far ahead.
async fn connect_ahead(
    address: &str,
    name: &str,
    trusted: &[CertificateDer<'static>],
    ahead: Duration,
) -> Result<TlsStream<TcpStream>> {
    let mut roots = RootCertStore::empty();
    for authority in trusted {
        roots.add(authority.clone())?;
    }
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let config = ClientConfig::builder_with_details(provider, Arc::new(Ahead(ahead)))
        .with_safe_default_protocol_versions()?
        .with_root_certificates(roots)
        .with_no_client_auth();
    let stream = TcpStream::connect(address).await?;
    let name = ServerName::try_from(name.to_owned())?;
    let connected = TlsConnector::from(Arc::new(config)).connect(name, stream);
    Ok(timeout(DEADLINE, connected)
        .await
        .context("no handshake in time")??)
}

#[tokio::test(flavor = "multi_thread")]
async fn a_client_that_trusts_the_authority_joins_and_no_other_does() -> Result<()> {
    let hub = hub();
    let out = hub.stdout();
    assert!(
        out.contains(&format!("ready https://{}", hub.address())),
        "{out}"
    );
    let ours = authority(&hub)?;
    for name in ["127.0.0.1", "localhost", "spinover.local", "::1"] {
        let mut stream = connect(&hub, name, std::slice::from_ref(&ours))
            .await
            .context(name)?;
        let request = format!(
            "GET /healthz HTTP/1.1\r\nHost: {}\r\nConnection: close\r\n\r\n",
            hub.address()
        );
        stream.write_all(request.as_bytes()).await?;
        let mut answer = Vec::new();
        let _ = stream.read_to_end(&mut answer).await;
        assert_eq!(http::parse(&answer)?.status, 200, "{name}");
    }
    for name in ["elsewhere.example", "192.0.2.7"] {
        assert!(
            connect(&hub, name, std::slice::from_ref(&ours))
                .await
                .is_err(),
            "{name}"
        );
    }
    assert!(
        connect(&hub, "127.0.0.1", &[]).await.is_err(),
        "nobody is trusted by himself"
    );
    let other = self::hub();
    assert!(
        connect(&hub, "127.0.0.1", &[authority(&other)?])
            .await
            .is_err(),
        "another hub's authority"
    );

    let stream = connect(&hub, "127.0.0.1", &[ours]).await?;
    let (mut socket, _) = client_async(format!("wss://{}/ws", hub.address()), stream).await?;
    socket
        .send(Message::text(
            hello(CREW_CODE, "phone-of-ash", None).to_string(),
        ))
        .await?;
    let first = timeout(DEADLINE, socket.next())
        .await?
        .context("a frame")??;
    let HubMessage::Welcome(welcome) = serde_json::from_str(first.to_text()?)? else {
        panic!("no welcome: {first}")
    };
    let urls = &welcome.join.urls;
    assert!(
        !urls.is_empty() && urls.iter().all(|url| url.starts_with("https://")),
        "{urls:?}"
    );
    let trust = welcome.join.trust.context("how to trust it")?;
    assert!(
        out.contains(&trust.fingerprint) && out.contains(&trust.url),
        "{out}"
    );
    Ok(())
}

fn openssl(args: &[&str]) -> Option<String> {
    let done = Command::new("openssl").args(args).output().ok()?;
    let text = String::from_utf8_lossy(&done.stdout) + String::from_utf8_lossy(&done.stderr);
    Some(text.into_owned())
}

#[tokio::test]
async fn openssl_agrees_about_the_authority() -> Result<()> {
    let hub = hub();
    let file = hub.data().join("tls/authority.crt");
    let file = file.to_str().context("a plain path")?;
    let Some(text) = openssl(&[
        "x509",
        "-in",
        file,
        "-noout",
        "-text",
        "-fingerprint",
        "-sha256",
    ]) else {
        println!("skipped: no openssl on this machine");
        return Ok(());
    };
    for part in [
        "CA:TRUE, pathlen:0",
        "Name Constraints: critical",
        "DNS:local",
        "IP:10.0.0.0/255.0.0.0",
        "IP:192.168.0.0/255.255.0.0",
        "Certificate Sign",
    ] {
        assert!(text.contains(part), "no {part} in:\n{text}");
    }
    let print = text
        .lines()
        .find_map(|line| {
            line.to_ascii_lowercase()
                .contains("fingerprint=")
                .then(|| line.split('=').nth(1))
        })
        .flatten();
    let print = print.context("a fingerprint")?;
    assert!(hub.stdout().contains(print), "{print}");
    let address = hub.address();
    let said = openssl(&[
        "s_client",
        "-connect",
        &address,
        "-CAfile",
        file,
        "-verify_ip",
        "127.0.0.1",
        "-verify_return_error",
        "-brief",
        "-no_ign_eof",
    ])
    .context("openssl")?;
    assert!(said.contains("Verification: OK"), "{said}");
    let said = openssl(&[
        "s_client",
        "-connect",
        &address,
        "-CAfile",
        file,
        "-verify_hostname",
        "elsewhere.example",
        "-verify_return_error",
        "-brief",
        "-no_ign_eof",
    ])
    .context("openssl")?;
    assert!(!said.contains("Verification: OK"), "{said}");
    Ok(())
}

#[cfg(unix)]
fn mode(path: &Path) -> Result<u32> {
    use std::os::unix::fs::PermissionsExt;
    Ok(std::fs::metadata(path)?.permissions().mode() & 0o777)
}

#[cfg(unix)]
#[tokio::test]
async fn the_authority_stays_the_same_and_its_key_is_ours_alone() -> Result<()> {
    use std::os::unix::fs::PermissionsExt;
    let mut hub = hub();
    let key = hub.data().join("tls/authority.key");
    assert_eq!(mode(&key)?, 0o600);
    let before = authority(&hub)?;
    assert!(hub.stop().success());
    hub.start_again();
    assert_eq!(authority(&hub)?, before);
    connect(&hub, "localhost", &[before]).await?;
    assert!(hub.stop().success());
    // A key that others may have read is not gone on with.
    std::fs::set_permissions(&key, std::fs::Permissions::from_mode(0o644))?;
    let done = Command::new(binary())
        .args(["serve", "--tls", "--listen", "127.0.0.1:0", "--car"])
        .arg(data::own("car.toml"))
        .arg("--sheet")
        .arg(data::own("sheet.toml"))
        .arg("--data")
        .arg(hub.data())
        .output()?;
    let said = String::from_utf8_lossy(&done.stderr).into_owned();
    assert_eq!(done.status.code(), Some(1), "{said}");
    assert!(
        said.contains("others may read") && said.contains("chmod 600"),
        "{said}"
    );
    Ok(())
}

#[tokio::test]
async fn unencrypted_there_is_the_certificate_and_the_way_on_and_nothing_else() -> Result<()> {
    let hub = hub();
    let address = hub.address();
    for (path, to) in [
        ("/", "/"),
        ("/book/x.csv?a=b", "/book/x.csv?a=b"),
        ("/api/book", "/api/book"),
        ("/ws", "/ws"),
        ("//elsewhere.example", "//elsewhere.example"),
        ("/healthz", "/healthz"),
    ] {
        let answer = http::get(&address, path, Some(CREW_CODE)).await?;
        assert_eq!(answer.status, 307, "{path}");
        assert_eq!(
            answer.header("location"),
            Some(format!("https://{address}{to}").as_str())
        );
    }
    let sent = http::post(
        &address,
        "/api/readings",
        Some(CREW_CODE),
        b"{\"engine_rpm\": 1}\n",
    )
    .await?;
    assert_eq!(sent.status, 307, "readings are not taken in the clear");
    let wrong = b"GET / HTTP/1.1\r\nHost: elsewhere.example\r\nConnection: close\r\n\r\n";
    let wrong = http::send(&address, wrong).await?.context("an answer")?;
    assert_eq!(wrong.status, 421, "no redirect to a stranger's name");

    let page = http::get(&address, "/trust", None).await?;
    let html = page.text();
    assert_eq!(page.status, 200);
    let print = hub
        .stdout()
        .lines()
        .find_map(|line| line.strip_prefix("fingerprint ").map(str::to_owned));
    assert!(html.contains(&print.context("a fingerprint")?), "{html}");
    assert!(
        !html.contains("<script") && html.contains(&format!("https://{address}/")),
        "{html}"
    );
    let policy = page.header("content-security-policy").unwrap_or_default();
    assert!(
        policy.contains("style-src 'sha256-") && !policy.contains("unsafe"),
        "{policy}"
    );
    let spanish = http::get(&address, "/trust?lang=es", None).await?.text();
    assert!(
        spanish.contains("lang=\"es\"") && spanish.contains("huella"),
        "{spanish}"
    );
    let file = http::get(&address, "/trust/authority.crt", None).await?;
    assert_eq!(file.body, authority(&hub)?.as_ref());
    assert_eq!(
        file.header("content-type"),
        Some("application/x-x509-ca-cert")
    );
    assert_eq!(
        http::get(&address, "/trust/authority.key", None)
            .await?
            .status,
        404
    );
    Ok(())
}

#[tokio::test]
async fn who_does_not_shake_hands_is_closed() -> Result<()> {
    let hub = hub();
    let mut waiting = Vec::new();
    // Nothing at all; the first byte of a handshake; a handshake's head that promises more.
    for begin in [&b""[..], b"\x16", b"\x16\x03\x01\x02\x00\x01"] {
        let mut stream = TcpStream::connect(hub.address()).await?;
        stream.write_all(begin).await?;
        waiting.push(stream);
    }
    let closed = waiting.into_iter().map(|mut stream| async move {
        let mut said = Vec::new();
        let end = timeout(DEADLINE, stream.read_to_end(&mut said)).await;
        ensure!(end.is_ok(), "the hub holds the connection");
        Ok(())
    });
    for closed in futures_util::future::join_all(closed).await {
        closed?;
    }
    connect(&hub, "127.0.0.1", &[authority(&hub)?]).await?;
    Ok(())
}

const DAY_S: u64 = 24 * 60 * 60;

/// Whether a phone so many days from now takes what the hub shows for it.
async fn trusted_in(hub: &Hub, days: u64) -> Result<bool> {
    let (ours, ahead) = (authority(hub)?, Duration::from_secs(days * DAY_S));
    let connected = connect_ahead(&hub.address(), "127.0.0.1", &[ours], ahead).await;
    Ok(connected.is_ok())
}

#[tokio::test(flavor = "multi_thread")]
async fn a_certificate_near_its_end_is_made_again_while_the_hub_runs() -> Result<()> {
    let clock = match WallClock::new() {
        Ok(clock) => clock,
        Err(why) => {
            println!("skipped: {why}");
            return Ok(());
        }
    };
    let (car, sheet) = (data::own("car.toml"), data::own("sheet.toml"));
    let hub = clock.of(Launch::serve(&car, &sheet).arg("--tls")).start();
    // Phones take none that is good for longer than 398 days, so this one ends.
    assert!(trusted_in(&hub, 0).await? && trusted_in(&hub, 390).await?);
    assert!(!trusted_in(&hub, 400).await?);
    // A season later, and the hub has not been started again: the phone that refused before is served.
    clock.set(380 * DAY_S as i64)?;
    eventually("a certificate for then", async || {
        trusted_in(&hub, 400).await.ok()?.then_some(())
    })
    .await;
    assert!(!trusted_in(&hub, 0).await?, "it begins then");
    // A laptop that had to be told the date: it began with one long gone by.
    clock.set(0)?;
    eventually("a certificate for now", async || {
        trusted_in(&hub, 0).await.ok()?.then_some(())
    })
    .await;
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn a_laptop_that_gets_another_address_makes_a_certificate_for_it() -> Result<()> {
    let net = match Netns::new() {
        Ok(net) => net,
        Err(why) => {
            println!("skipped: {why}");
            return Ok(());
        }
    };
    let (car, sheet) = (data::own("car.toml"), data::own("sheet.toml"));
    let hub = Launch::serve(&car, &sheet)
        .arg("--tls")
        .within(&net.within())
        .at(Ipv4Addr::UNSPECIFIED.into())
        .start();
    let port = hub
        .address()
        .rsplit(':')
        .next()
        .context("a port")?
        .to_owned();
    let ours = authority(&hub)?;
    let reach = async |ip: std::net::IpAddr| {
        let (address, trusted) = (format!("{ip}:{port}"), [ours.clone()]);
        connect_ahead(&address, &ip.to_string(), &trusted, Duration::ZERO).await
    };
    reach(net.hub_ip()).await?;
    let another = net.another_ip()?;
    let refused = reach(another).await.err().context("nobody spoke for it")?;
    assert!(
        format!("{refused:#}").contains("certificate"),
        "{refused:#}"
    );
    eventually("a certificate for the other address", async || {
        reach(another).await.ok()
    })
    .await;
    reach(net.hub_ip()).await?;
    Ok(())
}
