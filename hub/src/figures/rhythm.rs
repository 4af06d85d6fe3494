//! Finds a rhythm in readings at uneven times. Slices in, a rhythm or none out.
//!
//! Least squares on sines over a grid of frequencies (the generalised Lomb-Scargle periodogram:
//! Zechmeister and Kuerster 2009, Astron. Astrophys. 496:577; from memory), beside a trend that
//! may curve.

use nalgebra::{SMatrix, SVector};

use super::robust;

/// Cycles of a rhythm that must fit in the window before it is called one.
const CYCLES: f64 = 3.0;
/// Fastest rhythm looked for, per second.
const FASTEST_HZ: f64 = 2.0;
/// Least share of the variance that a rhythm must explain; a sawtooth's first harmonic has 0.61.
const RHYTHM_SHARE: f64 = 0.5;
/// Chance that noise alone passes for a rhythm, for independent normal noise.
const RHYTHM_FALSE: f64 = 1e-4;

/// A rhythm found.
#[derive(Copy, Clone, Debug, PartialEq)]
pub(crate) struct Rhythm {
    /// Peak-to-peak swing, in the unit of y.
    pub swing: f64,
    /// Time of one cycle, in the unit of x.
    pub period: f64,
}

/// The strongest rhythm, if one explains enough of what a curved trend leaves.
pub(crate) fn rhythm(x: &[f64], y: &[f64]) -> Option<Rhythm> {
    let n = x.len();
    let span = x[n - 1] - x[0];
    let mut gaps: Vec<f64> = x.windows(2).map(|w| w[1] - w[0]).collect();
    gaps.sort_unstable_by(f64::total_cmp);
    let gap = robust::median_of_sorted(&gaps);
    // Two readings a cycle cannot tell a swing from its alias; two and a half can.
    let fastest = (1.0 / (2.5 * gap)).min(FASTEST_HZ);
    let slowest = CYCLES / span;
    let step = 0.25 / span;
    let tries = ((fastest - slowest) / step).floor();
    if n < 12 || tries.is_nan() || tries < 1.0 {
        return None;
    }
    let middle = 0.5 * (x[0] + x[n - 1]);
    let scaled = |t: f64| 2.0 * (t - middle) / span;
    let centre = y.iter().sum::<f64>() / n as f64;
    let trend = |t: f64| {
        let u = scaled(t);
        SVector::<f64, 3>::new(1.0, u, u * u)
    };
    let with_sine = |t: f64, hz: f64| {
        let u = scaled(t);
        let (sin, cos) = (std::f64::consts::TAU * hz * t).sin_cos();
        SVector::<f64, 5>::new(1.0, u, u * u, sin, cos)
    };
    let bare = left_over(x, y, centre, trend)?;
    let left = |hz: f64| left_over(x, y, centre, |t| with_sine(t, hz)).unwrap_or(f64::INFINITY);
    let (mut best_hz, mut best) = (slowest, f64::INFINITY);
    for k in 0..=tries as usize {
        let hz = slowest + k as f64 * step;
        let rest = left(hz);
        if rest < best {
            (best_hz, best) = (hz, rest);
        }
    }
    let share = 1.0 - best / bare;
    let independent = (fastest - slowest) * span;
    let by_chance =
        1.0 - (RHYTHM_FALSE / independent.max(1.0)).powf(2.0 / (n as f64 - 5.0).max(1.0));
    if share.is_nan() || share < RHYTHM_SHARE.max(by_chance) {
        return None;
    }
    // Between the grid's frequencies, the parabola through three of them has the best.
    let (before, after) = (left(best_hz - step), left(best_hz + step));
    let bend = before - 2.0 * best + after;
    if bend > 0.0 && before.is_finite() && after.is_finite() {
        best_hz += (0.5 * step * (before - after) / bend).clamp(-step, step);
    }
    let curve = solve(x, y, centre, trend)?;
    let mut swings: Vec<f64> = x
        .iter()
        .zip(y)
        .map(|(t, v)| v - centre - curve.dot(&trend(*t)))
        .collect();
    swings.sort_unstable_by(f64::total_cmp);
    // A sine spends a tenth of its time in the outer 1.2 % of its swing: hence the factor.
    let swing = (robust::quantile_of_sorted(&swings, 0.95)
        - robust::quantile_of_sorted(&swings, 0.05))
        / 0.987_688;
    Some(Rhythm {
        swing,
        period: 1.0 / best_hz,
    })
}

/// Least-squares coefficients of `y - centre` on a basis.
fn solve<const K: usize>(
    x: &[f64],
    y: &[f64],
    centre: f64,
    basis: impl Fn(f64) -> SVector<f64, K>,
) -> Option<SVector<f64, K>> {
    let mut normal = SMatrix::<f64, K, K>::zeros();
    let mut right = SVector::<f64, K>::zeros();
    for (t, v) in x.iter().zip(y) {
        let b = basis(*t);
        normal += b * b.transpose();
        right += b * (v - centre);
    }
    normal.cholesky().map(|c| c.solve(&right))
}

/// Residual sum of squares of that fit.
fn left_over<const K: usize>(
    x: &[f64],
    y: &[f64],
    centre: f64,
    basis: impl Fn(f64) -> SVector<f64, K> + Copy,
) -> Option<f64> {
    let c = solve(x, y, centre, basis)?;
    Some(
        x.iter()
            .zip(y)
            .map(|(t, v)| (v - centre - c.dot(&basis(*t))).powi(2))
            .sum(),
    )
}
