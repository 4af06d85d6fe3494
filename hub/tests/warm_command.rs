//! `spinover figure warm`: the three columns it adds, and what it refuses.
mod warm_support;

use spinover::command::figure_warm::{BadInput, WarmArgs, run_on};
use std::path::PathBuf;

fn args(history: Vec<PathBuf>) -> WarmArgs {
    WarmArgs {
        target: 80.0,
        history,
        csv: "-".into(),
        json: false,
    }
}

fn out(args: &WarmArgs, input: &str) -> Result<String, String> {
    let mut written = Vec::new();
    match run_on(args, input.as_bytes(), "rows.csv", &mut written) {
        Ok(()) => Ok(String::from_utf8(written).expect("text")),
        Err(e) => Err(e
            .downcast_ref::<BadInput>()
            .unwrap_or_else(|| panic!("not bad input: {e:#}"))
            .to_string()),
    }
}

/// A warm-up with columns of its own around those that are asked for.
fn rows(tau: f64, until_s: u32) -> String {
    let mut text = String::from("note,t_s,temp_c,engine_rpm\n");
    for t in 0..until_s {
        let temp = (100.0 - 72.0 * (-f64::from(t) / tau).exp()).floor();
        text += &format!("\"a, {t}\",{t}, {temp}, 900.0\n");
    }
    text
}

fn history() -> (tempfile::TempDir, Vec<PathBuf>) {
    let folder = tempfile::tempdir().expect("folder");
    let files = [280.0, 300.0, 320.0]
        .iter()
        .map(|tau| {
            let path = folder.path().join(format!("{tau}.csv"));
            // Long enough to have levelled off, at 99 deg C.
            std::fs::write(&path, rows(*tau, 2500)).expect("history");
            path
        })
        .collect();
    (folder, files)
}

#[test]
fn adds_three_columns_and_leaves_the_rest_alone() {
    let (_folder, files) = history();
    let input = rows(305.0, 500);
    let text = out(&args(files), &input).expect("rows");
    let lines: Vec<&str> = text.lines().collect();
    assert_eq!(
        lines[0],
        "note,t_s,temp_c,engine_rpm,eta_s,eta_lo_s,eta_hi_s"
    );
    assert_eq!(lines.len(), 501);
    for (given, got) in input.lines().zip(&lines) {
        assert!(got.starts_with(given), "{given} became {got}");
    }
    // Half way up: the made-up engine reads 80 deg C at 391 s.
    let added = |i: usize| -> Vec<f64> {
        let cells: Vec<&str> = lines[i].rsplitn(4, ',').collect();
        cells[..3]
            .iter()
            .rev()
            .map(|c| c.parse().expect("number"))
            .collect()
    };
    let half = added(201);
    assert!((half[0] - 191.0).abs() < 15.0, "{half:?}");
    assert!(half[1] < half[0] && half[0] < half[2], "{half:?}");
    assert_eq!(added(450), [0.0, 0.0, 0.0]);
}

#[test]
fn rows_to_come_change_no_line() {
    let (_folder, files) = history();
    let input = rows(305.0, 400);
    let whole = out(&args(files.clone()), &input).expect("rows");
    let part: String = input.lines().take(250).map(|l| format!("{l}\n")).collect();
    let part = out(&args(files), &part).expect("rows");
    assert!(whole.starts_with(&part));
}

#[test]
fn empty_where_it_cannot_say_and_odd_rows_pass() {
    // Blank temperature, trailing comma, short row, spaces, no engine speed column.
    let input = "t_s, temp_c\n0,\n1, 30,\n2\n,31\n3,not a number\n";
    let text = out(&args(Vec::new()), input).expect("rows");
    assert_eq!(
        text,
        "t_s, temp_c,eta_s,eta_lo_s,eta_hi_s\n0,,,,\n1, 30,,,\n2,,,,\n,31,,,\n3,not a number,,,\n"
    );
}

#[test]
fn json_says_the_time_or_the_reason() {
    let (_folder, files) = history();
    let mut asked = args(files);
    asked.json = true;
    let json = |text: String| serde_json::from_str::<serde_json::Value>(&text).expect("JSON");
    let said = json(out(&asked, &rows(305.0, 200)).expect("object"));
    assert_eq!(said["basis"], "history");
    assert_eq!(said["n_history"], 3);
    assert!(said["eta_s"].as_f64().expect("eta") > 100.0);
    asked.target = 120.0;
    let said = json(out(&asked, &rows(305.0, 200)).expect("object"));
    assert!(said["eta_s"].is_null());
    assert_eq!(said["cant_say"]["why"], "out_of_reach");
    assert_eq!(said["cant_say"]["of"], 3);
    asked.history.clear();
    let said = json(out(&asked, "t_s,temp_c\n0,30\n").expect("object"));
    assert_eq!(said["cant_say"]["why"], "too_early");
    assert!(
        said["words"]
            .as_str()
            .expect("words")
            .starts_with("can't say yet")
    );
}

#[test]
fn a_row_with_too_many_cells_gets_empty_ones_and_the_rest_go_on() {
    let text = out(&args(Vec::new()), "t_s,temp_c\n0,81,5\n1,81,\n").expect("rows");
    assert_eq!(
        text,
        "t_s,temp_c,eta_s,eta_lo_s,eta_hi_s\n0,81,,,\n1,81,0.0,0.0,0.0\n"
    );
}

#[test]
fn columns_in_any_order_with_a_byte_order_mark_and_other_line_ends() {
    let input =
        "\u{feff}engine_rpm,\"temp_c\",mark,t_s\r\n900,\"81\",x,0\r\n\r\n900,82,\"y, z\",0\r\n";
    let text = out(&args(Vec::new()), input).expect("rows");
    let lines: Vec<&str> = text.lines().collect();
    assert!(lines[0].ends_with("temp_c,mark,t_s,eta_s,eta_lo_s,eta_hi_s"));
    assert_eq!(
        lines[1..],
        ["900,81,x,0,0.0,0.0,0.0", "900,82,\"y, z\",0,0.0,0.0,0.0"]
    );
    let none = out(&args(Vec::new()), "t_s,temp_c\n").expect("no rows");
    assert_eq!(none, "t_s,temp_c,eta_s,eta_lo_s,eta_hi_s\n");
}

#[test]
fn refuses_with_a_reason() {
    let none = args(Vec::new());
    let no_column = out(&none, "time,temp_c\n0,30\n").expect_err("no t_s");
    assert!(
        no_column.contains("no column `t_s`") && no_column.contains("`time`"),
        "{no_column}"
    );
    let missing = out(&args(vec!["no such file.csv".into()]), "t_s,temp_c\n").expect_err("no file");
    assert!(
        missing.contains("no such file.csv: cannot be read"),
        "{missing}"
    );
    let mut hot = none;
    hot.target = f64::NAN;
    assert!(out(&hot, "t_s,temp_c\n").is_err());
}

#[test]
fn the_binary_reads_standard_input_and_says_by_its_exit_code_whose_fault_it_was() {
    use std::io::Write;
    use std::process::{Command, Stdio};
    let run = |input: &str| {
        let mut child = Command::new(env!("CARGO_BIN_EXE_spinover"))
            .args(["figure", "warm", "--target", "80", "--csv", "-"])
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("spinover starts");
        let mut stdin = child.stdin.take().expect("stdin");
        stdin.write_all(input.as_bytes()).expect("written");
        drop(stdin);
        child.wait_with_output().expect("ends")
    };
    let good = run("t_s,temp_c\n0,81\n");
    assert_eq!(good.status.code(), Some(0));
    assert_eq!(
        String::from_utf8_lossy(&good.stdout),
        "t_s,temp_c,eta_s,eta_lo_s,eta_hi_s\n0,81,0.0,0.0,0.0\n"
    );
    let ragged = run("t_s,temp_c\n0,81,5,6\n1,hot\n2,81\n");
    assert_eq!(ragged.status.code(), Some(0));
    assert_eq!(
        String::from_utf8_lossy(&ragged.stdout),
        "t_s,temp_c,eta_s,eta_lo_s,eta_hi_s\n0,81,,,\n1,hot,,,\n2,81,0.0,0.0,0.0\n"
    );
    let said = String::from_utf8_lossy(&ragged.stderr);
    assert!(
        said.contains("2 of 3 rows could not be read in full (row 1: more cells"),
        "{said}"
    );
    let bad = run("seconds,temp_c\n0,81\n");
    assert_eq!(bad.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&bad.stderr).contains("no column `t_s`"));
}
