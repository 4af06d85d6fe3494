//! `spinover serve` and `spinover demo`: files and options in, a running hub out.

use super::network::Network;
use super::work::{Work, open};
use crate::{
    book::{Book, BookError, Loaded},
    bus::Bus,
    files::{self, CarFile, FileErrors, kept::Kept},
    serve::{
        self, Ending, Setup, codes, discovery, door::sessions::Sessions, files::Files,
        net::authority::Authority,
    },
};
use anyhow::{Context, anyhow};
use clap::Args;
use spinover_protocol::{event::Right, message::Join};
use std::{
    net::SocketAddr,
    path::{Path, PathBuf},
    process::ExitCode,
    sync::Arc,
    time::Duration,
};
use tokio::{net::TcpListener, sync::watch};

/// Options that both commands have.
#[derive(Debug, Args)]
struct Common {
    #[command(flatten)]
    network: Network,
    /// Code for the crew: see, call, type readings in, say seen. Random when absent. Better given by the environment: other
    /// users of this machine can see arguments.
    #[arg(
        long,
        env = "SPINOVER_CREW_CODE",
        hide_env_values = true,
        value_name = "CODE"
    )]
    crew_code: Option<String>,
    /// Code for the crew chief: also mark steps and set bands. Random when absent.
    #[arg(
        long,
        env = "SPINOVER_CHIEF_CODE",
        hide_env_values = true,
        value_name = "CODE"
    )]
    chief_code: Option<String>,
    /// The team's bus, a NATS server with JetStream, to publish the journal to and to hear of the other cars: nats://HOST:PORT, several with
    /// commas between, ?copies=3 in a cluster of three. See docs/bus.md.
    #[arg(long, env = "SPINOVER_BUS", hide_env_values = true, value_name = "URL")]
    bus: Option<Bus>,
    /// Encrypt all traffic, by a certificate authority of the hub's own that phones must trust first; see docs/security.md.
    /// The page that explains it is at http://ADDR:PORT/trust.
    #[arg(long)]
    tls: bool,
    /// Frames of readings a second that a phone is sent at most, 1 to 200. Twenty is faster than an eye follows a number; fewer save
    /// a weak Wi-Fi.
    #[arg(long, default_value_t = 20, value_name = "HZ", value_parser = clap::value_parser!(u16).range(1..=200))]
    frame_rate: u16,
    /// Forget the devices that have joined before: everyone needs a code again.
    #[arg(long)]
    forget_devices: bool,
}

/// Serve a crew.
///
/// The chief can change the files in the app (page "Laptop", "Change the files"); what is written is taken up at once, and the
/// files from before are kept in the data directory.
///
/// Prints `ready <url>` on standard output once the port accepts connections. Logs go to standard error.
#[derive(Debug, Args)]
pub struct ServeCommand {
    #[command(flatten)]
    common: Common,
    /// The car file (TOML); see docs/files.md.
    #[arg(long, value_name = "FILE")]
    car: PathBuf,
    /// A sheet (TOML); the first one is begun by itself, the chief can begin the others. May be given several times.
    #[arg(long, value_name = "FILE", required = true)]
    sheet: Vec<PathBuf>,
    /// A turnaround file (TOML): what is done between rounds; see docs/turnaround.md.
    #[arg(long, value_name = "FILE")]
    turnaround: Option<PathBuf>,
    /// A season file (TOML): what is counted until a part is due; see docs/season.md.
    #[arg(long, value_name = "FILE")]
    season: Option<PathBuf>,
    /// Directory that keeps the book; made when it is not there.
    #[arg(long, value_name = "DIR")]
    data: PathBuf,
    /// Where readings come from, in place of the car file's sources. May be given several times. See docs/sources.md:
    /// sim:, replay:FILE.csv?speed=1, lines:stdin, lines:tcp://ADDR:PORT and others.
    #[arg(long, value_name = "SPEC")]
    source: Vec<String>,
    /// Take charge again although a second laptop has taken over from this one: only when that one is off for good. See docs/standby.md.
    #[arg(long)]
    take_over: bool,
}

/// A simulated car and the demo sheets.
///
/// Writes its car file, sheets, turnaround file and season file to the folder `files` in the data directory where they are not there yet, and runs from
/// there, so that they can be changed as a team's own can. Delete that folder to have the demo's files anew.
#[derive(Debug, Args)]
pub struct DemoCommand {
    #[command(flatten)]
    common: Common,
    /// Directory that keeps the book and the demo's files; one that is thrown away afterwards when absent.
    #[arg(long, value_name = "DIR")]
    data: Option<PathBuf>,
    /// Replay a recorded cold start of a real engine with all five readings (a light aircraft's ground run; CSV from
    /// `cargo xtask setup`) in place of the simulated car.
    #[arg(long, value_name = "FILE.csv")]
    real: Option<PathBuf>,
    /// The simulated car goes through its warm-ups by itself, over and over, with nobody marking.
    #[arg(long, conflicts_with = "real")]
    auto: bool,
}

/// Why a hub could not run.
pub(super) enum Failed {
    /// The files or the usage are wrong: exit 2.
    Input(String),
    /// A source cannot be opened as it is named: exit 2.
    Source(anyhow::Error),
    /// It ran, and failed: exit 1.
    Run(anyhow::Error),
}

impl From<FileErrors> for Failed {
    fn from(errors: FileErrors) -> Self {
        Self::Input(errors.to_string())
    }
}

impl From<anyhow::Error> for Failed {
    fn from(error: anyhow::Error) -> Self {
        Self::Run(error)
    }
}

impl Failed {
    pub(super) fn words(&self) -> String {
        match self {
            Self::Input(text) => text.clone(),
            Self::Source(error) | Self::Run(error) => format!("{error:#}"),
        }
    }
}

pub(super) fn exit(result: Result<(), Failed>) -> ExitCode {
    let Err(failed) = result else {
        return ExitCode::SUCCESS;
    };
    let words = failed.words();
    match failed {
        Failed::Input(_) | Failed::Source(_) => {
            eprintln!("{words}");
            ExitCode::from(2)
        }
        Failed::Run(_) => {
            eprintln!("spinover: {words}");
            ExitCode::FAILURE
        }
    }
}

impl ServeCommand {
    /// Runs until it is told to stop.
    pub fn run(self) -> ExitCode {
        exit(self.serve())
    }

    fn serve(self) -> Result<(), Failed> {
        let work = Work {
            kept: Kept::new(self.car, self.sheet, &self.data),
            turnaround: self.turnaround,
            season: self.season,
        };
        hub(self.common, work, self.source, &self.data, self.take_over)
    }
}

impl DemoCommand {
    /// Runs until it is told to stop.
    pub fn run(self) -> ExitCode {
        exit(self.demo())
    }

    fn demo(self) -> Result<(), Failed> {
        let throwaway = tempfile::tempdir().context("no room for a throwaway book")?;
        let data = self.data.as_deref().unwrap_or(throwaway.path());
        let folder = data.join("files");
        let write = |name: &str, text: &str| -> Result<PathBuf, Failed> {
            let path = folder.join(name);
            let written = std::fs::create_dir_all(&folder).and_then(|()| match path.exists() {
                true => Ok(()),
                false => std::fs::write(&path, text),
            });
            written.with_context(|| format!("cannot write {}", path.display()))?;
            Ok(path)
        };
        let (car, sheets, [turnaround, season], spec) = match &self.real {
            None => {
                let spec = if self.auto { "sim:?auto=1" } else { "sim:" };
                let sheets = vec![
                    write("pit-warm-up.toml", files::demo::PIT_WARM_UP)?,
                    write("to-the-line.toml", files::demo::TO_THE_LINE)?,
                ];
                (
                    write("kestrel.toml", files::demo::KESTREL)?,
                    sheets,
                    [
                        Some(write("between-rounds.toml", files::demo::BETWEEN_ROUNDS)?),
                        Some(write("season.toml", files::demo::SEASON)?),
                    ],
                    spec.to_owned(),
                )
            }
            Some(path) => {
                let sheet = write("ground-run-sheet.toml", files::demo::GROUND_RUN_SHEET)?;
                let spec = format!("replay:{}?loop=1", path.display());
                (
                    write("ground-run.toml", files::demo::GROUND_RUN)?,
                    vec![sheet],
                    [None, None],
                    spec,
                )
            }
        };
        let work = Work {
            kept: Kept::new(car, sheets, data),
            turnaround,
            season,
        };
        hub(self.common, work, vec![spec], data, false)
    }
}

/// Host names that are some, and two codes that can be told apart and are not too easily guessed.
pub(super) fn good_names(
    host_names: &[String],
    crew_code: Option<&String>,
    chief_code: Option<&String>,
) -> Result<(), Failed> {
    for name in host_names {
        if !serve::door::hosts::is_name(name) {
            return Err(Failed::Input(format!(
                "`{name}` is no host name; give it without scheme and port, as in pit-laptop.lan"
            )));
        }
    }
    let given = [crew_code, chief_code];
    if given
        .into_iter()
        .flatten()
        .any(|code| codes::plain(code).chars().count() < 4)
    {
        return Err(Failed::Input(
            "a code has at least 4 letters or digits".to_owned(),
        ));
    }
    if let [Some(crew), Some(chief)] = given
        && codes::same(crew, chief)
    {
        return Err(Failed::Input(
            "the crew code and the chief code must differ".to_owned(),
        ));
    }
    Ok(())
}

fn hub(
    common: Common,
    work: Work,
    named: Vec<String>,
    data: &Path,
    take_charge: bool,
) -> Result<(), Failed> {
    let (crew, chief) = (common.crew_code.as_ref(), common.chief_code.as_ref());
    good_names(&common.network.host_name, crew, chief)?;
    let seed = u64::from(getrandom::u32().context("the system gives no random numbers")?);
    let mut found = work.load()?;
    let mut sources = open(&found.good.car, &named, seed)?;
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .enable_all()
        .build()
        .context("no runtime")?;
    let (stop_in, stop) = watch::channel(false);
    let mut listener = None;
    let mut devices = None;
    let mut codes = None;
    loop {
        let (book, loaded) = open_book(data)?;
        // The book is open, so the directory is there and no other hub's.
        let sessions = match &devices {
            Some(devices) => devices,
            None => {
                let sessions = Sessions::open(data, jiff::Timestamp::now().as_millisecond())
                    .with_context(|| format!("the devices in {} cannot be read", data.display()))?;
                if common.forget_devices {
                    sessions.forget();
                }
                devices.insert(Arc::new(sessions))
            }
        };
        let (crew_code, chief_code) = match codes.take() {
            Some(codes) => codes,
            // Their hashes are slow on purpose, and most of what a start takes; neither waits for the other.
            None => std::thread::scope(|scope| {
                let crew =
                    scope.spawn(|| code_for(sessions, Right::Crew, common.crew_code.clone()));
                let chief = code_for(sessions, Right::Chief, common.chief_code.clone())?;
                let crew = crew.join().map_err(|_| anyhow!("a code's hash broke"))??;
                Ok::<_, anyhow::Error>((crew, chief))
            })?,
        };
        let authority = if common.tls {
            let ip = common.network.listen.ip();
            Some(Authority::open(data, ip, &common.network.host_name).context("no encryption")?)
        } else {
            None
        };
        let first = listener.is_none();
        let port = match &listener {
            Some(port) => port,
            None => {
                let port = common.network.port()?;
                let stop_in = stop_in.clone();
                runtime.spawn(async move {
                    stop_signal().await;
                    tracing::info!("stopping");
                    stop_in.send_replace(true);
                });
                listener.insert(port)
            }
        };
        // Each run has a handle of its own; the port stays open between them, so that a phone that dials then waits.
        let port = port.try_clone().context("the port")?;
        let local = port.local_addr().context("the port has no address")?;
        let name = format!("{} · {}", found.good.car.car.team, found.good.car.car.name);
        let (again, from) = (named.clone(), work.clone());
        let trial = Box::new(move |file: &CarFile| from.could_run(file, &again, seed));
        let setup = Setup {
            car: found.good.car.car.clone(),
            sheets: found.good.sheets.clone(),
            plan: found.plan.clone(),
            counters: found.counters.clone(),
            sources,
            crew_code: crew_code.clone(),
            chief_code: chief_code.clone(),
            sessions: sessions.clone(),
            host_names: common.network.host_name.clone(),
            authority,
            announce: common.network.announced(),
            frame_every: Duration::from_secs_f64(1.0 / f64::from(common.frame_rate)),
            files: Some(Arc::new(Files::new(
                work.kept.clone(),
                found.good.versions.clone(),
                trial,
            ))),
            texts: found.texts.clone(),
            take_over: None,
            // Once: it must not take charge again from one that takes over while this one runs.
            take_charge: take_charge && first,
            bus: common.bus.clone(),
        };
        let announce = setup.announce;
        let ready = |join: &Join| match first {
            true => greet(&name, join, local, announce, &crew_code, &chief_code),
            false => tracing::info!("files taken up"),
        };
        let ending = runtime.block_on(async {
            let listener = TcpListener::from_std(port).context("the port")?;
            serve::run(listener, setup, book, loaded, stop.clone(), ready).await
        })?;
        codes = match ending {
            Ending::Stopped => break,
            Ending::Renewed {
                crew_code,
                chief_code,
            } => Some((crew_code, chief_code)),
        };
        // They were found good before this run was ended. Whatever has become of them since, the crew keeps a hub.
        let next = work.load().and_then(|next| {
            let sources = open(&next.good.car, &named, seed)?;
            Ok((next, sources))
        });
        match next {
            Ok((next, opened)) => (found, sources) = (next, opened),
            Err(failed) => {
                tracing::error!(
                    "the files cannot be taken up, those before hold: {}",
                    failed.words()
                );
                sources = open(&found.good.car, &named, seed)?;
            }
        }
    }
    // Reading standard input cannot be interrupted, so a runtime that waits for it would never end.
    runtime.shutdown_background();
    Ok(())
}

/// Opens the book for a hub.
pub(super) fn open_book(data: &Path) -> Result<(Book, Loaded), Failed> {
    Book::open(data).map_err(|error| match error {
        BookError::InUse(..)
        | BookError::Damaged(..)
        | BookError::Foreign(..)
        | BookError::Newer(..) => Failed::Run(anyhow!("{error}")),
        error => Failed::Run(anyhow!(
            "the book in {} cannot be opened: {error}",
            data.display()
        )),
    })
}

/// The code to begin with: the one given, unless the chief has replaced it, else a random one.
pub(super) fn code_for(
    sessions: &Sessions,
    right: Right,
    given: Option<String>,
) -> Result<String, anyhow::Error> {
    let given = given.filter(|code| {
        let replaced = sessions.replaced(code);
        if replaced {
            tracing::warn!(
                "the {right:?} code that was given is one that the chief has replaced; a random one is made instead"
            );
        }
        !replaced
    });
    sessions.hold(right, given.as_deref())?;
    given.map_or_else(
        || codes::random_for(right).context("the system gives no random numbers"),
        Ok,
    )
}

/// Tells the terminal how to join, and whoever started us that the port is open.
pub(super) fn greet(
    name: &str,
    join: &Join,
    local: SocketAddr,
    announced: bool,
    crew_code: &str,
    chief_code: &str,
) {
    let urls = &join.urls;
    let scheme = if join.trust.is_some() {
        "https"
    } else {
        "http"
    };
    let first = urls.first().map_or("", String::as_str);
    let here = if local.ip().is_unspecified() {
        SocketAddr::from(([127, 0, 0, 1], local.port()))
    } else {
        local
    };
    println!("{name}\n{}", discovery::qr_terminal(first));
    println!("join        {first}");
    for other in urls.iter().skip(1) {
        println!("or          {other}");
    }
    if announced {
        println!("or          {scheme}://spinover.local:{}/", local.port());
    }
    println!("crew code   {crew_code}");
    println!("chief code  {chief_code}");
    println!("this laptop {scheme}://{here}/#{chief_code}");
    println!(
        "It advises and records; it never controls the car. The rule book and the licensed people decide."
    );
    if let Some(trust) = &join.trust {
        println!(
            "first time  {}  (how a phone comes to trust this hub)",
            trust.url
        );
        println!("fingerprint {}", trust.fingerprint);
    }
    println!("ready {scheme}://{here}");
}

/// Waits until the process is told to stop.
pub(super) async fn stop_signal() {
    let interrupt = tokio::signal::ctrl_c();
    #[cfg(unix)]
    {
        use tokio::signal::unix::{SignalKind, signal};
        match signal(SignalKind::terminate()) {
            Ok(mut terminate) => {
                tokio::select! { _ = interrupt => {}, _ = terminate.recv() => {} }
            }
            Err(_) => {
                let _ = interrupt.await;
            }
        }
    }
    #[cfg(not(unix))]
    {
        let _ = interrupt.await;
    }
}
