//! How many may come at once, and how long they may take: a whole pit behind one router gets in, and nobody holds the hub up by
//! holding connections.

use anyhow::{Context, Result};
use futures_util::future::join_all;
use spinover_tests::{
    DEADLINE, data, http,
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
