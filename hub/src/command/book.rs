//! `spinover book`: the book from the command line. Options in, words or files out; what it says is worked out in `book`.

use crate::book::{
    Book, BookError, Edit, Reader, WarmupEntry,
    check::check,
    compare,
    export::{self, ExportError},
    photos::Picture,
    report,
};
use crate::bus::Bus;
use clap::{Args, Subcommand, ValueEnum};
use spinover_protocol::Millis;
use std::{
    fs::File,
    io::{self, BufWriter, Write},
    path::{Path, PathBuf},
    process::ExitCode,
};
use tokio::sync::oneshot::error::RecvError;

mod columnar;
mod columns;
mod season;
mod show;
mod take_in;

/// The book: every warm-up kept, whether a hub is running or not.
///
/// ID is a warm-up's id as `list` shows it, the beginning of one if no other begins so, or `last`.
#[derive(Debug, Args)]
pub struct BookCommand {
    #[command(subcommand)]
    action: Action,
}

#[derive(Debug, Args)]
struct Data {
    /// Directory that keeps the book.
    #[arg(long, value_name = "DIR")]
    data: PathBuf,
}

#[derive(Debug, Subcommand)]
enum Action {
    /// List warm-ups, oldest first.
    List {
        #[command(flatten)]
        data: Data,
        /// Only those in which all of these words occur: date, place, weather, driver, sheet, car, note, tags.
        words: Vec<String>,
        /// Those that were deleted and can still be restored.
        #[arg(long)]
        deleted: bool,
        /// As JSON, one object a line.
        #[arg(long)]
        json: bool,
    },
    /// What the season's counters have come to: how long each part has been in, and the ones before it.
    Season {
        #[command(flatten)]
        data: Data,
        /// The season file (TOML); see docs/season.md.
        #[arg(long, value_name = "FILE")]
        season: PathBuf,
        /// The car; that of the latest warm-up when absent.
        #[arg(long, value_name = "NAME")]
        car: Option<String>,
        /// As one JSON object.
        #[arg(long)]
        json: bool,
    },
    /// Show one: steps with times and names, calls and who saw them, notes.
    Show {
        #[command(flatten)]
        data: Data,
        /// The warm-up.
        id: String,
        /// As JSON: the entry, the record and how much there is.
        #[arg(long)]
        json: bool,
    },
    /// Write one out, exactly.
    Export {
        #[command(flatten)]
        data: Data,
        /// The warm-up.
        id: String,
        /// csv: a row for each batch; lines: the same as JSON lines; json: everything, photos too, for another book; events: the
        /// journal as JSON lines; parquet: everything, for another book and for data tools, where this program was
        /// built with `--features parquet`.
        #[arg(long, value_enum, default_value_t = Format::Csv)]
        format: Format,
        /// The file to write; it must not be there yet. Standard output when absent.
        #[arg(long, value_name = "FILE")]
        out: Option<PathBuf>,
    },
    /// Write the report page: one file of HTML for the phone and the trailer wall, whole in itself.
    Report {
        #[command(flatten)]
        data: Data,
        /// The warm-up.
        id: String,
        /// The file to write; it must not be there yet. Standard output when absent.
        #[arg(long, value_name = "FILE")]
        out: Option<PathBuf>,
    },
    /// Lay one over earlier ones of the same car and sheet, aligned by a step, and say what departs from the usual.
    Compare(CompareArgs),
    /// Take one in: an export of another book, or a recording (CSV) by the car file's map of its columns.
    Import(take_in::ImportArgs),
    /// Look at a recording's columns, ask what each is, and write the car file that takes it in.
    Columns(columns::ColumnsArgs),
    /// Write what is known about one afterwards.
    Edit(EditArgs),
    /// Delete one; it can be restored for 30 days.
    Delete {
        #[command(flatten)]
        data: Data,
        /// The warm-up.
        id: String,
    },
    /// Restore one that was deleted; or, from the team's bus, a car's whole journal into a directory that has no book, when the laptop's
    /// disk is lost. Readings and photos are not on the bus; see docs/bus.md.
    Restore {
        #[command(flatten)]
        data: Data,
        /// The warm-up's whole id.
        #[arg(required_unless_present = "bus", conflicts_with = "bus")]
        id: Option<String>,
        /// The bus: nats://HOST:PORT, several with commas between.
        #[arg(long, value_name = "URL", requires = "car")]
        bus: Option<Bus>,
        /// The car's name, with --bus.
        #[arg(long, value_name = "NAME", requires = "bus")]
        car: Option<String>,
    },
    /// Read the whole book and say whether it is as it was written. Changes nothing.
    Check {
        #[command(flatten)]
        data: Data,
        /// As one JSON object.
        #[arg(long)]
        json: bool,
    },
}

#[derive(Clone, Copy, Debug, ValueEnum)]
enum Format {
    Csv,
    Lines,
    Json,
    Events,
    Parquet,
}

#[derive(Debug, Args)]
struct CompareArgs {
    #[command(flatten)]
    data: Data,
    /// The warm-up.
    id: String,
    /// Key of the step to align by; nitro_on when it was marked, else the first step with the engine firing.
    #[arg(long, value_name = "STEP")]
    align: Option<String>,
    /// How many earlier ones at most.
    #[arg(long, default_value_t = compare::LAST, value_name = "N")]
    last: usize,
    /// Compare with this one instead; may be given several times.
    #[arg(long, value_name = "ID")]
    with: Vec<String>,
    /// As one JSON object.
    #[arg(long)]
    json: bool,
    /// Write a page of HTML to this file; it must not be there yet.
    #[arg(long, value_name = "FILE", conflicts_with = "json")]
    out: Option<PathBuf>,
}

impl CompareArgs {
    fn run(self, out: &mut impl Write) -> Result<(), Failure> {
        let reader = Reader::open(&self.data.data)?;
        let id = reader.pick(&self.id)?.id;
        let align = self.align.as_deref().map(Into::into);
        let wish = compare::Wish {
            align,
            last: Some(self.last),
            with: self.with,
        };
        let comparison = compare::compare(&reader, &id, &wish)?;
        if self.json {
            return Ok(writeln!(out, "{}", compare::json(&comparison))?);
        }
        for line in compare::words(&comparison) {
            writeln!(out, "{line}")?;
        }
        if let Some(path) = &self.out {
            new_file(path)?.write_all(compare::html(&comparison).as_bytes())?;
        }
        Ok(())
    }
}

#[derive(Debug, Args)]
struct EditArgs {
    #[command(flatten)]
    data: Data,
    /// The warm-up.
    id: String,
    #[command(flatten)]
    remarks: Remarks,
}

/// What people write about a warm-up.
#[derive(Debug, Args)]
struct Remarks {
    /// Where it was.
    #[arg(long)]
    place: Option<String>,
    /// The weather in words.
    #[arg(long)]
    weather: Option<String>,
    /// Who drove.
    #[arg(long)]
    driver: Option<String>,
    /// Free words.
    #[arg(long)]
    note: Option<String>,
    /// A word to find it by; may be given several times, and takes the place of those before.
    #[arg(long)]
    tag: Vec<String>,
    /// A photo (JPEG, PNG or WebP, 12 MB at most) to take in; may be given several times, and is added to those before. What tells
    /// where it was taken is not kept.
    #[arg(long, value_name = "FILE")]
    photo: Vec<PathBuf>,
}

impl Remarks {
    /// The photos, read before anything is changed.
    fn photos(&self) -> Result<Vec<Vec<u8>>, Failure> {
        let read = |path: &PathBuf| -> Result<Vec<u8>, Failure> {
            let input = |why: String| Failure::Input(format!("{}: {why}", path.display()));
            let bytes = std::fs::read(path).map_err(|error| input(error.to_string()))?;
            Picture::take(&bytes).map_err(input)?;
            Ok(bytes)
        };
        self.photo.iter().map(read).collect()
    }

    fn edit(self) -> Edit {
        let some = |list: Vec<String>| Some(list).filter(|list| !list.is_empty());
        Edit {
            source: None,
            place: self.place,
            weather: self.weather,
            driver: self.driver,
            note: self.note,
            tags: some(self.tag),
            photos: None,
        }
    }
}

/// Why a command did not do what it was asked.
#[derive(Debug)]
enum Failure {
    /// What was asked for cannot be right: exit code 2.
    Input(String),
    /// It went wrong: exit code 1.
    Failed(String),
    /// Whoever was reading has stopped: nobody is left to tell.
    Unread,
}

impl From<BookError> for Failure {
    fn from(error: BookError) -> Self {
        match error {
            BookError::Missing(_)
            | BookError::NoSuchWarmup(_)
            | BookError::Duplicate(_)
            | BookError::Refused(_)
            | BookError::Foreign(_) => Self::Input(error.to_string()),
            BookError::InUse(..) => Self::Failed(format!(
                "{error}. While the hub runs, its own book page can do this"
            )),
            BookError::Unreadable(what) => {
                Self::Failed(format!("the book is damaged: {what}; nothing was changed"))
            }
            error => Self::Failed(error.to_string()),
        }
    }
}

impl From<io::Error> for Failure {
    fn from(error: io::Error) -> Self {
        match error.kind() {
            io::ErrorKind::BrokenPipe => Self::Unread,
            _ => Self::Failed(format!("cannot write: {error}")),
        }
    }
}

impl From<ExportError> for Failure {
    fn from(error: ExportError) -> Self {
        match error {
            ExportError::Book(error) => error.into(),
            ExportError::Io(error) => error.into(),
        }
    }
}

impl BookCommand {
    /// Does it. Exit code 0 when done, 1 when it went wrong or the book is damaged, 2 for wrong input.
    pub fn run(self) -> ExitCode {
        let mut out = BufWriter::new(io::stdout().lock());
        let done = self.run_to(&mut out).and_then(|()| Ok(out.flush()?));
        let (code, words) = match done {
            Ok(()) | Err(Failure::Unread) => return ExitCode::SUCCESS,
            Err(Failure::Input(words)) => (2, words),
            Err(Failure::Failed(words)) => (1, words),
        };
        // What was written before it went wrong is worth having.
        let _ = out.flush();
        eprintln!("spinover: {words}");
        ExitCode::from(code)
    }

    fn run_to(self, out: &mut impl Write) -> Result<(), Failure> {
        match self.action {
            Action::List {
                data,
                words,
                deleted,
                json,
            } => list(&data, &words, deleted, json, out),
            Action::Season {
                data,
                season,
                car,
                json,
            } => season::show(&data, &season, car.as_deref(), json, out),
            Action::Show { data, id, json } => show::show(&data, &id, json, out),
            Action::Export {
                data,
                id,
                format,
                out: file,
            } => export_one(&data, &id, format, file.as_deref(), out),
            Action::Report {
                data,
                id,
                out: file,
            } => {
                let reader = Reader::open(&data.data)?;
                let page = report::html(&reader, &reader.pick(&id)?.id)?;
                match file {
                    None => Ok(out.write_all(page.as_bytes())?),
                    Some(path) => Ok(new_file(&path)?.write_all(page.as_bytes())?),
                }
            }
            Action::Compare(args) => args.run(out),
            Action::Import(args) => args.run(out),
            Action::Columns(args) => args.run(out),
            Action::Edit(args) => {
                let id = pick(&args.data, &args.id)?.id;
                let photos = args.remarks.photos()?;
                let edit = args.remarks.edit();
                change(&args.data, async |book| {
                    answered(book.edit(&id, edit).await)?;
                    attach(book, &id, &photos).await
                })
            }
            Action::Delete { data, id } => {
                let id = pick(&data, &id)?.id;
                let now = jiff::Timestamp::now().as_millisecond();
                change(&data, async |book| {
                    answered(book.delete(&id, "command line", now).await)
                })?;
                Ok(writeln!(
                    out,
                    "{id} is deleted; `spinover book restore` brings it back for 30 days"
                )?)
            }
            Action::Restore { data, id, bus, car } => match (bus, car) {
                (Some(bus), Some(car)) => from_bus(&data, &bus, &car, out),
                _ => {
                    let id = id.unwrap_or_default();
                    change(&data, async |book| answered(book.restore(&id).await))
                }
            },
            Action::Check { data, json } => check_all(&data, json, out),
        }
    }
}

fn pick(data: &Data, id: &str) -> Result<WarmupEntry, Failure> {
    Ok(Reader::open(&data.data)?.pick(id)?)
}

/// Opens the book for writing, does one thing, and closes it.
fn change(
    data: &Data,
    work: impl AsyncFnOnce(&Book) -> Result<(), BookError>,
) -> Result<(), Failure> {
    // Opening for writing would make a book where there is none.
    Reader::open(&data.data)?;
    let (book, _) = Book::open(&data.data)?;
    let done = runtime()?.block_on(async {
        let done = work(&book).await;
        done.and(book.close().await)
    });
    Ok(done?)
}

/// What the book answered.
fn answered<T>(answer: Result<Result<T, BookError>, RecvError>) -> Result<T, BookError> {
    answer.unwrap_or(Err(BookError::Closed))
}

/// Gives photos to a warm-up.
async fn attach(book: &Book, id: &str, photos: &[Vec<u8>]) -> Result<(), BookError> {
    for photo in photos {
        answered(book.attach(id, photo)?.await)?;
    }
    Ok(())
}

fn from_bus(data: &Data, bus: &Bus, car: &str, out: &mut impl Write) -> Result<(), Failure> {
    let restored = runtime()?.block_on(crate::bus::restore(bus, car, &data.data));
    let (journal, count) = restored.map_err(|error| Failure::Failed(format!("{error:#}")))?;
    Ok(writeln!(
        out,
        "{count} events of {car}'s journal {journal}; readings and photos are not on the bus"
    )?)
}

fn runtime() -> Result<tokio::runtime::Runtime, Failure> {
    let built = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build();
    built.map_err(|error| Failure::Failed(error.to_string()))
}

/// A time as the laptop's clock says it.
fn clock(at: Millis, form: &str) -> String {
    match jiff::Timestamp::from_millisecond(at) {
        Ok(time) => jiff::ZonedDateTime::new(time, jiff::tz::TimeZone::system())
            .strftime(form)
            .to_string(),
        Err(_) => at.to_string(),
    }
}

fn list(
    data: &Data,
    words: &[String],
    deleted: bool,
    json: bool,
    out: &mut impl Write,
) -> Result<(), Failure> {
    let mut entries = Reader::open(&data.data)?.warmups()?;
    entries.retain(|entry| entry.deleted_at.is_some() == deleted && entry.matches(words));
    for entry in &entries {
        if json {
            let line =
                serde_json::to_string(entry).map_err(|error| Failure::Failed(error.to_string()))?;
            writeln!(out, "{line}")?;
            continue;
        }
        let length = entry
            .closed_at
            .map(|end| minutes(end - entry.begun_at))
            .unwrap_or_else(|| "open".to_owned());
        write!(
            out,
            "{}  {}  {length:>7}  {}, {}",
            entry.id,
            clock(entry.begun_at, "%a %d %b %Y %H:%M"),
            entry.car,
            entry.sheet
        )?;
        for word in [&entry.place, &entry.weather, &entry.driver, &entry.source]
            .into_iter()
            .chain(&entry.tags)
        {
            if !word.is_empty() {
                write!(out, ", {word}")?;
            }
        }
        writeln!(out)?;
    }
    if entries.is_empty() && !json {
        writeln!(out, "no warm-up")?;
    }
    Ok(())
}

fn minutes(ms: i64) -> String {
    format!("{}:{:02}", ms / 60_000, ms / 1000 % 60)
}

fn export_one(
    data: &Data,
    id: &str,
    format: Format,
    file: Option<&Path>,
    out: &mut impl Write,
) -> Result<(), Failure> {
    if matches!(format, Format::Parquet) {
        columnar::ready()?;
    }
    let reader = Reader::open(&data.data)?;
    let id = reader.pick(id)?.id;
    let write = |out: &mut dyn Write| -> Result<Vec<String>, Failure> {
        Ok(match format {
            Format::Csv => export::csv(&reader, &id, out)?,
            Format::Lines => export::lines(&reader, &id, out)?,
            Format::Json => export::json(&reader, &id, out)?,
            Format::Events => export::events(&reader, &id, out)?,
            Format::Parquet => columnar::write(&reader, &id, out)?,
        })
    };
    let lost = match file {
        None => write(out)?,
        Some(path) => {
            let mut file = BufWriter::new(new_file(path)?);
            let lost = write(&mut file)?;
            file.into_inner()
                .map_err(io::IntoInnerError::into_error)?
                .sync_all()?;
            lost
        }
    };
    if lost.is_empty() {
        return Ok(());
    }
    let words = lost
        .iter()
        .map(|what| format!("\n  {what}"))
        .collect::<String>();
    Err(Failure::Failed(format!(
        "the book is damaged; what could be read was written out, this could not:{words}"
    )))
}

/// A new file; one that is there is never written over.
fn new_file(path: &Path) -> Result<File, Failure> {
    File::create_new(path).map_err(|error| match error.kind() {
        io::ErrorKind::AlreadyExists => Failure::Input(format!(
            "{} is there already; give another name",
            path.display()
        )),
        _ => Failure::Failed(format!("{}: {error}", path.display())),
    })
}

fn check_all(data: &Data, json: bool, out: &mut impl Write) -> Result<(), Failure> {
    let findings = check(&Reader::open(&data.data)?);
    if json {
        let line =
            serde_json::to_string(&findings).map_err(|error| Failure::Failed(error.to_string()))?;
        writeln!(out, "{line}")?;
    } else {
        writeln!(
            out,
            "{} warm-ups, {} events, {} readings in {} blocks, {} photos",
            findings.warmups, findings.events, findings.readings, findings.blocks, findings.photos
        )?;
        if findings.stray_photos > 0 {
            writeln!(
                out,
                "{} photos in the folder are no warm-up's; they take room, and do no harm",
                findings.stray_photos
            )?;
        }
        for wrong in &findings.wrong {
            writeln!(out, "wrong: {wrong}")?;
        }
    }
    match findings.count {
        0 => Ok(()),
        count => Err(Failure::Failed(format!(
            "the book is damaged in {count} places; nothing was changed. `spinover book export` writes out what can be read; go on with another --data directory"
        ))),
    }
}
