//! HTTP, the socket, joining, discovery. The only room that talks to phones.
//!
//! [`run`] takes everything from outside (listener, files, book, stop), so that tests can run a hub of their own.

mod airs;
mod book;
mod bus;
pub mod clerk;
pub mod codes;
pub mod discovery;
pub mod door;
mod fanout;
pub mod files;
pub mod helm;
pub mod history;
mod http;
pub mod keeper;
pub mod net;
pub mod peers;
mod photos;
mod reckoning;
mod recording;
pub mod season;
pub mod session;
pub mod shared;
mod socket;
pub mod standby;
mod tickets;
mod two;

use crate::{
    book::{Book, BookError, Loaded, Part},
    core::{
        Core, Journal, TakeOver,
        charge::{Fence, Place},
        feed::Report,
        lessons::Lessons,
    },
    sources::{Feed, Source, index::ChannelIndex, sim::SimControls},
};
use anyhow::Context;
use door::{Door, hosts::Hosts, sessions::Sessions};
use helm::{Following, Helm};
use keeper::{Clock, Counts, Keeper};
use net::{
    Tls,
    authority::Authority,
    trust::{self, About},
};
use peers::Peers;
use spinover_protocol::{
    car::Car,
    hubs::{FileText, Hubs, PeerMessage, Standing},
    message::{Control, HubMessage, Join, SourceState},
    record::Record,
    season::Counter,
    sheet::Sheet,
    trust::POSTED,
    turnaround::Plan,
};
use std::{
    sync::{Arc, RwLock},
    time::Duration,
};
use tokio::{
    net::TcpListener,
    sync::{mpsc, watch},
};

/// Reports that may wait for the keeper. A source that is faster waits; at 24 channels and 1 kHz this is half a second.
const REPORTS_WAITING: usize = 512;
/// Asks that may wait for the keeper.
const ASKS_WAITING: usize = 1024;

/// What a hub serves.
pub struct Setup {
    /// The car.
    pub car: Car,
    /// Sheets that can be begun, the first one by itself.
    pub sheets: Vec<Sheet>,
    /// What is done between rounds, where the team has a plan for it.
    pub plan: Option<Plan>,
    /// What is counted over the season.
    pub counters: Vec<Counter>,
    /// Where readings come from.
    pub sources: Vec<Box<dyn Source>>,
    /// The crew code.
    pub crew_code: String,
    /// The chief code.
    pub chief_code: String,
    /// Devices that have joined before.
    pub sessions: Arc<Sessions>,
    /// Names that the hub answers to besides its addresses and its announced one.
    pub host_names: Vec<String>,
    /// The hub's own authority, where traffic is to be encrypted.
    pub authority: Option<Authority>,
    /// Announce the hub on the local network by multicast DNS.
    pub announce: bool,
    /// Readings are shown this often at most.
    pub frame_every: Duration,
    /// The files that car and sheets were read from, for the chief to change.
    pub files: files::Room,
    /// The same files as they were read, for a second laptop.
    pub texts: Vec<FileText>,
    /// This hub was a standby, and takes over.
    pub take_over: Option<TakeOver>,
    /// It takes charge again although another hub took over from it.
    pub take_charge: bool,
    /// The team's bus.
    pub bus: Option<crate::bus::Bus>,
}

/// Why a hub ended.
#[derive(Clone, PartialEq, Eq)]
pub enum Ending {
    /// It was told to stop.
    Stopped,
    /// Its files were changed: it is to be run again from them, on the same port.
    Renewed {
        /// The crew code as it is now; the chief may have replaced the one that it began with.
        crew_code: String,
        /// The chief code as it is now.
        chief_code: String,
    },
}

/// What every connection can reach.
pub struct App {
    door: Arc<Door>,
    /// The hub's authority, where traffic is encrypted.
    about: Option<Arc<About>>,
    tickets: tickets::Tickets,
    car: Car,
    sheets: Vec<(String, String)>,
    journal: String,
    not_live: Option<String>,
    controls: Vec<Control>,
    /// Puts a message up on everyone's board.
    show: Box<dyn Fn(HubMessage) + Send + Sync>,
    clock: Clock,
    log: Arc<shared::EventLog>,
    board: watch::Receiver<shared::Board>,
    fanout: Arc<fanout::Fanout>,
    index: Arc<ChannelIndex>,
    asks: mpsc::Sender<keeper::Ask>,
    posted: Feed,
    book: Book,
    /// What takes much memory and time (photos, recordings) is done one at a time, so that it stands in nobody's way.
    heavy: tokio::sync::Semaphore,
    counts: Arc<Counts>,
    stop: watch::Receiver<bool>,
    peers: Peers,
    files: files::Room,
    /// Set to end this run and have the files taken up.
    renew: watch::Sender<bool>,
}

/// How long a source may take to let go of its port.
const SOURCE_GONE_WITHIN: Duration = Duration::from_secs(1);

/// Serves until `stop` is set or the files were changed, then says goodbye to the phones and writes out what waits. `ready` is
/// called once the port accepts connections, with the addresses to join by.
///
/// # Errors
/// When the listener has no address, or the server fails.
pub async fn run(
    listener: TcpListener,
    mut setup: Setup,
    book: Book,
    loaded: Loaded,
    mut stop: watch::Receiver<bool>,
    ready: impl FnOnce(&Join),
) -> anyhow::Result<Ending> {
    let (renew, mut renewed) = watch::channel(false);
    // Told to stop, or to be renewed: for phones and answers it is the same.
    let (halt_in, halt) = watch::channel(false);
    let halter = tokio::spawn(async move {
        tokio::select! {
            () = stopped(&mut stop) => {}
            () = stopped(&mut renewed) => {}
        }
        halt_in.send_replace(true);
    });
    let address = listener.local_addr().context("the port has no address")?;
    let urls = discovery::plain_urls(address, setup.authority.is_some());
    let place = place(&mut setup, &loaded, &urls).await?;
    if loaded.kept.heard.as_ref() != Some(place.highest()) && !place.highest().is_first() {
        let kept = book.keep_hubs(place.highest().clone(), loaded.kept.peers.clone());
        kept.await.context("the book's writer has gone")??;
    }
    let latest = loaded.events.last().map_or(0, |event| event.at);
    let clock = Clock::start(latest);
    let not_live = not_live(&setup.sources);
    let played = setup
        .sources
        .iter()
        .map(|source| source.not_live().is_some())
        .collect();
    let mut names: Vec<String> = setup.sources.iter().map(|source| source.name()).collect();
    // Readings that scripts post have a place in the list of their own.
    let posted_place = names.len();
    names.push(format!("{POSTED}=over HTTP"));
    let sim: Option<SimControls> = setup.sources.iter().find_map(|source| source.controls());
    let controls = sim.as_ref().map_or_else(Vec::new, SimControls::list);
    let journal = Journal {
        events: loaded.events,
        commands: loaded.commands,
        last: loaded.next_seq - 1,
        lessons: Lessons::default(),
    };
    let trainable = controls.iter().map(|control| control.key.clone()).collect();
    let mut core = Core::new(
        setup.car.clone(),
        setup.sheets.clone(),
        names,
        trainable,
        &journal,
    );

    core.plan(setup.plan);
    core.season(setup.counters.clone());
    core.played(played);
    let log = Arc::new(shared::EventLog::new(core.record().clone()));
    let (board_in, board) = watch::channel(shared::Board::default());
    let helm = Helm::new(&loaded.kept, place);
    let (following_in, following) = watch::channel(Following::default());
    let (hubs_in, hubs) = watch::channel(helm.hubs(0));
    let (over_in, over) = watch::channel(None);
    let (asks_in, asks) = mpsc::channel(ASKS_WAITING);
    let (reports_in, reports) = mpsc::channel::<(usize, Report)>(REPORTS_WAITING);
    let counts = Arc::new(Counts::default());
    // The keeper stops after the sockets, so that what they still brought is written down.
    let (keeper_stop_in, keeper_stop) = watch::channel(false);
    let keeper = Keeper {
        core,
        clock,
        book: book.clone(),
        log: log.clone(),
        board: board_in.clone(),
        asks,
        reports,
        controls: sim,
        counting: season::Counting::new(
            setup.counters,
            &setup.car,
            not_live.as_deref().unwrap_or(""),
        ),
        not_live: not_live.clone(),
        counts: counts.clone(),
        helm,
        take_over: setup.take_over,
        following,
        hubs: hubs_in,
        over: over_in,
        frame_every: setup.frame_every,
    };
    // What the book teaches takes as long to read as it holds much. The port is open meanwhile, and who knocks waits for this.
    let mut keeper = tokio::spawn(async move {
        let taught = tokio::task::spawn_blocking(move || taught(keeper)).await;
        let keeper = taught.map_err(|error| error.to_string())?;
        keeper.run(keeper_stop).await
    });
    let tasks: Vec<_> = setup
        .sources
        .into_iter()
        .enumerate()
        .map(|(place, source)| {
            tokio::spawn(run_source(source, Feed::new(place, reports_in.clone())))
        })
        .collect();

    let hosts = Arc::new(Hosts::new(&setup.host_names));
    let about = setup.authority.as_ref().map(|authority| {
        Arc::new(About {
            certificate: authority.der().to_vec(),
            fingerprint: authority.fingerprint(),
        })
    });
    let trust = about.as_deref().map(|about| trust::told(address, about));
    let secure = trust.is_some();
    let door = Arc::new(Door::new(
        setup.crew_code,
        setup.chief_code,
        setup.sessions,
        hosts.clone(),
        address,
        trust,
    ));
    let join = door.join();
    // A page that one of the hub's addresses gave may talk to the others.
    for url in &join.urls {
        hosts.allow(url.split("/#").next().unwrap_or(url));
    }
    let others = discovery::origins(&loaded.kept.peers);
    for origin in &others {
        hosts.allow(origin);
    }
    let tls = match setup.authority {
        Some(authority) => Some(Tls {
            config: authority.serve(halt.clone()).context("no encryption")?,
            plain: trust::plain(about.clone().context("no authority")?, hosts),
        }),
        None => None,
    };
    let announced = if setup.announce {
        discovery::announce(&setup.car, address, secure)
    } else {
        None
    };
    let app = Arc::new(App {
        door: door.clone(),
        about,
        show: Box::new({
            let board = board_in.clone();
            move |message| show(&board, &message)
        }),
        tickets: tickets::Tickets::default(),
        index: Arc::new(ChannelIndex::new(&setup.car)),
        car: setup.car,
        sheets: setup
            .sheets
            .iter()
            .map(|sheet| (sheet.key.clone(), sheet.name.clone()))
            .collect(),
        journal: loaded.journal,
        not_live,
        controls,
        clock,
        fanout: fanout::Fanout::start(&log, &board, &door.sessions.outs()),
        log,
        board,
        asks: asks_in,
        posted: Feed::new(posted_place, reports_in),
        book,
        heavy: tokio::sync::Semaphore::new(1),
        counts,
        peers: Peers {
            hub: loaded.kept.hub,
            fence: Fence::new(&loaded.kept.fence),
            urls,
            origins: RwLock::new(others),
            hubs,
            over,
            following: following_in,
            files: setup.texts,
        },
        stop: halt.clone(),
        files: setup.files,
        renew: renew.clone(),
    });
    let announced = tokio::spawn(withdraw_when_replaced(announced, app.peers.hubs.clone()));
    let comparing = tokio::spawn(peers::keep_comparing(app.clone()));
    let bus = setup
        .bus
        .map(|bus| tokio::spawn(bus::run(bus, app.clone())));
    ready(&join);
    let kept = tokio::spawn(door.sessions.clone().keep(halt.clone()));
    let telling = move |message| show(&board_in, &message);
    tokio::spawn(door.clone().watch(telling, halt.clone()));
    // Sockets end themselves on stop, after a goodbye.
    let server = net::serve(listener, http::router(app), tls, halt);
    tokio::select! {
        () = server => {}
        ended = &mut keeper => {
            let why = ended.context("the keeper broke")?.err().unwrap_or_default();
            anyhow::bail!("nothing can be written down any more: {why}");
        }
    }
    halter.abort();
    for task in tasks {
        task.abort();
        let _ = tokio::time::timeout(SOURCE_GONE_WITHIN, task).await;
    }
    announced.abort();
    comparing.abort();
    // What is not on the bus yet goes there when the hub runs again; nobody waits for it.
    bus.inspect(tokio::task::JoinHandle::abort);
    keeper_stop_in.send_replace(true);
    keeper
        .await
        .context("the keeper broke")?
        .map_err(anyhow::Error::msg)?;
    kept.await.context("the devices' list broke")?;
    Ok(match *renew.borrow() {
        true => {
            let (crew_code, chief_code) = door.codes();
            Ending::Renewed {
                crew_code,
                chief_code,
            }
        }
        false => Ending::Stopped,
    })
}

/// Whether this hub takes commands: what its book says, and what the other laptop says, if there was one and it can be reached.
async fn place(setup: &mut Setup, loaded: &Loaded, urls: &[String]) -> anyhow::Result<Place> {
    let mut record = Record::default();
    loaded.events.iter().for_each(|event| record.apply(event));
    let (kept, fence) = (&loaded.kept, Fence::new(&loaded.kept.fence));
    let heard = kept.heard.clone().filter(|charge| fence.vouches(charge));
    let mut place = Place::hub(record.charge, heard);
    if setup.take_over.is_none() && !kept.peers.is_empty() {
        let mine = PeerMessage::Charge {
            journal: loaded.journal.clone(),
            charge: place.highest().clone(),
            standing: place.standing(),
            urls: urls.to_vec(),
            by: None,
            command: None,
        };
        if let Some((charge, _)) = peers::ask_all(&kept.peers, &mine, &fence).await {
            place.hear(&charge);
        }
    }
    if setup.take_charge && place.standing() == Standing::Replaced {
        setup.take_over = Some(TakeOver {
            charge: place.next(&fence, &kept.hub),
            by: None,
            command: None,
            by_itself: false,
        });
    }
    if let Some(over) = &setup.take_over {
        anyhow::ensure!(
            place.take_over(over.charge.clone()),
            "another hub has taken over meanwhile"
        );
        tracing::warn!(epoch = over.charge.epoch, "this hub takes over");
    }
    if place.standing() == Standing::Replaced {
        tracing::warn!(
            "another laptop took over from this one ({}): readings show, nothing can be marked here. To follow it: `spinover standby`. If it is off for good: --take-over",
            kept.peers.join(", ")
        );
    }
    Ok(place)
}

/// The name on the network belongs to the hub in charge.
async fn withdraw_when_replaced(
    announced: Option<discovery::Announced>,
    mut hubs: watch::Receiver<Hubs>,
) {
    let replaced = |hubs: &Hubs| hubs.standing == Standing::Replaced;
    if hubs.wait_for(replaced).await.is_ok() {
        drop(announced);
        std::future::pending::<()>().await;
    }
}

/// Puts a message of the door's or the bus's up on everyone's board.
fn show(board: &watch::Sender<shared::Board>, message: &HubMessage) {
    let kind = match message {
        HubMessage::Join(_) => shared::Kind::Join,
        HubMessage::Team(_) => shared::Kind::Team,
        _ => shared::Kind::Guessing,
    };
    board.send_modify(|board| board.put(kind, message));
}

/// Waits until the hub is told to stop, or whoever could tell it has gone.
async fn stopped(stop: &mut watch::Receiver<bool>) {
    let _ = stop.wait_for(|stop| *stop).await;
}

/// Gives the figures what earlier warm-ups teach, and what this one read before the hub was started again.
fn taught(mut keeper: Keeper) -> Keeper {
    let source = keeper.not_live.as_deref().unwrap_or("");
    let reader = keeper.book.reader();
    match reader.and_then(|reader| history::lessons(&reader, keeper.core.car(), source)) {
        Ok(lessons) => keeper.core.know(lessons),
        Err(error) => tracing::warn!("the figures know no earlier warm-ups: {error}"),
    }
    recall(&mut keeper.core, &keeper.book);
    keeper
}

/// Gives the figures what the warm-up under way read before the hub was started again.
fn recall(core: &mut Core, book: &Book) {
    let Some(id) = core
        .record()
        .warmup
        .as_ref()
        .filter(|warmup| warmup.closed_at.is_none())
        .map(|warmup| warmup.id.clone())
    else {
        return;
    };
    let recalled = book.reader().and_then(|reader| {
        let (rows, lost) = reader.rows(&id, Part::default())?;
        rows.each_row(|t_us, cells| {
            let values: Vec<(usize, f64)> = cells
                .iter()
                .map(|(channel, value)| (usize::from(*channel), *value))
                .collect();
            core.recall(t_us, &values);
            Ok::<(), BookError>(())
        })?;
        Ok(lost)
    });
    match recalled {
        Ok(lost) if lost.is_empty() => {}
        Ok(lost) => tracing::warn!(
            "the figures go on without readings that the book has lost: {}",
            lost.join("; ")
        ),
        Err(error) => tracing::warn!("the figures begin anew: {error}"),
    }
}

/// Why the readings are not live: what the first source says that has something to say.
fn not_live(sources: &[Box<dyn Source>]) -> Option<String> {
    sources.iter().find_map(|source| source.not_live())
}

async fn run_source(source: Box<dyn Source>, feed: Feed) {
    let name = source.name();
    match source.run(feed.clone()).await {
        Ok(()) => tracing::info!("{name}: ended"),
        Err(error) => {
            tracing::error!("{name}: {error:#}");
            let _ = feed
                .fault(
                    crate::core::feed::FaultKind::Trouble,
                    1,
                    format!("{error:#}"),
                )
                .await;
            let _ = feed.state(SourceState::Failed).await;
        }
    }
}
