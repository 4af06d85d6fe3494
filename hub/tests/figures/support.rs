//! Reads reference tables, and keeps the largest deviation seen for the report.
use std::collections::HashMap;
use std::path::PathBuf;

/// A table of text cells by column name.
pub struct Reference {
    name: String,
    header: HashMap<String, usize>,
    pub rows: Vec<csv::StringRecord>,
}

impl Reference {
    /// Reads `tests/data/reference/NAME.csv`.
    pub fn read(name: &str) -> Reference {
        let path = PathBuf::from(env!("CARGO_MANIFEST_DIR"))
            .join("tests/data/reference")
            .join(format!("{name}.csv"));
        let mut reader = csv::Reader::from_path(&path).expect("reference table");
        let header = reader
            .headers()
            .expect("header")
            .iter()
            .map(str::to_owned)
            .zip(0..)
            .collect();
        let rows = reader.records().map(|r| r.expect("row")).collect();
        Reference {
            name: name.to_owned(),
            header,
            rows,
        }
    }

    pub fn text<'a>(&self, row: &'a csv::StringRecord, column: &str) -> &'a str {
        &row[self.header[column]]
    }

    pub fn number(&self, row: &csv::StringRecord, column: &str) -> f64 {
        let text = self.text(row, column);
        text.parse()
            .unwrap_or_else(|_| panic!("{} {column}: {text:?}", self.name))
    }

    /// As `number`, where the cell may be empty.
    pub fn maybe(&self, row: &csv::StringRecord, column: &str) -> Option<f64> {
        (!self.text(row, column).is_empty()).then(|| self.number(row, column))
    }
}

/// Largest deviation seen, checked against a bound at the end; printed for `--nocapture`.
pub struct Largest {
    what: &'static str,
    bound: f64,
    seen: f64,
    rows: usize,
}

impl Largest {
    pub fn new(what: &'static str, bound: f64) -> Largest {
        Largest {
            what,
            bound,
            seen: 0.0,
            rows: 0,
        }
    }

    pub fn absolute(&mut self, got: f64, want: f64) {
        self.note((got - want).abs());
    }

    pub fn relative(&mut self, got: f64, want: f64) {
        self.note((got / want - 1.0).abs());
    }

    fn note(&mut self, off: f64) {
        self.rows += 1;
        // A NaN must not pass for small.
        self.seen = if off.is_nan() {
            f64::INFINITY
        } else {
            self.seen.max(off)
        };
    }

    /// Checks the bound over at least `rows` values.
    pub fn check(self, rows: usize) {
        println!(
            "{}: largest {:.3e} of {} rows, bound {:.1e}",
            self.what, self.seen, self.rows, self.bound
        );
        assert!(self.rows >= rows, "{}: only {} rows", self.what, self.rows);
        assert!(
            self.seen <= self.bound,
            "{}: {:e} > {:e}",
            self.what,
            self.seen,
            self.bound
        );
    }
}
