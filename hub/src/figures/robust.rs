//! Statistics that a few bad readings cannot spoil, and the plain ones they are checked against.
//! Slices in, numbers out; values that are not finite must be left out by the caller.

use nalgebra::{DMatrix, DVector};
use serde::Serialize;

/// Scales a median absolute deviation to the standard deviation of a normal distribution:
/// 1 / the 75 % quantile of the standard normal (Rousseeuw and Croux 1993, J. Am. Stat. Assoc.
/// 88:1273; the number recomputed).
pub const MAD_TO_SIGMA: f64 = 1.482_602_218_505_602;

/// The normal distribution stays within this many standard deviations, either side, with
/// probability 0.80; the level of the intervals that figures give.
pub const Z80: f64 = 1.281_551_565_544_600_4;

/// Median of values sorted ascending; NaN for none.
pub fn median_of_sorted(sorted: &[f64]) -> f64 {
    let n = sorted.len();
    match n {
        0 => f64::NAN,
        _ if n % 2 == 1 => sorted[n / 2],
        _ => 0.5 * (sorted[n / 2 - 1] + sorted[n / 2]),
    }
}

/// Median, or `None` for no values.
pub fn median(values: &[f64]) -> Option<f64> {
    if values.is_empty() {
        return None;
    }
    Some(median_in_place(&mut values.to_vec()))
}

/// Median by selection, which reorders the values; NaN for none.
fn median_in_place(values: &mut [f64]) -> f64 {
    let n = values.len();
    if n == 0 {
        return f64::NAN;
    }
    let (below, middle, _) = values.select_nth_unstable_by(n / 2, f64::total_cmp);
    let middle = *middle;
    if n % 2 == 1 {
        middle
    } else {
        let lower = below.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        0.5 * (lower + middle)
    }
}

/// Quantile `q` (0..=1) of values sorted ascending, by linear interpolation between order
/// statistics (definition 7 of Hyndman and Fan 1996, Am. Stat. 50:361); NaN for none.
pub fn quantile_of_sorted(sorted: &[f64], q: f64) -> f64 {
    let Some(last) = sorted.len().checked_sub(1) else {
        return f64::NAN;
    };
    let at = q.clamp(0.0, 1.0) * last as f64;
    let below = at.floor() as usize;
    let above = (below + 1).min(last);
    sorted[below] + (at - below as f64) * (sorted[above] - sorted[below])
}

/// Median absolute deviation from the median, unscaled; `None` for no values.
pub fn mad(values: &[f64]) -> Option<f64> {
    let centre = median(values)?;
    let mut off: Vec<f64> = values.iter().map(|v| (v - centre).abs()).collect();
    Some(median_in_place(&mut off))
}

/// Robust standard deviation: the median absolute deviation times [`MAD_TO_SIGMA`].
pub fn mad_sigma(values: &[f64]) -> Option<f64> {
    mad(values).map(|m| m * MAD_TO_SIGMA)
}

/// How many robust standard deviations each value lies from the median. `floor` is the least
/// spread to divide by, in the values' unit, so that near-equal values do not make giants.
pub fn robust_z(values: &[f64], floor: f64) -> Vec<f64> {
    let Some(centre) = median(values) else {
        return Vec::new();
    };
    let spread = mad_sigma(values).unwrap_or(0.0).max(floor);
    values
        .iter()
        .map(|v| {
            if spread > 0.0 {
                (v - centre) / spread
            } else {
                0.0
            }
        })
        .collect()
}

/// A line through points by medians.
#[derive(Copy, Clone, Debug, PartialEq, Serialize)]
pub struct TheilSen {
    /// Median of the slopes of all pairs.
    pub slope: f64,
    /// Median y minus slope times median x.
    pub intercept: f64,
    /// Median of `y - slope x`.
    pub intercept_joint: f64,
    /// Lower end of the slope's confidence interval.
    pub slope_lo: f64,
    /// Upper end of the slope's confidence interval.
    pub slope_hi: f64,
}

/// Theil-Sen line, with Sen's interval for the slope at the two-sided normal quantile `z`
/// (1.282 for 80 %, 1.960 for 95 %). `None` where fewer than two x differ.
///
/// Source: Theil 1950; Sen 1968, J. Am. Stat. Assoc. 63:1379, the interval with his correction
/// for equal y. Costs n(n-1)/2 slopes: the caller keeps n to a few hundred.
pub fn theil_sen(x: &[f64], y: &[f64], z: f64) -> Option<TheilSen> {
    let n = x.len().min(y.len());
    let mut slopes = Vec::with_capacity(n * n.saturating_sub(1) / 2);
    for i in 0..n {
        for j in i + 1..n {
            let dx = x[j] - x[i];
            if dx != 0.0 {
                slopes.push((y[j] - y[i]) / dx);
            }
        }
    }
    if slopes.is_empty() {
        return None;
    }
    slopes.sort_unstable_by(f64::total_cmp);
    let slope = median_of_sorted(&slopes);
    let intercept = median(&y[..n])? - slope * median(&x[..n])?;
    let mut joint: Vec<f64> = (0..n).map(|i| y[i] - slope * x[i]).collect();
    let intercept_joint = median_in_place(&mut joint);

    let nf = n as f64;
    let ties = |values: &[f64]| -> f64 {
        let mut sorted = values.to_vec();
        sorted.sort_unstable_by(f64::total_cmp);
        sorted
            .chunk_by(|a, b| a == b)
            .map(|run| run.len() as f64)
            .map(|k| k * (k - 1.0) * (2.0 * k + 5.0))
            .sum()
    };
    let variance =
        (nf * (nf - 1.0) * (2.0 * nf + 5.0) - ties(&x[..n]) - ties(&y[..n])).max(0.0) / 18.0;
    let (count, half) = (slopes.len() as f64, z.abs() * variance.sqrt());
    let last = slopes.len() - 1;
    // Both ends one rank outwards of the quantile, as Sen's interval is meant: at least the level.
    let lower = (((count - half) / 2.0).round() - 1.0).clamp(0.0, last as f64) as usize;
    let upper = ((count + half) / 2.0).round().clamp(0.0, last as f64) as usize;
    Some(TheilSen {
        slope,
        intercept,
        intercept_joint,
        slope_lo: slopes[lower].min(slope),
        slope_hi: slopes[upper].max(slope),
    })
}

/// A least-squares line with its standard deviations.
#[derive(Copy, Clone, Debug, PartialEq, Serialize)]
pub struct Line {
    /// Slope.
    pub slope: f64,
    /// Intercept.
    pub intercept: f64,
    /// Standard deviation of the slope.
    pub slope_sd: f64,
    /// Standard deviation of the intercept.
    pub intercept_sd: f64,
    /// Residual sum of squares.
    pub rss: f64,
    /// Residual standard deviation.
    pub residual_sd: f64,
    /// Coefficient of determination.
    pub r2: f64,
}

/// Least-squares line; `None` for fewer than three points or no spread in x. The plain method
/// that the robust ones are compared with; sums are taken about the means to keep the digits.
pub fn least_squares(x: &[f64], y: &[f64]) -> Option<Line> {
    let n = x.len().min(y.len());
    if n < 3 {
        return None;
    }
    let nf = n as f64;
    let mean_x = x[..n].iter().sum::<f64>() / nf;
    let mean_y = y[..n].iter().sum::<f64>() / nf;
    let (mut sxx, mut sxy, mut syy) = (0.0, 0.0, 0.0);
    for i in 0..n {
        let (dx, dy) = (x[i] - mean_x, y[i] - mean_y);
        sxx += dx * dx;
        sxy += dx * dy;
        syy += dy * dy;
    }
    if sxx == 0.0 {
        return None;
    }
    let slope = sxy / sxx;
    let intercept = mean_y - slope * mean_x;
    let rss: f64 = (0..n)
        .map(|i| {
            let r = (y[i] - mean_y) - slope * (x[i] - mean_x);
            r * r
        })
        .sum();
    let residual_sd = (rss / (nf - 2.0)).sqrt();
    Some(Line {
        slope,
        intercept,
        slope_sd: residual_sd / sxx.sqrt(),
        intercept_sd: residual_sd * (1.0 / nf + mean_x * mean_x / sxx).sqrt(),
        rss,
        residual_sd,
        r2: if syy > 0.0 { 1.0 - rss / syy } else { 1.0 },
    })
}

/// Huber's tuning constant: 95 % efficiency at the normal (Huber 1981, Robust Statistics; from
/// memory).
const HUBER_K: f64 = 1.345;

/// A linear regression that bad points pull only a little (Huber's weights).
#[derive(Clone, Debug)]
pub struct RobustFit {
    /// Coefficients, one for each column.
    pub coefficients: Vec<f64>,
    /// Standard deviation of each coefficient.
    pub coefficient_sd: Vec<f64>,
    /// Residual scale, in the unit of y.
    pub scale: f64,
    /// Weight that each point ended with, 0..=1.
    pub weights: Vec<f64>,
    /// Largest leverage among the points fitted.
    pub largest_leverage: f64,
    inverse: DMatrix<f64>,
    dof: usize,
}

/// Fits `y = rows . coefficients` by iteratively reweighted least squares. The rows carry their
/// own column of ones. `None` where there are not more points than columns, or the columns do not
/// vary independently.
pub fn robust_regression(rows: &[Vec<f64>], y: &[f64]) -> Option<RobustFit> {
    let n = rows.len().min(y.len());
    let columns = rows.first()?.len();
    if n <= columns || columns == 0 || rows.iter().any(|r| r.len() != columns) {
        return None;
    }
    let design = DMatrix::from_fn(n, columns, |i, j| rows[i][j]);
    let wanted = DVector::from_fn(n, |i, _| y[i]);
    let mut weights = vec![1.0; n];
    let mut coefficients = DVector::zeros(columns);
    let mut scale = 0.0;
    // Converges in a dozen turns on data of this size; the limit only bounds the work.
    for _ in 0..60 {
        let weighted = DMatrix::from_fn(n, columns, |i, j| design[(i, j)] * f64::sqrt(weights[i]));
        let target = DVector::from_fn(n, |i, _| wanted[i] * f64::sqrt(weights[i]));
        let svd = weighted.svd(true, true);
        let (most, least) = (svd.singular_values.max(), svd.singular_values.min());
        // Columns this nearly dependent leave the coefficients to rounding.
        if least.is_nan() || least <= most * 1e-9 {
            return None;
        }
        let next = svd.solve(&target, 0.0).ok()?;
        let residuals = &wanted - &design * &next;
        let mut sizes: Vec<f64> = residuals.iter().map(|r| r.abs()).collect();
        // About zero rather than about their median: the fit has an intercept. The factor makes
        // up for the columns that were fitted.
        scale =
            median_in_place(&mut sizes) * MAD_TO_SIGMA * (n as f64 / (n - columns) as f64).sqrt();
        let moved = (&next - &coefficients).norm();
        coefficients = next;
        if moved <= 1e-12 * coefficients.norm() || scale <= f64::EPSILON * wanted.amax() {
            break;
        }
        for (w, r) in weights.iter_mut().zip(residuals.iter()) {
            *w = (HUBER_K * scale / r.abs()).min(1.0);
        }
    }
    let weighted = DMatrix::from_fn(n, columns, |i, j| design[(i, j)] * f64::sqrt(weights[i]));
    let inverse = (weighted.transpose() * &weighted).try_inverse()?;
    let leverage = |row: &DVector<f64>| (row.transpose() * &inverse * row)[(0, 0)];
    let largest_leverage = (0..n)
        .map(|i| leverage(&design.row(i).transpose()))
        .fold(0.0, f64::max);
    Some(RobustFit {
        coefficient_sd: (0..columns)
            .map(|j| scale * inverse[(j, j)].max(0.0).sqrt())
            .collect(),
        coefficients: coefficients.iter().copied().collect(),
        scale,
        weights,
        largest_leverage,
        inverse,
        dof: n - columns,
    })
}

impl RobustFit {
    /// Predicted value at a row, and half the width of the interval that the next case falls in
    /// with probability `level` (0..1), if the model holds.
    pub fn predict(&self, row: &[f64], level: f64) -> (f64, f64) {
        let value = row.iter().zip(&self.coefficients).map(|(x, c)| x * c).sum();
        let t = student_t_two_sided(level, self.dof);
        (value, t * self.scale * (1.0 + self.leverage(row)).sqrt())
    }

    /// How far out a row lies from those fitted; above [`Self::largest_leverage`] it is outside
    /// of what they cover.
    pub fn leverage(&self, row: &[f64]) -> f64 {
        let row = DVector::from_row_slice(row);
        (row.transpose() * &self.inverse * row)[(0, 0)]
    }
}

/// Two-sided probability of Student's t within `-t..t` for whole degrees of freedom, by the
/// finite series 26.7.3 and 26.7.4 of Abramowitz and Stegun (from memory; checked in the tests
/// against printed quantiles).
pub fn student_t_within(t: f64, dof: usize) -> f64 {
    let angle = (t / (dof as f64).sqrt()).atan();
    let (sin, cos) = angle.sin_cos();
    let mut term = if dof % 2 == 1 { cos } else { 1.0 };
    let mut sum = 0.0;
    let mut k = if dof % 2 == 1 { 1 } else { 0 };
    while k + 2 <= dof {
        sum += term;
        term *= cos * cos * (k + 1) as f64 / (k + 2) as f64;
        k += 2;
    }
    if dof % 2 == 1 {
        (angle + sin * sum) * std::f64::consts::FRAC_2_PI
    } else {
        sin * sum
    }
}

/// The t that Student's distribution stays within, either side, with probability `level`.
/// Infinite for no degrees of freedom.
pub fn student_t_two_sided(level: f64, dof: usize) -> f64 {
    if dof == 0 || level >= 1.0 {
        return f64::INFINITY;
    }
    let (mut low, mut high) = (0.0, 1.0);
    while student_t_within(high, dof) < level {
        high *= 2.0;
    }
    for _ in 0..80 {
        let middle = 0.5 * (low + high);
        if student_t_within(middle, dof) < level {
            low = middle;
        } else {
            high = middle;
        }
    }
    0.5 * (low + high)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn median_and_mad_by_hand() {
        assert_eq!(median(&[]), None);
        assert_eq!(median(&[3.0, 1.0, 2.0]), Some(2.0));
        assert_eq!(median(&[4.0, 1.0, 3.0, 2.0]), Some(2.5));
        assert_eq!(mad(&[1.0, 1.0, 2.0, 2.0, 4.0, 6.0, 9.0]), Some(1.0));
        assert_eq!(quantile_of_sorted(&[1.0, 2.0, 3.0, 4.0], 0.5), 2.5);
        assert_eq!(quantile_of_sorted(&[1.0, 2.0, 3.0, 4.0], 1.0), 4.0);
    }

    #[test]
    fn a_robust_score_ignores_the_odd_one_in_its_own_spread() {
        let z = robust_z(&[10.0, 11.0, 9.0, 10.0, 100.0], 0.5);
        assert!(z[4] > 50.0 && z[..4].iter().all(|z| z.abs() < 2.0), "{z:?}");
        assert_eq!(robust_z(&[5.0, 5.0], 0.0), vec![0.0, 0.0]);
    }

    #[test]
    fn an_outlier_does_not_move_the_theil_sen_line() {
        let x: Vec<f64> = (0..10).map(f64::from).collect();
        let mut y: Vec<f64> = x.iter().map(|x| 1.0 + 2.0 * x).collect();
        y[9] = 100.0;
        let line = theil_sen(&x, &y, 1.96).unwrap();
        assert_eq!((line.slope, line.intercept), (2.0, 1.0));
        assert!(line.slope_lo <= 2.0 && line.slope_hi >= 2.0);
        assert_eq!(theil_sen(&[1.0, 1.0], &[1.0, 2.0], 1.96), None);
    }

    /// Two-sided quantiles as printed in common tables of Student's t (from memory).
    #[test]
    fn student_t_agrees_with_printed_tables() {
        for (level, dof, t) in [
            (0.95, 1, 12.706),
            (0.95, 2, 4.303),
            (0.95, 5, 2.571),
            (0.95, 10, 2.228),
            (0.80, 4, 1.533),
            (0.80, 9, 1.383),
            (0.99, 30, 2.750),
        ] {
            let got = student_t_two_sided(level, dof);
            assert!((got - t).abs() < 6e-4, "{level} {dof}: {got}");
        }
        assert!(student_t_two_sided(0.95, 0).is_infinite());
    }

    #[test]
    fn a_robust_regression_finds_the_plane_under_bad_points() {
        let mut rows = Vec::new();
        let mut y = Vec::new();
        for i in 0..24_u32 {
            let (a, b) = (f64::from(i % 6), f64::from(i / 6));
            rows.push(vec![1.0, a, b]);
            // A small deterministic wobble, so that the scale is not zero.
            let wobble = 0.05 * (f64::from(i) * 2.399).sin();
            y.push(3.0 + 2.0 * a - b + wobble + if i == 7 { 40.0 } else { 0.0 });
        }
        let fit = robust_regression(&rows, &y).unwrap();
        for (got, want) in fit.coefficients.iter().zip([3.0, 2.0, -1.0]) {
            assert!((got - want).abs() < 0.08, "{:?}", fit.coefficients);
        }
        assert!(fit.weights[7] < 0.01);
        let (value, half) = fit.predict(&[1.0, 2.0, 2.0], 0.8);
        assert!((value - 5.0).abs() < 0.1 && half < 0.3, "{value} {half}");
        assert!(fit.leverage(&[1.0, 20.0, 2.0]) > fit.largest_leverage);
        assert!(fit.leverage(&[1.0, 2.5, 1.5]) < fit.largest_leverage);
    }

    #[test]
    fn columns_that_say_the_same_are_refused() {
        let rows: Vec<Vec<f64>> = (0..10)
            .map(|i| vec![1.0, f64::from(i), 2.0 * f64::from(i)])
            .collect();
        let y: Vec<f64> = (0..10).map(f64::from).collect();
        assert!(robust_regression(&rows, &y).is_none());
    }
}
