//! Reads the road-car recordings for the warm tests; says on one line what is skipped where they are absent.
#![allow(dead_code)] // Each test file uses its part.
use spinover::figures::warm::WarmCurve;
use std::path::PathBuf;

/// A recording: rows of time s, coolant deg C, engine speed rpm.
pub struct Recording {
    pub name: String,
    pub rows: Vec<(f64, f64, Option<f64>)>,
}

impl Recording {
    pub fn curve(&self) -> WarmCurve {
        WarmCurve {
            rows: self.rows.clone(),
        }
    }

    /// First row at or above a temperature.
    pub fn first_at(&self, temp_c: f64) -> Option<usize> {
        self.rows.iter().position(|r| r.1 >= temp_c)
    }
}

/// Folder of the real recordings, or one line that says what is skipped without it.
pub fn data(what: &str) -> Option<PathBuf> {
    let root = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("..");
    let folder = std::env::var_os("SPINOVER_DATA")
        .map_or_else(|| root.join("../shared/data"), PathBuf::from);
    if folder.is_dir() {
        return Some(folder);
    }
    println!("skipped: {what}: no recordings at SPINOVER_DATA or ../shared/data");
    None
}

/// Recordings of the road car whose names begin so, in order of name.
pub fn road_car(what: &str, prefixes: &[&str]) -> Vec<Recording> {
    let Some(folder) = data(what) else {
        return Vec::new();
    };
    let mut found: Vec<Recording> = std::fs::read_dir(folder.join("road-car-warmups"))
        .expect("folder road-car-warmups")
        .filter_map(|entry| {
            let path = entry.expect("entry").path();
            let name = path.file_stem()?.to_str()?.to_string();
            prefixes.iter().any(|p| name.starts_with(p)).then(|| {
                let text = std::fs::read_to_string(&path).expect("recording");
                let rows = columns(
                    &text,
                    [
                        "ENGINE_RUN_TINE ()",
                        "COOLANT_TEMPERATURE ()",
                        "ENGINE_RPM ()",
                    ],
                );
                Recording {
                    name,
                    rows: rows.into_iter().map(|r| (r[0], r[1], Some(r[2]))).collect(),
                }
            })
        })
        .collect();
    found.sort_by(|a, b| a.name.cmp(&b.name));
    found
}

/// Named columns of a CSV text as numbers; rows where one is missing are left out.
pub fn columns<const N: usize>(text: &str, names: [&str; N]) -> Vec<[f64; N]> {
    let mut lines = text.lines();
    let head: Vec<&str> = lines
        .next()
        .expect("header")
        .split(',')
        .map(str::trim)
        .collect();
    let places = names.map(|n| {
        head.iter()
            .position(|h| *h == n)
            .unwrap_or_else(|| panic!("no column {n}"))
    });
    lines
        .filter_map(|line| {
            let fields: Vec<&str> = line.split(',').map(str::trim).collect();
            let mut row = [0.0; N];
            for (value, place) in row.iter_mut().zip(places) {
                *value = fields.get(place)?.parse().ok()?;
            }
            Some(row)
        })
        .collect()
}

/// The naive rival: least-squares slope over the rows of the last 60 s up to row `i`.
pub fn last_minute(rows: &[(f64, f64, Option<f64>)], i: usize, target: f64) -> Option<f64> {
    let (now, temp, _) = rows[i];
    let rows: Vec<(f64, f64)> = rows[..=i]
        .iter()
        .filter(|r| r.0 >= now - 60.0)
        .map(|r| (r.0, r.1))
        .collect();
    let n = rows.len() as f64;
    let (mt, mc) = (
        rows.iter().map(|r| r.0).sum::<f64>() / n,
        rows.iter().map(|r| r.1).sum::<f64>() / n,
    );
    let tt: f64 = rows.iter().map(|r| (r.0 - mt).powi(2)).sum();
    let tc: f64 = rows.iter().map(|r| (r.0 - mt) * (r.1 - mc)).sum();
    (tt > 0.0 && tc > 0.0).then(|| (target - temp) * tt / tc)
}
