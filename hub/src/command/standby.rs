//! `spinover standby`: follow the hub on the first laptop, and take over from it.

use super::network::Network;
use super::{
    serve::{Failed, code_for, exit, good_names, greet, open_book, stop_signal},
    work::{Found, Work, open},
};
use crate::{
    book::{Book, Loaded},
    bus::Bus,
    core::{TakeOver, charge::Fence},
    files::{CarFile, kept::Kept},
    serve::{
        self, Ending, Setup, discovery,
        door::sessions::Sessions,
        files::Files,
        standby::{self, Contact, First, Given, Options, Outcome},
    },
    sources::Source,
};
use anyhow::Context;
use clap::Args;
use spinover_protocol::{
    event::Right,
    hubs::{FileKind, FileText},
    message::Join,
    record::Record,
};
use std::{
    path::{Path, PathBuf},
    process::ExitCode,
    sync::Arc,
    time::Duration,
};
use tokio::{net::TcpListener, sync::watch};

/// The hub in charge is called again after so long while there is nothing else to do.
const AGAIN_AFTER: Duration = Duration::from_secs(1);
/// Files of the first laptop, in the data directory.
const FILES: &str = "followed";

/// Follow the hub on the first laptop, and take over from it.
///
/// It keeps a copy of the first one's book, of its car file and of its sheets (DIR/followed), and shows phones the same. It takes
/// over when the chief says so on a phone or on this laptop's own page, or sends this process SIGUSR1; or, with
/// --by-itself, when the first one has been gone for a while. Phones find it by themselves. What two laptops cannot know is
/// said in docs/standby.md.
///
/// Prints `ready <url>` on standard output once the port accepts connections, and again when it has taken over. Logs go to
/// standard error.
#[derive(Debug, Args)]
pub struct StandbyCommand {
    /// Address of the hub in charge, http://ADDR:PORT.
    #[arg(long, value_name = "URL")]
    of: String,
    /// Directory that keeps this laptop's own book; made when it is not there.
    #[arg(long, value_name = "DIR")]
    data: PathBuf,
    /// The chief code of the hub in charge; it will be this one's too.
    #[arg(
        long = "code",
        env = "SPINOVER_CHIEF_CODE",
        hide_env_values = true,
        value_name = "CODE"
    )]
    chief_code: String,
    /// The crew code, for when the first laptop cannot be reached at the start; else that one gives it.
    #[arg(
        long,
        env = "SPINOVER_CREW_CODE",
        hide_env_values = true,
        value_name = "CODE"
    )]
    crew_code: Option<String>,
    #[command(flatten)]
    network: Network,
    /// Take over without anyone's word when the hub in charge has been gone for --after seconds. While the link between the two
    /// laptops is cut and both run, both may then take commands; see docs/standby.md before you choose this.
    #[arg(long)]
    by_itself: bool,
    /// Seconds, with --by-itself.
    #[arg(long, default_value_t = 10.0, value_name = "SECONDS", value_parser = seconds)]
    after: f64,
    /// Where readings come from once this laptop has taken over; opened only then. May be given several times.
    #[arg(long, value_name = "SPEC")]
    source: Vec<String>,
    /// The team's bus, once this laptop has taken over, as for `spinover serve`.
    #[arg(long, env = "SPINOVER_BUS", hide_env_values = true, value_name = "URL")]
    bus: Option<Bus>,
}

fn seconds(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(seconds) if (3.0..=3600.0).contains(&seconds) => Ok(seconds),
        _ => Err("from 3 to 3600 seconds; less would take a blip for an end".to_owned()),
    }
}

/// What the files are called here, in their order.
fn file_names(kinds: impl Iterator<Item = FileKind>) -> impl Iterator<Item = String> {
    let mut sheets = 0;
    kinds.map(move |kind| match kind {
        FileKind::Car => "car.toml".to_owned(),
        FileKind::Sheet => {
            sheets += 1;
            format!("sheet-{sheets}.toml")
        }
        FileKind::Turnaround => "turnaround.toml".to_owned(),
        FileKind::Season => "season.toml".to_owned(),
    })
}

/// Keeps the files where `spinover serve` can be given them by hand.
fn keep_files(data: &Path, given: &[FileText]) -> anyhow::Result<()> {
    let folder = data.join(FILES);
    if folder.exists() {
        std::fs::remove_dir_all(&folder).with_context(|| folder.display().to_string())?;
    }
    std::fs::create_dir_all(&folder).with_context(|| folder.display().to_string())?;
    for (name, file) in file_names(given.iter().map(|file| file.kind)).zip(given) {
        std::fs::write(folder.join(&name), &file.text).with_context(|| name)?;
    }
    Ok(())
}

/// What was kept before, when the first laptop cannot be reached.
fn kept_files(data: &Path) -> Vec<FileText> {
    let folder = data.join(FILES);
    let read = |(kind, name): (FileKind, String)| {
        let text = std::fs::read_to_string(folder.join(&name)).ok()?;
        Some(FileText { kind, name, text })
    };
    let kinds = || std::iter::once(FileKind::Car).chain(std::iter::repeat(FileKind::Sheet));
    let mut files: Vec<FileText> = kinds().zip(file_names(kinds())).map_while(read).collect();
    if !files.is_empty() {
        let beside = [FileKind::Turnaround, FileKind::Season].into_iter();
        let named = beside.clone().zip(file_names(beside));
        files.extend(named.filter_map(read));
    }
    files
}

/// The files of the hub in charge, as they lie here.
fn work(data: &Path, given: &[FileText]) -> Work {
    let folder = data.join(FILES);
    let (mut car, mut sheets) = (PathBuf::new(), Vec::new());
    let (mut turnaround, mut season) = (None, None);
    for (name, file) in file_names(given.iter().map(|file| file.kind)).zip(given) {
        let path = folder.join(name);
        match file.kind {
            FileKind::Car => car = path,
            FileKind::Sheet => sheets.push(path),
            FileKind::Turnaround => turnaround = Some(path),
            FileKind::Season => season = Some(path),
        }
    }
    Work {
        kept: Kept::new(car, sheets, data),
        turnaround,
        season,
    }
}

impl StandbyCommand {
    /// Runs until it is told to stop.
    pub fn run(self) -> ExitCode {
        exit(self.standby())
    }

    fn standby(self) -> Result<(), Failed> {
        let url = self.of.trim_end_matches('/').to_owned();
        if !["http://", "https://"]
            .iter()
            .any(|scheme| url.starts_with(scheme))
        {
            return Err(Failed::Input(format!(
                "--of {url} is no address of a hub; one looks like http://192.0.2.7:4780"
            )));
        }
        good_names(
            &self.network.host_name,
            self.crew_code.as_ref(),
            Some(&self.chief_code),
        )?;
        let runtime = tokio::runtime::Builder::new_multi_thread()
            .enable_all()
            .build()
            .context("no runtime")?;
        let done = runtime.block_on(Running::new(self, url)?.run());
        // Reading standard input cannot be interrupted, so a runtime that waits for it would never end.
        runtime.shutdown_background();
        done
    }
}

struct Running {
    options: StandbyCommand,
    first: First,
    /// One port for both halves of its life: phones that knock while it takes over wait a moment.
    port: std::net::TcpListener,
    given: Given,
    /// Devices that have joined here; read when the data directory is known to be no other hub's.
    sessions: Option<Arc<Sessions>>,
}

impl Running {
    fn new(options: StandbyCommand, url: String) -> Result<Self, Failed> {
        let port = options.network.port()?;
        let first = First {
            url,
            code: options.chief_code.clone(),
        };
        let given = Given {
            crew_code: options.crew_code.clone(),
            files: kept_files(&options.data),
            ..Given::default()
        };
        Ok(Self {
            options,
            first,
            port,
            given,
            sessions: None,
        })
    }

    fn listener(&self) -> anyhow::Result<TcpListener> {
        Ok(TcpListener::from_std(self.port.try_clone()?)?)
    }

    async fn run(mut self) -> Result<(), Failed> {
        let (stop_in, mut stop) = watch::channel(false);
        tokio::spawn(async move {
            stop_signal().await;
            tracing::info!("stopping");
            stop_in.send_replace(true);
        });
        let word = word();
        let address = self.port.local_addr().context("the port has no address")?;
        let urls = discovery::plain_urls(address, false);
        loop {
            // The first laptop is asked first; with files and a book of its own the standby can do without.
            let reached = tokio::select! {
                reached = standby::contact(&self.first, &urls, &self.options.data) => reached,
                _ = stop.wait_for(|stop| *stop) => return Ok(()),
            };
            let in_charge = match reached {
                Ok(Contact::Follows(given)) => {
                    keep_files(&self.options.data, &given.files)?;
                    self.given = given;
                    false
                }
                Ok(Contact::InCharge) => true,
                Err(error) => {
                    tracing::warn!("the hub in charge: {error:#}");
                    false
                }
            };
            let ready =
                !self.given.files.is_empty() && self.options.data.join("spinover.db").exists();
            if !ready {
                tokio::select! {
                    () = tokio::time::sleep(AGAIN_AFTER) => continue,
                    _ = stop.wait_for(|stop| *stop) => return Ok(()),
                }
            }
            let (book, loaded) = open_book(&self.options.data)?;
            if in_charge || is_in_charge(&loaded) {
                return self.serve(book, loaded, None, stop).await;
            }
            let outcome = self
                .follow(book, loaded, stop.clone(), word.clone())
                .await?;
            match outcome {
                Outcome::Stopped => return Ok(()),
                Outcome::Again => {}
                Outcome::TakeOver(over) => {
                    let (book, loaded) = open_book(&self.options.data)?;
                    return self.serve(book, loaded, Some(over), stop).await;
                }
            }
        }
    }

    /// The codes of the hub in charge; they are this one's too.
    fn codes(&mut self) -> anyhow::Result<(String, String)> {
        let sessions = self.sessions()?;
        Ok((
            code_for(&sessions, Right::Crew, self.given.crew_code.clone())?,
            code_for(
                &sessions,
                Right::Chief,
                Some(self.options.chief_code.clone()),
            )?,
        ))
    }

    /// The book must be open.
    fn sessions(&mut self) -> anyhow::Result<Arc<Sessions>> {
        if let Some(sessions) = &self.sessions {
            return Ok(sessions.clone());
        }
        let data = &self.options.data;
        let sessions = Sessions::open(data, jiff::Timestamp::now().as_millisecond())
            .with_context(|| format!("the devices in {} cannot be read", data.display()))?;
        Ok(self.sessions.insert(Arc::new(sessions)).clone())
    }

    /// Without sources, and without files to change.
    fn setup(
        &mut self,
        found: &Found,
        (crew_code, chief_code): (String, String),
    ) -> anyhow::Result<Setup> {
        Ok(Setup {
            car: found.good.car.car.clone(),
            sheets: found.good.sheets.clone(),
            plan: found.plan.clone(),
            counters: found.counters.clone(),
            frame_every: Duration::from_millis(serve::clerk::FRAME_EVERY_MS as u64),
            sources: Vec::new(),
            crew_code,
            chief_code,
            sessions: self.sessions()?,
            host_names: self.options.network.host_name.clone(),
            authority: None,
            announce: false,
            files: None,
            texts: found.texts.clone(),
            take_over: None,
            take_charge: false,
            bus: self.options.bus.clone(),
        })
    }

    async fn follow(
        &mut self,
        book: Book,
        loaded: Loaded,
        stop: watch::Receiver<bool>,
        word: watch::Receiver<bool>,
    ) -> Result<Outcome, Failed> {
        let found = work(&self.options.data, &self.given.files).load()?;
        let codes = self.codes()?;
        let setup = self.setup(&found, codes)?;
        let ready = self.greeting(&setup, false)?;
        let options = Options {
            first: self.first.clone(),
            given: self.given.clone(),
            by_itself: self
                .options
                .by_itself
                .then(|| Duration::from_secs_f64(self.options.after)),
            word,
        };
        let listener = self.listener()?;
        Ok(standby::follow(listener, setup, options, book, loaded, stop, ready).await?)
    }

    /// Is the hub in charge, as `spinover serve` is: also when its files are changed.
    async fn serve(
        mut self,
        mut book: Book,
        mut loaded: Loaded,
        mut over: Option<TakeOver>,
        stop: watch::Receiver<bool>,
    ) -> Result<(), Failed> {
        let seed = u64::from(getrandom::u32().context("the system gives no random numbers")?);
        let work = work(&self.options.data, &self.given.files);
        let named = self.options.source.clone();
        let mut found = work.load()?;
        let mut codes = self.codes()?;
        loop {
            let mut setup = self.setup(&found, codes)?;
            setup.sources = opened(&found.good.car, &named, seed);
            setup.take_over = over.take();
            setup.announce = self.options.network.announced();
            let (again, from) = (named.clone(), work.clone());
            let trial = move |file: &CarFile| match again.is_empty() {
                // The car file's own sources are the first laptop's.
                true => from
                    .plan(Some(file))
                    .map(drop)
                    .map_err(|errors| errors.to_string()),
                false => from.could_run(file, &again, seed),
            };
            setup.files = Some(Arc::new(Files::new(
                work.kept.clone(),
                found.good.versions.clone(),
                Box::new(trial),
            )));
            let ready = self.greeting(&setup, true)?;
            let listener = self.listener()?;
            match serve::run(listener, setup, book, loaded, stop.clone(), ready).await? {
                Ending::Stopped => return Ok(()),
                Ending::Renewed {
                    crew_code,
                    chief_code,
                } => codes = (crew_code, chief_code),
            }
            match work.load() {
                Ok(next) => found = next,
                Err(failed) => tracing::error!(
                    "the files cannot be taken up, those before hold: {}",
                    failed.words()
                ),
            }
            (book, loaded) = open_book(&self.options.data)?;
        }
    }

    /// What it says on standard output when it is ready.
    fn greeting(
        &self,
        setup: &Setup,
        in_charge: bool,
    ) -> anyhow::Result<impl FnOnce(&Join) + use<>> {
        let local = self.port.local_addr().context("the port has no address")?;
        let what = match in_charge {
            true => "in charge".to_owned(),
            false => format!("second laptop, follows {}", self.first.url),
        };
        let name = format!("{} · {} ({what})", setup.car.team, setup.car.name);
        let (announce, crew, chief) = (
            setup.announce,
            setup.crew_code.clone(),
            setup.chief_code.clone(),
        );
        Ok(move |join: &Join| greet(&name, join, local, announce, &crew, &chief))
    }
}

/// A source that cannot be opened must not keep the laptop from taking over: marks and calls matter more.
fn opened(car: &CarFile, named: &[String], seed: u64) -> Vec<Box<dyn Source>> {
    let mut sources = Vec::new();
    for spec in named {
        match open(car, std::slice::from_ref(spec), seed) {
            Ok(opened) => sources.extend(opened),
            Err(failed) => tracing::error!("{spec}: {}", failed.words()),
        }
    }
    sources
}

/// Whether the last takeover in this book was this laptop's, as far as it knows.
fn is_in_charge(loaded: &Loaded) -> bool {
    let mut record = Record::default();
    loaded.events.iter().for_each(|event| record.apply(event));
    let fence = Fence::new(&loaded.kept.fence);
    let higher =
        |heard: &spinover_protocol::hubs::Charge| *heard > record.charge && fence.vouches(heard);
    record.charge.hub == loaded.kept.hub && !loaded.kept.heard.as_ref().is_some_and(higher)
}

/// Set when this process is sent SIGUSR1: the chief's word, from whoever can press keys on this laptop.
fn word() -> watch::Receiver<bool> {
    let (given, word) = watch::channel(false);
    #[cfg(unix)]
    tokio::spawn(async move {
        use tokio::signal::unix::{SignalKind, signal};
        if let Ok(mut signal) = signal(SignalKind::user_defined1()) {
            while signal.recv().await.is_some() {
                given.send_replace(true);
            }
        }
    });
    #[cfg(not(unix))]
    std::mem::forget(given);
    word
}
