//! `spinover serve` and `spinover demo`: files and options in, a running hub out.

use crate::{
    book::{Book, BookError, Loaded},
    bus::Bus,
    files::{self, CarFile, FileErrors},
    serve::{self, Setup, codes, discovery},
    sources::{self, Source},
};
use anyhow::{Context, anyhow};
use clap::Args;
use spinover_protocol::{
    hubs::FileText,
    sheet::Sheet,
    trust::{POSTED, source_name},
};
use std::{
    net::SocketAddr,
    path::{Path, PathBuf},
    process::ExitCode,
};
use tokio::{net::TcpListener, sync::watch};

/// Options that both commands have.
#[derive(Debug, Args)]
struct Common {
    /// Address and port to listen on; port 0 picks a free one.
    #[arg(long, default_value = "0.0.0.0:4780", value_name = "ADDR:PORT")]
    listen: SocketAddr,
    /// Code for the crew: see, call, type readings in, say seen. Random when absent.
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
    /// Publish the journal to the team's bus, a NATS server with JetStream: nats://HOST:PORT, several with commas between, ?copies=3 in
    /// a cluster of three. Only where this program was built with `--features bus`; see docs/bus.md.
    #[arg(long, env = "SPINOVER_BUS", value_name = "URL")]
    bus: Option<Bus>,
    /// Do not announce the hub as spinover.local on the network.
    #[arg(long)]
    quiet_network: bool,
}

/// Serve a crew.
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
#[derive(Debug, Args)]
pub struct DemoCommand {
    #[command(flatten)]
    common: Common,
    /// Directory that keeps the book; one that is thrown away afterwards when absent.
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

pub(super) fn exit(result: Result<(), Failed>) -> ExitCode {
    match result {
        Ok(()) => ExitCode::SUCCESS,
        Err(Failed::Input(text)) => {
            eprintln!("{text}");
            ExitCode::from(2)
        }
        Err(Failed::Run(error)) => {
            eprintln!("spinover: {error:#}");
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
        let car = files::load_car(&self.car)?;
        // Every mistake in every sheet is told at once.
        let (good, bad): (Vec<_>, Vec<_>) = files::load_sheets(&self.sheet, Some(&car))
            .into_iter()
            .partition(Result::is_ok);
        if !bad.is_empty() {
            let texts: Vec<String> = bad
                .into_iter()
                .filter_map(Result::err)
                .map(|errors| errors.to_string())
                .collect();
            return Err(Failed::Input(texts.join("\n")));
        }
        let sheets: Vec<Sheet> = good.into_iter().filter_map(Result::ok).collect();
        let car_file = self.car.display().to_string();
        for note in files::unknown_phases(&car_file, &car, &sheets.iter().collect::<Vec<_>>()) {
            tracing::warn!("{note}");
        }
        let specs = if self.source.is_empty() {
            car.sources.clone()
        } else {
            self.source
        };
        let mut files = vec![text(&self.car, &car.text)];
        for path in &self.sheet {
            let read = std::fs::read_to_string(path)
                .with_context(|| format!("{} cannot be read", path.display()))?;
            files.push(text(path, &read));
        }
        let start = Start {
            car,
            sheets,
            files,
            take_charge: self.take_over,
        };
        hub(self.common, start, &specs, &self.data)
    }
}

impl DemoCommand {
    /// Runs until it is told to stop.
    pub fn run(self) -> ExitCode {
        exit(self.demo())
    }

    fn demo(self) -> Result<(), Failed> {
        let (car, sheets, spec, texts) = match &self.real {
            None => {
                let spec = if self.auto { "sim:?auto=1" } else { "sim:" };
                let texts = vec![files::demo::PIT_WARM_UP, files::demo::TO_THE_LINE];
                (
                    files::demo::car()?,
                    files::demo::sheets()?,
                    spec.to_owned(),
                    texts,
                )
            }
            Some(path) => {
                let spec = format!("replay:{}?loop=1", path.display());
                (
                    files::demo::real_car()?,
                    vec![files::demo::real_sheet()?],
                    spec,
                    vec![files::demo::GROUND_RUN_SHEET],
                )
            }
        };
        let mut files = vec![text(Path::new("car.toml"), &car.text)];
        let sheet_text = |sheet: &str| text(Path::new("sheet.toml"), sheet);
        files.extend(texts.into_iter().map(sheet_text));
        let throwaway = tempfile::tempdir().context("no room for a throwaway book")?;
        let data = self.data.as_deref().unwrap_or(throwaway.path());
        let start = Start {
            car,
            sheets,
            files,
            take_charge: false,
        };
        hub(self.common, start, &[spec], data)
    }
}

/// What a hub is started with.
struct Start {
    car: CarFile,
    sheets: Vec<Sheet>,
    files: Vec<FileText>,
    take_charge: bool,
}

fn text(path: &Path, text: &str) -> FileText {
    let name = path.file_name().unwrap_or_default();
    FileText {
        name: name.to_string_lossy().into_owned(),
        text: text.to_owned(),
    }
}

/// Two codes that can be told apart and are not too easily guessed.
pub(super) fn good_codes(crew_code: &str, chief_code: &str) -> Result<(), Failed> {
    if [crew_code, chief_code]
        .iter()
        .any(|code| code.chars().filter(|c| c.is_alphanumeric()).count() < 4)
    {
        return Err(Failed::Input(
            "a code has at least 4 letters or digits".to_owned(),
        ));
    }
    if codes::same(crew_code, chief_code) {
        return Err(Failed::Input(
            "the crew code and the chief code must differ".to_owned(),
        ));
    }
    Ok(())
}

/// Opens the sources that the SPECs name.
pub(super) fn open_sources(
    file: &CarFile,
    specs: &[String],
) -> Result<Vec<Box<dyn Source>>, Failed> {
    let seed = u64::from(getrandom::u32().context("the system gives no random numbers")?);
    let given = sources::Setup {
        car: file.car.clone(),
        replay: file.replay.clone(),
        names: file.names.clone(),
        seed,
    };
    let open = |spec: &String| {
        sources::open(spec, &given).map_err(|error| Failed::Input(format!("{error:#}")))
    };
    specs.iter().map(open).collect()
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

fn hub(common: Common, start: Start, specs: &[String], data: &Path) -> Result<(), Failed> {
    let (file, sheets) = (start.car, start.sheets);
    let random = |groups| codes::random(groups).context("the system gives no random numbers");
    let crew_code = common.crew_code.map_or_else(|| random(2), Ok)?;
    let chief_code = common.chief_code.map_or_else(|| random(3), Ok)?;
    good_codes(&crew_code, &chief_code)?;
    names_are_told_apart(&file, specs)?;
    let opened = open_sources(&file, specs)?;
    if opened.is_empty() {
        tracing::warn!(
            "no source is named: readings come by POST /api/readings and from phones only"
        );
    }
    let (book, loaded) = open_book(data)?;
    let name = format!("{} · {}", file.car.team, file.car.name);
    let setup = Setup {
        car: file.car,
        sheets,
        sources: opened,
        crew_code: crew_code.clone(),
        chief_code: chief_code.clone(),
        announce: !common.quiet_network && !common.listen.ip().is_loopback(),
        files: start.files,
        take_over: None,
        take_charge: start.take_charge,
        bus: common.bus,
    };
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .enable_all()
        .build()
        .context("no runtime")?;
    runtime.block_on(async move {
        let listener = TcpListener::bind(common.listen)
            .await
            .with_context(|| format!("cannot listen on {}", common.listen))?;
        let local = listener.local_addr().context("the port has no address")?;
        let (stop_in, stop) = watch::channel(false);
        tokio::spawn(async move {
            stop_signal().await;
            tracing::info!("stopping");
            stop_in.send_replace(true);
        });
        let announce = setup.announce;
        let ready =
            move |urls: &[String]| greet(&name, urls, local, announce, &crew_code, &chief_code);
        serve::run(listener, setup, book, loaded, stop, ready).await
    })?;
    // Reading standard input cannot be interrupted, so a runtime that waits for it would never end.
    runtime.shutdown_background();
    Ok(())
}

/// Two sources of one name cannot be told apart. A preferred one that is not there may come another day.
pub(super) fn names_are_told_apart(file: &CarFile, specs: &[String]) -> Result<(), Failed> {
    let mut names = vec![POSTED];
    for name in specs.iter().filter_map(|spec| source_name(spec)) {
        if names.contains(&name) {
            return Err(Failed::Input(format!(
                "two sources are named `{name}`; give each a name of its own"
            )));
        }
        names.push(name);
    }
    for channel in &file.car.channels {
        for wanted in &channel.sensor.prefer {
            if !names.contains(&wanted.as_str()) {
                tracing::info!("{}: no source is named {wanted} today", channel.key);
            }
        }
    }
    Ok(())
}

/// Tells the terminal how to join, and whoever started us that the port is open.
pub(super) fn greet(
    name: &str,
    urls: &[String],
    local: SocketAddr,
    announced: bool,
    crew_code: &str,
    chief_code: &str,
) {
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
        println!("or          http://spinover.local:{}/", local.port());
    }
    println!("crew code   {crew_code}");
    println!("chief code  {chief_code}");
    println!("this laptop http://{here}/#{chief_code}");
    println!(
        "It advises and records; it never controls the car. The rule book and the licensed people decide."
    );
    println!("ready http://{here}");
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
