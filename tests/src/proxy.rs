//! A bad radio between phones and the hub: delay, jitter, the stalls that lost packets make of a TCP stream, resets, and
//! silence. It passes bytes on in order and loses none of a connection that lives, as TCP does.

use std::{
    io,
    sync::{
        Arc,
        atomic::{AtomicU64, Ordering},
    },
    time::Duration,
};
use tokio::{
    io::{AsyncReadExt, AsyncWriteExt},
    net::{
        TcpListener, TcpStream,
        tcp::{OwnedReadHalf, OwnedWriteHalf},
    },
    sync::{mpsc, watch},
    task::JoinHandle,
    time::{Instant, sleep_until},
};

/// What is under way in one direction of a connection at most, in pieces of [`PIECE`]: a window's worth.
const PIECES: usize = 16;
/// Bytes taken at once.
const PIECE: usize = 4096;

/// What happens to what goes through, each way.
#[derive(Clone, Copy, Debug, Default)]
pub struct Weather {
    /// Everything takes so long.
    pub delay: Duration,
    /// And up to so much longer, at random; nothing overtakes.
    pub jitter: Duration,
    /// Of a thousand pieces so many stall, as one does whose packet was lost and is sent again,
    pub stalls_per_mille: u64,
    /// for so long.
    pub stall: Duration,
    /// Nothing goes through at all, and nothing is refused either.
    pub silent: bool,
}

/// The radio. Everything through it ends when it is dropped.
#[derive(Debug)]
pub struct Proxy {
    address: String,
    weather: watch::Sender<Weather>,
    resets: watch::Sender<u64>,
    task: JoinHandle<()>,
}

impl Proxy {
    /// A radio before that address, in fair weather. The seed is of all chance in it.
    ///
    /// # Errors
    /// When no port can be had.
    pub async fn before(hub: String, seed: u64) -> io::Result<Self> {
        let listener = TcpListener::bind("127.0.0.1:0").await?;
        let address = listener.local_addr()?.to_string();
        let (weather, seen) = watch::channel(Weather::default());
        let (resets, told) = watch::channel(0);
        let chance = Arc::new(AtomicU64::new(seed | 1));
        let task = tokio::spawn(async move {
            while let Ok((phone, _)) = listener.accept().await {
                tokio::spawn(connection(
                    phone,
                    hub.clone(),
                    seen.clone(),
                    told.clone(),
                    chance.clone(),
                ));
            }
        });
        Ok(Self {
            address,
            weather,
            resets,
            task,
        })
    }

    /// Where phones dial.
    pub fn address(&self) -> &str {
        &self.address
    }

    /// Another weather from now on.
    pub fn weather(&self, weather: Weather) {
        self.weather.send_replace(weather);
    }

    /// Resets every connection that there is.
    pub fn reset(&self) {
        self.resets.send_modify(|count| *count += 1);
    }
}

impl Drop for Proxy {
    fn drop(&mut self) {
        self.task.abort();
        self.reset();
    }
}

async fn connection(
    phone: TcpStream,
    hub: String,
    weather: watch::Receiver<Weather>,
    mut resets: watch::Receiver<u64>,
    chance: Arc<AtomicU64>,
) {
    resets.mark_unchanged();
    let Ok(hub) = TcpStream::connect(hub).await else {
        return;
    };
    for end in [&phone, &hub] {
        // Closing then resets in place of saying farewell. A failure only makes it gentler.
        let _ = end.set_zero_linger();
        let _ = end.set_nodelay(true);
    }
    let ((from_phone, to_phone), (from_hub, to_hub)) = (phone.into_split(), hub.into_split());
    tokio::select! {
        () = direction(from_phone, to_hub, weather.clone(), chance.clone()) => {}
        () = direction(from_hub, to_phone, weather, chance) => {}
        _ = resets.changed() => {}
    }
}

async fn direction(
    mut from: OwnedReadHalf,
    mut to: OwnedWriteHalf,
    mut weather: watch::Receiver<Weather>,
    chance: Arc<AtomicU64>,
) {
    let (pieces_in, mut pieces) = mpsc::channel::<(Instant, Vec<u8>)>(PIECES);
    let taking = {
        let mut weather = weather.clone();
        async move {
            let mut due = Instant::now();
            let mut buffer = [0; PIECE];
            loop {
                let _ = weather.wait_for(|weather| !weather.silent).await;
                let Ok(count @ 1..) = from.read(&mut buffer).await else {
                    return;
                };
                let now = *weather.borrow();
                let mut takes = now.delay + now.jitter.mul_f64(random(&chance) as f64 / 1e6);
                if random(&chance) % 1_000 < now.stalls_per_mille {
                    takes += now.stall;
                }
                due = due.max(Instant::now() + takes);
                if pieces_in
                    .send((due, buffer[..count].to_vec()))
                    .await
                    .is_err()
                {
                    return;
                }
            }
        }
    };
    let giving = async move {
        while let Some((due, piece)) = pieces.recv().await {
            sleep_until(due).await;
            let _ = weather.wait_for(|weather| !weather.silent).await;
            if to.write_all(&piece).await.is_err() {
                return;
            }
        }
    };
    tokio::join!(taking, giving);
}

/// Below a million; repeatable enough for weather.
fn random(chance: &AtomicU64) -> u64 {
    let mut next = chance.load(Ordering::Relaxed);
    next ^= next << 13;
    next ^= next >> 7;
    next ^= next << 17;
    chance.store(next, Ordering::Relaxed);
    next % 1_000_000
}
