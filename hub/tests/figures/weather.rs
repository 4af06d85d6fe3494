//! The air some hours ahead, against what it then was, hour by hour in real observations; sources in `tests/data/weather/SOURCES.md`.
use spinover::figures::air_ahead::{Seen, ahead};
use std::collections::BTreeMap;

const HOUR_S: f64 = 3600.0;
/// The crew measures from then on.
const FROM_OCLOCK: i64 = 8;

/// A station's hours, by the number of the hour since 1970 on the wall clock.
type Hours = BTreeMap<i64, Seen>;

fn stations(file: &str) -> BTreeMap<String, Hours> {
    let path = std::path::PathBuf::from(env!("CARGO_MANIFEST_DIR"))
        .join("tests/data/weather")
        .join(file);
    let mut reader = csv::Reader::from_path(path).expect("hourly weather");
    let fahrenheit = reader.headers().expect("a header")[2] == *"temp_f";
    let mut stations: BTreeMap<String, Hours> = BTreeMap::new();
    for row in reader.records() {
        let row = row.expect("a row");
        let number = |column: usize| row[column].parse::<f64>().expect("a number");
        let time: jiff::civil::DateTime = row[1].parse().expect("a time");
        let since = jiff::tz::TimeZone::UTC.to_timestamp(time).expect("a time");
        let hour = since.as_second() / 3600;
        let temp_c = match fahrenheit {
            true => (number(2) - 32.0) / 1.8,
            false => number(2),
        };
        let seen = Seen::of_readings(hour as f64 * HOUR_S, temp_c, number(3), number(4));
        let hours = stations.entry(row[0].to_owned()).or_default();
        hours.insert(hour, seen.expect("air"));
    }
    stations
}

/// What was off, at one time ahead.
#[derive(Default)]
struct Off {
    model_m: Vec<f64>,
    persistence_m: Vec<f64>,
    within: usize,
    temp_k: Vec<f64>,
    temp_persistence_k: Vec<f64>,
    temp_within: usize,
}

fn mean(values: &[f64]) -> f64 {
    values.iter().map(|value| value.abs()).sum::<f64>() / values.len() as f64
}

/// Forecasts at 10, 12, 14 and 16 o'clock from `back` readings, hourly; the days before with them where there are any.
fn forecasts(hours: &Hours, ahead_h: i64, back: usize) -> Off {
    let mut off = Off::default();
    for (now, newest) in hours {
        let clock = now.rem_euclid(24);
        let Some(then) = hours.get(&(now + ahead_h)) else {
            continue;
        };
        if ![10, 12, 14, 16].contains(&clock) {
            continue;
        }
        let at_work = |hour: &i64| (FROM_OCLOCK..20).contains(&hour.rem_euclid(24));
        let seen: Vec<Seen> = hours
            .range(..=now)
            .rev()
            .filter(|(hour, _)| at_work(hour))
            .take(back)
            .map(|(_, seen)| *seen)
            .collect();
        let said = ahead(&seen, 0.0, (now + ahead_h) as f64 * HOUR_S).expect("a forecast");
        let is = then.altitude_m.0;
        off.model_m.push(said.altitude_m.middle - is);
        off.persistence_m.push(newest.altitude_m.0 - is);
        off.within += usize::from((said.altitude_m.low..=said.altitude_m.high).contains(&is));
        let is = then.temp_c.0;
        off.temp_k.push(said.temp_c.middle - is);
        off.temp_persistence_k.push(newest.temp_c.0 - is);
        off.temp_within += usize::from((said.temp_c.low..=said.temp_c.high).contains(&is));
    }
    off
}

#[test]
fn at_new_york_it_beats_persistence_and_its_interval_holds() {
    for (station, hours) in stations("new_york.csv") {
        for (back, what) in [
            (1, "one reading"),
            (3, "three readings"),
            (40, "all readings"),
        ] {
            for ahead_h in [1, 2, 4] {
                let off = forecasts(&hours, ahead_h, back);
                let n = off.model_m.len();
                let (model, persistence) = (mean(&off.model_m), mean(&off.persistence_m));
                let (temp, temp_persistence) = (mean(&off.temp_k), mean(&off.temp_persistence_k));
                let share = off.within as f64 / n as f64;
                let temp_share = off.temp_within as f64 / n as f64;
                println!(
                    "{station}, {what}, {ahead_h} h, {n}: {model:.1} m against {persistence:.1}, {share:.2} within; {temp:.2} K against {temp_persistence:.2}, {temp_share:.2} within"
                );
                assert!(n > 100, "{n}");
                assert!(model < persistence, "{station} {ahead_h} h");
                // By the sea an hour of a morning warms less than it does inland, where the usual course is mostly from.
                let at_most = if ahead_h == 1 { 1.05 } else { 1.0 };
                assert!(temp < at_most * temp_persistence, "{station} {ahead_h} h");
                if ahead_h == 4 {
                    assert!(model < 0.85 * persistence, "{station}");
                }
                // Of 120 or so cases that hang together by days, 80 % can be 70 or 92.
                for share in [share, temp_share] {
                    assert!(
                        (0.70..0.96).contains(&share),
                        "{station} {ahead_h} h: {share}"
                    );
                }
            }
        }
    }
}

#[test]
fn where_the_day_hardly_moves_it_is_a_little_worse_than_persistence_and_no_more() {
    let stations = stations("sand_point.csv");
    let hours = stations.values().next().expect("a station");
    for ahead_h in [1, 2, 4] {
        let off = forecasts(hours, ahead_h, 40);
        let (model, persistence) = (mean(&off.model_m), mean(&off.persistence_m));
        let share = off.within as f64 / off.model_m.len() as f64;
        println!(
            "Sand Point, {ahead_h} h: {model:.1} m against {persistence:.1}, {share:.2} within"
        );
        assert!(model < persistence + 5.0, "{ahead_h} h");
        assert!(share > 0.75, "{share}");
    }
}

const READINGS: &str = "time,temp_c,pressure_hpa,rh_pct
2026-05-16T09:00,21.0,975.0,62
2026-05-16T10:00,22.8,975.2,57
2026-05-16T11:00,24.4,975.0,52
2026-05-16T12:00,25.9,974.6,48
";

#[test]
fn the_command_says_what_the_air_and_the_flow_will_be() {
    use crate::command::{err, figure, json, out, table};
    let asked = ["forecast", "--readings", "-", "--at", "15:40"];
    let rule = [
        "--base-l-per-min",
        "130",
        "--base-density-kg-m3",
        "1.14",
        "--base-temp-c",
        "24",
    ];
    let said = json(&[&asked[..], &rule[..]].concat(), Some(READINGS));
    let number = |path: &str| said.pointer(path).and_then(serde_json::Value::as_f64);
    assert_eq!(said["at"], "2026-05-16T15:40:00");
    let now = Seen::of_readings(0.0, 25.9, 974.6, 48.0)
        .expect("air")
        .altitude_m
        .0;
    let (low, high) = (number("/altitude_m/low"), number("/altitude_m/high"));
    let middle = number("/altitude_m/middle").expect("a middle");
    // It was warming, and it is the middle of the day.
    assert!(
        middle > now + 20.0 && middle < now + 250.0,
        "{middle} {now}"
    );
    assert!(low < Some(middle) && Some(middle) < high);
    // One to one with density, so the flow is what the density makes of the baseline.
    let (flow, density) = (
        number("/flow/flow_l_per_min/middle").expect("a flow"),
        number("/density_kg_m3/middle").expect("a density"),
    );
    assert!((flow - 130.0 * density / 1.14).abs() < 1e-6, "{flow}");
    assert_eq!(said["readings"], 4);

    let file = tempfile::NamedTempFile::new().expect("a file");
    std::fs::write(file.path(), READINGS).expect("readings");
    let path = file.path().to_str().expect("a name");
    let rows = "at\n2026-05-16T13:00\n15:40\nnoon\n2026-05-18T15:40\n";
    let answer = figure(&["forecast", "--readings", path, "--csv", "-"], Some(rows));
    assert!(err(&answer).contains("2 of 4 rows without a result"));
    let rows = table(&out(&answer));
    assert_eq!(rows[1]["altitude_m"], format!("{middle:.1}"));
    assert_eq!(
        (rows[2]["altitude_m"].as_str(), rows[3]["readings"].as_str()),
        ("", "")
    );

    let wrong = figure(
        &["forecast", "--readings", "-", "--at", "2026-05-16T15:40Z"],
        Some(READINGS),
    );
    assert_eq!(wrong.status.code(), Some(2), "{}", err(&wrong));
}
