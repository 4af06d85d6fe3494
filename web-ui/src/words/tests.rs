//! Every language has every word, with the same places to fill in.

use super::*;

#[test]
fn parts_go_where_the_message_wants_them() {
    assert_eq!(
        fill(Word::HoldsMore, &["Oil pressure in band", "1.2"]),
        "Oil pressure in band, 1.2 s more"
    );
    assert_eq!(
        fill(Word::CallSent, &["{0}"]),
        "“{0}”",
        "what people typed is not filled in again"
    );
    assert_eq!(say(Word::AppName), "Spinover");
}

/// The numbers between a message's braces, in order of size.
fn parts(text: &str) -> Vec<usize> {
    let mut parts: Vec<usize> = text
        .split('{')
        .skip(1)
        .map(|part| {
            let (index, _) = part.split_once('}').unwrap_or_else(|| panic!("{text}"));
            index.parse().unwrap_or_else(|_| panic!("{text}"))
        })
        .collect();
    parts.sort_unstable();
    parts
}

#[test]
fn every_language_has_every_word_with_the_same_parts() {
    let own = |language, word| match language {
        Language::English => Some(ENGLISH[word as usize]),
        Language::Spanish => spanish::say(word),
    };
    for language in Language::ALL {
        for word in WORDS.iter().copied() {
            let text = own(language, word)
                .unwrap_or_else(|| panic!("{word:?} is not in {}", language.name()));
            assert!(!text.trim().is_empty(), "{word:?} in {}", language.name());
            assert_eq!(
                parts(text),
                parts(ENGLISH[word as usize]),
                "{word:?} in {}",
                language.name()
            );
        }
    }
}

#[test]
fn a_browsers_tag_finds_the_language() {
    for (tag, language) in [
        ("es", Some(Language::Spanish)),
        ("es-419", Some(Language::Spanish)),
        ("ES_mx", Some(Language::Spanish)),
        ("en-GB", Some(Language::English)),
        ("est", None),
        ("", None),
    ] {
        assert_eq!(Language::from_tag(tag), language, "{tag}");
    }
}

#[test]
fn the_phone_says_what_its_language_says() {
    speak(Language::Spanish);
    assert_eq!(say(Word::Seen), "Visto");
    assert_eq!(fill(Word::StepOf, &["3", "24"]), "paso 3 de 24");
    speak(Language::English);
    assert_eq!(say(Word::Seen), "Seen");
}
