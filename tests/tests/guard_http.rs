//! What a page from elsewhere can do to the hub by way of a browser on the pit's network (nothing), what browsers are told to
//! forbid, and what odd paths and large requests come to.

use anyhow::{Context, Result};
use spinover_tests::{
    data, http,
    hub::{CREW_CODE, Hub, Launch},
};

fn hub() -> Hub {
    Launch::serve(&data::own("car.toml"), &data::own("sheet.toml"))
        .arg("--host-name")
        .arg("pit-laptop.lan")
        .start()
}

/// One request with those header lines.
async fn ask(
    hub: &Hub,
    line: &str,
    headers: &[String],
    body: &str,
) -> Result<Option<http::Answer>> {
    let mut head = format!("{line}\r\nConnection: close\r\n");
    for header in headers {
        head += &format!("{header}\r\n");
    }
    if !body.is_empty() {
        head += &format!("Content-Length: {}\r\n", body.len());
    }
    http::send(&hub.address(), format!("{head}\r\n{body}").as_bytes()).await
}

async fn status(hub: &Hub, line: &str, headers: &[String], body: &str) -> Result<u16> {
    Ok(ask(hub, line, headers, body)
        .await?
        .context("an answer")?
        .status)
}

fn upgrade(host: &str, origin: Option<&str>) -> Vec<String> {
    let mut headers = vec![
        format!("Host: {host}"),
        "Upgrade: websocket".to_owned(),
        // The example of RFC 6455, section 1.3.
        "Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==".to_owned(),
        "Sec-WebSocket-Version: 13".to_owned(),
    ];
    headers.extend(origin.map(|origin| format!("Origin: {origin}")));
    headers
}

/// The status of an upgrade, which is answered on a connection that stays open.
async fn opens(hub: &Hub, host: &str, origin: Option<&str>) -> Result<u16> {
    use tokio::io::{AsyncReadExt, AsyncWriteExt};
    let mut head = "GET /ws HTTP/1.1\r\nConnection: Upgrade\r\n".to_owned();
    for header in upgrade(host, origin) {
        head += &format!("{header}\r\n");
    }
    let mut stream = tokio::net::TcpStream::connect(hub.address()).await?;
    stream.write_all(format!("{head}\r\n").as_bytes()).await?;
    let mut answer = [0; 64];
    let mut at = 0;
    while at < 12 {
        let read = stream.read(&mut answer[at..]).await?;
        anyhow::ensure!(read > 0, "closed");
        at += read;
    }
    Ok(std::str::from_utf8(&answer[9..12])?.parse()?)
}

#[tokio::test]
async fn the_hub_answers_to_its_own_names_only() -> Result<()> {
    let hub = hub();
    let address = hub.address();
    let port = address.rsplit(':').next().expect("a port").to_owned();
    for host in [
        &address,
        &format!("localhost:{port}"),
        &format!("spinover.local:{port}"),
        "pit-laptop.lan",
        "PIT-LAPTOP.lan.",
        "[::1]",
        "192.0.2.7:1",
    ] {
        let got = status(
            &hub,
            "GET /healthz HTTP/1.1",
            &[format!("Host: {host}")],
            "",
        )
        .await?;
        assert_eq!(got, 200, "{host}");
    }
    for host in [
        "elsewhere.example",
        &format!("elsewhere.example:{port}"),
        "127.0.0.1.elsewhere.example",
        "spinover.local.elsewhere.example",
        "another.local",
    ] {
        for path in ["/", "/healthz", "/metrics", "/api/book", "/ws"] {
            let line = format!("GET {path} HTTP/1.1");
            let answer = ask(&hub, &line, &[format!("Host: {host}")], "")
                .await?
                .context("an answer")?;
            assert_eq!(answer.status, 421, "{host} {path}");
            assert!(
                !answer.text().contains("elsewhere"),
                "the name is not given back"
            );
        }
        assert_eq!(
            opens(&hub, host, Some(&format!("http://{host}"))).await?,
            421,
            "{host}"
        );
    }
    // No name, two names, and a name in the request line that the header does not bear out.
    let two = [
        format!("Host: {address}"),
        "Host: elsewhere.example".to_owned(),
    ];
    let absolute = "GET http://elsewhere.example/ HTTP/1.1";
    for (line, headers) in [
        ("GET / HTTP/1.0", &[][..]),
        ("GET / HTTP/1.1", &[][..]),
        ("GET / HTTP/1.1", &two[..]),
        (absolute, &two[..1]),
    ] {
        let got = status(&hub, line, headers, "").await?;
        assert!((400..500).contains(&got), "{line} {headers:?}: {got}");
    }
    Ok(())
}

#[tokio::test]
async fn another_sites_page_opens_no_socket_and_writes_nothing() -> Result<()> {
    let hub = hub();
    let address = hub.address();
    let own = format!("http://{address}");
    assert_eq!(
        opens(&hub, &address, None).await?,
        101,
        "a program names no page"
    );
    assert_eq!(opens(&hub, &address, Some(&own)).await?, 101);
    let near = format!("{own}.elsewhere.example");
    let strangers = [
        "http://elsewhere.example",
        "null",
        "https://127.0.0.1",
        "file://",
        near.as_str(),
    ];
    for origin in strangers {
        assert_eq!(opens(&hub, &address, Some(origin)).await?, 403, "{origin}");
    }
    let code = format!("Authorization: Bearer {CREW_CODE}");
    let base = [format!("Host: {address}"), code];
    let readings = "{\"engine_rpm\": 2400}\n";
    for (line, body) in [
        ("POST /api/readings HTTP/1.1", readings),
        ("PATCH /api/book/warmup/x HTTP/1.1", "{}"),
        ("POST /api/book/warmup/x/delete HTTP/1.1", "{}"),
        ("POST /api/devices/x/out HTTP/1.1", "{}"),
        ("POST /api/code HTTP/1.1", "{}"),
        ("DELETE / HTTP/1.1", ""),
    ] {
        for origin in strangers {
            let mut headers = base.to_vec();
            headers.push(format!("Origin: {origin}"));
            assert_eq!(
                status(&hub, line, &headers, body).await?,
                403,
                "{line} {origin}"
            );
        }
    }
    let mut headers = base.to_vec();
    headers.push(format!("Origin: {own}"));
    assert_eq!(
        status(&hub, "POST /api/readings HTTP/1.1", &headers, readings).await?,
        200
    );
    // Nobody is invited to read across sites either.
    for line in [
        "OPTIONS /api/readings HTTP/1.1",
        "GET /api/book HTTP/1.1",
        "GET / HTTP/1.1",
    ] {
        let mut headers = base.to_vec();
        headers.push("Origin: http://elsewhere.example".to_owned());
        headers.push("Access-Control-Request-Method: POST".to_owned());
        let answer = ask(&hub, line, &headers, "").await?.context("an answer")?;
        let shared = answer
            .headers
            .iter()
            .find(|(name, _)| name.starts_with("access-control-"));
        assert_eq!(shared, None, "{line}");
    }
    Ok(())
}

#[tokio::test]
async fn every_answer_forbids_what_we_do_not_use() -> Result<()> {
    let hub = hub();
    for path in [
        "/",
        "/start.js",
        "/style.css",
        "/no-link.html",
        "/nothing.here",
        "/api/book",
        "/book/none",
        "/healthz",
        "/metrics",
        "/api/devices",
    ] {
        let answer = http::get(&hub.address(), path, Some(CREW_CODE)).await?;
        let header = |name: &str| answer.header(name).unwrap_or_default().to_owned();
        assert_eq!(header("x-content-type-options"), "nosniff", "{path}");
        assert_eq!(header("referrer-policy"), "no-referrer", "{path}");
        assert_eq!(
            header("cross-origin-resource-policy"),
            "same-origin",
            "{path}"
        );
        assert_eq!(
            header("cross-origin-opener-policy"),
            "same-origin",
            "{path}"
        );
        let permissions = header("permissions-policy");
        for power in ["camera=()", "microphone=()", "geolocation=()", "usb=()"] {
            assert!(permissions.contains(power), "{path}: {permissions}");
        }
        let policy = header("content-security-policy");
        for needed in [
            "default-src 'none'",
            "frame-ancestors 'none'",
            "base-uri 'none'",
            "form-action 'none'",
        ] {
            assert!(policy.contains(needed), "{path}: {policy}");
        }
        for word in policy.split([' ', ';']) {
            assert!(
                ![
                    "'unsafe-inline'",
                    "'unsafe-eval'",
                    "'unsafe-hashes'",
                    "*",
                    "http:",
                    "https:",
                    "ws:",
                    "wss:"
                ]
                .contains(&word),
                "{path}: {policy}"
            );
        }
        if answer.status == 200 && (path.starts_with("/api") || path.starts_with("/metrics")) {
            assert_eq!(header("cache-control"), "no-store", "{path}");
        }
    }
    let page = http::get(&hub.address(), "/", None).await?;
    let policy = page.header("content-security-policy").expect("a policy");
    assert!(
        policy.contains(&format!("connect-src 'self' ws://{}", hub.address())),
        "{policy}"
    );
    // The page itself has nothing inline that would need more.
    let html = page.text();
    assert_eq!(page.status, 200, "build the app first: cargo xtask build");
    for script in html.split("<script").skip(1) {
        assert!(
            script
                .split('>')
                .next()
                .is_some_and(|tag| tag.contains("src=")),
            "inline: {script}"
        );
    }
    assert!(
        !html.contains("<style") && !html.contains(" style=") && !html.contains(" on"),
        "{html}"
    );
    Ok(())
}

#[tokio::test]
async fn odd_paths_lead_to_no_file() -> Result<()> {
    let hub = hub();
    let address = hub.address();
    // Words of files that lie beside and above what is served, and of one that every system has.
    let canaries = [
        "[package]",
        "[workspace]",
        "root:x:0",
        "argon2",
        "journal_mode",
    ];
    let long = "a".repeat(8_000);
    let dots = "../".repeat(12);
    let coded = "%2e%2e%2f".repeat(12);
    let paths = [
        "/../Cargo.toml".to_owned(),
        "/..%2fCargo.toml".to_owned(),
        "/%2e%2e/Cargo.toml".to_owned(),
        "/..\\Cargo.toml".to_owned(),
        "/..%5cCargo.toml".to_owned(),
        "/./../../Cargo.toml".to_owned(),
        "//etc/passwd".to_owned(),
        "/etc/passwd%00.css".to_owned(),
        "/style.css%00".to_owned(),
        "/style.css/../../Cargo.toml".to_owned(),
        format!("/{dots}etc/passwd"),
        format!("/{coded}etc/passwd"),
        format!("/book/{coded}etc%2fpasswd"),
        format!("/book/{coded}etc%2fpasswd.csv"),
        "/book/%2fetc%2fpasswd.json".to_owned(),
        "/book/..%5c..%5cspinover.db".to_owned(),
        "/book/%00".to_owned(),
        "/book/%00.csv".to_owned(),
        "/book/a%00b".to_owned(),
        "/book/%ff%fe.csv".to_owned(),
        "/book/..".to_owned(),
        "/book/%2e%2e".to_owned(),
        "/book/'%20or%201=1--".to_owned(),
        "/book/x%0d%0aset-cookie:a=b.csv".to_owned(),
        format!("/book/{long}"),
        format!("/book/{long}.csv"),
        format!("/api/book/warmup/{long}"),
        "/api/book/warmup/..%2f..%2fdevices.json".to_owned(),
        "/api/book/warmup/%00/frames?from=0&to=1&step=1".to_owned(),
        "/trust/../devices.json".to_owned(),
        "/devices.json".to_owned(),
        "/spinover.db".to_owned(),
        format!("/api/book/warmup/x/frames?from={long}"),
        "/api/book/warmup/x/frames?from=-9223372036854775808&to=9223372036854775807&step=0"
            .to_owned(),
    ];
    for path in &paths {
        let headers = [
            format!("Host: {address}"),
            format!("Authorization: Bearer {CREW_CODE}"),
        ];
        let line = format!("GET {path} HTTP/1.1");
        let Some(answer) = ask(&hub, &line, &headers, "").await? else {
            panic!("closed without an answer: {path:.80}");
        };
        let text = answer.text();
        for canary in canaries {
            assert!(
                !text.contains(canary),
                "{path:.80} gives a file: {text:.200}"
            );
        }
        assert!(answer.header("set-cookie").is_none(), "{path:.80}");
        assert_ne!(
            answer.status / 100,
            5,
            "{path:.80}: {} {text:.200}",
            answer.status
        );
        if answer.status == 200 {
            assert!(
                text.contains("<title>Spinover</title>"),
                "{path:.80} gives {text:.200}"
            );
        }
    }
    assert_eq!(http::get(&address, "/healthz", None).await?.status, 200);
    Ok(())
}

#[tokio::test]
async fn bodies_and_heads_have_limits() -> Result<()> {
    let hub = hub();
    let address = hub.address();
    let headers = |json: bool| {
        let mut headers = vec![
            format!("Host: {address}"),
            format!("Authorization: Bearer {CREW_CODE}"),
        ];
        if json {
            headers.push("Content-Type: application/json".to_owned());
        }
        headers
    };
    let megabyte = "x".repeat(1024 * 1024 + 1);
    let got = status(
        &hub,
        "POST /api/readings HTTP/1.1",
        &headers(false),
        &megabyte,
    )
    .await?;
    assert_eq!(got, 413);
    let some = format!("{{\"note\":\"{}\"}}", "x".repeat(64 * 1024));
    for line in [
        "PATCH /api/book/warmup/x HTTP/1.1",
        "POST /api/book/warmup/x/delete HTTP/1.1",
        "POST /api/devices/x/out HTTP/1.1",
        "POST /api/code HTTP/1.1",
    ] {
        let got = status(&hub, line, &headers(true), &some).await?;
        // What only the chief may do is refused before the body is looked at.
        assert!([413, 403].contains(&got), "{line}: {got}");
    }
    // Without a length, it is counted as it comes.
    let mut chunked = format!(
        "POST /api/readings HTTP/1.1\r\nConnection: close\r\nTransfer-Encoding: chunked\r\n{}\r\n\r\n",
        headers(false).join("\r\n")
    );
    for _ in 0..17 {
        chunked += &format!("10000\r\n{}\r\n", "y".repeat(0x10000));
    }
    chunked += "0\r\n\r\n";
    let answer = http::send(&address, chunked.as_bytes()).await?;
    assert!(answer.is_none_or(|answer| answer.status == 413));
    let mut many = headers(false);
    many.push(format!("Cookie: {}", "z".repeat(64 * 1024)));
    assert_eq!(status(&hub, "GET / HTTP/1.1", &many, "").await?, 431);
    assert_eq!(http::get(&address, "/healthz", None).await?.status, 200);
    Ok(())
}
