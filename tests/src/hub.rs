//! A hub of a test's own: the real binary in a directory of its own, killed when the test ends, however it ends.

use crate::DEADLINE;
use std::{
    ffi::OsString,
    io::{BufRead, BufReader, Read},
    net::{IpAddr, Ipv4Addr, SocketAddr},
    path::{Path, PathBuf},
    process::{Child, ChildStdin, Command, ExitStatus, Output, Stdio},
    sync::{Arc, Mutex, mpsc},
    thread,
    time::Instant,
};
use tempfile::TempDir;

/// The crew code of every test hub.
pub const CREW_CODE: &str = "crew-code-for-tests";
/// The chief code of every test hub.
pub const CHIEF_CODE: &str = "chief-code-for-tests";

/// The hub's binary: what `SPINOVER_BIN` names, or the one that was built beside the running test.
///
/// # Panics
/// When there is none.
pub fn binary() -> PathBuf {
    if let Some(named) = std::env::var_os("SPINOVER_BIN") {
        return PathBuf::from(named);
    }
    let name = format!("spinover{}", std::env::consts::EXE_SUFFIX);
    let running = std::env::current_exe().expect("a running program has a place");
    let found = running
        .ancestors()
        .skip(1)
        .take(2)
        .map(|folder| folder.join(&name))
        .find(|path| path.is_file());
    found.unwrap_or_else(|| {
        panic!("no {name} beside the tests: run `cargo xtask test`, or `cargo build` first")
    })
}

/// Runs the binary to its end.
///
/// # Panics
/// When it cannot be started.
pub fn run(args: &[&str]) -> Output {
    Command::new(binary())
        .args(args)
        .stdin(Stdio::null())
        .output()
        .expect("the hub's binary can be started")
}

/// How a hub is to be started.
#[derive(Clone, Debug, Default)]
pub struct Launch {
    args: Vec<OsString>,
    envs: Vec<(String, String)>,
    stdin: bool,
    within: Vec<OsString>,
    ip: Option<IpAddr>,
    data: Option<PathBuf>,
}

impl Launch {
    /// The demo: a simulated car and the demo sheets.
    pub fn demo() -> Self {
        Self::default().arg("demo")
    }

    /// A car and a sheet of the test's own.
    pub fn serve(car: &Path, sheet: &Path) -> Self {
        Self::default()
            .arg("serve")
            .arg("--car")
            .arg(car)
            .arg("--sheet")
            .arg(sheet)
    }

    /// A second laptop that follows the hub at that address.
    pub fn standby(of: &str) -> Self {
        Self::default().arg("standby").arg("--of").arg(of)
    }

    /// One more argument.
    #[must_use]
    pub fn arg(mut self, arg: impl Into<OsString>) -> Self {
        self.args.push(arg.into());
        self
    }

    /// One more source.
    #[must_use]
    pub fn source(self, spec: impl Into<OsString>) -> Self {
        self.arg("--source").arg(spec)
    }

    /// An environment variable.
    #[must_use]
    pub fn env(mut self, name: &str, value: &str) -> Self {
        self.envs.push((name.to_owned(), value.to_owned()));
        self
    }

    /// With its standard input open, for [`Hub::stdin`].
    #[must_use]
    pub fn with_stdin(mut self) -> Self {
        self.stdin = true;
        self
    }

    /// Starts it on a free port with a book that is there; the folder must outlive it.
    ///
    /// # Panics
    /// When it does not say that it is ready.
    pub fn start_in(self, data: &Path) -> Hub {
        self.data(data).start()
    }

    /// Started by another program, which gets the hub's command line behind its own arguments: `prlimit`, `ip netns exec`.
    #[must_use]
    pub fn within(mut self, words: &[&str]) -> Self {
        self.within.extend(words.iter().map(OsString::from));
        self
    }

    /// At another address of this machine than the one it has for itself.
    #[must_use]
    pub fn at(mut self, ip: IpAddr) -> Self {
        self.ip = Some(ip);
        self
    }

    /// With its book in that folder, which is the test's to look after.
    #[must_use]
    pub fn data(mut self, folder: &Path) -> Self {
        self.data = Some(folder.to_owned());
        self
    }

    fn ip(&self) -> IpAddr {
        self.ip.unwrap_or(Ipv4Addr::LOCALHOST.into())
    }

    /// Starts it on a free port, with an empty book.
    ///
    /// # Panics
    /// When it does not say that it is ready.
    pub fn start(self) -> Hub {
        let own = TempDir::new().expect("room for a book");
        let data = self.data.clone().unwrap_or_else(|| own.path().to_owned());
        let running = Running::start(&self, &data, 0);
        Hub {
            launch: self,
            data,
            _own: own,
            running,
        }
    }

    /// Runs it on that port until it ends by itself, and returns what it said: for a hub that must not come up.
    ///
    /// # Panics
    /// When it has not ended by the deadline.
    pub fn fails(self, data: &Path, port: u16) -> Output {
        let mut command = self.command(data, port);
        let child = command.spawn().expect("the hub's binary can be started");
        let pid = child.id().to_string();
        let (told_in, told) = mpsc::channel();
        thread::spawn(move || told_in.send(child.wait_with_output()));
        match told.recv_timeout(DEADLINE) {
            Ok(output) => output.expect("a child can be waited for"),
            Err(_) => {
                let _ = Command::new("kill").args(["-KILL", &pid]).status();
                panic!("a hub came up that should have refused to");
            }
        }
    }

    fn command(&self, data: &Path, port: u16) -> Command {
        let mut words = self
            .within
            .iter()
            .cloned()
            .chain([binary().into_os_string()]);
        let mut command = Command::new(words.next().expect("the binary at least"));
        command.args(words);
        command
            .args(&self.args)
            .arg("--data")
            .arg(data)
            .arg("--listen")
            .arg(SocketAddr::new(self.ip(), port).to_string());
        command
            .env("SPINOVER_CREW_CODE", CREW_CODE)
            .env("SPINOVER_CHIEF_CODE", CHIEF_CODE);
        command.envs(self.envs.iter().map(|(name, value)| (name, value)));
        command.stdin(if self.stdin {
            Stdio::piped()
        } else {
            Stdio::null()
        });
        command.stdout(Stdio::piped()).stderr(Stdio::piped());
        command
    }
}

/// A running hub.
#[derive(Debug)]
pub struct Hub {
    launch: Launch,
    data: PathBuf,
    /// Gone with the hub.
    _own: TempDir,
    running: Running,
}

impl Hub {
    /// Its address: `127.0.0.1:PORT`, or where it was told to be.
    pub fn address(&self) -> String {
        SocketAddr::new(self.launch.ip(), self.running.port).to_string()
    }

    /// Its address as a page's: `http://127.0.0.1:PORT`.
    pub fn url(&self) -> String {
        format!("http://{}", self.address())
    }

    /// The directory of its book.
    pub fn data(&self) -> &Path {
        &self.data
    }

    /// Its process.
    pub fn pid(&self) -> u32 {
        self.running.child.id()
    }

    /// What it has printed on standard output so far.
    pub fn stdout(&self) -> String {
        text(&self.running.stdout)
    }

    /// What it has logged so far.
    pub fn stderr(&self) -> String {
        text(&self.running.stderr)
    }

    /// Its standard input; it is open until this is dropped.
    ///
    /// # Panics
    /// When it was not asked for, or taken before.
    pub fn stdin(&mut self) -> ChildStdin {
        self.running
            .child
            .stdin
            .take()
            .expect("a hub started with_stdin, and its input not taken yet")
    }

    /// Ends it as a power cut would: it is given no chance to write anything.
    pub fn kill(&mut self) {
        self.running.end();
    }

    /// Starts it otherwise from the next time on, with the same book and port.
    pub fn relaunch(&mut self, launch: Launch) {
        self.launch = launch;
    }

    /// Starts it again on the same port with the same book, after [`Hub::kill`] or [`Hub::stop`].
    ///
    /// # Panics
    /// When it does not say that it is ready.
    pub fn start_again(&mut self) {
        self.running.end();
        self.running = Running::start(&self.launch, &self.data, self.running.port);
    }

    /// Asks it to stop, as a service manager would, and waits until it has.
    ///
    /// # Panics
    /// When it has not stopped by the deadline.
    pub fn stop(&mut self) -> ExitStatus {
        self.signal("TERM");
        self.wait()
    }

    /// Sends it a signal: `TERM`, `USR1`.
    ///
    /// # Panics
    /// When it has ended.
    pub fn signal(&self, name: &str) {
        let told = Command::new("kill")
            .args([&format!("-{name}"), &self.pid().to_string()])
            .status()
            .expect("the kill command is there");
        assert!(told.success(), "the hub had ended before it was asked to");
    }

    /// Waits until it has ended by itself.
    ///
    /// # Panics
    /// When it has not by the deadline.
    pub fn wait(&mut self) -> ExitStatus {
        let begun = Instant::now();
        loop {
            if let Some(status) = self
                .running
                .child
                .try_wait()
                .expect("a child can be waited for")
            {
                return status;
            }
            assert!(
                begun.elapsed() < DEADLINE,
                "the hub did not end; it said:\n{}",
                self.stderr()
            );
            thread::sleep(crate::LOOK_EVERY);
        }
    }
}

fn text(lines: &Mutex<String>) -> String {
    lines
        .lock()
        .unwrap_or_else(|poisoned| poisoned.into_inner())
        .clone()
}

#[derive(Debug)]
struct Running {
    child: Child,
    port: u16,
    stdout: Arc<Mutex<String>>,
    stderr: Arc<Mutex<String>>,
}

impl Running {
    fn start(launch: &Launch, data: &Path, port: u16) -> Self {
        let mut command = launch.command(data, port);
        let mut child = command.spawn().expect("the hub's binary can be started");
        let (ready_in, ready) = mpsc::channel();
        let stdout = keep(child.stdout.take().expect("piped"), Some(ready_in));
        let stderr = keep(child.stderr.take().expect("piped"), None);
        let mut running = Self {
            child,
            port,
            stdout,
            stderr,
        };
        let Ok(url) = ready.recv_timeout(DEADLINE) else {
            running.end();
            panic!(
                "the hub did not get ready; it said:\n{}\n{}",
                text(&running.stdout),
                text(&running.stderr)
            );
        };
        let port = url
            .rsplit(':')
            .next()
            .and_then(|port| port.trim_end_matches('/').parse().ok());
        running.port = port.unwrap_or_else(|| panic!("no port in the ready line's {url}"));
        running
    }

    fn end(&mut self) {
        // It may have ended by itself; then there is nothing to kill, and nothing wrong with that.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        self.end();
        if thread::panicking() {
            let log = text(&self.stderr);
            let tail: Vec<&str> = log.lines().rev().take(30).collect();
            eprintln!("--- the hub's last words ---");
            tail.iter().rev().for_each(|line| eprintln!("{line}"));
        }
    }
}

/// Keeps what a stream brings; tells the address of the `ready` line.
fn keep(
    stream: impl Read + Send + 'static,
    ready: Option<mpsc::Sender<String>>,
) -> Arc<Mutex<String>> {
    let kept = Arc::new(Mutex::new(String::new()));
    let into = kept.clone();
    thread::spawn(move || {
        for line in BufReader::new(stream).lines().map_while(Result::ok) {
            // Kept first, so that whoever is told that it is ready finds the line among the others.
            let mut kept = into.lock().unwrap_or_else(|poisoned| poisoned.into_inner());
            kept.push_str(&line);
            kept.push('\n');
            drop(kept);
            if let (Some(ready), Some(url)) = (&ready, line.strip_prefix("ready ")) {
                let _ = ready.send(url.to_owned());
            }
        }
    });
    kept
}
