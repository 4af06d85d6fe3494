//! The command line: what is refused and how, what is printed, what is open and what needs a code.

use serde_json::json;
use spinover_protocol::message::{Farewell, HubMessage};
use spinover_tests::{
    data, eventually, http,
    hub::{CHIEF_CODE, CREW_CODE, Launch, run},
    phone::Phone,
    raw::Raw,
};
use std::path::PathBuf;

/// A file of a test's own, gone when the test is.
struct Scratch(tempfile::TempDir);

impl Scratch {
    fn new() -> Self {
        Self(tempfile::tempdir().expect("room for files"))
    }

    fn file(&self, name: &str, text: &str) -> PathBuf {
        let path = self.0.path().join(name);
        std::fs::write(&path, text).expect("room for files");
        path
    }
}

fn text(path: PathBuf) -> String {
    std::fs::read_to_string(path).expect("the tests' own file")
}

fn words(path: &std::path::Path) -> &str {
    path.to_str().expect("a plain path")
}

#[test]
fn help_names_every_command_and_is_no_failure() {
    let help = run(&["--help"]);
    assert_eq!(help.status.code(), Some(0));
    let told = String::from_utf8_lossy(&help.stdout).into_owned();
    for command in ["demo", "serve", "check", "figure", "book"] {
        assert!(told.contains(command), "{told}");
        let help = run(&[command, "--help"]);
        assert_eq!(help.status.code(), Some(0), "{command}");
        assert!(help.stdout.len() > 100, "{command} explains itself");
    }
    for nonsense in [
        &["fly"][..],
        &["serve", "--wings"],
        &["serve"],
        &["check"],
        &[],
    ] {
        assert_eq!(run(nonsense).status.code(), Some(2), "{nonsense:?}");
    }
}

#[test]
fn good_files_pass() {
    let (car, sheet) = (data::own("car.toml"), data::own("sheet.toml"));
    let checked = run(&["check", "--car", words(&car), "--sheet", words(&sheet)]);
    assert_eq!(
        checked.status.code(),
        Some(0),
        "{}",
        String::from_utf8_lossy(&checked.stderr)
    );
}

#[test]
fn bad_files_are_refused_with_place_and_cure() {
    let scratch = Scratch::new();
    let (car, sheet) = (text(data::own("car.toml")), text(data::own("sheet.toml")));
    let line_of = |text: &str, needle: &str| {
        1 + text
            .lines()
            .position(|line| line.contains(needle))
            .expect("it is there")
    };

    // Each with a car file, a sheet, which of them is wrong, on which line, and words that the message must have.
    let misspelt = car.replacen("plausible", "plausable", 1);
    let swapped = car.replacen("[0, 300]", "[300, 0]", 1);
    let no_unit = car.replacen("\"psi\"", "\"psy\"", 1);
    let unknown = sheet.replacen("channel = \"oil_pressure\"", "channel = \"oil_presure\"", 1);
    let no_owner = sheet.replacen("owner = \"fuel\"", "owner = \"feul\"", 1);
    let broken = car.replacen("key = \"idle\"", "key = \"idle", 1);
    let cases = [
        (
            &misspelt,
            &sheet,
            "car.toml",
            line_of(&misspelt, "plausable"),
            vec!["plausable", "plausible"],
        ),
        (
            &swapped,
            &sheet,
            "car.toml",
            line_of(&swapped, "[300, 0]"),
            vec!["300"],
        ),
        (
            &no_unit,
            &sheet,
            "car.toml",
            line_of(&no_unit, "psy"),
            vec!["psy", "psi"],
        ),
        (
            &broken,
            &sheet,
            "car.toml",
            line_of(&broken, "key = \"idle"),
            vec![],
        ),
        (
            &car,
            &unknown,
            "sheet.toml",
            line_of(&unknown, "oil_presure"),
            vec!["oil_presure", "oil_pressure"],
        ),
        (
            &car,
            &no_owner,
            "sheet.toml",
            line_of(&no_owner, "feul"),
            vec!["feul", "fuel"],
        ),
    ];
    for (car, sheet, file, line, needed) in cases {
        let (car, sheet) = (
            scratch.file("car.toml", car),
            scratch.file("sheet.toml", sheet),
        );
        let data = scratch.0.path().join("book");
        let files = ["--car", words(&car), "--sheet", words(&sheet)];
        let check = run(&[&["check"][..], &files].concat());
        let serve = run(&[
            &["serve"][..],
            &files,
            &["--data", words(&data), "--listen", "127.0.0.1:0"],
        ]
        .concat());
        for refused in [check, serve] {
            let told = String::from_utf8_lossy(&refused.stderr).into_owned();
            assert_eq!(refused.status.code(), Some(2), "{told}");
            assert!(
                told.contains(&format!("{file}:{line}")),
                "no {file}:{line} in: {told}"
            );
            assert!(
                needed.iter().all(|word| told.contains(word)),
                "not all of {needed:?} in: {told}"
            );
            assert!(
                !String::from_utf8_lossy(&refused.stdout).contains("ready "),
                "it must not have begun to serve"
            );
        }
        assert!(!data.exists(), "a refused start leaves no book behind");
    }
    let missing = run(&["check", "--car", "no-such-car.toml"]);
    assert_eq!(missing.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&missing.stderr).contains("no-such-car.toml"));
}

#[test]
fn bad_sources_and_codes_are_refused() {
    let (car, sheet) = (data::own("car.toml"), data::own("sheet.toml"));
    let scratch = Scratch::new();
    // Of a recording the car file says which columns are which, so one that does is needed to get as far as the file.
    let mapped = text(car.clone()).replacen(
        "key = \"engine_rpm\"",
        "key = \"engine_rpm\"\ncolumn = \"RPM\"",
        1,
    ) + "\n[replay]\ntime = { column = \"T\" }\n";
    let mapped = scratch.file("mapped.toml", &mapped);
    let recording = scratch.file("recording.csv", "T,RPN\n0,2400\n");
    let data = scratch.0.path().join("book");
    let serve = [
        "serve",
        "--car",
        words(&mapped),
        "--sheet",
        words(&sheet),
        "--data",
        words(&data),
        "--listen",
        "127.0.0.1:0",
    ];
    for (source, needed) in [
        ("replay:no-such-file.csv", "no-such-file.csv"),
        (&format!("replay:{}", words(&recording)), "RPN"),
        ("sms:", "sms"),
        ("lines:tcp://nowhere", "nowhere"),
    ] {
        let refused = run(&[&serve[..], &["--source", source]].concat());
        let told = String::from_utf8_lossy(&refused.stderr).into_owned();
        assert_eq!(refused.status.code(), Some(2), "{source}: {told}");
        assert!(told.contains(needed), "{told}");
    }
    for codes in [
        ["--crew-code", "a-1", "--chief-code", "long-enough"],
        ["--crew-code", "same-code", "--chief-code", "SAME code"],
    ] {
        assert_eq!(
            run(&[&serve[..], &codes].concat()).status.code(),
            Some(2),
            "{codes:?}"
        );
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn the_ready_line_is_true_and_says_how_to_join() {
    let hub = Launch::demo().start();
    // The port takes connections at that very moment, without another try.
    let health = http::get(&hub.address(), "/healthz", None)
        .await
        .expect("an answer");
    assert_eq!((health.status, health.text().trim()), (200, "ok"));
    let told = hub.stdout();
    assert_eq!(
        told.lines()
            .filter(|line| line.starts_with("ready "))
            .count(),
        1,
        "{told}"
    );
    assert!(
        told.lines()
            .any(|line| line == format!("ready {}", hub.url())),
        "{told}"
    );
    assert!(
        told.contains(CREW_CODE) && told.contains(CHIEF_CODE),
        "{told}"
    );
    assert!(
        told.contains(&format!("{}/#", hub.url())),
        "an address to open on this laptop: {told}"
    );
}

#[tokio::test(flavor = "multi_thread")]
async fn what_is_open_tells_no_secrets_and_the_rest_needs_a_code() {
    let hub = Launch::serve(&data::own("car.toml"), &data::own("sheet.toml")).start();
    let address = hub.address();
    let lines = b"{\"engine_rpm\": 2400, \"oil_pressure\": 71.5}\n{\"egine_rpm\": 1}\nnot json\n";

    for code in [None, Some("wrong-code-entirely")] {
        let refused = http::post(&address, "/api/readings", code, lines)
            .await
            .expect("an answer");
        assert_eq!(refused.status, 401, "{code:?}: {}", refused.text());
        // The wait after a wrong code is over before the next request is judged.
        if code.is_some() {
            assert!(refused.header("retry-after").is_some());
        }
    }
    let taken = eventually("the wait after the wrong code to be over", async || {
        let answer = http::post(&address, "/api/readings", Some(CREW_CODE), lines)
            .await
            .expect("an answer");
        (answer.status != 429).then_some(answer)
    })
    .await;
    assert_eq!(taken.status, 200, "{}", taken.text());
    let told: serde_json::Value = serde_json::from_slice(&taken.body).expect("JSON");
    assert_eq!(
        (&told["taken"], &told["faults"]),
        (&json!(2), &json!(2)),
        "{told}"
    );
    assert!(
        told.to_string().contains("egine_rpm"),
        "what was wrong is said: {told}"
    );

    // Everything is counted, in the text form that collectors read.
    let value = |text: &str, name: &str| {
        let line = text
            .lines()
            .find(|line| line.starts_with(&format!("{name} ")))
            .unwrap_or_else(|| panic!("no {name} in {text}"));
        line.rsplit(' ')
            .next()
            .and_then(|number| number.parse::<f64>().ok())
            .expect("a number")
    };
    let metrics = eventually("the readings and the faults to be counted", async || {
        let metrics = http::get(&address, "/metrics", None)
            .await
            .expect("an answer");
        let all = ["spinover_readings_total", "spinover_faults_total"];
        all.iter()
            .all(|name| value(&metrics.text(), name) >= 2.0)
            .then_some(metrics)
    })
    .await;
    assert!(
        metrics
            .header("content-type")
            .is_some_and(|kind| kind.starts_with("application/openmetrics-text"))
    );
    let text = metrics.text();
    assert!(text.ends_with("# EOF\n"));
    assert_eq!(value(&text, "spinover_readings_total"), 2.0);
    assert_eq!(value(&text, "spinover_faults_total"), 2.0);

    let phone = Phone::join(&hub, CREW_CODE, "Ash", "idle").await;
    phone
        .until("the posted reading", |seen| {
            seen.value("oil_pressure") == Some(71.5)
        })
        .await;
    let id = phone
        .look(|seen| {
            seen.mirror()
                .record
                .warmup
                .as_ref()
                .map(|warmup| warmup.id.clone())
        })
        .expect("a warm-up");
    for page in [
        format!("/book/{id}"),
        format!("/book/{id}.csv"),
        format!("/book/{id}.json"),
    ] {
        let refused = http::get(&address, &page, None).await.expect("an answer");
        assert_eq!(refused.status, 401, "{page}");
        assert_eq!(
            http::get(&address, &page, Some(CREW_CODE))
                .await
                .expect("an answer")
                .status,
            200,
            "{page}"
        );
        assert_eq!(
            http::get(&address, &format!("{page}?code={CREW_CODE}"), None)
                .await
                .expect("an answer")
                .status,
            200,
            "{page}"
        );
    }
    assert_eq!(
        http::get(&address, "/book/never", Some(CREW_CODE))
            .await
            .expect("an answer")
            .status,
        404
    );
    for open in ["/", "/healthz", "/metrics"] {
        let page = http::get(&address, open, None).await.expect("an answer");
        let told = page.text() + &format!("{:?}", page.headers);
        assert!(
            !told.contains(CREW_CODE) && !told.contains(CHIEF_CODE),
            "{open} tells a code"
        );
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn asked_to_stop_it_says_goodbye_and_keeps_the_last_word() {
    let mut hub = Launch::serve(&data::own("car.toml"), &data::own("sheet.toml")).start();
    let mut raw = Raw::join(&hub, CREW_CODE, "phone-of-ash", None)
        .await
        .expect("a socket");
    raw.until(|message| matches!(message, HubMessage::Snapshot { .. }).then_some(()))
        .await
        .expect("a snapshot");
    raw.send(&json!({ "type": "command", "id": "last-1", "do": "note", "text": "last word" }))
        .await
        .expect("open");
    raw.until(|message| matches!(message, HubMessage::Ack { .. }).then_some(()))
        .await
        .expect("an ack");
    assert_eq!(hub.stop().code(), Some(0), "{}", hub.stderr());
    let why = raw
        .until(|message| {
            if let HubMessage::Goodbye { why, .. } = message {
                Some(why)
            } else {
                None
            }
        })
        .await;
    assert_eq!(why.expect("a goodbye"), Farewell::Stopping);
    hub.start_again();
    let phone = Phone::join(&hub, CREW_CODE, "Ash", "idle").await;
    let notes = phone.look(|seen| {
        seen.mirror()
            .record
            .warmup
            .as_ref()
            .map(|warmup| warmup.notes.clone())
    });
    assert_eq!(notes.expect("the warm-up goes on").len(), 1);
}

#[tokio::test(flavor = "multi_thread")]
async fn one_book_and_one_port_have_one_hub() {
    let (car, sheet) = (data::own("car.toml"), data::own("sheet.toml"));
    let hub = Launch::serve(&car, &sheet).start();
    let serve = ["serve", "--car", words(&car), "--sheet", words(&sheet)];
    let same_book = run(&[
        &serve[..],
        &["--data", words(hub.data()), "--listen", "127.0.0.1:0"],
    ]
    .concat());
    assert_eq!(same_book.status.code(), Some(1));
    assert!(!same_book.stderr.is_empty(), "it says why");
    let scratch = Scratch::new();
    let book = scratch.0.path().join("book");
    let same_port = run(&[
        &serve[..],
        &["--data", words(&book), "--listen", &hub.address()],
    ]
    .concat());
    assert_eq!(same_port.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&same_port.stderr).contains(&hub.address()));
    assert_eq!(
        http::get(&hub.address(), "/healthz", None)
            .await
            .expect("an answer")
            .status,
        200,
        "the first one is not disturbed"
    );
}
