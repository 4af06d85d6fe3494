//! Sends what is new to everyone: the same bytes, made once, written to every phone's connection from a few tasks.
//!
//! A task to wake for every phone and every frame would cost more than the write itself, see docs/performance.md. A phone whose
//! connection has no room, or is encrypted, is left to its own task (`socket`), which is woken for it and looks at what is newest
//! when there is room. What a phone is sent is decided by its [`Session`] either way.

use super::{
    clerk::ConnId,
    net::line::{Line, Put},
    session::Session,
    shared::{Board, EventLog},
};
use axum::{body::Bytes, extract::ws::Utf8Bytes};
use std::{
    collections::BTreeMap,
    sync::{
        Arc, Mutex, MutexGuard, PoisonError,
        atomic::{AtomicU64, Ordering},
    },
};
use tokio::sync::{Notify, watch};

/// Phones told before other tasks, and newer frames, get a look in: about a third of a millisecond's writing.
const AT_ONCE: usize = 64;

/// One phone's place in the fan-out.
#[derive(Debug)]
pub struct Member {
    state: Mutex<State>,
    /// Its task has something to send.
    wake: Notify,
}

#[derive(Debug)]
struct State {
    /// The same one for all that stand at the same place, so that whether they do is seen at a glance.
    session: Arc<Session>,
    /// Where the fan-out may write; none on an encrypted connection, and none any more once it has left.
    line: Option<Arc<Line>>,
    /// Its own task sends, or has been woken to; the fan-out keeps out until it has caught up.
    own: bool,
    /// How many devices had been put out when its own task last saw that it is none of them.
    outs: u64,
}

impl Member {
    fn state(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Its own task is to look at what is new.
    pub async fn woken(&self) {
        self.wake.notified().await;
    }

    /// Its own task takes over: frames of an answer, behind the events that it speaks of. To be followed by [`Member::news`] until
    /// there are none.
    pub fn answer(
        &self,
        log: &EventLog,
        answer: &spinover_protocol::message::HubMessage,
    ) -> Vec<Utf8Bytes> {
        let mut state = self.state();
        state.own = true;
        Arc::make_mut(&mut state.session).answer(log, answer)
    }

    /// What is new, for its own task to send; when nothing is, the fan-out goes on by itself. The task is to look, afterwards, whether
    /// its device has been put out: what is new may be a code that is not for it.
    pub fn news(
        &self,
        log: &EventLog,
        board: &watch::Receiver<Board>,
        outs: &watch::Receiver<u64>,
    ) -> Vec<Utf8Bytes> {
        let mut state = self.state();
        let frames = Arc::make_mut(&mut state.session).told(log, &board.borrow());
        state.outs = *outs.borrow();
        state.own = !frames.is_empty();
        frames
    }

    /// Waits until its connection takes something, so that what is then looked up is the newest; at once where that cannot be known.
    pub async fn has_room(&self) -> std::io::Result<()> {
        let line = self.state().line.clone();
        match line {
            Some(line) => line.has_room().await,
            None => Ok(()),
        }
    }

    /// Sends what is new, or wakes its own task to.
    fn tell(&self, round: &mut Round<'_>) {
        let mut state = self.state();
        if state.own {
            return;
        }
        let outs = round.outs;
        let Some((frames, after)) = round.news(&state.session) else {
            return;
        };
        let put = match &state.line {
            Some(line) if state.outs == outs => line.put(frames),
            _ => Put::Full,
        };
        if matches!(put, Put::Sent | Put::Begun) {
            state.session = after.clone();
        }
        if put != Put::Sent {
            state.own = true;
            drop(state);
            self.wake.notify_one();
        }
    }
}

/// What is new for every session that stands at the same place: looked up and framed once.
struct Round<'a> {
    log: &'a EventLog,
    board: Board,
    /// How many devices have been put out: looked up after the board, since a new code goes up after whom it is not for is out.
    outs: u64,
    known: Vec<(Arc<Session>, Option<News>)>,
}

/// Frames, and where who has them stands then.
type News = (Bytes, Arc<Session>);

impl Round<'_> {
    fn news(&mut self, session: &Arc<Session>) -> Option<(&Bytes, &Arc<Session>)> {
        let place = match self.known.iter().position(|(known, _)| known == session) {
            Some(place) => place,
            None => {
                let mut after = Session::clone(session);
                let frames = after.told(self.log, &self.board);
                let news = (!frames.is_empty()).then(|| (framed(&frames), Arc::new(after)));
                self.known.push((session.clone(), news));
                self.known.len() - 1
            }
        };
        let (_, news) = &self.known[place];
        news.as_ref().map(|(frames, after)| (frames, after))
    }
}

/// Text frames as a server sends them (RFC 6455 section 5.2): not masked, in one piece each.
fn framed(texts: &[Utf8Bytes]) -> Bytes {
    let length: usize = texts.iter().map(|text| text.len() + 10).sum();
    let mut frames = Vec::with_capacity(length);
    for text in texts {
        frames.push(0x81);
        match text.len() {
            length @ ..126 => frames.push(length as u8),
            length @ ..65_536 => {
                frames.push(126);
                frames.extend((length as u16).to_be_bytes());
            }
            length => {
                frames.push(127);
                frames.extend((length as u64).to_be_bytes());
            }
        }
        frames.extend_from_slice(text.as_bytes());
    }
    frames.into()
}

/// Everyone, shared out among as many tasks as the machine has cores.
#[derive(Debug)]
pub struct Fanout {
    parts: Vec<Part>,
}

#[derive(Debug, Default)]
struct Part {
    members: Mutex<BTreeMap<ConnId, Arc<Member>>>,
    changes: AtomicU64,
}

impl Part {
    fn members(&self) -> MutexGuard<'_, BTreeMap<ConnId, Arc<Member>>> {
        self.members.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// A member's place; given up when it is dropped.
#[derive(Debug)]
pub struct Place {
    fanout: Arc<Fanout>,
    conn: ConnId,
    member: Arc<Member>,
}

impl std::ops::Deref for Place {
    type Target = Member;

    fn deref(&self) -> &Member {
        &self.member
    }
}

impl Drop for Place {
    fn drop(&mut self) {
        let part = self.fanout.part(self.conn);
        part.members().remove(&self.conn);
        part.changes.fetch_add(1, Ordering::Release);
        // A round under way may still hold the member; it must not hold the connection open, nor write to it.
        let mut state = self.member.state();
        state.own = true;
        state.line = None;
    }
}

impl Fanout {
    /// Starts it; it ends with the board.
    pub fn start(
        log: &Arc<EventLog>,
        board: &watch::Receiver<Board>,
        outs: &watch::Receiver<u64>,
    ) -> Arc<Self> {
        let cores = std::thread::available_parallelism().map_or(1, usize::from);
        let parts = (0..cores).map(|_| Part::default()).collect();
        let fanout = Arc::new(Self { parts });
        for part in 0..cores {
            let sources = (log.clone(), board.clone(), outs.clone());
            tokio::spawn(fanout.clone().run(part, sources));
        }
        fanout
    }

    /// Takes a phone in whose own task has sent nothing of that session yet: it is to call [`Member::news`] until there are none.
    pub fn join(
        self: &Arc<Self>,
        conn: ConnId,
        session: Session,
        line: Option<Arc<Line>>,
    ) -> Place {
        let member = Arc::new(Member {
            state: Mutex::new(State {
                session: Arc::new(session),
                line,
                own: true,
                outs: 0,
            }),
            wake: Notify::new(),
        });
        let part = self.part(conn);
        part.members().insert(conn, member.clone());
        part.changes.fetch_add(1, Ordering::Release);
        Place {
            fanout: self.clone(),
            conn,
            member,
        }
    }

    fn part(&self, conn: ConnId) -> &Part {
        &self.parts[conn as usize % self.parts.len()]
    }

    async fn run(
        self: Arc<Self>,
        part: usize,
        (log, mut board, outs): (Arc<EventLog>, watch::Receiver<Board>, watch::Receiver<u64>),
    ) {
        let part = &self.parts[part];
        let mut events = log.subscribe();
        let (mut members, mut changes) = (Vec::new(), 0);
        loop {
            let changed = tokio::select! {
                changed = events.changed() => changed,
                changed = board.changed() => changed,
            };
            if changed.is_err() {
                return;
            }
            let now = part.changes.load(Ordering::Acquire);
            if now != changes {
                changes = now;
                members = part.members().values().cloned().collect::<Vec<_>>();
            }
            events.mark_unchanged();
            let mut round = Round {
                log: &log,
                board: board.borrow_and_update().clone(),
                outs: *outs.borrow(),
                known: Vec::new(),
            };
            for (n, some) in members.chunks(AT_ONCE).enumerate() {
                if n > 0 {
                    tokio::task::yield_now().await;
                    // Nobody gets what is no longer the newest. It stays marked as changed, so that those before get it as well, in
                    // another round.
                    let (news, more) = (board.has_changed(), events.has_changed());
                    if news.unwrap_or(false) || more.unwrap_or(false) {
                        round.board = board.borrow().clone();
                        round.outs = *outs.borrow();
                        round.known.clear();
                    }
                }
                some.iter().for_each(|member| member.tell(&mut round));
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use futures_util::StreamExt;
    use spinover_protocol::{message::HubMessage, record::Record};
    use tokio_tungstenite::{
        WebSocketStream,
        tungstenite::{Message, protocol::Role},
    };

    /// Lengths on both sides of where a frame's head changes, read back by the library that the clients use.
    #[tokio::test]
    async fn frames_are_what_the_library_reads() {
        let texts: Vec<Utf8Bytes> = [0, 1, 125, 126, 127, 65_535, 65_536, 200_000]
            .iter()
            .map(|length| "é".repeat(length / 2).into())
            .collect();
        let (near, mut far) = tokio::io::duplex(1 << 20);
        tokio::io::AsyncWriteExt::write_all(&mut far, &framed(&texts))
            .await
            .unwrap();
        let mut read = WebSocketStream::from_raw_socket(near, Role::Client, None).await;
        for text in &texts {
            let message = read.next().await.unwrap().unwrap();
            assert_eq!(message, Message::text(text.as_str()));
        }
    }

    #[test]
    fn sessions_at_one_place_are_framed_once_and_nothing_new_is_nothing() {
        let log = EventLog::new(Record::default());
        let mut board = Board::default();
        let session = Arc::new(Session::begin(&log, "journal", None).0);
        let round = |board: &Board| Round {
            log: &log,
            board: board.clone(),
            outs: 0,
            known: Vec::new(),
        };
        assert!(round(&board).news(&session).is_none());
        let message = HubMessage::Book {
            writing: true,
            trouble: None,
            late_ms: None,
        };
        board.put(crate::serve::shared::Kind::Book, &message);
        let mut round = round(&board);
        let (first, after) = round
            .news(&session)
            .map(|(frames, after)| (frames.clone(), after.clone()))
            .unwrap();
        let (second, _) = round.news(&Arc::new(Session::clone(&session))).unwrap();
        assert_eq!(first.as_ptr(), second.as_ptr());
        assert!(round.news(&after).is_none());
    }
}
