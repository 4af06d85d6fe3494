//! HTTP, the socket, joining, discovery. The only room that talks to phones.
//!
//! [`run`] takes everything from outside (listener, files, book, stop), so that tests can run a hub of their own.

mod book;
pub mod codes;
pub mod discovery;
pub mod helm;
pub mod history;
mod http;
pub mod keeper;
pub mod peers;
pub mod shared;
mod socket;
pub mod standby;
mod tickets;
mod two;

use crate::{
    book::{Book, BookError, Loaded, Part},
    bus::Bus,
    core::{
        Core, Journal, TakeOver,
        charge::{Fence, Place},
        feed::Report,
    },
    sources::{Feed, Source, index::ChannelIndex, sim::SimControls},
};
use anyhow::Context;
use codes::Codes;
use helm::{Following, Helm};
use keeper::{Clock, Counts, Keeper};
use peers::Peers;
use spinover_protocol::{
    car::Car,
    hubs::{FileText, Hubs, PeerMessage, Standing},
    message::{Control, SourceState},
    record::Record,
    sheet::Sheet,
    trust::POSTED,
};
use std::{
    net::SocketAddr,
    sync::{Arc, RwLock},
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
    /// Where readings come from.
    pub sources: Vec<Box<dyn Source>>,
    /// The crew code.
    pub crew_code: String,
    /// The chief code.
    pub chief_code: String,
    /// Announce the hub on the local network by multicast DNS.
    pub announce: bool,
    /// The car file and the sheets as they were read, for a second laptop.
    pub files: Vec<FileText>,
    /// This hub was a standby, and takes over.
    pub take_over: Option<TakeOver>,
    /// It takes charge again although another hub took over from it.
    pub take_charge: bool,
    /// Where its journal is published.
    pub bus: Option<Bus>,
}

/// What every connection can reach.
pub struct App {
    codes: Codes,
    tickets: tickets::Tickets,
    car: Car,
    sheets: Vec<(String, String)>,
    journal: String,
    not_live: Option<String>,
    controls: Vec<Control>,
    join_urls: Vec<String>,
    join_qr: String,
    clock: Clock,
    log: Arc<shared::EventLog>,
    board: watch::Receiver<shared::Board>,
    index: Arc<ChannelIndex>,
    asks: mpsc::Sender<keeper::Ask>,
    posted: Feed,
    book: Book,
    counts: Arc<Counts>,
    peers: Peers,
    stop: watch::Receiver<bool>,
}

/// Serves until `stop` is set, then says goodbye to the phones and writes out what waits. `ready` is called once the port
/// accepts connections, with the addresses to join by.
///
/// # Errors
/// When the listener has no address, or the server fails.
pub async fn run(
    listener: TcpListener,
    mut setup: Setup,
    book: Book,
    loaded: Loaded,
    stop: watch::Receiver<bool>,
    ready: impl FnOnce(&[String]),
) -> anyhow::Result<()> {
    let address = listener.local_addr().context("the port has no address")?;
    let urls = discovery::plain_urls(address);
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
    let source = not_live.as_deref().unwrap_or("");
    let lessons = book
        .reader()
        .and_then(|reader| history::lessons(&reader, &setup.car, source))
        .inspect_err(|error| tracing::warn!("the figures know no earlier warm-ups: {error}"))
        .unwrap_or_default();
    let journal = Journal {
        events: loaded.events,
        commands: loaded.commands,
        last: loaded.next_seq - 1,
        lessons,
    };
    let trainable = controls.iter().map(|control| control.key.clone()).collect();
    let mut core = Core::new(
        setup.car.clone(),
        setup.sheets.clone(),
        names,
        trainable,
        &journal,
    );

    core.played(played);
    recall(&mut core, &book);
    let log = Arc::new(shared::EventLog::new(core.record().clone()));
    let (board_in, board) = watch::channel(shared::Board::default());
    let (following_in, following) = watch::channel(Following::default());
    let (told, hubs) = watch::channel(Hubs::default());
    let (over_in, over) = watch::channel(None);
    let helm = Helm::new(&loaded.kept, place, following, told, over_in);
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
        board: board_in,
        asks,
        reports,
        controls: sim,
        not_live: not_live.clone(),
        counts: counts.clone(),
        helm,
        take_over: setup.take_over,
    };
    let mut keeper = tokio::spawn(keeper.run(keeper_stop));
    let tasks: Vec<_> = setup
        .sources
        .into_iter()
        .enumerate()
        .map(|(place, source)| {
            tokio::spawn(run_source(source, Feed::new(place, reports_in.clone())))
        })
        .collect();

    let join_urls = discovery::join_urls(address, &setup.crew_code);
    let join_qr = discovery::qr_svg(join_urls.first().map_or("", String::as_str));
    let announced = if setup.announce {
        discovery::announce(&setup.car, address)
    } else {
        None
    };
    let app = Arc::new(App {
        codes: Codes::new(&setup.crew_code, &setup.chief_code),
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
        join_urls: join_urls.clone(),
        join_qr,
        clock,
        log,
        board,
        asks: asks_in,
        posted: Feed::new(posted_place, reports_in),
        book,
        counts,
        peers: Peers {
            hub: loaded.kept.hub.clone(),
            fence: Fence::new(&loaded.kept.fence),
            urls,
            origins: RwLock::new(discovery::origins(&loaded.kept.peers)),
            hubs,
            over,
            following: following_in,
            files: setup.files,
            crew_code: setup.crew_code,
        },
        stop: stop.clone(),
    });
    let announced = tokio::spawn(withdraw_when_replaced(announced, app.peers.hubs.clone()));
    let comparing = tokio::spawn(peers::keep_comparing(app.clone()));
    #[cfg(feature = "bus")]
    let publishing = setup.bus.map(|bus| {
        tokio::spawn(crate::bus::publish(
            bus,
            app.car.name.clone(),
            app.journal.clone(),
            app.book.clone(),
            app.log.subscribe(),
            app.peers.hubs.clone(),
        ))
    });
    #[cfg(not(feature = "bus"))]
    let publishing = setup.bus.map(|_| tokio::spawn(async {}));
    let service = http::router(app).into_make_service_with_connect_info::<SocketAddr>();
    ready(&join_urls);
    let mut stopping = stop.clone();
    let stopped = async move { stopped(&mut stopping).await };
    // Sockets end themselves on stop, after a goodbye.
    let server = axum::serve(listener, service).with_graceful_shutdown(stopped);
    let served = tokio::select! {
        served = server => served,
        ended = &mut keeper => {
            let why = ended.context("the keeper broke")?.err().unwrap_or_default();
            anyhow::bail!("nothing can be written down any more: {why}");
        }
    };
    for task in tasks {
        task.abort();
    }
    // What is not on the bus yet goes there when the hub runs again; nobody waits for it.
    publishing.inspect(tokio::task::JoinHandle::abort);
    announced.abort();
    comparing.abort();
    keeper_stop_in.send_replace(true);
    keeper
        .await
        .context("the keeper broke")?
        .map_err(anyhow::Error::msg)?;
    served.context("the server broke")
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

/// Waits until the hub is told to stop, or whoever could tell it has gone.
async fn stopped(stop: &mut watch::Receiver<bool>) {
    let _ = stop.wait_for(|stop| *stop).await;
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
