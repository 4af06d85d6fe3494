//! The sheet that ships for the real ground run can be worked through on the recording itself, and its bands suit it.

use spinover::core::feed::Report;
use spinover::core::{Core, Input, Journal, Output};
use spinover::files::demo;
use spinover::sources::{Feed, Setup, open};
use spinover_protocol::event::{EventBody, Right, Who};
use spinover_protocol::message::Command;
use spinover_protocol::{CommandId, StepKey};
use std::path::{Path, PathBuf};
use tokio::sync::mpsc;

/// The recording: `SPINOVER_REAL`, what set-up fetched, or that among the recordings beside the project.
fn recording() -> Option<PathBuf> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("..");
    let data = std::env::var_os("SPINOVER_DATA")
        .map_or_else(|| root.join("../shared/data"), PathBuf::from);
    let files = |folder: PathBuf| {
        std::fs::read_dir(folder)
            .into_iter()
            .flatten()
            .flatten()
            .map(|entry| entry.path())
    };
    let folder = files(data).find(|path| path.to_string_lossy().ends_with("groundrun"));
    let beside = folder.and_then(|folder| {
        files(folder).find(|path| path.extension().is_some_and(|end| end == "csv"))
    });
    let named = std::env::var_os("SPINOVER_REAL").map(PathBuf::from);
    let fetched = root.join("target/real/ground-run.csv");
    [named, Some(fetched), beside]
        .into_iter()
        .flatten()
        .find(|path| path.is_file())
}

#[tokio::test]
async fn the_ground_run_can_be_worked_through() {
    let Some(path) = recording() else {
        println!(
            "skipped: the ground run's sheet, since its recording is not here (set-up fetches it)"
        );
        return;
    };
    let file = demo::real_car().unwrap();
    let setup = Setup {
        car: file.car.clone(),
        replay: file.replay,
        names: Default::default(),
        seed: 1,
    };
    let source = open(&format!("replay:{}?speed=max", path.display()), &setup).unwrap();
    let (to, mut reports) = mpsc::channel(64);
    let running = tokio::spawn(source.run(Feed::new(0, to)));

    let sheet = demo::real_sheet().unwrap();
    let last: StepKey = "heads_warm".into();
    let mut core = Core::new(
        file.car,
        vec![sheet],
        vec!["replay:".to_owned()],
        Vec::new(),
        &Journal::default(),
    );
    let chief = Who {
        id: "laptop".into(),
        name: "Ann".to_owned(),
        role: "chief".into(),
    };
    let start = 1_000_000;
    core.take(start, Input::Start);
    let (mut marked, mut late, mut commands): (Vec<StepKey>, Vec<StepKey>, u32) =
        (Vec::new(), Vec::new(), 0);
    let mut first = None;
    while let Some((_, report)) = reports.recv().await {
        let Report::Batch(batch) = &report else {
            continue;
        };
        // The recording's own time, from its first row, is the clock.
        let t_s = batch.t_s.unwrap();
        let now = start + ((t_s - *first.get_or_insert(t_s)) * 1000.0).round() as i64;
        core.take(now, Input::Report(0, report));
        core.take(now, Input::Tick);
        let progress = core.progress(now);
        for step in progress
            .steps
            .iter()
            .filter(|step| step.ready && step.step.as_str() != "ended")
        {
            if step.limit_left_ms.is_some_and(|left| left < 0) {
                late.push(step.step.clone());
            }
            commands += 1;
            let mark = Command::Mark {
                step: step.step.clone(),
            };
            let input = Input::Command(
                chief.clone(),
                Right::Chief,
                CommandId(format!("c{commands}")),
                mark,
            );
            for output in core.take(now, input) {
                if let Output::Event(event) = output
                    && let EventBody::StepMarked { step, .. } = event.body
                {
                    println!("{:6.1} s: {step}", (now - start) as f64 / 1000.0);
                    marked.push(step);
                }
            }
        }
    }
    running.await.unwrap().unwrap();
    assert_eq!(marked.last(), Some(&last), "{marked:?}");
    assert_eq!(marked.len(), 6, "{marked:?}");
    assert!(late.is_empty(), "{late:?}");
}
