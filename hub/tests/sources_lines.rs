//! JSON lines over real sockets: good ones, bad ones, floods, and senders that come and go.

use spinover::core::feed::{Fault, FaultKind, Report};
use spinover::sources::{Feed, Setup, open};
use spinover_protocol::car::{Band, Car, Channel};
use spinover_protocol::message::SourceState;
use spinover_protocol::units::Unit;
use std::{collections::BTreeMap, time::Duration};
use tokio::io::AsyncWriteExt;
use tokio::net::TcpStream;
use tokio::sync::mpsc;

/// Nothing here takes this long unless it hangs.
const DEADLINE: Duration = Duration::from_secs(60);

fn setup() -> Setup {
    let channel = |key: &str, unit| Channel {
        key: key.into(),
        label: key.to_owned(),
        unit,
        decimals: 0,
        plausible: Band {
            low: 0.0,
            high: 12_000.0,
        },
        max_rate: None,
        old_after_ms: 1_000,
        band: None,
    };
    let car = Car {
        team: "Larkspur Racing".to_owned(),
        name: "Kestrel".to_owned(),
        channels: vec![
            channel("engine_rpm", Unit::Rpm),
            channel("oil_pressure", Unit::Psi),
        ],
        roles: vec![],
        calls: vec![],
        tank_l: None,
        reserve_l: None,
        fuel: None,
    };
    Setup {
        car,
        replay: None,
        names: Default::default(),
        seed: 1,
    }
}

/// A source listening, and what it has said so far.
struct Listening {
    address: String,
    from: mpsc::Receiver<(usize, Report)>,
    running: tokio::task::JoinHandle<anyhow::Result<()>>,
    /// Channel, value and time of all values, in order.
    values: Vec<(usize, f64, Option<f64>)>,
    counts: BTreeMap<FaultKind, u64>,
    reports: Vec<Fault>,
    states: Vec<SourceState>,
}

impl Listening {
    fn start() -> Self {
        let source = open("lines:tcp://127.0.0.1:0", &setup()).unwrap();
        let address = source
            .name()
            .strip_prefix("lines:tcp://")
            .unwrap()
            .to_owned();
        assert!(
            !address.ends_with(":0"),
            "the name tells the real port: {address}"
        );
        assert_eq!(source.not_live(), None);
        let (to, from) = mpsc::channel(64);
        let running = tokio::spawn(source.run(Feed::new(0, to)));
        Self {
            address,
            from,
            running,
            values: Vec::new(),
            counts: BTreeMap::new(),
            reports: Vec::new(),
            states: Vec::new(),
        }
    }

    async fn connect(&self) -> TcpStream {
        TcpStream::connect(&self.address).await.unwrap()
    }

    /// Takes reports until it is true.
    async fn until(&mut self, what: &str, enough: impl Fn(&Self) -> bool) {
        let waited = tokio::time::timeout(DEADLINE, async {
            while !enough(self) {
                match self.from.recv().await.expect("the source ended").1 {
                    Report::Batch(batch) => self.values.extend(
                        batch
                            .values
                            .iter()
                            .map(|(place, value)| (*place, *value, batch.t_s)),
                    ),
                    Report::Fault(fault) => {
                        *self.counts.entry(fault.kind).or_default() += fault.count;
                        self.reports.push(fault);
                    }
                    Report::State(state) => self.states.push(state),
                }
            }
        });
        if waited.await.is_err() {
            panic!(
                "waited in vain for {what}: {} values, {:?}, {:?}",
                self.values.len(),
                self.counts,
                self.states
            );
        }
    }

    fn count(&self, kind: FaultKind) -> u64 {
        self.counts.get(&kind).copied().unwrap_or(0)
    }
}

#[tokio::test]
async fn garbage_is_counted_and_good_lines_go_on() {
    let mut hub = Listening::start();
    let mut socket = hub.connect().await;
    let lines: [&[u8]; 9] = [
        b"{\"t\": 1, \"engine_rpm\": 2400}\r\n",
        b"GET / HTTP/1.1\r\n",
        b"\xff\xfe\x00\x01\n",
        b"{\"engin_rpm\": 1}\n",
        b"{\"engine_rpm\": NaN, \"oil_pressure\": 80}\n",
        b"{\"engine_rpm\": 1e12}\n",
        b"{\"t\": 0.5, \"engine_rpm\": 7}\n",
        b"\n\n",
        b"{\"t\": 2, \"engine_rpm\": 2401}",
    ];
    for line in lines {
        socket.write_all(line).await.unwrap();
    }
    // The last line lacks its end; closing ends it.
    drop(socket);
    hub.until("the last line", |hub| hub.values.len() == 3)
        .await;
    assert_eq!(
        hub.values,
        [
            (0, 2400.0, Some(1.0)),
            (1, 80.0, None),
            (0, 2401.0, Some(2.0))
        ]
    );
    hub.until("every fault", |hub| hub.counts.values().sum::<u64>() == 6)
        .await;
    assert_eq!(hub.count(FaultKind::Malformed), 2);
    for kind in [
        FaultKind::UnknownChannel,
        FaultKind::NotANumber,
        FaultKind::Absurd,
        FaultKind::TimeBack,
    ] {
        assert_eq!(hub.count(kind), 1, "{kind:?}");
    }
    hub.until("waiting again", |hub| {
        hub.states == [SourceState::Waiting, SourceState::Up, SourceState::Waiting]
    })
    .await;
}

#[tokio::test]
async fn ten_megabytes_in_one_line_cost_one_fault_and_not_the_connection() {
    let mut hub = Listening::start();
    let mut socket = hub.connect().await;
    let writing = tokio::spawn(async move {
        socket.write_all(b"{\"engine_rpm\": 1}\n").await.unwrap();
        for _ in 0..10 {
            socket.write_all(&vec![b'9'; 1 << 20]).await.unwrap();
        }
        socket.write_all(b"\n{\"engine_rpm\": 2}\n").await.unwrap();
        socket
    });
    hub.until("the line after", |hub| hub.values.len() == 2)
        .await;
    hub.until("the fault", |hub| hub.count(FaultKind::TooLong) > 0)
        .await;
    assert_eq!(hub.values, [(0, 1.0, None), (0, 2.0, None)]);
    assert_eq!(hub.counts, BTreeMap::from([(FaultKind::TooLong, 1)]));
    drop(writing.await.unwrap());
}

#[tokio::test]
async fn a_flood_loses_nothing_good_and_its_faults_are_few() {
    const GOOD: usize = 100_000;
    let mut hub = Listening::start();
    let mut flood = hub.connect().await;
    let mut calm = hub.connect().await;
    let began = std::time::Instant::now();
    tokio::spawn(async move {
        let mut chunk = Vec::new();
        for n in 0..GOOD {
            chunk.extend_from_slice(
                format!(
                    "{{\"t\": {n}, \"engine_rpm\": {}}}\nnot JSON {n}\n",
                    n % 9_000
                )
                .as_bytes(),
            );
            if chunk.len() > 60_000 {
                flood.write_all(&std::mem::take(&mut chunk)).await.unwrap();
            }
        }
        flood.write_all(&chunk).await.unwrap();
    });
    let sender = tokio::spawn(async move {
        for n in 0..50 {
            calm.write_all(format!("{{\"oil_pressure\": {n}}}\n").as_bytes())
                .await
                .unwrap();
        }
        calm
    });
    hub.until("all of both", |hub| {
        hub.values.len() == GOOD + 50 && hub.count(FaultKind::Malformed) == GOOD as u64
    })
    .await;
    let seconds = began.elapsed().as_secs_f64();
    eprintln!("flood: {} lines in {seconds:.2} s", 2 * GOOD);
    let flooded: Vec<_> = hub
        .values
        .iter()
        .filter(|(place, ..)| *place == 0)
        .collect();
    assert!(
        flooded
            .iter()
            .enumerate()
            .all(|(n, (_, value, t))| *value == (n % 9_000) as f64 && *t == Some(n as f64)),
        "in order, each once"
    );
    let calm: Vec<f64> = hub
        .values
        .iter()
        .filter(|(place, ..)| *place == 1)
        .map(|(_, value, _)| *value)
        .collect();
    assert_eq!(calm, (0..50).map(f64::from).collect::<Vec<_>>());
    // Two reports a second, and one for the rest.
    assert!(
        hub.reports.len() as f64 <= 2.0 * seconds + 2.0,
        "{} reports in {seconds} s",
        hub.reports.len()
    );
    drop(sender.await.unwrap());
}

#[tokio::test]
async fn a_board_that_starts_again_goes_on_in_time() {
    let mut hub = Listening::start();
    let mut first = hub.connect().await;
    first
        .write_all(b"{\"t\": 1000, \"engine_rpm\": 1}\n")
        .await
        .unwrap();
    hub.until("the first", |hub| hub.values.len() == 1).await;
    drop(first);
    hub.until("it to be gone", |hub| {
        hub.states.last() == Some(&SourceState::Waiting) && hub.states.len() > 1
    })
    .await;
    let mut second = hub.connect().await;
    second
        .write_all(b"{\"t\": 0, \"engine_rpm\": 2}\n{\"t\": 1, \"engine_rpm\": 3}\n")
        .await
        .unwrap();
    hub.until("the others", |hub| hub.values.len() == 3).await;
    let times: Vec<f64> = hub.values.iter().map(|(_, _, t)| t.unwrap()).collect();
    assert!(
        times[1] >= 1000.0 && times[1] < 1000.0 + DEADLINE.as_secs_f64(),
        "{times:?}"
    );
    assert!((times[2] - times[1] - 1.0).abs() < 1e-9, "{times:?}");
    assert!(hub.counts.is_empty(), "{:?}", hub.counts);
}

#[tokio::test]
async fn too_many_senders_are_turned_away_and_the_others_go_on() {
    let mut hub = Listening::start();
    let mut sockets = Vec::new();
    for _ in 0..65 {
        sockets.push(hub.connect().await);
    }
    hub.until("one turned away", |hub| hub.count(FaultKind::Trouble) == 1)
        .await;
    sockets[0]
        .write_all(b"{\"engine_rpm\": 1}\n")
        .await
        .unwrap();
    hub.until("the first to be heard", |hub| hub.values.len() == 1)
        .await;
}

#[tokio::test]
async fn it_ends_when_the_hub_goes() {
    let hub = Listening::start();
    let mut socket = hub.connect().await;
    socket.write_all(b"{\"engine_rpm\": 1}\n").await.unwrap();
    drop(hub.from);
    let ended = tokio::time::timeout(DEADLINE, async {
        // The hub's going is noticed at the next thing to say.
        while !hub.running.is_finished() {
            let _ = socket.write_all(b"{\"engine_rpm\": 1}\n").await;
            tokio::task::yield_now().await;
        }
    });
    ended.await.expect("it must end");
}

#[test]
fn a_port_in_use_is_told() {
    let taken = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    let said = format!(
        "{:#}",
        open(
            &format!("lines:tcp://{}", taken.local_addr().unwrap()),
            &setup()
        )
        .err()
        .unwrap()
    );
    assert!(said.contains("cannot listen at 127.0.0.1:"), "{said}");
}
