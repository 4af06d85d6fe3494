//! What goes wrong in a storm, and how often: drawn from the seed, so that storms differ in kind and not only in detail.

use super::{Happening, PHONES, Storm, air::ToPhone, chance::Chance};
use crate::serve::clerk::ConnId;
use spinover_protocol::Millis;

/// Time that the pit has to come to rest once the weather has cleared: a half-open link is noticed in 3 s, a dial that leads nowhere
/// given up in 4 s, and tried again 3 s later.
pub(super) const SETTLE_MS: Millis = 20_000;

/// What can go wrong.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Trouble {
    /// A phone's radio lets nothing through for a while, one way or both.
    Stall,
    /// A phone's connection is reset: both ends are told, and what flew is lost.
    Reset,
    /// A phone's connection is gone and nobody is told.
    HalfOpen,
    /// Each frame to a phone takes long.
    Crawl,
    /// Several phones are cut off from the hub for a while.
    Partition,
    /// A phone sleeps.
    Sleep,
    /// A phone's clock is set.
    PhoneClock,
    /// A page is loaded anew.
    Reload,
    /// The hub's process is killed.
    Kill,
    /// The laptop loses its power.
    PowerCut,
    /// The disk refuses for a while.
    DiskFails,
    /// The disk is slow for a while.
    DiskSlow,
    /// The car says nothing for a while.
    CarSilent,
}

const TROUBLES: [Trouble; 13] = [
    Trouble::Stall,
    Trouble::Reset,
    Trouble::HalfOpen,
    Trouble::Crawl,
    Trouble::Partition,
    Trouble::Sleep,
    Trouble::PhoneClock,
    Trouble::Reload,
    Trouble::Kill,
    Trouble::PowerCut,
    Trouble::DiskFails,
    Trouble::DiskSlow,
    Trouble::CarSilent,
];

/// What is to change by itself later.
#[derive(Clone, Copy, Debug)]
pub(super) enum Change {
    DiskWorks,
    DiskQuick,
    CrawlEnds(usize),
    HubStarts,
}

/// How a storm is.
#[derive(Clone, Debug)]
pub(super) struct Plan {
    pub(super) length_ms: Millis,
    pub(super) tick_ms: Millis,
    pub(super) reading_ms: Millis,
    /// Mean time between two presses of one person.
    pub(super) press_ms: Millis,
    /// Transactions take up to so many milliseconds in quiet times.
    pub(super) disk_ms: Millis,
    /// Frames that a connection holds on their way before the hub's end of it waits.
    pub(super) window: usize,
    /// So many dials in a hundred are lost the first time.
    pub(super) dials_lost: u64,
    /// Mean time between two troubles.
    every_ms: Millis,
    troubles: Vec<Trouble>,
    /// Phones sleep for minutes in this one.
    long_sleeps: bool,
}

impl Plan {
    pub(super) fn draw(chance: &mut Chance) -> Self {
        let mut troubles = TROUBLES.to_vec();
        troubles.retain(|_| chance.percent(45));
        let long_sleeps = troubles.contains(&Trouble::Sleep) && chance.percent(10);
        let length_ms = match long_sleeps {
            true => chance.between(150_000, 300_000),
            false => chance.between(20_000, 70_000),
        };
        Self {
            length_ms,
            tick_ms: chance.one(&[50, 100, 200, 250]),
            reading_ms: chance.one(&[100, 250, 250, 500]),
            press_ms: chance.one(&[1_500, 4_000, 8_000]),
            disk_ms: chance.one(&[2, 8, 40]),
            window: chance.one(&[8, 24, 80, 200]),
            dials_lost: chance.one(&[0, 0, 20]),
            every_ms: chance.one(&[400, 1_500, 5_000]),
            troubles,
            long_sleeps,
        }
    }
}

impl Storm {
    /// One trouble comes, and the next is arranged.
    pub(super) fn weather(&mut self) {
        if self.healed || self.plan.troubles.is_empty() {
            return;
        }
        let next = self.chance.around(self.plan.every_ms);
        self.after(next, Happening::Weather);
        let trouble = self.plan.troubles[self.chance.place(self.plan.troubles.len())];
        // What stops everyone comes more seldom than what stops one.
        let rare = matches!(
            trouble,
            Trouble::Kill | Trouble::PowerCut | Trouble::DiskFails | Trouble::Partition
        );
        if rare && self.chance.percent(60) {
            return;
        }
        self.strikes(trouble);
    }

    fn strikes(&mut self, trouble: Trouble) {
        let n = self.chance.place(PHONES);
        let short = self.chance.around(1_500);
        let long = self.chance.around(6_000);
        let some = match self.chance.percent(70) {
            true => short,
            false => long,
        };
        match trouble {
            Trouble::Stall => {
                let ways = self.chance.place(3);
                self.say(|| {
                    let ways = ["both ways", "to the phone", "to the hub"][ways];
                    format!("phone {n}'s radio lets nothing through {ways} for {some} ms")
                });
                self.stalls(n, some, ways != 2, ways != 1);
            }
            Trouble::Reset => {
                if let Some(id) = self.phones[n].conn {
                    self.say(|| format!("connection {id} of phone {n} is reset"));
                    self.resets(id);
                }
            }
            Trouble::HalfOpen => {
                if let Some(id) = self.phones[n].conn {
                    self.say(|| {
                        format!("connection {id} of phone {n} is gone, and nobody is told")
                    });
                    self.dies(id);
                }
            }
            Trouble::Crawl => {
                let crawl = self.chance.between(40, 300);
                self.say(|| {
                    format!("phone {n} is in a slow corner: {crawl} ms a frame, for {long} ms")
                });
                self.phones[n].radio.crawl_ms = crawl;
                self.after(long, Happening::Change(Change::CrawlEnds(n)));
            }
            Trouble::Partition => {
                for phone in 0..PHONES {
                    if self.chance.percent(50) {
                        self.say(|| format!("phone {phone} is cut off for {long} ms"));
                        self.stalls(phone, long, true, true);
                        if self.chance.percent(30)
                            && let Some(id) = self.phones[phone].conn
                        {
                            self.dies(id);
                        }
                    }
                }
            }
            Trouble::Sleep => {
                let time = match self.plan.long_sleeps {
                    true => self.chance.between(30_000, 180_000),
                    false => some,
                };
                if self.chance.percent(40) {
                    self.stalls(n, time, true, true);
                }
                self.sleeps(n, time);
            }
            Trouble::PhoneClock => {
                let far = self.chance.one(&[1_500, 20_000, 3_600_000]);
                let by = self.chance.between(-far, far);
                self.say(|| format!("phone {n}'s clock is set by {by} ms"));
                self.phones[n].clock_off += by;
            }
            Trouble::Reload => self.reloads(n),
            Trouble::Kill | Trouble::PowerCut => {
                if self.hub.is_some() {
                    self.hub_goes(trouble == Trouble::Kill);
                    // The laptop's clock may be another after a power cut.
                    if trouble == Trouble::PowerCut && self.chance.percent(30) {
                        self.laptop_off += self.chance.between(-600_000, 60_000);
                    }
                    self.after(some, Happening::Change(Change::HubStarts));
                }
            }
            Trouble::DiskFails => {
                self.say(|| format!("the disk refuses for {some} ms"));
                self.disk.failing = true;
                self.after(some, Happening::Change(Change::DiskWorks));
            }
            Trouble::DiskSlow => {
                let slow = self.chance.one(&[200, 1_000, 3_000]);
                self.say(|| format!("the disk takes up to {slow} ms, for {long} ms"));
                self.disk.slow_ms = slow;
                self.after(long, Happening::Change(Change::DiskQuick));
            }
            Trouble::CarSilent => {
                self.say(|| format!("the car says nothing for {some} ms"));
                self.car_silent_until = self.now + some;
            }
        }
    }

    pub(super) fn changes(&mut self, change: Change) {
        match change {
            Change::DiskWorks => self.disk.failing = false,
            Change::DiskQuick => self.disk.slow_ms = self.plan.disk_ms,
            Change::CrawlEnds(n) => self.leaves_slow_corner(n),
            Change::HubStarts if self.hub.is_none() => self.start_hub(),
            Change::HubStarts => {}
        }
    }

    /// A phone's radio lets nothing through for so long: neither what flies nor what is dialled.
    fn stalls(&mut self, n: usize, for_ms: Millis, down: bool, up: bool) {
        let radio = &mut self.phones[n].radio;
        if down && up {
            radio.cut_until = radio.cut_until.max(self.now + for_ms);
        }
        for conn in self.conns.values_mut().filter(|conn| conn.phone == n) {
            if down {
                conn.down.stall(self.now, for_ms, &mut self.chance);
            }
            if up {
                conn.up.stall(self.now, for_ms, &mut self.chance);
            }
        }
    }

    /// What waited on the slow way comes at once.
    fn leaves_slow_corner(&mut self, n: usize) {
        self.phones[n].radio.crawl_ms = 0;
        let now = self.now;
        let mut waiting = Vec::new();
        for conn in self.conns.values_mut().filter(|conn| conn.phone == n) {
            waiting.push((conn.id, conn.down.catches_up(now)));
        }
        for (id, frames) in waiting {
            for _ in 0..frames {
                self.after(1, Happening::Down(id));
            }
        }
    }

    fn resets(&mut self, id: ConnId) {
        let Some(conn) = self.conns.get_mut(&id) else {
            return;
        };
        conn.down.flying.clear();
        conn.up.flying.clear();
        self.hub_closes(id);
        self.send_down(id, ToPhone::Closed);
    }

    fn dies(&mut self, id: ConnId) {
        if let Some(conn) = self.conns.get_mut(&id) {
            conn.dead = true;
        }
    }

    /// The weather clears. What is broken already stays so until somebody notices.
    pub(super) fn heals(&mut self) {
        self.healed = true;
        self.say(|| "the weather clears".to_owned());
        self.disk.failing = false;
        self.disk.slow_ms = self.plan.disk_ms;
        self.car_silent_until = 0;
        if self.hub.is_none() {
            self.start_hub();
        }
        for n in 0..PHONES {
            self.phones[n].radio.cut_until = 0;
            self.leaves_slow_corner(n);
            self.wakes(n);
        }
        let now = self.now;
        for conn in self.conns.values_mut() {
            conn.down.held_until = conn.down.held_until.min(now + 1_000);
            conn.up.held_until = conn.up.held_until.min(now + 1_000);
        }
    }

    /// The pit has come to rest: everyone must have the same, and nothing may be left open.
    pub(super) fn ends(&mut self) {
        let Some(hub) = &self.hub else { return };
        let record = hub.clerk.core().record();
        let clocks: Vec<f64> = self
            .phones
            .iter_mut()
            .map(|phone| phone.clock(self.now))
            .collect();
        self.watch
            .at_rest(record, &self.disk, &self.phones, &clocks, self.now);
    }
}
