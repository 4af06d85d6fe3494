//! The whole pit in a storm: a hub, its disk, a car's source, twelve phones and their bad radios, on a simulated clock and network in
//! one thread, all from one seed. The same seed gives the same storm, so whatever goes wrong can be played back and read as a story.
//!
//! What is real: the core, the clerk and the sessions that the service runs (`serve::clerk`, `serve::session`), the event log and the
//! board with their JSON, and the phones' link and clock (`protocol::link`, `protocol::clock`). What is simulated: time, sockets, the
//! disk, the people, the weather. What must hold is in `watch`; `docs/reliability.md` says what all this can and cannot show.
//!
//! For tests and measurements; nothing of the service depends on it.

mod air;
mod car;
mod chance;
mod crew;
mod disk;
mod gauge;
mod hub;
mod phone;
mod truth;
mod watch;
mod weather;

use crate::serve::clerk::ConnId;
use air::Conn;
use chance::Chance;
use disk::Disk;
use hub::Hub;
use phone::Phone;
use spinover_protocol::Millis;
use std::{
    cmp::Reverse,
    collections::{BTreeMap, BTreeSet, BinaryHeap, VecDeque},
};
use watch::Watch;
pub use watch::{Rule, Violation};
use weather::{Change, Plan};

/// Phones in the pit.
pub const PHONES: usize = 12;
/// Happenings that a story ends with.
pub const STORY_ENDS_WITH: usize = 30;

/// A mistake made on purpose, to show that the storm finds it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Plant {
    /// Events are shown and commands answered before the disk has them.
    AnswersBeforeDisk,
    /// A phone that comes back is sent what follows the event after the one that it has.
    ResumesOneLate,
    /// A hub that starts again does not know the commands that it has answered.
    ForgetsCommands,
    /// A stop call waits for the disk as everything else does.
    StopWaits,
    /// A page shows the last frame as it came, whatever the link.
    PageTrustsFrames,
    /// The hub's sheet has lost its gates.
    NoGates,
}

impl Plant {
    /// All of them.
    pub const ALL: [Self; 6] = [
        Self::AnswersBeforeDisk,
        Self::ResumesOneLate,
        Self::ForgetsCommands,
        Self::StopWaits,
        Self::PageTrustsFrames,
        Self::NoGates,
    ];

    /// Its name.
    pub fn name(self) -> &'static str {
        match self {
            Self::AnswersBeforeDisk => "answers-before-disk",
            Self::ResumesOneLate => "resumes-one-late",
            Self::ForgetsCommands => "forgets-commands",
            Self::StopWaits => "stop-waits",
            Self::PageTrustsFrames => "page-trusts-frames",
            Self::NoGates => "no-gates",
        }
    }

    /// The rules that it breaks, any of them first.
    pub fn breaks(self) -> &'static [Rule] {
        match self {
            // After a crash the journal has other events under the numbers that phones were shown.
            Self::AnswersBeforeDisk => &[Rule::Lost, Rule::Apart],
            Self::ResumesOneLate => &[Rule::Unsettled, Rule::Stop],
            // A command that comes again is another event, or is answered as another, or refused.
            Self::ForgetsCommands => &[Rule::Twice, Rule::Lost, Rule::RefusedButDone],
            Self::StopWaits => &[Rule::Stop],
            Self::PageTrustsFrames => &[Rule::Old],
            Self::NoGates => &[Rule::Order],
        }
    }
}

/// What became of a seed.
#[derive(Clone, Debug)]
pub struct Outcome {
    /// The seed.
    pub seed: u64,
    /// What was wrong first, if anything.
    pub violation: Option<Violation>,
    /// Events that the disk holds in the end.
    pub events: u64,
    /// Commands that were answered as done.
    pub answered: u64,
    /// How often the hub went down.
    pub crashes: u64,
    /// Connections that phones made.
    pub connections: u64,
    /// How much time passed in the pit, in milliseconds.
    pub simulated_ms: Millis,
    /// The last happenings; all of them where they were asked for; none where nobody asked.
    pub story: Vec<String>,
}

/// Runs the storm of a seed. Where something is wrong it is run again for its story's end.
pub fn run(seed: u64, plant: Option<Plant>) -> Outcome {
    let outcome = Storm::new(seed, plant, None).run();
    match outcome.violation {
        Some(_) => Storm::new(seed, plant, Some(STORY_ENDS_WITH)).run(),
        None => outcome,
    }
}

/// Runs the storm of a seed and tells all of it.
pub fn tell(seed: u64, plant: Option<Plant>) -> Outcome {
    Storm::new(seed, plant, Some(usize::MAX)).run()
}

/// What is to happen. Numbers beside it say for whom; what is out of date by then is passed over.
#[derive(Clone, Copy, Debug)]
enum Happening {
    /// The hub looks at the time.
    Tick,
    /// The car says something.
    Reading,
    /// The transaction under way has ended, one way or the other; by the life of the hub.
    Disk(u32),
    /// The front of what flies to the phone, or to the hub, arrives.
    Down(ConnId),
    Up(ConnId),
    /// A dial has led to a socket, or to a refusal.
    Opens(ConnId),
    Refuses(ConnId),
    /// A page's timer, by the wakings of the phone.
    Page(usize, u32),
    Wake(usize),
    Press(usize),
    /// The second press of those who press twice.
    PressAgain(usize),
    Weather,
    Change(Change),
    /// The weather clears and nobody presses anything any more.
    Heal,
    End,
}

struct Storm {
    seed: u64,
    plant: Option<Plant>,
    plan: Plan,
    chance: Chance,
    now: Millis,
    due: BinaryHeap<Reverse<(Millis, u64, Due)>>,
    scheduled: u64,
    hub: Option<Hub>,
    /// How often the hub has been started.
    life: u32,
    disk: Disk,
    phones: Vec<Phone>,
    conns: BTreeMap<ConnId, Conn>,
    /// The hub's ends to look at: something may be there to be sent, or read.
    to_pump: BTreeSet<ConnId>,
    pumping: bool,
    next_conn: ConnId,
    /// What the car's gauges read.
    gauges: [f64; 2],
    /// The car says nothing until then.
    car_silent_until: Millis,
    /// The laptop's wall clock less the true time.
    laptop_off: Millis,
    healed: bool,
    watch: Watch,
    crashes: u64,
    /// The last happenings, and how many of them are kept.
    story: Option<(usize, VecDeque<String>)>,
}

/// A happening in the queue, which is ordered by time and by when it was put there alone.
#[derive(Clone, Copy, Debug)]
struct Due(Happening);

impl PartialEq for Due {
    fn eq(&self, _: &Self) -> bool {
        true
    }
}
impl Eq for Due {}
impl PartialOrd for Due {
    fn partial_cmp(&self, other: &Self) -> Option<std::cmp::Ordering> {
        Some(self.cmp(other))
    }
}
impl Ord for Due {
    fn cmp(&self, _: &Self) -> std::cmp::Ordering {
        std::cmp::Ordering::Equal
    }
}

impl Storm {
    fn new(seed: u64, plant: Option<Plant>, keep: Option<usize>) -> Self {
        let mut chance = Chance::new(seed);
        let plan = Plan::draw(&mut chance);
        let phones = (0..PHONES).map(|n| Phone::new(n, &mut chance)).collect();
        Self {
            seed,
            plant,
            plan,
            chance,
            now: 0,
            due: BinaryHeap::new(),
            scheduled: 0,
            hub: None,
            life: 0,
            disk: Disk::default(),
            phones,
            conns: BTreeMap::new(),
            to_pump: BTreeSet::new(),
            pumping: false,
            next_conn: 1,
            gauges: [0.0, 70.0],
            car_silent_until: 0,
            laptop_off: 0,
            healed: false,
            watch: Watch::default(),
            crashes: 0,
            story: keep.map(|keep| (keep, VecDeque::new())),
        }
    }

    fn run(mut self) -> Outcome {
        self.disk.slow_ms = self.plan.disk_ms;
        self.start_hub();
        self.at(self.plan.length_ms, Happening::Heal);
        self.at(self.plan.length_ms + weather::SETTLE_MS, Happening::End);
        self.after(1, Happening::Tick);
        self.after(3, Happening::Reading);
        self.after(5, Happening::Weather);
        for phone in 0..PHONES {
            let starts = self.chance.between(0, 3_000);
            self.at(starts, Happening::Page(phone, 0));
            let presses = self.chance.around(self.plan.press_ms);
            self.at(starts + presses, Happening::Press(phone));
        }
        while let Some(Reverse((at, _, Due(what)))) = self.due.pop() {
            self.now = at;
            self.happen(what);
            if self.watch.violation().is_some() || matches!(what, Happening::End) {
                break;
            }
        }
        Outcome {
            seed: self.seed,
            violation: self.watch.violation().cloned(),
            events: self.disk.last(),
            answered: self.watch.answered(),
            crashes: self.crashes,
            connections: self.next_conn - 1,
            simulated_ms: self.now,
            story: self
                .story
                .map_or_else(Vec::new, |(_, story)| story.into_iter().collect()),
        }
    }

    fn at(&mut self, at: Millis, what: Happening) {
        self.scheduled += 1;
        self.due
            .push(Reverse((at.max(self.now), self.scheduled, Due(what))));
    }

    fn after(&mut self, ms: Millis, what: Happening) {
        self.at(self.now + ms, what);
    }

    /// Puts something into the story; the words are made only where somebody will read them.
    fn say(&mut self, words: impl FnOnce() -> String) {
        if let Some((keep, story)) = &mut self.story {
            if story.len() >= *keep {
                story.pop_front();
            }
            let s = self.now as f64 / 1000.0;
            story.push_back(format!("{s:>9.3} s  {}", words()));
        }
    }

    fn happen(&mut self, what: Happening) {
        match what {
            Happening::Tick => self.hub_ticks(),
            Happening::Reading => self.car_speaks(),
            Happening::Disk(life) if life == self.life => self.disk_ends(),
            Happening::Disk(_) => {}
            Happening::Down(conn) => self.arrives_at_phone(conn),
            Happening::Up(conn) => self.arrives_at_hub(conn),
            Happening::Opens(conn) => self.opens(conn),
            Happening::Refuses(conn) => self.refuses(conn),
            Happening::Page(phone, wakings) => self.page_timer(phone, wakings),
            Happening::Wake(phone) => self.wakes(phone),
            Happening::Press(phone) => self.presses(phone),
            Happening::PressAgain(phone) => {
                self.presses_once(phone);
            }
            Happening::Weather => self.weather(),
            Happening::Change(change) => self.changes(change),
            Happening::Heal => self.heals(),
            Happening::End => self.ends(),
        }
    }
}
