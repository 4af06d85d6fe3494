//! Finds a rhythm in readings at uneven times. Slices in, a rhythm or none out.
//!
//! Least squares on sines over a grid of frequencies (the generalised Lomb-Scargle periodogram:
//! Zechmeister and Kuerster 2009, Astron. Astrophys. 496:577; from memory), beside a trend that
//! may curve.

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
    let waves = Waves::over(x, y)?;
    let bare: f64 = waves.rest.iter().map(|r| r * r).sum();
    let (mut best_hz, mut best) = (slowest, f64::INFINITY);
    for k in 0..=tries as usize {
        let hz = slowest + k as f64 * step;
        let left = bare - waves.explained(hz);
        if left < best {
            (best_hz, best) = (hz, left);
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
    let (before, after) = (
        bare - waves.explained(best_hz - step),
        bare - waves.explained(best_hz + step),
    );
    let bend = before - 2.0 * best + after;
    if bend > 0.0 {
        best_hz += (0.5 * step * (before - after) / bend).clamp(-step, step);
    }
    let mut swings = waves.rest;
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

/// Readings with their curved trend taken off, ready to be tried against sines.
struct Waves<'a> {
    x: &'a [f64],
    /// Orthonormal over the readings: constant, slope, curve.
    trend: [Vec<f64>; 3],
    /// What the trend leaves of the readings.
    rest: Vec<f64>,
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

impl<'a> Waves<'a> {
    fn over(x: &'a [f64], y: &[f64]) -> Option<Waves<'a>> {
        let middle = 0.5 * (x[0] + x[x.len() - 1]);
        let power = |k: i32| -> Vec<f64> { x.iter().map(|t| (t - middle).powi(k)).collect() };
        let mut trend = [power(0), power(1), power(2)];
        // Gram-Schmidt: each made free of those before it, then of length one.
        for k in 0..trend.len() {
            let (done, open) = trend.split_at_mut(k);
            let this = &mut open[0];
            for other in done.iter() {
                let along = dot(this, other);
                this.iter_mut()
                    .zip(other)
                    .for_each(|(v, o)| *v -= along * o);
            }
            let length = dot(this, this).sqrt();
            if length.is_nan() || length <= 0.0 {
                return None;
            }
            this.iter_mut().for_each(|v| *v /= length);
        }
        let mut rest = y.to_vec();
        for part in &trend {
            let along = dot(&rest, part);
            rest.iter_mut().zip(part).for_each(|(v, o)| *v -= along * o);
        }
        Some(Waves { x, trend, rest })
    }

    /// Sum of squares that a sine of this frequency explains of the rest, the trend refitted with
    /// it: least squares on the sine and cosine, both made free of the trend.
    fn explained(&self, hz: f64) -> f64 {
        let (mut ss, mut cc, mut sc, mut sr, mut cr) = (0.0, 0.0, 0.0, 0.0, 0.0);
        let (mut s_trend, mut c_trend) = ([0.0; 3], [0.0; 3]);
        for (i, t) in self.x.iter().enumerate() {
            let (s, c) = (std::f64::consts::TAU * hz * t).sin_cos();
            ss += s * s;
            cc += c * c;
            sc += s * c;
            sr += s * self.rest[i];
            cr += c * self.rest[i];
            for k in 0..3 {
                s_trend[k] += s * self.trend[k][i];
                c_trend[k] += c * self.trend[k][i];
            }
        }
        ss -= dot(&s_trend, &s_trend);
        cc -= dot(&c_trend, &c_trend);
        sc -= dot(&s_trend, &c_trend);
        let determinant = ss * cc - sc * sc;
        // A sine that the trend or the other one mimics explains nothing of its own.
        if determinant <= 1e-9 * (ss * cc).max(f64::MIN_POSITIVE) {
            return 0.0;
        }
        (sr * sr * cc - 2.0 * sr * cr * sc + cr * cr * ss) / determinant
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Times at an uneven pace, so that nothing rests on even spacing.
    fn times() -> Vec<f64> {
        (0..100_u32)
            .map(|i| f64::from(i) * 0.2 + 0.06 * f64::from((i * 7) % 5) / 5.0)
            .collect()
    }

    #[test]
    fn a_sine_on_a_curved_trend_is_found() {
        let x = times();
        let y: Vec<f64> = x
            .iter()
            .map(|t| {
                2400.0 + 9.0 * t - 0.8 * t * t
                    + 45.0 * (std::f64::consts::TAU * t / 2.1 + 0.3).sin()
            })
            .collect();
        let found = rhythm(&x, &y).unwrap();
        assert!((found.period - 2.1).abs() < 0.02, "{found:?}");
        assert!((found.swing - 90.0).abs() < 5.0, "{found:?}");
    }

    #[test]
    fn the_whole_of_a_pure_sine_is_explained() {
        let x = times();
        let y: Vec<f64> = x
            .iter()
            .map(|t| (std::f64::consts::TAU * 0.7 * t).cos())
            .collect();
        let waves = Waves::over(&x, &y).unwrap();
        let all = dot(&waves.rest, &waves.rest);
        assert!((waves.explained(0.7) / all - 1.0).abs() < 1e-9);
        assert!(waves.explained(1.6) < 0.05 * all);
    }

    #[test]
    fn a_trend_alone_is_no_rhythm() {
        let x = times();
        let exponential: Vec<f64> = x.iter().map(|t| 300.0 * (-t / 6.0).exp()).collect();
        assert_eq!(rhythm(&x, &exponential), None);
        let straight: Vec<f64> = x.iter().map(|t| 5.0 * t).collect();
        assert_eq!(rhythm(&x, &straight), None);
    }
}
