//! A network of the hub's own, joined to this one by a cable that can be pulled and made narrow. Linux, and root; elsewhere it
//! says why there is none.

use anyhow::{Result, bail};
use std::{
    net::{IpAddr, Ipv4Addr},
    process::{Command, Stdio},
    sync::atomic::{AtomicU32, Ordering},
};

static NEXT: AtomicU32 = AtomicU32::new(0);

/// The network. It is taken away when this is dropped.
#[derive(Debug)]
pub struct Netns {
    name: String,
    outer: String,
    inner: String,
    subnet: u8,
}

impl Netns {
    /// A new one.
    ///
    /// # Errors
    /// Why there can be none here.
    pub fn new() -> Result<Self, String> {
        let tag = std::process::id() * 10 + NEXT.fetch_add(1, Ordering::Relaxed);
        let net = Self {
            name: format!("spinover{tag}"),
            // Names of interfaces have 15 letters at most.
            outer: format!("so{tag}"),
            inner: format!("si{tag}"),
            subnet: (tag % 250) as u8,
        };
        let Self {
            name, outer, inner, ..
        } = &net;
        let (here, there) = (format!("{}/30", net.ip(1)), format!("{}/30", net.ip(2)));
        for words in [
            vec!["netns", "add", name],
            vec![
                "link", "add", outer, "type", "veth", "peer", "name", inner, "netns", name,
            ],
            vec!["addr", "add", &here, "dev", outer],
            vec!["link", "set", outer, "up"],
            vec!["-n", name, "addr", "add", &there, "dev", inner],
            vec!["-n", name, "link", "set", inner, "up"],
            vec!["-n", name, "link", "set", "lo", "up"],
        ] {
            // What was made already is taken away by the drop.
            run("ip", &words).map_err(|error| format!("no network namespace here: {error}"))?;
        }
        Ok(net)
    }

    fn ip(&self, host: u8) -> Ipv4Addr {
        Ipv4Addr::new(10, 213, self.subnet, host)
    }

    /// Where a hub in it listens.
    pub fn hub_ip(&self) -> IpAddr {
        self.ip(2).into()
    }

    /// The words before the command line of what is to run in it.
    pub fn within(&self) -> [&str; 4] {
        ["ip", "netns", "exec", &self.name]
    }

    /// Gives the hub's end another address beside the one that it has, as when it joins another network; which.
    ///
    /// # Errors
    /// What the system says.
    pub fn another_ip(&self) -> Result<IpAddr> {
        let (here, there) = (
            Ipv4Addr::new(10, 214, self.subnet, 1),
            Ipv4Addr::new(10, 214, self.subnet, 2),
        );
        let (name, inner, outer) = (&self.name, &self.inner, &self.outer);
        run("ip", &["addr", "add", &format!("{here}/30"), "dev", outer])?;
        run(
            "ip",
            &[
                "-n",
                name,
                "addr",
                "add",
                &format!("{there}/30"),
                "dev",
                inner,
            ],
        )?;
        Ok(there.into())
    }

    /// Plugs the cable in, or pulls it, at this end.
    ///
    /// # Errors
    /// What the system says.
    pub fn up(&self, up: bool) -> Result<()> {
        run(
            "ip",
            &["link", "set", &self.outer, if up { "up" } else { "down" }],
        )
    }

    /// Lets only so much through from the hub, such as `96kbit` a second.
    ///
    /// # Errors
    /// What the system says.
    pub fn limit(&self, rate: &str) -> Result<()> {
        let words = [
            "-n",
            &self.name,
            "qdisc",
            "replace",
            "dev",
            &self.inner,
            "root",
            "tbf",
        ];
        run(
            "tc",
            &[
                &words[..],
                &["rate", rate, "burst", "4kb", "latency", "400ms"],
            ]
            .concat(),
        )
    }
}

impl Drop for Netns {
    fn drop(&mut self) {
        // The cable goes with the network; each alone where making them ended half-way.
        let _ = run("ip", &["netns", "del", &self.name]);
        let _ = run("ip", &["link", "del", &self.outer]);
    }
}

fn run(program: &str, words: &[&str]) -> Result<()> {
    let output = Command::new(program)
        .args(words)
        .stdin(Stdio::null())
        .output()?;
    if !output.status.success() {
        bail!(
            "{program} {}: {}",
            words.join(" "),
            String::from_utf8_lossy(&output.stderr).trim()
        );
    }
    Ok(())
}
