//! The season's counters, by the real binary: they count marks, warn before the limit, begin anew when a part is changed, and outlive the
//! hub; the command says the same of the book.

use spinover_protocol::{
    message::Command,
    season::{CounterNow, Due},
};
use spinover_tests::{
    data::own,
    hub::{CHIEF_CODE, CREW_CODE, Launch, run},
    phone::{Phone, Seen},
};

const SEASON: &str = r#"[[counter]]
key = "straps"
label = "Straps"
counts = "steps"
step = "area_clear"
limit = 3
warn_at = 2

[[counter]]
key = "warm_ups"
label = "Bearings"
counts = "warm_ups"
limit = 9
warn_at = 8
"#;

fn counter<'s>(seen: &'s Seen, key: &str) -> Option<&'s CounterNow> {
    let counters = &seen.mirror().season.as_ref()?.counters;
    counters.iter().find(|now| now.counter.key == key)
}

async fn until_count(phone: &Phone, key: &str, count: f64) {
    let so = |seen: &Seen| counter(seen, key).is_some_and(|now| now.count == count);
    phone.until(&format!("{key} at {count}"), so).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn parts_count_warn_and_begin_anew() {
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("season.toml");
    std::fs::write(&file, SEASON).expect("a season file");
    let mut hub = Launch::serve(&own("car.toml"), &own("sheet.toml"))
        .arg("--season")
        .arg(&file)
        .start();
    let chief = Phone::join(&hub, CHIEF_CODE, "Wren", "chief").await;
    let crew = Phone::join(&hub, CREW_CODE, "Moss", "idle").await;
    until_count(&crew, "straps", 0.0).await;
    let mark = || Command::Mark {
        step: "area_clear".into(),
    };
    let begin = || Command::Begin {
        sheet: "short".to_owned(),
    };
    chief.done(mark()).await;
    until_count(&crew, "straps", 1.0).await;
    // Taken back, it did not happen.
    let step = "area_clear".into();
    chief.done(Command::Undo { step }).await;
    until_count(&crew, "straps", 0.0).await;
    until_count(&crew, "warm_ups", 0.0).await;
    for count in [1.0, 2.0, 3.0] {
        chief.done(mark()).await;
        until_count(&crew, "straps", count).await;
        let due = crew.look(|seen| counter(seen, "straps").map(CounterNow::due));
        let wanted = [Due::Fine, Due::Soon, Due::Now][count as usize - 1];
        assert_eq!(due, Some(wanted));
        chief.done(begin()).await;
    }
    // It warns; nothing is locked: another warm-up goes on as any.
    chief.done(mark()).await;
    until_count(&crew, "straps", 4.0).await;

    let change = || Command::ChangePart {
        counter: "straps".to_owned(),
        remark: "New set in".to_owned(),
    };
    let refused = crew.refused(change()).await;
    assert!(refused.contains("chief code"), "{refused}");
    let nothing = Command::ChangePart {
        counter: "wings".to_owned(),
        remark: "New".to_owned(),
    };
    let refused = chief.refused(nothing).await;
    assert!(
        refused.contains("nothing is counted as 'wings'"),
        "{refused}"
    );
    chief.done(change()).await;
    until_count(&crew, "straps", 0.0).await;
    crew.look(|seen| {
        let before = &counter(seen, "straps").unwrap().before;
        assert_eq!((before.len(), before[0].count), (1, 4.0));
        assert_eq!(before[0].changed.text, "New set in");
    });
    let undo = || Command::UndoPartChange {
        counter: "straps".to_owned(),
    };
    chief.done(undo()).await;
    until_count(&crew, "straps", 4.0).await;
    let refused = chief.refused(undo()).await;
    assert!(refused.contains("was not changed"), "{refused}");
    chief.done(change()).await;
    chief.done(begin()).await;
    chief.done(mark()).await;
    until_count(&crew, "straps", 1.0).await;
    until_count(&crew, "warm_ups", 5.0).await;

    // The change is from before the last warm-up: it is known again when the hub is.
    drop((chief, crew));
    hub.kill();
    hub.start_again();
    let late = Phone::join(&hub, CREW_CODE, "Rook", "fuel").await;
    until_count(&late, "straps", 1.0).await;
    late.look(|seen| assert_eq!(counter(seen, "straps").unwrap().before.len(), 1));

    let (data, file) = (hub.data().display().to_string(), file.display().to_string());
    let said = run(&[
        "book", "season", "--data", &data, "--season", &file, "--json",
    ]);
    assert!(said.status.success(), "{said:?}");
    let now: spinover_protocol::season::Now = serde_json::from_slice(&said.stdout).expect("JSON");
    let counts: Vec<f64> = now.counters.iter().map(|now| now.count).collect();
    assert_eq!(counts, [1.0, 5.0]);
    let said = run(&["book", "season", "--data", &data, "--season", &file]);
    let words = String::from_utf8_lossy(&said.stdout).into_owned();
    assert!(words.contains("Straps: 1 of 3 marks"), "{words}");
    assert!(words.contains("before: 4, changed"), "{words}");
}

#[test]
fn check_places_a_season_files_mistakes() {
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("season.toml");
    let wrong = SEASON
        .replace("\"area_clear\"", "\"area_claer\"")
        .replace("warn_at = 8", "warn_at = 11");
    std::fs::write(&file, wrong).expect("a season file");
    let (car, sheet) = (own("car.toml"), own("sheet.toml"));
    let words = |path: &std::path::Path| path.display().to_string();
    let (car, sheet, file) = (words(&car), words(&sheet), words(&file));
    let said = run(&["check", "--car", &car, "--sheet", &sheet, "--season", &file]);
    assert_eq!(said.status.code(), Some(2));
    let told = String::from_utf8_lossy(&said.stderr).into_owned();
    assert!(
        told.contains("season.toml:5:") && told.contains("area_clear"),
        "{told}"
    );
    assert!(
        told.contains("season.toml:14:") && told.contains("`warn_at` is 11"),
        "{told}"
    );
}
