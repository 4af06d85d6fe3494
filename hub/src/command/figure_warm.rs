//! `spinover figure warm`: rows in, the same rows with the time to the target temperature out. Reads files, forecasts nothing itself.
use std::fmt;
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};

use anyhow::Context;
use clap::Args;
use csv::{ByteRecord, ReaderBuilder, WriterBuilder};

use crate::figures::warm::{CantSay, Forecast, Warm, WarmCurve};

/// Time to a target temperature with an 80 % interval, from the rows so far and earlier warm-ups.
///
/// Adds `eta_s`, `eta_lo_s` and `eta_hi_s` to every row: seconds from that row until the
/// temperature first reaches the target, computed from that row and earlier ones only; empty where
/// it can't be said (`--json` says why).
#[derive(Args, Clone, Debug)]
pub struct WarmArgs {
    /// Temperature to reach, deg C
    #[arg(long, value_name = "C", allow_negative_numbers = true)]
    pub target: f64,
    /// An earlier warm-up of the same engine: a CSV with the same columns; may be given several times
    #[arg(long, value_name = "FILE")]
    pub history: Vec<PathBuf>,
    /// Rows to forecast from (`-` for standard input): columns `t_s`, `temp_c` and, where known, `engine_rpm`
    #[arg(long, value_name = "IN")]
    pub csv: String,
    /// Print one JSON object, the state after the last row, instead of the rows
    #[arg(long)]
    pub json: bool,
}

/// Columns that the forecast adds.
const ADDED: [&str; 3] = ["eta_s", "eta_lo_s", "eta_hi_s"];

/// Something wrong with what was given, not with the machine: exit code 2.
#[derive(Debug)]
pub struct BadInput(pub String);

impl fmt::Display for BadInput {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl std::error::Error for BadInput {}

/// Runs `spinover figure warm`, to standard output; remarks go to standard error.
///
/// # Errors
/// [`BadInput`] (found by `downcast_ref`) for a missing file or column or a target that is no
/// temperature; anything else is a failure on the way.
pub fn run(args: &WarmArgs) -> anyhow::Result<()> {
    let stdout = io::stdout().lock();
    if args.csv == "-" {
        run_on(args, io::stdin().lock(), "standard input", stdout)
    } else {
        let file = open(Path::new(&args.csv))?;
        run_on(args, file, &args.csv, stdout)
    }
}

fn open(path: &Path) -> anyhow::Result<std::fs::File> {
    Ok(std::fs::File::open(path)
        .map_err(|e| BadInput(format!("{}: cannot be read: {e}", path.display())))?)
}

/// Where the columns are.
#[derive(Clone, Copy)]
struct Places {
    t: usize,
    temp: usize,
    rpm: Option<usize>,
    width: usize,
}

impl Places {
    fn find(header: &ByteRecord, name: &str) -> Result<Places, BadInput> {
        let place = |column: &str| {
            header
                .iter()
                .position(|h| field(h).eq_ignore_ascii_case(column))
        };
        let must = |column: &str| {
            place(column).ok_or_else(|| {
                let has: Vec<String> = header.iter().map(|h| field(h).to_string()).collect();
                BadInput(format!(
                    "{name}: no column `{column}`; it has `{}`, it needs `t_s`, `temp_c` and, where known, `engine_rpm`",
                    has.join("`, `")
                ))
            })
        };
        Ok(Places {
            t: must("t_s")?,
            temp: must("temp_c")?,
            rpm: place("engine_rpm"),
            width: header.len(),
        })
    }

    /// Time, temperature, engine speed of a row; NaN or none where blank or no number.
    fn row(&self, record: &ByteRecord) -> (f64, f64, Option<f64>) {
        let number = |i: usize| {
            let value = record.get(i).and_then(|b| field(b).parse::<f64>().ok());
            value.filter(|value| value.is_finite())
        };
        (
            number(self.t).unwrap_or(f64::NAN),
            number(self.temp).unwrap_or(f64::NAN),
            self.rpm.and_then(number),
        )
    }

    /// A trailing comma makes one empty cell too many; more than that is a broken row.
    fn too_wide(&self, record: &ByteRecord) -> bool {
        record.iter().skip(self.width).any(|f| !field(f).is_empty())
    }

    /// What is wrong with a row, as a clause; blanks are not.
    fn wrong_with(&self, record: &ByteRecord) -> Option<String> {
        if self.too_wide(record) {
            return Some("more cells than the header has columns".to_owned());
        }
        let asked = [
            ("t_s", Some(self.t)),
            ("temp_c", Some(self.temp)),
            ("engine_rpm", self.rpm),
        ];
        asked.into_iter().find_map(|(name, at)| {
            let text = field(record.get(at?)?);
            let number = text.parse::<f64>().is_ok_and(f64::is_finite);
            (!text.is_empty() && !number).then(|| format!("{name} is {text:?}, not a number"))
        })
    }
}

/// A field as text, without blanks about it and the mark that some programs begin a file with.
fn field(bytes: &[u8]) -> &str {
    std::str::from_utf8(bytes)
        .unwrap_or("")
        .trim_start_matches('\u{feff}')
        .trim()
}

fn read_history(path: &Path) -> anyhow::Result<WarmCurve> {
    let name = path.display().to_string();
    let mut reader = ReaderBuilder::new().flexible(true).from_reader(open(path)?);
    let places = Places::find(
        &reader.byte_headers().map_err(|e| bad(&name, e))?.clone(),
        &name,
    )?;
    let mut rows = Vec::new();
    for record in reader.byte_records() {
        rows.push(places.row(&record.map_err(|e| bad(&name, e))?));
    }
    if !rows.iter().any(|r| r.0.is_finite() && r.1.is_finite()) {
        return Err(BadInput(format!("{name}: no row with a time and a temperature")).into());
    }
    Ok(WarmCurve { rows })
}

fn bad(name: &str, error: csv::Error) -> BadInput {
    BadInput(format!("{name}: {error}"))
}

/// As [`run`], from and to any stream; `name` stands for the input in messages.
///
/// # Errors
/// As [`run`].
pub fn run_on(
    args: &WarmArgs,
    input: impl Read,
    name: &str,
    out: impl Write,
) -> anyhow::Result<()> {
    if !args.target.is_finite() || !(-60.0..=1500.0).contains(&args.target) {
        return Err(BadInput(format!(
            "--target {}: a temperature in deg C from -60 to 1500 is needed",
            args.target
        ))
        .into());
    }
    let history = args
        .history
        .iter()
        .map(|p| read_history(p))
        .collect::<anyhow::Result<Vec<_>>>()?;
    let given = history.len();
    let mut warm = Warm::new(args.target, history);
    if warm.history_len() < given {
        eprintln!(
            "{} of {given} history files rise by less than 2 deg C and are left out",
            given - warm.history_len()
        );
    }

    let mut reader = ReaderBuilder::new().flexible(true).from_reader(input);
    let header = reader.byte_headers().map_err(|e| bad(name, e))?.clone();
    let places = Places::find(&header, name)?;
    let mut writer = WriterBuilder::new().flexible(true).from_writer(out);
    if !args.json {
        let mut head = header.clone();
        ADDED.iter().for_each(|a| head.push_field(a.as_bytes()));
        writer.write_byte_record(&head)?;
    }
    let mut last = Err(CantSay::NoReading);
    let (mut rows, mut odd, mut first) = (0_u64, 0_u64, String::new());
    for record in reader.byte_records() {
        let record = record.map_err(|e| bad(name, e))?;
        rows += 1;
        if let Some(why) = places.wrong_with(&record) {
            odd += 1;
            if odd == 1 {
                first = format!("row {rows}: {why}");
            }
        }
        let mut row = fitted(&record, places.width);
        // Which cell of a broken row is which cannot be known, so nothing in it is believed.
        let (t, temp, rpm) = if places.too_wide(&record) {
            (f64::NAN, f64::NAN, None)
        } else {
            places.row(&row)
        };
        warm.push(t, temp, rpm);
        // A row without a time has no "from that row on".
        last = if t.is_finite() {
            warm.forecast()
        } else {
            Err(CantSay::NoReading)
        };
        if !args.json {
            match last {
                Ok(f) => [f.eta_s, f.lo_s, f.hi_s]
                    .iter()
                    .for_each(|s| row.push_field(format!("{s:.1}").as_bytes())),
                Err(_) => ADDED.iter().for_each(|_| row.push_field(b"")),
            }
            writer.write_byte_record(&row)?;
            // Rows typed or piped in one by one are answered one by one.
            if args.csv == "-" {
                writer.flush().context("writing the rows")?;
            }
        }
    }
    writer.flush().context("writing the rows")?;
    if odd > 0 {
        eprintln!("{name}: {odd} of {rows} rows could not be read in full ({first})");
    }
    if args.json {
        let mut out = writer.into_inner().map_err(|e| e.into_error())?;
        writeln!(out, "{}", as_json(&warm, last))?;
    }
    Ok(())
}

/// The record at the header's width: surplus cells fall away, missing ones are empty.
fn fitted(record: &ByteRecord, width: usize) -> ByteRecord {
    let mut row: ByteRecord = record.iter().take(width).collect();
    while row.len() < width {
        row.push_field(b"");
    }
    row
}

fn as_json(warm: &Warm, last: Result<Forecast, CantSay>) -> serde_json::Value {
    let (mut object, words) = match last {
        Ok(f) => (serde_json::json!(f), f.words(warm.target_c())),
        Err(why) => (
            serde_json::json!({ "cant_say": why }),
            why.words(warm.target_c()),
        ),
    };
    object["target_c"] = warm.target_c().into();
    object["words"] = words.into();
    object
}
