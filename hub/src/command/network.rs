//! Where a hub is found: what `serve`, `demo` and `standby` are told of it.

use anyhow::Context;
use clap::Args;
use std::net::{SocketAddr, TcpListener};

/// Where a hub is found.
#[derive(Debug, Args)]
pub(super) struct Network {
    /// Address and port to listen on; port 0 picks a free one.
    #[arg(long, default_value = "0.0.0.0:4780", value_name = "ADDR:PORT")]
    pub listen: SocketAddr,
    /// Another name by which phones reach the hub, besides its addresses and spinover.local. May be given several times.
    #[arg(long, value_name = "NAME")]
    pub host_name: Vec<String>,
    /// Do not announce the hub as spinover.local on the network.
    #[arg(long)]
    pub quiet_network: bool,
}

impl Network {
    /// Opens the port.
    ///
    /// # Errors
    /// When it is taken, or not this machine's.
    pub fn port(&self) -> anyhow::Result<TcpListener> {
        let port = TcpListener::bind(self.listen)
            .with_context(|| format!("cannot listen on {}", self.listen))?;
        port.set_nonblocking(true).context("the port")?;
        Ok(port)
    }

    /// Whether the network is told of it.
    pub fn announced(&self) -> bool {
        !self.quiet_network && !self.listen.ip().is_loopback()
    }
}
