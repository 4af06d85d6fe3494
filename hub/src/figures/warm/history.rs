//! Earlier warm-ups as candidates for how this one will go on: likeness, pace, and the time that was left.
use super::fit::{RisePrior, three_point_bend};
use super::track::{Passage, Rise, Track};

/// An earlier warm-up: rows of time, temperature and, where known, engine speed.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct WarmCurve {
    /// Rows in the order in which they were recorded: time s, temperature deg C (NaN where
    /// blank), engine speed rpm.
    pub rows: Vec<(f64, f64, Option<f64>)>,
}

/// Degrees over which this warm-up's pace is compared with an earlier one's, deg C.
///
/// Chosen by leave-one-out over twelve idle warm-ups of one road car; from 6 to 12 the result
/// hardly differs (docs/figures-warm.md).
const PACE_OVER_C: f64 = 8.0;
/// The pace counts for `d / (d + PACE_TRUST_C)` after a rise of `d` degrees: little early on.
const PACE_TRUST_C: f64 = 4.0;
/// Below this many degrees compared, the pace counts in proportion.
const PACE_FULL_C: f64 = 5.0;
/// Two engine speeds whose logarithms differ by this are one standard deviation apart in
/// likeness: 3 %, about what tells two idle regimes of one engine apart.
const LIKE_LN_RPM: f64 = 0.03;
/// Two starting temperatures this far apart are one standard deviation apart in likeness, deg C,
/// while the rise is young; the difference fades over `START_FADES_C` of rise.
const LIKE_START_C: f64 = 16.0;
const START_FADES_C: f64 = 25.0;
/// What an earlier warm-up counts even if it is nothing like this one, against one for alike.
const LEAST_WEIGHT: f64 = 0.03;
/// The longest that a reading may sit on a degree before the next is due, as a share of that step.
const MOST_OF_STEP: f64 = 0.95;
/// Degrees over which the first-order fit looks back, deg C.
pub(crate) const FIT_OVER_C: f64 = 16.0;
/// An earlier warm-up that stayed at its highest for this long had levelled off, s.
const LEVEL_S: f64 = 180.0;

/// An earlier warm-up, boiled down to when each temperature was first reached.
#[derive(Debug, Clone)]
pub(crate) struct Past {
    pub(crate) rise: Rise,
    /// How long it was watched after its highest reading, s.
    after_highest_s: f64,
}

impl Past {
    pub(crate) fn new(curve: &WarmCurve) -> Option<Past> {
        let mut track = Track::new(true);
        for (t, temp, rpm) in &curve.rows {
            track.push(*t, *temp, *rpm);
        }
        let end = track.now_s()?;
        let same_clock = track.rise().map(|r| r.passages[0].t_s);
        let rise = track.into_longest()?;
        // A rise that ended in a fall was over its top by then, however long it was watched.
        let last_rise = same_clock == rise.passages.first().map(|p| p.t_s);
        let after_highest_s = if last_rise {
            end - rise.passages.last()?.t_s
        } else {
            LEVEL_S
        };
        (rise.highest_c() - rise.start_c >= 2.0).then_some(Past {
            rise,
            after_highest_s,
        })
    }

    /// Whether it levelled off below the target.
    pub(crate) fn levelled_below(&self, target_c: f64) -> bool {
        self.rise.highest_c() < target_c && self.after_highest_s >= LEVEL_S
    }
}

/// Where a warm-up stands now: what the forecast is made from.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Standing<'a> {
    /// Temperature that the rise started from, deg C.
    pub(crate) start_c: f64,
    /// Lowest temperature whose passage tells of the present flow, deg C.
    pub(crate) base_c: f64,
    /// Passages so far, the last being the highest reading.
    pub(crate) passages: &'a [Passage],
    /// Time since the highest reading, s.
    pub(crate) dwell_s: f64,
    /// Mean engine speed now, over each of the windows.
    pub(crate) rpm: [Option<f64>; 2],
}

impl Standing<'_> {
    pub(crate) fn temp_c(&self) -> f64 {
        self.passages.last().map_or(self.start_c, |p| p.temp_c)
    }

    /// When `temp_c` was first reached, between passages by a straight line.
    pub(crate) fn time_at(&self, temp_c: f64) -> Option<f64> {
        let i = self.passages.partition_point(|p| p.temp_c < temp_c - 1e-9);
        let after = self.passages.get(i)?;
        let before = i.checked_sub(1).map(|j| self.passages[j])?;
        let share = (temp_c - before.temp_c) / (after.temp_c - before.temp_c);
        Some(before.t_s + share * (after.t_s - before.t_s))
    }

    /// Temperature at a time, by a straight line between passages; the first before it began.
    pub(crate) fn temp_at(&self, t_s: f64) -> f64 {
        let i = self.passages.partition_point(|p| p.t_s <= t_s);
        match (
            i.checked_sub(1).map(|j| self.passages[j]),
            self.passages.get(i),
        ) {
            (Some(a), Some(b)) => {
                a.temp_c + (b.temp_c - a.temp_c) * (t_s - a.t_s) / (b.t_s - a.t_s)
            }
            (Some(a), None) => a.temp_c,
            (None, Some(b)) => b.temp_c,
            (None, None) => self.start_c,
        }
    }

    /// First temperature from which passages may be compared, deg C: the start itself was only
    /// found, not passed.
    pub(crate) fn compare_from_c(&self) -> f64 {
        self.base_c + 1.0
    }
}

/// One earlier warm-up's say in the forecast.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Candidate {
    /// Logarithm of the seconds left, at this one's pace.
    pub(crate) ln_left: f64,
    /// How much it counts.
    pub(crate) weight: f64,
    /// How long it took over the degree at hand, s, at this one's pace.
    pub(crate) step_s: f64,
}

/// How `past` went on from where `now` stands, to `target_c`, at the pace of `now`.
///
/// None if it never was at this temperature (it started above) or never reached the target. Where it
/// started above, but by less than its own first degrees tell, it is still no guide.
pub(crate) fn candidate(now: &Standing<'_>, past: &Past, target_c: f64) -> Option<Candidate> {
    let temp = now.temp_c();
    let rise = &past.rise;
    if rise.start_c > temp - 1.0 {
        return None;
    }
    let target = rise.shown(target_c);
    let end = rise.time_at(target)?;
    let (here, rpm) = rise.at(temp)?;
    let left = end - here;
    if left <= 0.0 {
        return None;
    }
    let step = rise.time_at((temp + 1.0).min(target)).unwrap_or(end) - here;

    // Pace: time over the last degrees, against the earlier one's time over the same.
    let from = now
        .compare_from_c()
        .max(rise.start_c + 1.0)
        .max(temp - PACE_OVER_C);
    let (mut pace, mut gone) = (0.0, now.dwell_s.min(MOST_OF_STEP * step));
    if let (true, Some(mine), Some(its)) =
        (from <= temp - 1.0, now.time_at(from), rise.time_at(from))
    {
        let risen = temp - now.base_c;
        let trust = risen / (risen + PACE_TRUST_C) * ((temp - from) / PACE_FULL_C).clamp(0.0, 1.0);
        let last = now.passages.last()?.t_s;
        // One second on either side: times are often whole seconds.
        let at_passage = trust * ((last - mine + 1.0) / (here - its + 1.0)).ln();
        gone = (now.dwell_s / at_passage.exp()).min(MOST_OF_STEP * step);
        pace = trust * ((last - mine + now.dwell_s + 1.0) / (here - its + gone + 1.0)).ln();
    }

    let mut unlike = 0.0;
    for (mine, its) in now.rpm.iter().zip(rpm) {
        if let (Some(mine), Some(its)) = (mine, its) {
            let ln = |r: f64| r.max(200.0).ln();
            unlike += ((ln(*mine) - ln(its)) / LIKE_LN_RPM).powi(2);
        }
    }
    let young = (-(temp - now.start_c.max(rise.start_c)) / START_FADES_C).exp();
    unlike += ((now.start_c - rise.start_c) / LIKE_START_C * young).powi(2);
    Some(Candidate {
        ln_left: (left - gone).max(0.5).ln() + pace,
        weight: (-0.5 * unlike).exp() + LEAST_WEIGHT,
        step_s: step * pace.exp(),
    })
}

/// Weighted median and mean, half each: the median is not led astray by one odd run, the mean
/// settles between two ways of going on that are both likely.
pub(crate) fn middle(candidates: &mut [Candidate]) -> Option<f64> {
    let total: f64 = candidates.iter().map(|c| c.weight).sum();
    if candidates.is_empty() || total <= 0.0 {
        return None;
    }
    let mean = candidates.iter().map(|c| c.weight * c.ln_left).sum::<f64>() / total;
    candidates.sort_by(|a, b| a.ln_left.total_cmp(&b.ln_left));
    let pairs: Vec<(f64, f64)> = candidates.iter().map(|c| (c.ln_left, c.weight)).collect();
    Some(0.5 * (mean + weighted_quantile(&pairs, 0.5)?))
}

/// Quantile of `(value, weight)` pairs sorted by value; each pair's weight lies about its value.
pub(crate) fn weighted_quantile(sorted: &[(f64, f64)], q: f64) -> Option<f64> {
    let total: f64 = sorted.iter().map(|p| p.1).sum();
    let mut sum = 0.0;
    let mut before: Option<(f64, f64)> = None;
    for (value, weight) in sorted {
        let at = (sum + 0.5 * weight) / total;
        if at >= q {
            return Some(match before {
                Some((v, p)) if at > p => v + (value - v) * (q - p) / (at - p),
                _ => *value,
            });
        }
        before = Some((*value, at));
        sum += weight;
    }
    before.map(|b| b.0)
}

/// How sharply earlier warm-ups bent between `from_c` and the target; none where none can be asked.
/// The bend is theirs, the pace is left to the fit: a prior on the time constant as well was worse.
pub(crate) fn rise_prior<'a>(
    pasts: impl Iterator<Item = &'a Past>,
    from_c: f64,
    target_c: f64,
) -> Option<RisePrior> {
    let mut ln_u = Vec::new();
    for past in pasts {
        let rise = &past.rise;
        if from_c < rise.start_c + 1.0 {
            continue;
        }
        let high = rise.shown(target_c);
        let times = [from_c, 0.5 * (from_c + high), high].map(|c| rise.time_at(c));
        if let [Some(a), Some(b), Some(c)] = times
            && let Some(u) = three_point_bend(a, b, c)
        {
            ln_u.push(u.ln());
        }
    }
    let (ln_u, sd_ln_u) = centre(&mut ln_u)?;
    Some(RisePrior { ln_u, sd_ln_u })
}

/// Median, and standard deviation with a floor (few runs agree by chance).
fn centre(values: &mut [f64]) -> Option<(f64, f64)> {
    if values.is_empty() {
        return None;
    }
    values.sort_by(f64::total_cmp);
    let n = values.len();
    let median = 0.5 * (values[(n - 1) / 2] + values[n / 2]);
    let mean = values.iter().sum::<f64>() / n as f64;
    let var = values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / n as f64;
    Some((median, var.sqrt().max(0.15)))
}
