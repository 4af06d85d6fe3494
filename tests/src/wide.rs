//! A car of many channels, and a source that sends them all, for the benches: wider and faster than the demo's.

use anyhow::Result;
use std::{
    fmt::Write,
    path::{Path, PathBuf},
    sync::atomic::{AtomicBool, AtomicU64, Ordering},
    time::Duration,
};
use tokio::{io::AsyncWriteExt, net::TcpStream};

/// Its channels.
pub const CHANNELS: usize = 24;

/// Its file: channels whose values are never in doubt, so that frames are all alike; the first may be a number that only grows. Every
/// role shows them all.
fn car(channels: usize) -> String {
    let mut car = "team = \"Larkspur Racing\"\nname = \"Kestrel\"\n".to_owned();
    let mut strips = Vec::new();
    for n in 0..channels {
        let most = if n == 0 { 1e9 } else { 1000.0 };
        let _ = write!(
            car,
            "[[channel]]\nkey = \"channel_{n}\"\nunit = \"psi\"\nplausible = [-1000, {most}]\n"
        );
        if n > 0 {
            let _ = writeln!(car, "band = [20, 80]");
        }
        strips.push(format!("\"channel_{n}\""));
    }
    let strips = strips.join(", ");
    car + &["chief", "idle", "fuel"]
        .map(|role| format!("[[role]]\nkey = \"{role}\"\nstrips = [{strips}]\n"))
        .concat()
}

/// Its car file and a sheet for it, with a channel of it in its gate, in that folder.
///
/// # Errors
/// When they cannot be written.
pub fn files(folder: &Path, channels: usize) -> Result<[PathBuf; 2]> {
    let (car_file, sheet_file) = (folder.join("car.toml"), folder.join("sheet.toml"));
    std::fs::write(&car_file, car(channels))?;
    let sheet = std::fs::read_to_string(crate::data::own("sheet.toml"))?;
    std::fs::write(&sheet_file, sheet.replace("oil_pressure", "channel_1"))?;
    Ok([car_file, sheet_file])
}

/// The address of the hub's source of lines, once the hub has opened it.
pub fn lines_port(seen: &crate::phone::Seen) -> Option<String> {
    let source = seen
        .mirror()
        .sources
        .iter()
        .find_map(|source| source.name.strip_prefix("lines:tcp://"))?;
    (!source.ends_with(":0")).then(|| source.to_owned())
}

/// Sends a line of every channel so often a second until told to stop; counts the lines.
///
/// # Errors
/// When the hub hangs up.
pub async fn feed(
    mut to: TcpStream,
    rate_hz: u64,
    sent: &AtomicU64,
    stop: &AtomicBool,
) -> Result<()> {
    let mut ticks = tokio::time::interval(Duration::from_micros(1_000_000 / rate_hz));
    let mut line = String::new();
    while !stop.load(Ordering::Relaxed) {
        ticks.tick().await;
        let n = sent.load(Ordering::Relaxed);
        line.clear();
        let _ = write!(line, "{{\"t\":{:.2}", n as f64 / rate_hz as f64);
        for channel in 0..CHANNELS {
            // Waves of other lengths, with the last digits as noisy as a sensor's.
            let wave = (n as f64 / (40.0 + 17.0 * channel as f64)).sin() * 40.0 + 50.0;
            let noise = (n
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(channel as u64 * 977)
                >> 40)
                % 100;
            let _ = write!(
                line,
                ",\"channel_{channel}\":{:.2}",
                wave + noise as f64 / 100.0
            );
        }
        line.push_str("}\n");
        to.write_all(line.as_bytes()).await?;
        sent.store(n + 1, Ordering::Relaxed);
    }
    Ok(())
}
