//! The book over HTTP: `/book/…` are pages and files that people open, `/api/book…` is what the app asks for. Everything needs
//! a code (or, for pages and files, a ticket); what only the chief may do needs the chief's. Nothing here is on the way of a
//! reading or a command: each answer is made on a thread of its own, from a connection to the book that cannot write.

use super::{App, door::policy, http::right, tickets};
use crate::book::{
    BookError, Edit, Reader, compare,
    export::{self, ExportError},
    replay, report,
};
use axum::{
    Json, Router,
    body::{Body, Bytes},
    extract::{ConnectInfo, FromRequestParts, Path, Query, State},
    http::{StatusCode, header, request::Parts},
    response::{IntoResponse, Response},
    routing::{get, post},
};
use futures_util::stream;
use spinover_protocol::{
    MAX_TEXT, Millis,
    book::{By, MAX_NOTE, MAX_TAGS, Remarks, Ticket},
    event::Right,
};
use std::{
    collections::HashMap,
    io::{self, BufWriter, Write},
    net::SocketAddr,
    sync::Arc,
    time::Instant,
};
use tokio::sync::{mpsc, oneshot};

/// Pieces of an export that may wait for the other end; the export then waits too, so that it never lies in memory whole.
const PIECES: usize = 4;
/// Size of a piece in bytes.
const PIECE: usize = 64 * 1024;

type Asked = Query<HashMap<String, String>>;

/// The book's routes.
pub fn routes() -> Router<Arc<App>> {
    Router::new()
        .route("/book/{name}", get(page))
        .route("/book/{id}/compare", get(comparison))
        .route("/api/book", get(list))
        .route("/api/book/ticket", get(ticket))
        .route("/api/book/warmup/{id}", get(open).patch(edit))
        .route("/api/book/warmup/{id}/frames", get(frames))
        .route("/api/book/warmup/{id}/figures", get(figures))
        .route("/api/book/warmup/{id}/outside", get(outside))
        .route("/api/book/warmup/{id}/delete", post(delete))
        .route("/api/book/warmup/{id}/restore", post(restore))
}

/// Somebody who has a code.
pub(super) struct Crew;

/// Somebody who has the chief's code.
pub(super) struct Chief;

/// Somebody who has a code, or a ticket in its place.
pub(super) struct Visitor;

/// Who asks, and what stands behind the `?`.
async fn asked(
    parts: &mut Parts,
    app: &Arc<App>,
) -> Result<(SocketAddr, HashMap<String, String>), Response> {
    let from = ConnectInfo::<SocketAddr>::from_request_parts(parts, app).await;
    let ConnectInfo(from) = from.map_err(IntoResponse::into_response)?;
    let query = Asked::from_request_parts(parts, app).await;
    let Query(query) = query.map_err(IntoResponse::into_response)?;
    Ok((from, query))
}

async fn has(parts: &mut Parts, app: &Arc<App>) -> Result<Right, Response> {
    let (from, query) = asked(parts, app).await?;
    right(app, from, &parts.headers, &query).map_err(|refusal| *refusal)
}

impl FromRequestParts<Arc<App>> for Crew {
    type Rejection = Response;

    async fn from_request_parts(parts: &mut Parts, app: &Arc<App>) -> Result<Self, Response> {
        has(parts, app).await.map(|_| Self)
    }
}

impl FromRequestParts<Arc<App>> for Chief {
    type Rejection = Response;

    async fn from_request_parts(parts: &mut Parts, app: &Arc<App>) -> Result<Self, Response> {
        match has(parts, app).await? {
            Right::Chief => Ok(Self),
            Right::Crew => {
                Err((StatusCode::FORBIDDEN, "only the chief may do this\n").into_response())
            }
        }
    }
}

impl FromRequestParts<Arc<App>> for Visitor {
    type Rejection = Response;

    async fn from_request_parts(parts: &mut Parts, app: &Arc<App>) -> Result<Self, Response> {
        let (_, query) = asked(parts, app).await?;
        match query.get("ticket") {
            Some(ticket) if app.tickets.good(ticket, Instant::now()) => Ok(Self),
            Some(_) => {
                let text = "this link is no longer good; open it from the app again\n";
                Err((StatusCode::UNAUTHORIZED, text).into_response())
            }
            None => has(parts, app).await.map(|_| Self),
        }
    }
}

pub(super) fn refused(error: &BookError) -> Response {
    let status = match error {
        BookError::NoSuchWarmup(_) => StatusCode::NOT_FOUND,
        BookError::Refused(_) => StatusCode::BAD_REQUEST,
        BookError::Closed => StatusCode::SERVICE_UNAVAILABLE,
        _ => StatusCode::INTERNAL_SERVER_ERROR,
    };
    (status, format!("{error}\n")).into_response()
}

/// Makes an answer from the book, away from the tasks that serve phones.
pub(super) async fn read<T: Send + 'static>(
    app: &Arc<App>,
    work: impl FnOnce(&Reader) -> Result<T, BookError> + Send + 'static,
) -> Result<T, Box<Response>> {
    let book = app.book.clone();
    let made = tokio::task::spawn_blocking(move || work(&book.reader()?)).await;
    made.unwrap_or_else(|_| {
        Err(BookError::Unreadable(
            "the answer could not be made".to_owned(),
        ))
    })
    .map_err(|error| Box::new(refused(&error)))
}

/// What was accepted a moment ago should be in the answer.
pub(super) async fn settle(app: &App) {
    let _ = app.book.flush().await;
}

fn answer<T: serde::Serialize>(made: Result<T, Box<Response>>) -> Response {
    made.map_or_else(|refusal| *refusal, |value| Json(value).into_response())
}

/// `GET /api/book`: the list, oldest first, deleted ones with them; `?find=WORDS` those in which all of the words occur.
async fn list(State(app): State<Arc<App>>, _: Crew, Query(query): Asked) -> Response {
    settle(&app).await;
    let find = query.get("find").cloned().unwrap_or_default();
    let made = read(&app, move |reader| {
        let words: Vec<&str> = find.split_whitespace().collect();
        let mut list: Vec<_> = reader
            .warmups()?
            .iter()
            .map(|entry| entry.listed())
            .collect();
        list.retain(|listed| listed.matches(&words));
        Ok(list)
    });
    answer(made.await)
}

/// `GET /api/book/ticket`: for links to pages and files.
async fn ticket(State(app): State<Arc<App>>, _: Crew) -> Response {
    match app.tickets.give(Instant::now()) {
        Ok(ticket) => {
            let for_s = tickets::GOOD_FOR.as_secs();
            let head = [(header::CACHE_CONTROL, "no-store")];
            (head, Json(Ticket { ticket, for_s })).into_response()
        }
        Err(error) => (StatusCode::INTERNAL_SERVER_ERROR, format!("{error}\n")).into_response(),
    }
}

/// `GET /api/book/warmup/ID`: a warm-up opened for playing back.
async fn open(State(app): State<Arc<App>>, _: Crew, Path(id): Path<String>) -> Response {
    settle(&app).await;
    answer(read(&app, move |reader| replay::open(reader, &id)).await)
}

/// `GET /api/book/warmup/ID/frames?from=MS&to=MS&step=MS`: readings frames as phones were shown them.
async fn frames(
    State(app): State<Arc<App>>,
    _: Crew,
    Query(query): Asked,
    Path(id): Path<String>,
) -> Response {
    let Some((begin, end, step)) = stretch(&query) else {
        return no_stretch();
    };
    answer(
        read(&app, move |reader| {
            replay::frames(reader, &id, begin, end, step)
        })
        .await,
    )
}

/// `GET /api/book/warmup/ID/figures?from=MS&to=MS&step=MS`: what the figures said then, as phones were shown it.
async fn figures(
    State(app): State<Arc<App>>,
    _: Crew,
    Query(query): Asked,
    Path(id): Path<String>,
) -> Response {
    let Some((begin, end, step)) = stretch(&query) else {
        return no_stretch();
    };
    answer(read(&app, move |reader| reader.figures(&id, begin, end, step)).await)
}

/// From when, to when, and how far apart, in milliseconds.
fn stretch(query: &HashMap<String, String>) -> Option<(Millis, Millis, Millis)> {
    let number = |key: &str| query.get(key).and_then(|text| text.parse::<Millis>().ok());
    Some((number("from")?, number("to")?, number("step")?))
}

fn no_stretch() -> Response {
    let text = "from, to and step are needed, in whole milliseconds\n";
    (StatusCode::BAD_REQUEST, text).into_response()
}

/// `GET /api/book/warmup/ID/outside`: when readings were outside the band that held.
async fn outside(State(app): State<Arc<App>>, _: Crew, Path(id): Path<String>) -> Response {
    answer(read(&app, move |reader| replay::outside(reader, &id)).await)
}

pub(super) fn written(done: Result<Result<(), BookError>, oneshot::error::RecvError>) -> Response {
    match done.unwrap_or(Err(BookError::Closed)) {
        Ok(()) => StatusCode::NO_CONTENT.into_response(),
        Err(error) => refused(&error),
    }
}

/// `PATCH /api/book/warmup/ID`: what people write about it. Anyone of the crew may.
async fn edit(
    State(app): State<Arc<App>>,
    _: Crew,
    Path(id): Path<String>,
    Json(remarks): Json<Remarks>,
) -> Response {
    match checked(remarks) {
        Ok(edit) => written(app.book.edit(&id, edit).await),
        Err(reason) => (StatusCode::BAD_REQUEST, reason + "\n").into_response(),
    }
}

/// Holds remarks to their lengths, and tags to words: no blanks around them, none empty, none twice.
fn checked(remarks: Remarks) -> Result<Edit, String> {
    let limits = [
        ("place", &remarks.place, MAX_TEXT),
        ("weather", &remarks.weather, MAX_TEXT),
        ("driver", &remarks.driver, MAX_TEXT),
        ("note", &remarks.note, MAX_NOTE),
    ];
    for (name, text, most) in limits {
        if text
            .as_ref()
            .is_some_and(|text| text.chars().count() > most)
        {
            return Err(format!("the {name} has more than {most} characters"));
        }
    }
    let tags = remarks.tags.map(|tags| {
        let mut kept: Vec<String> = Vec::new();
        for tag in tags {
            let tag = tag.trim().to_owned();
            if !tag.is_empty() && !kept.contains(&tag) {
                kept.push(tag);
            }
        }
        kept
    });
    if tags.as_ref().is_some_and(|tags| {
        tags.len() > MAX_TAGS || tags.iter().any(|tag| tag.chars().count() > MAX_TEXT)
    }) {
        return Err(format!("at most {MAX_TAGS} tags of {MAX_TEXT} characters"));
    }
    Ok(Edit {
        place: remarks.place,
        weather: remarks.weather,
        driver: remarks.driver,
        note: remarks.note,
        tags,
        ..Edit::default()
    })
}

/// `POST /api/book/warmup/ID/delete`: the chief's; it can be restored for 30 days.
async fn delete(
    State(app): State<Arc<App>>,
    _: Chief,
    Path(id): Path<String>,
    Json(By { by }): Json<By>,
) -> Response {
    let by: String = by.chars().take(MAX_TEXT).collect();
    written(app.book.delete(&id, &by, app.clock.now()).await)
}

/// `POST /api/book/warmup/ID/restore`: the chief's.
async fn restore(State(app): State<Arc<App>>, _: Chief, Path(id): Path<String>) -> Response {
    written(app.book.restore(&id).await)
}

/// `/book/ID` (the report), `/book/ID.csv`, `.lines`, `.json`, `.events`.
async fn page(State(app): State<Arc<App>>, _: Visitor, Path(name): Path<String>) -> Response {
    settle(&app).await;
    if let Some((id, form)) = Form::of(&name) {
        return export(&app, id.to_owned(), form).await;
    }
    html(read(&app, move |reader| report::html(reader, &name)).await)
}

/// `/book/ID/compare`: laid over the last of the same car and sheet, or over `?with=ID,ID`; `&align=STEP`, `&last=N`.
async fn comparison(
    State(app): State<Arc<App>>,
    _: Visitor,
    Query(query): Asked,
    Path(id): Path<String>,
) -> Response {
    settle(&app).await;
    let with = query.get("with").map(String::as_str).unwrap_or_default();
    let wish = compare::Wish {
        align: query.get("align").map(|step| step.as_str().into()),
        last: query.get("last").and_then(|last| last.parse().ok()),
        with: with
            .split(',')
            .filter(|id| !id.is_empty())
            .map(str::to_owned)
            .collect(),
    };
    html(
        read(&app, move |reader| {
            Ok(compare::html(&compare::compare(reader, &id, &wish)?))
        })
        .await,
    )
}

fn html(made: Result<String, Box<Response>>) -> Response {
    made.map_or_else(
        |refusal| *refusal,
        |page| {
            let head = [
                (header::CONTENT_TYPE, "text/html; charset=utf-8".to_owned()),
                (header::CONTENT_SECURITY_POLICY, policy::of_page(&page)),
            ];
            (head, page).into_response()
        },
    )
}

/// A form that a warm-up can be written out in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Form {
    Csv,
    Lines,
    Json,
    Events,
}

impl Form {
    fn of(name: &str) -> Option<(&str, Self)> {
        let (id, end) = name.rsplit_once('.')?;
        let form = match end {
            "csv" => Self::Csv,
            "lines" => Self::Lines,
            "json" => Self::Json,
            "events" => Self::Events,
            _ => return None,
        };
        Some((id, form))
    }

    fn kind(self) -> &'static str {
        match self {
            Self::Csv => "text/csv; charset=utf-8",
            Self::Json => "application/json",
            Self::Lines | Self::Events => "application/x-ndjson",
        }
    }

    fn end(self) -> &'static str {
        match self {
            Self::Csv => "csv",
            Self::Json => "json",
            Self::Lines => "readings.ndjson",
            Self::Events => "events.ndjson",
        }
    }

    fn write(self, reader: &Reader, id: &str, out: impl Write) -> Result<Vec<String>, ExportError> {
        match self {
            Self::Csv => export::csv(reader, id, out),
            Self::Lines => export::lines(reader, id, out),
            Self::Json => export::json(reader, id, out),
            Self::Events => export::events(reader, id, out),
        }
    }
}

/// Sends an export piece by piece. What cannot be read from the book is known before the first one: the file's name then says
/// that it is not whole, and a header what is missing.
async fn export(app: &Arc<App>, id: String, form: Form) -> Response {
    let asked = id.clone();
    let lost = read(app, move |reader| {
        let mut lost = reader.damage(&asked)?;
        if form == Form::Json {
            lost.extend(reader.photo_damage(&asked)?);
        }
        Ok(lost)
    });
    let lost = match lost.await {
        Ok(lost) => lost,
        Err(refusal) => return *refusal,
    };
    let plain: String = id
        .chars()
        .map(|c| {
            if c.is_ascii_alphanumeric() || "-_.".contains(c) {
                c
            } else {
                '_'
            }
        })
        .collect();
    let part = if lost.is_empty() { "" } else { "-not-whole" };
    let file = format!("attachment; filename=\"{plain}{part}.{}\"", form.end());
    let mut response = Response::builder()
        .header(header::CONTENT_TYPE, form.kind())
        .header(header::CONTENT_DISPOSITION, file);
    if !lost.is_empty() {
        let words = lost
            .join("; ")
            .replace(|c: char| !(' '..='~').contains(&c), "?");
        response = response.header("spinover-not-readable", words);
    }
    let (pieces, from) = mpsc::channel::<io::Result<Bytes>>(PIECES);
    let book = app.book.clone();
    tokio::task::spawn_blocking(move || {
        let mut out = BufWriter::with_capacity(PIECE, Pieces(pieces.clone()));
        let done = book
            .reader()
            .map_err(ExportError::from)
            .and_then(|reader| form.write(&reader, &id, &mut out));
        let error = match done {
            // Damage that came up after the head was sent: the other end must not take the file for whole.
            Ok(found) if found.len() > lost.len() => io::Error::other(found.join("; ")),
            Ok(_) => return,
            Err(error) => io::Error::other(error.to_string()),
        };
        // Whatever is in the buffer goes first; if nobody listens any more, nobody needs to be told.
        drop(out);
        let _ = pieces.blocking_send(Err(error));
    });
    let body = stream::unfold(from, async |mut from| Some((from.recv().await?, from)));
    response
        .body(Body::from_stream(body))
        .unwrap_or_else(|error| {
            (StatusCode::INTERNAL_SERVER_ERROR, error.to_string()).into_response()
        })
}

/// Writes into a response that is under way.
struct Pieces(mpsc::Sender<io::Result<Bytes>>);

impl Write for Pieces {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.0
            .blocking_send(Ok(Bytes::copy_from_slice(bytes)))
            .map_err(|_| io::ErrorKind::BrokenPipe)?;
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}
