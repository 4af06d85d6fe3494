//! The command itself: rows in and out, exit codes, what it says of bad input.
use std::io::Write;
use std::path::PathBuf;
use std::process::{Command, Output, Stdio};

use crate::support::{Largest, Reference};

pub fn figure(args: &[&str], stdin: Option<&str>) -> Output {
    let mut child = Command::new(env!("CARGO_BIN_EXE_spinover"))
        .arg("figure")
        .args(args)
        .stdin(if stdin.is_some() {
            Stdio::piped()
        } else {
            Stdio::null()
        })
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("spinover");
    if let Some(text) = stdin {
        // A command that refuses its arguments may be gone before it has read anything.
        let _ = child
            .stdin
            .take()
            .expect("stdin")
            .write_all(text.as_bytes());
    }
    child.wait_with_output().expect("output")
}

pub fn out(output: &Output) -> String {
    assert!(output.status.success(), "{}", err(output));
    String::from_utf8(output.stdout.clone()).expect("UTF-8")
}

pub fn err(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

pub fn json(args: &[&str], stdin: Option<&str>) -> serde_json::Value {
    let mut all = args.to_vec();
    all.push("--json");
    serde_json::from_str(&out(&figure(&all, stdin))).expect("one JSON object")
}

/// Result cells by column for each row of a CSV answer.
pub fn table(text: &str) -> Vec<std::collections::HashMap<String, String>> {
    let mut reader = csv::Reader::from_reader(text.as_bytes());
    let header: Vec<String> = reader
        .headers()
        .expect("header")
        .iter()
        .map(str::to_owned)
        .collect();
    reader
        .records()
        .map(|r| {
            header
                .iter()
                .cloned()
                .zip(r.expect("row").iter().map(str::to_owned))
                .collect()
        })
        .collect()
}

fn reference_path(name: &str) -> String {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
        .join("tests/data/reference")
        .join(name)
        .to_str()
        .expect("path")
        .to_owned()
}

#[test]
fn air_by_csv_meets_its_contract_on_every_reference_row() {
    let t = Reference::read("density_altitude");
    let text = out(&figure(
        &["air", "--csv", &reference_path("density_altitude.csv")],
        None,
    ));
    let rows = table(&text);
    assert_eq!(rows.len(), t.rows.len());
    let mut density = Largest::new("command: air density", 1e-6);
    let mut altitude = Largest::new("command: density altitude, m", 2e-3);
    for (got, row) in rows.iter().zip(&t.rows) {
        // The given cells come back as they were, in their order.
        assert_eq!(got["temp_c"], t.text(row, "temp_c"));
        density.relative(
            got["density_kg_m3"].parse().unwrap(),
            t.number(row, "cipm_kg_m3"),
        );
        altitude.absolute(
            got["density_altitude_m"].parse().unwrap(),
            t.number(row, "closed_m"),
        );
    }
    density.check(75);
    altitude.check(75);
    let header = text.lines().next().unwrap();
    assert!(
        header
            .ends_with("nws_ft,density_kg_m3,density_altitude_m,vapor_pressure_pa,humidity_ratio")
    );
}

#[test]
fn mix_by_csv_meets_its_contract_on_every_reference_row() {
    let t = Reference::read("mix");
    // The answer's column goes by the name of one that is there: ask with the two inputs alone.
    let input: String = std::iter::once("sg,temp_c\n".to_owned())
        .chain(
            t.rows
                .iter()
                .map(|r| format!("{},{}\n", t.text(r, "sg"), t.text(r, "temp_c"))),
        )
        .collect();
    let rows = table(&out(&figure(&["mix", "--csv", "-"], Some(&input))));
    let mut percent = Largest::new("command: percent by volume, points", 1e-4);
    for (got, row) in rows.iter().zip(&t.rows) {
        percent.absolute(
            got["nitro_pct_vol"].parse().unwrap(),
            t.number(row, "nitro_pct_vol"),
        );
    }
    percent.check(98);
}

#[test]
fn bad_rows_stay_and_are_counted() {
    let input = "\u{feff}Temp_C, pressure_hpa ,rh_pct,note\n\
                 20,1013.25,50,fine\n\
                 warm,1013.25,50,a word\n\
                 20,,50,a hole\n\
                 20,29.92,50,inches\n\
                 20,1013.25,50,\"a, comma\",\n\
                 20,1013.25\n\
                 20,1013.25,50,x,y,z\n\
                 nan,1013.25,50,\n\
                 25,1000,40,fine\n";
    let output = figure(&["air", "--csv", "-"], Some(input));
    let rows = table(&out(&output));
    assert_eq!(rows.len(), 9);
    let with: Vec<bool> = rows
        .iter()
        .map(|r| !r["density_kg_m3"].is_empty())
        .collect();
    assert_eq!(
        with,
        [true, false, false, false, true, false, false, false, true]
    );
    assert_eq!(rows[4]["note"], "a, comma");
    let said = err(&output);
    assert!(said.contains("6 of 9 rows without a result"), "{said}");
    assert!(
        said.contains("row 2: Temp_C is \"warm\", not a number"),
        "{said}"
    );
}

#[test]
fn bytes_that_are_no_text_do_not_break_it() {
    let path = std::env::temp_dir().join(format!("spinover-bytes-{}.csv", std::process::id()));
    std::fs::write(&path, b"sg,temp_c,who\n1.08,25,J\xfcrgen\n\xff\xfe,25,x\n").unwrap();
    let output = figure(&["mix", "--csv", path.to_str().unwrap()], None);
    std::fs::remove_file(&path).unwrap();
    let rows = table(&out(&output));
    assert!(!rows[0]["nitro_pct_vol"].is_empty() && rows[1]["nitro_pct_vol"].is_empty());
}

#[test]
fn a_missing_column_is_named_with_the_nearest() {
    let output = figure(
        &["air", "--csv", "-"],
        Some("temp_f,pressure_hpa,rh_pct\n68,1013,50\n"),
    );
    assert_eq!(output.status.code(), Some(2));
    assert!(output.stdout.is_empty());
    let said = err(&output);
    assert!(
        said.contains("\"temp_c\"") && said.contains("nearest there is \"temp_f\""),
        "{said}"
    );
}

#[test]
fn exit_codes_tell_whose_fault_it_is() {
    for (args, stdin) in [
        (&["air"][..], None),
        (&["nothing"], None),
        (&["air", "--temp-c", "warm"], None),
        (
            &[
                "air",
                "--temp-c",
                "20",
                "--pressure-hpa",
                "29.92",
                "--rh-pct",
                "50",
            ],
            None,
        ),
        (&["air", "--csv", "/nowhere/at/all.csv"], None),
        (&["air", "--csv", "-"], Some("")),
        (
            &["fuel", "--csv", "-", "--flow-unit", "psi"],
            Some("t_s,flow_l_per_min\n"),
        ),
        (&["bleed", "--adjustment", "half"], None),
    ] {
        let output = figure(args, stdin);
        assert_eq!(output.status.code(), Some(2), "{args:?}: {}", err(&output));
        assert!(!err(&output).is_empty(), "{args:?}");
    }
}

#[test]
fn every_figure_explains_itself() {
    for name in [
        "air",
        "mix",
        "flow",
        "idle",
        "bleed",
        "fuel",
        "slip",
        "mags",
        "cylinders",
        "warm",
    ] {
        let said = out(&figure(&[name, "--help"], None));
        assert!(said.contains("--json") && said.contains("--csv"), "{name}");
        assert!(said.to_lowercase().contains("columns"), "{name}");
    }
}

#[test]
fn air_from_arguments_in_either_system() {
    let si = json(
        &[
            "air",
            "--temp-c",
            "20",
            "--pressure-hpa",
            "1013.25",
            "--rh-pct",
            "50",
        ],
        None,
    );
    let density = si["density_kg_m3"].as_f64().unwrap();
    assert!((density - 1.199_313_9).abs() < 1e-7, "{density}");
    assert_eq!(si["extrapolated"], false);
    assert!(si["words"].as_str().unwrap().starts_with("air 1.1993"));
    let us = json(
        &[
            "air",
            "--temp-c",
            "68F",
            "--altimeter-hpa",
            "29.92126inHg",
            "--elevation-m",
            "0ft",
            "--rh-pct",
            "50",
        ],
        None,
    );
    assert!((us["density_kg_m3"].as_f64().unwrap() / density - 1.0).abs() < 1e-5);
    let dew = json(
        &[
            "air",
            "--temp-c",
            "-5",
            "--pressure-hpa",
            "950",
            "--dew-c",
            "-9.5",
        ],
        None,
    );
    assert!(dew["rh_pct"].as_f64().unwrap() < 100.0 && dew["extrapolated"] == true);
    let words = out(&figure(
        &[
            "air",
            "--temp-c",
            "20",
            "--pressure-hpa",
            "1013.25",
            "--rh-pct",
            "50",
        ],
        None,
    ));
    assert!(words.starts_with("air 1.1993 kg/m³"), "{words}");
}

#[test]
fn mix_both_ways_and_what_to_add() {
    let there = json(&["mix", "--pct", "90", "--temp-c", "25"], None);
    let sg = there["sg"].as_f64().unwrap();
    let back = json(
        &[
            "mix",
            "--sg",
            &sg.to_string(),
            "--temp-c",
            "25",
            "--limit-pct",
            "85",
        ],
        None,
    );
    assert!((back["nitro_pct_vol"].as_f64().unwrap() - 90.0).abs() < 1e-9);
    assert_eq!(back["limit"], "over");
    assert!(
        back["words"]
            .as_str()
            .unwrap()
            .contains("OVER the limit of 85.0 %")
    );
    let add = json(
        &[
            "mix",
            "--pct",
            "80",
            "--can-l",
            "10",
            "--want-pct",
            "90",
            "--want-l",
            "40",
            "--temp-c",
            "25",
        ],
        None,
    );
    let recipe = &add["recipe"];
    let total =
        10.0 + recipe["add_rich_l"].as_f64().unwrap() + recipe["add_lean_l"].as_f64().unwrap();
    assert!((total - 40.0).abs() < 0.01, "{add}");
    let not = json(
        &[
            "mix",
            "--pct",
            "95",
            "--can-l",
            "39",
            "--want-pct",
            "80",
            "--want-l",
            "40",
            "--temp-c",
            "25",
        ],
        None,
    );
    assert_eq!(not["cant_say"]["reason"], "out_of_reach");
}

#[test]
fn flow_by_rule_and_by_book() {
    let base = [
        "flow",
        "--base-l-per-min",
        "8",
        "--base-density-kg-m3",
        "1.18",
        "--base-temp-c",
        "24",
    ];
    let mut alone = base.to_vec();
    alone.extend(["--density-kg-m3", "1.2036", "--temp-c", "24"]);
    let answer = json(&alone, None);
    assert!((answer["rule"]["flow_l_per_min"].as_f64().unwrap() - 8.16).abs() < 1e-9);
    assert_eq!(answer["book_cant_say"]["reason"], "too_few");
    let path = std::env::temp_dir().join(format!("spinover-book-{}.csv", std::process::id()));
    let mut book = String::from("flow_l_per_min,density_kg_m3,temp_c,ran_hot_by_k\n");
    for i in 0..20_u32 {
        let density = 1.12 + 0.007 * f64::from(i);
        let off = f64::from(i % 5) - 2.0;
        let temp = 14.0 + f64::from((i * 7) % 20);
        let flow = 8.0 * density / 1.18 * (1.0 + off / 100.0);
        book.push_str(&format!("{flow},{density},{temp},{}\n", -4.0 * off));
    }
    std::fs::write(&path, book).unwrap();
    let mut with = base.to_vec();
    with.extend(["--book", path.to_str().unwrap(), "--csv", "-"]);
    let rows = table(&out(&figure(
        &with,
        Some("density_kg_m3,temp_c\n1.18,24\n1.05,24\n"),
    )));
    std::fs::remove_file(&path).unwrap();
    let value = |row: usize, column: &str| rows[row][column].parse::<f64>().unwrap();
    assert!((value(0, "rule_l_per_min") - 8.0).abs() < 1e-9);
    assert!((value(0, "book_l_per_min") - 8.0).abs() < 0.05, "{rows:?}");
    assert!(value(0, "book_lo_l_per_min") <= value(0, "book_l_per_min"));
    assert_eq!(rows[0]["extrapolated"], "false");
    assert_eq!(rows[1]["extrapolated"], "true");
}

#[test]
fn idle_from_rows() {
    let mut input = String::from("t_s,engine_rpm\n");
    for i in 0..600_u32 {
        let t = f64::from(i) / 10.0;
        let hunting = if t > 30.0 {
            60.0 * (t * 3.0).sin()
        } else {
            0.0
        };
        input.push_str(&format!("{t},{:.0}\n", 2400.0 + hunting + f64::from(i % 3)));
    }
    let rows = table(&out(&figure(&["idle", "--csv", "-"], Some(&input))));
    assert_eq!(rows[20]["idle"], "");
    assert_eq!(rows[290]["idle"], "settled");
    assert_eq!(rows[599]["idle"], "hunting");
    let period: f64 = rows[599]["period_s"].parse().unwrap();
    assert!(
        (period - std::f64::consts::TAU / 3.0).abs() < 0.05,
        "{period}"
    );
    let last = json(&["idle", "--csv", "-"], Some(&input));
    assert_eq!(last["state"], "hunting");
    let early = json(
        &["idle", "--csv", "-"],
        Some("t_s,engine_rpm\n0,2400\n1,2400\n"),
    );
    assert_eq!(early["cant_say"]["reason"], "too_short");
}

#[test]
fn bleed_from_arguments_and_rows() {
    let advice = json(
        &[
            "bleed",
            "--adjustment",
            "0.5:52",
            "--adjustment",
            "-0.25:-24",
            "--adjustment",
            "0.5:49",
            "--rpm",
            "2440",
            "--want-rpm",
            "2400",
        ],
        None,
    );
    assert!(advice["turns"].as_f64().unwrap() < 0.0 && advice["other_way"] == true);
    assert!(
        advice["words"]
            .as_str()
            .unwrap()
            .contains("the other way, in")
    );
    let rows = table(&out(&figure(
        &["bleed", "--csv", "-"],
        Some("turns,change_rpm\n0.5,52\n-0.25,-24\n0.5,49\n"),
    )));
    assert_eq!(rows[0]["rpm_per_turn"], "");
    assert!((rows[2]["rpm_per_turn"].parse::<f64>().unwrap() - 100.0).abs() < 10.0);
}

#[test]
fn fuel_from_rows_and_from_a_number() {
    let rows = table(&out(&figure(
        &[
            "fuel",
            "--csv",
            "-",
            "--tank-l",
            "20",
            "--phase",
            "idle=5:6",
            "--meter-off-pct",
            "0",
        ],
        Some("t_s,flow_l_per_min\n0,6\n1,6\n31,6\n32,6\n33,-1\n"),
    )));
    assert_eq!(rows[3]["used_l"], "3.2000");
    assert_eq!(rows[3]["used_least_l"], "0.2000");
    assert_eq!(rows[4]["used_l"], "");
    assert_eq!(rows[3]["margin_worst_l"], "10.300");
    let state = json(
        &[
            "fuel", "--used-l", "4", "--tank-l", "10", "--phase", "idle=3:4", "--phase", "lanes=4",
        ],
        None,
    );
    assert_eq!(state["call"], "short");
    assert!(
        state["words"]
            .as_str()
            .unwrap()
            .starts_with("SHORT OF FUEL by 1.0 L")
    );
    let lph = json(
        &[
            "fuel",
            "--csv",
            "-",
            "--flow-column",
            "FLOW",
            "--flow-unit",
            "LPH",
        ],
        Some("t_s,FLOW\n0,60\n1,60\n2,60\n"),
    );
    assert!((lph["measured_l"].as_f64().unwrap() - 2.0 / 60.0).abs() < 1e-12);
}

#[test]
fn slip_checks_itself_and_compares() {
    let rows = table(&out(&figure(
        &["slip", "--csv", "-"],
        Some("t60_s,t330_s,t660_s,mph660,t1000_s\n0.85,2.2,3.2,270,4.0\n0.85,2.2,3.2,170,4.0\n"),
    )));
    assert_eq!(rows[0]["checks"], "");
    assert!(
        rows[1]["checks"].contains("does not fit the times"),
        "{rows:?}"
    );
    assert!(rows[0]["g60"].parse::<f64>().unwrap() > 4.0);
    let one = json(&["slip", "--reaction-s", "-0.01", "--t60-s", "0.85"], None);
    assert_eq!(one["left_early"], true);
    let none = figure(&["slip", "--csv", "-"], Some("t_60,x\n1,2\n"));
    assert_eq!(none.status.code(), Some(2));
    assert!(
        err(&none).contains("nearest there is \"t_60\""),
        "{}",
        err(&none)
    );
}

#[test]
fn mags_and_cylinders_from_rows() {
    let mut input = String::from("t_s,mag1_deg,mag2_deg\n");
    for i in 0..300_u32 {
        let t = f64::from(i) / 5.0;
        input.push_str(&format!("{t},58.0,{}\n", 57.5 - t / 60.0));
    }
    let rows = table(&out(&figure(&["mags", "--csv", "-"], Some(&input))));
    assert_eq!(rows[10]["apart_deg"], "");
    assert_eq!(rows[299]["noted"], "true");
    let drift: f64 = rows[299]["apart_drift_deg_per_min"].parse().unwrap();
    assert!((drift - 1.0).abs() < 0.05, "{drift}");

    let mut input = String::from("t_s,cyl1_c,cyl2_c,cyl3_c,cyl4_c\n");
    for i in 0..300_u32 {
        let t = f64::from(i) / 10.0;
        let warm = 25.0 + 8.0 * t;
        input.push_str(&format!("{t},{warm},{},25,{}\n", warm + 3.0, warm - 2.0));
    }
    let rows = table(&out(&figure(&["cylinders", "--csv", "-"], Some(&input))));
    assert_eq!(rows[299]["worst_cylinder"], "3");
    assert_eq!(
        (rows[299]["verdict"].as_str(), rows[299]["call"].as_str()),
        ("dead", "true")
    );
    let moment = json(&["cylinders", "--temps-c", "400,410,405,,120,398"], None);
    assert_eq!(moment["worst"], 5);
}

#[test]
fn warm_is_reached_by_the_same_command() {
    let mut input = String::from("t_s,temp_c\n");
    for i in 0..300_u32 {
        let t = f64::from(i);
        input.push_str(&format!("{t},{:.0}\n", 95.0 - 70.0 * (-t / 200.0).exp()));
    }
    let rows = table(&out(&figure(
        &["warm", "--target", "80", "--csv", "-"],
        Some(&input),
    )));
    assert_eq!(rows.len(), 300);
    assert!(rows[299].contains_key("eta_s") && rows[299].contains_key("eta_hi_s"));
    let missing = figure(
        &["warm", "--target", "80", "--csv", "-"],
        Some("t_s,temp_f\n0,70\n"),
    );
    assert_eq!(missing.status.code(), Some(2));
    assert!(err(&missing).contains("temp_f"), "{}", err(&missing));
}
