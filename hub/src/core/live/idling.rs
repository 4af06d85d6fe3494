//! The idle, and what turns of its air bleeds do to it, kept up with the readings. The same for a warm-up under way and one
//! out of the book.

use crate::figures::{
    bleed::{Adjustment, BleedGain, BleedLearner},
    idle::IdleWatch,
};
use spinover_protocol::today::Told;
use std::collections::VecDeque;

/// How often the idle is asked whether it has settled after a bleed was turned, in seconds: asking costs milliseconds.
const ASK_EVERY_S: f64 = 1.0;

/// An idle that is watched, with its bleeds.
pub struct Idling {
    /// The idle.
    pub idle: IdleWatch,
    bleed: BleedLearner,
    /// Turns that the readings have not come to yet: when, and by how many turns.
    turned: VecDeque<(f64, f64)>,
    taken: usize,
    learned: Vec<Adjustment>,
    pushed_s: f64,
    asked_s: f64,
}

impl Idling {
    /// Begins with what earlier warm-ups taught of the bleeds.
    pub fn knowing(earlier: &[Adjustment]) -> Self {
        Self {
            idle: IdleWatch::default(),
            bleed: BleedLearner::knowing(BleedGain::from_earlier(earlier)),
            turned: VecDeque::new(),
            taken: 0,
            learned: Vec::new(),
            pushed_s: f64::NEG_INFINITY,
            asked_s: f64::NEG_INFINITY,
        }
    }

    /// Takes in what was told of the bleeds, all of it each time.
    pub fn follow(&mut self, bleeds: &[Told<f64>]) {
        for told in bleeds.iter().skip(self.taken) {
            self.turned.push_back((told.at as f64 / 1e3, told.value));
        }
        self.taken = self.taken.max(bleeds.len());
    }

    /// Takes one engine speed: time in seconds, rpm.
    ///
    /// Bleed turns are taken by the readings' times, so a hub that was started again learns the same from the book.
    pub fn push(&mut self, t_s: f64, rpm: f64) {
        while let Some((at_s, turns)) = self.turned.pop_front_if(|(at_s, _)| *at_s < t_s) {
            // A recording that is played fast is ahead of the hub's clock.
            let at_s = at_s.max(self.pushed_s);
            // Where the idle before is not known, there is nothing to learn from that turn.
            let _ = self.bleed.adjusted(at_s, turns, &mut self.idle);
        }
        if t_s - self.asked_s >= ASK_EVERY_S {
            self.learned.extend(self.bleed.poll(t_s, &self.idle));
            self.asked_s = t_s;
        }
        self.idle.push(t_s, rpm);
        self.pushed_s = t_s;
    }

    /// What a turn does, as far as is known.
    pub fn gain(&self) -> &BleedGain {
        self.bleed.gain()
    }

    /// What was learned from this warm-up's turns.
    pub fn learned(self) -> Vec<Adjustment> {
        self.learned
    }
}
