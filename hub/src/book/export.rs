//! Warm-ups written out, row by row, exactly: times to the microsecond, values so that reading them gives the same number.
//! Each writer answers with what could not be read from the book; it is empty for a sound one.

use super::{
    BookError, Part, Reader, Rows, WarmupEntry,
    import::{FORMAT, OWN_TIME},
};
use base64::{Engine, prelude::BASE64_STANDARD as BASE64};
use serde_json::{Value, json};
use spinover_protocol::book::is_photo;
use std::io::Write;

/// What stops an export.
#[derive(Debug, thiserror::Error)]
pub enum ExportError {
    /// The book.
    #[error(transparent)]
    Book(#[from] BookError),
    /// Where it is written to.
    #[error("cannot write: {0}")]
    Io(#[from] std::io::Error),
}

impl From<serde_json::Error> for ExportError {
    fn from(error: serde_json::Error) -> Self {
        Self::Io(error.into())
    }
}

impl From<csv::Error> for ExportError {
    fn from(error: csv::Error) -> Self {
        match error.into_kind() {
            csv::ErrorKind::Io(error) => Self::Io(error),
            other => Self::Io(std::io::Error::other(format!("{other:?}"))),
        }
    }
}

/// Microseconds as seconds, exactly, without needless zeros: `12.345`.
pub fn seconds(t_us: i64) -> String {
    let (sign, size) = (if t_us < 0 { "-" } else { "" }, t_us.unsigned_abs());
    let (whole, part) = (size / 1_000_000, size % 1_000_000);
    match part {
        0 => format!("{sign}{whole}"),
        _ => format!(
            "{sign}{whole}.{}",
            format!("{part:06}").trim_end_matches('0')
        ),
    }
}

/// Microseconds since the warm-up began.
pub(super) fn since(entry: &WarmupEntry, t_us: i64) -> i64 {
    t_us.saturating_sub(entry.begun_at.saturating_mul(1000))
}

/// The readings as CSV: a header of `t_s` (seconds since the warm-up began) and the channels' keys, then one line for each
/// row in the order in which they came. A channel without a reading in that row has an empty cell. Values are in the
/// channels' units.
///
/// # Errors
/// When there is no such warm-up, or `out` fails.
pub fn csv(reader: &Reader, id: &str, out: impl Write) -> Result<Vec<String>, ExportError> {
    let entry = reader.warmup(id)?;
    let mut out = csv::Writer::from_writer(out);
    out.write_field(OWN_TIME)?;
    for channel in &entry.channels {
        out.write_field(channel.key.as_str())?;
    }
    out.write_record(None::<&[u8]>)?;
    let lost = each_row(reader, id, |t_us, cells| {
        out.write_field(seconds(since(&entry, t_us)))?;
        let mut cells = cells.iter().peekable();
        for place in 0..entry.channels.len() {
            match cells.next_if(|(channel, _)| usize::from(*channel) == place) {
                Some((_, value)) => out.write_field(value.to_string())?,
                None => out.write_field("")?,
            }
        }
        Ok(out.write_record(None::<&[u8]>)?)
    })?;
    out.flush()?;
    Ok(lost)
}

/// The readings as JSON lines, one object for each row: `{"t":12.345,"engine_rpm":2410.0}`. `t` is seconds since the
/// warm-up began. Such lines can be fed to a hub again.
///
/// # Errors
/// When there is no such warm-up, or `out` fails.
pub fn lines(reader: &Reader, id: &str, mut out: impl Write) -> Result<Vec<String>, ExportError> {
    let keys = Keys::new(&reader.warmup(id)?)?;
    let lost = each_row(reader, id, |t_us, cells| {
        keys.row(&mut out, t_us, cells)?;
        Ok(out.write_all(b"\n")?)
    })?;
    out.flush()?;
    Ok(lost)
}

/// The whole warm-up as one JSON document: what is known of it, its events, its readings, what its figures said, its photos. Another book can take it in.
///
/// # Errors
/// When there is no such warm-up, or `out` fails.
pub fn json(reader: &Reader, id: &str, mut out: impl Write) -> Result<Vec<String>, ExportError> {
    let entry = reader.warmup(id)?;
    let keys = Keys::new(&entry)?;
    write!(
        out,
        "{{\"format\":{},\n\"warmup\":{},\n\"events\":[",
        json!(FORMAT),
        serde_json::to_string(&entry)?
    )?;
    let mut comma = "\n";
    for event in reader.story(id)? {
        out.write_all(comma.as_bytes())?;
        serde_json::to_writer(&mut out, &event)?;
        comma = ",\n";
    }
    out.write_all(b"\n],\n\"readings\":[")?;
    let mut comma = "\n";
    let mut lost = each_row(reader, id, |t_us, cells| {
        out.write_all(comma.as_bytes())?;
        comma = ",\n";
        keys.row(&mut out, t_us, cells)
    })?;
    out.write_all(b"\n],\n\"figures\":[")?;
    let mut comma = "\n";
    lost.extend(reader.each_said(id, |said| -> Result<(), ExportError> {
        out.write_all(comma.as_bytes())?;
        comma = ",\n";
        Ok(serde_json::to_writer(&mut out, &said)?)
    })?);
    out.write_all(b"\n],\n\"photos\":[")?;
    let mut comma = "\n";
    for name in entry.photos.iter().filter(|name| is_photo(name)) {
        match reader.photos().read(name) {
            Ok((_, bytes)) => {
                write!(
                    out,
                    "{comma}{}",
                    json!({ "name": name, "base64": BASE64.encode(bytes) })
                )?;
                comma = ",\n";
            }
            Err(what) => lost.push(what),
        }
    }
    out.write_all(b"\n]}\n")?;
    out.flush()?;
    Ok(lost)
}

/// The events as JSON lines, as the journal holds them; before the warm-up's own come the last joinings of those who had
/// joined before.
///
/// # Errors
/// When there is no such warm-up, or `out` fails.
pub fn events(reader: &Reader, id: &str, mut out: impl Write) -> Result<Vec<String>, ExportError> {
    for event in reader.story(id)? {
        serde_json::to_writer(&mut out, &event)?;
        out.write_all(b"\n")?;
    }
    out.flush()?;
    Ok(Vec::new())
}

pub(super) fn each_row(
    reader: &Reader,
    id: &str,
    mut each: impl FnMut(i64, &[(u16, f64)]) -> Result<(), ExportError>,
) -> Result<Vec<String>, ExportError> {
    reader.each_block(id, Part::default(), |rows: Rows| rows.each_row(&mut each))
}

/// The channels' keys as JSON texts.
struct Keys {
    begun_us: i64,
    keys: Vec<String>,
}

impl Keys {
    fn new(entry: &WarmupEntry) -> Result<Self, ExportError> {
        let keys = entry
            .channels
            .iter()
            .map(|channel| serde_json::to_string(&channel.key));
        Ok(Self {
            begun_us: entry.begun_at.saturating_mul(1000),
            keys: keys.collect::<Result<_, _>>()?,
        })
    }

    fn row(
        &self,
        out: &mut impl Write,
        t_us: i64,
        cells: &[(u16, f64)],
    ) -> Result<(), ExportError> {
        write!(
            out,
            "{{\"t\":{}",
            seconds(t_us.saturating_sub(self.begun_us))
        )?;
        for (channel, value) in cells {
            // A channel that the car does not have can only come from a damaged file; the number is then all there is.
            let Some(key) = self.keys.get(usize::from(*channel)) else {
                continue;
            };
            // Not a number is not JSON; sources never let it in.
            write!(out, ",{key}:{}", Value::from(*value))?;
        }
        Ok(out.write_all(b"}")?)
    }
}

#[cfg(test)]
mod tests {
    use super::seconds;

    #[test]
    fn seconds_are_exact_and_short() {
        for (micros, text) in [
            (0, "0"),
            (1, "0.000001"),
            (-1, "-0.000001"),
            (12_345_000, "12.345"),
            (-1_500_000, "-1.5"),
            (1_779_000_000_123_456, "1779000000.123456"),
        ] {
            assert_eq!(seconds(micros), text);
        }
    }
}
