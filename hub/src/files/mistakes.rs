//! What is wrong in a file, where, and what would be right. Nothing here knows what a car or a sheet is.

use std::cell::RefCell;
use std::collections::BTreeSet;
use std::fmt;
use std::path::Path;

/// Largest car file or sheet that is read, in bytes (1 MiB). An honest one is a hundredth of that.
pub const MAX_FILE: usize = 1024 * 1024;
/// Most mistakes that are listed; the rest are counted.
const MAX_LISTED: usize = 100;
/// Longest piece of a file that a message repeats, in characters.
const MAX_QUOTED: usize = 60;

/// One thing that is wrong in a file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Mistake {
    /// The file, as it was named on the command line.
    pub file: String,
    /// Line, from 1; 0 when the whole file is meant.
    pub line: usize,
    /// Column in characters, from 1; 0 when the whole file is meant.
    pub column: usize,
    /// What is wrong.
    pub what: String,
    /// What would be right.
    pub right: String,
}

impl fmt::Display for Mistake {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self {
            file,
            line,
            column,
            what,
            right,
        } = self;
        if *line == 0 {
            write!(f, "{file}: {what}; {right}")
        } else {
            write!(f, "{file}:{line}:{column}: {what}; {right}")
        }
    }
}

/// Everything that is wrong in a file, in the order of its lines. Prints one mistake a line.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FileErrors {
    /// The mistakes; never empty.
    pub mistakes: Vec<Mistake>,
    /// How many more there are than are listed.
    pub more: usize,
}

impl fmt::Display for FileErrors {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (i, mistake) in self.mistakes.iter().enumerate() {
            if i > 0 {
                writeln!(f)?;
            }
            write!(f, "{mistake}")?;
        }
        if self.more > 0 {
            write!(f, "\n… and {} more", self.more)?;
        }
        Ok(())
    }
}

impl std::error::Error for FileErrors {}

impl FileErrors {
    /// One mistake about a whole file.
    pub(super) fn whole(file: &str, what: impl Into<String>, right: impl Into<String>) -> Self {
        let (what, right) = (what.into(), right.into());
        let mistake = Mistake {
            file: file.to_owned(),
            line: 0,
            column: 0,
            what,
            right,
        };
        Self {
            mistakes: vec![mistake],
            more: 0,
        }
    }
}

/// Reads a file of at most [`MAX_FILE`] bytes of UTF-8.
pub(super) fn read(path: &Path) -> Result<String, FileErrors> {
    use std::io::Read as _;
    let file = path.display().to_string();
    let mut bytes = Vec::new();
    // One byte over the limit is enough to know, however large the file is (or endless, as a device can be).
    std::fs::File::open(path)
        .and_then(|open| open.take(MAX_FILE as u64 + 1).read_to_end(&mut bytes))
        .map_err(|error| {
            FileErrors::whole(
                &file,
                format!("cannot be read: {error}"),
                "give the path of a TOML file that this user may read",
            )
        })?;
    if bytes.len() > MAX_FILE {
        return Err(too_large(&file));
    }
    String::from_utf8(bytes).map_err(|error| {
        let at = error.utf8_error().valid_up_to();
        let bytes = error.into_bytes();
        let (before, _) = bytes.split_at(at);
        let text = String::from_utf8_lossy(before);
        let notes = Notes::new(&file, &text);
        notes.wrong(
            text.len(),
            "this byte is not UTF-8 text",
            "save the file as UTF-8",
        );
        notes.into_errors()
    })
}

/// The refusal of a file over [`MAX_FILE`].
pub(super) fn too_large(file: &str) -> FileErrors {
    FileErrors::whole(
        file,
        format!("is over {MAX_FILE} bytes"),
        "is it the right file? A car file or a sheet takes a few thousand",
    )
}

/// Collects mistakes by their byte offset in the text.
pub(super) struct Notes<'a> {
    file: &'a str,
    text: &'a str,
    /// Byte offset of the start of each line.
    lines: Vec<usize>,
    found: RefCell<Found>,
}

#[derive(Default)]
struct Found {
    notes: Vec<Note>,
    /// Lines that are not even TOML: what else is said of them is only confusing.
    broken: BTreeSet<usize>,
}

struct Note {
    at: usize,
    what: String,
    right: String,
    kind: Kind,
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Kind {
    /// Not TOML.
    Syntax,
    /// Wrong in itself.
    Wrong,
    /// Something that should be there is not. When the file has lines that are not TOML, it may well be on one of them.
    Absent,
}

impl<'a> Notes<'a> {
    pub(super) fn new(file: &'a str, text: &'a str) -> Self {
        let starts = text
            .bytes()
            .enumerate()
            .filter(|(_, byte)| *byte == b'\n')
            .map(|(at, _)| at + 1);
        let lines = std::iter::once(0).chain(starts).collect();
        Self {
            file,
            text,
            lines,
            found: RefCell::default(),
        }
    }

    /// The text is not TOML here.
    pub(super) fn syntax(&self, at: usize, what: impl Into<String>, right: impl Into<String>) {
        let line = self.line(at);
        self.found.borrow_mut().broken.insert(line);
        self.push(at, what.into(), right.into(), Kind::Syntax);
    }

    /// What is written here is wrong.
    pub(super) fn wrong(&self, at: usize, what: impl Into<String>, right: impl Into<String>) {
        self.push(at, what.into(), right.into(), Kind::Wrong);
    }

    /// What should be written here, or is referred to here, is not there.
    pub(super) fn absent(&self, at: usize, what: impl Into<String>, right: impl Into<String>) {
        self.push(at, what.into(), right.into(), Kind::Absent);
    }

    fn push(&self, at: usize, what: String, right: String, kind: Kind) {
        self.found.borrow_mut().notes.push(Note {
            at,
            what,
            right,
            kind,
        });
    }

    /// The line, from 1, that the offset lies on.
    pub(super) fn line(&self, at: usize) -> usize {
        self.lines.partition_point(|start| *start <= at)
    }

    /// Whether nothing was found.
    pub(super) fn is_clean(&self) -> bool {
        self.found.borrow().notes.is_empty()
    }

    /// What was found, sorted by place, without what only follows from lines that are not TOML.
    pub(super) fn into_errors(self) -> FileErrors {
        let Found { mut notes, broken } = self.found.take();
        if !broken.is_empty() {
            notes.retain(|note| match note.kind {
                Kind::Syntax => true,
                Kind::Wrong => !broken.contains(&self.line(note.at)),
                Kind::Absent => false,
            });
        }
        notes.sort_by_key(|note| note.at);
        notes.dedup_by(|a, b| a.at == b.at && a.what == b.what);
        let more = notes.len().saturating_sub(MAX_LISTED);
        notes.truncate(MAX_LISTED);
        let mistakes = notes.into_iter().map(|note| self.place(note)).collect();
        FileErrors { mistakes, more }
    }

    /// The line and the column, both from 1, that the offset lies on.
    pub(super) fn position(&self, offset: usize) -> (usize, usize) {
        let line = self.line(offset);
        let start = self.lines[line - 1];
        // A line starts behind a line feed, so the slice is on a character's boundary; the offset itself need not be.
        let before = self.text[start..].char_indices();
        let column = before.take_while(|(at, _)| start + at < offset).count() + 1;
        (line, column)
    }

    fn place(&self, note: Note) -> Mistake {
        let (line, column) = self.position(note.at);
        Mistake {
            file: self.file.to_owned(),
            line,
            column,
            what: note.what,
            right: note.right,
        }
    }
}

/// Text from a file as a message may repeat it: in backticks, cut short, and with nothing in it that could steer a terminal.
pub(super) fn quoted(text: &str) -> String {
    let mut out = String::from("`");
    for (i, c) in text.chars().enumerate() {
        if i == MAX_QUOTED {
            out.push('…');
            break;
        }
        // `escape_debug` leaves printable characters of every script, and escapes controls and changes of direction.
        match c {
            '"' | '\'' | '\\' => out.push(c),
            c => out.extend(c.escape_debug()),
        }
    }
    out.push('`');
    out
}

/// The known name nearest to a misspelt one, if any is near enough to be meant.
pub(super) fn nearest<'n>(text: &str, known: impl IntoIterator<Item = &'n str>) -> Option<&'n str> {
    // Comparing is quadratic in length, and nothing this long is a slip of the finger.
    if text.chars().count() > MAX_QUOTED {
        return None;
    }
    let lower = text.trim().to_lowercase().replace(['-', ' '], "_");
    known
        .into_iter()
        .map(|name| {
            (
                strsim::normalized_damerau_levenshtein(&lower, &name.to_lowercase()),
                name,
            )
        })
        // The first of equals wins, so that the answer does not hang on the order of floats.
        .fold(
            None,
            |best: Option<(f64, &str)>, (score, name)| match best {
                Some((top, _)) if top >= score => best,
                _ => Some((score, name)),
            },
        )
        // Two thirds of the letters right: `oil_pressre` is near `oil_pressure`, `speed` is near nothing.
        .filter(|(score, _)| *score >= 0.6)
        .map(|(_, name)| name)
}

/// What would be right in place of an unknown name: the nearest known one, or the list of them.
pub(super) fn instead<'n>(text: &str, known: impl IntoIterator<Item = &'n str> + Clone) -> String {
    if let Some(name) = nearest(text, known.clone()) {
        return format!("did you mean `{name}`?");
    }
    let mut names: Vec<&str> = known.into_iter().collect();
    if names.is_empty() {
        return "none is defined yet".to_owned();
    }
    let cut = names.len() > 40;
    names.truncate(40);
    format!(
        "known here: {}{}",
        names.join(", "),
        if cut { ", …" } else { "" }
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn places_are_counted_in_lines_and_characters() {
        let text = "ä = 1\nöö = x\n";
        let notes = Notes::new("f", text);
        notes.wrong(text.find('x').unwrap(), "bad", "good");
        notes.wrong(0, "first", "good");
        let errors = notes.into_errors();
        assert_eq!(errors.to_string(), "f:1:1: first; good\nf:2:6: bad; good");
    }

    #[test]
    fn an_offset_past_the_end_or_inside_a_character_is_still_a_place() {
        let notes = Notes::new("f", "ä");
        notes.wrong(1, "inside", "");
        notes.wrong(900, "past", "");
        let errors = notes.into_errors();
        assert_eq!((errors.mistakes[0].line, errors.mistakes[1].line), (1, 1));
    }

    #[test]
    fn only_near_names_are_suggested() {
        let known = ["oil_pressure", "oil_temp", "fuel_pressure"];
        assert_eq!(nearest("oil_presure", known), Some("oil_pressure"));
        assert_eq!(nearest("Oil Pressure", known), Some("oil_pressure"));
        assert_eq!(nearest("speed", known), None);
        assert!(instead("speed", known).contains("oil_pressure, oil_temp"));
    }

    #[test]
    fn a_flood_of_mistakes_is_counted() {
        let text = "x\n".repeat(500);
        let notes = Notes::new("f", &text);
        for line in 0..500 {
            notes.wrong(line * 2, format!("{line}"), "");
        }
        let errors = notes.into_errors();
        assert_eq!((errors.mistakes.len(), errors.more), (100, 400));
    }
}
