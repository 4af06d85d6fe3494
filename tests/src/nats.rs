//! NATS servers of a test's own: one, or a cluster of three on this machine, each with a store of its own; ended with the test.

use crate::eventually;
use std::{
    net::{TcpListener, TcpStream},
    path::Path,
    process::{Child, Command, Stdio},
};
use tempfile::TempDir;

/// Where distributions put it: a server is not on everyone's PATH.
const PLACES: [&str; 3] = [
    "/usr/sbin/nats-server",
    "/usr/bin/nats-server",
    "/usr/local/bin/nats-server",
];

/// One server, running or not.
#[derive(Debug)]
struct Server {
    args: Vec<String>,
    port: u16,
    _store: TempDir,
    child: Option<Child>,
}

/// The servers of one bus.
#[derive(Debug)]
pub struct Servers {
    program: &'static str,
    all: Vec<Server>,
}

/// Free ports; somebody else could take one in between, and the test would say that a server did not start.
fn ports(count: usize) -> Vec<u16> {
    let hold = |_| TcpListener::bind("127.0.0.1:0").expect("a free port");
    let held: Vec<TcpListener> = (0..count).map(hold).collect();
    let port = |held: &TcpListener| held.local_addr().expect("an address").port();
    held.iter().map(port).collect()
}

impl Servers {
    /// So many servers that know each other, when they accept connections. None, and one line that says so, where the program is missing.
    pub async fn start(count: usize) -> Option<Self> {
        let Some(program) = PLACES.into_iter().find(|path| Path::new(path).is_file()) else {
            eprintln!("skipped: no nats-server here (Debian: apt-get install nats-server)");
            return None;
        };
        let (clients, routes) = (ports(count), ports(count));
        let known: Vec<String> = routes
            .iter()
            .map(|port| format!("nats://127.0.0.1:{port}"))
            .collect();
        let server = |n: usize| {
            let store = TempDir::new().expect("room for a store");
            let mut args: Vec<String> = ["-a", "127.0.0.1", "-js"].map(str::to_owned).to_vec();
            let mut add = |name: &str, value: String| args.extend([name.to_owned(), value]);
            add("-n", format!("n{n}"));
            add("-p", clients[n].to_string());
            add("-sd", store.path().display().to_string());
            if count > 1 {
                add("--cluster_name", "tests".to_owned());
                add("--cluster", known[n].clone());
                add("--routes", known.join(","));
            }
            Server {
                args,
                port: clients[n],
                _store: store,
                child: None,
            }
        };
        let mut servers = Self {
            program,
            all: (0..count).map(server).collect(),
        };
        for n in 0..count {
            servers.start_again(n).await;
        }
        Some(servers)
    }

    /// The bus as a hub is given it.
    pub fn url(&self) -> String {
        let address = |server: &Server| format!("nats://127.0.0.1:{}", server.port);
        let all: Vec<String> = self.all.iter().map(address).collect();
        match all.len() {
            1 => all.concat(),
            count => format!("{}?copies={count}", all.join(",")),
        }
    }

    /// Ends one as a power cut would.
    pub fn kill(&mut self, n: usize) {
        self.all[n].end();
    }

    /// Starts one, or starts it again with what it had.
    ///
    /// # Panics
    /// When it cannot be started, or does not accept connections.
    pub async fn start_again(&mut self, n: usize) {
        let program = self.program;
        let server = &mut self.all[n];
        let child = Command::new(program)
            .args(&server.args)
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn();
        server.child = Some(child.expect("nats-server can be started"));
        let port = server.port;
        eventually("nats-server to listen", async || {
            TcpStream::connect(("127.0.0.1", port)).ok().map(drop)
        })
        .await;
    }
}

impl Server {
    fn end(&mut self) {
        if let Some(mut child) = self.child.take() {
            let _ = child.kill();
            let _ = child.wait();
        }
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        self.end();
    }
}
