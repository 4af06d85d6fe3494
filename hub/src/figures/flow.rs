//! The fuel flow that today's air wants: the chief's rule, and what earlier warm-ups say. Pure
//! functions; nothing here sets a flow, it advises, and both numbers are shown with their reasons.
//!
//! The chief's rule moves a baseline by air density and temperature with the chief's own
//! sensitivities. A sensitivity of 1 % of flow for 1 % of density keeps the mass of fuel to the
//! mass of air; anything else is the chief's experience. The book's answer is a robust regression
//! on earlier warm-ups whose flow the chief called right, or whose temperature tells by how much
//! it was not.

use serde::Serialize;

use super::quantity::{Celsius, KgPerM3, LitresPerMin};
use super::{CantSay, plausible, robust};

/// Warm-ups for each coefficient before the regression speaks. In simulated seasons with one bad
/// warm-up in ten (the table is in `docs/figures.md`), one answer in twenty was off by more than
/// 7 % of flow with two for each, and by more than 3 % with four; the interval held 0.81 of new
/// cases at a level of 0.80.
pub const CASES_PER_COEFFICIENT: usize = 4;
/// Share of new warm-ups that the interval is meant to hold.
pub const LEVEL: f64 = 0.8;
/// Above this correlation, density and temperature say the same, and only density is used.
const SAME: f64 = 0.95;

/// The chief's rule.
#[derive(Copy, Clone, Debug, PartialEq, Serialize)]
pub struct Baseline {
    /// Flow that was right at the reference conditions.
    pub flow_l_per_min: LitresPerMin,
    /// Air density then.
    pub density_kg_m3: KgPerM3,
    /// Air temperature then.
    pub temp_c: Celsius,
    /// Percent of flow for one percent of air density.
    pub pct_per_pct_density: f64,
    /// Percent of flow for one kelvin of air temperature, on top of what density does.
    pub pct_per_k: f64,
    /// How far off the rule usually is, percent of flow (one standard deviation; the chief's).
    pub sd_pct: f64,
}

/// Today's conditions.
#[derive(Copy, Clone, Debug, PartialEq, Serialize)]
pub struct Today {
    /// Air density.
    pub density_kg_m3: KgPerM3,
    /// Air temperature.
    pub temp_c: Celsius,
}

/// One earlier warm-up.
#[derive(Copy, Clone, Debug, PartialEq, Serialize)]
pub struct Case {
    /// Flow it ran at.
    pub flow_l_per_min: LitresPerMin,
    /// Air density.
    pub density_kg_m3: KgPerM3,
    /// Air temperature.
    pub temp_c: Celsius,
    /// How much hotter the engine ran than wanted, kelvin; none where it was not noted, and the
    /// flow is taken as right.
    pub ran_hot_by_k: Option<f64>,
}

/// What a flow rests on: the baseline's parts or the book's.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct FlowNumber {
    /// The flow.
    pub flow_l_per_min: LitresPerMin,
    /// Lower end of the 80 % interval.
    pub lo_l_per_min: LitresPerMin,
    /// Upper end of the 80 % interval.
    pub hi_l_per_min: LitresPerMin,
    /// Why, as plain clauses.
    pub why: Vec<String>,
    /// True where today lies outside of what it rests on.
    pub extrapolated: bool,
    /// Warm-ups it rests on.
    pub cases: usize,
    /// Of those, how many were so odd that they were held back.
    pub odd: usize,
    /// Percent of flow for one percent of air density.
    pub pct_per_pct_density: f64,
}

/// Both answers.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct FlowAdvice {
    /// By the chief's rule.
    pub baseline: FlowNumber,
    /// By the book, or why not.
    pub book: Result<FlowNumber, CantSay>,
    /// True where the two differ by more than their intervals explain.
    pub disagree: bool,
}

/// How far from the reference a rule of thumb is still within experience: 6 % of density, 12 K
/// (no source: about the spread of one season's days at one place).
const NEAR_DENSITY: f64 = 0.06;
const NEAR_K: f64 = 12.0;

/// The flow by the chief's rule.
///
/// # Errors
/// [`CantSay::Implausible`] for conditions or a baseline that cannot be;
/// [`CantSay::Contradicts`] for a sensitivity by which denser air would want less fuel.
pub fn by_baseline(base: &Baseline, today: &Today) -> Result<FlowNumber, CantSay> {
    plausible("baseline flow, L/min,", base.flow_l_per_min.0, 1e-3, 1000.0)?;
    plausible(
        "reference air density, kg/m3,",
        base.density_kg_m3.0,
        0.6,
        1.6,
    )?;
    plausible("air density, kg/m3,", today.density_kg_m3.0, 0.6, 1.6)?;
    plausible("reference temperature, degC,", base.temp_c.0, -50.0, 60.0)?;
    plausible("temperature, degC,", today.temp_c.0, -50.0, 60.0)?;
    plausible(
        "temperature sensitivity, % a kelvin,",
        base.pct_per_k,
        -5.0,
        5.0,
    )?;
    if base.pct_per_pct_density < 0.0 {
        return Err(CantSay::Contradicts {
            what: "denser air would want less fuel",
        });
    }
    plausible(
        "density sensitivity, % a %,",
        base.pct_per_pct_density,
        0.0,
        5.0,
    )?;
    let density_pct = 100.0 * (today.density_kg_m3.0 / base.density_kg_m3.0 - 1.0);
    let warmer_k = today.temp_c.0 - base.temp_c.0;
    let by_density = base.pct_per_pct_density * density_pct;
    let by_temp = base.pct_per_k * warmer_k;
    let flow = base.flow_l_per_min.0 * (1.0 + (by_density + by_temp) / 100.0);
    let half = robust::Z80 * base.sd_pct.abs() / 100.0 * flow;
    Ok(FlowNumber {
        flow_l_per_min: LitresPerMin(flow),
        lo_l_per_min: LitresPerMin(flow - half),
        hi_l_per_min: LitresPerMin(flow + half),
        why: vec![
            format!("baseline {:.2} L/min", base.flow_l_per_min.0),
            format!("air {density_pct:+.1} % dense: {by_density:+.1} % flow"),
            format!("air {warmer_k:+.1} K: {by_temp:+.1} % flow"),
        ],
        extrapolated: density_pct.abs() > 100.0 * NEAR_DENSITY || warmer_k.abs() > NEAR_K,
        cases: 0,
        odd: 0,
        pct_per_pct_density: base.pct_per_pct_density,
    })
}

/// The flow by the book: flow regressed on density, on temperature where it varies by itself, and
/// on how hot the engine ran where that was noted; answered for an engine that runs as wanted.
///
/// # Errors
/// [`CantSay::TooFew`] (four warm-ups a coefficient), [`CantSay::NoSpread`] where density did not
/// vary, [`CantSay::Contradicts`] where the fit would have denser air want less fuel, or more fuel
/// run the engine hotter.
pub fn by_book(cases: &[Case], today: &Today) -> Result<FlowNumber, CantSay> {
    let usable: Vec<&Case> = cases
        .iter()
        .filter(|c| {
            c.flow_l_per_min.0 > 0.0
                && [c.flow_l_per_min.0, c.density_kg_m3.0, c.temp_c.0]
                    .iter()
                    .all(|v| v.is_finite())
                && c.ran_hot_by_k.is_none_or(f64::is_finite)
        })
        .collect();
    let need = |columns: usize| CASES_PER_COEFFICIENT * columns;
    let too_few = |columns: usize| CantSay::TooFew {
        what: "earlier warm-ups",
        have: usable.len(),
        need: need(columns),
    };
    if usable.len() < need(2) {
        return Err(too_few(2));
    }
    let column = |of: fn(&Case) -> f64| -> Vec<f64> { usable.iter().map(|c| of(c)).collect() };
    let (density, temp) = (column(|c| c.density_kg_m3.0), column(|c| c.temp_c.0));
    let density_mid = robust::median(&density).unwrap_or(f64::NAN);
    let temp_mid = robust::median(&temp).unwrap_or(f64::NAN);
    let range = |v: &[f64]| {
        v.iter()
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(lo, hi), x| {
                (lo.min(*x), hi.max(*x))
            })
    };
    let (density_range, temp_range) = (range(&density), range(&temp));
    // Half a percent of density is what a weather reading's own error makes of equal days.
    if density_range.1 - density_range.0 < 0.005 * density_mid {
        return Err(CantSay::NoSpread {
            what: "air density in the book",
        });
    }
    let hot = column(|c| c.ran_hot_by_k.unwrap_or(0.0));
    let hot_range = range(&hot);
    let use_hot = hot_range.1 - hot_range.0 > 1.0;
    let mut use_temp =
        temp_range.1 - temp_range.0 > 2.0 && correlation(&density, &temp).abs() < SAME;
    // A column that the cases are too few for is left out rather than all of the book.
    let columns = |temp: bool| 2 + usize::from(temp) + usize::from(use_hot);
    if usable.len() < need(columns(use_temp)) {
        use_temp = false;
    }
    if usable.len() < need(columns(use_temp)) {
        return Err(too_few(columns(use_temp)));
    }
    let row = |d: f64, t: f64, h: f64| {
        let mut row = vec![1.0, 100.0 * (d / density_mid - 1.0)];
        if use_temp {
            row.push(t - temp_mid);
        }
        if use_hot {
            row.push(h);
        }
        row
    };
    let rows: Vec<Vec<f64>> = (0..usable.len())
        .map(|i| row(density[i], temp[i], hot[i]))
        .collect();
    let fit = robust::robust_regression(&rows, &column(|c| c.flow_l_per_min.0)).ok_or(
        CantSay::NoSpread {
            what: "the mix of conditions in the book",
        },
    )?;
    let slope = fit.coefficients[1];
    // A wrong sign within its own uncertainty is no claim; beyond it, it is, and a false one.
    let against = |value: f64, sd: f64| value > robust::Z80 * sd;
    if against(-slope, fit.coefficient_sd[1]) {
        return Err(CantSay::Contradicts {
            what: "in the book, denser air took less fuel",
        });
    }
    if use_hot {
        let last = fit.coefficients.len() - 1;
        if against(fit.coefficients[last], fit.coefficient_sd[last]) {
            return Err(CantSay::Contradicts {
                what: "in the book, more fuel ran hotter",
            });
        }
    }
    let wanted = row(today.density_kg_m3.0, today.temp_c.0, 0.0);
    let (flow, half) = fit.predict(&wanted, LEVEL);
    let outside = |v: f64, (lo, hi): (f64, f64)| v < lo || v > hi;
    let extrapolated = outside(today.density_kg_m3.0, density_range)
        || outside(today.temp_c.0, temp_range)
        || fit.leverage(&wanted) > fit.largest_leverage;
    let mut why = vec![
        format!("{} warm-ups", usable.len()),
        format!("{slope:+.3} L/min for 1 % of density"),
    ];
    if use_temp {
        why.push(format!("{:+.3} L/min a kelvin", fit.coefficients[2]));
    } else {
        why.push("temperature not told apart from density".to_owned());
    }
    if use_hot {
        let last = fit.coefficients.len() - 1;
        why.push(format!(
            "{:+.4} L/min for 1 K hotter",
            fit.coefficients[last]
        ));
    }
    let odd = fit.weights.iter().filter(|w| **w < 0.3).count();
    if odd > 0 {
        why.push(format!("{odd} odd warm-ups held back"));
    }
    Ok(FlowNumber {
        flow_l_per_min: LitresPerMin(flow),
        lo_l_per_min: LitresPerMin(flow - half),
        hi_l_per_min: LitresPerMin(flow + half),
        why,
        extrapolated,
        cases: usable.len(),
        odd,
        pct_per_pct_density: 100.0 * slope / flow,
    })
}

/// Both answers for today.
///
/// # Errors
/// As [`by_baseline`]; the book's own refusal is part of the answer.
pub fn advise(base: &Baseline, cases: &[Case], today: &Today) -> Result<FlowAdvice, CantSay> {
    let baseline = by_baseline(base, today)?;
    let book = by_book(cases, today);
    let disagree = book.as_ref().is_ok_and(|b| {
        b.lo_l_per_min > baseline.hi_l_per_min || b.hi_l_per_min < baseline.lo_l_per_min
    });
    Ok(FlowAdvice {
        baseline,
        book,
        disagree,
    })
}

fn correlation(a: &[f64], b: &[f64]) -> f64 {
    robust::least_squares(a, b).map_or(0.0, |line| line.r2.max(0.0).sqrt() * line.slope.signum())
}

impl FlowNumber {
    /// One plain clause.
    pub fn words(&self) -> String {
        let mut s = format!(
            "{:.2} L/min ({:.2} to {:.2})",
            self.flow_l_per_min.0, self.lo_l_per_min.0, self.hi_l_per_min.0
        );
        if self.extrapolated {
            s.push_str(", outside of experience");
        }
        s
    }
}

impl FlowAdvice {
    /// One plain sentence for a phone.
    pub fn words(&self) -> String {
        let book = match &self.book {
            Ok(number) => format!("book of {} says {}", number.cases, number.words()),
            Err(why) => format!("book: {}", why.words()),
        };
        let mut s = format!("rule says {}; {book}", self.baseline.words());
        if self.disagree {
            s.push_str("; THEY DISAGREE");
        }
        s
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use rand::rngs::SmallRng;
    use rand::{Rng, SeedableRng};

    use super::*;

    fn base() -> Baseline {
        Baseline {
            flow_l_per_min: LitresPerMin(8.0),
            density_kg_m3: KgPerM3(1.18),
            temp_c: Celsius(24.0),
            pct_per_pct_density: 1.0,
            pct_per_k: 0.0,
            sd_pct: 1.5,
        }
    }

    fn today(density: f64, temp: f64) -> Today {
        Today {
            density_kg_m3: KgPerM3(density),
            temp_c: Celsius(temp),
        }
    }

    /// Warm-ups of an engine that wants 8 L/min at 1.18, in proportion to density, and runs 4 K
    /// cooler for each percent of flow more than that.
    fn cases(n: usize, noise: f64, seed: u64) -> Vec<Case> {
        let mut rng = SmallRng::seed_from_u64(seed);
        (0..n)
            .map(|_| {
                let density = rng.random_range(1.10..1.26);
                let temp = rng.random_range(12.0..36.0);
                let right = 8.0 * density / 1.18 * (1.0 + noise * rng.random_range(-1.0..1.0));
                let off_pct = rng.random_range(-4.0..4.0);
                Case {
                    flow_l_per_min: LitresPerMin(right * (1.0 + off_pct / 100.0)),
                    density_kg_m3: KgPerM3(density),
                    temp_c: Celsius(temp),
                    ran_hot_by_k: Some(-4.0 * off_pct),
                }
            })
            .collect()
    }

    proptest! {
        #[test]
        fn denser_air_wants_more_fuel(
            density in 1.0..1.28_f64, more in 0.001..0.02_f64, temp in 0.0..40.0_f64,
        ) {
            let flow = |d| by_baseline(&base(), &today(d, temp)).unwrap().flow_l_per_min;
            prop_assert!(flow(density + more) > flow(density));
            let cases = cases(24, 0.01, 3);
            let flow = |d| by_book(&cases, &today(d, temp)).unwrap().flow_l_per_min;
            prop_assert!(flow(density + more) > flow(density));
        }
    }

    #[test]
    fn the_rule_at_its_reference_is_the_baseline() {
        let n = by_baseline(&base(), &today(1.18, 24.0)).unwrap();
        assert_eq!(n.flow_l_per_min.0, 8.0);
        assert!(!n.extrapolated && n.lo_l_per_min.0 < 8.0 && n.hi_l_per_min.0 > 8.0);
        let n = by_baseline(&base(), &today(1.18 * 1.02, 24.0)).unwrap();
        assert!((n.flow_l_per_min.0 - 8.16).abs() < 1e-9);
        assert!(
            by_baseline(&base(), &today(1.05, 24.0))
                .unwrap()
                .extrapolated
        );
        assert!(
            by_baseline(&base(), &today(1.18, 38.0))
                .unwrap()
                .extrapolated
        );
    }

    #[test]
    fn a_rule_against_reason_is_refused() {
        let wrong = Baseline {
            pct_per_pct_density: -1.0,
            ..base()
        };
        assert!(matches!(
            by_baseline(&wrong, &today(1.18, 24.0)),
            Err(CantSay::Contradicts { .. })
        ));
        assert!(by_baseline(&base(), &today(f64::NAN, 24.0)).is_err());
    }

    #[test]
    fn the_book_finds_the_flow_that_was_right() {
        let book = by_book(&cases(24, 0.01, 4), &today(1.20, 22.0)).unwrap();
        let right = 8.0 * 1.20 / 1.18;
        assert!(
            (book.flow_l_per_min.0 / right - 1.0).abs() < 0.01,
            "{book:?}"
        );
        assert!(book.lo_l_per_min.0 < right && book.hi_l_per_min.0 > right);
        assert!(!book.extrapolated && book.cases == 24);
        // More fuel ran cooler, so a hotter engine goes with less fuel.
        assert!(
            book.why
                .iter()
                .any(|w| w.starts_with("-") && w.contains("1 K hotter")),
            "{book:?}"
        );
    }

    #[test]
    fn a_bad_warm_up_hardly_moves_the_book() {
        let mut c = cases(24, 0.01, 5);
        let before = by_book(&c, &today(1.20, 22.0)).unwrap().flow_l_per_min.0;
        c[3].flow_l_per_min = LitresPerMin(16.0);
        let after = by_book(&c, &today(1.20, 22.0)).unwrap().flow_l_per_min.0;
        assert!((after / before - 1.0).abs() < 0.01, "{before} {after}");
    }

    #[test]
    fn a_book_that_contradicts_itself_is_not_believed() {
        let mut c = cases(24, 0.005, 6);
        for case in &mut c {
            case.ran_hot_by_k = case.ran_hot_by_k.map(|h| -h);
        }
        assert!(matches!(
            by_book(&c, &today(1.20, 22.0)),
            Err(CantSay::Contradicts {
                what: "in the book, more fuel ran hotter"
            })
        ));
        let mut c = cases(24, 0.005, 7);
        for case in &mut c {
            case.flow_l_per_min = LitresPerMin(8.0 * 1.18 / case.density_kg_m3.0);
            case.ran_hot_by_k = None;
        }
        assert!(matches!(
            by_book(&c, &today(1.20, 22.0)),
            Err(CantSay::Contradicts {
                what: "in the book, denser air took less fuel"
            })
        ));
    }

    #[test]
    fn too_small_or_too_even_a_book_does_not_speak() {
        let (few, even) = (cases(7, 0.01, 8), {
            let mut c = cases(24, 0.01, 9);
            c.iter_mut().for_each(|c| c.density_kg_m3 = KgPerM3(1.18));
            c
        });
        assert!(matches!(
            by_book(&few, &today(1.2, 22.0)),
            Err(CantSay::TooFew { have: 7, .. })
        ));
        assert!(matches!(
            by_book(&even, &today(1.2, 22.0)),
            Err(CantSay::NoSpread { .. })
        ));
        let advice = advise(&base(), &few, &today(1.2, 22.0)).unwrap();
        assert!(
            advice
                .words()
                .contains("can't say yet: 7 of 8 earlier warm-ups")
        );
    }

    #[test]
    fn outside_of_the_book_is_flagged_and_wider() {
        let c = cases(24, 0.01, 10);
        let inside = by_book(&c, &today(1.18, 24.0)).unwrap();
        let outside = by_book(&c, &today(1.02, 24.0)).unwrap();
        assert!(outside.extrapolated && !inside.extrapolated);
        let width = |n: &FlowNumber| n.hi_l_per_min.0 - n.lo_l_per_min.0;
        assert!(width(&outside) > width(&inside));
    }

    #[test]
    fn disagreement_is_said() {
        let mut c = cases(24, 0.005, 11);
        for case in &mut c {
            case.flow_l_per_min = LitresPerMin(case.flow_l_per_min.0 * 1.2);
        }
        let advice = advise(&base(), &c, &today(1.18, 24.0)).unwrap();
        assert!(advice.disagree && advice.words().contains("THEY DISAGREE"));
    }
}
