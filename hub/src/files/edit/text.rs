//! Changes in TOML text that leave every other byte as it was: values, keys, list elements and tables are found by where they are
//! written, and only those bytes are replaced. What the text means is not known here; whoever changes it reads it again.
//!
//! No comment is ever taken out: that of a line that goes stays behind on a line of its own.

use std::ops::Range;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// A way down the document.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum At<'a> {
    /// The value of a key.
    Key(&'a str),
    /// An element of a list, from 0.
    Nth(usize),
}

/// Why a text cannot be changed in its place: it is written in a way that is seldom, such as dotted keys.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Unwritable(pub String);

fn unwritable<T>(what: impl Into<String>) -> Result<T, Unwritable> {
    Err(Unwritable(what.into()))
}

/// An element of a list as it is to be.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Item {
    /// The old element at that place, as it is written.
    Kept(usize),
    /// In the old element's place, with its comments.
    Changed(usize, String),
    /// A new one.
    Fresh(String),
}

/// A text, and what is to be changed in it.
pub(super) struct Draft<'t> {
    text: &'t str,
    root: Spanned<DeTable<'t>>,
    marks: Marks,
    splices: Vec<(Range<usize>, String)>,
}

impl<'t> Draft<'t> {
    /// A draft of a text; an error where it is not TOML.
    pub(super) fn new(text: &'t str) -> Result<Self, Unwritable> {
        let root = DeTable::parse(text).map_err(|error| Unwritable(error.message().to_owned()))?;
        Ok(Self {
            text,
            root,
            marks: marks(text),
            splices: Vec::new(),
        })
    }

    /// The text with all changes made.
    pub(super) fn apply(mut self) -> Result<String, Unwritable> {
        self.splices.sort_by_key(|(range, _)| range.start);
        let mut out = String::with_capacity(self.text.len());
        let mut at = 0;
        for (range, new) in &self.splices {
            if range.start < at {
                return unwritable("two changes lie over each other");
            }
            out.push_str(&self.text[at..range.start]);
            out.push_str(new);
            at = range.end;
        }
        out.push_str(&self.text[at..]);
        Ok(out)
    }

    fn eol(&self) -> &'static str {
        if self.text.contains("\r\n") {
            "\r\n"
        } else {
            "\n"
        }
    }

    fn table(&self, path: &[At<'_>]) -> Result<(&DeTable<'t>, Option<usize>), Unwritable> {
        if path.is_empty() {
            return Ok((self.root.get_ref(), None));
        }
        match self.get(path) {
            Some(value) => match value.get_ref().as_table() {
                Some(table) => Ok((table, Some(value.span().start))),
                None => unwritable("there is no table"),
            },
            None => unwritable("there is no table"),
        }
    }

    fn get(&self, path: &[At<'_>]) -> Option<&Spanned<DeValue<'t>>> {
        let (first, rest) = path.split_first()?;
        let At::Key(first) = first else { return None };
        let mut value = self.root.get_ref().get(*first)?;
        for step in rest {
            value = match step {
                At::Key(key) => value.get_ref().as_table()?.get(*key)?,
                At::Nth(nth) => value.get_ref().as_array()?.get(*nth)?,
            };
        }
        Some(value)
    }

    /// Whether there is something at that path.
    pub(super) fn has(&self, path: &[At<'_>]) -> bool {
        self.get(path).is_some()
    }

    /// Writes another value in the place of the one at that path.
    pub(super) fn replace(&mut self, path: &[At<'_>], value: String) -> Result<(), Unwritable> {
        match self.get(path) {
            Some(old) => {
                let span = old.span();
                self.splices.push((span, value));
                Ok(())
            }
            None => unwritable("there is no value"),
        }
    }

    /// Gives a key of the table at that path a value, written as TOML; takes the key out where there is none.
    pub(super) fn set(
        &mut self,
        path: &[At<'_>],
        key: &str,
        value: Option<String>,
    ) -> Result<(), Unwritable> {
        let (table, at) = self.table(path)?;
        let old = table.get_key_value(key).map(|(k, v)| (k.span(), v.span()));
        let inline = at.is_some_and(|at| self.text[at..].starts_with('{'));
        match (old, value) {
            (None, None) => Ok(()),
            (Some((_, old)), Some(value)) => {
                if self.marks.headers.binary_search(&old.start).is_ok() {
                    return unwritable(format!("`{key}` is a table of its own"));
                }
                self.splices.push((old, value));
                Ok(())
            }
            (Some(_), None) if inline => {
                let splice = (self.pair_in_braces(table, key)?, String::new());
                self.splices.push(splice);
                Ok(())
            }
            (Some((k, v)), None) => self.remove_lines(k.start, v.end),
            (None, Some(value)) if inline => {
                let last = table.values().map(|value| value.span().end).max();
                let at = at.unwrap_or_default();
                let splice = match last {
                    Some(end) => (end..end, format!(", {key} = {value}")),
                    None => (at + 1..at + 1, format!(" {key} = {value} ")),
                };
                self.splices.push(splice);
                Ok(())
            }
            (None, Some(value)) => {
                let section = self.section(path)?;
                let own = table
                    .iter()
                    .filter(|(k, _)| section.contains(&k.span().start));
                let last = own
                    .map(|(k, v)| (v.span().end.max(k.span().end), k.span().start))
                    .max();
                let (end, indent) = match last {
                    Some((end, start)) => (self.line_end(end), self.indent(start)),
                    None if path.is_empty() => (section.start, ""),
                    None => (self.line_end(section.start), self.indent(section.start)),
                };
                let line = format!("{indent}{key} = {value}{}", self.eol());
                self.insert_line(end, line);
                Ok(())
            }
        }
    }

    fn insert_line(&mut self, at: usize, line: String) {
        let broken = at > 0 && !self.text[..at].ends_with('\n');
        let line = if broken {
            self.eol().to_owned() + &line
        } else {
            line
        };
        self.splices.push((at..at, line));
    }

    /// The bytes of a pair in braces, with the comma that goes with it.
    fn pair_in_braces(&self, table: &DeTable<'_>, key: &str) -> Result<Range<usize>, Unwritable> {
        let mut pairs: Vec<_> = table
            .iter()
            .map(|(k, v)| (k.span().start, v.span().end, k.get_ref() as &str))
            .collect();
        pairs.sort_unstable();
        let Some(nth) = pairs.iter().position(|(_, _, name)| *name == key) else {
            return unwritable("there is no such key");
        };
        let (start, end, _) = pairs[nth];
        let range = match (
            nth.checked_sub(1).map(|before| pairs[before]),
            pairs.get(nth + 1),
        ) {
            (_, Some((next, _, _))) => start..*next,
            (Some((_, before, _)), None) => before..end,
            (None, None) => start..end,
        };
        match self.comments_in(&range).is_empty() {
            true => Ok(range),
            false => unwritable("a comment is in the way"),
        }
    }

    /// Takes out the lines of a pair that begins and ends there; comments on them stay, each on a line of its own.
    fn remove_lines(&mut self, start: usize, end: usize) -> Result<(), Unwritable> {
        let range = self.line_start(start)..self.line_end(end);
        if !self.text[range.start..start].trim().is_empty() {
            return unwritable("something stands before it on its line");
        }
        let indent = self.indent(start).to_owned();
        let mut left = String::new();
        for comment in self.comments_in(&range) {
            left.push_str(&indent);
            left.push_str(&self.text[comment]);
            left.push_str(self.eol());
        }
        self.splices.push((range, left));
        Ok(())
    }

    fn comments_in(&self, range: &Range<usize>) -> Vec<Range<usize>> {
        let inside = |comment: &&Range<usize>| range.contains(&comment.start);
        self.marks.comments.iter().filter(inside).cloned().collect()
    }

    /// The lines from a table's header to the next header, or from the start of the file to the first one.
    fn section(&self, path: &[At<'_>]) -> Result<Range<usize>, Unwritable> {
        let (_, at) = self.table(path)?;
        let headers = &self.marks.headers;
        let next = match at {
            None => 0,
            Some(at) => match headers.binary_search(&at) {
                Ok(place) => place + 1,
                Err(_) => return unwritable("it is written with dotted keys"),
            },
        };
        let end = headers.get(next).copied().unwrap_or(self.text.len());
        Ok(at.unwrap_or(0)..end)
    }

    fn line_start(&self, at: usize) -> usize {
        self.text[..at].rfind('\n').map_or(0, |before| before + 1)
    }

    /// The offset behind the line feed of the line on which something ends.
    fn line_end(&self, at: usize) -> usize {
        self.text[at..]
            .find('\n')
            .map_or(self.text.len(), |further| at + further + 1)
    }

    fn indent(&self, at: usize) -> &'t str {
        let line = &self.text[self.line_start(at)..];
        &line[..line.len() - line.trim_start_matches([' ', '\t']).len()]
    }

    /// Whether the list at that path is written in brackets, rather than as tables under headers of their own.
    pub(super) fn in_brackets(&self, path: &[At<'_>]) -> bool {
        self.get(path).is_some_and(|value| {
            let first = value.get_ref().as_array().and_then(|list| list.first());
            let at = first.map_or(value.span().start, |first| first.span().start);
            self.marks.headers.binary_search(&at).is_err()
        })
    }

    /// Has the list in brackets at that path hold those elements. Spaces stay with their places, comments with their elements.
    pub(super) fn rearrange(&mut self, path: &[At<'_>], items: &[Item]) -> Result<(), Unwritable> {
        let Some(value) = self.get(path) else {
            return unwritable("there is no list");
        };
        let span = value.span();
        let Some(list) = value
            .get_ref()
            .as_array()
            .filter(|_| self.in_brackets(path))
        else {
            return unwritable("it is not a list in brackets");
        };
        let spots: Vec<Range<usize>> = list.iter().map(Spanned::span).collect();
        let new = self.rearranged(&span, &spots, items);
        self.splices.push((span, new));
        Ok(())
    }

    fn rearranged(&self, span: &Range<usize>, spots: &[Range<usize>], items: &[Item]) -> String {
        let text = self.text;
        // Of each element: what stands before it, itself, and the comment behind it on its line.
        let mut leads = Vec::new();
        let mut tails = Vec::new();
        let mut at = span.start + 1;
        let mut comma = false;
        for spot in spots {
            leads.push(&text[at..spot.start]);
            let rest = &text[spot.end..span.end - 1];
            comma = rest
                .trim_start_matches([' ', '\t', '\r', '\n'])
                .starts_with(',');
            // A comma on a line of its own, or behind a comment, is none of ours to move.
            at = spot.end
                + if comma {
                    rest.find(',').map_or(0, |at| at + 1)
                } else {
                    0
                };
            let line = &text[at..span.end - 1];
            let line = &line[..line.find(['\r', '\n']).unwrap_or(line.len())];
            let tail = if line.trim_start().starts_with('#') {
                line
            } else {
                ""
            };
            tails.push(tail);
            at += tail.len();
        }
        let end = &text[at..span.end - 1];
        let plain = |lead: &&str| !lead.contains('#');
        let usual = match leads.iter().rev().find(|lead| plain(lead)) {
            Some(lead) if leads.len() > 1 || lead.contains('\n') => *lead,
            _ => " ",
        };
        let used = |nth: usize| {
            let is = |item: &Item| matches!(item, Item::Kept(n) | Item::Changed(n, _) if *n == nth);
            items.iter().any(is)
        };
        let mut out = String::from("[");
        let open = |out: &str| {
            let line = &out[out.rfind('\n').map_or(0, |at| at + 1)..];
            marks(line).comments.last().is_some()
        };
        // Comments of elements that go stay where they were.
        let mut orphans: Vec<&str> = (0..spots.len())
            .filter(|nth| !used(*nth))
            .flat_map(|nth| [leads[nth], tails[nth]])
            .flat_map(|piece| marks(piece).comments.into_iter().map(move |at| &piece[at]))
            .collect();
        orphans.reverse();
        let indent = usual.rfind('\n').map_or("    ", |at| &usual[at + 1..]);
        while let Some(orphan) = orphans.pop() {
            out += &format!("{}{indent}{orphan}", self.eol());
        }
        for (place, item) in items.iter().enumerate() {
            let (own, value) = match item {
                Item::Kept(nth) => (Some(*nth), &text[spots[*nth].clone()]),
                Item::Changed(nth, text) => (Some(*nth), text.as_str()),
                Item::Fresh(text) => (None, text.as_str()),
            };
            let first = if place == 0 && !usual.contains('\n') {
                ""
            } else {
                usual
            };
            let lead = match own.map(|nth| leads[nth]).filter(|lead| !plain(lead)) {
                Some(commented) => commented,
                None => leads.get(place).copied().filter(plain).unwrap_or(first),
            };
            if open(&out) && !lead.trim_start_matches([' ', '\t', '\r']).starts_with('\n') {
                out += self.eol();
                out += indent;
            }
            out += lead;
            out += value;
            if place + 1 < items.len() || comma {
                out.push(',');
            }
            out += own.map_or("", |nth| tails[nth]);
        }
        if open(&out) && !end.trim_start_matches([' ', '\t', '\r']).starts_with('\n') {
            out += self.eol();
        }
        out + end + "]"
    }

    /// The end of the last line of the table at that path, tables in it included.
    fn content_end(&self, path: &[At<'_>]) -> Result<usize, Unwritable> {
        let section = self.section(path)?;
        let (table, _) = self.table(path)?;
        let end = table_end(table).max(section.start);
        Ok(self.line_end(end))
    }

    /// Puts a table with a header of its own behind everything that the table at that path has.
    pub(super) fn append_table(
        &mut self,
        path: &[At<'_>],
        header: &str,
        pairs: &[(&str, String)],
    ) -> Result<(), Unwritable> {
        let at = self.content_end(path)?;
        let eol = self.eol();
        let mut block = format!("{eol}{header}{eol}");
        for (key, value) in pairs {
            block += &format!("{key} = {value}{eol}");
        }
        self.insert_line(at, block);
        Ok(())
    }

    /// Takes out the table at that path, which has a header of its own, and all that is in it.
    pub(super) fn remove_table(&mut self, path: &[At<'_>]) -> Result<(), Unwritable> {
        let start = self.section(path)?.start;
        let end = self.content_end(path)?;
        let mut range = self.line_start(start)..end;
        let mut left = String::new();
        for comment in self.comments_in(&range) {
            left.push_str(&self.text[comment]);
            left.push_str(self.eol());
        }
        // The empty line before it goes with it.
        if left.is_empty() {
            let before = &self.text[..range.start];
            for empty in ["\r\n\r\n", "\n\n"] {
                if before.ends_with(empty) {
                    range.start -= empty.len() / 2;
                    break;
                }
            }
        }
        self.splices.push((range, left));
        Ok(())
    }
}

/// The last byte of anything in a table.
fn table_end(table: &DeTable<'_>) -> usize {
    let end = |value: &Spanned<DeValue<'_>>| value_end(value);
    table.values().map(end).max().unwrap_or(0)
}

fn value_end(value: &Spanned<DeValue<'_>>) -> usize {
    let inside = match value.get_ref() {
        DeValue::Table(table) => table_end(table),
        DeValue::Array(list) => list.iter().map(value_end).max().unwrap_or(0),
        _ => 0,
    };
    inside.max(value.span().end)
}

/// What a text's lines are: where its comments and its tables' headers are.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
struct Marks {
    comments: Vec<Range<usize>>,
    headers: Vec<usize>,
}

/// All comments of a text, from their `#` to the end of their lines.
pub fn comments(text: &str) -> Vec<&str> {
    marks(text)
        .comments
        .into_iter()
        .map(|at| &text[at])
        .collect()
}

fn marks(text: &str) -> Marks {
    let bytes = text.as_bytes();
    let mut marks = Marks::default();
    let (mut at, mut depth) = (0, 0usize);
    let (mut fresh_line, mut in_header) = (true, false);
    while let Some(byte) = bytes.get(at) {
        let mut next = at + 1;
        match byte {
            b'\n' => {
                fresh_line = true;
                in_header = false;
                at = next;
                continue;
            }
            b' ' | b'\t' | b'\r' => {
                at = next;
                continue;
            }
            b'#' => {
                let line = &text[at..];
                let line = &line[..line.find('\n').unwrap_or(line.len())];
                let end = at + line.trim_end_matches('\r').len();
                marks.comments.push(at..end);
                next = end;
            }
            b'"' | b'\'' => next = string_end(bytes, at),
            b'[' if fresh_line && depth == 0 => {
                marks.headers.push(at);
                in_header = true;
            }
            b'[' | b'{' if !in_header => depth += 1,
            b']' | b'}' if !in_header => depth = depth.saturating_sub(1),
            _ => {}
        }
        fresh_line = false;
        at = next;
    }
    marks
}

/// Where the string ends that begins there.
fn string_end(bytes: &[u8], start: usize) -> usize {
    let quote = bytes[start];
    let three = [quote; 3];
    let long = bytes[start..].starts_with(&three);
    let mut at = start + if long { 3 } else { 1 };
    while at < bytes.len() {
        match bytes[at] {
            b'\\' if quote == b'"' => at += 2,
            b'\n' if !long => return at,
            byte if byte != quote => at += 1,
            _ if !long => return at + 1,
            _ if bytes[at..].starts_with(&three) => {
                at += 3;
                // Up to two quotes may belong to the text itself.
                while bytes.get(at) == Some(&quote) {
                    at += 1;
                }
                return at;
            }
            _ => at += 1,
        }
    }
    bytes.len()
}

/// Text in quotes, as TOML has it.
pub(super) fn quoted(text: &str) -> String {
    let mut out = String::from("\"");
    for c in text.chars() {
        match c {
            '"' => out += "\\\"",
            '\\' => out += "\\\\",
            '\n' => out += "\\n",
            '\t' => out += "\\t",
            c if c.is_control() => out += &format!("\\u{:04X}", c as u32),
            c => out.push(c),
        }
    }
    out + "\""
}

/// A number as TOML has it: whole ones without a point, as people write them.
pub(super) fn number(value: f64) -> String {
    if value.fract() == 0.0 && value.abs() < 1e15 {
        format!("{}", value as i64)
    } else {
        format!("{value}")
    }
}

/// The names of the keys at which the offset lies, joined with points; tables that have a `key` are named by it.
pub(super) fn field_at(text: &str, offset: usize) -> String {
    let (root, _) = DeTable::parse_recoverable(text);
    let mut names = Vec::new();
    in_table(root.get_ref(), offset, &mut names);
    names.join(".")
}

fn in_table(table: &DeTable<'_>, offset: usize, names: &mut Vec<String>) -> bool {
    for (key, value) in table {
        names.push(key.get_ref().to_string());
        if in_value(value, offset, names) || key.span().contains(&offset) {
            return true;
        }
        names.pop();
    }
    false
}

fn in_value(value: &Spanned<DeValue<'_>>, offset: usize, names: &mut Vec<String>) -> bool {
    match value.get_ref() {
        DeValue::Table(table) => in_table(table, offset, names) || value.span().contains(&offset),
        DeValue::Array(list) => {
            for (nth, item) in list.iter().enumerate() {
                let key = item.get_ref().as_table().and_then(|table| table.get("key"));
                let key = key.and_then(|key| key.get_ref().as_str());
                names.push(key.map_or_else(|| nth.to_string(), str::to_owned));
                if in_value(item, offset, names) {
                    return true;
                }
                names.pop();
            }
            value.span().contains(&offset)
        }
        _ => value.span().contains(&offset) || value.span().start == offset,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn comments_and_headers_are_told_from_what_is_in_strings() {
        let text = "a = \"# no\" # yes\r\nb = ''' [\n# no\n'''\n[c] # two\nd = [\n  [1], # three\n]\n [[e]]\n";
        assert_eq!(comments(text), ["# yes", "# two", "# three"]);
        let headers: Vec<&str> = marks(text)
            .headers
            .iter()
            .map(|at| &text[*at..at + 3])
            .collect();
        assert_eq!(headers, ["[c]", "[[e"]);
    }

    fn changed(text: &str, change: impl FnOnce(&mut Draft<'_>)) -> String {
        let mut draft = Draft::new(text).unwrap();
        change(&mut draft);
        draft.apply().unwrap()
    }

    #[test]
    fn values_keys_and_lines_change_and_nothing_else() {
        let text =
            "# top\r\nx = 1 # one\r\n\r\n[[t]]\r\n  key = \"a\" # k\r\n  band = [1, 2]  # b\r\n";
        let path = [At::Key("t"), At::Nth(0)];
        let out = changed(text, |draft| {
            draft.set(&path, "band", Some("[3, 4]".into())).unwrap()
        });
        assert_eq!(out, text.replace("[1, 2]", "[3, 4]"));
        let out = changed(text, |draft| draft.set(&path, "band", None).unwrap());
        assert_eq!(out, text.replace("  band = [1, 2]  # b", "  # b"));
        let out = changed(text, |draft| {
            draft.set(&path, "label", Some("\"L\"".into())).unwrap()
        });
        assert_eq!(out, text.to_owned() + "  label = \"L\"\r\n");
        let out = changed(text, |draft| draft.set(&[], "y", Some("2".into())).unwrap());
        assert_eq!(out, text.replace("# one\r\n", "# one\r\ny = 2\r\n"));
    }

    #[test]
    fn lists_keep_their_lines_and_comments() {
        let text = "calls = [\n    { text = \"a\" }, # first\n    # of b\n    { text = \"b\" },\n]\nn = [1, 2, 3]\n";
        let out = changed(text, |draft| {
            let items = [
                Item::Kept(1),
                Item::Fresh("{ text = \"c\" }".into()),
                Item::Kept(0),
            ];
            draft.rearrange(&[At::Key("calls")], &items).unwrap();
            draft
                .rearrange(&[At::Key("n")], &[Item::Kept(2), Item::Fresh("9".into())])
                .unwrap();
        });
        assert_eq!(
            out,
            "calls = [\n    # of b\n    { text = \"b\" },\n    { text = \"c\" },\n    { text = \"a\" }, # first\n]\nn = [3, 9]\n"
        );
        let out = changed(text, |draft| {
            draft.rearrange(&[At::Key("calls")], &[]).unwrap();
            draft.rearrange(&[At::Key("n")], &[]).unwrap();
        });
        assert_eq!(comments(&out), comments(text));
        assert!(out.ends_with("n = []\n"), "{out}");
        DeTable::parse(&out).unwrap();
    }

    #[test]
    fn tables_come_and_go() {
        let text = "[[s]]\nkey = \"a\"\n\n[[s.g]]\nx = 1 # why\n\n# --- next\n\n[[s]]\nkey = \"b\"";
        let out = changed(text, |draft| {
            draft
                .append_table(&[At::Key("s"), At::Nth(0)], "[[s.g]]", &[("x", "2".into())])
                .unwrap();
            draft
                .append_table(&[At::Key("s"), At::Nth(1)], "[[s.g]]", &[("x", "3".into())])
                .unwrap();
        });
        assert_eq!(
            out,
            "[[s]]\nkey = \"a\"\n\n[[s.g]]\nx = 1 # why\n\n[[s.g]]\nx = 2\n\n# --- next\n\n[[s]]\nkey = \"b\"\n\n[[s.g]]\nx = 3\n"
        );
        let gate = [At::Key("s"), At::Nth(0), At::Key("g"), At::Nth(0)];
        let gone = changed(text, |draft| draft.remove_table(&gate).unwrap());
        assert_eq!(gone, text.replace("[[s.g]]\nx = 1 # why\n", "# why\n"));
    }

    #[test]
    fn an_offset_is_named_by_the_keys_around_it() {
        let text = "[[step]]\nkey = \"fire\"\ngate = [{ at_least = 60 }]\n";
        assert_eq!(
            field_at(text, text.find("60").unwrap()),
            "step.fire.gate.0.at_least"
        );
        assert_eq!(field_at(text, 0), "step.fire");
    }
}
