//! Walks a TOML document table by table, and notes every key or value that is not as it should be, with its place.
//! What the keys are for is said by `car` and `sheet`.

use super::mistakes::{Notes, instead, nearest, quoted};
use spinover_protocol::{MAX_TEXT, car::Band};
use std::ops::RangeInclusive;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// A value and the byte offset where it is written.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Spot<T> {
    pub(super) at: usize,
    pub(super) value: T,
}

/// A key that a table may have.
pub(super) struct Key {
    pub(super) name: &'static str,
    /// How it is written, as the messages show it.
    pub(super) example: &'static str,
}

/// A kind of table: how its header is written, and its keys.
pub(super) struct Kind {
    pub(super) header: &'static str,
    pub(super) keys: &'static [Key],
}

/// Longest label or name, in characters: more does not fit on a phone.
pub(super) const MAX_LABEL: usize = 40;
/// Longest key, in characters.
pub(super) const MAX_KEY: usize = 40;

/// Reads TOML text and gives its root to the function, with every place that is not TOML noted first.
pub(super) fn document<T>(
    text: &str,
    notes: &Notes<'_>,
    kind: &'static Kind,
    read: impl FnOnce(&Walk<'_>) -> T,
) -> T {
    let (root, errors) = DeTable::parse_recoverable(text);
    for error in errors {
        let at = error.span().map_or(0, |span| span.start);
        let (what, right) = plain_syntax(error.message());
        notes.syntax(at, what, right);
    }
    let walk = Walk {
        table: root.get_ref(),
        at: 0,
        kind,
        parents: Vec::new(),
        notes,
    };
    walk.check_keys();
    read(&walk)
}

/// The TOML reader's words for what is not TOML, as "what is wrong" and "what would be right".
fn plain_syntax(message: &str) -> (String, String) {
    let (what, expected) = message.split_once(", expected ").unwrap_or((message, ""));
    let right = match what {
        "duplicate key" => "this is written twice; keep one of them",
        "string values must be quoted" => "put text in quotes, as in `label = \"Oil pressure\"`",
        "key with no value" | "missing value for key" | "missing value" => "write `key = value`",
        "invalid unquoted key" | "unquoted keys cannot be empty" => {
            "a key is letters, digits and _, as in `oil_pressure`"
        }
        "unclosed table" | "unclosed array table" => "close the header: `[tank]` or `[[channel]]`",
        "unclosed array" => "close it with `]`",
        "unclosed inline table" => "close it with `}`",
        "recursion limit" | "cannot recurse further; max recursion depth met" => {
            "nothing in these files is nested that deep"
        }
        "unexpected key or value" | "unexpected content" => "one `key = value` on each line",
        "invalid value" | "unexpected leading zero" => {
            "write a number (`0.5`), text in quotes, `true`, `false`, or a list in [ ]"
        }
        _ => "",
    };
    let right = match (right.is_empty(), expected.is_empty()) {
        (false, _) => right.to_owned(),
        (true, true) => "see docs/files.md for how it is written".to_owned(),
        (true, false) => format!("expected {expected}"),
    };
    (format!("not TOML: {what}"), right)
}

/// One table of the document.
pub(super) struct Walk<'a> {
    table: &'a DeTable<'a>,
    /// Where its header (or brace) is.
    pub(super) at: usize,
    kind: &'static Kind,
    /// The kinds of the tables around it, outermost first.
    parents: Vec<&'static Kind>,
    pub(super) notes: &'a Notes<'a>,
}

impl<'a> Walk<'a> {
    fn inside(&self, table: &'a DeTable<'a>, at: usize, kind: &'static Kind) -> Walk<'a> {
        let mut parents = self.parents.clone();
        parents.push(self.kind);
        let walk = Walk {
            table,
            at,
            kind,
            parents,
            notes: self.notes,
        };
        walk.check_keys();
        walk
    }

    /// Notes every key that this kind of table does not have.
    fn check_keys(&self) {
        let known = || self.kind.keys.iter().map(|key| key.name);
        for key in self.table.keys() {
            let name: &str = key.get_ref();
            if known().any(|known| known == name) {
                continue;
            }
            let here = if self.kind.header.is_empty() {
                "at the top of the file"
            } else {
                self.kind.header
            };
            let what = format!(
                "unknown key {} {}{here}",
                quoted(name),
                if self.kind.header.is_empty() {
                    ""
                } else {
                    "in "
                }
            );
            // TOML gives a line to the table whose header is above it, which is easily forgotten.
            let owner = self
                .parents
                .iter()
                .rev()
                .find(|parent| parent.keys.iter().any(|key| key.name == name));
            let right = match owner {
                _ if nearest(name, known()).is_some() => instead(name, known()),
                Some(owner) if owner.header.is_empty() => {
                    format!("`{name}` belongs at the top of the file, above the first [header]")
                }
                Some(owner) => format!(
                    "`{name}` belongs to {}: move it up, above this {}",
                    owner.header, self.kind.header
                ),
                None => instead(name, known()),
            };
            self.notes.wrong(key.span().start, what, right);
        }
    }

    fn example(&self, name: &str) -> &'static str {
        self.kind
            .keys
            .iter()
            .find(|key| key.name == name)
            .map_or("", |key| key.example)
    }

    fn value(&self, name: &str) -> Option<&'a Spanned<DeValue<'a>>> {
        debug_assert!(
            self.kind.keys.iter().any(|key| key.name == name),
            "{name} is not declared in {}",
            self.kind.header
        );
        self.table.get(name)
    }

    /// Where the key's value is written, or else the table's header.
    pub(super) fn at_of(&self, name: &str) -> usize {
        self.table
            .get(name)
            .map_or(self.at, |value| value.span().start)
    }

    /// Whether the key is there, rightly written or not.
    pub(super) fn has(&self, name: &str) -> bool {
        self.table.contains_key(name)
    }

    /// Notes that the key's value is wrong.
    pub(super) fn wrong(&self, name: &str, what: impl Into<String>, right: impl Into<String>) {
        self.notes.wrong(self.at_of(name), what, right);
    }

    /// Notes that the key is missing, unless it is there.
    pub(super) fn need(&self, name: &str) {
        if !self.has(name) {
            let whose = if self.kind.header.is_empty() {
                "the file"
            } else {
                self.kind.header
            };
            self.notes.absent(
                self.at,
                format!("{whose} has no `{name}`"),
                format!("add for example `{}`", self.example(name)),
            );
        }
    }

    fn wrong_kind(&self, name: &str, value: &Spanned<DeValue<'_>>, wanted: &str) {
        let is = match value.get_ref() {
            DeValue::String(_) => "text in quotes",
            DeValue::Integer(_) | DeValue::Float(_) => "a number",
            DeValue::Boolean(_) => "true or false",
            DeValue::Datetime(_) => "a date or time",
            DeValue::Array(_) => "a list",
            DeValue::Table(_) => "a table",
        };
        let right = format!("give {wanted}, as in `{}`", self.example(name));
        self.notes
            .wrong(value.span().start, format!("`{name}` is {is}"), right);
    }

    /// Text of 1 to `max` characters, none of them a control character.
    pub(super) fn text(&self, name: &str, max: usize) -> Option<Spot<String>> {
        let value = self.value(name)?;
        let Some(text) = value.get_ref().as_str() else {
            self.wrong_kind(name, value, "text in quotes");
            return None;
        };
        self.checked_text(name, text, value.span().start, max)
    }

    fn checked_text(&self, name: &str, text: &str, at: usize, max: usize) -> Option<Spot<String>> {
        let length = text.chars().count();
        if text.trim().is_empty() {
            self.notes.wrong(
                at,
                format!("`{name}` is empty"),
                format!("give text, as in `{}`", self.example(name)),
            );
        } else if length > max {
            self.notes.wrong(
                at,
                format!("`{name}` has {length} characters"),
                format!("say it in {max} or fewer"),
            );
        } else if text.chars().any(char::is_control) {
            let right = "write it on one line, without tabs or other control characters";
            self.notes
                .wrong(at, format!("`{name}` has control characters"), right);
        } else {
            return Some(Spot {
                at,
                value: text.trim().to_owned(),
            });
        }
        None
    }

    /// Text that the table must have.
    pub(super) fn need_text(&self, name: &str, max: usize) -> Option<Spot<String>> {
        self.need(name);
        self.text(name, max)
    }

    /// A key of `a-z`, `0-9` and `_`, which the table must have.
    pub(super) fn need_key(&self, name: &str) -> Option<Spot<String>> {
        let spot = self.need_text(name, MAX_KEY)?;
        if spot
            .value
            .chars()
            .all(|c| matches!(c, 'a'..='z' | '0'..='9' | '_'))
        {
            return Some(spot);
        }
        let mut plain: String = spot
            .value
            .to_lowercase()
            .chars()
            .map(|c| if c.is_ascii_alphanumeric() { c } else { '_' })
            .collect();
        while plain.contains("__") {
            plain = plain.replace("__", "_");
        }
        let plain = plain.trim_matches('_');
        let right = match plain {
            "" => format!("use a-z, 0-9 and _ only, as in `{}`", self.example(name)),
            plain => format!("use a-z, 0-9 and _ only: `{name} = \"{plain}\"`"),
        };
        self.notes.wrong(
            spot.at,
            format!("{} is not fit for a key", quoted(&spot.value)),
            right,
        );
        None
    }

    /// The table's key as it was read before, without noting anything again.
    pub(super) fn silent_key(&self) -> Option<String> {
        let key = self.value("key")?.get_ref().as_str()?;
        Some(key.trim().to_owned())
    }

    /// The key's number, without noting anything again.
    pub(super) fn number_silent(&self, name: &str) -> Option<f64> {
        match self.value(name)?.get_ref() {
            DeValue::Float(float) => float.as_str().parse().ok(),
            DeValue::Integer(whole) => i64::from_str_radix(whole.as_str(), whole.radix())
                .ok()
                .map(|whole| whole as f64),
            _ => None,
        }
    }

    /// Whether the key's value is a list.
    pub(super) fn is_list(&self, name: &str) -> bool {
        self.value(name)
            .is_some_and(|value| value.get_ref().as_array().is_some())
    }

    /// Whether the key says true or false, without noting anything again.
    pub(super) fn yes_no_silent(&self, name: &str) -> Option<bool> {
        self.value(name)?.get_ref().as_bool()
    }

    /// A list of texts, each of at most `max` characters.
    pub(super) fn texts(&self, name: &str, max: usize) -> Vec<Spot<String>> {
        let Some(value) = self.value(name) else {
            return Vec::new();
        };
        let Some(list) = value.get_ref().as_array() else {
            self.wrong_kind(name, value, "a list of texts");
            return Vec::new();
        };
        let mut texts = Vec::new();
        for item in list {
            match item.get_ref().as_str() {
                Some(text) => texts.extend(self.checked_text(name, text, item.span().start, max)),
                None => self.wrong_kind(name, item, "a list of texts"),
            }
        }
        texts
    }

    /// A finite number.
    pub(super) fn number(&self, name: &str) -> Option<Spot<f64>> {
        let value = self.value(name)?;
        self.as_number(name, value)
    }

    fn as_number(&self, name: &str, value: &Spanned<DeValue<'_>>) -> Option<Spot<f64>> {
        let number = match value.get_ref() {
            DeValue::Float(float) => float.as_str().parse::<f64>().ok(),
            DeValue::Integer(whole) => i64::from_str_radix(whole.as_str(), whole.radix())
                .ok()
                .map(|whole| whole as f64),
            _ => {
                self.wrong_kind(name, value, "a number");
                return None;
            }
        };
        match number.filter(|number| number.is_finite()) {
            Some(number) => Some(Spot {
                at: value.span().start,
                value: number,
            }),
            None => {
                let right = format!("give an ordinary number, as in `{}`", self.example(name));
                self.notes.wrong(
                    value.span().start,
                    format!("`{name}` is not a finite number"),
                    right,
                );
                None
            }
        }
    }

    /// A number within a range.
    pub(super) fn number_in(
        &self,
        name: &str,
        range: RangeInclusive<f64>,
        unit: &str,
    ) -> Option<Spot<f64>> {
        let spot = self.number(name)?;
        if range.contains(&spot.value) {
            return Some(spot);
        }
        let (low, high) = (range.start(), range.end());
        let right = format!("give {low} to {high}{unit}, as in `{}`", self.example(name));
        self.notes
            .wrong(spot.at, format!("`{name}` is {}", spot.value), right);
        None
    }

    /// A time in seconds from 0 to a day, as milliseconds.
    pub(super) fn millis(&self, name: &str) -> Option<Spot<i64>> {
        let spot = self.number_in(name, 0.0..=86_400.0, " seconds")?;
        // At most 86,400,000, so the conversion is exact.
        Some(Spot {
            at: spot.at,
            value: (spot.value * 1000.0).round() as i64,
        })
    }

    /// A whole number within a range.
    pub(super) fn whole(&self, name: &str, range: RangeInclusive<u16>) -> Option<Spot<u16>> {
        let spot = self.number_in(
            name,
            f64::from(*range.start())..=f64::from(*range.end()),
            "",
        )?;
        if spot.value.fract() != 0.0 {
            let right = format!("give a whole number, as in `{}`", self.example(name));
            self.notes
                .wrong(spot.at, format!("`{name}` is {}", spot.value), right);
            return None;
        }
        Some(Spot {
            at: spot.at,
            value: spot.value as u16,
        })
    }

    /// True or false.
    pub(super) fn yes_no(&self, name: &str) -> Option<Spot<bool>> {
        let value = self.value(name)?;
        match value.get_ref() {
            DeValue::Boolean(yes) => Some(Spot {
                at: value.span().start,
                value: *yes,
            }),
            _ => {
                self.wrong_kind(name, value, "true or false without quotes");
                None
            }
        }
    }

    /// A pair `[low, high]` with low below high.
    pub(super) fn band(&self, name: &str) -> Option<Spot<Band>> {
        let value = self.value(name)?;
        self.as_band(name, value)
    }

    fn as_band(&self, name: &str, value: &Spanned<DeValue<'_>>) -> Option<Spot<Band>> {
        let at = value.span().start;
        let list = match value.get_ref() {
            DeValue::Array(list) => list,
            _ => {
                self.notes.wrong(
                    at,
                    format!("`{name}` is not a pair"),
                    format!("write `{name} = [low, high]`"),
                );
                return None;
            }
        };
        if list.len() != 2 {
            let right = format!("write `{name} = [low, high]`");
            self.notes
                .wrong(at, format!("`{name}` has {} numbers", list.len()), right);
            return None;
        }
        let mut ends = list.iter().map(|end| self.as_number(name, end));
        let (low, high) = (ends.next()??.value, ends.next()??.value);
        if low < high {
            return Some(Spot {
                at,
                value: Band { low, high },
            });
        }
        let right = match low == high {
            true => "leave some room between low and high".to_owned(),
            false => format!("write the low end first: `{name} = [{high}, {low}]`"),
        };
        self.notes
            .wrong(at, format!("`{name}` has low {low} and high {high}"), right);
        None
    }

    /// A table of bands by channel: `{ oil_pressure = [50, 80] }`, each with the place of its key.
    pub(super) fn bands(&self, name: &str) -> Vec<(Spot<String>, Spot<Band>)> {
        let Some(value) = self.value(name) else {
            return Vec::new();
        };
        let Some(table) = value.get_ref().as_table() else {
            self.wrong_kind(name, value, "a table of bands");
            return Vec::new();
        };
        let mut bands = Vec::new();
        for (key, value) in table {
            let channel: &str = key.get_ref();
            if let Some(band) = self.as_band(channel, value) {
                bands.push((
                    Spot {
                        at: key.span().start,
                        value: channel.to_owned(),
                    },
                    band,
                ));
            }
        }
        bands
    }

    /// The table at that key.
    pub(super) fn table(&self, name: &str, kind: &'static Kind) -> Option<Walk<'a>> {
        let value = self.value(name)?;
        match value.get_ref() {
            DeValue::Table(table) => Some(self.inside(table, value.span().start, kind)),
            DeValue::Array(_) => {
                let right = format!(
                    "there is only one: write `{}` with single brackets",
                    kind.header
                );
                self.notes
                    .wrong(value.span().start, format!("`{name}` is a list"), right);
                None
            }
            _ => {
                self.wrong_kind(name, value, "a table");
                None
            }
        }
    }

    /// Whether the table at that key may hold the name, rightly written or not: a value that is no table may have been meant to.
    pub(super) fn mentions(&self, key: &str, name: &str) -> bool {
        self.value(key).is_some_and(|value| {
            value
                .get_ref()
                .as_table()
                .is_none_or(|table| table.contains_key(name))
        })
    }

    /// The tables at that key, of which there must be at least one.
    pub(super) fn need_tables(&self, name: &str, kind: &'static Kind) -> Vec<Walk<'a>> {
        self.need(name);
        let value = self.value(name);
        if let Some(value) = value.filter(|value| {
            value
                .get_ref()
                .as_array()
                .is_some_and(|list| list.is_empty())
        }) {
            let right = format!("write at least one `{}`", kind.header);
            self.notes.wrong(
                value.span().start,
                format!("`{name}` is an empty list"),
                right,
            );
        }
        self.tables(name, kind)
    }

    /// The tables at that key, in the order in which they are written.
    pub(super) fn tables(&self, name: &str, kind: &'static Kind) -> Vec<Walk<'a>> {
        let Some(value) = self.value(name) else {
            return Vec::new();
        };
        let list = match value.get_ref() {
            DeValue::Array(list) => list,
            DeValue::Table(_) => {
                let right = format!(
                    "there can be several: write `{}` with double brackets",
                    kind.header
                );
                self.notes.wrong(
                    value.span().start,
                    format!("`{name}` is written as a single table"),
                    right,
                );
                return Vec::new();
            }
            _ => {
                self.wrong_kind(name, value, "a list of tables");
                return Vec::new();
            }
        };
        let mut tables = Vec::new();
        for item in list {
            match item.get_ref().as_table() {
                Some(table) => tables.push(self.inside(table, item.span().start, kind)),
                None => self.wrong_kind(name, item, "a list of tables"),
            }
        }
        tables
    }
}

/// Text of a call, a step or a caution, at most as long as one on the wire.
pub(super) const MAX_WORDS: usize = MAX_TEXT;
