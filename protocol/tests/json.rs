//! The app's own reader of JSON against serde's: they must find the same in every example, and in what is left of one that was damaged.

use serde::de::DeserializeOwned;
use spinover_protocol::{
    event::Event,
    hubs::PeerMessage,
    json::{self, FromJson, Json, Wrong},
    message::{ClientMessage, HubMessage},
    units::Unit,
};
use std::fmt::Debug;

/// Every example of `MESSAGES.md`.
fn examples() -> impl Iterator<Item = &'static str> {
    include_str!("../MESSAGES.md")
        .split("```json\n")
        .skip(1)
        .filter_map(|part| part.split("\n```").next())
}

fn same<T: FromJson + DeserializeOwned + PartialEq + Debug>(text: &str) -> bool {
    let ours = json::from_str::<T>(text);
    match serde_json::from_str::<T>(text) {
        // A unit by another spelling than the hub's own, which only files have.
        Ok(_) if ours == Err(Wrong(Some("unit"))) => {}
        Ok(serde) => assert_eq!(ours.as_ref(), Ok(&serde), "{text}"),
        Err(error) if is_passed_over(&error.to_string()) => {}
        Err(error) => assert!(ours.is_err(), "{error}: {text}"),
    }
    ours.is_ok()
}

/// What serde refuses and ours takes: a key that comes twice, of which the first counts, and "-0" for a whole number.
fn is_passed_over(error: &str) -> bool {
    error.starts_with("duplicate field") || error.contains("floating point `-0.0`, expected i64")
}

fn same_of_any(text: &str) -> bool {
    let read = [
        same::<Event>(text),
        same::<HubMessage>(text),
        same::<ClientMessage>(text),
        same::<PeerMessage>(text),
    ];
    read.contains(&true)
}

#[test]
fn every_example_is_read_as_serde_reads_it() {
    assert!(examples().count() > 40);
    for example in examples() {
        assert!(same_of_any(example), "{example}");
    }
}

/// One byte gone, or another in its place.
#[test]
fn a_damaged_example_is_read_as_serde_reads_it() {
    let mut read = 0;
    for example in examples().filter(|example| example.len() < 1_500) {
        for at in (0..example.len()).filter(|at| example.is_char_boundary(*at)) {
            let Some(gone) = example[at..].chars().next() else {
                continue;
            };
            let rest = &example[at + gone.len_utf8()..];
            for put in ["", "9", "-", "\"", "\\", ",", "}", "x", "\n"] {
                let damaged = format!("{}{put}{rest}", &example[..at]);
                read += u32::from(same_of_any(&damaged));
            }
        }
    }
    assert!(read > 1_000, "only {read} could still be read");
}

#[test]
fn every_unit_is_read() {
    for unit in Unit::ALL {
        assert!(same::<Unit>(&format!("{:?}", unit.symbol())), "{unit:?}");
    }
}

#[test]
fn texts_and_numbers_are_those_of_serde() {
    for text in [
        r#""""#,
        r#""plain""#,
        r#""\"\\\/\b\f\n\r\t""#,
        r#""\u0041\u00e9\u20AC\uD83D\uDE00""#,
        r#""before \u00fc after é 😀""#,
        r#""\uD83D""#,
        r#""\uD83Dx""#,
        r#""\uDE00""#,
        r#""\uD83D\u0041""#,
        r#""\u00g0""#,
        r#""\u12"#,
        r#""\x""#,
        r#""open"#,
        "\"line\nfeed\"",
        "\"nul\0\"",
    ] {
        same::<String>(text);
        same::<char>(text);
    }
    for number in [
        "0",
        "-0",
        "-0.0",
        "7",
        "-7",
        "00",
        "01",
        "-",
        "+1",
        ".5",
        "1.",
        "1.5",
        "1e3",
        "1E+3",
        "1e-3",
        "1e",
        "1e400",
        "-1e400",
        "0.1",
        "0.30000000000000004",
        "5e-324",
        "2.5e-324",
        "1.7976931348623157e308",
        "9007199254740993",
        "18446744073709551615",
        "18446744073709551616",
        "9223372036854775807",
        "9223372036854775808",
        "-9223372036854775808",
        "255",
        "256",
        "1 ",
        " 1",
        "1 1",
        "inf",
        "nan",
        "NaN",
        "1_000",
        "0x10",
        "null",
        "true",
        "",
    ] {
        if let Ok(ours) = json::from_str::<f64>(number) {
            let serde = serde_json::from_str::<f64>(number).expect(number);
            assert_eq!(ours.to_bits(), serde.to_bits(), "{number}");
        } else {
            assert!(serde_json::from_str::<f64>(number).is_err(), "{number}");
        }
        same::<u64>(number);
        same::<u8>(number);
        same::<Option<f64>>(number);
        same::<Vec<u32>>(&format!("[{number}]"));
        same::<(f64, bool)>(&format!("[1,{number}]"));
        same::<i64>(number);
    }
}

#[test]
fn what_is_too_deep_is_refused() {
    let deep = |depth: usize| "[".repeat(depth) + &"]".repeat(depth);
    assert!(Json::parse(&deep(60)).is_ok());
    assert!(Json::parse(&deep(100_000)).is_err());
}

#[test]
fn typed_numbers_are_those_of_the_standard_library() {
    for text in [
        "",
        "-",
        "+",
        ".",
        "-.",
        "1",
        "+1",
        "-1",
        "1.",
        ".5",
        "-.5",
        "1.5",
        "1..5",
        "1.5.",
        "1e5",
        "1e",
        "1e+",
        "1e-5",
        "1E5",
        "e5",
        " 1",
        "1 ",
        "1,5",
        "0.1",
        "123456789012345678901234567890",
        "0.000000000000000000000000000001",
        "1e-30",
        "1e22",
        "1e23",
        "9007199254740991",
        "9007199254740992",
        "9007199254740993",
        "1e99999999999",
        "1e-99999999999",
        "1x",
        "0x10",
        "١",
        "-0",
    ] {
        let theirs = text.parse::<f64>().ok().filter(|number| number.is_finite());
        let ours = json::number(text);
        assert_eq!(ours.map(f64::to_bits), theirs.map(f64::to_bits), "{text}");
    }
    // Every short number, and some of all sizes.
    for whole in 0..2_000_u32 {
        for tens in -30..30 {
            let text = format!("{whole}.{}e{tens}", whole % 7);
            assert_eq!(json::number(&text), text.parse().ok(), "{text}");
        }
    }
}
