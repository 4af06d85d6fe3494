//! Follows one temperature forward in time: cleans the readings, notes when each temperature was first reached.
use std::collections::VecDeque;

/// Time windows over which engine speed is averaged, s: what it does now, and what it has been doing.
pub(crate) const RPM_WINDOWS_S: [f64; 2] = [10.0, 30.0];
/// Engine speed below which the engine is not running, rpm. Common practice, no source.
const RUNNING_RPM: f64 = 50.0;
/// How long the engine speed must have been below that before it counts, s.
const STOPPED_AFTER_S: f64 = 5.0;
/// A reading further than this from the last one waits for the next to confirm it: deg C, and
/// deg C per second since the last. Rounding and ripple stay below it, a wild reading does not.
const WILD_C: f64 = 2.0;
const WILD_C_PER_S: f64 = 2.0;
/// A confirmed leap larger than this is another state of affairs, not warming up: start again, deg C.
const LEAP_C: f64 = 8.0;
/// A fall of this much below the highest reading starts the rise again, deg C: more than rounding
/// and the ripple of a thermostat about to open.
const FALL_C: f64 = 3.0;
/// After a fall the rise counts again once it is this far above the lowest, deg C, or no new low
/// has come for `SETTLED_S`.
const RISEN_C: f64 = 1.0;
const SETTLED_S: f64 = 20.0;
/// A clock that runs back by more than this was reset, s; less is repeated or jittered time.
const CLOCK_RESET_S: f64 = 5.0;
/// Engine speed older than this is not known any more, s.
const RPM_HELD_S: f64 = 10.0;
/// New highs are kept at least this far apart, deg C, so that a run costs a bounded amount.
const KEEP_EVERY_C: f64 = 0.5;

/// A temperature when it was first reached.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Passage {
    pub(crate) temp_c: f64,
    pub(crate) t_s: f64,
    /// Mean engine speed over each of `RPM_WINDOWS_S` up to then; none where unknown.
    pub(crate) rpm: [Option<f64>; 2],
}

/// A rise so far: from where, and when each new high was reached.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Rise {
    /// Temperature that the rise started from, deg C.
    pub(crate) start_c: f64,
    /// Rising in temperature; the first is the start itself, when first seen.
    pub(crate) passages: Vec<Passage>,
    /// Whether every reading so far was a whole number of degrees.
    pub(crate) whole: bool,
}

impl Rise {
    pub(crate) fn highest_c(&self) -> f64 {
        self.passages.last().map_or(self.start_c, |p| p.temp_c)
    }

    /// The reading that counts as having reached `temp_c`: the next whole degree where the sensor
    /// only shows whole degrees.
    pub(crate) fn shown(&self, temp_c: f64) -> f64 {
        if self.whole {
            (temp_c - 1e-9).ceil()
        } else {
            temp_c
        }
    }

    /// When `temp_c` was first reached, between passages by a straight line; none at or below the
    /// start (it was there before anybody looked) and above the highest.
    pub(crate) fn time_at(&self, temp_c: f64) -> Option<f64> {
        self.at(temp_c).map(|(t, _)| t)
    }

    /// As `time_at`, with the engine speed over `RPM_WINDOWS_S` then.
    pub(crate) fn at(&self, temp_c: f64) -> Option<(f64, [Option<f64>; 2])> {
        if temp_c <= self.start_c {
            return None;
        }
        let i = self.passages.partition_point(|p| p.temp_c < temp_c - 1e-9);
        let after = self.passages.get(i)?;
        let Some(before) = i.checked_sub(1).map(|j| self.passages[j]) else {
            return Some((after.t_s, after.rpm));
        };
        let share = ((temp_c - before.temp_c) / (after.temp_c - before.temp_c)).clamp(0.0, 1.0);
        let between = |a: f64, b: f64| a + share * (b - a);
        let rpm = std::array::from_fn(|k| match (before.rpm[k], after.rpm[k]) {
            (Some(a), Some(b)) => Some(between(a, b)),
            (_, b) => b,
        });
        Some((between(before.t_s, after.t_s), rpm))
    }
}

/// Engine speed with its running integral, for means over the last seconds.
#[derive(Debug, Clone, Default)]
struct RpmWindow {
    last: Option<(f64, f64)>,
    integral: f64,
    past: VecDeque<(f64, f64)>,
    below_since: Option<f64>,
}

impl RpmWindow {
    fn push(&mut self, t_s: f64, rpm: Option<f64>) {
        let rpm = rpm.filter(|r| r.is_finite() && *r >= 0.0);
        if let Some((at, held)) = self.last {
            if rpm.is_none() && t_s - at <= RPM_HELD_S {
                return;
            }
            if rpm.is_none() || t_s - at > RPM_HELD_S {
                self.past.clear();
                self.last = None;
                self.below_since = None;
            } else {
                self.integral += held * (t_s - at);
            }
        }
        let Some(rpm) = rpm else { return };
        self.last = Some((t_s, rpm));
        // Two entries closer than this tell no more than one.
        match self.past.len() {
            n if n > 1 && t_s - self.past[n - 2].0 < 0.2 => self.past[n - 1] = (t_s, self.integral),
            _ => self.past.push_back((t_s, self.integral)),
        }
        while self.past.len() > 1 && t_s - self.past[1].0 >= RPM_WINDOWS_S[1] {
            self.past.pop_front();
        }
        if rpm >= RUNNING_RPM {
            self.below_since = None;
        } else if self.below_since.is_none() {
            self.below_since = Some(t_s);
        }
    }

    fn means(&self) -> [Option<f64>; 2] {
        RPM_WINDOWS_S.map(|window| {
            let (now, held) = self.last?;
            let (t, integral) = *self.past.iter().find(|(t, _)| *t >= now - window)?;
            Some(if now > t {
                (self.integral - integral) / (now - t)
            } else {
                held
            })
        })
    }

    fn stopped(&self) -> bool {
        match (self.last, self.below_since) {
            (Some((now, _)), Some(since)) => now - since > STOPPED_AFTER_S,
            _ => false,
        }
    }
}

/// One temperature followed forward in time.
#[derive(Debug, Clone)]
pub(crate) struct Track {
    now_s: Option<f64>,
    /// Last accepted reading and when.
    good: Option<(f64, f64)>,
    /// A wild reading that waits to be confirmed.
    waiting: Option<(f64, f64)>,
    rise: Option<Rise>,
    /// Rises that ended in a fall or a leap.
    ended: Vec<Rise>,
    keep_ended: bool,
    /// Temperature from which on passages belong to the present flow.
    base_c: f64,
    /// Lowest reading since the fall began, and when it was first seen.
    falling: Option<(f64, f64)>,
    rpm: RpmWindow,
}

impl Track {
    pub(crate) fn new(keep_ended: bool) -> Track {
        Track {
            now_s: None,
            good: None,
            waiting: None,
            rise: None,
            ended: Vec::new(),
            keep_ended,
            base_c: f64::NEG_INFINITY,
            falling: None,
            rpm: RpmWindow::default(),
        }
    }

    /// Takes the next reading. Returns whether something other than the clock changed: a new
    /// high, a fall, a restart.
    pub(crate) fn push(&mut self, t_s: f64, temp_c: f64, rpm: Option<f64>) -> bool {
        if !t_s.is_finite() {
            return false;
        }
        let mut t = t_s;
        if let Some(now) = self.now_s {
            if t < now - CLOCK_RESET_S {
                let keep = self.keep_ended;
                let ended = std::mem::take(&mut self.ended);
                let rise = self.rise.take();
                *self = Track::new(keep);
                self.ended = ended;
                self.end(rise);
            } else {
                t = t.max(now);
            }
        }
        self.now_s = Some(t);
        self.rpm.push(t, rpm);
        // No coolant, head or oil sensor of use reads outside this: broken wire or not yet awake.
        if !temp_c.is_finite() || !(-60.0..=1500.0).contains(&temp_c) {
            return false;
        }
        let Some((t_last, last)) = self.good else {
            self.begin(t, temp_c);
            return true;
        };
        let wild = |from: (f64, f64)| {
            (temp_c - from.1).abs() > WILD_C + WILD_C_PER_S * (t - from.0).max(0.0)
        };
        if !wild((t_last, last)) {
            self.waiting = None;
            return self.accept(t, temp_c);
        }
        let confirmed = self.waiting.is_some_and(|w| {
            // Near the waiting one, or further the same way: a fast rise, not a wild reading.
            !wild(w) || (w.1 - last) * (temp_c - w.1) > 0.0
        });
        let Some((t_wild, was_wild)) = self.waiting.replace((t, temp_c)) else {
            return false;
        };
        if !confirmed {
            return false;
        }
        self.waiting = None;
        if (was_wild - last).abs() > LEAP_C && !wild((t_wild, was_wild)) {
            let rise = self.rise.take();
            self.end(rise);
            self.begin(t, temp_c);
            return true;
        }
        self.accept(t_wild, was_wild);
        self.accept(t, temp_c)
    }

    /// What came before `t_s` no longer tells how fast it warms up now.
    pub(crate) fn note_change(&mut self, t_s: f64) {
        if let Some(rise) = &self.rise {
            let before = rise.passages.partition_point(|p| p.t_s <= t_s);
            let highest = rise.passages[..before].last();
            self.base_c = highest.map_or(rise.start_c, |p| p.temp_c).max(self.base_c);
        }
    }

    fn begin(&mut self, t: f64, temp_c: f64) {
        self.good = Some((t, temp_c));
        self.waiting = None;
        self.falling = None;
        self.base_c = temp_c;
        self.rise = Some(Rise {
            start_c: temp_c,
            passages: vec![Passage {
                temp_c,
                t_s: t,
                rpm: self.rpm.means(),
            }],
            whole: temp_c.fract() == 0.0,
        });
    }

    fn end(&mut self, rise: Option<Rise>) {
        if self.keep_ended {
            self.ended.extend(rise);
        }
    }

    fn accept(&mut self, t: f64, temp_c: f64) -> bool {
        self.good = Some((t, temp_c));
        let rpm = self.rpm.means();
        let Some(rise) = &mut self.rise else {
            self.begin(t, temp_c);
            return true;
        };
        rise.whole &= temp_c.fract() == 0.0;
        let highest = rise.highest_c();
        if temp_c <= highest - FALL_C {
            let whole = rise.whole;
            let ended = self.rise.take();
            self.end(ended);
            self.begin(t, temp_c);
            if let Some(rise) = &mut self.rise {
                rise.whole = whole;
            }
            self.falling = Some((t, temp_c));
            return true;
        }
        if let Some((_, low)) = self.falling {
            if temp_c < low {
                let whole = rise.whole;
                self.begin(t, temp_c);
                if let Some(rise) = &mut self.rise {
                    rise.whole = whole;
                }
                self.falling = Some((t, temp_c));
                return true;
            }
            if temp_c >= low + RISEN_C {
                self.falling = None;
            }
        }
        if temp_c <= highest {
            return false;
        }
        let passage = Passage {
            temp_c,
            t_s: t,
            rpm,
        };
        // A fine sensor makes a new high at every reading: keep the last one movable until it is
        // far enough from the one before.
        let n = rise.passages.len();
        if n > 1 && temp_c - rise.passages[n - 2].temp_c <= KEEP_EVERY_C {
            rise.passages[n - 1] = passage;
        } else {
            rise.passages.push(passage);
        }
        true
    }

    pub(crate) fn rise(&self) -> Option<&Rise> {
        self.rise.as_ref()
    }

    /// The rise that covered most degrees, of all that were seen.
    pub(crate) fn into_longest(mut self) -> Option<Rise> {
        self.ended.extend(self.rise.take());
        self.ended
            .into_iter()
            .max_by(|a, b| (a.highest_c() - a.start_c).total_cmp(&(b.highest_c() - b.start_c)))
    }

    /// Temperature above which the passages belong to the present flow, deg C.
    pub(crate) fn base_c(&self) -> f64 {
        self.base_c
    }

    /// Time of the last row, s.
    pub(crate) fn now_s(&self) -> Option<f64> {
        self.now_s
    }

    /// Last accepted reading: time s, deg C.
    pub(crate) fn good(&self) -> Option<(f64, f64)> {
        self.good
    }

    pub(crate) fn rpm_means(&self) -> [Option<f64>; 2] {
        self.rpm.means()
    }

    /// Whether the engine speed says that the engine is not running.
    pub(crate) fn stopped(&self) -> bool {
        self.rpm.stopped()
    }

    /// Whether the temperature is falling, or has just fallen and not settled.
    pub(crate) fn falling(&self) -> bool {
        match (self.falling, self.now_s) {
            (Some((since, _)), Some(now)) => now - since < SETTLED_S,
            _ => false,
        }
    }
}
