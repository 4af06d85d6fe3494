//! How many may come at once, and how long they may take: a whole pit behind one router gets in, and nobody holds the hub up by
//! holding connections.

use anyhow::{Context, Result};
use futures_util::future::join_all;
use spinover_tests::{
    DEADLINE, data, eventually, http,
    hub::{CREW_CODE, Hub, Launch},
    raw::{Raw, hello, hello_again},
};
use std::{net::Ipv4Addr, time::Duration};
use tokio::{
    io::{AsyncReadExt, AsyncWriteExt},
    net::{TcpSocket, TcpStream},
    time::timeout,
};

fn hub() -> Hub {
    Launch::serve(&data::own("car.toml"), &data::own("sheet.toml")).start()
}

/// Waits until the hub closes a connection; what it said before.
async fn closed(mut stream: TcpStream) -> Result<String> {
    let mut said = Vec::new();
    let end = timeout(DEADLINE, stream.read_to_end(&mut said)).await;
    // A reset is an end too.
    let _ = end.context("the hub holds the connection")?;
    Ok(String::from_utf8_lossy(&said).into_owned())
}

#[tokio::test(flavor = "multi_thread")]
async fn five_hundred_phones_behind_one_router_join_at_once_by_code_and_by_token() -> Result<()> {
    let hub = hub();
    let join = async |n: usize, token: Option<String>| -> Result<(Raw, Option<String>)> {
        let device = format!("phone-number-{n:03}");
        let mut raw = Raw::open(&hub).await?;
        let hello = match &token {
            Some(token) => hello_again(token, &device),
            None => hello(CREW_CODE, &device, None),
        };
        raw.send(&hello).await?;
        let welcome = raw
            .said()
            .await?
            .map_err(|why| anyhow::anyhow!("{why:?}"))?;
        Ok((raw, welcome.token))
    };
    let begun = std::time::Instant::now();
    let joined = join_all((0..500).map(|n| join(n, None))).await;
    let by_code = begun.elapsed();
    let mut tokens = Vec::new();
    let mut phones = Vec::new();
    for joined in joined {
        let (raw, token) = joined?;
        tokens.push(token.context("a token")?);
        phones.push(raw);
    }
    drop(phones);
    let begun = std::time::Instant::now();
    let back = join_all(
        tokens
            .into_iter()
            .enumerate()
            .map(|(n, token)| join(n, Some(token))),
    )
    .await;
    let by_token = begun.elapsed();
    let mut here = Vec::new();
    for back in back {
        here.push(back?);
    }
    println!("500 phones: by code in {by_code:?}, by token in {by_token:?}");
    let metrics = http::get(&hub.address(), "/metrics", None).await?.text();
    assert!(metrics.contains("spinover_sockets 500"), "{metrics}");
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn one_address_cannot_take_every_connection() -> Result<()> {
    let hub = hub();
    let open = async |from: Ipv4Addr| -> Result<TcpStream> {
        let socket = TcpSocket::new_v4()?;
        socket.bind((from, 0).into())?;
        Ok(socket.connect(hub.address().parse()?).await?)
    };
    let greedy = Ipv4Addr::new(127, 0, 0, 66);
    let mut held = Vec::new();
    for _ in 0..1_024 {
        held.push(open(greedy).await?);
    }
    // One more is closed without a word, though the others say nothing either.
    assert_eq!(closed(open(greedy).await?).await?, "");
    let mut other = open(Ipv4Addr::new(127, 0, 0, 67)).await?;
    let request = format!(
        "GET /healthz HTTP/1.1\r\nHost: {}\r\nConnection: close\r\n\r\n",
        hub.address()
    );
    other.write_all(request.as_bytes()).await?;
    assert!(closed(other).await?.starts_with("HTTP/1.1 200"));
    drop(held);
    Ok(())
}

#[tokio::test]
async fn who_says_nothing_or_drips_is_closed() -> Result<()> {
    let hub = hub();
    let address = hub.address();
    let silent = TcpStream::connect(&address).await?;
    let mut half = TcpStream::connect(&address).await?;
    half.write_all(format!("GET / HTTP/1.1\r\nHost: {address}\r\nX: ").as_bytes())
        .await?;
    let mut idle = TcpStream::connect(&address).await?;
    idle.write_all(format!("GET /healthz HTTP/1.1\r\nHost: {address}\r\n\r\n").as_bytes())
        .await?;
    let drip = async {
        let mut stream = TcpStream::connect(&address).await?;
        let head = format!(
            "POST /api/readings HTTP/1.1\r\nHost: {address}\r\nAuthorization: Bearer {CREW_CODE}\r\nContent-Length: 100000\r\n\r\n"
        );
        stream.write_all(head.as_bytes()).await?;
        let (mut from, mut to) = stream.into_split();
        // A byte now and again, for as long as the hub takes them.
        let dripping = tokio::spawn(async move {
            while to.write_all(b"x").await.is_ok() {
                tokio::time::sleep(Duration::from_millis(250)).await;
            }
        });
        let mut said = Vec::new();
        let end = timeout(DEADLINE, from.read_to_end(&mut said)).await;
        dripping.abort();
        let _ = end.context("the hub goes on taking drips")?;
        Ok::<_, anyhow::Error>(String::from_utf8_lossy(&said).into_owned())
    };
    let no_hello = async {
        let mut raw = Raw::open(&hub).await?;
        assert!(raw.next().await?.is_none(), "closed without a word");
        Ok::<_, anyhow::Error>(())
    };
    let (silent, half, idle, drip, no_hello) =
        tokio::join!(closed(silent), closed(half), closed(idle), drip, no_hello);
    assert_eq!(silent?, "");
    // The head never came to an end, so there is nothing to answer, or that it took too long.
    let half = half?;
    assert!(
        half.is_empty() || half.starts_with("HTTP/1.1 408"),
        "{half}"
    );
    assert!(idle?.starts_with("HTTP/1.1 200"));
    let drip = drip?;
    assert!(drip.is_empty() || drip.starts_with("HTTP/1.1 4"), "{drip}");
    no_hello?;
    Ok(())
}

/// Begins a handshake as TLS has it (content type 22) and goes no further.
async fn half_shaken(hub: &Hub, from: Ipv4Addr) -> Result<TcpStream> {
    let socket = TcpSocket::new_v4()?;
    socket.bind((from, 0).into())?;
    let mut stream = socket.connect(hub.address().parse()?).await?;
    stream.write_all(b"\x16\x03\x01\x02\x00\x01").await?;
    Ok(stream)
}

/// How many of those connections the hub still holds.
fn held(streams: &[TcpStream]) -> usize {
    let open = |stream: &&TcpStream| {
        let read = stream.try_read(&mut [0; 16]);
        read.is_err_and(|error| error.kind() == std::io::ErrorKind::WouldBlock)
    };
    streams.iter().filter(open).count()
}

/// A whole handshake, whoever the hub is: the answer's first byte is that of a handshake too.
async fn answered(hub: &Hub, from: Ipv4Addr) -> Result<()> {
    let provider = std::sync::Arc::new(rustls::crypto::ring::default_provider());
    let config = rustls::ClientConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()?
        .with_root_certificates(rustls::RootCertStore::empty())
        .with_no_client_auth();
    let name = "127.0.0.1".try_into()?;
    let mut client = rustls::ClientConnection::new(std::sync::Arc::new(config), name)?;
    let mut first = Vec::new();
    client.write_tls(&mut first)?;
    let socket = TcpSocket::new_v4()?;
    socket.bind((from, 0).into())?;
    let mut stream = socket.connect(hub.address().parse()?).await?;
    stream.write_all(&first).await?;
    let mut answer = [0];
    timeout(DEADLINE, stream.read_exact(&mut answer)).await??;
    anyhow::ensure!(answer[0] == 22, "{answer:?}");
    Ok(())
}

#[tokio::test(flavor = "multi_thread")]
async fn half_shaken_hands_hold_up_nobody_else() -> Result<()> {
    const FROM_ONE: usize = 64;
    let hub = Launch::serve(&data::own("car.toml"), &data::own("sheet.toml"))
        .arg("--tls")
        .start();
    let greedy = [Ipv4Addr::new(127, 0, 0, 71), Ipv4Addr::new(127, 0, 0, 72)];
    let begin = async |from: Ipv4Addr, count: usize| -> Result<Vec<TcpStream>> {
        let mut streams = Vec::new();
        for _ in 0..count {
            streams.push(half_shaken(&hub, from).await?);
        }
        Ok(streams)
    };
    // More than one address may have: the rest are closed at once, though none of them has used its time up.
    let one = begin(greedy[0], FROM_ONE + 16).await?;
    eventually("the hub to close what is too much", async || {
        (held(&one) <= FROM_ONE).then_some(())
    })
    .await;
    assert_eq!(held(&one), FROM_ONE);
    let honest = Ipv4Addr::new(127, 0, 0, 73);
    answered(&hub, honest).await?;
    // Two take every turn that there is, and again as soon as they are closed; whoever comes then has a turn all the same.
    let other = begin(greedy[1], FROM_ONE).await?;
    let greed = async {
        loop {
            for from in greedy {
                let _ = half_shaken(&hub, from).await;
            }
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
    };
    tokio::select! {
        answered = answered(&hub, honest) => answered?,
        () = greed => {}
    }
    drop((one, other));
    Ok(())
}
