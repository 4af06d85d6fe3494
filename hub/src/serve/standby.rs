//! A second laptop: follows the hub in charge into a book of its own, shows phones the same, and says when it is to take over.
//!
//! [`contact`] brings what is needed before anything can be served; [`follow`] serves until something ends it. Taking over itself is
//! then an ordinary [`super::run`] with [`super::Setup::take_over`]. The rules are in `core::charge`.

mod line;
mod task;

use super::{
    ASKS_WAITING, App, Setup, discovery,
    door::{Door, hosts::Hosts},
    fanout, http,
    keeper::{Clock, Counts},
    net,
    peers::{self, Peers},
    shared, tickets,
};
use crate::{
    book::{Book, BookError, Loaded, Reader, hubs},
    core::{
        TakeOver,
        charge::{Fence, Place},
    },
    sources::{Feed, index::ChannelIndex},
};
use anyhow::{Context, bail};
use spinover_protocol::{
    PROTOCOL_VERSION,
    hubs::{FileText, Hubs, PeerMessage},
    message::Join,
    record::Record,
};
use std::{
    path::Path,
    sync::{Arc, RwLock},
    time::Duration,
};
use tokio::{
    net::TcpListener,
    sync::{mpsc, watch},
};

/// Where the hub in charge is, and how to get in there.
#[derive(Clone, Debug)]
pub struct First {
    /// Its address: `http://192.0.2.7:4780`.
    pub url: String,
    /// The chief code.
    pub code: String,
}

/// What a standby has from the hub in charge.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Given {
    /// The crew code; absent when the hub in charge has not been reached since this one started.
    pub crew_code: Option<String>,
    /// The car file, the sheets in their order, and what is done between rounds.
    pub files: Vec<FileText>,
    /// Why the readings are not live.
    pub not_live: Option<String>,
    /// Where the hub in charge can be reached.
    pub urls: Vec<String>,
}

/// Why a standby stopped following.
#[derive(Debug)]
pub enum Outcome {
    /// It was told to stop.
    Stopped,
    /// It takes over.
    TakeOver(TakeOver),
    /// What it has is not what the hub in charge has: begin again with [`contact`].
    Again,
}

/// What a hub that has a book says when it comes to follow.
pub(super) fn hello(
    first: &First,
    urls: &[String],
    progress: Option<&hubs::Progress>,
) -> PeerMessage {
    let progress = progress.cloned().unwrap_or_default();
    PeerMessage::Follow {
        protocol: PROTOCOL_VERSION,
        code: first.code.clone(),
        hub: progress.kept.hub,
        urls: urls.to_vec(),
        journal: Some(progress.journal).filter(|journal| !journal.is_empty()),
        charge: progress.charge,
        seq: progress.seq,
        rows: progress.rows,
    }
}

/// What became of a first contact.
pub enum Contact {
    /// The hub in charge was reached, and the book here goes on into its.
    Follows(Given),
    /// The hub that was reached says that this one is in charge, or has handed over to it.
    InCharge,
}

/// Reaches the hub in charge, and brings a copy of its book where the one here does not go on into it. The book must be closed.
///
/// # Errors
/// Why not: it cannot be reached, does not let us in, or the disk says no.
pub async fn contact(first: &First, urls: &[String], data: &Path) -> anyhow::Result<Contact> {
    let progress = match Reader::open(data) {
        Ok(reader) => Some(reader.progress()?),
        Err(BookError::Missing(_)) => None,
        Err(error) => return Err(error.into()),
    };
    let (mut line, said) = peers::call(&first.url).await?;
    if let (
        PeerMessage::Charge {
            journal, charge, ..
        },
        Some(progress),
    ) = (&said, &progress)
        && *journal == progress.journal
        && charge.hub == progress.kept.hub
        && Fence::new(&progress.kept.fence).vouches(charge)
    {
        return Ok(Contact::InCharge);
    }
    peers::tell(&mut line, &hello(first, urls, progress.as_ref())).await?;
    let (copy, given) = match peers::listen(&mut line).await? {
        PeerMessage::Leader {
            copy,
            not_live,
            crew_code,
            files,
            urls,
            ..
        } => {
            let given = Given {
                crew_code: Some(crew_code),
                files,
                not_live,
                urls,
            };
            (copy, given)
        }
        PeerMessage::Denied { reason } => bail!("{}: {reason}", first.url),
        _ => bail!("{} said something unexpected", first.url),
    };
    if copy {
        take_copy(&mut line, data).await?;
    }
    Ok(Contact::Follows(given))
}

/// Takes the copy in, and puts it in the place of the book here.
async fn take_copy(line: &mut peers::Line, data: &Path) -> anyhow::Result<()> {
    use std::io::Write;
    use tokio_tungstenite::tungstenite::Message;
    std::fs::create_dir_all(data).with_context(|| data.display().to_string())?;
    let folder = tempfile::Builder::new().prefix("copy-").tempdir_in(data)?;
    let path = folder.path().join("copy.db");
    let mut file = std::fs::File::create(&path)?;
    loop {
        match peers::frame(line).await? {
            Message::Binary(piece) => file.write_all(&piece)?,
            Message::Text(text) => match serde_json::from_str(&text)? {
                PeerMessage::Copied {} => break,
                _ => bail!("the copy broke off"),
            },
            _ => bail!("the copy broke off"),
        }
    }
    file.sync_all()?;
    drop(file);
    let data = data.to_owned();
    let aside = tokio::task::spawn_blocking(move || {
        let aside = hubs::adopt(&data, &path);
        drop(folder);
        aside
    })
    .await??;
    match aside {
        Some(folder) => tracing::warn!(
            "the book that was here is of another journal, or has events that the hub in charge has not; it is kept in {folder}"
        ),
        None => tracing::info!("took a copy of the book"),
    }
    Ok(())
}

/// What [`follow`] is to do.
pub struct Options {
    /// The hub in charge.
    pub first: First,
    /// What it has given.
    pub given: Given,
    /// Take over without a word when it has been silent for so long.
    pub by_itself: Option<Duration>,
    /// Set when the chief's word is given at this laptop.
    pub word: watch::Receiver<bool>,
}

/// Follows, and serves phones, until something ends it. The book is closed afterwards.
///
/// # Errors
/// When the book can write nothing down any more, or the server fails.
pub async fn follow(
    listener: TcpListener,
    setup: Setup,
    options: Options,
    book: Book,
    loaded: Loaded,
    stop: watch::Receiver<bool>,
    ready: impl FnOnce(&Join),
) -> anyhow::Result<Outcome> {
    let address = listener.local_addr().context("the port has no address")?;
    let mut record = Record::default();
    loaded.events.iter().for_each(|event| record.apply(event));
    record.seq = record.seq.max(loaded.next_seq - 1);
    let fence = Fence::new(&loaded.kept.fence);
    let mut place = Place::standby(record.charge.clone());
    if let Some(heard) = loaded.kept.heard.filter(|heard| fence.vouches(heard)) {
        place.hear(&heard);
    }
    let clock = Clock::start(loaded.events.last().map_or(0, |event| event.at));
    let log = Arc::new(shared::EventLog::new(record));
    let (board_in, board) = watch::channel(shared::Board::default());
    let (asks_in, asks) = mpsc::channel(ASKS_WAITING);
    let (hubs_in, hubs) = watch::channel(Hubs::default());
    let (stage_in, stage) = watch::channel(false);
    let urls = discovery::plain_urls(address, false);
    let mut known = options.given.urls.clone();
    known.push(options.first.url.trim_end_matches('/').to_owned());
    let others = discovery::origins(&known);
    let hosts = Arc::new(Hosts::new(&setup.host_names));
    for origin in urls.iter().chain(&others) {
        hosts.allow(origin);
    }
    let door = Arc::new(Door::new(
        setup.crew_code,
        setup.chief_code,
        setup.sessions,
        hosts,
        address,
        None,
    ));
    let telling = {
        let board = board_in.clone();
        move |message| super::show(&board, &message)
    };
    // Nobody reads what is posted here; `two::changes_only_in_charge` says so before it comes to that.
    let (reports, _) = mpsc::channel(1);
    let task = task::Task {
        book: book.clone(),
        log: log.clone(),
        board: board_in,
        hubs: hubs_in,
        asks,
        clock,
        place,
        fence: fence.clone(),
        me: loaded.kept.hub.clone(),
        car: setup.car.clone(),
        options,
        urls: urls.clone(),
        stop,
    };
    let app = Arc::new(App {
        fanout: fanout::Fanout::start(&log, &board, &door.sessions.outs()),
        door: door.clone(),
        about: None,
        show: Box::new(telling.clone()),
        tickets: tickets::Tickets::default(),
        index: Arc::new(ChannelIndex::new(&setup.car)),
        car: setup.car,
        sheets: setup
            .sheets
            .iter()
            .map(|sheet| (sheet.key.clone(), sheet.name.clone()))
            .collect(),
        journal: loaded.journal,
        not_live: task.options.given.not_live.clone(),
        controls: Vec::new(),
        clock,
        log,
        board,
        asks: asks_in,
        posted: Feed::new(0, reports),
        book: book.clone(),
        heavy: tokio::sync::Semaphore::new(1),
        counts: Arc::new(Counts::default()),
        peers: Peers {
            hub: loaded.kept.hub,
            fence,
            urls,
            origins: RwLock::new(others),
            hubs,
            over: watch::channel(None).1,
            following: watch::Sender::default(),
            files: setup.texts,
        },
        stop: stage.clone(),
        // Files are changed where the charge is.
        files: None,
        renew: watch::Sender::default(),
    });
    let kept = tokio::spawn(door.sessions.clone().keep(stage.clone()));
    tokio::spawn(door.clone().watch(telling, stage.clone()));
    ready(&door.join());
    let server = tokio::spawn(net::serve(listener, http::router(app), None, stage));
    let outcome = task.run().await;
    // Phones are told goodbye, and are back as soon as the port is.
    stage_in.send_replace(true);
    server.await.context("the server broke")?;
    kept.await.context("the devices' list broke")?;
    book.close().await?;
    outcome
}
