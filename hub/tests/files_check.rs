//! `spinover check` on the real binary: what it prints where, and how it ends.

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

fn demo(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("demo")
        .join(name)
}

fn check(car: &Path, sheets: &[&Path], more: &[&str]) -> (Option<i32>, String, String) {
    let mut command = Command::new(env!("CARGO_BIN_EXE_spinover"));
    command.arg("check").arg("--car").arg(car).args(more);
    for sheet in sheets {
        command.arg("--sheet").arg(sheet);
    }
    let Output {
        status,
        stdout,
        stderr,
    } = command.output().unwrap();
    (
        status.code(),
        String::from_utf8(stdout).unwrap(),
        String::from_utf8(stderr).unwrap(),
    )
}

/// A demo file with one piece changed, in a folder of its own.
fn changed(name: &str, from: &str, to: &str) -> (tempfile::TempDir, PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join(name);
    let text = std::fs::read_to_string(demo(name)).unwrap();
    assert!(text.contains(from));
    std::fs::write(&path, text.replacen(from, to, 1)).unwrap();
    (folder, path)
}

#[test]
fn good_files_are_said_to_be_good() {
    let (code, out, err) = check(
        &demo("kestrel.toml"),
        &[&demo("pit-warm-up.toml"), &demo("to-the-line.toml")],
        &[],
    );
    assert_eq!((code, err.as_str()), (Some(0), ""));
    let lines: Vec<_> = out.lines().collect();
    assert_eq!(lines.len(), 3, "{out}");
    assert!(
        lines[0].starts_with("car file good: ") && lines[0].contains("19 channels, 6 roles"),
        "{out}"
    );
    assert!(
        lines[1].starts_with("sheet good: ") && lines[1].contains("6 phases, 23 steps"),
        "{out}"
    );
    assert!(lines[2].contains("9 phases, 32 steps"), "{out}");
}

#[test]
fn mistakes_in_all_files_are_told_at_once() {
    let (_folder, car) = changed("kestrel.toml", "label = \"Engine\"", "labl = \"Engine\"");
    let (_other, sheet) = changed("pit-warm-up.toml", "dwell_s = 3", "dwel_s = 3");
    let (code, out, err) = check(&car, &[&sheet, &demo("to-the-line.toml")], &[]);
    assert_eq!(code, Some(2));
    let told: Vec<_> = err.lines().collect();
    assert_eq!(told.len(), 2, "{err}");
    let line = |path: &Path, words: &str| {
        let text = std::fs::read_to_string(path).unwrap();
        text.lines()
            .position(|line| line.starts_with(words))
            .unwrap()
            + 1
    };
    let place = format!(
        "{}:{}:1: unknown key `labl`",
        car.display(),
        line(&car, "labl")
    );
    assert!(
        told[0].starts_with(&place) && told[0].ends_with("; did you mean `label`?"),
        "{err}"
    );
    let place = format!(
        "{}:{}:1: unknown key `dwel_s`",
        sheet.display(),
        line(&sheet, "dwel_s")
    );
    assert!(
        told[1].starts_with(&place) && told[1].ends_with("; did you mean `dwell_s`?"),
        "{err}"
    );
    assert!(
        out.contains("as far as can be told without a good car file"),
        "{out}"
    );
}

#[test]
fn an_alarm_for_a_phase_that_no_sheet_has_is_noted() {
    let sheet = demo("pit-warm-up.toml");
    let (code, _, err) = check(&demo("kestrel.toml"), &[&sheet], &[]);
    assert_eq!(
        (code, err.as_str()),
        (Some(0), ""),
        "phases of the other sheet"
    );
    let (_folder, car) = changed(
        "kestrel.toml",
        "phases = [\"nitro\", \"burnout\"",
        "phases = [\"nitr\", \"burnout\"",
    );
    let (code, out, err) = check(&car, &[&sheet], &[]);
    assert_eq!(code, Some(0), "it may be meant so: {err}");
    assert!(out.contains("car file good"), "{out}");
    let first = err.lines().next().unwrap_or_default();
    assert!(
        first.starts_with("note: ") && first.contains("names the phase `nitr`"),
        "{err}"
    );
    assert!(first.ends_with("did you mean `nitro`?"), "{err}");
    let (_, out, _) = check(&car, &[&sheet], &["--json"]);
    let said: serde_json::Value = serde_json::from_str(&out).unwrap();
    assert_eq!(said["good"], true);
    assert!(said["notes"][0]["line"].as_u64().unwrap() > 100, "{said}");
}

#[test]
fn a_file_that_is_not_there_is_bad_input() {
    let (code, _, err) = check(Path::new("no-such-car.toml"), &[], &[]);
    assert_eq!(code, Some(2));
    assert!(
        err.starts_with("no-such-car.toml: cannot be read: "),
        "{err}"
    );
}

#[test]
fn json_says_the_same() {
    let (_folder, sheet) = changed("pit-warm-up.toml", "dwell_s = 3", "dwel_s = 3");
    let (code, out, err) = check(&demo("kestrel.toml"), &[&sheet], &["--json"]);
    assert_eq!((code, err.as_str()), (Some(2), ""));
    let said: serde_json::Value = serde_json::from_str(&out).unwrap();
    assert_eq!(
        (&said["good"], &said["files"][0]["good"]),
        (&false.into(), &true.into())
    );
    let mistake = &said["files"][1]["mistakes"][0];
    assert_eq!(mistake["what"], "unknown key `dwel_s` in [[phase.step]]");
    assert!(
        mistake["line"].as_u64().unwrap() > 100 && mistake["column"] == 1,
        "{mistake}"
    );
}
