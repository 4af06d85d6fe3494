//! The team's bus against real NATS servers: a cluster of three loses one while a journal is published, and the journal comes back whole.
//! `cargo test -p spinover --features bus --test bus_nats`; needs nats-server (Debian: apt-get install nats-server).
#![cfg(feature = "bus")]

use spinover::{
    book::{Book, Reader},
    bus::{self, Bus},
    files::demo,
};
use spinover_protocol::{
    event::{Event, EventBody},
    hubs::{Charge, Hubs},
};
use std::{
    net::TcpListener,
    path::Path,
    process::{Child, Command, Stdio},
    time::{Duration, Instant},
};
use tempfile::TempDir;
use tokio::{sync::watch, task::JoinHandle};

const DEADLINE: Duration = Duration::from_secs(60);

/// The server, wherever the distribution puts it.
fn program() -> Option<&'static str> {
    [
        "/usr/sbin/nats-server",
        "/usr/bin/nats-server",
        "/usr/local/bin/nats-server",
    ]
    .into_iter()
    .find(|path| Path::new(path).is_file())
}

struct Server {
    child: Child,
    _store: TempDir,
}

impl Drop for Server {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Free ports; somebody else could take one in between, and the test would say that a server did not start.
fn ports<const N: usize>() -> [u16; N] {
    let held: [TcpListener; N] = std::array::from_fn(|_| TcpListener::bind("127.0.0.1:0").unwrap());
    held.map(|port| port.local_addr().unwrap().port())
}

/// Three servers that know each other, and the address of the three.
fn cluster(program: &str) -> (Vec<Server>, Bus) {
    let (clients, routes) = (ports::<3>(), ports::<3>());
    let all = routes
        .map(|port| format!("nats://127.0.0.1:{port}"))
        .join(",");
    let servers = (0..3).map(|n| {
        let store = tempfile::tempdir().unwrap();
        let child = Command::new(program)
            .args([
                "-n",
                &format!("n{n}"),
                "-a",
                "127.0.0.1",
                "-p",
                &clients[n].to_string(),
            ])
            .args(["-js", "-sd"])
            .arg(store.path())
            .args([
                "--cluster_name",
                "spinover-test",
                "--cluster",
                &format!("nats://127.0.0.1:{}", routes[n]),
            ])
            .args(["--routes", &all])
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        Server {
            child,
            _store: store,
        }
    });
    let servers = servers.collect();
    let addresses = clients
        .map(|port| format!("nats://127.0.0.1:{port}"))
        .join(",");
    (servers, format!("{addresses}?copies=3").parse().unwrap())
}

fn event(seq: u64, body: EventBody) -> Event {
    Event {
        seq,
        at: 1_779_000_000_000 + seq as i64,
        by: None,
        command: None,
        body,
    }
}

fn noted(seq: u64, text: &str) -> Event {
    event(
        seq,
        EventBody::Noted {
            text: text.to_owned(),
        },
    )
}

fn begun() -> Event {
    let body = EventBody::WarmupBegun {
        id: "2026-05-16T14-03-22-118Z".to_owned(),
        sheet: Box::new(demo::sheets().unwrap().remove(0)),
        car: Box::new(demo::car().unwrap().car),
        today: Box::default(),
    };
    event(1, body)
}

/// A hub's book, and the task that publishes it.
struct Hub {
    data: TempDir,
    book: Book,
    journal: String,
    last: watch::Sender<u64>,
    publishing: JoinHandle<()>,
}

impl Hub {
    fn new(data: TempDir, bus: &Bus, charge: Charge) -> Self {
        let (book, loaded) = Book::open(data.path()).unwrap();
        let (last, changes) = watch::channel(loaded.next_seq - 1);
        let hubs = Hubs {
            charge,
            ..Hubs::default()
        };
        let (_, hubs) = watch::channel(hubs);
        let publishing = tokio::spawn(bus::publish(
            bus.clone(),
            "Kestrel".to_owned(),
            loaded.journal.clone(),
            book.clone(),
            changes,
            hubs,
        ));
        Self {
            data,
            book,
            journal: loaded.journal,
            last,
            publishing,
        }
    }

    async fn write(&self, events: Vec<Event>) {
        let last = events.last().unwrap().seq;
        self.book.append(events).await.unwrap().unwrap();
        self.last.send_replace(last);
    }

    fn events(&self) -> Vec<Event> {
        self.book
            .reader()
            .unwrap()
            .events_after(0, 100_000)
            .unwrap()
    }
}

/// Fetches into a new directory until it is what is expected.
async fn fetched(bus: &Bus, what: &str, expected: &[Event]) -> TempDir {
    let begun = Instant::now();
    loop {
        let into = tempfile::tempdir().unwrap();
        let why = match bus::fetch(bus, "Kestrel", into.path()).await {
            Ok(_) => {
                let events = Reader::open(into.path())
                    .unwrap()
                    .events_after(0, 100_000)
                    .unwrap();
                if events == expected {
                    return into;
                }
                format!("{} events of {}", events.len(), expected.len())
            }
            Err(error) => format!("{error:#}"),
        };
        assert!(begun.elapsed() < DEADLINE, "{what}: {why}");
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_journal_comes_back_whole_though_a_server_dies_and_a_disk_is_lost() {
    let Some(program) = program() else {
        panic!("no nats-server here (Debian: apt-get install nats-server)");
    };
    let (mut servers, bus) = cluster(program);
    let hub = Hub::new(tempfile::tempdir().unwrap(), &bus, Charge::default());
    hub.write(vec![begun()]).await;
    hub.write((2..=50).map(|seq| noted(seq, "before")).collect())
        .await;
    fetched(&bus, "the first fifty", &hub.events()).await;

    // One of three dies, and the crew goes on.
    drop(servers.remove(0));
    for seq in 51..=250 {
        hub.write(vec![noted(seq, "with one server less")]).await;
    }
    let all = hub.events();
    assert_eq!(all.len(), 250);
    let copy = fetched(&bus, "all of it from the two that are left", &all).await;

    // The laptop's disk is lost: the fetched book goes on, under the same name, and publishes on.
    let journal = hub.journal.clone();
    hub.publishing.abort();
    drop(hub.data);
    let again = Hub::new(copy, &bus, Charge::default());
    assert_eq!(again.journal, journal);
    again.write(vec![noted(251, "after the loss")]).await;
    let goes_on = again.events();
    let twin = fetched(&bus, "the book that went on", &goes_on).await;

    // Another laptop took over after 251, while the first published two more that it never saw.
    again
        .write(vec![
            noted(252, "only at the first"),
            noted(253, "this too"),
        ])
        .await;
    fetched(&bus, "what the first one published last", &again.events()).await;
    again.publishing.abort();
    let charge = Charge {
        epoch: 1,
        hub: "b".to_owned(),
        proof: "p".to_owned(),
    };
    let other = Hub::new(twin, &bus, charge.clone());
    let over = EventBody::TookOver {
        charge,
        by_itself: false,
    };
    other
        .write(vec![
            event(252, over),
            noted(253, "at the second"),
            noted(254, "and on"),
        ])
        .await;
    let end = other.events();
    assert_eq!(end.len(), 254);
    fetched(&bus, "the journal as it went on", &end).await;
    other.publishing.abort();
}
