//! What a standby does while it follows: the one task that writes its book and answers its phones, in the keeper's place. What it writes
//! down is in `copying`.

mod copying;

use super::{
    Options, Outcome,
    line::{Heard, keep_calling},
};
use crate::{
    book::Book,
    core::{
        TakeOver,
        charge::{Fence, Place},
    },
    serve::{
        keeper::{Ask, Clock, ConnId},
        shared::{Board, EventLog, Kind},
    },
};
use spinover_protocol::{
    CommandId, HEARTBEAT_MS, Millis, Seq,
    car::Car,
    event::{Right, Who},
    hubs::{Charge, Hubs, OtherHub, PeerMessage, Standing},
    message::{Command, Frame, HubMessage, Present},
};
use std::{
    collections::BTreeMap,
    sync::Arc,
    time::{Duration, Instant},
};
use tokio::sync::{mpsc, watch};

/// How often it looks at the time.
const TICK: Duration = Duration::from_millis(100);
/// What may wait to be taken in from the hub in charge; beyond it, that one waits.
const HEARD_WAITING: usize = 256;
/// A hub in charge that was asked to hand over and says nothing for so long cannot: the chief's word holds without it.
const ANSWERS_WITHIN: Duration = Duration::from_secs(2);

/// What it works with.
pub struct Task {
    pub book: Book,
    pub log: Arc<EventLog>,
    pub board: watch::Sender<Board>,
    pub hubs: watch::Sender<Hubs>,
    pub asks: mpsc::Receiver<Ask>,
    pub clock: Clock,
    pub place: Place,
    pub fence: Fence,
    /// This hub's random name.
    pub me: String,
    pub car: Car,
    pub options: Options,
    /// Where this hub can be reached.
    pub urls: Vec<String>,
    pub stop: watch::Receiver<bool>,
}

struct Conn {
    who: Who,
    right: Right,
    answers: mpsc::Sender<HubMessage>,
    since: Millis,
    lag_ms: Option<u32>,
}

/// A takeover that the hub in charge was asked for.
struct Wanted {
    by: Option<Who>,
    command: Option<CommandId>,
    conn: Option<ConnId>,
    asked: Instant,
}

struct Running {
    task: Task,
    conns: BTreeMap<ConnId, Conn>,
    /// What is to be said to the hub in charge goes here, while it is there.
    out: Option<mpsc::Sender<PeerMessage>>,
    /// It has let us follow on this connection.
    following: bool,
    /// Where it is.
    urls: Vec<String>,
    /// The number of its last event.
    last: Seq,
    /// Rows that are here or on their way to the disk, by warm-up.
    rows: BTreeMap<String, u64>,
    /// The photos that come.
    photos: copying::Photos,
    /// It was followed to the end at least once.
    caught_up: bool,
    heard: Instant,
    why: String,
    frame: Option<(Frame, Instant)>,
    shown: Millis,
    wanted: Option<Wanted>,
    end: Option<Outcome>,
}

impl Task {
    /// Follows until something ends it.
    pub async fn run(self) -> anyhow::Result<Outcome> {
        let (heard_in, mut heard) = mpsc::channel(HEARD_WAITING);
        let calling = tokio::spawn(keep_calling(
            self.options.first.clone(),
            self.urls.clone(),
            self.book.clone(),
            heard_in,
        ));
        let mut urls = self.options.given.urls.clone();
        if urls.is_empty() {
            urls.push(self.options.first.url.trim_end_matches('/').to_owned());
        }
        let (mut stop, mut word) = (self.stop.clone(), self.options.word.clone());
        let mut running = Running {
            last: self.log.last(),
            task: self,
            conns: BTreeMap::new(),
            out: None,
            following: false,
            urls,
            rows: BTreeMap::new(),
            photos: copying::Photos::default(),
            caught_up: false,
            heard: Instant::now(),
            why: String::new(),
            frame: None,
            shown: 0,
            wanted: None,
            end: None,
        };
        running.tell();
        let mut ticks = tokio::time::interval(TICK);
        let outcome = loop {
            if let Some(end) = running.end.take() {
                break Ok(end);
            }
            let done = tokio::select! {
                biased;
                () = super::super::stopped(&mut stop) => break Ok(Outcome::Stopped),
                Some(ask) = running.task.asks.recv() => {
                    running.asked(ask);
                    Ok(())
                }
                Ok(()) = word.changed() => {
                    running.want_over(None, None, None);
                    Ok(())
                }
                Some(heard) = heard.recv() => running.heard(heard).await,
                _ = ticks.tick() => {
                    running.tick();
                    Ok(())
                }
            };
            if let Err(error) = done {
                break Err(error);
            }
        };
        // The call holds the book; it must have let go before that is closed.
        calling.abort();
        let _ = calling.await;
        outcome
    }
}

impl Running {
    fn now(&self) -> Millis {
        self.task.clock.now()
    }

    /// Tells phones, and whoever looks at the health page, how the two laptops are.
    fn tell(&self) {
        let hubs = Hubs {
            standing: Standing::Standby,
            charge: self.task.place.highest().clone(),
            other: Some(OtherHub {
                urls: self.urls.clone(),
                here: self.following,
                behind: self.last.saturating_sub(self.task.log.last()),
            }),
        };
        let news = self.task.hubs.send_if_modified(|told| {
            let news = *told != hubs;
            told.clone_from(&hubs);
            news
        });
        if news {
            self.show(Kind::Hubs, &HubMessage::Hubs(hubs));
        }
    }

    fn show(&self, kind: Kind, message: &HubMessage) {
        self.task
            .board
            .send_modify(|board| board.put(kind, message));
    }

    fn asked(&mut self, ask: Ask) {
        match ask {
            Ask::Join {
                conn,
                who,
                right,
                answers,
                joined,
            } => {
                let since = self.now();
                let new = Conn {
                    who,
                    right,
                    answers,
                    since,
                    lag_ms: None,
                };
                self.conns.insert(conn, new);
                self.show_people();
                let _ = joined.send(());
            }
            Ask::Leave(conn) => {
                self.conns.remove(&conn);
                self.show_people();
            }
            Ask::Lag(conn, lag) => {
                if let Some(known) = self.conns.get_mut(&conn) {
                    known.lag_ms = Some(lag);
                }
            }
            Ask::Hear(charge, urls) => self.hear(&charge, urls),
            // Nobody follows a standby.
            Ask::WantsOver(_, _, refused) => drop(refused.send("this is a standby".to_owned())),
            // There are no files to change here.
            Ask::Rest(answer) => drop(answer.send(Err("this is a standby".to_owned()))),
            Ask::Busy(answer) => drop(answer.send(Some("this is a standby".to_owned()))),
            Ask::GoOn => {}
            Ask::Command(conn, id, command) => self.command(conn, id, *command),
        }
    }

    fn command(&mut self, conn: ConnId, id: CommandId, command: Command) {
        let Some(known) = self.conns.get(&conn) else {
            return;
        };
        let (who, chief) = (known.who.clone(), known.right == Right::Chief);
        match command {
            Command::TakeOver {} if chief => self.want_over(Some(who), Some(id), Some(conn)),
            Command::TakeOver {} => {
                let reason = "only a phone that joined with the chief code can do that";
                self.refuse(conn, id, reason.to_owned());
            }
            // It is written down, and answered, where the phone gets it to next; those who are here must not wait for that.
            Command::Stop { text } => {
                let by = who;
                let command = id;
                self.show(Kind::StopNow, &HubMessage::StopNow { text, by, command });
            }
            _ => {
                let reason = "this is the second laptop, and it has not taken over: nothing can be marked here";
                self.refuse(conn, id, reason.to_owned());
            }
        }
    }

    fn refuse(&self, conn: ConnId, id: CommandId, reason: String) {
        if let Some(known) = self.conns.get(&conn) {
            // A phone that reads no answers hears of it when it joins again.
            let _ = known.answers.try_send(HubMessage::Refused { id, reason });
        }
    }

    /// The chief's word: the hub in charge is asked to hand over where it is there; else there is nobody to ask.
    fn want_over(&mut self, by: Option<Who>, command: Option<CommandId>, conn: Option<ConnId>) {
        let asked = Instant::now();
        let wanted = Wanted {
            by: by.clone(),
            command: command.clone(),
            conn,
            asked,
        };
        self.wanted = Some(wanted);
        let message = PeerMessage::WantsOver { by, command };
        let sent = self.following
            && self
                .out
                .as_ref()
                .is_some_and(|out| out.try_send(message).is_ok());
        if !sent {
            self.take_over(false);
        }
    }

    /// Takes over by the chief's word or by itself, with a charge of its own making.
    fn take_over(&mut self, by_itself: bool) {
        let wanted = self.wanted.take();
        let (by, command) = wanted.map_or((None, None), |wanted| (wanted.by, wanted.command));
        let charge = self.task.place.next(&self.task.fence, &self.task.me);
        self.end = Some(Outcome::TakeOver(TakeOver {
            charge,
            by,
            command,
            by_itself,
        }));
    }

    fn hear(&mut self, charge: &Charge, urls: Vec<String>) {
        if self.task.fence.vouches(charge) && self.task.place.hear(charge) {
            if !urls.is_empty() {
                self.urls = urls;
            }
            drop(self.task.book.keep_hubs(charge.clone(), self.urls.clone()));
        }
    }

    async fn heard(&mut self, heard: Heard) -> anyhow::Result<()> {
        if !matches!(heard, Heard::Down(_)) {
            self.heard = Instant::now();
        }
        match heard {
            Heard::Charge(charge, urls) => {
                self.given(&charge, None, None);
                self.hear(&charge, urls);
            }
            Heard::Up(out, rows) => {
                self.out = Some(out);
                self.rows = rows;
                self.photos = copying::Photos::default();
            }
            Heard::Down(why) => {
                if self.why != why {
                    tracing::warn!("the hub in charge: {why}");
                    self.why = why;
                }
                (self.out, self.following) = (None, false);
                if self.wanted.is_some() {
                    self.take_over(false);
                }
                self.show_people();
            }
            Heard::Peer(message) => self.said(*message).await?,
            Heard::Piece(piece) => self.photo_piece(piece).await?,
            Heard::Phones(message) => self.relay(*message),
        }
        self.tell();
        Ok(())
    }

    /// A charge that names this hub is handed over to it.
    fn given(&mut self, charge: &Charge, by: Option<Who>, command: Option<CommandId>) {
        let mine = charge.hub == self.task.me && charge > self.task.place.own();
        if mine && self.task.fence.vouches(charge) {
            self.wanted = None;
            self.end = Some(Outcome::TakeOver(TakeOver {
                charge: charge.clone(),
                by,
                command,
                by_itself: false,
            }));
        }
    }

    async fn said(&mut self, message: PeerMessage) -> anyhow::Result<()> {
        match message {
            PeerMessage::Leader {
                last,
                copy,
                not_live,
                crew_code,
                files,
                urls,
            } => {
                let given = super::Given {
                    crew_code: Some(crew_code),
                    files,
                    not_live,
                    urls,
                };
                if copy || given != self.task.options.given {
                    self.end = Some(Outcome::Again);
                    return Ok(());
                }
                self.urls = given.urls;
                self.last = last;
                self.following = true;
                self.caught_up |= last == self.task.log.last();
                self.why.clear();
                tracing::info!("following {}", self.task.options.first.url);
                // So that this one tells the other of a takeover, whatever becomes of it.
                let heard = self.task.place.highest().clone();
                drop(self.task.book.keep_hubs(heard, self.urls.clone()));
                Ok(())
            }
            PeerMessage::Events { events } => self.events(events).await,
            PeerMessage::Rows {
                warmup,
                first,
                rows,
            } => self.take_rows(warmup, first, rows).await,
            PeerMessage::Remarks { warmups } => self.remarks(warmups).await,
            PeerMessage::Charge {
                charge,
                urls,
                by,
                command,
                ..
            } => {
                self.given(&charge, by, command);
                self.hear(&charge, urls);
                Ok(())
            }
            PeerMessage::Denied { reason } => {
                tracing::warn!("the hub in charge: {reason}");
                if let Some(Wanted {
                    conn: Some(conn),
                    command: Some(id),
                    ..
                }) = self.wanted.take()
                {
                    self.refuse(conn, id, reason);
                }
                Ok(())
            }
            PeerMessage::Follow { .. }
            | PeerMessage::Copied {}
            | PeerMessage::Have { .. }
            | PeerMessage::WantPhoto { .. }
            | PeerMessage::WantsOver { .. } => Ok(()),
        }
    }

    /// Shows phones here what phones there are shown. Times of frames are by this laptop's clock, as ages are reckoned by it.
    fn relay(&mut self, message: HubMessage) {
        let now = self.now();
        let kind = match &message {
            HubMessage::Readings(_) => Kind::Readings,
            HubMessage::Progress(_) => Kind::Progress,
            HubMessage::Presence { .. } => Kind::Presence,
            HubMessage::Sources { .. } => Kind::Sources,
            HubMessage::Figures { .. } => Kind::Figures,
            HubMessage::Turnaround(_) => Kind::Turnaround,
            HubMessage::Season(_) => Kind::Season,
            HubMessage::StopNow { .. } => Kind::StopNow,
            // Its book and its standing are not ours.
            _ => return,
        };
        if let HubMessage::Figures { figures } = &message
            && let Some(warmup) = &self.task.log.record().warmup
            && warmup.closed_at.is_none()
        {
            self.task.book.said(&warmup.id, now, figures.clone());
        }
        let message = match message {
            HubMessage::Readings(frame) => {
                let frame = Frame { now, ..frame };
                self.frame = Some((frame.clone(), Instant::now()));
                self.shown = now;
                HubMessage::Readings(frame)
            }
            HubMessage::Progress(progress) => {
                HubMessage::Progress(spinover_protocol::message::Progress { now, ..progress })
            }
            message => message,
        };
        self.show(kind, &message);
    }

    fn show_people(&self) {
        if self.following {
            return; // The hub in charge says who is here.
        }
        let mut people: BTreeMap<_, Present> = BTreeMap::new();
        for conn in self.conns.values() {
            let present = Present {
                who: conn.who.clone(),
                right: conn.right,
                here: true,
                lag_ms: conn.lag_ms,
                since: conn.since,
            };
            people.insert(conn.who.id.clone(), present);
        }
        let people = people.into_values().collect();
        self.show(Kind::Presence, &HubMessage::Presence { people });
    }

    fn tick(&mut self) {
        if self
            .wanted
            .as_ref()
            .is_some_and(|wanted| wanted.asked.elapsed() >= ANSWERS_WITHIN)
        {
            self.take_over(false);
        }
        if let Some(patience) = self.task.options.by_itself
            && self.caught_up
            && self.heard.elapsed() >= patience
        {
            tracing::warn!(
                "the hub in charge has been gone for {} s",
                patience.as_secs_f64()
            );
            self.take_over(true);
        }
        let now = self.now();
        if now - self.shown >= HEARTBEAT_MS {
            // The heartbeat that phones count on, with readings that only grow old.
            self.shown = now;
            let frame = self.aged(now);
            self.show(Kind::Readings, &HubMessage::Readings(frame));
        }
        self.tell();
    }

    fn aged(&mut self, now: Millis) -> Frame {
        let none = || {
            let count = self.task.car.channels.len();
            Frame {
                v: vec![None; count],
                q: "n".repeat(count),
                age: vec![0; count],
                ..Frame::default()
            }
        };
        let (last, since) = self
            .frame
            .clone()
            .unwrap_or_else(|| (none(), Instant::now()));
        let passed = since.elapsed().as_millis() as i64;
        let age: Vec<i64> = last.age.iter().map(|age| age + passed).collect();
        let grown = |(letter, (age, channel)): (char, (&i64, &spinover_protocol::car::Channel))| {
            match letter {
                'g' | 's' if *age > channel.old_after_ms => 'o',
                letter => letter,
            }
        };
        let channels = age.iter().zip(&self.task.car.channels);
        let q = last.q.chars().zip(channels).map(grown).collect();
        let n = last.n + 1;
        if let Some((frame, _)) = &mut self.frame {
            frame.n = n;
        }
        Frame {
            n,
            now,
            q,
            age,
            ..last
        }
    }
}
