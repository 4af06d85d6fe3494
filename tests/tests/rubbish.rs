//! Bad input to the lines of readings: counted and told, and never in the way of the good.

use spinover_protocol::message::{HubMessage, SourceHealth};
use spinover_tests::{
    data,
    hub::{CREW_CODE, Hub, Launch},
    phone::{Phone, Seen},
};
use std::io::Write as _;
use tokio::{io::AsyncWriteExt, net::TcpStream};

/// A hub that listens for lines at two ports.
fn hub() -> Hub {
    Launch::serve(&data::own("car.toml"), &data::own("sheet.toml"))
        .source("lines:tcp://127.0.0.1:0")
        .source("lines:tcp://127.0.0.1:0")
        .start()
}

/// The addresses that the hub listens at for lines, in the order in which its sources were named.
async fn ports(phone: &Phone) -> Vec<String> {
    phone
        .until("the sources", |seen| {
            seen.mirror()
                .sources
                .iter()
                .filter(|source| source.name.starts_with("lines:tcp://"))
                .count()
                == 2
        })
        .await;
    let address =
        |source: &SourceHealth| source.name.strip_prefix("lines:tcp://").map(str::to_owned);
    phone.look(|seen| seen.mirror().sources.iter().filter_map(address).collect())
}

fn faults(seen: &Seen, kind: &str) -> u64 {
    seen.mirror()
        .sources
        .iter()
        .flat_map(|source| &source.faults)
        .filter(|fault| fault.kind == kind)
        .map(|fault| fault.count)
        .sum()
}

#[tokio::test(flavor = "multi_thread")]
async fn every_kind_of_rubbish_is_counted_and_told() {
    let hub = hub();
    let phone = Phone::join(&hub, CREW_CODE, "Ash", "idle").await;
    let mut lines = TcpStream::connect(&ports(&phone).await[0])
        .await
        .expect("a port for lines");
    for (kind, line) in [
        ("malformed", "rpm is fine"),
        ("malformed", "[1, 2]"),
        ("malformed", "{\"engine_rpm\": 24"),
        ("unknown_channel", "{\"egine_rpm\": 2400}"),
        ("not_a_number", "{\"engine_rpm\": \"much\"}"),
        ("not_a_number", "{\"engine_rpm\": 1e999}"),
        ("absurd", "{\"engine_rpm\": 1e12}"),
    ] {
        let before = phone.look(|seen| faults(seen, kind));
        lines
            .write_all(format!("{line}\n").as_bytes())
            .await
            .expect("open");
        phone
            .until(&format!("{kind} for {line}"), |seen| {
                faults(seen, kind) > before
            })
            .await;
    }
    lines
        .write_all(b"{\"t\": 100, \"engine_rpm\": 2400}\n{\"t\": 50, \"engine_rpm\": 900}\n")
        .await
        .expect("open");
    phone
        .until("time back", |seen| faults(seen, "time_back") == 1)
        .await;
    assert_eq!(
        phone.look(|seen| seen.value("engine_rpm")),
        Some(2400.0),
        "what came with a time that went back is not taken"
    );

    // One good value beside a bad one is taken, and what is told is in words.
    lines
        .write_all(b"{\"t\": 101, \"oil_pressure\": 72, \"oil_presure\": 1}\n")
        .await
        .expect("open");
    phone
        .until("the good one", |seen| {
            seen.value("oil_pressure") == Some(72.0)
        })
        .await;
    phone
        .until("the hub's words", |seen| {
            seen.mirror()
                .sources
                .iter()
                .flat_map(|source| &source.faults)
                .any(|fault| fault.last.contains("oil_presure") && fault.last.len() <= 800)
        })
        .await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_line_of_ten_megabytes_is_one_fault() {
    let hub = hub();
    let phone = Phone::join(&hub, CREW_CODE, "Ash", "idle").await;
    let mut lines = TcpStream::connect(&ports(&phone).await[0])
        .await
        .expect("a port for lines");
    lines
        .write_all(b"{\"engine_rpm\": 2400, \"x\": \"")
        .await
        .expect("open");
    let megabyte = vec![b'a'; 1 << 20];
    for _ in 0..10 {
        lines.write_all(&megabyte).await.expect("open");
    }
    lines
        .write_all(b"\"}\n{\"engine_rpm\": 2500}\n")
        .await
        .expect("open");
    phone
        .until("the next good line", |seen| {
            seen.value("engine_rpm") == Some(2500.0)
        })
        .await;
    phone
        .until("one fault", |seen| faults(seen, "too_long") == 1)
        .await;
    assert_eq!(
        phone.look(|seen| seen
            .mirror()
            .sources
            .iter()
            .flat_map(|source| &source.faults)
            .map(|fault| fault.count)
            .sum::<u64>()),
        1
    );
}

#[tokio::test(flavor = "multi_thread")]
async fn a_flood_of_rubbish_stops_no_other_channel() {
    let hub = hub();
    let phone = Phone::join(&hub, CREW_CODE, "Ash", "idle").await;
    let ports = ports(&phone).await;
    let mut bad = TcpStream::connect(&ports[0])
        .await
        .expect("a port for lines");
    let mut good = TcpStream::connect(&ports[1])
        .await
        .expect("a port for lines");

    // Half a million lines as fast as the hub takes them: binary noise, unknown channels, and a channel that is real.
    let flood = tokio::spawn(async move {
        let mut chunk = Vec::new();
        for n in 0..1_000u32 {
            let _ = writeln!(chunk, "{{\"nobody_{n}\": {n}}}");
            chunk.extend_from_slice(&[0xff, 0xfe, n as u8, b'\n']);
            let _ = writeln!(chunk, "{{\"head_temp\": {}}}", n % 200);
        }
        let mut sent = 0;
        while sent < 500_000 {
            if bad.write_all(&chunk).await.is_err() {
                break;
            }
            sent += 3_000;
        }
        sent
    });
    // Meanwhile the good source's every value arrives, and commands are answered.
    for n in 1..=20 {
        let value = 2_000.0 + f64::from(n);
        good.write_all(format!("{{\"engine_rpm\": {value}}}\n").as_bytes())
            .await
            .expect("open");
        phone
            .until("the good value", |seen| {
                seen.value("engine_rpm") == Some(value)
            })
            .await;
        phone
            .done(spinover_protocol::message::Command::Note {
                text: format!("still here {n}"),
            })
            .await;
    }
    let sent = flood.await.expect("no panic");
    assert!(
        sent >= 500_000,
        "the hub closed the flood's socket after {sent} lines"
    );
    phone
        .until("all of it counted", |seen| {
            faults(seen, "unknown_channel") + faults(seen, "malformed") >= 2 * (sent / 3)
        })
        .await;
    assert_eq!(
        phone.look(|seen| seen.value("head_temp")),
        Some(199.0),
        "of the flood too, the last good value is there"
    );
    // What is told to phones is a handful of counts, however many lines there were.
    let told = phone.look(|seen| {
        let sizes = seen
            .heard
            .iter()
            .filter(|(_, message)| matches!(message, HubMessage::Sources { .. }));
        sizes
            .map(|(_, message)| serde_json::to_string(message).expect("JSON").len())
            .max()
    });
    assert!(told.expect("sources were told") < 8_000, "{told:?} bytes");
    let logged = hub.stderr().lines().count();
    assert!(logged < 2_000, "the log is not flooded: {logged} lines");
}

#[tokio::test(flavor = "multi_thread")]
async fn lines_come_by_standard_input_too() {
    let mut hub = Launch::serve(&data::own("car.toml"), &data::own("sheet.toml"))
        .source("lines:stdin")
        .with_stdin()
        .start();
    let mut stdin = hub.stdin();
    let phone = Phone::join(&hub, CREW_CODE, "Ash", "idle").await;
    stdin
        .write_all(b"{\"t\": 1, \"engine_rpm\": 2400}\n{\"t\": 1.05, \"engine_rpm\": 2410")
        .expect("open");
    phone
        .until("the first line", |seen| {
            seen.value("engine_rpm") == Some(2400.0)
        })
        .await;
    stdin.write_all(b"}\n").expect("open");
    phone
        .until("the second line, once it has its end", |seen| {
            seen.value("engine_rpm") == Some(2410.0)
        })
        .await;
    drop(stdin);
    // The pipe's end is no end of the hub.
    phone
        .done(spinover_protocol::message::Command::Note {
            text: "pipe closed".to_owned(),
        })
        .await;
}
