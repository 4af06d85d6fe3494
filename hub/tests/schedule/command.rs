//! The command itself: the demo's plan, rows in and out, what it says of bad input, and what `check` says of a plan.
use std::io::Write;
use std::process::{Command, Output, Stdio};

fn spinover(args: &[&str], stdin: &str) -> Output {
    let mut child = Command::new(env!("CARGO_BIN_EXE_spinover"))
        .args(args)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("spinover");
    // A command that refuses its arguments may be gone before it has read anything.
    let _ = child
        .stdin
        .take()
        .expect("stdin")
        .write_all(stdin.as_bytes());
    child.wait_with_output().expect("output")
}

fn figure(args: &[&str], stdin: &str) -> String {
    let output = spinover(&[&["figure", "turnaround"], args].concat(), stdin);
    assert!(output.status.success(), "{}", err(&output));
    String::from_utf8(output.stdout).expect("UTF-8")
}

fn err(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

fn json(args: &[&str]) -> serde_json::Value {
    serde_json::from_str(&figure(&[args, &["--json"]].concat(), "")).expect("one object")
}

#[test]
fn the_demo_plan_says_whether_it_is_in_time() {
    let fresh = json(&["--lanes-in", "80"]);
    let chance = fresh["chance"].as_f64().unwrap();
    assert!((0.05..0.99).contains(&chance), "{chance}");
    assert!(fresh["ready"]["p10_min"].as_f64() < fresh["ready"]["p90_min"].as_f64());
    assert_eq!(fresh["path"][0], "made_safe");
    assert_eq!(fresh["tasks"].as_array().unwrap().len(), 19);
    assert!(!fresh["helps"].as_array().unwrap().is_empty());
    let late = json(&["--lanes-in", "30"]);
    assert_eq!(late["chance"], 0.0);
    let further = json(&[
        "--lanes-in",
        "80",
        "--done",
        "made_safe,body_up",
        "--running",
        "clutch=10,heads_off=8",
    ]);
    assert!(further["chance"].as_f64() > fresh["chance"].as_f64());
    assert!(figure(&["--lanes-in", "80"], "").contains("chance to be in time"));
}

#[test]
fn one_row_a_task() {
    let text = figure(&["--by-task", "--done", "made_safe"], "");
    let mut rows = csv::Reader::from_reader(text.as_bytes());
    assert_eq!(
        rows.headers().unwrap().iter().collect::<Vec<_>>(),
        [
            "task",
            "owner",
            "state",
            "start_min",
            "finish_min",
            "slack_min",
            "critical",
            "over"
        ]
    );
    let rows: Vec<_> = rows.records().map(Result::unwrap).collect();
    assert_eq!(rows.len(), 19);
    assert_eq!((&rows[0][0], &rows[0][2]), ("made_safe", "done"));
}

#[test]
fn one_situation_a_row() {
    let text = figure(
        &["--csv", "-"],
        "lanes_in_min,clutch,made_safe\n75,,\n75,12,done\n,12,done\n90,soon,done\n",
    );
    let rows: Vec<_> = csv::Reader::from_reader(text.as_bytes())
        .records()
        .map(Result::unwrap)
        .collect();
    let chance = |row: usize| rows[row][3].parse::<f64>().ok();
    assert!(chance(1) > chance(0));
    // Without a call to the lanes there is a time, and no chance.
    assert_eq!(chance(2), None);
    assert!(rows[2][5].parse::<f64>().is_ok());
    assert_eq!(&rows[3][5], "");
}

#[test]
fn bad_input_says_what_would_be_right() {
    for (args, says) in [
        (vec!["--done", "clutsch"], "there are: made_safe"),
        (vec!["--running", "clutch"], "TASK=MIN"),
        (vec!["--running", "clutch=-3"], "minutes"),
        (vec!["--lanes-in", "9000"], "within a day"),
        (vec!["--draws", "0"], "--draws"),
        (vec!["--file", "nowhere.toml"], "cannot be read"),
        (vec!["--csv", "-"], "lanes_in_min"),
    ] {
        let output = spinover(
            &[&["figure", "turnaround"], &args[..]].concat(),
            "a,b\n1,2\n",
        );
        assert_eq!(output.status.code(), Some(2), "{args:?}");
        assert!(err(&output).contains(says), "{args:?}: {}", err(&output));
    }
}

const PLAN: &str = r#"
key = "short"
name = "Short"
warm_up = "warm_up"

[[few]]
key = "hoist"
label = "Hoist"
number = 1

[[task]]
key = "clutch"
text = "Clutch"
owner = "starter"
needs = ["hoist"]
low_min = 18
likely_min = 25
high_min = 40

[[task]]
key = "warm_up"
text = "Warm-up"
owner = "chief"
with = ["starter"]
after = ["clutch"]
low_min = 6
likely_min = 8
high_min = 14
"#;

/// Checks the plan with `from` turned into `to`: exit code 2, the place of `at` in it, and what is said.
#[test]
fn mistakes_are_said_with_their_place() {
    let folder = tempfile::tempdir().unwrap();
    let car = folder.path().join("car.toml");
    std::fs::write(&car, spinover::files::demo::KESTREL).unwrap();
    let file = folder.path().join("plan.toml");
    let check = |text: &str| {
        std::fs::write(&file, text).unwrap();
        spinover(
            &[
                "check",
                "--car",
                car.to_str().unwrap(),
                "--turnaround",
                file.to_str().unwrap(),
            ],
            "",
        )
    };
    let good = check(PLAN);
    assert!(good.status.success(), "{}", err(&good));
    let said = String::from_utf8_lossy(&good.stdout).into_owned();
    assert!(said.contains("2 tasks, 1 wait, 1 thing shared"), "{said}");
    for (from, to, line, says) in [
        (
            "after = [\"clutch\"]",
            "after = [\"cluch\"]",
            25,
            "did you mean `clutch`",
        ),
        (
            "after = [\"clutch\"]",
            "after = [\"warm_up\"]",
            25,
            "`warm_up` waits for itself",
        ),
        (
            "needs = [\"hoist\"]",
            "needs = [\"hoist\"]\nafter = [\"warm_up\"]",
            16,
            "`clutch` waits for `warm_up` waits for `clutch`",
        ),
        (
            "needs = [\"hoist\"]",
            "needs = [\"hoit\"]",
            15,
            "did you mean `hoist`",
        ),
        (
            "needs = [\"hoist\"]",
            "needs = [\"hoist\", \"hoist\"]",
            15,
            "needed twice",
        ),
        (
            "owner = \"starter\"",
            "owner = \"strater\"",
            14,
            "did you mean `starter`",
        ),
        (
            "with = [\"starter\"]",
            "with = [\"chief\"]",
            24,
            "named twice",
        ),
        ("high_min = 40", "high_min = 20", 18, "at least 25"),
        ("low_min = 18", "low_min = -1", 16, "0 to 1440 minutes"),
        ("low_min = 18", "lowmin = 18", 16, "did you mean `low_min`"),
        ("number = 1", "number = 0", 9, "1 to 50"),
        (
            "warm_up = \"warm_up\"",
            "warm_up = \"warmup\"",
            4,
            "did you mean `warm_up`",
        ),
        (
            "key = \"warm_up\"",
            "key = \"clutch\"",
            21,
            "line 12 already",
        ),
    ] {
        assert!(PLAN.contains(from));
        let output = check(&PLAN.replacen(from, to, 1));
        assert_eq!(output.status.code(), Some(2), "{to}");
        let said = err(&output);
        assert!(said.contains(says), "{to}: {said}");
        assert!(said.contains(&format!("plan.toml:{line}:")), "{to}: {said}");
    }
}

/// Every table of keys in the docs names every key that the reader takes, and no other.
#[test]
fn the_docs_name_every_key_and_their_example_is_good() {
    let docs = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../docs/turnaround.md");
    let text = std::fs::read_to_string(docs).unwrap();
    for (header, keys) in spinover::files::turnaround_keys() {
        let title = if header.is_empty() {
            "At the top".to_owned()
        } else {
            format!("`{header}`")
        };
        let told: Vec<&str> = text
            .split("\n### ")
            .filter(|section| section.starts_with(&title))
            .flat_map(str::lines)
            .filter_map(|line| Some(line.strip_prefix("| `")?.split_once('`')?.0))
            .collect();
        assert_eq!(told, keys, "docs/turnaround.md, section {title}");
    }
    let block = text
        .split("```toml\n")
        .nth(1)
        .and_then(|rest| rest.split("```").next());
    let car = spinover::files::demo::car().unwrap();
    spinover::files::parse_turnaround("turnaround.md", block.unwrap(), Some(&car))
        .unwrap_or_else(|errors| panic!("{errors}"));
}

#[test]
fn the_demo_plan_is_good() {
    spinover::files::demo::between_rounds().unwrap_or_else(|errors| panic!("{errors}"));
}
