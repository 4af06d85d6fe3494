//! How an idle moves that is not steady: in one step, settling to an end, or drifting. Windows of
//! readings in, what they show out.

use super::idle::{IdleLimits, IdleState};
use super::quantity::{Rpm, Seconds};
use super::robust;

/// A step found.
pub(crate) struct Step {
    /// By how much, rpm.
    pub by: f64,
    /// How long ago, seconds.
    pub ago: f64,
    /// Where it went to, rpm.
    pub level: f64,
}

/// Looks for one step between two levels that fits the window at least twice as closely as its
/// line does (by mean absolute deviation), and is larger than a swing that matters.
pub(crate) fn step(
    x: &[f64],
    y: &[f64],
    line: robust::TheilSen,
    limits: &IdleLimits,
) -> Option<Step> {
    // Shorter on either side is a stray reading or two.
    const LEAST_S: f64 = 1.5;
    const LEAST_CELLS: usize = 3;
    let n = x.len();
    let by_line: f64 = x
        .iter()
        .zip(y)
        .map(|(x, y)| (y - line.intercept_joint - line.slope * x).abs())
        .sum();
    let mut best: Option<(f64, usize, f64, f64)> = None;
    for at in LEAST_CELLS..n.saturating_sub(LEAST_CELLS - 1) {
        if x[at] - x[0] < LEAST_S || x[n - 1] - x[at] < LEAST_S {
            continue;
        }
        let (before, after) = (robust::median(&y[..at])?, robust::median(&y[at..])?);
        let off = |part: &[f64], level: f64| part.iter().map(|v| (v - level).abs()).sum::<f64>();
        let total = off(&y[..at], before) + off(&y[at..], after);
        if best.is_none_or(|b| total < b.0) {
            best = Some((total, at, before, after));
        }
    }
    let (total, at, before, after) = best?;
    (total < 0.5 * by_line && (after - before).abs() > limits.swing_rpm).then(|| Step {
        by: after - before,
        ago: x[n - 1] - x[at],
        level: after,
    })
}

/// Settling or drifting, from the medians of the window's thirds: for an exponential approach
/// each step between thirds is the same share `r` of the one before.
pub(crate) fn moving_state(x: &[f64], y: &[f64], limits: &IdleLimits) -> IdleState {
    let (first, last) = (x[0], x[x.len() - 1]);
    let third = (last - first) / 3.0;
    let edges = [0.0, 1.0, 2.0, 3.0].map(|k| first + k * third);
    let third_of = |t: f64| (((t - first) / third) as usize).min(2);
    let mut parts = [const { Vec::new() }; 3];
    for (t, v) in x.iter().zip(y) {
        parts[third_of(*t)].push(*v);
    }
    let fewest = parts.iter().map(Vec::len).min().unwrap_or(0);
    if fewest < 3 {
        return IdleState::Drifting;
    }
    // Means, not medians: the relations below are exact for means of an exponential over exact
    // thirds. A lone bad reading is held to the others of its third first.
    let reaches = parts.each_ref().map(|part| reach(part));
    let held: Vec<f64> = x
        .iter()
        .zip(y)
        .map(|(t, v)| {
            let (low, high) = reaches[third_of(*t)];
            v.clamp(low, high)
        })
        .collect();
    let means = [0, 1, 2].map(|k| mean_between(x, &held, edges[k], edges[k + 1]));
    let (step, next) = (means[1] - means[0], means[2] - means[1]);
    let ratio = next / step;
    let turned = next * step < 0.0;
    if turned || !ratio.is_finite() {
        // It went one way and comes back: no single approach, so no time is given.
        return if (next / third).abs() < limits.slope_rpm_per_s {
            IdleState::Settling {
                to_rpm: None,
                settle_s: None,
                settle_lo_s: None,
                settle_hi_s: None,
            }
        } else {
            IdleState::Drifting
        };
    }
    // Above this share the curve cannot be told from a straight line within a window.
    const STRAIGHT: f64 = 0.8;
    if ratio > STRAIGHT {
        return IdleState::Drifting;
    }
    let scatter: Vec<f64> = parts
        .iter()
        .flat_map(|p| {
            // Differences of neighbours, free of the trend; sqrt 2 to a single reading.
            p.windows(2)
                .map(|w| (w[1] - w[0]) / std::f64::consts::SQRT_2)
        })
        .collect();
    let sd = robust::mad_sigma(&scatter).unwrap_or(0.0) / (fewest as f64).sqrt();
    let Some((settle_s, to_rpm)) = approach(means, third, limits.band_rpm) else {
        return IdleState::Drifting;
    };
    // What an error of one standard deviation in each mean does, either way, added as squares.
    let (mut less, mut more) = (0.0_f64, Some(0.0_f64));
    for k in 0..3 {
        let moved = [-sd, sd].map(|by| {
            let mut means = means;
            means[k] += by;
            approach(means, third, limits.band_rpm).map(|(s, _)| s - settle_s)
        });
        less = less.hypot(
            moved
                .iter()
                .flatten()
                .fold(0.0_f64, |least, d| least.min(*d)),
        );
        more = match moved {
            [Some(a), Some(b)] => more.map(|m| m.hypot(a.max(b).max(0.0))),
            // With that error no end would be in sight.
            _ => None,
        };
    }
    let longest = more.map(|m| settle_s + robust::Z80 * m);
    if longest == Some(0.0) {
        // Within the band of its end value already, at worst.
        return IdleState::Settled;
    }
    IdleState::Settling {
        to_rpm: Some(Rpm(to_rpm)),
        settle_s: Some(Seconds(settle_s)),
        settle_lo_s: Some(Seconds((settle_s - robust::Z80 * less).max(0.0))),
        settle_hi_s: longest.map(Seconds),
    }
}

/// Time until an exponential approach is within `band` of its end, and that end, from its means
/// over three equal parts of length `third`. `None` where no end is in sight.
fn approach(means: [f64; 3], third: f64, band: f64) -> Option<(f64, f64)> {
    let (step, next) = (means[1] - means[0], means[2] - means[1]);
    // Faster than the lower end has settled within the window's last third already.
    let ratio = (next / step).max(0.02);
    if ratio.is_nan() || ratio >= 0.97 {
        return None;
    }
    let tau = third / -ratio.ln();
    // How far the last mean lies from the end, and from that how far the present does.
    let off_mean = next * ratio / (1.0 - ratio);
    let off_now = off_mean.abs() * third * ratio / (tau * (1.0 - ratio));
    Some(((tau * (off_now / band).ln()).max(0.0), means[2] + off_mean))
}

/// Five robust spreads either side of the median; wider is a stray.
fn reach(values: &[f64]) -> (f64, f64) {
    let centre = robust::median(values).unwrap_or(0.0);
    let reach = 5.0 * robust::mad_sigma(values).unwrap_or(0.0).max(1.0);
    (centre - reach, centre + reach)
}

/// Mean over a stretch of time of the line that joins the readings.
fn mean_between(x: &[f64], y: &[f64], from: f64, to: f64) -> f64 {
    let mut area = 0.0;
    for i in 1..x.len() {
        let (a, b) = (x[i - 1].max(from), x[i].min(to));
        if b > a {
            let slope = (y[i] - y[i - 1]) / (x[i] - x[i - 1]);
            let middle = y[i - 1] + slope * (0.5 * (a + b) - x[i - 1]);
            area += middle * (b - a);
        }
    }
    area / (to - from)
}
