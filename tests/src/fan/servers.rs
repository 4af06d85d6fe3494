//! The servers that are measured: each is started, given clients, and fed.

use super::{
    CHANNELS,
    source::{Form, Template, mqtt},
    wire,
};
use crate::{
    hub::{CREW_CODE, Hub, Launch},
    wide,
};
use anyhow::{Context, Result, bail};
use spinover_protocol::{PROTOCOL_VERSION, SUBPROTOCOL};
use std::{
    io::{BufRead, BufReader, Read, Write},
    net::{TcpListener, TcpStream},
    path::Path,
    process::{Child, Command, Stdio},
    time::{Duration, Instant},
};
use tempfile::TempDir;

/// Which of them.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub enum Kind {
    /// The built hub.
    Hub,
    /// One write a client, and nothing else.
    Floor,
    /// Debian's Mosquitto, its clients over WebSocket.
    Mosquitto,
    /// Debian's nats-server, its clients over WebSocket.
    Nats,
}

impl Kind {
    /// Its name in what is printed.
    pub fn name(self) -> &'static str {
        match self {
            Self::Hub => "hub",
            Self::Floor => "floor",
            Self::Mosquitto => "mosquitto",
            Self::Nats => "nats",
        }
    }

    /// Whether it is on this machine.
    pub fn is_here(self) -> bool {
        let program = match self {
            Self::Hub | Self::Floor => return true,
            Self::Mosquitto => "mosquitto",
            Self::Nats => "nats-server",
        };
        let looked = Command::new(program).arg("-h").output();
        looked.is_ok()
    }
}

/// What a server is started for.
#[derive(Clone, Copy, Debug)]
pub struct Plan {
    /// Messages a second; the hub shows as many frames.
    pub rate: f64,
    /// Channels of the hub's car.
    pub channels: usize,
    /// The core that it is held to.
    pub core: Option<usize>,
}

impl Default for Plan {
    fn default() -> Self {
        Self {
            rate: 20.0,
            channels: CHANNELS,
            core: None,
        }
    }
}

/// A server under way.
pub struct Server {
    kind: Kind,
    channels: usize,
    clients: String,
    source: String,
    process: Process,
    _files: TempDir,
}

enum Process {
    Hub(Box<Hub>),
    Other(Child),
}

impl Drop for Process {
    fn drop(&mut self) {
        if let Self::Other(child) = self {
            let _ = child.kill();
            let _ = child.wait();
        }
    }
}

impl Server {
    /// Starts one on free ports.
    ///
    /// # Errors
    /// When it does not come up.
    pub fn start(kind: Kind, plan: Plan) -> Result<Self> {
        let files = tempfile::tempdir()?;
        match kind {
            Kind::Hub => start_hub(files, plan),
            Kind::Floor => start_floor(files, plan.core),
            Kind::Mosquitto => {
                let (plain, socket) = (free_port()?, free_port()?);
                let text = format!(
                    "allow_anonymous true\nset_tcp_nodelay true\nlistener {plain} 127.0.0.1\nlistener {socket}\nprotocol websockets\n"
                );
                let config = files.path().join("mosquitto.conf");
                std::fs::write(&config, text)?;
                start_broker(
                    kind,
                    "mosquitto",
                    &config,
                    [plain, socket],
                    plan.core,
                    files,
                )
            }
            Kind::Nats => {
                let (plain, socket) = (free_port()?, free_port()?);
                let text = format!(
                    "listen: \"127.0.0.1:{plain}\"\nwebsocket {{ listen: \"127.0.0.1:{socket}\", no_tls: true, compression: false }}\n"
                );
                let config = files.path().join("nats.conf");
                std::fs::write(&config, text)?;
                start_broker(
                    kind,
                    "nats-server",
                    &config,
                    [plain, socket],
                    plan.core,
                    files,
                )
            }
        }
    }

    /// Its process.
    pub fn pid(&self) -> u32 {
        match &self.process {
            Process::Hub(hub) => hub.pid(),
            Process::Other(child) => child.id(),
        }
    }

    /// The hub, where it is one.
    pub fn hub(&self) -> Option<&Hub> {
        match &self.process {
            Process::Hub(hub) => Some(hub),
            Process::Other(_) => None,
        }
    }

    /// Stops the hub as a service manager would: the folder of its book, which goes with what is returned.
    ///
    /// # Errors
    /// When it is no hub, or does not stop well.
    pub fn stop_hub(&mut self) -> Result<tempfile::TempDir> {
        let Process::Hub(hub) = &mut self.process else {
            bail!("no hub");
        };
        anyhow::ensure!(hub.stop().success(), "the hub did not stop well");
        let kept = tempfile::tempdir()?;
        for file in std::fs::read_dir(hub.data())?.flatten() {
            if file.file_type()?.is_file() {
                std::fs::copy(file.path(), kept.path().join(file.file_name()))?;
            }
        }
        Ok(kept)
    }

    /// One more client that has said all that it must to get messages.
    ///
    /// # Errors
    /// When it is not let in.
    pub fn client(&self, n: usize) -> Result<(TcpStream, Vec<u8>)> {
        self.client_on(TcpStream::connect(&self.clients)?, n)
    }

    /// So many of them, several at a time: a server that looks for new ones ten times a second has a thousand in within seconds.
    ///
    /// # Errors
    /// When one is not let in.
    pub fn clients(&self, count: usize) -> Result<Vec<(TcpStream, Vec<u8>)>> {
        const AT_ONCE: usize = 25;
        std::thread::scope(|scope| {
            let some = |first: usize| {
                let numbers = (first..count).step_by(AT_ONCE);
                numbers
                    .map(|n| self.client(n).with_context(|| format!("client {n}")))
                    .collect::<Result<Vec<_>>>()
            };
            let parts: Vec<_> = (0..AT_ONCE).map(|n| scope.spawn(move || some(n))).collect();
            let mut all = Vec::with_capacity(count);
            for part in parts {
                let part = part.join();
                all.extend(part.map_err(|_| anyhow::anyhow!("a client's thread broke"))??);
            }
            Ok(all)
        })
    }

    /// The same over a connection that is there.
    ///
    /// # Errors
    /// When it is not let in.
    pub fn client_on(&self, stream: TcpStream, n: usize) -> Result<(TcpStream, Vec<u8>)> {
        let open = |path, protocol| wire::open_on(stream, &self.clients, path, protocol);
        let (mut stream, rest) = match self.kind {
            Kind::Hub => open("/ws", Some(SUBPROTOCOL))?,
            Kind::Floor => open("/", None)?,
            Kind::Mosquitto => open("/mqtt", Some("mqtt"))?,
            Kind::Nats => open("/", None)?,
        };
        match self.kind {
            Kind::Hub => {
                let hello = serde_json::json!({
                    "type": "hello", "protocol": PROTOCOL_VERSION, "code": CREW_CODE, "name": format!("Phone {n}"),
                    "role": "idle", "device": format!("phone-{n:06}"),
                });
                stream.write_all(&wire::masked(true, hello.to_string().as_bytes()))?;
            }
            Kind::Floor => {}
            Kind::Mosquitto => {
                stream.write_all(&wire::masked(false, &connect(n)))?;
                // SUBSCRIBE to `f` at QoS 0.
                let subscribe = mqtt(0x82, &[0, 1, 0, 1, b'f', 0]);
                stream.write_all(&wire::masked(false, &subscribe))?;
            }
            Kind::Nats => {
                let words = b"CONNECT {\"verbose\":false,\"pedantic\":false}\r\nSUB f 1\r\n";
                stream.write_all(&wire::masked(false, words))?;
            }
        }
        Ok((stream, rest))
    }

    /// A client that reads nothing, with room for little, so that it is soon seen to take nothing. It shows that it is there, as a
    /// phone does whose page hangs while the system still answers.
    ///
    /// # Errors
    /// When it is not let in.
    pub fn stuck_client(&self, n: usize) -> Result<TcpStream> {
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_io()
            .build()?;
        let address = self.clients.parse()?;
        let stream = runtime.block_on(async {
            let socket = tokio::net::TcpSocket::new_v4()?;
            socket.set_recv_buffer_size(4096)?;
            socket.connect(address).await?.into_std()
        })?;
        stream.set_nonblocking(false)?;
        Ok(self.client_on(stream, n)?.0)
    }

    /// What each client sends to show that it is there, where it must.
    pub fn ping(&self) -> Option<(Vec<u8>, Duration)> {
        let every = Duration::from_millis(spinover_protocol::PING_MS as u64);
        let ping = wire::masked(true, br#"{"type":"ping","sent":1234567.5,"lag_ms":3}"#);
        (self.kind == Kind::Hub).then_some((ping, every))
    }

    /// Where the source sends to, greeted where it must be.
    ///
    /// # Errors
    /// When it is not let in.
    pub fn source(&self) -> Result<TcpStream> {
        let mut stream = TcpStream::connect(&self.source)?;
        stream.set_nodelay(true)?;
        match self.kind {
            Kind::Hub | Kind::Floor => {}
            Kind::Mosquitto => {
                stream.write_all(&connect(999_999))?;
                let mut answer = [0; 4];
                stream.read_exact(&mut answer)?;
                anyhow::ensure!(answer[3] == 0, "Mosquitto does not let the source in");
            }
            Kind::Nats => {
                let mut line = String::new();
                BufReader::new(stream.try_clone()?).read_line(&mut line)?;
                stream.write_all(b"CONNECT {\"verbose\":false,\"pedantic\":false}\r\n")?;
            }
        }
        Ok(stream)
    }

    /// How it takes messages; all but the hub are given the hub's own.
    pub fn form(&self, template: Option<&Template>) -> Result<Form> {
        let template = || template.cloned().context("a frame of the hub's first");
        Ok(match self.kind {
            Kind::Hub => Form::Lines(self.channels),
            Kind::Floor => Form::Framed(template()?),
            Kind::Mosquitto => Form::Mqtt(template()?),
            Kind::Nats => Form::Nats(template()?),
        })
    }
}

/// MQTT CONNECT: a clean session, nobody's name, no keep-alive.
fn connect(n: usize) -> Vec<u8> {
    let name = format!("client-{n}");
    let head = [
        &[0, 4][..],
        b"MQTT",
        &[4, 2, 0, 0, 0, name.len() as u8],
        name.as_bytes(),
    ];
    mqtt(0x10, &head.concat())
}

fn free_port() -> Result<u16> {
    Ok(TcpListener::bind("127.0.0.1:0")?.local_addr()?.port())
}

fn start_broker(
    kind: Kind,
    program: &str,
    config: &Path,
    [plain, socket]: [u16; 2],
    core: Option<usize>,
    files: TempDir,
) -> Result<Server> {
    let child = held(program.as_ref(), core)
        .arg("-c")
        .arg(config)
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .with_context(|| format!("{program} cannot be started"))?;
    let server = Server {
        kind,
        channels: CHANNELS,
        clients: format!("127.0.0.1:{socket}"),
        source: format!("127.0.0.1:{plain}"),
        process: Process::Other(child),
        _files: files,
    };
    let begun = Instant::now();
    while TcpStream::connect(&server.clients).is_err()
        || TcpStream::connect(&server.source).is_err()
    {
        if begun.elapsed() > crate::DEADLINE {
            bail!("{program} does not come up");
        }
        std::thread::sleep(Duration::from_millis(20));
    }
    Ok(server)
}

/// A program that runs on one core from its beginning, so that it makes no more threads than that one needs.
fn held(program: &std::ffi::OsStr, core: Option<usize>) -> Command {
    let Some(core) = core else {
        return Command::new(program);
    };
    let mut command = Command::new("taskset");
    command.args(["-c", &core.to_string()]).arg(program);
    command
}

fn start_floor(files: TempDir, core: Option<usize>) -> Result<Server> {
    let mut child = held(std::env::current_exe()?.as_ref(), core)
        .arg("--floor")
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .spawn()?;
    let mut line = String::new();
    BufReader::new(child.stdout.take().context("piped")?).read_line(&mut line)?;
    let mut words = line.split_whitespace().skip(1).map(str::to_owned);
    let (clients, source) = (
        words.next().context("no port")?,
        words.next().context("no port")?,
    );
    Ok(Server {
        kind: Kind::Floor,
        channels: CHANNELS,
        clients,
        source,
        process: Process::Other(child),
        _files: files,
    })
}

fn start_hub(files_at: TempDir, plan: Plan) -> Result<Server> {
    let [car, sheet] = wide::files(files_at.path(), plan.channels)?;
    let source = free_port()?;
    let mut launch = Launch::serve(&car, &sheet)
        .arg("--quiet-network")
        .source(format!("lines:tcp://127.0.0.1:{source}"));
    if plan.rate > 20.0 {
        launch = launch.arg("--frame-rate").arg(plan.rate.to_string());
    }
    if let Some(core) = plan.core {
        launch = launch.within(&["taskset", "-c", &core.to_string()]);
    }
    let hub = launch.start();
    Ok(Server {
        kind: Kind::Hub,
        channels: plan.channels,
        clients: hub.address(),
        source: format!("127.0.0.1:{source}"),
        process: Process::Hub(Box::new(hub)),
        _files: files_at,
    })
}
