//! Time to target on the real recordings, each forecast from the others: the table, and the goals that were reached.
mod warm_support;

use spinover::figures::warm::{Warm, free_rise_fit};
use warm_support::{Recording, last_minute, road_car};

const TARGETS: [f64; 3] = [80.0, 82.0, 85.0];
const SHARES: [f64; 3] = [0.25, 0.50, 0.75];
const METHODS: [&str; 6] = [
    "straight line from the start",
    "slope of the last minute",
    "bare first-order fit",
    "history alone",
    "ours, no history",
    "ours",
];

/// Absolute errors of one method at one point; none is "never" or "can't say".
#[derive(Default, Clone)]
struct Errors(Vec<Option<f64>>);

impl Errors {
    fn median(&self) -> f64 {
        let mut v: Vec<f64> = self.0.iter().map(|e| e.unwrap_or(f64::INFINITY)).collect();
        v.sort_by(f64::total_cmp);
        let n = v.len();
        if n == 0 {
            return f64::NAN;
        }
        0.5 * (v[(n - 1) / 2] + v[n / 2])
    }

    fn without_answer(&self) -> usize {
        self.0.iter().filter(|e| e.is_none()).count()
    }
}

fn line_from_start(run: &Recording, i: usize, target: f64) -> Option<f64> {
    let (t0, c0, _) = run.rows[0];
    let (t, c, _) = run.rows[i];
    (c > c0 && t > t0).then(|| (target - c) * (t - t0) / (c - c0))
}

/// When each new whole degree was first read, up to row `i`.
fn passages(run: &Recording, i: usize) -> Vec<(f64, f64)> {
    let mut out: Vec<(f64, f64)> = Vec::new();
    for (t, c, _) in &run.rows[..=i] {
        if out.last().is_none_or(|l| *c > l.1) {
            out.push((*t, *c));
        }
    }
    out
}

fn bare_fit(run: &Recording, i: usize, target: f64) -> Option<f64> {
    let fit = free_rise_fit(&passages(run, i)).ok()?;
    fit.eta_s(run.rows[i].1, target)
}

/// Median of how long the other runs took from this temperature to the target.
fn history_alone(run: &Recording, others: &[&Recording], i: usize, target: f64) -> Option<f64> {
    let temp = run.rows[i].1;
    let mut left: Vec<f64> = others
        .iter()
        .filter(|o| o.rows[0].1 < temp)
        .filter_map(|o| Some(o.rows[o.first_at(target)?].0 - o.rows[o.first_at(temp)?].0))
        .collect();
    left.sort_by(f64::total_cmp);
    let n = left.len();
    (n > 0).then(|| 0.5 * (left[(n - 1) / 2] + left[n / 2]))
}

/// Result at one point of one run: true time left, and by method.
struct AtPoint {
    left: f64,
    by: [Option<f64>; METHODS.len()],
    inside: Option<bool>,
    inside_alone: Option<bool>,
    name: String,
}

fn run_all(runs: &[Recording], extra: &[Recording], target: f64) -> Vec<Vec<AtPoint>> {
    let mut table: Vec<Vec<AtPoint>> = SHARES.iter().map(|_| Vec::new()).collect();
    for run in runs {
        let start = run.rows[0].1;
        let Some(end) = run.first_at(target) else {
            continue;
        };
        // A warm start leaves nothing to forecast.
        if start > target - 10.0 {
            continue;
        }
        let others: Vec<&Recording> = runs
            .iter()
            .chain(extra)
            .filter(|o| o.name != run.name)
            .collect();
        let mut warm = Warm::new(target, others.iter().map(|o| o.curve()).collect());
        let mut alone = Warm::new(target, Vec::new());
        let points: Vec<usize> = SHARES
            .iter()
            .map(|s| run.first_at(start + s * (target - start)).expect("passed"))
            .collect();
        for (i, row) in run.rows[..=end].iter().enumerate() {
            warm.push(row.0, row.1, row.2);
            alone.push(row.0, row.1, row.2);
            for (k, _) in points.iter().enumerate().filter(|(_, p)| **p == i) {
                let left = run.rows[end].0 - row.0;
                let ours = warm.forecast().ok();
                let ours_alone = alone.forecast().ok();
                table[k].push(AtPoint {
                    left,
                    by: [
                        line_from_start(run, i, target),
                        last_minute(&run.rows, i, target),
                        bare_fit(run, i, target),
                        history_alone(run, &others, i, target),
                        ours_alone.map(|f| f.eta_s),
                        ours.map(|f| f.eta_s),
                    ],
                    inside: ours.map(|f| f.lo_s <= left && left <= f.hi_s),
                    inside_alone: ours_alone.map(|f| f.lo_s <= left && left <= f.hi_s),
                    name: run.name.clone(),
                });
            }
        }
    }
    table
}

fn show(title: &str, runs: &[Recording], extra: &[Recording]) -> Vec<[[f64; METHODS.len()]; 3]> {
    println!("\n{title}");
    println!(
        "| target | point | runs | median left s | {} |",
        METHODS.join(" | ")
    );
    println!("|---|---|---|---|{}", "---|".repeat(METHODS.len()));
    let mut medians = Vec::new();
    let (mut inside, mut all) = ([0usize; 3], [0usize; 3]);
    let (mut inside_alone, mut all_alone) = ([0usize; 3], [0usize; 3]);
    for target in TARGETS {
        let table = run_all(runs, extra, target);
        let mut of_target = [[f64::NAN; METHODS.len()]; 3];
        for (k, points) in table.iter().enumerate() {
            let mut cells = Vec::new();
            for m in 0..METHODS.len() {
                let errors = Errors(
                    points
                        .iter()
                        .map(|p| p.by[m].map(|e| (e - p.left).abs()))
                        .collect(),
                );
                of_target[k][m] = errors.median();
                let never = errors.without_answer();
                let median = if errors.median().is_finite() {
                    format!("{:.0}", errors.median())
                } else {
                    "never".into()
                };
                cells.push(if never > 0 {
                    format!("{median} ({never} no answer)")
                } else {
                    median
                });
            }
            let left = Errors(points.iter().map(|p| Some(p.left)).collect()).median();
            println!(
                "| {target:.0} | {:.0} % | {} | {left:.0} | {} |",
                SHARES[k] * 100.0,
                points.len(),
                cells.join(" | ")
            );
            for p in points {
                if let Some(yes) = p.inside {
                    all[k] += 1;
                    inside[k] += usize::from(yes);
                }
                if let Some(yes) = p.inside_alone {
                    all_alone[k] += 1;
                    inside_alone[k] += usize::from(yes);
                }
            }
            if std::env::var_os("WARM_DETAIL").is_some() {
                for p in points {
                    println!(
                        "    {} left {:.0} by {:.0?} in {:?}",
                        p.name, p.left, p.by, p.inside
                    );
                }
            }
        }
        medians.push(of_target);
    }
    let share = |a: [usize; 3], b: [usize; 3]| {
        let each: Vec<String> = (0..3)
            .map(|k| format!("{:.2}", a[k] as f64 / b[k].max(1) as f64))
            .collect();
        format!(
            "{:.2} (by point {})",
            a.iter().sum::<usize>() as f64 / b.iter().sum::<usize>().max(1) as f64,
            each.join(", ")
        )
    };
    println!("80 % interval holds, ours: {}", share(inside, all));
    println!(
        "80 % interval holds, no history: {}",
        share(inside_alone, all_alone)
    );
    medians
}

#[test]
fn forecasts_of_each_recording_from_the_others() {
    let idle = road_car("the leave-one-out forecast table", &["idle"]);
    if idle.is_empty() {
        return;
    }
    show(
        "Idle warm-ups, history: the other idle warm-ups",
        &idle,
        &[],
    );
    let driven = road_car(
        "the leave-one-out forecast table",
        &["live", "drive", "ufpe"],
    );
    show(
        "Idle warm-ups, history: all other recordings, driven ones too",
        &idle,
        &driven,
    );
}

#[test]
#[ignore = "tuning aid: pooled errors over many targets and points"]
fn pooled() {
    let idle = road_car("pooled", &["idle"]);
    let driven = road_car("pooled", &["live", "drive", "ufpe"]);
    for (name, extra) in [("idle", &[][..]), ("all", &driven[..])] {
        for around in SHARES {
            let mut errors: [Vec<f64>; 2] = Default::default();
            let (mut inside, mut n, mut width) = (0, 0, Vec::new());
            for target in [76.0, 78.0, 80.0, 82.0, 84.0, 85.0] {
                for run in &idle {
                    let start = run.rows[0].1;
                    let Some(end) = run.first_at(target) else {
                        continue;
                    };
                    if start > target - 10.0 {
                        continue;
                    }
                    let history = idle
                        .iter()
                        .chain(extra)
                        .filter(|o| o.name != run.name)
                        .map(|o| o.curve())
                        .collect();
                    let mut warm = Warm::new(target, history);
                    let points: Vec<usize> = [-0.04, 0.0, 0.04]
                        .iter()
                        .map(|d| {
                            run.first_at(start + (around + d) * (target - start))
                                .unwrap()
                        })
                        .collect();
                    for (i, row) in run.rows[..=end].iter().enumerate() {
                        warm.push(row.0, row.1, row.2);
                        if points.contains(&i) && i < end {
                            let left = run.rows[end].0 - row.0;
                            let f = warm.forecast().unwrap();
                            errors[0].push((f.eta_s - left).abs());
                            n += 1;
                            inside += usize::from(f.lo_s <= left && left <= f.hi_s);
                            width.push(f.hi_s - f.lo_s);
                        }
                    }
                }
            }
            errors[0].sort_by(f64::total_cmp);
            width.sort_by(f64::total_cmp);
            let e = &errors[0];
            println!(
                "{name} {around}: median {:.1} mean {:.1} inside {:.3} width {:.0} n {n}",
                e[e.len() / 2],
                e.iter().sum::<f64>() / e.len() as f64,
                inside as f64 / n as f64,
                width[n / 2]
            );
        }
    }
}
