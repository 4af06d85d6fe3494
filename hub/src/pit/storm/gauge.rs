//! What one gauge has said and what of it counted, as the judge sees it: by its own working, so that the hub is not its own judge.

use super::car::OLD_AFTER_MS;
use spinover_protocol::Millis;
use std::collections::VecDeque;

/// A typed reading is fresh for so long (`core::channels`).
const TYPED_MS: Millis = 30_000;
/// Readings are remembered for so long: longer than any gate looks back.
const REMEMBERED_MS: Millis = 40_000;
/// A jump by more than this part of the range is doubted until a second reading agrees (`core::judge`).
const JUMP_PART: f64 = 0.25;

/// A reading as the hub took it in.
#[derive(Clone, Copy, Debug)]
struct Read {
    at: Millis,
    value: f64,
    typed: bool,
    doubtful: bool,
}

/// A gauge, and whoever reads it out.
#[derive(Debug, Default)]
pub(super) struct Gauge {
    highest: f64,
    /// Oldest first.
    readings: VecDeque<Read>,
    believed: Option<Read>,
    jumped: Option<Read>,
}

impl Gauge {
    /// One that goes from nought to there.
    pub(super) fn new(highest: f64) -> Self {
        Self {
            highest,
            ..Self::default()
        }
    }

    /// The car has said what it reads.
    pub(super) fn read(&mut self, at: Millis, value: f64) {
        let mut read = Read {
            at,
            value,
            typed: false,
            doubtful: false,
        };
        if self.plausible(value) {
            let near = |from: Read| {
                at - from.at > OLD_AFTER_MS
                    || (value - from.value).abs() <= self.highest * JUMP_PART
            };
            let believable = self.believed.is_none_or(near) || self.jumped.is_some_and(near);
            read.doubtful = !believable;
            match believable {
                true => (self.believed, self.jumped) = (Some(read), None),
                false => self.jumped = Some(read),
            }
        }
        self.readings.push_back(read);
        let remembered = |read: &Read| at - read.at <= REMEMBERED_MS;
        while !self.readings.front().is_none_or(remembered) {
            self.readings.pop_front();
        }
    }

    /// A person has typed in what it reads.
    pub(super) fn typed(&mut self, at: Millis, value: f64) {
        self.readings.push_back(Read {
            at,
            value,
            typed: true,
            doubtful: false,
        });
    }

    /// When there were readings.
    pub(super) fn times(&self) -> impl Iterator<Item = Millis> {
        self.readings.iter().map(|read| read.at)
    }

    /// The reading that counted at a time, where it was good: the newest from the car while it is fresh and good, else the newest of
    /// all.
    pub(super) fn good_at(&self, at: Millis) -> Option<f64> {
        let good = |read: &Read| self.plausible(read.value) && !read.doubtful;
        let mut shown: Option<&Read> = None;
        for read in self.readings.iter().filter(|read| read.at <= at) {
            let speaks = shown.is_some_and(|shown| {
                !shown.typed && read.at - shown.at <= OLD_AFTER_MS && good(shown)
            });
            if !(read.typed && speaks) {
                shown = Some(read);
            }
        }
        let shown = shown?;
        let limit = if shown.typed { TYPED_MS } else { OLD_AFTER_MS };
        (at - shown.at <= limit && good(shown)).then_some(shown.value)
    }

    fn plausible(&self, value: f64) -> bool {
        (0.0..=self.highest).contains(&value)
    }
}
