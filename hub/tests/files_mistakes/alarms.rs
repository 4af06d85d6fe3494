//! Alarms in a car file: their defaults, and every mistake that an `[[alarm]]` can hold.

use super::{CAR, SHEET, change, expect};
use spinover::files::{self, CarFile};
use spinover_protocol::alarm::{Alarm, Hold, InPhases, Limit, Watch};

const ALARMS: &str = r#"
[[alarm]]
key = "oil_lost"
text = "Oil pressure lost"
answer = "Shut it off"
priority = 1
channel = "oil_pressure"
below = 25
while = { channel = "engine_rpm", at_least = 900, for_s = 6 }
phases = "running"

[[alarm]]
key = "silent"
text = "No readings"
answer = "Watch the driver"
priority = 2
silent_s = 1.5
phases = ["run"]
follows = ["oil_lost"]
"#;

fn read(text: &str) -> CarFile {
    files::parse_car("car.toml", text).unwrap_or_else(|errors| panic!("{errors}"))
}

fn with_alarms() -> String {
    CAR.to_owned() + ALARMS
}

/// Changes one piece of the alarms, and expects one mistake.
#[track_caller]
fn says(from: &str, to: &str, at: &str, says: &[&str]) {
    let changed = CAR.to_owned() + &change(ALARMS, from, to);
    let outcome = files::parse_car("car.toml", &changed).map(drop);
    expect("car.toml", &changed, outcome, at, says);
}

#[test]
fn defaults_are_the_documented_ones() {
    let car = read(&with_alarms()).car;
    let oil = Alarm {
        key: "oil_lost".into(),
        text: "Oil pressure lost".to_owned(),
        answer: "Shut it off".to_owned(),
        priority: 1,
        watch: Watch::Below(Limit {
            channel: "oil_pressure".into(),
            limit: 25.0,
        }),
        // 2 % of 300 psi.
        deadband: 6.0,
        on_delay_ms: 300,
        off_delay_ms: 2_000,
        phases: InPhases::Running,
        only_while: Some(Hold {
            channel: "engine_rpm".into(),
            at_least: 900.0,
            for_ms: 6_000,
        }),
        once: None,
        latched: false,
        kill: false,
        follows: vec![],
    };
    assert_eq!(car.alarms[0], oil);
    let silent = &car.alarms[1];
    assert_eq!(silent.watch, Watch::SilentMs(1_500));
    assert_eq!((silent.on_delay_ms, silent.deadband), (1_000, 0.0));
    assert_eq!(silent.phases, InPhases::These(vec!["run".into()]));
    assert_eq!(silent.follows, ["oil_lost".into()]);
    let third = read(&change(&with_alarms(), "priority = 2", "priority = 3"));
    assert_eq!(third.car.alarms[1].on_delay_ms, 2_000);
    let speed = change(
        &with_alarms(),
        "channel = \"oil_pressure\"",
        "channel = \"engine_rpm\"",
    );
    assert_eq!(
        read(&speed).car.alarms[0].deadband,
        120.0,
        "1 % of 12000 rpm"
    );
    // The usual deadband never is so wide that the alarm could not go.
    let high = read(&change(&with_alarms(), "below = 25", "below = 296"));
    assert_eq!(high.car.alarms[0].deadband, 2.0);
}

#[test]
fn what_an_alarm_needs() {
    let head = "[[alarm]]\nkey = \"oil_lost\"";
    says("text = \"Oil pressure lost\"\n", "", head, &["`text`"]);
    says("answer = \"Shut it off\"\n", "", head, &["`answer`"]);
    says("priority = 1\n", "", head, &["`priority`"]);
    says("channel = \"oil_pressure\"\n", "", head, &["`channel`"]);
    says("key = \"silent\"\n", "", "[[alarm]]\ntext", &["`key`"]);
    for priority in ["0", "4", "1.5", "\"high\""] {
        let to = format!("priority = {priority}");
        says(
            "priority = 2",
            &to,
            &format!("{priority}\nsilent_s"),
            &["`priority`"],
        );
    }
}

#[test]
fn an_alarm_watches_one_thing() {
    let right = "`above`, `below`, `out_of_band`, `doubtful`, `silent_s`, `figure`";
    let head = "[[alarm]]\nkey = \"oil_lost\"";
    says("below = 25\n", "", head, &["watches nothing", right]);
    says(
        "below = 25",
        "below = 25\ndoubtful = true",
        "true\nwhile",
        &["`below` and `doubtful`", right],
    );
    let no_channel = ["`silent_s` looks at no channel", "leave `channel` out"];
    says(
        "below = 25",
        "silent_s = 1",
        "\"oil_pressure\"\nsilent_s",
        &no_channel,
    );
    for way in ["out_of_band", "doubtful"] {
        let is_false = format!("`{way}` is false");
        says(
            "below = 25",
            &format!("{way} = false"),
            "false\nwhile",
            &[&is_false, "true"],
        );
    }
    says(
        "silent_s = 1.5",
        "silent_s = 0.1",
        "0.1\n",
        &["below 0.2", "0.2 or more"],
    );
    says(
        "silent_s = 1.5",
        "figure = \"cylindres\"",
        "\"cylindres\"",
        &["unknown figure `cylindres`", "did you mean `cylinders`?"],
    );
}

#[test]
fn an_alarm_can_come_and_can_go() {
    let outside = [
        "`below` is 301, outside what is plausible for `oil_pressure`",
        "from 0 to 300 psi",
    ];
    says("below = 25", "below = 301", "301", &outside);
    says(
        "below = 25",
        "above = -1",
        "-1\nwhile",
        &["`above` is -1", "from 0 to 300 psi"],
    );
    let never = ["`deadband` is 275", "give less than 275", "could never go"];
    says("below = 25", "below = 25\ndeadband = 275", "275", &never);
    says(
        "below = 25",
        "above = 25\ndeadband = 25.5",
        "25.5",
        &["give less than 25"],
    );
    says(
        "below = 25",
        "below = 25\ndeadband = -1",
        "-1\nwhile",
        &["`deadband` is -1"],
    );
    says(
        "below = 25",
        "below = 25\non_delay_s = -1",
        "-1\nwhile",
        &["`on_delay_s` is -1", "0 to 86400 seconds"],
    );
    says(
        "below = 25",
        "below = 25\noff_delay_s = inf",
        "inf",
        &["not a finite number"],
    );
}

#[test]
fn what_an_alarm_refers_to_is_there() {
    says(
        "channel = \"oil_pressure\"",
        "channel = \"oil_presure\"",
        "\"oil_presure\"",
        &["no channel `oil_presure`", "`oil_pressure`"],
    );
    says(
        "\"engine_rpm\", at_least",
        "\"engine_rmp\", at_least",
        "\"engine_rmp\"",
        &["no channel `engine_rmp`", "`engine_rpm`"],
    );
    says(
        "follows = [\"oil_lost\"]",
        "follows = [\"oil_lots\"]",
        "\"oil_lots\"",
        &["no alarm `oil_lots`", "did you mean `oil_lost`?"],
    );
    says(
        "key = \"silent\"",
        "key = \"oil_lost\"",
        "\"oil_lost\"\ntext = \"No readings\"",
        &["`oil_lost`"],
    );
    says(
        "phases = \"running\"",
        "phases = \"runing\"",
        "\"runing\"",
        &["unknown phases `runing`", "`running`", "list of phase keys"],
    );
    says(
        "at_least = 900, ",
        "",
        "{ channel = \"engine_rpm\", for_s",
        &["`at_least`"],
    );
    says(
        "at_least = 900",
        "atleast = 900, at_least = 900",
        "atleast = 900",
        &["unknown key `atleast`", "did you mean `at_least`?"],
    );
    says(
        "phases = \"running\"",
        "phase = \"running\"",
        "phase = \"running\"",
        &["unknown key `phase` in [[alarm]]", "`phases`"],
    );
}

#[test]
fn nothing_follows_what_is_less_urgent() {
    let words = ["`oil_lost` is less urgent", "hidden behind it"];
    let to = change(ALARMS, "priority = 2", "priority = 1");
    let changed = CAR.to_owned() + &change(&to, "priority = 1\nchannel", "priority = 2\nchannel");
    let outcome = files::parse_car("car.toml", &changed).map(drop);
    expect("car.toml", &changed, outcome, "\"oil_lost\"]", &words);
}

#[test]
fn a_phase_that_no_sheet_has_is_told_with_its_place() {
    let text = change(&with_alarms(), "[\"run\"]", "[\"off\", \"rnu\"]");
    let car = read(&text);
    let sheet = files::parse_sheet("sheet.toml", SHEET, &car).unwrap();
    let told = files::unknown_phases("car.toml", &car, &[&sheet]);
    let [mistake] = &told[..] else {
        panic!("{told:?}");
    };
    let words = mistake.to_string();
    let place = super::place(&text, "\"rnu\"");
    assert!(
        words.starts_with(&format!(
            "car.toml:{place}: alarm `silent` names the phase `rnu`"
        )),
        "{words}"
    );
    assert!(words.contains("did you mean `run`?"), "{words}");
    // A phase of a sheet that is not given may well be right, where the alarm has others; an alarm with none never comes.
    let other = read(&change(
        &with_alarms(),
        "[\"run\"]",
        "[\"run\", \"burnout\"]",
    ));
    assert_eq!(files::unknown_phases("car.toml", &other, &[&sheet]), []);
    let none = read(&change(&with_alarms(), "[\"run\"]", "[\"burnout\"]"));
    assert_eq!(files::unknown_phases("car.toml", &none, &[&sheet]).len(), 1);
    let good = read(&with_alarms());
    assert_eq!(files::unknown_phases("car.toml", &good, &[&sheet]), []);
}

#[test]
fn the_example_in_the_docs_is_good() {
    let docs = concat!(env!("CARGO_MANIFEST_DIR"), "/../docs/alarms.md");
    let text = std::fs::read_to_string(docs).unwrap();
    let blocks: Vec<&str> = text.split("```toml\n").skip(1).collect();
    assert_eq!(blocks.len(), 1);
    let (example, _) = blocks[0].split_once("```").unwrap();
    assert_eq!(read(&(CAR.to_owned() + example)).car.alarms.len(), 2);
}
