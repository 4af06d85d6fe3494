//! What the tests of sources share: a car, a source run to its end or watched while it runs, the recordings.
#![allow(dead_code, reason = "each test uses its part")]

use spinover::core::feed::{Batch, Fault, FaultKind, Report};
use spinover::sources::map::Names;
use spinover::sources::{Feed, Setup, Source, open};
use spinover_protocol::car::{Car, Channel};
use spinover_protocol::message::SourceState;
use spinover_protocol::units::Unit;
use std::path::{Path, PathBuf};
use std::time::Duration;
use tokio::sync::mpsc;
use tokio::task::JoinHandle;

/// Nothing in these tests takes this long unless it hangs.
pub const DEADLINE: Duration = Duration::from_secs(60);

/// A car with these channels: key, unit, plausible range.
pub fn car(channels: &[(&str, Unit, f64, f64)]) -> Car {
    let channel = |(key, unit, low, high): &(&str, Unit, f64, f64)| Channel {
        decimals: 1,
        old_after_ms: 1_000,
        ..Channel::new(key, *unit, (*low, *high))
    };
    Car {
        team: "Larkspur Racing".to_owned(),
        name: "Kestrel".to_owned(),
        channels: channels.iter().map(channel).collect(),
        ..Car::default()
    }
}

/// A set-up with no maps.
pub fn setup(channels: &[(&str, Unit, f64, f64)]) -> Setup {
    Setup {
        car: car(channels),
        replay: None,
        names: Names::default(),
        seed: 1,
    }
}

/// A source running, and what it has said so far.
pub struct Watched {
    pub name: String,
    from: mpsc::Receiver<(usize, Report)>,
    running: JoinHandle<anyhow::Result<()>>,
    pub batches: Vec<Batch>,
    pub faults: Vec<Fault>,
    pub states: Vec<SourceState>,
}

impl Watched {
    pub fn start(spec: &str, setup: &Setup) -> Self {
        let source = open(spec, setup).unwrap_or_else(|error| panic!("{error:#}"));
        Self::watch(source)
    }

    pub fn watch(source: Box<dyn Source>) -> Self {
        let name = source.name();
        let (to, from) = mpsc::channel(64);
        let running = tokio::spawn(source.run(Feed::new(3, to)));
        let (batches, faults, states) = Default::default();
        Self {
            name,
            from,
            running,
            batches,
            faults,
            states,
        }
    }

    /// Takes reports until it is true.
    pub async fn until(&mut self, what: &str, enough: impl Fn(&Self) -> bool) {
        let waited = tokio::time::timeout(DEADLINE, async {
            while !enough(self) {
                let report = self.from.recv().await;
                self.take(report.expect("the source ended"));
            }
        });
        if waited.await.is_err() {
            panic!(
                "waited in vain for {what}: {} batches, {:?}, {:?}",
                self.batches.len(),
                self.faults,
                self.states
            );
        }
    }

    /// Takes reports until the source ends, which it must do well.
    pub async fn until_it_ends(mut self) -> Self {
        while let Some(report) = self.from.recv().await {
            self.take(report);
        }
        (&mut self.running)
            .await
            .expect("the source panicked")
            .expect("the source failed");
        self
    }

    /// The hub goes; the source's end.
    pub async fn hub_goes(self) -> anyhow::Result<()> {
        drop(self.from);
        self.running.await.expect("the source panicked")
    }

    fn take(&mut self, (place, report): (usize, Report)) {
        assert_eq!(place, 3);
        match report {
            Report::Batch(batch) => self.batches.push(batch),
            Report::Fault(fault) => {
                assert!(fault.text.chars().count() <= 200, "{}", fault.text);
                self.faults.push(fault);
            }
            Report::State(state) => self.states.push(state),
        }
    }

    pub fn count(&self, kind: FaultKind) -> u64 {
        self.faults
            .iter()
            .filter(|fault| fault.kind == kind)
            .map(|fault| fault.count)
            .sum()
    }

    /// All values in order: channel, value, time.
    pub fn values(&self) -> Vec<(usize, f64, Option<f64>)> {
        let of = |batch: &Batch| {
            let t_s = batch.t_s;
            batch
                .values
                .iter()
                .map(move |(channel, value)| (*channel, *value, t_s))
                .collect::<Vec<_>>()
        };
        self.batches.iter().flat_map(of).collect()
    }

    /// The latest value of a channel.
    pub fn last(&self, channel: usize) -> Option<f64> {
        let values = self.values();
        values
            .iter()
            .rev()
            .find(|(place, ..)| *place == channel)
            .map(|(_, value, _)| *value)
    }
}

/// Runs a source that ends to its end.
pub async fn run(spec: &str, setup: &Setup) -> Watched {
    Watched::start(spec, setup).until_it_ends().await
}

/// The recordings' folder; says so on one line where there is none.
pub fn recordings(folder: &str) -> Option<PathBuf> {
    let beside = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../shared/data");
    let root = std::env::var_os("SPINOVER_DATA").map_or(beside, PathBuf::from);
    let path = root.join(folder);
    if path.is_dir() {
        return Some(path);
    }
    eprintln!("skipped: no recordings at {folder} beside the project or in SPINOVER_DATA");
    None
}

/// The outside decoders that `tests/reference/prepare.sh` brings; says so on one line where it has not run.
pub fn reference() -> Option<PathBuf> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../target/reference");
    if path.join("ready-1").is_file() {
        return Some(path);
    }
    eprintln!("skipped: no outside decoders; hub/tests/reference/prepare.sh brings them");
    None
}

/// What a script of `tests/reference` says, by those decoders.
pub fn ask(reference: &Path, script: &str, arguments: &[&str]) -> String {
    let script = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests/reference")
        .join(script);
    let output = std::process::Command::new(reference.join("venv/bin/python"))
        .arg(script)
        .args(arguments)
        .output()
        .expect("python runs");
    assert!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    String::from_utf8(output.stdout).expect("text")
}

/// A file of the tests' own data.
pub fn data(file: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests/data")
        .join(file)
}
