//! Files as a whole: not TOML, not readable, several mistakes at once.

use super::{CAR, SHEET, car, car_says, change};
use spinover::files;

#[test]
fn what_is_not_toml_is_told_in_plain_words() {
    car_says(
        "label = \"Engine\"",
        "label = Engine",
        "Engine\nunit",
        &["not TOML", "put text in quotes"],
    );
    let twice = "name = \"Kestrel\"\nname = \"Again\"";
    car_says(
        "name = \"Kestrel\"",
        twice,
        "name = \"Again\"",
        &["duplicate key", "keep one of them"],
    );
    car_says("[tank]", "[tank", "\ncapacity", &["not TOML"]);
    car_says(
        "decimals = 1",
        "decimals =",
        "\nplausible = [0, 300]",
        &["not TOML"],
    );
}

/// A line that is not TOML must not bring down a hail of complaints about what it would have defined.
#[test]
fn mistakes_that_only_follow_from_a_broken_line_are_not_told() {
    let broken = change(CAR, "key = \"oil_pressure\"", "key = oil_pressure");
    let errors = files::parse_car("car.toml", &broken).unwrap_err();
    assert_eq!(errors.mistakes.len(), 1, "{errors}");
}

#[test]
fn a_broken_line_does_not_hide_other_mistakes() {
    let broken =
        change(CAR, "key = \"oil_pressure\"", "key = oil_pressure").replace("label =", "labl =");
    let errors = files::parse_car("car.toml", &broken).unwrap_err();
    let lines: Vec<_> = errors.mistakes.iter().map(|mistake| mistake.line).collect();
    assert_eq!(lines, [16, 23], "{errors}");
}

#[test]
fn all_mistakes_are_told_in_order() {
    let text = CAR
        .replace("label = \"Engine\"", "labl = \"Engine\"")
        .replace("unit = \"psi\"", "unit = \"psy\"")
        .replace("[\"warm\"]", "[\"wram\"]")
        .replace("capacity = 17", "capacity = \"17\"");
    let errors = files::parse_car("car.toml", &text).unwrap_err();
    let lines: Vec<_> = errors.mistakes.iter().map(|mistake| mistake.line).collect();
    assert_eq!(lines, [6, 16, 24, 37], "{errors}");
    assert_eq!(errors.to_string().lines().count(), 4);
}

#[test]
fn files_that_cannot_be_read_say_why() {
    let folder = tempfile::tempdir().unwrap();
    let missing = folder.path().join("none.toml");
    let errors = files::load_car(&missing).unwrap_err().to_string();
    assert!(
        errors.starts_with(&format!("{}: cannot be read", missing.display())),
        "{errors}"
    );

    let binary = folder.path().join("binary.toml");
    std::fs::write(&binary, b"team = \"a\"\nname = \"\xff\"\n").unwrap();
    let errors = files::load_car(&binary).unwrap_err().to_string();
    assert!(
        errors.contains(":2:9: this byte is not UTF-8 text; save the file as UTF-8"),
        "{errors}"
    );

    let large = folder.path().join("large.toml");
    std::fs::write(&large, "#".repeat(files::MAX_FILE + 1)).unwrap();
    let errors = files::load_sheet(&large, &car()).unwrap_err().to_string();
    assert!(errors.contains("is over 1048576 bytes"), "{errors}");
    assert!(
        files::parse_car("f", &"#".repeat(files::MAX_FILE + 1))
            .unwrap_err()
            .to_string()
            .contains("is over")
    );
}

#[test]
fn windows_line_ends_and_a_byte_order_mark_are_fine() {
    let windows = format!("\u{feff}{}", CAR.replace('\n', "\r\n"));
    assert_eq!(
        files::parse_car("car.toml", &windows).map(|file| file.car),
        Ok(car().car)
    );
    let wrong = windows.replace("label = \"Engine\"", "labl = \"Engine\"");
    let errors = files::parse_car("car.toml", &wrong)
        .unwrap_err()
        .to_string();
    assert!(errors.starts_with("car.toml:16:1: "), "{errors}");
}

/// A message goes to a terminal: nothing in a file may speak to it.
#[test]
fn messages_hold_no_control_characters() {
    let text = change(CAR, "label = \"Engine\"", "\"\\u001b[31m\\n\\u202e\" = 1");
    let errors = files::parse_car("car.toml", &text).unwrap_err().to_string();
    assert!(
        !errors.chars().any(|c| c.is_control() || c == '\u{202e}'),
        "{errors:?}"
    );
}

#[test]
fn two_sheets_with_one_key_are_told() {
    let folder = tempfile::tempdir().unwrap();
    let paths = ["one.toml", "two.toml", "three.toml"].map(|name| folder.path().join(name));
    std::fs::write(&paths[0], SHEET).unwrap();
    std::fs::write(&paths[1], SHEET).unwrap();
    std::fs::write(&paths[2], SHEET.replace("warm_up", "other")).unwrap();
    let sheets = files::load_sheets(&paths, Some(&car()));
    assert!(sheets[0].is_ok() && sheets[2].is_ok());
    let told = sheets[1].as_ref().unwrap_err().to_string();
    let start = format!(
        "{}: {} has the key `warm_up` already; ",
        paths[1].display(),
        paths[0].display()
    );
    assert!(told.starts_with(&start), "{told}");
}
