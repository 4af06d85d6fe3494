//! CSV in, the same rows with result columns out. Knows columns and cells, no figure.

use std::fs::File;
use std::io::{self, BufWriter, Read, Write};

use super::{CommandError, quiet_pipe};

/// Bad rows that are named one by one; the rest are only counted.
const NAMED: usize = 3;

/// A CSV being read.
pub(super) struct Table {
    name: String,
    live: bool,
    header: Vec<String>,
    reader: csv::Reader<Box<dyn Read>>,
}

/// A row being worked on.
pub(super) struct Row<'a> {
    cells: &'a [String],
    header: &'a [String],
}

impl Table {
    /// Opens a CSV file, or standard input for `-`, and reads its header.
    ///
    /// # Errors
    /// Input: it cannot be read, or has no header.
    pub(super) fn open(path: &str) -> Result<Table, CommandError> {
        let live = path == "-";
        let (name, source): (String, Box<dyn Read>) = if live {
            ("standard input".to_owned(), Box::new(io::stdin()))
        } else {
            let file = File::open(path)
                .map_err(|error| CommandError::Input(format!("cannot read {path}: {error}")))?;
            (path.to_owned(), Box::new(file))
        };
        // Real files have ragged rows and bytes that are not UTF-8; those are a row's trouble,
        // not the file's.
        let mut reader = csv::ReaderBuilder::new()
            .flexible(true)
            .has_headers(false)
            .from_reader(source);
        let mut record = csv::ByteRecord::new();
        let some = reader
            .read_byte_record(&mut record)
            .map_err(|error| CommandError::Input(format!("cannot read {name}: {error}")))?;
        if !some {
            return Err(CommandError::Input(format!(
                "{name} is empty; a header row is needed"
            )));
        }
        let mut header: Vec<String> = cells(&record).iter().map(|h| h.trim().to_owned()).collect();
        if let Some(first) = header.first_mut()
            && let Some(bare) = first.strip_prefix('\u{feff}')
        {
            *first = bare.trim().to_owned();
        }
        Ok(Table {
            name,
            live,
            header,
            reader,
        })
    }

    /// Where a column stands, by its name; case does not matter. The first of equal names counts.
    pub(super) fn optional(&self, column: &str) -> Option<usize> {
        self.header
            .iter()
            .position(|h| h.eq_ignore_ascii_case(column))
    }

    /// Where a column stands that must be there.
    ///
    /// # Errors
    /// Input, naming the column and the nearest one present.
    pub(super) fn column(&self, column: &str) -> Result<usize, CommandError> {
        self.optional(column).ok_or_else(|| {
            let nearest = self
                .header
                .iter()
                .filter(|h| !h.is_empty())
                .max_by(|a, b| likeness(column, a).total_cmp(&likeness(column, b)));
            CommandError::Input(match nearest {
                Some(nearest) => format!(
                    "{}: no column {column:?}; the nearest there is {nearest:?} (it has: {})",
                    self.name,
                    self.header.join(", ")
                ),
                None => format!(
                    "{}: no column {column:?}; it has none with a name",
                    self.name
                ),
            })
        })
    }

    /// The names of all columns.
    pub(super) fn header(&self) -> &[String] {
        &self.header
    }

    /// Prints every row with `results` appended. Where `work` fails, the result cells stay empty;
    /// such rows are counted, and the count is said on standard error.
    ///
    /// # Errors
    /// A file that cannot be read on, or output that cannot be written.
    pub(super) fn append(
        mut self,
        results: &[&str],
        mut work: impl FnMut(&Row<'_>) -> Result<Vec<String>, String>,
    ) -> Result<(), CommandError> {
        let mut out = csv::WriterBuilder::new()
            .flexible(true)
            .from_writer(BufWriter::new(io::stdout().lock()));
        let head = self
            .header
            .iter()
            .map(String::as_str)
            .chain(results.iter().copied());
        let mut written = out.write_record(head);
        let (mut rows, mut bad) = (0_usize, Vec::<String>::new());
        let mut bad_count = 0_usize;
        let mut record = csv::ByteRecord::new();
        while written.is_ok()
            && self
                .reader
                .read_byte_record(&mut record)
                .map_err(|error| CommandError::Failed(anyhow::anyhow!("{}: {error}", self.name)))?
        {
            rows += 1;
            let mut row = cells(&record);
            let width = self.header.len();
            // A trailing comma makes one empty cell too many; more than that is a broken row.
            let surplus = row.len() > width && row[width..].iter().any(|c| !c.trim().is_empty());
            row.resize(width, String::new());
            let done = if surplus {
                Err("more cells than the header has columns".to_owned())
            } else {
                work(&Row {
                    cells: &row,
                    header: &self.header,
                })
            };
            let mut results_here = done.unwrap_or_else(|why| {
                bad_count += 1;
                if bad.len() < NAMED {
                    bad.push(format!("row {rows}: {why}"));
                }
                Vec::new()
            });
            results_here.resize(results.len(), String::new());
            written = out.write_record(row.iter().chain(&results_here));
            if self.live && written.is_ok() {
                written = out.flush().map_err(csv::Error::from);
            }
        }
        if bad_count > 0 {
            let more = if bad_count > bad.len() { ", ..." } else { "" };
            eprintln!(
                "{}: {bad_count} of {rows} rows without a result ({}{more})",
                self.name,
                bad.join("; ")
            );
        }
        let flushed = written.and_then(|()| out.flush().map_err(csv::Error::from));
        quiet_pipe(flushed.map_err(|error| match error.into_kind() {
            csv::ErrorKind::Io(error) => error,
            other => io::Error::other(format!("{other:?}")),
        }))
    }

    /// Reads every row without printing. Returns what `work` made of the good ones; bad ones are
    /// counted and said on standard error.
    ///
    /// # Errors
    /// A file that cannot be read on.
    pub(super) fn collect<T>(
        mut self,
        mut work: impl FnMut(&Row<'_>) -> Result<T, String>,
    ) -> Result<Vec<T>, CommandError> {
        let (mut out, mut rows, mut bad) = (Vec::new(), 0_usize, 0_usize);
        let mut first = String::new();
        let mut record = csv::ByteRecord::new();
        while self
            .reader
            .read_byte_record(&mut record)
            .map_err(|error| CommandError::Failed(anyhow::anyhow!("{}: {error}", self.name)))?
        {
            rows += 1;
            let mut row = cells(&record);
            row.resize(self.header.len(), String::new());
            match work(&Row {
                cells: &row,
                header: &self.header,
            }) {
                Ok(value) => out.push(value),
                Err(why) => {
                    bad += 1;
                    if bad == 1 {
                        first = format!("row {rows}: {why}");
                    }
                }
            }
        }
        if bad > 0 {
            let _ = writeln!(
                io::stderr(),
                "{}: {bad} of {rows} rows left out ({first})",
                self.name
            );
        }
        Ok(out)
    }
}

impl Row<'_> {
    /// The number in a column.
    ///
    /// # Errors
    /// A clause naming the column and what stands there instead.
    pub(super) fn number(&self, column: usize) -> Result<f64, String> {
        let text = self.cells[column].trim();
        let name = &self.header[column];
        if text.is_empty() {
            return Err(format!("{name} is empty"));
        }
        match text.parse::<f64>() {
            Ok(value) if value.is_finite() => Ok(value),
            _ => Err(format!("{name} is {text:?}, not a number")),
        }
    }

    /// What stands in a column, without spaces around it.
    pub(super) fn text(&self, column: usize) -> &str {
        self.cells[column].trim()
    }

    /// The number in a column that may be absent or empty.
    ///
    /// # Errors
    /// As [`Self::number`], for what is neither empty nor a number.
    pub(super) fn maybe(&self, column: Option<usize>) -> Result<Option<f64>, String> {
        match column {
            Some(column) if !self.cells[column].trim().is_empty() => self.number(column).map(Some),
            _ => Ok(None),
        }
    }
}

fn cells(record: &csv::ByteRecord) -> Vec<String> {
    record
        .iter()
        .map(|cell| String::from_utf8_lossy(cell).into_owned())
        .collect()
}

fn likeness(wanted: &str, present: &str) -> f64 {
    strsim::jaro_winkler(&wanted.to_lowercase(), &present.to_lowercase())
}

/// A number in a cell, or nothing where it is none; never a minus nought.
pub(super) fn cell(value: f64, decimals: usize) -> String {
    if !value.is_finite() {
        return String::new();
    }
    let text = format!("{value:.decimals$}");
    let is_nought = text.bytes().all(|b| matches!(b, b'-' | b'0' | b'.'));
    if is_nought {
        text.trim_start_matches('-').to_owned()
    } else {
        text
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cells_hold_numbers_or_nothing() {
        assert_eq!(cell(1.23456, 2), "1.23");
        assert_eq!(cell(-0.0001, 2), "0.00");
        assert_eq!(cell(-1.5, 1), "-1.5");
        assert_eq!(cell(f64::NAN, 2), "");
        assert_eq!(cell(f64::INFINITY, 2), "");
    }
}
