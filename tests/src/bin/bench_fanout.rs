//! What it costs to tell many phones: the hub beside two general brokers and a floor, under the same load in the same run.
//!
//! `bench_fanout [--json] [--phones 10,100,1000] [--rates 20,100] [--seconds S] [--rounds N] [--sleeping] [--only hub,floor,mosquitto,nats]`
//!
//! The server is held to one core, source and clients to another. All get the same message, a readings frame of 24 channels of the
//! hub's own; the hub makes it itself from a line of readings, the others are handed it. Latency is from the source's write to the
//! client's read. A *delivery* is one such message at one client. The hub's processor time holds everything else that it does
//! meanwhile too: judging, gates, the book on the disk, figures, everyone's pings. The brokers' clients send no pings.
//! Clients do not sleep between messages, so that no server pays for waking a process of its own machine, which a phone is not;
//! `--sleeping` has them do so. A machine is now faster and now slower by half, so servers take turns and ratios are medians of what stands side by side in a round.
#![forbid(unsafe_code)]

use anyhow::{Result, bail};
use clap::Parser;
use serde_json::{Map, Value, json};
use spinover_tests::{
    DEADLINE,
    fan::{
        self, CHANNELS, MARK, Stamps,
        crowd::{self, Crowd},
        servers::{Kind, Plan, Server},
        source::{self, Template},
        wire,
    },
    process,
};
use std::{
    io::Read,
    sync::Arc,
    time::{Duration, Instant},
};

/// What the one-line summary is of.
const TYPICAL: (usize, f64) = (100, 100.0);

#[derive(Parser)]
struct Options {
    /// Clients.
    #[arg(long, value_delimiter = ',', default_values_t = [10, 100, 1000])]
    phones: Vec<usize>,
    /// Frames a second.
    #[arg(long, value_delimiter = ',', default_values_t = [20.0, 100.0])]
    rates: Vec<f64>,
    /// How long each is measured.
    #[arg(long, default_value_t = 3.0)]
    seconds: f64,
    /// How often, the servers in turns.
    #[arg(long, default_value_t = 3)]
    rounds: u16,
    /// Clients sleep between messages, and servers pay for waking them.
    #[arg(long)]
    sleeping: bool,
    /// The servers.
    #[arg(long = "only", value_enum, value_delimiter = ',', default_values_t = [Kind::Floor, Kind::Hub, Kind::Mosquitto, Kind::Nats])]
    kinds: Vec<Kind>,
    /// One line of everything.
    #[arg(long)]
    json: bool,
    /// This program again, as the server that is the floor.
    #[arg(long, hide = true)]
    floor: bool,
}

fn main() -> Result<()> {
    let options = Options::parse();
    if options.floor {
        return fan::floor::serve();
    }
    let core = fan::apart();
    let template = capture()?;
    let kinds: Vec<Kind> = options
        .kinds
        .iter()
        .copied()
        .filter(|kind| kind.is_here())
        .collect();
    let mut runs = Vec::new();
    for &rate in &options.rates {
        for &phones in &options.phones {
            for _ in 0..options.rounds {
                for &kind in &kinds {
                    let load = Load {
                        phones,
                        rate,
                        seconds: options.seconds,
                        sleeping: options.sleeping,
                        ..Load::default()
                    };
                    runs.push(run(kind, &load, &template, core)?.told());
                }
            }
        }
    }
    // The same crew with a phone that takes nothing, and without, one after the other.
    let mut stuck = Vec::new();
    if kinds.contains(&Kind::Hub) {
        for round in 0..2 * options.rounds {
            let load = Load {
                phones: TYPICAL.0,
                rate: TYPICAL.1,
                seconds: options.seconds,
                sleeping: options.sleeping,
                stuck: usize::from(round % 2),
                ..Load::default()
            };
            stuck.push(run(Kind::Hub, &load, &template, core)?.told());
        }
    }
    let mut wide = Vec::new();
    if kinds.contains(&Kind::Hub) {
        for channels in [6, 24, 96] {
            let load = Load {
                channels,
                rate: 20.0,
                seconds: options.seconds,
                sleeping: options.sleeping,
                ..Load::default()
            };
            wide.push(run(Kind::Hub, &load, &template, core)?.told());
        }
    }
    let mut told = summary(&runs, &stuck, core.is_some(), template.length());
    told["growth"] = growth(&runs, &wide);
    let shown = if options.json { &told } else { &told["each"] };
    spinover_tests::tell(shown, options.json);
    Ok(())
}

struct Load {
    phones: usize,
    rate: f64,
    channels: usize,
    seconds: f64,
    stuck: usize,
    sleeping: bool,
}

impl Default for Load {
    fn default() -> Self {
        Self {
            phones: TYPICAL.0,
            rate: TYPICAL.1,
            channels: CHANNELS,
            seconds: 5.0,
            stuck: 0,
            sleeping: false,
        }
    }
}

#[derive(Clone, Debug)]
struct Run(Map<String, Value>);

impl Run {
    fn number(&self, key: &str) -> f64 {
        self.0.get(key).and_then(Value::as_f64).unwrap_or(f64::NAN)
    }

    fn is(&self, kind: Kind, phones: usize, rate: f64) -> bool {
        self.0["server"] == kind.name()
            && self.number("phones") == phones as f64
            && self.number("rate") == rate
    }

    /// Says how it went, where people read it: on the way, also where only one line is wanted in the end.
    fn told(self) -> Self {
        eprintln!(
            "{:>9} {:>5} phones x {:>3}/s{}: {:>6.2} us a delivery, delivered {:.4}, late p50 {:>6.0} p99 {:>7.0} max {:>7.0} us, {:>5.1} MB, {:.2} messages a frame",
            self.0["server"].as_str().unwrap_or_default(),
            self.number("phones"),
            self.number("rate"),
            if self.number("stuck") > 0.0 {
                " and one stuck"
            } else {
                ""
            },
            self.number("cpu_us_per_delivery"),
            self.number("delivered"),
            self.number("p50_us"),
            self.number("p99_us"),
            self.number("max_us"),
            self.number("rss_mb"),
            self.number("messages_per_frame"),
        );
        self
    }
}

fn run(kind: Kind, load: &Load, template: &Template, core: Option<usize>) -> Result<Run> {
    let plan = Plan {
        rate: load.rate,
        channels: load.channels,
        core,
    };
    let server = Server::start(kind, plan)?;
    let sockets = server.clients(load.phones)?;
    let stuck: Vec<_> = (0..load.stuck)
        .map(|n| server.stuck_client(load.phones + n))
        .collect::<Result<_>>()?;
    let stamps = Arc::new(Stamps::new(
        ((load.seconds + 90.0) * load.rate).ceil() as usize
    ));
    let crowd = Crowd::new(sockets, server.ping(), load.sleeping)?;
    let crowd = crowd::Running::start(crowd, stamps.clone());
    let form = server.form(Some(template))?;
    let source = source::Running::start(server.source()?, form, load.rate, stamps.clone());
    let begun = Instant::now();
    while crowd.reached() < load.phones as u64 {
        if begun.elapsed() > DEADLINE {
            bail!(
                "{}: messages reach {} of {} clients",
                kind.name(),
                crowd.reached(),
                load.phones
            );
        }
        std::thread::sleep(Duration::from_millis(20));
    }
    // What joining costs is not what is measured; a stuck phone's buffers fill meanwhile.
    std::thread::sleep(Duration::from_secs(if load.stuck > 0 { 4 } else { 2 }));
    let cpu = fan::cpu_ns(server.pid());
    let (sent, at) = (source.sent(), Instant::now());
    crowd.count(true);
    std::thread::sleep(Duration::from_secs_f64(load.seconds));
    crowd.count(false);
    let (sent, took) = (source.sent() - sent, at.elapsed().as_secs_f64());
    let cpu = cpu
        .zip(fan::cpu_ns(server.pid()))
        .map(|(before, after)| (after - before) as f64 / 1000.0);
    let memory = process::look(server.pid())?;
    let mut seen = crowd.stop()?;
    // A server that ends first may break the source's connection; that is no fault.
    let _ = source.stop();
    drop(stuck);
    let deliveries = seen.late_us.len() as f64;
    let max = seen.late_us.iter().max().copied().unwrap_or(0);
    let cpu_us = cpu.unwrap_or(f64::NAN);
    let told = json!({
        "server": kind.name(),
        "phones": load.phones,
        "rate": load.rate,
        "stuck": load.stuck,
        "sleeping": load.sleeping,
        "pinned": core.is_some(),
        "seconds": took,
        "deliveries": deliveries,
        "delivered": deliveries / (sent as f64 * load.phones as f64),
        "p50_us": fan::quantile(&mut seen.late_us, 0.5),
        "p99_us": fan::quantile(&mut seen.late_us, 0.99),
        "max_us": max,
        "cpu_us_per_delivery": cpu_us / deliveries,
        "cpu_us_per_frame": cpu_us / seen.frames as f64,
        "channels": load.channels,
        "cpu_us_per_reading": cpu_us / deliveries / load.channels as f64,
        "cpu_share": cpu_us / took / 1e6,
        "frames_per_delivery": seen.frames as f64 / deliveries,
        "messages_per_frame": deliveries / seen.stamped_frames as f64,
        "bytes_per_delivery": seen.bytes as f64 / deliveries,
        "frames_per_read": seen.frames as f64 / seen.reads as f64,
        "rss_mb": memory.rss_kb as f64 / 1024.0,
        "ended": seen.ended,
    });
    let Value::Object(told) = told else {
        bail!("no object");
    };
    Ok(Run(told))
}

/// A readings frame of the hub's, for the others to carry.
fn capture() -> Result<Template> {
    let server = Server::start(Kind::Hub, Plan::default())?;
    let (mut stream, mut bytes) = server.client(0)?;
    let stamps = Arc::new(Stamps::new(2_000));
    let source = source::Running::start(server.source()?, server.form(None)?, 20.0, stamps);
    let begun = Instant::now();
    let mut chunk = vec![0; 64 * 1024];
    while begun.elapsed() < DEADLINE {
        while let Some((start, end)) = wire::first(&bytes) {
            let payload = &bytes[start..end];
            if payload.starts_with(MARK)
                && let Ok(template) = Template::new(payload)
            {
                let _ = source.stop();
                return Ok(template);
            }
            bytes.drain(..end);
        }
        let count = stream.read(&mut chunk)?;
        bytes.extend_from_slice(&chunk[..count]);
    }
    bail!("the hub shows no readings")
}

/// How the hub's processor time, and one phone's bytes, grow: exponents of a power, 1 being linear.
fn growth(runs: &[Run], wide: &[Run]) -> Value {
    let hub = |run: &&Run| run.0["server"] == Kind::Hub.name();
    let fit = |runs: Vec<&Run>, over: &str, what: &str| {
        let points: Vec<(f64, f64)> = runs
            .iter()
            .map(|run| (run.number(over), run.number(what)))
            .collect();
        let points_told: Vec<[f64; 2]> = points.iter().map(|(x, y)| [*x, *y]).collect();
        json!({ "exponent": fan::power(&points).0, "points": points_told })
    };
    let at = |key: &'static str, value: f64| {
        let these = runs.iter().filter(hub);
        these
            .filter(|run| run.number(key) == value)
            .collect::<Vec<_>>()
    };
    json!({
        "cpu_over_phones_at_20": fit(at("rate", 20.0), "phones", "cpu_share"),
        "cpu_over_phones_at_100": fit(at("rate", 100.0), "phones", "cpu_share"),
        "cpu_over_rate_at_100_phones": fit(at("phones", 100.0), "rate", "cpu_share"),
        "memory_over_phones_at_20": fit(at("rate", 20.0), "phones", "rss_mb"),
        "cpu_over_channels": fit(wide.iter().collect(), "channels", "cpu_share"),
        "bytes_over_channels": fit(wide.iter().collect(), "channels", "bytes_per_delivery"),
    })
}

/// The middle of several; NaN of none.
fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(f64::NAN)
}

fn summary(runs: &[Run], stuck: &[Run], pinned: bool, bytes: usize) -> Value {
    let all = |kind: Kind, (phones, rate): (usize, f64), key: &str| -> Vec<f64> {
        let these = runs.iter().filter(|run| run.is(kind, phones, rate));
        these.map(|run| run.number(key)).collect()
    };
    let hub = |at, key: &str| median(all(Kind::Hub, at, key));
    // Of each round by itself: what the machine does meanwhile is then in both.
    let ratio = |to: Kind, at, key: &str| {
        let (own, other) = (all(Kind::Hub, at, key), all(to, at, key));
        median(
            own.iter()
                .zip(&other)
                .map(|(own, other)| own / other)
                .collect(),
        )
    };
    let cpu = "cpu_us_per_delivery";
    let ratios = |at: (usize, f64)| {
        json!({
            "phones": at.0,
            "rate": at.1,
            "delivered": hub(at, "delivered"),
            "hub_cpu_us_per_delivery": hub(at, cpu),
            "cpu_us_per_reading": hub(at, "cpu_us_per_reading"),
            "messages_per_frame": hub(at, "messages_per_frame"),
            "p99_us": hub(at, "p99_us"),
            "rss_mb": hub(at, "rss_mb"),
            "floor_ratio": ratio(Kind::Floor, at, cpu),
            "mosquitto_ratio": ratio(Kind::Mosquitto, at, cpu),
            "nats_ratio": ratio(Kind::Nats, at, cpu),
            "p99_floor_ratio": ratio(Kind::Floor, at, "p99_us"),
        })
    };
    let mut loads: Vec<(usize, f64)> = Vec::new();
    for run in runs {
        let at = (run.number("phones") as usize, run.number("rate"));
        if !loads.contains(&at) {
            loads.push(at);
        }
    }
    let p99 = |stuck_phones: f64| {
        let with = stuck
            .iter()
            .filter(|run| run.number("stuck") == stuck_phones);
        with.map(|run| run.number("p99_us")).collect::<Vec<_>>()
    };
    let stuck_p99 = p99(1.0).into_iter().zip(p99(0.0));
    let mut told = ratios(TYPICAL);
    told["stuck_p99_ratio"] =
        median(stuck_p99.map(|(with, without)| with / without).collect()).into();
    told["each"] = loads.into_iter().map(ratios).collect();
    told["message_bytes"] = bytes.into();
    told["channels"] = CHANNELS.into();
    told["pinned"] = pinned.into();
    told["runs"] = runs
        .iter()
        .chain(stuck)
        .map(|run| Value::Object(run.0.clone()))
        .collect();
    told
}
