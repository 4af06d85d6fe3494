//! Time to a target temperature: earlier warm-ups and the fit brought together, with an interval that earlier errors paid for.
use super::fit::{RiseFit, RisePrior, rise_fit};
use super::history::{
    Candidate, FIT_OVER_C, Past, Standing, candidate, middle, rise_prior, weighted_quantile,
};

/// A forecast point: logarithms of seconds left by each way, and what went into it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Point {
    /// By the earlier warm-ups.
    pub(crate) ln_curves: f64,
    /// By the first-order fit with its prior from the earlier warm-ups.
    pub(crate) ln_fit: Option<f64>,
    /// Earlier warm-ups that had a say.
    pub(crate) runs: usize,
    /// Longest that a like warm-up sat on the degree at hand, s.
    pub(crate) longest_step_s: f64,
}

/// Seconds added to both sides before errors are compared as ratios: close to the target a second
/// more or less is not an error.
const ERROR_OFFSET_S: f64 = 5.0;
/// Progress (share of the rise) within which earlier errors count for the present ones.
const NEAR_PROGRESS: f64 = 0.1;
const FAR_PROGRESS: f64 = 0.25;
/// Spread of the logarithm of the error before any is known, and how many runs that is worth.
const PRIOR_SD: f64 = 0.2;
const PRIOR_RUNS: f64 = 2.0;
/// The fit's largest share in the forecast, and its share while there is nothing to judge it by.
const MOST_FIT: f64 = 0.5;
const UNJUDGED_FIT: f64 = 0.3;
/// The fit is not believed further from the earlier curves than this factor's logarithm.
const FIT_WITHIN_LN: f64 = 0.7;

/// The first-order fit to the last degrees, with its prior; none where there is too little of it.
pub(crate) fn fit_now(
    now: &Standing<'_>,
    target_c: f64,
    prior: impl FnOnce(f64) -> Option<RisePrior>,
) -> Option<RiseFit> {
    let temp = now.temp_c();
    let from = now.compare_from_c().max(temp - FIT_OVER_C);
    if temp - from < 3.0 || temp >= target_c {
        return None;
    }
    let first = now.passages.partition_point(|p| p.temp_c < from - 1e-9);
    let points: Vec<(f64, f64)> = now.passages[first..]
        .iter()
        .map(|p| (p.t_s, p.temp_c))
        .collect();
    rise_fit(&points, target_c, prior(points.first()?.1)?).ok()
}

/// Seconds from the highest reading to the target by a fit, less the time sat there, but not less
/// than from the next degree.
pub(crate) fn fit_left(fit: &RiseFit, now: &Standing<'_>, target_c: f64) -> Option<f64> {
    let temp = now.temp_c();
    let all = fit.eta_s(temp, target_c)?;
    let from_next = fit.eta_s((temp + 1.0).min(target_c), target_c)?;
    Some(
        (all - now.dwell_s)
            .max(from_next + 0.05 * (all - from_next))
            .max(0.5),
    )
}

/// The point forecast from earlier warm-ups, with an optional fit made from the same standing.
pub(crate) fn point<'a>(
    now: &Standing<'_>,
    pasts: impl Iterator<Item = &'a Past>,
    target_c: f64,
    fit: Option<&RiseFit>,
) -> Option<Point> {
    let mut candidates: Vec<Candidate> = pasts
        .filter_map(|past| candidate(now, past, target_c))
        .collect();
    let runs = candidates.len();
    let ln_curves = middle(&mut candidates)?;
    let heaviest = candidates.iter().map(|c| c.weight).fold(0.0, f64::max);
    let longest_step_s = candidates
        .iter()
        .filter(|c| c.weight > 0.2 * heaviest)
        .map(|c| c.step_s)
        .fold(0.0, f64::max);
    let ln_fit = fit.and_then(|f| fit_left(f, now, target_c)).map(|s| {
        s.ln()
            .clamp(ln_curves - FIT_WITHIN_LN, ln_curves + FIT_WITHIN_LN)
    });
    Some(Point {
        ln_curves,
        ln_fit,
        runs,
        longest_step_s,
    })
}

/// One forecast of an earlier warm-up from the others, and what then came.
struct Trial {
    run: usize,
    progress: f64,
    point: Point,
    left_s: f64,
}

/// What forecasts of the earlier warm-ups, each from the others, have been worth.
#[derive(Default)]
pub(crate) struct Calibration {
    trials: Vec<Trial>,
}

/// Logarithm of the ratio of what came to what was said.
fn error(left_s: f64, said_s: f64) -> f64 {
    ((left_s + ERROR_OFFSET_S) / (said_s + ERROR_OFFSET_S)).ln()
}

impl Calibration {
    /// Forecasts every earlier warm-up from the others, every two degrees.
    ///
    /// Work: runs squared times degrees, once; 12 runs of 60 degrees are about 4000 candidates
    /// and 350 fits.
    pub(crate) fn new(pasts: &[Past], target_c: f64) -> Calibration {
        let mut trials = Vec::new();
        if pasts.len() < 2 {
            return Calibration { trials };
        }
        for (run, past) in pasts.iter().enumerate() {
            let rise = &past.rise;
            let Some(end) = rise.time_at(rise.shown(target_c)) else {
                continue;
            };
            let others = || {
                pasts
                    .iter()
                    .enumerate()
                    .filter(move |(i, _)| *i != run)
                    .map(|(_, p)| p)
            };
            let mut due = rise.start_c + 1.0;
            for (i, passage) in rise.passages.iter().enumerate() {
                if passage.temp_c < due || passage.temp_c >= target_c {
                    continue;
                }
                due = passage.temp_c + 2.0;
                let now = Standing {
                    start_c: rise.start_c,
                    base_c: rise.start_c,
                    passages: &rise.passages[..=i],
                    dwell_s: 0.0,
                    rpm: passage.rpm,
                };
                let fit = fit_now(&now, target_c, |from| rise_prior(others(), from, target_c));
                if let Some(point) = point(&now, others(), target_c, fit.as_ref()) {
                    trials.push(Trial {
                        run,
                        progress: progress(rise.start_c, passage.temp_c, target_c),
                        point,
                        left_s: end - passage.t_s,
                    });
                }
            }
        }
        Calibration { trials }
    }

    /// Trials near a progress with weights: no run counts for more than one.
    fn near(&self, progress: f64) -> Vec<(&Trial, f64)> {
        let mut near: Vec<(&Trial, f64)> = self
            .trials
            .iter()
            .filter(|t| (t.progress - progress).abs() <= FAR_PROGRESS)
            .map(|t| {
                let z = (t.progress - progress) / NEAR_PROGRESS;
                (t, (-0.5 * z * z).exp())
            })
            .collect();
        let runs = near.iter().map(|(t, _)| t.run + 1).max().unwrap_or(0);
        let mut of_run = vec![0.0; runs];
        for (t, w) in &near {
            of_run[t.run] += w;
        }
        for (t, w) in &mut near {
            *w /= of_run[t.run].max(1.0);
        }
        near
    }

    /// The fit's share at this progress: by inverse squared errors of the trials, the fit's
    /// limited because a forecast that went wholly wrong tells no more by being further wrong.
    fn fit_share(&self, near: &[(&Trial, f64)]) -> f64 {
        let (mut sum, mut curves, mut fit) = (0.0, 0.0, 0.0);
        for (t, w) in near {
            if let Some(ln_fit) = t.point.ln_fit {
                sum += w;
                curves += w * error(t.left_s, t.point.ln_curves.exp()).powi(2);
                fit += w * error(t.left_s, ln_fit.exp()).powi(2);
            }
        }
        if sum < 2.0 {
            return UNJUDGED_FIT;
        }
        (curves / (curves + fit).max(1e-12)).min(MOST_FIT)
    }

    /// Brings the two ways together: logarithm of seconds left.
    fn combined(point: &Point, share: f64) -> f64 {
        match point.ln_fit {
            Some(fit) => (1.0 - share) * point.ln_curves + share * fit,
            None => point.ln_curves,
        }
    }

    /// Seconds left with an 80 % interval: `(eta, low, high)`.
    ///
    /// The interval is the mean of two: the 10 % and 90 % quantiles of the errors of the trials
    /// near this progress (symmetric and not, half each), and a t interval from their root mean
    /// square with a prior worth `PRIOR_RUNS` runs, which carries while runs are few.
    pub(crate) fn forecast(&self, point: &Point, progress: f64) -> (f64, f64, f64) {
        let near = self.near(progress);
        let share = self.fit_share(&near);
        let eta = Self::combined(point, share).exp();
        let mut errors: Vec<(f64, f64)> = near
            .iter()
            .map(|(t, w)| (error(t.left_s, Self::combined(&t.point, share).exp()), *w))
            .collect();
        errors.sort_by(|a, b| a.0.total_cmp(&b.0));
        let runs: f64 = errors.iter().map(|e| e.1).sum();
        let square: f64 = errors.iter().map(|(e, w)| w * e * e).sum();
        let sd = ((square + PRIOR_RUNS * PRIOR_SD * PRIOR_SD) / (runs + PRIOR_RUNS)).sqrt();
        let t = t_quantile_90(runs + PRIOR_RUNS - 1.0) * sd;
        let mut sizes: Vec<(f64, f64)> = errors.iter().map(|(e, w)| (e.abs(), *w)).collect();
        sizes.sort_by(|a, b| a.0.total_cmp(&b.0));
        let quantile = |q| weighted_quantile(&errors, q);
        let (low, high) = match (quantile(0.1), quantile(0.9), weighted_quantile(&sizes, 0.8)) {
            // Quantiles of fewer runs than this are the extremes and nothing more.
            (Some(a), Some(b), Some(s)) if runs >= 4.0 => {
                (0.25 * (a - s) - 0.5 * t, 0.25 * (b + s) + 0.5 * t)
            }
            _ => (-t, t),
        };
        let at = |e: f64| ((eta + ERROR_OFFSET_S) * e.exp() - ERROR_OFFSET_S).max(0.0);
        (eta, at(low.min(0.0)).min(eta), at(high.max(0.0)).max(eta))
    }
}

/// Share of the rise from the start to the target that is done.
pub(crate) fn progress(start_c: f64, temp_c: f64, target_c: f64) -> f64 {
    ((temp_c - start_c) / (target_c - start_c).max(1e-9)).clamp(0.0, 1.0)
}

/// 90 % quantile of Student's t for real degrees of freedom of one and more.
///
/// Cornish-Fisher expansion about the normal quantile 1.2815515655 (Abramowitz and Stegun
/// 26.7.5, from memory); within 0.4 % of the table from two degrees of freedom on.
fn t_quantile_90(dof: f64) -> f64 {
    let z = 1.281_551_565_5_f64;
    let n = dof.max(1.0);
    let (z2, z3, z5, z7) = (z * z, z.powi(3), z.powi(5), z.powi(7));
    let g1 = (z3 + z) / 4.0;
    let g2 = (5.0 * z5 + 16.0 * z3 + 3.0 * z) / 96.0;
    let g3 = (3.0 * z7 + 19.0 * z5 + 17.0 * z3 - 15.0 * z) / 384.0;
    let g4 = (79.0 * z7 * z2 + 776.0 * z7 + 1482.0 * z5 - 1920.0 * z3 - 945.0 * z) / 92160.0;
    z + g1 / n + g2 / n.powi(2) + g3 / n.powi(3) + g4 / n.powi(4)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn t_quantiles_agree_with_the_table() {
        // t 0.90 from any table: 2 dof 1.886, 5 dof 1.476, 11 dof 1.363, 30 dof 1.310.
        for (dof, t) in [(2.0, 1.886), (5.0, 1.476), (11.0, 1.363), (30.0, 1.310)] {
            assert!((t_quantile_90(dof) / t - 1.0).abs() < 0.004, "{dof}");
        }
    }
}
