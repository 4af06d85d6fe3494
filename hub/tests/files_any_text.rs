//! No text whatever makes the readers of car files, sheets and turnaround files panic, and what they take is sound.

use proptest::prelude::*;
use spinover::core::turnaround::PlanNetwork;
use spinover::files::{self, CarFile, FileErrors, demo};
use spinover_protocol::sheet::Must;
use std::sync::LazyLock;

static CAR: LazyLock<CarFile> = LazyLock::new(|| demo::car().unwrap());

/// Reads the text as every kind of file, and checks what comes out.
fn read_as_all(text: &str) -> Result<(), TestCaseError> {
    match files::parse_car("any", text) {
        Ok(file) => sound_car(&file)?,
        Err(errors) => placed(text, &errors)?,
    }
    match files::parse_sheet("any", text, &CAR) {
        Ok(sheet) => sound_sheet(&sheet)?,
        Err(errors) => placed(text, &errors)?,
    }
    if let Err(errors) = files::parse_sheet_alone("any", text) {
        placed(text, &errors)?;
    }
    match files::parse_turnaround("any", text, Some(&CAR)) {
        // What is taken can be reckoned with.
        Ok(plan) => {
            let network =
                PlanNetwork::new(plan).map_err(|bad| TestCaseError::fail(bad.to_string()))?;
            prop_assert!(network.warm_up.is_some());
        }
        Err(errors) => placed(text, &errors)?,
    }
    if let Err(errors) = files::parse_season("any", text, files::Marked::default()) {
        placed(text, &errors)?;
    }
    Ok(())
}

/// Every mistake lies within the text, in order, and takes one line.
fn placed(text: &str, errors: &FileErrors) -> Result<(), TestCaseError> {
    prop_assert!(!errors.mistakes.is_empty());
    let lines: Vec<&str> = text.split('\n').collect();
    let mut last = (0, 0);
    for mistake in &errors.mistakes {
        prop_assert!((1..=lines.len()).contains(&mistake.line), "{mistake}");
        prop_assert!(
            mistake.column <= lines[mistake.line - 1].chars().count() + 2,
            "{mistake}"
        );
        prop_assert!((mistake.line, mistake.column) >= last, "{errors}");
        last = (mistake.line, mistake.column);
        prop_assert!(
            !mistake.to_string().chars().any(char::is_control),
            "{mistake:?}"
        );
        prop_assert!(!mistake.what.is_empty() && !mistake.right.is_empty());
    }
    Ok(())
}

fn sound_car(file: &CarFile) -> Result<(), TestCaseError> {
    let car = &file.car;
    prop_assert!(!car.channels.is_empty() && !car.roles.is_empty());
    for channel in &car.channels {
        prop_assert!(channel.plausible.low < channel.plausible.high);
        prop_assert!(
            channel
                .band
                .is_none_or(|band| band.low < band.high && channel.plausible.holds(band.low))
        );
        prop_assert!(channel.old_after_ms > 0);
    }
    for role in &car.roles {
        prop_assert!(role.strips.iter().all(|strip| car.channel(strip).is_some()));
        prop_assert!(
            role.calls
                .iter()
                .all(|call| call.to.as_ref().is_none_or(|to| car.role(to).is_some()))
        );
    }
    if let Some(replay) = &file.replay {
        prop_assert!(
            replay
                .columns
                .iter()
                .all(|column| column.channel < car.channels.len())
        );
    }
    Ok(())
}

fn sound_sheet(sheet: &spinover_protocol::sheet::Sheet) -> Result<(), TestCaseError> {
    let mut keys: Vec<_> = sheet.steps().map(|(_, step)| &step.key).collect();
    let steps = keys.len();
    keys.sort();
    keys.dedup();
    prop_assert_eq!(keys.len(), steps);
    let shut_downs: Vec<_> = sheet.phases.iter().map(|phase| phase.shut_down).collect();
    prop_assert!(
        shut_downs.iter().rev().skip(1).all(|shut_down| !shut_down)
            && shut_downs.last() == Some(&true)
    );
    for (phase, step) in sheet.steps() {
        prop_assert!(CAR.car.role(&step.owner).is_some() && (step.ordered || !step.safety));
        prop_assert!(
            step.dwell_ms
                .is_none_or(|dwell| step.limit_ms.is_none_or(|limit| dwell < limit))
        );
        for gate in &step.gates {
            let (_, channel) = CAR.car.channel(&gate.channel).unwrap();
            let banded = phase.bands.contains_key(&gate.channel) || channel.band.is_some();
            prop_assert!(!matches!(gate.must, Must::InBand(_)) || banded);
        }
    }
    Ok(())
}

/// One of the demo files.
fn demo_text() -> impl Strategy<Value = &'static str> {
    prop::sample::select(vec![
        demo::KESTREL,
        demo::PIT_WARM_UP,
        demo::TO_THE_LINE,
        demo::GROUND_RUN,
        demo::GROUND_RUN_SHEET,
        demo::BETWEEN_ROUNDS,
    ])
}

/// Something that a slip of the hand, or malice, might put into a file.
fn piece() -> impl Strategy<Value = String> {
    prop_oneof![
        Just(String::new()),
        Just("[[".to_owned()),
        Just("[[channel]]\n".to_owned()),
        Just("[[phase.step.gate]]\n".to_owned()),
        Just("[phase]\n".to_owned()),
        Just("\"".to_owned()),
        Just("\"\"\"".to_owned()),
        Just("-1e400".to_owned()),
        Just("nan".to_owned()),
        Just("0x_".to_owned()),
        Just("key = ".to_owned()),
        Just("a.b.c = {".to_owned()),
        Just("[".repeat(300)),
        Just("{ a = ".repeat(200)),
        Just("a.".repeat(300)),
        Just("\r".to_owned()),
        Just("\u{0}".to_owned()),
        Just("true".to_owned()),
        "\\PC{0,8}",
        any::<f64>().prop_map(|number| number.to_string()),
    ]
}

/// A demo file with some pieces cut out and others put in.
fn mutated() -> impl Strategy<Value = String> {
    let cut = (any::<prop::sample::Index>(), 0usize..60, piece());
    (demo_text(), prop::collection::vec(cut, 1..6)).prop_map(|(text, cuts)| {
        let mut chars: Vec<char> = text.chars().collect();
        for (at, length, piece) in cuts {
            let at = at.index(chars.len().max(1)).min(chars.len());
            let end = (at + length).min(chars.len());
            chars.splice(at..end, piece.chars());
        }
        chars.into_iter().collect()
    })
}

/// A demo file with whole lines dropped, doubled or swapped: mostly good TOML, so that what is checked after it is reached.
fn shuffled() -> impl Strategy<Value = String> {
    let change = (
        any::<prop::sample::Index>(),
        any::<prop::sample::Index>(),
        0..4u8,
    );
    (demo_text(), prop::collection::vec(change, 1..8)).prop_map(|(text, changes)| {
        let mut lines: Vec<&str> = text.lines().collect();
        for (a, b, kind) in changes {
            let (a, b) = (a.index(lines.len()), b.index(lines.len()));
            match kind {
                0 if lines.len() > 1 => drop(lines.remove(a)),
                1 => lines.insert(a, lines[b]),
                2 => lines.swap(a, b),
                _ => lines[a] = lines[b],
            }
        }
        lines.join("\n")
    })
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 300, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn any_text(text in "(?s).{0,400}") {
        read_as_all(&text)?;
    }

    #[test]
    fn text_of_toml_pieces(pieces in prop::collection::vec(piece(), 0..40)) {
        read_as_all(&pieces.concat())?;
    }

    #[test]
    fn demo_files_cut_about(text in mutated()) {
        read_as_all(&text)?;
    }

    #[test]
    fn demo_files_with_lines_moved(text in shuffled()) {
        read_as_all(&text)?;
    }
}

/// A megabyte of mistakes is answered, not ground through: the work is bounded by the size of the file.
#[test]
fn a_megabyte_of_mistakes_is_answered() {
    for piece in [
        "x",
        "[",
        "\"",
        "a=1\n",
        "[[channel]]\n",
        "k = [\n",
        "{",
        "=",
        "a.",
        "é\n",
        "[[channel]]\nunknown=1\n",
        "[[task]]\nafter=[\"a\"]\n",
        "[[counter]]\nunknown=1\n",
    ] {
        let text = piece.repeat(files::MAX_FILE / piece.len());
        let errors = files::parse_car("large", &text).unwrap_err();
        assert!(errors.mistakes.len() <= 100);
        let errors = files::parse_turnaround("large", &text, None).unwrap_err();
        assert!(errors.mistakes.len() <= 100);
        let errors = files::parse_season("large", &text, files::Marked::default()).unwrap_err();
        assert!(errors.mistakes.len() <= 100);
    }
    let one_line = format!("x = {{ {} }}", "é = 1, ".repeat(100_000));
    assert!(files::parse_car("large", &one_line).is_err());
}
