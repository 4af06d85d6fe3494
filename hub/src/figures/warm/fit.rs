//! First-order fits by Levenberg-Marquardt: numbers in, numbers out; knows nothing of engines or recordings.
use levenberg_marquardt::{LeastSquaresProblem, LevenbergMarquardt};
use nalgebra::storage::Owned;
use nalgebra::{Dyn, Matrix2, Matrix3, OMatrix, OVector, U2, U3, Vector2, Vector3};

/// Why a fit could not be made.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum FitError {
    /// Fewer points than parameters, or lists of unequal length.
    #[error("{points} points are too few for {parameters} parameters")]
    TooFew {
        /// Points given.
        points: usize,
        /// Parameters of the model.
        parameters: usize,
    },
    /// A value that is not a finite number.
    #[error("a value is not a finite number")]
    NotFinite,
    /// The minimiser gave up, or the parameters cannot be told apart on these points.
    #[error("the fit did not converge: {0}")]
    NotConverged(String),
}

/// A fit of `y = b1 (1 - exp(-b2 x))`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FirstOrderFit {
    /// Plateau, in units of y.
    pub b1: f64,
    /// Rate, one over units of x; the time constant is `1 / b2`.
    pub b2: f64,
    /// Standard deviation of `b1`.
    pub sd_b1: f64,
    /// Standard deviation of `b2`.
    pub sd_b2: f64,
    /// Residual sum of squares.
    pub rss: f64,
    /// Residual standard deviation, `sqrt(rss / dof)`.
    pub residual_sd: f64,
    /// Degrees of freedom: points less two.
    pub dof: usize,
}

/// Fits the first-order rise `y = b1 (1 - exp(-b2 x))`, from `start = (b1, b2)`.
///
/// The model and the certified checks are those of the NIST Statistical Reference Datasets
/// Misra1a and BoxBOD. Standard deviations are the usual linear ones:
/// `residual_sd * sqrt(diag((J'J)^-1))` at the solution.
pub fn first_order_fit(x: &[f64], y: &[f64], start: (f64, f64)) -> Result<FirstOrderFit, FitError> {
    if x.len() != y.len() || x.len() < 3 {
        return Err(FitError::TooFew {
            points: x.len().min(y.len()),
            parameters: 2,
        });
    }
    if !x
        .iter()
        .chain(y)
        .chain([&start.0, &start.1])
        .all(|v| v.is_finite())
    {
        return Err(FitError::NotFinite);
    }
    // A long first step from a bad start can land where b2 is huge and the curve is flat, from
    // where nothing leads back (BoxBOD from its first start does). So short first steps are tried
    // too, and the best end counts.
    let mut best: Option<(f64, FirstOrder<'_>)> = None;
    let mut failure = String::new();
    for first_step in [100.0, 1.0, 0.1] {
        let problem = FirstOrder {
            x,
            y,
            p: Vector2::new(start.0, start.1),
        };
        let (done, report) = LevenbergMarquardt::new()
            .with_stepbound(first_step)
            .with_patience(400)
            .minimize(problem);
        let rss = 2.0 * report.objective_function;
        if !report.termination.was_successful() || !rss.is_finite() {
            failure = format!("{:?}", report.termination);
        } else if best.as_ref().is_none_or(|(least, _)| rss < *least) {
            best = Some((rss, done));
        }
    }
    let (rss, done) = best.ok_or(FitError::NotConverged(failure))?;
    let dof = x.len() - 2;
    let jacobian = done.jacobian_now();
    let normal: Matrix2<f64> = jacobian.tr_mul(&jacobian);
    let inverse = normal
        .try_inverse()
        .ok_or_else(|| FitError::NotConverged("singular normal matrix".into()))?;
    let residual_sd = (rss / dof as f64).sqrt();
    Ok(FirstOrderFit {
        b1: done.p[0],
        b2: done.p[1],
        sd_b1: residual_sd * inverse[(0, 0)].sqrt(),
        sd_b2: residual_sd * inverse[(1, 1)].sqrt(),
        rss,
        residual_sd,
        dof,
    })
}

struct FirstOrder<'a> {
    x: &'a [f64],
    y: &'a [f64],
    p: Vector2<f64>,
}

impl FirstOrder<'_> {
    fn jacobian_now(&self) -> OMatrix<f64, Dyn, U2> {
        OMatrix::<f64, Dyn, U2>::from_fn(self.x.len(), |i, j| {
            let e = (-self.p[1] * self.x[i]).exp();
            if j == 0 {
                1.0 - e
            } else {
                self.p[0] * self.x[i] * e
            }
        })
    }
}

impl LeastSquaresProblem<f64, Dyn, U2> for FirstOrder<'_> {
    type ParameterStorage = Owned<f64, U2>;
    type ResidualStorage = Owned<f64, Dyn>;
    type JacobianStorage = Owned<f64, Dyn, U2>;

    fn set_params(&mut self, p: &Vector2<f64>) {
        self.p.copy_from(p);
    }

    fn params(&self) -> Vector2<f64> {
        self.p
    }

    fn residuals(&self) -> Option<OVector<f64, Dyn>> {
        Some(OVector::<f64, Dyn>::from_fn(self.x.len(), |i, _| {
            self.p[0] * -(-self.p[1] * self.x[i]).exp_m1() - self.y[i]
        }))
    }

    fn jacobian(&self) -> Option<OMatrix<f64, Dyn, U2>> {
        Some(self.jacobian_now())
    }
}

/// What is believed of a rise before its own points are looked at.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RisePrior {
    /// Natural logarithm of `u`, where `exp(-u)` is the share of the heating rate at the first
    /// point that is left at the target.
    pub ln_u: f64,
    /// Standard deviation of `ln_u`.
    pub sd_ln_u: f64,
}

/// A first-order rise that goes through a target: `T(t) = P - (P - A) exp(-(t - t0) / tau)`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RiseFit {
    /// Temperature that the rise tends to, deg C; above the target by construction when a prior
    /// was given, free otherwise.
    pub plateau_c: f64,
    /// Time constant, s.
    pub tau_s: f64,
    /// Standard deviation of the logarithm of the time from the last point to the target; none
    /// for a free fit or where it cannot be told.
    pub sd_ln_eta: Option<f64>,
}

impl RiseFit {
    /// Seconds from `temp_c` to `target_c`, none if the plateau does not reach the target.
    pub fn eta_s(&self, temp_c: f64, target_c: f64) -> Option<f64> {
        if temp_c >= target_c {
            return Some(0.0);
        }
        (self.plateau_c > target_c)
            .then(|| self.tau_s * ((self.plateau_c - temp_c) / (self.plateau_c - target_c)).ln())
    }
}

/// Scatter of a point about a first-order rise, deg C: rounding to whole degrees gives 0.29
/// (1/sqrt(12)), the rest is that an engine is not first-order.
const POINT_SD_C: f64 = 0.5;

/// Fits a rise to `points` (s, deg C; at least four, times rising) that ends beyond `target_c`.
///
/// The plateau is written as `target + (target - first) / (exp(u) - 1)`, so that "never" is not
/// among the answers; how fast the rate falls off (`u`) leans on the prior. A free fit of a rise
/// that is only half way round its bend mostly puts the plateau below the target.
pub fn rise_fit(
    points: &[(f64, f64)],
    target_c: f64,
    prior: RisePrior,
) -> Result<RiseFit, FitError> {
    check_points(points)?;
    let (t0, first) = points[0];
    let (t1, last) = points[points.len() - 1];
    let span = target_c - first;
    if span <= 0.0 || t1 <= t0 || last <= first {
        return Err(FitError::NotConverged("no rise towards the target".into()));
    }
    let u = prior.ln_u.exp();
    // The rate over the points, if the fall-off is as expected.
    let tau = ((t1 - t0) * span / ((last - first) * u)).max(1.0).ln();
    let problem = Rise {
        points,
        plateau: Plateau::Beyond {
            target_c,
            span,
            prior,
        },
        p: Vector3::new(prior.ln_u, tau, first),
    };
    let done = solve(problem)?;
    let plateau_c = done.plateau_c();
    let tau_s = done.p[1].exp();
    // Delta method: how the logarithm of the time from the last point moves with the parameters.
    let jacobian = done.jacobian_now();
    let normal: Matrix3<f64> = jacobian.tr_mul(&jacobian);
    let ln_eta = |p: Vector3<f64>| {
        let plateau = done.plateau_at(p[0]);
        (p[1].exp() * ((plateau - last) / (plateau - target_c)).ln()).ln()
    };
    let sd_ln_eta = (last < target_c)
        .then(|| normal.try_inverse())
        .flatten()
        .map(|covariance| {
            let gradient = Vector3::from_fn(|i, _| {
                let h = 1e-4;
                let mut up = done.p;
                let mut down = done.p;
                up[i] += h;
                down[i] -= h;
                (ln_eta(up) - ln_eta(down)) / (2.0 * h)
            });
            (gradient.transpose() * covariance * gradient)[0].sqrt()
        })
        .filter(|sd| sd.is_finite());
    Ok(RiseFit {
        plateau_c,
        tau_s,
        sd_ln_eta,
    })
}

/// Fits a rise to `points` (s, deg C) with nothing assumed: the bare first-order fit.
///
/// Of several starting time constants the best end counts.
pub fn free_rise_fit(points: &[(f64, f64)]) -> Result<RiseFit, FitError> {
    check_points(points)?;
    let (t0, first) = points[0];
    let (t1, last) = points[points.len() - 1];
    let mut best: Option<(f64, Rise<'_>)> = None;
    for share in [0.3, 1.0, 3.0] {
        let tau = ((t1 - t0) * share).max(1.0);
        let problem = Rise {
            points,
            plateau: Plateau::Free,
            p: Vector3::new(last + (last - first), tau.ln(), first),
        };
        if let Ok(done) = solve(problem) {
            let cost = done.residuals().map_or(f64::INFINITY, |r| r.norm_squared());
            if cost.is_finite() && best.as_ref().is_none_or(|(c, _)| cost < *c) {
                best = Some((cost, done));
            }
        }
    }
    let (_, done) = best.ok_or_else(|| FitError::NotConverged("from any start".into()))?;
    Ok(RiseFit {
        plateau_c: done.p[0],
        tau_s: done.p[1].exp(),
        sd_ln_eta: None,
    })
}

fn check_points(points: &[(f64, f64)]) -> Result<(), FitError> {
    if points.len() < 4 {
        return Err(FitError::TooFew {
            points: points.len(),
            parameters: 3,
        });
    }
    if points.iter().any(|(t, c)| !t.is_finite() || !c.is_finite()) {
        return Err(FitError::NotFinite);
    }
    Ok(())
}

fn solve(problem: Rise<'_>) -> Result<Rise<'_>, FitError> {
    let (done, report) = LevenbergMarquardt::new()
        .with_ftol(1e-9)
        .with_xtol(1e-9)
        .with_gtol(1e-9)
        .with_patience(30)
        .minimize(problem);
    // Running out of patience leaves a usable point: what matters is that it is finite.
    let finite = done.p.iter().all(|v| v.is_finite()) && report.objective_function.is_finite();
    if finite {
        Ok(done)
    } else {
        Err(FitError::NotConverged(format!("{:?}", report.termination)))
    }
}

enum Plateau {
    Free,
    Beyond {
        target_c: f64,
        span: f64,
        prior: RisePrior,
    },
}

/// Parameters: plateau (or ln u), ln tau, temperature at the first point.
struct Rise<'a> {
    points: &'a [(f64, f64)],
    plateau: Plateau,
    p: Vector3<f64>,
}

/// `u` is kept where `exp(u)` and its inverse are well away from one and from overflow.
fn bounded_u(ln_u: f64) -> f64 {
    ln_u.exp().clamp(0.01, 12.0)
}

impl Rise<'_> {
    fn plateau_at(&self, first: f64) -> f64 {
        match self.plateau {
            Plateau::Free => first,
            Plateau::Beyond { target_c, span, .. } => target_c + span / bounded_u(first).exp_m1(),
        }
    }

    fn plateau_c(&self) -> f64 {
        self.plateau_at(self.p[0])
    }

    fn plateau_slope(&self) -> f64 {
        match self.plateau {
            Plateau::Free => 1.0,
            Plateau::Beyond { span, .. } => {
                let u = bounded_u(self.p[0]);
                -span * u.exp() / u.exp_m1().powi(2) * u
            }
        }
    }

    fn prior(&self) -> Option<RisePrior> {
        match self.plateau {
            Plateau::Free => None,
            Plateau::Beyond { prior, .. } => Some(prior),
        }
    }

    fn jacobian_now(&self) -> OMatrix<f64, Dyn, U3> {
        let prior = self.prior();
        let n = self.points.len();
        let (plateau, slope) = (self.plateau_c(), self.plateau_slope());
        let (tau, at_first, t0) = (self.p[1].exp(), self.p[2], self.points[0].0);
        OMatrix::<f64, Dyn, U3>::from_fn(n + usize::from(prior.is_some()), |i, j| {
            if let (true, Some(prior)) = (i >= n, prior) {
                return if j == 0 { 1.0 / prior.sd_ln_u } else { 0.0 };
            }
            let x = (self.points[i].0 - t0) / tau;
            let e = (-x).exp();
            let d = match j {
                0 => (1.0 - e) * slope,
                1 => -(plateau - at_first) * e * x,
                _ => e,
            };
            d / POINT_SD_C
        })
    }
}

impl LeastSquaresProblem<f64, Dyn, U3> for Rise<'_> {
    type ParameterStorage = Owned<f64, U3>;
    type ResidualStorage = Owned<f64, Dyn>;
    type JacobianStorage = Owned<f64, Dyn, U3>;

    fn set_params(&mut self, p: &Vector3<f64>) {
        self.p.copy_from(p);
    }

    fn params(&self) -> Vector3<f64> {
        self.p
    }

    fn residuals(&self) -> Option<OVector<f64, Dyn>> {
        let prior = self.prior();
        let n = self.points.len();
        let plateau = self.plateau_c();
        let (tau, at_first, t0) = (self.p[1].exp(), self.p[2], self.points[0].0);
        Some(OVector::<f64, Dyn>::from_fn(
            n + usize::from(prior.is_some()),
            |i, _| {
                if let (true, Some(prior)) = (i >= n, prior) {
                    return (self.p[0] - prior.ln_u) / prior.sd_ln_u;
                }
                let (t, temp) = self.points[i];
                (plateau - (plateau - at_first) * (-(t - t0) / tau).exp() - temp) / POINT_SD_C
            },
        ))
    }

    fn jacobian(&self) -> Option<OMatrix<f64, Dyn, U3>> {
        Some(self.jacobian_now())
    }
}

/// The bend `u` of the first-order rise through three equally spaced temperatures, reached at
/// `t_low`, `t_mid` and `t_high` seconds; none where the times do not rise.
///
/// With `q = exp(-u)` the halves take `tau ln(2 / (1 + q))` and `tau ln((1 + q) / (2 q))`. A second
/// half that is not slower than the first (a straight or upward-bending curve) gives the smallest
/// `u`.
pub fn three_point_bend(t_low: f64, t_mid: f64, t_high: f64) -> Option<f64> {
    let (first, second) = (t_mid - t_low, t_high - t_mid);
    if first <= 0.0 || second <= 0.0 {
        return None;
    }
    let ratio = second / first;
    let ratio_of = |u: f64| {
        let q = (-u).exp();
        ((1.0 + q) / (2.0 * q)).ln() / (2.0 / (1.0 + q)).ln()
    };
    // The ratio rises with u, so a bisection between the ends finds it.
    let (mut low, mut high) = (0.05_f64, 8.0_f64);
    for _ in 0..30 {
        let middle = 0.5 * (low + high);
        if ratio_of(middle) < ratio {
            low = middle;
        } else {
            high = middle;
        }
    }
    Some(0.5 * (low + high))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn three_points_of_a_first_order_rise_give_back_its_bend() {
        for u in [0.2_f64, 1.0, 2.5, 4.0] {
            // From 0 to 1 on the way to a plateau where exp(-u) of the rate is left at 1.
            let plateau = 1.0 / (1.0 - (-u).exp());
            let t = |y: f64| -300.0 * (1.0 - y / plateau).ln();
            let bend = three_point_bend(t(0.0), t(0.5), t(1.0)).expect("rising");
            assert!((bend / u - 1.0).abs() < 1e-6, "{bend} {u}");
        }
        assert_eq!(three_point_bend(0.0, 1.0, 1.0), None);
    }

    #[test]
    fn a_rise_is_found_again_with_a_vague_prior() {
        let points: Vec<(f64, f64)> = (0..60)
            .map(|i| 5.0 * f64::from(i))
            .map(|t| (t, 100.0 - 70.0 * (-t / 250.0_f64).exp()))
            .collect();
        let vague = RisePrior {
            ln_u: 0.0,
            sd_ln_u: 5.0,
        };
        let fit = rise_fit(&points, 90.0, vague).expect("fits");
        assert!((fit.plateau_c - 100.0).abs() < 0.1, "{fit:?}");
        assert!((fit.tau_s / 250.0 - 1.0).abs() < 0.01, "{fit:?}");
        let (t, temp) = points[59];
        let eta = fit.eta_s(temp, 90.0).expect("in reach");
        assert!((t + eta - 250.0 * 7.0_f64.ln()).abs() < 0.5, "{eta}");
        let free = free_rise_fit(&points).expect("fits");
        assert!((free.plateau_c - 100.0).abs() < 1e-3, "{free:?}");
        assert_eq!(free.eta_s(80.0, 101.0), None);
    }

    #[test]
    fn jacobian_is_the_derivative_of_the_residuals() {
        let points: Vec<(f64, f64)> = (0..8)
            .map(|i| (10.0 * f64::from(i), 30.0 + 3.0 * f64::from(i)))
            .collect();
        let prior = RisePrior {
            ln_u: 0.1,
            sd_ln_u: 0.3,
        };
        let plateau = || Plateau::Beyond {
            target_c: 80.0,
            span: 50.0,
            prior,
        };
        let at = |p| Rise {
            points: &points,
            plateau: plateau(),
            p,
        };
        let p = Vector3::new(0.2, 5.0, 29.0);
        let jacobian = at(p).jacobian_now();
        for j in 0..3 {
            let mut up = p;
            let mut down = p;
            up[j] += 1e-6;
            down[j] -= 1e-6;
            let slope = (at(up).residuals().unwrap() - at(down).residuals().unwrap()) / 2e-6;
            let off = (slope - jacobian.column(j)).norm();
            assert!(
                off < 1e-5 * jacobian.column(j).norm().max(1.0),
                "{j}: {off}"
            );
        }
    }
}
