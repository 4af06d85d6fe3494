//! `spinover book import`: a file from elsewhere becomes a warm-up of the book. A recording is read by the same source
//! that replays it, so that what the book gets is what the screens would have shown.

use super::{Data, Failure, Remarks, answered, attach, columnar, runtime};
use crate::{
    book::{
        Book, Edit,
        import::{Document, OWN_TIME, bare_events, id_of, own_csv},
    },
    files::{CarFile, load_car},
    sources::whole::{self, Whole},
};
use clap::Args;
use spinover_protocol::Millis;
use std::{
    fs::File,
    io::{BufRead, BufReader, Read, Write},
    path::PathBuf,
};

#[derive(Debug, Args)]
pub(super) struct ImportArgs {
    #[command(flatten)]
    data: Data,
    /// The file: an export (`json`, `parquet`, or `csv` with --car), or a recording with --car.
    file: PathBuf,
    /// The car file; its `column` keys say how the recording's columns become channels. Not needed for a json export.
    #[arg(long, value_name = "FILE")]
    car: Option<PathBuf>,
    /// When it began, by RFC 3339 (2026-05-16T14:03:22Z). When absent: the first time in the recording if it has dates,
    /// else when the file was last written.
    #[arg(long, value_name = "TIME")]
    begun: Option<jiff::Timestamp>,
    /// The id that it gets; when absent its own, or one made from the time it began.
    #[arg(long)]
    id: Option<String>,
    #[command(flatten)]
    remarks: Remarks,
}

impl ImportArgs {
    pub(super) fn run(self, out: &mut impl Write) -> Result<(), Failure> {
        let name = self
            .file
            .file_name()
            .unwrap_or_default()
            .to_string_lossy()
            .into_owned();
        let head = self.head()?;
        let photos = self.remarks.photos()?;
        if head.starts_with('{') {
            let document = Document::read(self.open()?)?;
            let (book, _) = Book::open(&self.data.data)?;
            let id = runtime()?.block_on(async {
                let id = document.into_book(&book, self.id.as_deref()).await?;
                answered(book.edit(&id, self.remarks.edit()).await)?;
                attach(&book, &id, &photos).await?;
                book.close().await.map(|()| id)
            })?;
            return Ok(writeln!(out, "{id} is in the book")?);
        }
        if head.starts_with(columnar::MAGIC) {
            columnar::ready()?;
            let (id, edit) = (self.id.as_deref(), self.remarks.edit());
            let id = columnar::take_in(&self.file, &self.data.data, id, edit, &photos)?;
            return Ok(writeln!(out, "{id} is in the book")?);
        }
        let Some(path) = &self.car else {
            return Err(Failure::Input(format!(
                "{name} is a recording: give --car with a car file that maps its columns to channels"
            )));
        };
        let file = load_car(path).map_err(|errors| Failure::Input(errors.to_string()))?;
        let own = head
            .split(',')
            .next()
            .is_some_and(|first| first.trim() == OWN_TIME);
        let taken = match own {
            true => self.own(&file)?,
            false => self.recording(&file)?,
        };
        for (kind, (count, text)) in &taken.faults {
            eprintln!(
                "spinover: left out, {} {count} times, such as: {text}",
                kind.name()
            );
        }
        let Some(last_us) = taken.last_us() else {
            return Err(Failure::Input(format!(
                "{name} holds no reading of this car's channels"
            )));
        };
        let id = self.id.clone().unwrap_or_else(|| id_of(taken.begun_at));
        let stem = self
            .file
            .file_stem()
            .unwrap_or_default()
            .to_string_lossy()
            .into_owned();
        let events = bare_events(
            &id,
            &stem,
            &file.car,
            taken.begun_at,
            last_us.div_euclid(1000) + 1,
        );
        let remarks = Edit {
            source: Some(format!("imported from {name}")),
            ..self.remarks.edit()
        };
        let (book, _) = Book::open(&self.data.data)?;
        let readings = taken.readings();
        let rows = taken.rows.len();
        runtime()?.block_on(async {
            let mut import = book.import(events, remarks).await?;
            for row in &taken.rows {
                import.row(row).await?;
            }
            import.finish().await?;
            attach(&book, &id, &photos).await?;
            book.close().await
        })?;
        Ok(writeln!(
            out,
            "{id} is in the book: {readings} readings in {rows} rows"
        )?)
    }

    fn open(&self) -> Result<BufReader<File>, Failure> {
        let file = File::open(&self.file);
        Ok(BufReader::new(file.map_err(|error| {
            Failure::Input(format!("{}: {error}", self.file.display()))
        })?))
    }

    /// The first line, or as much of it as tells what the file is.
    fn head(&self) -> Result<String, Failure> {
        let mut line = Vec::new();
        let read = self.open()?.take(4096).read_until(b'\n', &mut line);
        read.map_err(|error| Failure::Input(format!("{}: {error}", self.file.display())))?;
        Ok(String::from_utf8_lossy(&line)
            .trim_start_matches('\u{feff}')
            .trim()
            .to_owned())
    }

    fn begun_or_written(&self) -> Result<Millis, Failure> {
        if let Some(begun) = self.begun {
            return Ok(begun.as_millisecond());
        }
        let written = std::fs::metadata(&self.file)
            .and_then(|data| data.modified())
            .ok();
        let written = written.and_then(|time| jiff::Timestamp::try_from(time).ok());
        written.map(|time| time.as_millisecond()).ok_or_else(|| {
            Failure::Input("give --begun: it cannot be told when the file was written".to_owned())
        })
    }

    fn own(&self, file: &CarFile) -> Result<Whole, Failure> {
        let begun_at = self.begun_or_written()?;
        let rows = own_csv(self.open()?, &file.car, begun_at)?;
        Ok(Whole {
            rows,
            begun_at,
            ..Whole::default()
        })
    }

    fn recording(&self, file: &CarFile) -> Result<Whole, Failure> {
        let map = file.replay.as_ref().ok_or_else(|| {
            Failure::Input(
                "the car file maps no columns; give its channels column = \"...\"".to_owned(),
            )
        })?;
        let begun = self.begun.map(|begun| begun.as_millisecond());
        let else_at = match whole::dated(map) || begun.is_some() {
            true => 0,
            false => self.begun_or_written()?,
        };
        whole::read(&self.file, &file.car, map, begun, else_at)
            .map_err(|error| Failure::Input(format!("{error:#}")))
    }
}
