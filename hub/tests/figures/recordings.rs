//! The live figures on real recordings, where those are at hand; one line says what is skipped.
use std::collections::BTreeMap;
use std::path::PathBuf;

use spinover::figures::fuel::{FuelLimits, FuelUsed};
use spinover::figures::idle::IdleWatch;

fn data(what: &str) -> Option<PathBuf> {
    let folder = std::env::var_os("SPINOVER_DATA").map_or_else(
        || PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../../shared/data"),
        PathBuf::from,
    );
    if folder.is_dir() {
        return Some(folder);
    }
    println!("skipped: {what}: no recordings at SPINOVER_DATA or ../shared/data");
    None
}

/// Named columns (first of each name) of a CSV text that begins with a preamble; rows where one
/// is missing are left out.
fn columns<const N: usize>(text: &str, names: [&str; N]) -> Vec<[String; N]> {
    let mut lines = text.lines().skip_while(|line| !line.contains(names[0]));
    let head: Vec<&str> = lines
        .next()
        .expect("header")
        .split(',')
        .map(str::trim)
        .collect();
    let places = names.map(|n| {
        head.iter()
            .position(|h| *h == n)
            .unwrap_or_else(|| panic!("no {n}"))
    });
    lines
        .filter_map(|line| {
            let cells: Vec<&str> = line.split(',').map(str::trim).collect();
            let row: Vec<String> = places
                .iter()
                .filter_map(|p| cells.get(*p).map(|c| (*c).to_owned()))
                .collect();
            row.try_into().ok()
        })
        .collect()
}

/// Seconds of the day of `HH:MM:SS`.
fn of_day(text: &str) -> Option<f64> {
    let parts: Vec<f64> = text
        .split(':')
        .map(|p| p.parse().ok())
        .collect::<Option<_>>()?;
    (parts.len() == 3).then(|| parts[0] * 3600.0 + parts[1] * 60.0 + parts[2])
}

/// A light aircraft's ground run: the tank counter fell by 1.22 L; flow is in L/h, two or three
/// readings for each whole second.
#[test]
fn fuel_used_agrees_with_a_real_tank_counter() {
    let Some(folder) = data("fuel used on a ground run") else {
        return;
    };
    let path = folder.join("cgr30p-groundrun/example-cgr30p-flight-data.csv");
    let text = String::from_utf8_lossy(&std::fs::read(path).expect("recording")).into_owned();
    let mut fuel = FuelUsed::new(FuelLimits {
        meter_error: 0.02,
        ..FuelLimits::default()
    });
    let mut rows = 0;
    for [time, flow] in columns(&text, ["TIME", "FLOW;LPH"]) {
        if let (Some(t), Ok(lph)) = (of_day(&time), flow.parse::<f64>()) {
            fuel.push(t, lph / 60.0);
            rows += 1;
        }
    }
    let used = fuel.used();
    println!("fuel: {rows} rows, {} (counter: 1.22 L)", used.words());
    assert!(rows > 450);
    assert!((used.likely_l.0 - 1.22).abs() < 0.03, "{used:?}");
    assert_eq!((used.gaps, used.late, used.refused), (0, 0, 0));
}

/// Every tenth row taken out of that run in one stretch of 30 s: what is then reported as bounds
/// must hold the counter's value.
#[test]
fn a_gap_in_a_real_run_is_bounded() {
    let Some(folder) = data("fuel used across a gap") else {
        return;
    };
    let path = folder.join("cgr30p-groundrun/example-cgr30p-flight-data.csv");
    let text = String::from_utf8_lossy(&std::fs::read(path).expect("recording")).into_owned();
    let rows: Vec<(f64, f64)> = columns(&text, ["TIME", "FLOW;LPH"])
        .iter()
        .filter_map(|[t, f]| Some((of_day(t)?, f.parse::<f64>().ok()? / 60.0)))
        .collect();
    let start = rows[0].0;
    for gap_at in [20.0, 60.0, 100.0, 130.0] {
        let mut fuel = FuelUsed::default();
        for (t, flow) in &rows {
            if !(gap_at..gap_at + 30.0).contains(&(t - start)) {
                fuel.push(*t, *flow);
            }
        }
        let used = fuel.used();
        println!("gap at {gap_at} s: {}", used.words());
        assert_eq!(used.gaps, 1);
        assert!(used.least_l.0 < 1.22 && used.most_l.0 > 1.22, "{used:?}");
    }
}

/// Parked road cars warming up. Their idle falls in steps and creeps, so what it does is told by a
/// plain look at the raw readings: quiet where it stayed within 20 rpm for 10 s (the slope limit of
/// 2 rpm a second over that time), moved where means over 2 s, 5 s apart, differ by more than 60
/// (the last 2 s left out: a change so young may be a stray). The states must agree with that.
#[test]
fn real_idles_are_called_what_they_do() {
    let Some(folder) = data("idle states on road-car recordings") else {
        return;
    };
    let mut files: Vec<PathBuf> = std::fs::read_dir(folder.join("road-car-warmups"))
        .expect("folder")
        .map(|entry| entry.expect("entry").path())
        .filter(|path| {
            path.file_name()
                .is_some_and(|n| n.to_string_lossy().starts_with("idle"))
        })
        .collect();
    files.sort();
    let mut counts = BTreeMap::<(&str, &str), u32>::new();
    for path in &files {
        let text = String::from_utf8_lossy(&std::fs::read(path).expect("recording")).into_owned();
        let mut watch = IdleWatch::default();
        let mut seen: Vec<(f64, f64)> = Vec::new();
        let mut next = 0.0;
        for [time, rpm] in columns(&text, ["ENGINE_RUN_TINE ()", "ENGINE_RPM ()"]) {
            let (Ok(t), Ok(rpm)) = (time.parse::<f64>(), rpm.parse::<f64>()) else {
                continue;
            };
            watch.push(t, rpm);
            seen.push((t, rpm));
            if t < next {
                continue;
            }
            next = t + 2.0;
            let Ok(idle) = watch.now(t) else { continue };
            *counts
                .entry((plainly(&seen, t), idle.state.word()))
                .or_default() += 1;
        }
    }
    println!("idle states, {} recordings, every 2 s:", files.len());
    for ((plain, state), n) in &counts {
        println!("  {plain}: {state} {n}");
    }
    let of = |plain: &str, states: &[&str]| -> f64 {
        states
            .iter()
            .map(|s| {
                f64::from(
                    counts
                        .iter()
                        .find(|(k, _)| k.0 == plain && k.1 == *s)
                        .map_or(0, |(_, n)| *n),
                )
            })
            .sum()
    };
    let all = [
        "settled", "settling", "drifting", "stepped", "unsteady", "hunting",
    ];
    assert!(of("quiet", &all) > 1000.0 && of("moved", &all) > 100.0);
    assert!(of("quiet", &["settled"]) > 0.97 * of("quiet", &all));
    assert!(of("moved", &["settled"]) < 0.01 * of("moved", &all));
    let hunting: f64 = ["quiet", "moved", "between"]
        .iter()
        .map(|p| of(p, &["hunting"]))
        .sum();
    assert_eq!(hunting, 0.0, "a road car at its idle does not hunt");
}

/// What the last ten seconds of raw readings plainly show.
fn plainly(seen: &[(f64, f64)], now: f64) -> &'static str {
    let last: Vec<f64> = seen
        .iter()
        .filter(|r| now - r.0 <= 10.0)
        .map(|r| r.1)
        .collect();
    let mean = |from: f64, to: f64| {
        let part: Vec<f64> = seen
            .iter()
            .filter(|r| (from..=to).contains(&(now - r.0)))
            .map(|r| r.1)
            .collect();
        part.iter().sum::<f64>() / part.len() as f64
    };
    let (low, high) = last
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| {
            (l.min(*v), h.max(*v))
        });
    if high - low <= 20.0 {
        "quiet"
    } else if (mean(2.0, 4.0) - mean(7.0, 9.0)).abs() > 60.0 {
        "moved"
    } else {
        "between"
    }
}
