//! The odd cylinder out, and a dead or cold one while on nitro. Holds readings, no clock.
//!
//! A cylinder is odd by its modified z-score: its distance from the median of all, over 1.4826
//! times their median absolute deviation, beyond 3.5 (Iglewicz and Hoaglin 1993, How to Detect and
//! Handle Outliers, ASQC). Dead and cold are told by how far it rose since the start compared with
//! the rest, and by falling alone. All limits besides are settings with no source.

use std::collections::VecDeque;

use serde::Serialize;

use super::quantity::{Celsius, Seconds};
use super::{CantSay, robust};

/// Readings outside of this are no exhaust or head temperature, degrees Celsius.
const PLAUSIBLE_C: (f64, f64) = (-50.0, 1400.0);

/// When a cylinder counts as odd, cold or dead; the chief's settings.
#[derive(Copy, Clone, Debug, PartialEq, Serialize)]
pub struct CylinderLimits {
    /// Modified z-score beyond which a cylinder is odd.
    pub z: f64,
    /// Least distance from the median to be odd at all, kelvin.
    pub apart_k: f64,
    /// Least spread to divide by, kelvin: how alike good cylinders are at best.
    pub spread_floor_k: f64,
    /// Share of the median rise since the start below which a cylinder is cold.
    pub rise_share: f64,
    /// Median rise it takes before a share means anything, kelvin.
    pub rise_k: f64,
    /// Slope below which a cold cylinder counts as not rising, kelvin per second; a seventh of
    /// the median slope where that is more.
    pub still_k_per_s: f64,
    /// Falling faster than the median by this is falling alone, kelvin per second.
    pub fall_k_per_s: f64,
    /// Window that slopes are taken over, seconds.
    pub window_s: f64,
    /// How long a verdict must hold before it is given, seconds.
    pub hold_s: f64,
    /// Oldest that a cylinder's newest reading may be, seconds.
    pub age_s: f64,
    /// A reading that is not low and has not changed at all for so long, while the rest moved, is
    /// stuck, seconds.
    pub stuck_s: f64,
}

impl Default for CylinderLimits {
    /// z from the source above; the rest common practice, no source.
    fn default() -> Self {
        CylinderLimits {
            z: 3.5,
            apart_k: 30.0,
            spread_floor_k: 8.0,
            rise_share: 0.5,
            rise_k: 40.0,
            still_k_per_s: 0.3,
            fall_k_per_s: 3.0,
            window_s: 6.0,
            hold_s: 1.5,
            age_s: 2.0,
            stuck_s: 10.0,
        }
    }
}

/// What a cylinder's temperature says.
#[derive(Copy, Clone, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// Like the rest.
    Alike,
    /// Odd: hotter than the rest.
    Hot,
    /// Odd: cooler than the rest.
    Cool,
    /// Rose less than half of what the rest did, and still rises.
    Cold,
    /// Cold and not rising, or falling alone: not firing (or its sensor has come off).
    Dead,
    /// Does not change while the rest do: the sensor.
    Stuck,
    /// No reading.
    NoReading,
}

impl Verdict {
    /// The verdict in a word or two.
    pub fn word(self) -> &'static str {
        match self {
            Verdict::Alike => "alike",
            Verdict::Hot => "hot",
            Verdict::Cool => "cool",
            Verdict::Cold => "cold",
            Verdict::Dead => "dead",
            Verdict::Stuck => "stuck",
            Verdict::NoReading => "no reading",
        }
    }
}

/// What the engine is doing, which the temperatures alone do not say.
#[derive(Copy, Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Firing {
    /// The engine runs.
    pub running: bool,
    /// It runs on nitro; on petrol a lazy cylinder is only odd.
    pub on_nitro: bool,
}

/// One cylinder against the rest.
#[derive(Copy, Clone, Debug, PartialEq, Serialize)]
pub struct Cylinder {
    /// Its number, from 1.
    pub number: usize,
    /// Its temperature, usual offset taken off; none where it has no reading.
    pub temp_c: Option<Celsius>,
    /// Its modified z-score.
    pub z: Option<f64>,
    /// Its distance from the median, kelvin.
    pub apart_k: Option<f64>,
    /// Its slope, kelvin per second; none until the window is half full.
    pub slope_k_per_s: Option<f64>,
    /// Its rise since the start over the median rise; none until that is large enough.
    pub rise_share: Option<f64>,
    /// What that says.
    pub verdict: Verdict,
}

/// All cylinders.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Cylinders {
    /// Median temperature.
    pub median_c: Celsius,
    /// Robust spread, kelvin.
    pub spread_k: f64,
    /// Each cylinder.
    pub cylinders: Vec<Cylinder>,
    /// The number of the one to look at first, if any.
    pub worst: Option<usize>,
    /// True where a cylinder is dead or cold while the engine runs on nitro: worth a call.
    pub call: bool,
}

/// Fewest cylinders with a reading that can outvote an odd one.
const FEWEST: usize = 4;

/// The odd ones among temperatures taken at one time; `None` is a cylinder without a reading.
///
/// # Errors
/// [`CantSay::TooFew`] with fewer than four readings.
pub fn odd_ones(temps: &[Option<f64>], limits: &CylinderLimits) -> Result<Cylinders, CantSay> {
    let usable = |t: &f64| *t >= PLAUSIBLE_C.0 && *t <= PLAUSIBLE_C.1;
    let known: Vec<f64> = temps.iter().flatten().copied().filter(usable).collect();
    if known.len() < FEWEST {
        return Err(CantSay::TooFew {
            what: "cylinder temperatures",
            have: known.len(),
            need: FEWEST,
        });
    }
    let median = robust::median(&known).unwrap_or(f64::NAN);
    let spread = robust::mad_sigma(&known).unwrap_or(0.0);
    let cylinders: Vec<Cylinder> = temps
        .iter()
        .enumerate()
        .map(|(i, temp)| {
            let temp = temp.filter(usable);
            let apart = temp.map(|t| t - median);
            let z = apart.map(|a| a / spread.max(limits.spread_floor_k));
            let odd = z.is_some_and(|z| z.abs() > limits.z)
                && apart.is_some_and(|a| a.abs() > limits.apart_k);
            Cylinder {
                number: i + 1,
                temp_c: temp.map(Celsius),
                z,
                apart_k: apart,
                slope_k_per_s: None,
                rise_share: None,
                verdict: match apart {
                    None => Verdict::NoReading,
                    Some(_) if !odd => Verdict::Alike,
                    Some(a) if a > 0.0 => Verdict::Hot,
                    Some(_) => Verdict::Cool,
                },
            }
        })
        .collect();
    let mut all = Cylinders {
        median_c: Celsius(median),
        spread_k: spread,
        cylinders,
        worst: None,
        call: false,
    };
    all.worst = worst(&all.cylinders);
    Ok(all)
}

/// The one to look at first: the gravest verdict, then the farthest from the median.
fn worst(cylinders: &[Cylinder]) -> Option<usize> {
    let gravity = |v: Verdict| match v {
        Verdict::Alike => 0,
        Verdict::NoReading => 1,
        Verdict::Stuck => 2,
        Verdict::Hot | Verdict::Cool => 3,
        Verdict::Cold => 4,
        Verdict::Dead => 5,
    };
    cylinders
        .iter()
        .filter(|c| c.verdict != Verdict::Alike)
        .max_by(|a, b| {
            let far = |c: &Cylinder| c.z.map_or(0.0, f64::abs);
            gravity(a.verdict)
                .cmp(&gravity(b.verdict))
                .then(far(a).total_cmp(&far(b)))
        })
        .map(|c| c.number)
}

#[derive(Clone, Debug)]
struct Track {
    readings: VecDeque<(f64, f64)>,
    start: Option<f64>,
    unchanged_since: Option<(f64, f64)>,
    median_then: f64,
    raw: Option<(Verdict, f64)>,
    held: Option<Verdict>,
}

impl Default for Track {
    fn default() -> Self {
        Track {
            readings: VecDeque::new(),
            start: None,
            unchanged_since: None,
            median_then: f64::NAN,
            raw: None,
            held: None,
        }
    }
}

/// Watches all cylinders: push rows, ask for the state.
#[derive(Clone, Debug)]
pub struct CylinderWatch {
    limits: CylinderLimits,
    offsets: Vec<f64>,
    tracks: Vec<Track>,
    newest: Option<f64>,
    judged: Option<f64>,
}

impl CylinderWatch {
    /// Starts with so many cylinders and no usual offsets.
    pub fn new(count: usize, limits: CylinderLimits) -> Self {
        CylinderWatch {
            limits,
            offsets: vec![0.0; count],
            tracks: vec![Track::default(); count],
            newest: None,
            judged: None,
        }
    }

    /// Sets how much each cylinder usually lies above the rest in this engine (learned from the
    /// book), kelvin; taken off before comparing.
    pub fn set_offsets(&mut self, offsets: &[f64]) {
        for (mine, given) in self.offsets.iter_mut().zip(offsets) {
            *mine = if given.is_finite() { *given } else { 0.0 };
        }
    }

    /// Takes the present temperatures as where the engine starts from, and forgets the rest. Call
    /// it when the engine starts; otherwise the first readings are taken.
    pub fn started(&mut self) {
        for track in &mut self.tracks {
            let last = track.readings.back().map(|r| r.1);
            *track = Track {
                start: last,
                ..Track::default()
            };
        }
        self.judged = None;
    }

    /// Takes one row: a reading or none for each cylinder, degrees Celsius. Rows older than the
    /// newest are ignored; implausible readings count as none.
    pub fn push(&mut self, t_s: f64, temps: &[Option<f64>]) {
        if !t_s.is_finite() || self.newest.is_some_and(|t| t_s < t) {
            return;
        }
        self.newest = Some(t_s);
        for (i, track) in self.tracks.iter_mut().enumerate() {
            let Some(temp) = temps.get(i).copied().flatten() else {
                continue;
            };
            if !(PLAUSIBLE_C.0..=PLAUSIBLE_C.1).contains(&temp) {
                continue;
            }
            track.readings.push_back((t_s, temp - self.offsets[i]));
            while track
                .readings
                .front()
                .is_some_and(|r| t_s - r.0 > self.limits.window_s)
            {
                track.readings.pop_front();
            }
            if track.unchanged_since.is_none_or(|(_, value)| value != temp) {
                track.unchanged_since = Some((t_s, temp));
                track.median_then = f64::NAN;
            }
        }
        // Ten times a second is fast enough for temperatures, and bounds the work.
        if self.judged.is_none_or(|t| t_s - t >= 0.1) {
            self.judged = Some(t_s);
            self.note(t_s);
            if let Ok(all) = self.judge(t_s) {
                self.hold(t_s, &all);
            }
        }
    }

    /// Each cylinder's present value: the median of its last second of readings.
    fn present(&self, now_s: f64) -> Vec<Option<f64>> {
        self.tracks
            .iter()
            .map(|track| {
                let newest = track.readings.back()?.0;
                if now_s - newest > self.limits.age_s {
                    return None;
                }
                let last: Vec<f64> = track
                    .readings
                    .iter()
                    .rev()
                    .take_while(|r| newest - r.0 <= 1.0)
                    .map(|r| r.1)
                    .collect();
                robust::median(&last)
            })
            .collect()
    }

    /// Slope from the medians of the window's first and last third.
    fn slope(&self, track: &Track) -> Option<f64> {
        let (first, last) = (track.readings.front()?.0, track.readings.back()?.0);
        let span = last - first;
        if span < self.limits.window_s / 2.0 {
            return None;
        }
        let part = |from: f64, to: f64| -> Option<f64> {
            let inside: Vec<f64> = track
                .readings
                .iter()
                .filter(|r| r.0 >= from && r.0 <= to)
                .map(|r| r.1)
                .collect();
            robust::median(&inside)
        };
        let (early, late) = (
            part(first, first + span / 3.0)?,
            part(last - span / 3.0, last)?,
        );
        Some((late - early) / (span * 2.0 / 3.0))
    }

    /// Notes where a cylinder starts from, and where the median was when a reading stopped
    /// changing.
    fn note(&mut self, now_s: f64) {
        let present = self.present(now_s);
        let known: Vec<f64> = present.iter().copied().flatten().collect();
        let median = robust::median(&known).unwrap_or(f64::NAN);
        for (track, value) in self.tracks.iter_mut().zip(&present) {
            if track.start.is_none() {
                track.start = *value;
            }
            if track.median_then.is_nan() {
                track.median_then = median;
            }
        }
    }

    /// The verdicts of this moment, before they have held for a while.
    fn judge(&self, now_s: f64) -> Result<Cylinders, CantSay> {
        let present = self.present(now_s);
        let mut all = odd_ones(&present, &self.limits)?;
        let slopes: Vec<Option<f64>> = self.tracks.iter().map(|t| self.slope(t)).collect();
        let median_slope = robust::median(&slopes.iter().copied().flatten().collect::<Vec<_>>());
        let rises: Vec<Option<f64>> = self
            .tracks
            .iter()
            .zip(&present)
            .map(|(track, value)| Some((*value)? - track.start?))
            .collect();
        let median_rise =
            robust::median(&rises.iter().copied().flatten().collect::<Vec<_>>()).unwrap_or(0.0);
        for (i, cylinder) in all.cylinders.iter_mut().enumerate() {
            if cylinder.verdict == Verdict::NoReading {
                continue;
            }
            cylinder.slope_k_per_s = slopes[i];
            cylinder.rise_share = rises[i]
                .filter(|_| median_rise >= self.limits.rise_k)
                .map(|r| r / median_rise);
            let low = cylinder
                .rise_share
                .is_some_and(|s| s < self.limits.rise_share);
            let least = self
                .limits
                .still_k_per_s
                .max(median_slope.unwrap_or(0.0) / 7.0);
            let still = slopes[i].is_some_and(|s| s <= least);
            let falls_alone = slopes[i].zip(median_slope).is_some_and(|(s, m)| {
                s < -self.limits.fall_k_per_s && s < m - self.limits.fall_k_per_s
            }) && cylinder.apart_k.is_some_and(|a| a < -self.limits.apart_k);
            let stuck = !low
                && self.tracks[i].unchanged_since.is_some_and(|(since, _)| {
                    now_s - since >= self.limits.stuck_s
                        && (all.median_c.0 - self.tracks[i].median_then).abs()
                            > self.limits.apart_k / 2.0
                });
            // A cylinder that never fired can read as steady as a broken sensor. Cold and still is
            // therefore dead first; only a reading that is not low is put down to the sensor.
            if (low && still) || falls_alone {
                cylinder.verdict = Verdict::Dead;
            } else if stuck {
                cylinder.verdict = Verdict::Stuck;
            } else if low {
                cylinder.verdict = Verdict::Cold;
            }
        }
        Ok(all)
    }

    fn hold(&mut self, now_s: f64, all: &Cylinders) {
        for (track, cylinder) in self.tracks.iter_mut().zip(&all.cylinders) {
            // Dead and cold are one trouble: going from one to the other does not start anew.
            let low = |v: Verdict| matches!(v, Verdict::Dead | Verdict::Cold);
            let same = |v: Verdict| v == cylinder.verdict || (low(v) && low(cylinder.verdict));
            let since = match track.raw {
                Some((verdict, since)) if same(verdict) => since,
                _ => now_s,
            };
            track.raw = Some((cylinder.verdict, since));
            if let Some((verdict, since)) = track.raw
                && now_s - since >= self.limits.hold_s
            {
                track.held = Some(verdict);
            }
        }
    }

    /// How the cylinders stand at `now_s`.
    ///
    /// # Errors
    /// [`CantSay`]: engine not running, or fewer than four cylinders with a fresh reading.
    pub fn now(&self, now_s: f64, firing: Firing) -> Result<Cylinders, CantSay> {
        if !firing.running {
            return Err(CantSay::NotRunning);
        }
        let mut all = self.judge(now_s)?;
        for (track, cylinder) in self.tracks.iter().zip(&mut all.cylinders) {
            let held = track.held.unwrap_or(Verdict::Alike);
            cylinder.verdict = match (cylinder.verdict, held) {
                // Silence needs no time to hold: it has lasted for the age limit already.
                (Verdict::NoReading, _) => Verdict::NoReading,
                (_, Verdict::Dead | Verdict::Cold) if !firing.on_nitro => {
                    if cylinder.apart_k.is_some_and(|a| a < -self.limits.apart_k) {
                        Verdict::Cool
                    } else {
                        Verdict::Alike
                    }
                }
                (_, Verdict::NoReading) => Verdict::Alike,
                (_, held) => held,
            };
        }
        all.worst = worst(&all.cylinders);
        all.call = all
            .cylinders
            .iter()
            .any(|c| matches!(c.verdict, Verdict::Dead | Verdict::Cold));
        Ok(all)
    }

    /// Time of the newest row.
    pub fn newest_s(&self) -> Option<Seconds> {
        self.newest.map(Seconds)
    }
}

impl Cylinders {
    /// One plain sentence for a phone.
    pub fn words(&self) -> String {
        let odd: Vec<String> = self
            .cylinders
            .iter()
            .filter(|c| c.verdict != Verdict::Alike)
            .map(|c| match c.temp_c {
                Some(t) => format!(
                    "cylinder {} {} at {:.0} °C",
                    c.number,
                    c.verdict.word(),
                    t.0
                ),
                None => format!("cylinder {} {}", c.number, c.verdict.word()),
            })
            .collect();
        if odd.is_empty() {
            format!(
                "all {} alike: {:.0} °C ± {:.0}",
                self.cylinders.len(),
                self.median_c.0,
                self.spread_k
            )
        } else {
            format!("{}; the rest {:.0} °C", odd.join(", "), self.median_c.0)
        }
    }
}
