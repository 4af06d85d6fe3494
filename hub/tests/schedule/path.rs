//! The critical path against published worked examples and against networkx.
use crate::support::plan;
use serde::Deserialize;
use spinover::figures::schedule::path::critical_path;
use spinover::figures::schedule::spread::Spread;
use spinover::figures::schedule::{Network, Task};
use std::path::{Path, PathBuf};
use std::process::Command;

/// Task, what it waits for, minutes, and its earliest and latest start and finish as published.
type Row = (&'static str, &'static [usize], f64, [f64; 4]);

fn check(rows: &[Row], finish: f64, chain: &[&str]) {
    let network = plan(&rows.iter().map(|row| (row.2, row.1)).collect::<Vec<_>>());
    let minutes: Vec<f64> = rows.iter().map(|row| row.2).collect();
    let path = critical_path(&network, &minutes);
    assert_eq!(path.finish, finish);
    for ((name, _, _, want), got) in rows.iter().zip(&path.tasks) {
        let got_times = [
            got.early_start,
            got.early_finish,
            got.late_start,
            got.late_finish,
        ];
        assert_eq!(got_times, *want, "{name}");
    }
    let names: Vec<&str> = path.chain.iter().map(|at| rows[*at].0).collect();
    assert_eq!(names, chain);
}

/// "Example 1", times in hours, its tables 1 and 2: <https://studylib.net/doc/8378728/example-1--draw-the-network-for-the-events-in-table-1>.
#[test]
fn a_published_example_of_seven_tasks() {
    check(
        &[
            ("A", &[], 6.0, [0.0, 6.0, 0.0, 6.0]),
            ("B", &[0], 2.0, [6.0, 8.0, 6.0, 8.0]),
            ("C", &[0], 2.0, [6.0, 8.0, 7.0, 9.0]),
            ("D", &[1], 3.0, [8.0, 11.0, 8.0, 11.0]),
            ("F", &[2], 2.0, [8.0, 10.0, 9.0, 11.0]),
            ("E", &[3, 4], 4.0, [11.0, 15.0, 11.0, 15.0]),
            ("G", &[5], 1.0, [15.0, 16.0, 15.0, 16.0]),
        ],
        16.0,
        &["A", "B", "D", "E", "G"],
    );
}

/// B. W. Taylor, Introduction to Management Science, chapter 8, solution of a problem with six nodes, as read at
/// <https://ar.scribd.com/doc/47113515/TaylCh08>. A task is an arrow between nodes there, so that "3-5" waits for all that end in 3.
#[test]
fn a_textbook_problem_of_seven_arrows() {
    check(
        &[
            ("1-2", &[], 7.0, [0.0, 7.0, 2.0, 9.0]),
            ("1-3", &[], 10.0, [0.0, 10.0, 0.0, 10.0]),
            ("2-4", &[0], 6.0, [7.0, 13.0, 9.0, 15.0]),
            ("3-4", &[1], 5.0, [10.0, 15.0, 10.0, 15.0]),
            ("3-5", &[1], 4.0, [10.0, 14.0, 14.0, 18.0]),
            ("4-5", &[2, 3], 3.0, [15.0, 18.0, 15.0, 18.0]),
            ("5-6", &[4, 5], 2.0, [18.0, 20.0, 18.0, 20.0]),
        ],
        20.0,
        &["1-3", "3-4", "4-5", "5-6"],
    );
}

/// The same book and place, the next problem; one of its arrows takes no time.
#[test]
fn a_textbook_problem_of_thirteen_arrows() {
    check(
        &[
            ("1-2", &[], 8.0, [0.0, 8.0, 1.0, 9.0]),
            ("1-3", &[], 10.0, [0.0, 10.0, 0.0, 10.0]),
            ("1-4", &[], 9.0, [0.0, 9.0, 6.0, 15.0]),
            ("2-5", &[0], 6.0, [8.0, 14.0, 9.0, 15.0]),
            ("2-6", &[0], 4.0, [8.0, 12.0, 16.0, 20.0]),
            ("3-5", &[1], 5.0, [10.0, 15.0, 10.0, 15.0]),
            ("4-5", &[2], 0.0, [9.0, 9.0, 15.0, 15.0]),
            ("4-7", &[2], 7.0, [9.0, 16.0, 20.0, 27.0]),
            ("5-7", &[3, 5, 6], 12.0, [15.0, 27.0, 15.0, 27.0]),
            ("5-8", &[3, 5, 6], 15.0, [15.0, 30.0, 16.0, 31.0]),
            ("6-9", &[4], 18.0, [12.0, 30.0, 20.0, 38.0]),
            ("7-8", &[7, 8], 4.0, [27.0, 31.0, 27.0, 31.0]),
            ("8-9", &[9, 11], 7.0, [31.0, 38.0, 31.0, 38.0]),
        ],
        38.0,
        &["1-3", "3-5", "5-7", "7-8", "8-9"],
    );
}

#[derive(Deserialize)]
struct Graph {
    minutes: Vec<f64>,
    edges: Vec<(usize, usize)>,
    longest: f64,
    early_start: Vec<f64>,
    late_finish: Vec<f64>,
}

/// 500 random networks by `networkx.dag_longest_path_length`, or the 25 kept ones where it is not here.
#[test]
fn random_networks_against_networkx() {
    let hub = Path::new(env!("CARGO_MANIFEST_DIR"));
    let reference = hub.join("../target/reference");
    let (text, least) = if reference.join("ready-graphs-1").is_file() {
        (
            ask(&reference, &hub.join("tests/reference/longest_path.py")),
            500,
        )
    } else {
        eprintln!(
            "skipped: no networkx, so 25 kept answers only; hub/tests/reference/prepare.sh brings it"
        );
        let kept: PathBuf = hub.join("tests/data/schedule/longest_path.jsonl");
        (std::fs::read_to_string(kept).expect("kept answers"), 25)
    };
    let mut seen = 0;
    let mut worst = 0.0_f64;
    for line in text.lines() {
        let graph: Graph = serde_json::from_str(line).expect("a graph");
        let n = graph.minutes.len();
        let mut tasks = vec![Task::default(); n];
        for (at, minutes) in graph.minutes.iter().enumerate() {
            tasks[at].spread = Spread::exactly(*minutes);
        }
        for (before, after) in &graph.edges {
            tasks[*after].after.push(*before);
        }
        let network = Network::new(tasks, Vec::new()).expect("no ring");
        let path = critical_path(&network, &graph.minutes);
        let mut off = |got: f64, want: f64| {
            worst = worst.max((got - want).abs());
        };
        off(path.finish, graph.longest);
        let along: f64 = path.chain.iter().map(|at| graph.minutes[*at]).sum();
        off(along, graph.longest);
        for pair in path.chain.windows(2) {
            assert!(network.tasks()[pair[1]].after.contains(&pair[0]));
        }
        for at in 0..n {
            off(path.tasks[at].early_start, graph.early_start[at]);
            off(path.tasks[at].late_finish, graph.late_finish[at]);
        }
        seen += 1;
    }
    println!("{seen} networks, largest difference {worst:.1e} min");
    assert!(seen >= least, "only {seen} networks");
    // Sums of up to 40 numbers in another order.
    assert!(worst < 1e-9, "{worst:e}");
}

fn ask(reference: &Path, script: &Path) -> String {
    let output = Command::new(reference.join("venv/bin/python"))
        .arg(script)
        .arg("7")
        .output()
        .expect("python runs");
    assert!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    String::from_utf8(output.stdout).expect("text")
}
