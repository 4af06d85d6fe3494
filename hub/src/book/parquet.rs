//! A warm-up as one Parquet file, exactly: a column for the time, one for each channel, and all that is known besides in the
//! file's metadata, so that another book can take it in unchanged.
//!
//! Built with the feature `parquet` only.

use super::{
    Book, BookError, Reader, Rows,
    export::{self, ExportError},
    import::{Document, FORMAT},
};
use parquet::{
    basic::{Compression, Repetition, Type as Physical},
    column::reader::ColumnReader,
    data_type::{DoubleType, Int64Type},
    errors::ParquetError,
    file::{
        metadata::KeyValue,
        properties::{WriterProperties, WriterPropertiesPtr},
        reader::{ChunkReader, FileReader, RowGroupReader, SerializedFileReader},
        writer::SerializedFileWriter,
    },
    schema::types::{Type, TypePtr},
};
use std::{io::Write, sync::Arc};

/// The time column: microseconds since the warm-up began.
pub const TIME: &str = "t_us";
/// Under this key the metadata have the rest of the warm-up, as JSON.
const KEY: &str = "spinover";
/// Rows in a row group: eleven minutes at 100 rows a second.
const GROUP_ROWS: usize = 65_536;

/// Writes Parquet: Snappy, and the encodings that the library chooses.
pub struct Writer<W: Write + Send> {
    file: SerializedFileWriter<W>,
    channels: usize,
    waiting: Rows,
}

impl<W: Write + Send> Writer<W> {
    /// Begins a file with these channels' columns, and this text in its metadata.
    ///
    /// # Errors
    /// When two channels have one name, or `out` fails.
    pub fn new(out: W, channels: &[String], about: Option<String>) -> Result<Self, ParquetError> {
        let mut fields = vec![column(TIME, Physical::INT64, Repetition::REQUIRED)?];
        for key in channels {
            fields.push(column(key, Physical::DOUBLE, Repetition::OPTIONAL)?);
        }
        let schema = Type::group_type_builder("warmup")
            .with_fields(fields)
            .build()?;
        let about = about.map(|text| vec![KeyValue::new(KEY.to_owned(), text)]);
        let properties: WriterPropertiesPtr = Arc::new(
            WriterProperties::builder()
                .set_compression(Compression::SNAPPY)
                .set_key_value_metadata(about)
                .build(),
        );
        Ok(Self {
            file: SerializedFileWriter::new(out, Arc::new(schema), properties)?,
            channels: channels.len(),
            waiting: Rows::default(),
        })
    }

    /// Adds a row. Its time is in microseconds since the beginning; channels are in order, none twice.
    ///
    /// # Errors
    /// When what it is written to fails.
    pub fn row(&mut self, t_us: i64, cells: &[(u16, f64)]) -> Result<(), ParquetError> {
        self.waiting.times_us.push(t_us);
        let row = (self.waiting.len() - 1) as u32;
        for (channel, value) in cells {
            let column = self.waiting.columns.entry(*channel).or_default();
            column.rows.push(row);
            column.values.push(*value);
        }
        if self.waiting.len() >= GROUP_ROWS {
            self.group()?;
        }
        Ok(())
    }

    fn group(&mut self) -> Result<(), ParquetError> {
        let rows = std::mem::take(&mut self.waiting);
        if rows.is_empty() {
            return Ok(());
        }
        let mut group = self.file.next_row_group()?;
        if let Some(mut column) = group.next_column()? {
            let times = column.typed::<Int64Type>();
            times.write_batch(&rows.times_us, None, None)?;
            column.close()?;
        }
        for channel in 0..self.channels {
            let Some(mut column) = group.next_column()? else {
                break;
            };
            let mut there = vec![0i16; rows.len()];
            let here = rows.columns.get(&(channel as u16));
            for row in here.into_iter().flat_map(|column| &column.rows) {
                there[*row as usize] = 1;
            }
            let values = here.map_or(&[][..], |column| &column.values);
            let doubles = column.typed::<DoubleType>();
            doubles.write_batch(values, Some(&there), None)?;
            column.close()?;
        }
        group.close().map(|_| ())
    }

    /// Ends the file.
    ///
    /// # Errors
    /// When what it is written to fails.
    pub fn finish(mut self) -> Result<W, ParquetError> {
        self.group()?;
        self.file.into_inner()
    }
}

fn column(name: &str, physical: Physical, repetition: Repetition) -> Result<TypePtr, ParquetError> {
    let built = Type::primitive_type_builder(name, physical).with_repetition(repetition);
    Ok(Arc::new(built.build()?))
}

fn wrong(error: ParquetError) -> ExportError {
    ExportError::Io(std::io::Error::other(error))
}

/// Writes a warm-up out: [`TIME`] (whole microseconds since it began), then a column for each channel's key, empty where a row
/// has no reading of it. Gives what could not be read from the book.
///
/// # Errors
/// When there is no such warm-up, or `out` fails.
pub fn write(reader: &Reader, id: &str, mut out: impl Write) -> Result<Vec<String>, ExportError> {
    let entry = reader.warmup(id)?;
    let keys: Vec<String> = entry
        .channels
        .iter()
        .map(|channel| channel.key.to_string())
        .collect();
    let about = serde_json::json!({
        "format": FORMAT,
        "warmup": &entry,
        "events": reader.story(id)?,
        // They are the columns.
        "readings": [],
    });
    // The library wants to send its output to other threads, which standard output cannot be; an hour takes some megabytes.
    let mut writer = Writer::new(Vec::new(), &keys, Some(about.to_string())).map_err(wrong)?;
    let lost = export::each_row(reader, id, |t_us, cells| {
        writer
            .row(export::since(&entry, t_us), cells)
            .map_err(wrong)
    })?;
    out.write_all(&writer.finish().map_err(wrong)?)?;
    out.flush()?;
    Ok(lost)
}

/// Takes a warm-up into a book from a file that [`write`] made, under another id if one is given.
///
/// # Errors
/// [`BookError::Refused`] when it is no such file; else as [`Book::import`].
pub async fn into_book(
    file: impl ChunkReader + 'static,
    book: &Book,
    new_id: Option<&str>,
) -> Result<String, BookError> {
    let refused =
        |error: ParquetError| BookError::Refused(format!("this is no Parquet file: {error}"));
    let reader = SerializedFileReader::new(file).map_err(refused)?;
    let metadata = reader.metadata().file_metadata();
    let about = metadata
        .key_value_metadata()
        .and_then(|pairs| pairs.iter().find(|pair| pair.key == KEY))
        .and_then(|pair| pair.value.as_deref());
    let about = about.ok_or_else(|| {
        BookError::Refused(
            "this Parquet file is no exported warm-up; write it as a CSV and import that with --car".to_owned(),
        )
    })?;
    let mut document = Document::read(about.as_bytes())?;
    let columns = metadata.schema_descr().columns();
    if columns.first().is_none_or(|first| first.name() != TIME) {
        return Err(BookError::Refused(format!(
            "its first column is not {TIME}"
        )));
    }
    let (id, begun_at, channels) = document.begun(new_id)?;
    let begun_us = begun_at.saturating_mul(1000);
    let mut places = Vec::new();
    for column in &columns[1..] {
        let place = channels
            .iter()
            .position(|key| key.as_str() == column.name());
        places.push(place.ok_or_else(|| {
            BookError::Refused(format!("the car has no channel {}", column.name()))
        })?);
    }
    let mut import = document.begin(book).await?;
    for n in 0..reader.num_row_groups() {
        let group = reader.get_row_group(n).map_err(refused)?;
        let (times, columns) = read_group(group.as_ref()).map_err(refused)?;
        let mut row = Vec::new();
        for (n, t_us) in times.into_iter().enumerate() {
            row.clear();
            for (place, cells) in places.iter().zip(&columns) {
                if let Some(value) = cells[n] {
                    row.push((*place, begun_us.saturating_add(t_us), value));
                }
            }
            row.sort_by_key(|(place, ..)| *place);
            import.row(&row).await?;
        }
    }
    import.finish().await?;
    Ok(id)
}

type Group = (Vec<i64>, Vec<Vec<Option<f64>>>);

fn read_group(group: &dyn RowGroupReader) -> Result<Group, ParquetError> {
    let rows = usize::try_from(group.metadata().num_rows())
        .map_err(|_| ParquetError::General("a negative number of rows".to_owned()))?;
    let other = || ParquetError::General("a column that an exported warm-up has not".to_owned());
    let short = || ParquetError::General("a column that is too short".to_owned());
    let (mut times, mut columns) = (Vec::new(), Vec::new());
    for n in 0..group.num_columns() {
        match (n, group.get_column_reader(n)?) {
            (0, ColumnReader::Int64ColumnReader(mut reader)) => {
                reader.read_records(rows, None, None, &mut times)?;
            }
            (1.., ColumnReader::DoubleColumnReader(mut reader)) => {
                let (mut values, mut there) = (Vec::new(), Vec::new());
                reader.read_records(rows, Some(&mut there), None, &mut values)?;
                let mut values = values.into_iter();
                let cells: Vec<Option<f64>> = there
                    .iter()
                    .map(|there| (*there == 1).then(|| values.next()).flatten())
                    .collect();
                // Not a number and the infinite never come from a source.
                if cells.iter().flatten().any(|value| !value.is_finite()) {
                    return Err(ParquetError::General(
                        "a reading that is no finite number".to_owned(),
                    ));
                }
                columns.push(cells);
            }
            _ => return Err(other()),
        }
    }
    let whole = times.len() == rows && columns.iter().all(|cells| cells.len() == rows);
    whole.then_some((times, columns)).ok_or_else(short)
}
