//! Rows of a recording to times and values, by the car file's map of its columns. No I/O, no clock.

use super::clock::FARTHEST_S;
use super::index::ChannelIndex;
use super::map::{ReplayMap, TimeForm};
use super::spec::nearest;
use super::tally::{Tally, quoted, short};
use crate::core::feed::FaultKind;
use anyhow::{Context, bail};
use spinover_protocol::units::Unit;
use std::borrow::Cow;

/// Seconds in a day.
const DAY_S: f64 = 86_400.0;

/// A recording's columns, and what is needed to read its rows.
#[derive(Clone, Debug)]
pub struct Table {
    /// The header's line number, from 1.
    pub header_line: usize,
    separator: u8,
    time_place: usize,
    time_form: TimeForm,
    columns: Vec<Column>,
    /// Days that the clock has wrapped, and the time of day before.
    days: (f64, Option<f64>),
}

#[derive(Clone, Debug)]
struct Column {
    place: usize,
    channel: usize,
    from: Unit,
    to: Unit,
    strip: Option<String>,
    name: String,
}

/// One row.
#[derive(Clone, Debug, PartialEq)]
pub struct Row {
    /// Its time in seconds, as the recording says it; `None` where it could not be read, which is counted.
    pub said_s: Option<f64>,
    /// Channels and values, finite and in the channels' units; blank cells give none.
    pub values: Vec<(usize, f64)>,
}

impl Table {
    /// Whether this line's first cell is the time column's name.
    pub fn is_header(line: &[u8], map: &ReplayMap) -> bool {
        split(line, map.separator)
            .first()
            .is_some_and(|cell| same(cell, &map.time.column))
    }

    /// Finds the mapped columns in the header.
    ///
    /// # Errors
    /// When a column is not there, or measures another kind of quantity than its channel.
    pub fn new(
        header: &[u8],
        header_line: usize,
        map: &ReplayMap,
        index: &ChannelIndex,
    ) -> anyhow::Result<Self> {
        let names = split(header, map.separator);
        let find = |column: &str, nth: usize| -> anyhow::Result<usize> {
            let mut places = names
                .iter()
                .enumerate()
                .filter(|(_, name)| same(name, column))
                .map(|(place, _)| place);
            match places.nth(nth.max(1) - 1) {
                Some(place) => Ok(place),
                None if names.iter().any(|name| same(name, column)) => {
                    bail!(
                        "its header has {column:?} {} times, the car file asks for number {nth}",
                        names.iter().filter(|name| same(name, column)).count()
                    )
                }
                None => match nearest(column, names.iter().map(String::as_str)) {
                    Some(near) => {
                        bail!("its header has no column {column:?}; the nearest is {near:?}")
                    }
                    None => bail!(
                        "its header has no column {column:?}; it has {}",
                        short(&names.join(", "), 120)
                    ),
                },
            }
        };
        let time_place = find(&map.time.column, 1).context("time column")?;
        let mut columns = Vec::with_capacity(map.columns.len());
        for column in &map.columns {
            if column.channel >= index.len() {
                bail!(
                    "column {:?} is for channel number {}, the car has {}",
                    column.column,
                    column.channel,
                    index.len()
                );
            }
            let key = index.key(column.channel);
            let place =
                find(&column.column, column.nth).with_context(|| format!("channel {key}"))?;
            let (from, to) = (column.unit, index.unit(column.channel));
            if from.convert(0.0, to).is_none() {
                bail!(
                    "channel {key} is in {to}, its column {:?} in {from}: these measure different things",
                    column.column
                );
            }
            columns.push(Column {
                place,
                channel: column.channel,
                from,
                to,
                strip: column.strip.clone(),
                name: column.column.clone(),
            });
        }
        if columns.is_empty() {
            bail!(
                "the car file gives none of its channels a column; add column = \"…\" to those that the recording holds"
            );
        }
        Ok(Self {
            header_line,
            separator: map.separator,
            time_place,
            time_form: map.time.form,
            columns,
            days: (0.0, None),
        })
    }

    /// The same recording again from its first row.
    pub fn rewind(&mut self) {
        self.days = (0.0, None);
    }

    /// Reads one row; `None` for a blank line. What cannot be read is left out and counted. A row may have fewer cells than
    /// the header (its end was cut off: the rest is blank) or more (a trailing separator).
    pub fn row(&mut self, line: &[u8], number: usize, tally: &mut Tally) -> Option<Row> {
        if line
            .iter()
            .all(|byte| byte.is_ascii_whitespace() || *byte == self.separator)
        {
            return None;
        }
        let cells = split(line, self.separator);
        let time_text = cells.get(self.time_place).map_or("", String::as_str);
        let said_s = self.time(time_text);
        if said_s.is_none() {
            tally.note(FaultKind::Malformed, || {
                format!(
                    "line {number}: {:?} is no time ({})",
                    quoted(time_text.as_bytes()),
                    self.time_form.word()
                )
            });
        }
        let mut values = Vec::with_capacity(self.columns.len());
        for column in &self.columns {
            let text = cells.get(column.place).map_or("", String::as_str);
            let text = column
                .strip
                .as_deref()
                .and_then(|strip| text.strip_prefix(strip))
                .unwrap_or(text)
                .trim();
            if text.is_empty() {
                continue;
            }
            match text
                .parse::<f64>()
                .ok()
                .filter(|value| value.is_finite())
                .and_then(|value| column.from.convert(value, column.to))
            {
                Some(value) if value.is_finite() => values.push((column.channel, value)),
                _ => tally.note(FaultKind::NotANumber, || {
                    format!(
                        "line {number}: {:?} in column {:?} is not a finite number",
                        quoted(text.as_bytes()),
                        column.name
                    )
                }),
            }
        }
        Some(Row { said_s, values })
    }

    fn time(&mut self, text: &str) -> Option<f64> {
        let time = match self.time_form {
            TimeForm::Seconds => text.parse().ok()?,
            TimeForm::Rfc3339 => moment(text)?,
            TimeForm::Clock => {
                let of_day = time_of_day(text)?;
                if self
                    .days
                    .1
                    .is_some_and(|before| before - of_day > DAY_S / 2.0)
                {
                    self.days.0 += 1.0;
                }
                self.days.1 = Some(of_day);
                self.days.0 * DAY_S + of_day
            }
        };
        Some(time).filter(|time: &f64| time.abs() <= FARTHEST_S)
    }
}

/// Seconds since 1970 UTC of an RFC 3339 text, or of one that lacks the offset.
fn moment(text: &str) -> Option<f64> {
    let stamp: jiff::Timestamp = match text.parse() {
        Ok(stamp) => stamp,
        Err(_) => jiff::tz::TimeZone::UTC
            .to_timestamp(text.parse().ok()?)
            .ok()?,
    };
    Some(stamp.as_microsecond() as f64 / 1e6)
}

/// Seconds since midnight of `HH:MM:SS` with or without a fraction.
fn time_of_day(text: &str) -> Option<f64> {
    let mut parts = text.split(':');
    let (hours, minutes, seconds) = (parts.next()?, parts.next()?, parts.next()?);
    let whole = |text: &str, below: u32| {
        text.trim()
            .parse::<u32>()
            .ok()
            .filter(|value| *value < below)
            .map(f64::from)
    };
    // 60 is a leap second.
    let seconds: f64 = seconds
        .trim()
        .parse()
        .ok()
        .filter(|value| (0.0..61.0).contains(value))?;
    if parts.next().is_some() {
        return None;
    }
    Some(whole(hours, 24)? * 3_600.0 + whole(minutes, 60)? * 60.0 + seconds)
}

/// The same name, also where one of them was encoded as UTF-8 twice: the same recorder writes `°C` one year and `Â°C` the
/// next (seen in the recordings that the tests use).
fn same(a: &str, b: &str) -> bool {
    a == b || once(a) == once(b)
}

/// The text with a second encoding as UTF-8 undone, where there is one.
fn once(text: &str) -> Cow<'_, str> {
    if text.is_ascii() {
        return Cow::Borrowed(text);
    }
    let bytes: Result<Vec<u8>, _> = text.chars().map(|c| u8::try_from(u32::from(c))).collect();
    match bytes.ok().and_then(|bytes| String::from_utf8(bytes).ok()) {
        Some(undone) => Cow::Owned(undone),
        None => Cow::Borrowed(text),
    }
}

/// Bytes as text: UTF-8, or where they are none Latin-1, in which recorders write the degree sign as the one byte B0.
fn text(bytes: &[u8]) -> Cow<'_, str> {
    match std::str::from_utf8(bytes) {
        Ok(text) => Cow::Borrowed(text),
        Err(_) => Cow::Owned(bytes.iter().copied().map(char::from).collect()),
    }
}

/// The cells of one line, without blanks around them. Quotes are as in RFC 4180, but end with the line at the latest: a
/// stray one must not swallow the rest of the file.
fn split(line: &[u8], separator: u8) -> Vec<String> {
    let line = line.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(line);
    let mut reader = csv::ReaderBuilder::new()
        .has_headers(false)
        .flexible(true)
        .delimiter(separator)
        .buffer_capacity(line.len().clamp(64, 65_536))
        .from_reader(line);
    let mut record = csv::ByteRecord::new();
    match reader.read_byte_record(&mut record) {
        Ok(true) => record
            .iter()
            .map(|cell| text(cell).trim().to_owned())
            .collect(),
        _ => Vec::new(),
    }
}

#[cfg(test)]
mod tests {
    use super::super::map::{ColumnMap, TimeColumn};
    use super::*;
    use spinover_protocol::car::{Car, Channel};

    #[test]
    fn one_name_in_three_encodings_is_the_same_name() {
        // As the recordings write it, in UTF-8 once and twice, and as ISO 8859-1 (1998, table 1: degree sign B0) has it.
        let headers: [&[u8]; 3] = [
            b"Time,Temperature [\xC2\xB0C]",
            b"Time,Temperature [\xC3\x82\xC2\xB0C]",
            b"Time,Temperature [\xB0C]",
        ];
        for header in headers {
            let names = split(header, b',');
            assert!(same(&names[1], "Temperature [°C]"), "{names:?}");
            assert!(!same(&names[1], "Temperature [°F]"), "{names:?}");
        }
    }

    fn index() -> ChannelIndex {
        let channel = |key: &str, unit| Channel {
            decimals: 0,
            old_after_ms: 1_000,
            ..Channel::new(key, unit, (0.0, 1_000.0))
        };
        ChannelIndex::new(&Car {
            team: "Larkspur Racing".to_owned(),
            name: "Kestrel".to_owned(),
            channels: vec![
                channel("head_temp", Unit::DegF),
                channel("fuel_left", Unit::UsGal),
            ],
            ..Car::default()
        })
    }

    fn map(form: TimeForm) -> ReplayMap {
        let column = |channel, column: &str, unit| ColumnMap {
            channel,
            column: column.to_owned(),
            nth: 1,
            unit,
            strip: None,
        };
        ReplayMap {
            time: TimeColumn {
                column: "TIME".to_owned(),
                form,
            },
            columns: vec![
                column(0, "T", Unit::DegC),
                ColumnMap {
                    strip: Some("TOTAL :".to_owned()),
                    ..column(1, "Q", Unit::Litre)
                },
            ],
            ..ReplayMap::default()
        }
    }

    fn table(form: TimeForm) -> Table {
        Table::new(b"TIME, T ,X,Q", 1, &map(form), &index()).unwrap()
    }

    fn counted(tally: &mut Tally) -> Vec<(FaultKind, u64)> {
        tally
            .rest(tokio::time::Instant::now())
            .into_iter()
            .map(|fault| (fault.kind, fault.count))
            .collect()
    }

    #[test]
    fn rows_are_converted_and_oddities_survived() {
        let mut table = table(TimeForm::Seconds);
        let mut tally = Tally::default();
        let full = table
            .row(b"1.5, 100.0 ,9,TOTAL : 3.785411784,extra,", 2, &mut tally)
            .unwrap();
        assert_eq!(full.said_s, Some(1.5));
        assert_eq!(full.values[0], (0, 212.0));
        assert!((full.values[1].1 - 1.0).abs() < 1e-12);
        assert_eq!(table.row(b"2,,,", 3, &mut tally).unwrap().values, []);
        assert_eq!(
            table.row(b"2,0", 4, &mut tally).unwrap().values,
            [(0, 32.0)]
        );
        assert_eq!(table.row(b" , ,", 5, &mut tally), None);
        assert_eq!(counted(&mut tally), []);
        assert_eq!(
            table
                .row(b"2,NaN,,\"TOTAL : 1", 6, &mut tally)
                .unwrap()
                .values
                .len(),
            1
        );
        assert_eq!(table.row(b"2,1e999,,x", 7, &mut tally).unwrap().values, []);
        assert_eq!(counted(&mut tally), [(FaultKind::NotANumber, 3)]);
        assert_eq!(table.row(b"two,1", 8, &mut tally).unwrap().said_s, None);
        assert_eq!(table.row(b"NaN,1", 9, &mut tally).unwrap().said_s, None);
        assert_eq!(counted(&mut tally), [(FaultKind::Malformed, 2)]);
    }

    #[test]
    fn clocks_pass_midnight() {
        let mut table = table(TimeForm::Clock);
        let mut tally = Tally::default();
        let mut time = |text: &str| {
            table
                .row(format!("{text},1").as_bytes(), 2, &mut tally)
                .unwrap()
                .said_s
        };
        assert_eq!(time("23:59:59.750"), Some(86_399.75));
        assert_eq!(time("00:00:00.250"), Some(86_400.25));
        assert_eq!(time("00:00:00"), Some(86_400.0));
        for bad in [
            "24:00:00",
            "00:60:00",
            "00:00",
            "00:00:00:00",
            "00:00:61",
            "-1:00:00",
            "99: 1",
        ] {
            assert_eq!(time(bad), None, "{bad}");
        }
    }

    #[test]
    fn dates_are_read_with_and_without_an_offset() {
        let mut table = table(TimeForm::Rfc3339);
        let mut tally = Tally::default();
        let mut time = |text: &str| {
            table
                .row(format!("{text},1").as_bytes(), 2, &mut tally)
                .unwrap()
                .said_s
        };
        // 2024-07-29T14:32:41Z is 1722263561 s after 1970 (date -u -d … +%s).
        for text in [
            "2024-07-29T14:32:41Z",
            "2024-07-29T16:32:41+02:00",
            "2024-07-29 14:32:41",
            "2024-07-29T14:32:41.000",
        ] {
            assert_eq!(time(text), Some(1_722_263_561.0), "{text}");
        }
        assert_eq!(time("29.07.2024 14:32"), None);
    }

    #[test]
    fn a_wrong_map_is_told_what_would_be_right() {
        let wrong = |change: &dyn Fn(&mut ReplayMap), header: &str| {
            let mut map = map(TimeForm::Seconds);
            change(&mut map);
            format!(
                "{:#}",
                Table::new(header.as_bytes(), 1, &map, &index()).unwrap_err()
            )
        };
        let header = "TIME,T,X,Q";
        assert!(
            wrong(&|map| map.columns[0].column = "TT".to_owned(), "TIME,TTT,Q")
                .contains("the nearest is \"TTT\"")
        );
        assert!(wrong(&|map| map.columns[0].nth = 2, header).contains("1 times"));
        assert!(wrong(&|map| map.columns[0].unit = Unit::Psi, header).contains("different things"));
        assert!(wrong(&|map| map.time.column = "When".to_owned(), header).contains("time column"));
        assert!(wrong(&|map| map.columns.clear(), header).contains("none of its channels"));
    }

    #[test]
    fn a_name_encoded_twice_is_the_same_name() {
        assert!(same("T [\u{c2}\u{b0}C]", "T [°C]") && same("T [°C]", "T [\u{c2}\u{b0}C]"));
        assert!(!same("T [°C]", "T [°F]") && !same("Â", "°"));
    }

    #[test]
    fn repeated_names_are_counted_from_one() {
        let mut second = map(TimeForm::Seconds);
        second.columns[0].nth = 2;
        let mut table = Table::new(b"TIME,T,T,Q", 1, &second, &index()).unwrap();
        assert_eq!(
            table
                .row(b"0,0,100", 2, &mut Tally::default())
                .unwrap()
                .values,
            [(0, 212.0)]
        );
    }

    proptest::proptest! {
        #[test]
        fn no_row_panics(line in proptest::collection::vec(proptest::prelude::any::<u8>(), 0..200)) {
            for form in TimeForm::ALL {
                if let Some(row) = table(form).row(&line, 2, &mut Tally::default()) {
                    assert!(row.values.iter().all(|(_, value)| value.is_finite()));
                }
            }
        }
    }
}
