//! Recordings as the tests read them: by themselves, so that what the hub makes of a file is checked against the file.

use std::{fmt::Write, path::Path};

/// How a recording writes its times, in the car file's words.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Times {
    /// Seconds.
    Seconds,
    /// The time of day.
    Clock,
    /// A date and time, one row a second; only the order is looked at.
    Rfc3339,
}

/// A column that a test wants, and the channel that it becomes. No unit is converted, so values must come through bit for bit.
#[derive(Clone, Debug, PartialEq)]
pub struct Column {
    /// The channel's key.
    pub key: &'static str,
    /// How the column's header begins; recorders write the same column differently over the years.
    pub begins: &'static str,
    /// The unit of both.
    pub unit: &'static str,
    /// Text before the number.
    pub strip: &'static str,
}

impl Column {
    /// A column of plain numbers.
    pub const fn new(key: &'static str, begins: &'static str, unit: &'static str) -> Self {
        Self {
            key,
            begins,
            unit,
            strip: "",
        }
    }
}

/// What a test needs of a recording.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Recording {
    /// The time column's header.
    pub time: String,
    /// The wanted columns' headers.
    pub headers: Vec<String>,
    /// Its rows in order, without those that hold none of the wanted values, and without those whose time goes back.
    pub rows: Vec<Row>,
    /// Rows whose time goes back before the latest.
    pub back: usize,
}

/// One row.
#[derive(Clone, Debug, PartialEq)]
pub struct Row {
    /// Its time in seconds from any start.
    pub t_s: f64,
    /// A value for each wanted column, where the row has one.
    pub cells: Vec<Option<f64>>,
}

impl Recording {
    /// Reads a file.
    ///
    /// # Panics
    /// When it is not as its description says.
    pub fn read(path: &Path, time: &str, times: Times, columns: &[Column]) -> Self {
        let bytes =
            std::fs::read(path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
        let mut reader = csv::ReaderBuilder::new()
            .has_headers(false)
            .flexible(true)
            .trim(csv::Trim::All)
            .from_reader(&bytes[..]);
        let mut rows = reader.byte_records().map(|row| row.expect("rows of cells"));
        let text = |cell: &[u8]| String::from_utf8_lossy(cell).into_owned();
        let header: Vec<String> = rows
            .by_ref()
            .map(|row| row.iter().map(text).collect::<Vec<_>>())
            .find(|row| row.first().is_some_and(|first| first == time))
            .unwrap_or_else(|| panic!("{}: no header that begins with {time}", path.display()));
        let place = |column: &Column| {
            header
                .iter()
                .position(|name| name.starts_with(column.begins))
                .unwrap_or_else(|| panic!("no column {}", column.begins))
        };
        let places: Vec<usize> = columns.iter().map(place).collect();
        let headers = places.iter().map(|place| header[*place].clone()).collect();
        let mut recording = Self {
            time: time.to_owned(),
            headers,
            ..Self::default()
        };
        let mut latest = f64::NEG_INFINITY;
        for (number, row) in rows.enumerate() {
            let said = text(row.get(0).unwrap_or_default());
            if said.is_empty() {
                continue;
            }
            let t_s = match times {
                Times::Seconds => said.parse().expect("seconds"),
                Times::Clock => of_day(&said),
                Times::Rfc3339 => number as f64,
            };
            if t_s < latest {
                recording.back += 1;
                continue;
            }
            latest = t_s;
            let cell = |(place, column): (&usize, &Column)| {
                let text = text(row.get(*place).unwrap_or_default());
                let number = text.strip_prefix(column.strip).unwrap_or(&text).trim();
                (!number.is_empty()).then(|| {
                    number
                        .parse()
                        .unwrap_or_else(|_| panic!("{number} in {}", column.begins))
                })
            };
            let cells: Vec<Option<f64>> = places.iter().zip(columns).map(cell).collect();
            if cells.iter().any(Option::is_some) {
                recording.rows.push(Row { t_s, cells });
            }
        }
        recording
    }

    /// The latest value of each column after each row.
    pub fn states(&self) -> Vec<Vec<Option<f64>>> {
        let mut state = vec![None; self.headers.len()];
        let after = |row: &Row| {
            for (known, new) in state.iter_mut().zip(&row.cells) {
                *known = new.or(*known);
            }
            state.clone()
        };
        self.rows.iter().map(after).collect()
    }

    /// A car file for it: each wanted column is a channel in the column's own unit, and everything is plausible.
    pub fn car(&self, times: Times, columns: &[Column]) -> String {
        let form = match times {
            Times::Seconds => "seconds",
            Times::Clock => "clock",
            Times::Rfc3339 => "rfc3339",
        };
        let mut car = "team = \"Larkspur Racing\"\nname = \"Kestrel\"\n".to_owned();
        let _ = write!(
            car,
            "[replay]\ntime = {{ column = {:?}, form = \"{form}\" }}\n",
            self.time
        );
        for (column, header) in columns.iter().zip(&self.headers) {
            let Column {
                key, unit, strip, ..
            } = column;
            let _ = write!(
                car,
                "[[channel]]\nkey = \"{key}\"\nunit = \"{unit}\"\nplausible = [-1e6, 1e6]\ncolumn = {header:?}\n"
            );
            if !strip.is_empty() {
                let _ = writeln!(car, "strip = {strip:?}");
            }
        }
        car + "[[role]]\nkey = \"chief\"\nlabel = \"Crew chief\"\n"
    }
}

fn of_day(text: &str) -> f64 {
    text.split(':').fold(0.0, |sum, part| {
        sum * 60.0 + part.trim().parse::<f64>().expect("hours, minutes, seconds")
    })
}
