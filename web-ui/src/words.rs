//! Every word that the app shows, in one place: a file a language, and the English one names them all. No I/O.

mod english;
mod spanish;
#[cfg(test)]
mod tests;

use english::ENGLISH;
#[cfg(test)]
use english::WORDS;
pub use english::Word;
use std::cell::Cell;

macro_rules! catalogue {
    ($($key:ident = $english:literal,)*) => {
        /// One message.
        #[derive(Clone, Copy, Debug, PartialEq, Eq)]
        pub enum Word { $(#[doc = $english] $key,)* }

        pub(super) const ENGLISH: &[&str] = &[$($english,)*];
        #[cfg(test)]
        pub(super) const WORDS: &[Word] = &[$(Word::$key,)*];
    };
}
use catalogue;

/// A language's own words. One that it lacks is shown in English, and fails a test.
macro_rules! translation {
    ($($key:ident = $text:literal,)*) => {
        pub fn say(word: Word) -> Option<&'static str> {
            #[allow(unreachable_patterns)]
            Some(match word { $(Word::$key => $text,)* _ => return None })
        }
    };
}
use translation;

/// A language that the app speaks.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum Language {
    #[default]
    English,
    Spanish,
}

impl Language {
    /// Every language.
    pub const ALL: [Self; 2] = [Self::English, Self::Spanish];

    /// Its tag (BCP 47), as browsers and pages write it.
    pub fn tag(self) -> &'static str {
        match self {
            Self::English => "en",
            Self::Spanish => "es",
        }
    }

    /// Its name in itself, for whoever reads no other.
    pub fn name(self) -> &'static str {
        match self {
            Self::English => "English",
            Self::Spanish => "Español",
        }
    }

    /// The language that a tag such as `es-MX` asks for, where the app speaks it.
    pub fn from_tag(tag: &str) -> Option<Self> {
        let first = tag.split(['-', '_']).next().unwrap_or_default();
        Self::ALL
            .into_iter()
            .find(|language| first.eq_ignore_ascii_case(language.tag()))
    }

    fn say(self, word: Word) -> &'static str {
        let own = match self {
            Self::English => None,
            Self::Spanish => spanish::say(word),
        };
        own.unwrap_or(ENGLISH[word as usize])
    }
}

thread_local! {
    static SPOKEN: Cell<Language> = const { Cell::new(Language::English) };
}

/// Makes this the language of the phone. Before the first page: what has been said already stays as it is.
pub fn speak(language: Language) {
    SPOKEN.set(language);
}

/// The language of the phone.
pub fn spoken() -> Language {
    SPOKEN.get()
}

/// The message in the language of this phone.
pub fn say(word: Word) -> &'static str {
    spoken().say(word)
}

/// The message with `{0}`, `{1}` … filled in.
pub fn fill(word: Word, parts: &[&str]) -> String {
    let mut text = String::new();
    let mut rest = say(word);
    while let Some(open) = rest.find('{') {
        text.push_str(&rest[..open]);
        let Some(close) = rest[open..].find('}') else {
            break;
        };
        let index: usize = rest[open + 1..open + close].parse().unwrap_or(usize::MAX);
        text.push_str(parts.get(index).copied().unwrap_or(""));
        rest = &rest[open + close + 1..];
    }
    text.push_str(rest);
    text
}
