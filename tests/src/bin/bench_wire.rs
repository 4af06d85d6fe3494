//! What a reading costs on the wire: the hub's frames as one phone gets them, beside one MQTT message a channel, and compressed.
//!
//! `bench_wire [--json] [--seconds S]`
//!
//! The built hub is fed 24 channels at 20 Hz, with noise in their last digits; one phone's stream is kept and looked at. Bytes are those
//! inside TCP, heads of WebSocket and MQTT included; a packet's own head comes on top, once for a frame of ours and once for what a
//! broker sends together. Compression is that of permessage-deflate (RFC 7692) as a library gives it, on the same frames.
#![forbid(unsafe_code)]

use anyhow::{Context, Result};
use clap::Parser;
use flate2::{Compress, Compression, FlushCompress};
use serde_json::{Value, json};
use spinover_tests::fan::{
    self, CHANNELS, Stamps,
    servers::{Kind, Plan, Server},
    source::{self, mqtt},
    wire,
};
use std::{collections::BTreeMap, io::Read, sync::Arc, time::Instant};

const RATE: f64 = 20.0;

fn main() -> Result<()> {
    let fan::Asked { json, seconds } = fan::Asked::parse();
    let (frames, took) = listen(seconds)?;
    let readings: Vec<&Vec<u8>> = frames
        .iter()
        .filter(|frame| kind(frame) == "readings")
        .collect();
    anyhow::ensure!(readings.len() > 50, "too few frames to measure");
    let count = (readings.len() * CHANNELS) as f64;
    let bytes = |frames: &[&Vec<u8>]| {
        let framed = frames.iter().map(|frame| wire::framed(frame).len());
        framed.sum::<usize>() as f64
    };
    let mut kinds: BTreeMap<String, f64> = BTreeMap::new();
    for frame in &frames {
        *kinds.entry(kind(frame)).or_default() += wire::framed(frame).len() as f64 / took;
    }
    let (each, together) = as_mqtt(&readings)?;
    let told = json!({
        "bytes_per_reading": bytes(&readings) / count,
        "mqtt_bytes_per_reading": each / count,
        "mqtt_ratio": bytes(&readings) / each,
        "mqtt_all_in_one_bytes_per_reading": together / count,
        "bytes_per_s_by_kind": kinds,
        "deflate": [
            deflated(&readings, 1, false)?, deflated(&readings, 6, false)?,
            deflated(&readings, 1, true)?, deflated(&readings, 6, true)?,
        ],
    });
    spinover_tests::tell(&told, json);
    Ok(())
}

/// What one phone gets in that time, from its first readings on, and the seconds that it took.
fn listen(seconds: f64) -> Result<(Vec<Vec<u8>>, f64)> {
    let server = Server::start(Kind::Hub, Plan::default())?;
    let (mut stream, mut bytes) = server.client(0)?;
    let (ping, every) = server.ping().context("a hub's clients ping")?;
    let stamps = Arc::new(Stamps::new(10_000));
    let source = source::Running::start(server.source()?, server.form(None)?, RATE, stamps);
    let (mut frames, mut begun, mut pinged) = (Vec::new(), None::<Instant>, Instant::now());
    let mut chunk = vec![0; 64 * 1024];
    loop {
        while let Some((start, end)) = wire::first(&bytes) {
            let frame = bytes[start..end].to_vec();
            bytes.drain(..end);
            // Before the source was heard, and the first stamp's digits, frames are shorter.
            if source.sent() > 20 && kind(&frame) == "readings" {
                begun.get_or_insert_with(Instant::now);
            }
            if begun.is_some() {
                frames.push(frame);
            }
        }
        if let Some(begun) = begun
            && begun.elapsed().as_secs_f64() >= seconds
        {
            source.stop()?;
            return Ok((frames, begun.elapsed().as_secs_f64()));
        }
        if pinged.elapsed() >= every {
            pinged = Instant::now();
            std::io::Write::write_all(&mut stream, &ping)?;
        }
        let count = stream.read(&mut chunk)?;
        anyhow::ensure!(count > 0, "the hub closed");
        bytes.extend_from_slice(&chunk[..count]);
    }
}

fn kind(frame: &[u8]) -> String {
    let value: Option<Value> = serde_json::from_slice(frame).ok();
    let kind = value.and_then(|value| Some(value["type"].as_str()?.to_owned()));
    kind.unwrap_or_default()
}

/// The same readings as MQTT 3.1.1 publishes them at QoS 0 inside WebSocket frames: a message a channel, with what a phone needs to know
/// of a reading as JSON; and all of them in one message, which is our frame with a topic.
fn as_mqtt(frames: &[&Vec<u8>]) -> Result<(f64, f64)> {
    let (mut each, mut together) = (0, 0);
    let publish = |topic: &str, payload: &[u8]| {
        let head = (topic.len() as u16).to_be_bytes();
        wire::framed(&mqtt(
            0x30,
            &[&head[..], topic.as_bytes(), payload].concat(),
        ))
        .len()
    };
    for frame in frames {
        let told: Value = serde_json::from_slice(frame)?;
        for channel in 0..CHANNELS {
            let quality = told["q"]
                .as_str()
                .and_then(|all| all.get(channel..=channel));
            let payload = json!({ "t": told["now"], "v": told["v"][channel], "q": quality, "age": told["age"][channel] });
            let topic = format!("kestrel/channel_{channel}");
            each += publish(&topic, payload.to_string().as_bytes());
        }
        together += publish("kestrel/readings", frame);
    }
    Ok((each as f64, together as f64))
}

/// Each frame deflated: with what went before in mind (each phone then has a compressor of its own), or by itself (once for everyone).
fn deflated(frames: &[&Vec<u8>], level: u32, keeps: bool) -> Result<Value> {
    let mut compress = Compress::new(Compression::new(level), false);
    let (mut after, mut before) = (0, 0);
    let mut room = Vec::with_capacity(64 * 1024);
    let begun = Instant::now();
    for frame in frames {
        if !keeps {
            compress.reset();
        }
        room.clear();
        compress.compress_vec(frame, &mut room, FlushCompress::Sync)?;
        anyhow::ensure!(room.ends_with(&[0, 0, 0xff, 0xff]), "no whole block");
        // Those four are left out on the wire (RFC 7692 section 7.2.1).
        after += wire::framed(&room[..room.len() - 4]).len();
        before += wire::framed(frame).len();
    }
    let us = begun.elapsed().as_secs_f64() * 1e6 / frames.len() as f64;
    let readings = (frames.len() * CHANNELS) as f64;
    Ok(json!({
        "level": level, "keeps_context": keeps, "ratio": after as f64 / before as f64,
        "bytes_per_reading": after as f64 / readings, "us_per_frame": us,
    }))
}
