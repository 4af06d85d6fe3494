//! The crew's files over HTTP, for the chief alone: read with their versions, changed against them, undone, taken up. A change
//! is held against the very rules of `spinover check` before a byte is written, and what is written is taken up at once: the
//! hub ends this run and begins the next one from the new files, on the same port (see [`super::Ending`]).

use super::{App, book::Chief, keeper::Ask};
use crate::files::{
    CarFile, FIGURES, FileErrors, Mistake,
    edit::{self, Unwritable},
    kept::{Good, Kept, Texts, version},
};
use axum::{
    Json, Router,
    body::Bytes,
    extract::{DefaultBodyLimit, State},
    http::StatusCode,
    response::{IntoResponse, Response},
    routing::{get, post},
};
use serde::{Deserialize, de::DeserializeOwned};
use spinover_protocol::files::{CAR, Change, Conflict, FileId, FileNow, FilesNow, Outcome, Wrong};
use std::{
    collections::{BTreeMap, VecDeque},
    sync::{Arc, Mutex, PoisonError},
};
use tokio::sync::oneshot;

/// Largest body: every file of a hub at its largest would be more, and none is.
const MAX_BODY: usize = 8 * 1024 * 1024;
/// Texts that were handed out and are remembered, so that a change made from one of them can still be shown as it was meant.
const REMEMBERED: usize = 32;

/// Says whether the sources of a car file can be opened; else why not.
pub type Trial = Box<dyn Fn(&CarFile) -> Result<(), String> + Send + Sync>;

/// The files of a hub, and what it runs with.
pub struct Files {
    /// Where they are.
    pub kept: Kept,
    /// The versions that the hub runs with.
    pub in_force: Vec<String>,
    /// Whether it could run with another car file.
    pub trial: Trial,
    /// What was handed out of late: version and text.
    pub handed: Mutex<VecDeque<(String, String)>>,
    /// One change at a time.
    pub one: tokio::sync::Mutex<()>,
}

/// The files; none where a hub was made without any.
pub type Room = Option<Arc<Files>>;

/// The files' routes.
pub fn routes() -> Router<Arc<App>> {
    Router::new()
        .route("/api/files", get(now))
        .route("/api/files/preview", post(preview))
        .route("/api/files/save", post(save))
        .route("/api/files/undo", post(undo))
        .route("/api/files/take-up", post(take_up))
        .layer(DefaultBodyLimit::max(MAX_BODY))
}

/// Why there is no good answer.
enum No {
    /// There are no files.
    Nothing,
    /// A body that cannot be meant.
    Bad(String),
    /// They changed meanwhile.
    Conflict(Box<Conflict>),
    /// Not now.
    Busy(String),
    /// They would be wrong.
    Wrong(Box<Outcome>),
    /// The disk says no.
    Disk(String),
}

impl IntoResponse for No {
    fn into_response(self) -> Response {
        match self {
            Self::Nothing => {
                (StatusCode::NOT_FOUND, "this hub runs from no files\n").into_response()
            }
            Self::Bad(what) => (StatusCode::BAD_REQUEST, what + "\n").into_response(),
            Self::Conflict(conflict) => (StatusCode::CONFLICT, Json(conflict)).into_response(),
            Self::Busy(why) => (StatusCode::LOCKED, why + "\n").into_response(),
            Self::Wrong(outcome) => {
                (StatusCode::UNPROCESSABLE_ENTITY, Json(outcome)).into_response()
            }
            Self::Disk(why) => (StatusCode::INTERNAL_SERVER_ERROR, why + "\n").into_response(),
        }
    }
}

impl From<FileErrors> for No {
    fn from(errors: FileErrors) -> Self {
        Self::Disk(errors.to_string())
    }
}

impl From<std::io::Error> for No {
    fn from(error: std::io::Error) -> Self {
        Self::Disk(format!("the files cannot be written: {error}"))
    }
}

fn files(app: &App) -> Result<&Arc<Files>, No> {
    app.files.as_ref().ok_or(No::Nothing)
}

/// A file's mistake as phones read it.
fn wrong(id: &str, text: &str, mistake: Mistake) -> Wrong {
    Wrong {
        id: id.to_owned(),
        field: edit::field_at(text, mistake.line, mistake.column),
        line: mistake.line,
        column: mistake.column,
        what: mistake.what,
        right: mistake.right,
    }
}

impl Files {
    /// A hub's files.
    pub fn new(kept: Kept, in_force: Vec<String>, trial: Trial) -> Self {
        Self {
            kept,
            in_force,
            trial,
            handed: Mutex::default(),
            one: tokio::sync::Mutex::default(),
        }
    }

    fn wrongs(&self, texts: &Texts, errors: Vec<(usize, FileErrors)>) -> Vec<Wrong> {
        let names = self.kept.names();
        let all = errors.into_iter().flat_map(|(place, errors)| {
            let (id, text) = (names[place].0.clone(), &texts.0[place]);
            let wrong = move |mistake| wrong(&id, text, mistake);
            errors.mistakes.into_iter().map(wrong).collect::<Vec<_>>()
        });
        all.collect()
    }

    fn now(&self, texts: &Texts, not_now: Option<String>) -> Result<FilesNow, No> {
        let mut handed = self.handed.lock().unwrap_or_else(PoisonError::into_inner);
        let mut files = Vec::new();
        for (place, (id, name)) in self.kept.names().into_iter().enumerate() {
            let text = texts.0[place].clone();
            let version = version(&text);
            if handed.iter().all(|(known, _)| *known != version) {
                handed.push_back((version.clone(), text.clone()));
            }
            let in_force = self.in_force.get(place) == Some(&version);
            files.push(FileNow {
                id,
                name,
                version,
                text,
                in_force,
            });
        }
        while handed.len() > REMEMBERED {
            handed.pop_front();
        }
        drop(handed);
        let undo = self.kept.undoable(texts)?.map(|(undo, _)| undo);
        let figures = FIGURES.map(str::to_owned).to_vec();
        Ok(match self.kept.check(texts) {
            Ok(good) => FilesNow {
                files,
                car: Some(good.car.car),
                sheets: good.sheets.into_iter().map(Some).collect(),
                mistakes: Vec::new(),
                figures,
                not_now,
                undo,
            },
            Err(errors) => FilesNow {
                sheets: vec![None; files.len() - 1],
                files,
                car: None,
                mistakes: self.wrongs(texts, errors),
                figures,
                not_now,
                undo,
            },
        })
    }

    /// The texts that a change makes of others. Wrong ones come with their mistakes.
    fn changed(&self, texts: &Texts, change: &Change) -> Result<(Texts, Vec<Wrong>), Unwritable> {
        let mut new = texts.clone();
        let mut wrongs = Vec::new();
        let names = self.kept.names();
        for (place, (id, name)) in names.iter().enumerate() {
            let was = &texts.0[place];
            let made = if let Some(text) = change.texts.get(id) {
                new.0[place] = text.clone();
                continue;
            } else if let Some(car) = change.car.as_ref().filter(|_| id == CAR) {
                edit::edit_car(name, was, car)?
            } else if let Some(sheet) = change.sheets.get(id) {
                // Against the car as it is to be. While that is wrong, against the one that is.
                let car = crate::files::parse_car(&names[0].1, &new.0[0])
                    .or_else(|_| crate::files::parse_car(&names[0].1, &texts.0[0]))
                    .map_err(|errors| Unwritable(errors.to_string()))?;
                edit::edit_sheet(name, was, &car, sheet)?
            } else {
                continue;
            };
            new.0[place] = made.text().to_owned();
        }
        if let Err(errors) = self.kept.check(&new) {
            wrongs = self.wrongs(&new, errors);
        }
        Ok((new, wrongs))
    }

    /// What a change comes to, made from these texts.
    fn outcome(&self, texts: &Texts, change: &Change) -> Result<(Texts, Outcome), No> {
        let known: Vec<FileId> = self.kept.names().into_iter().map(|(id, _)| id).collect();
        let named = change.texts.keys().chain(change.sheets.keys());
        if let Some(unknown) = named.into_iter().find(|id| !known.contains(id)) {
            return Err(No::Bad(format!(
                "there is no file `{unknown}`; known are {}",
                known.join(", ")
            )));
        }
        let (new, mistakes) = self
            .changed(texts, change)
            .map_err(|error| No::Bad(error.0))?;
        let mut outcome = Outcome {
            mistakes,
            ..Outcome::default()
        };
        for (place, id) in known.iter().enumerate() {
            if new.0[place] != texts.0[place] {
                outcome.texts.insert(id.clone(), new.0[place].clone());
            }
        }
        if outcome.mistakes.is_empty()
            && let Ok(good) = self.kept.check(&new)
        {
            let note = |mistake| wrong(CAR, &new.0[0], mistake);
            outcome.notes = self.kept.notes(&good).into_iter().map(note).collect();
            self.can_run(&good, &mut outcome);
        }
        Ok((new, outcome))
    }

    /// Notes why the hub could not run from these files, though each is good in itself.
    fn can_run(&self, good: &Good, outcome: &mut Outcome) {
        if let Err(what) = (self.trial)(&good.car) {
            outcome.mistakes.push(Wrong {
                id: CAR.to_owned(),
                what,
                right: "see docs/sources.md".to_owned(),
                ..Wrong::default()
            });
        }
    }

    /// Refuses a change that was not made from what lies on the disk.
    fn same(&self, texts: &Texts, change: &Change) -> Result<(), No> {
        let names = self.kept.names();
        let now = |place: usize| version(&texts.0[place]);
        let other = |(place, (id, _)): (usize, &(FileId, String))| {
            change.base.get(id).is_none_or(|base| *base != now(place))
        };
        let others: Vec<&str> = names
            .iter()
            .enumerate()
            .filter(|one| other(*one))
            .map(|(_, (_, name))| name.as_str())
            .collect();
        if others.is_empty() {
            return Ok(());
        }
        let handed = self
            .handed
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .clone();
        let mut base = texts.clone();
        for (place, (id, _)) in names.iter().enumerate() {
            let from = handed
                .iter()
                .find(|(version, _)| change.base.get(id) == Some(version));
            if let Some((_, text)) = from {
                base.0[place] = text.clone();
            }
        }
        let yours = self.changed(&base, change).map_or_else(
            |_| change.texts.clone(),
            |(new, _)| {
                let pairs = names.iter().zip(new.0).zip(&base.0);
                let changed = pairs.filter(|((_, new), base)| new != *base);
                changed
                    .map(|(((id, _), new), _)| (id.clone(), new))
                    .collect::<BTreeMap<_, _>>()
            },
        );
        Err(No::Conflict(Box::new(Conflict {
            what: format!("changed meanwhile: {}", others.join(", ")),
            now: self.now(texts, None)?,
            yours,
        })))
    }
}

/// What a body says. JSON whatever its header calls it, so that a script need not say so.
fn meant<T: DeserializeOwned>(body: &Bytes) -> Result<T, No> {
    serde_json::from_slice(body).map_err(|error| No::Bad(format!("not understood: {error}")))
}

async fn busy(app: &App) -> Option<String> {
    let (ask, answer) = oneshot::channel();
    let _ = app.asks.send(Ask::Busy(ask)).await;
    answer
        .await
        .unwrap_or_else(|_| Some("the hub is stopping".to_owned()))
}

async fn now(_: Chief, State(app): State<Arc<App>>) -> Result<Json<FilesNow>, No> {
    let not_now = busy(&app).await;
    let files = files(&app)?;
    Ok(Json(files.now(&files.kept.read()?, not_now)?))
}

async fn preview(_: Chief, State(app): State<Arc<App>>, body: Bytes) -> Result<Json<Outcome>, No> {
    let change: Change = meant(&body)?;
    let files = files(&app)?;
    let texts = files.kept.read()?;
    files.same(&texts, &change)?;
    Ok(Json(files.outcome(&texts, &change)?.1))
}

async fn save(_: Chief, State(app): State<Arc<App>>, body: Bytes) -> Result<Json<Outcome>, No> {
    let change: Change = meant(&body)?;
    let files = files(&app)?.clone();
    let _one = files.one.lock().await;
    let texts = files.kept.read()?;
    files.same(&texts, &change)?;
    let (new, mut outcome) = files.outcome(&texts, &change)?;
    if !outcome.mistakes.is_empty() {
        return Err(No::Wrong(Box::new(outcome)));
    }
    if outcome.texts.is_empty() {
        return Err(No::Bad("nothing is changed".to_owned()));
    }
    renewed(&app, || {
        // A text editor may have been quicker.
        files.same(&files.kept.read()?, &change)?;
        let number = files.kept.write(app.clock.now(), &texts, &new)?;
        tracing::info!("files changed: {number:04}, {}", changed_names(&outcome));
        Ok(())
    })
    .await?;
    outcome.written = true;
    Ok(Json(outcome))
}

fn changed_names(outcome: &Outcome) -> String {
    outcome.texts.keys().cloned().collect::<Vec<_>>().join(", ")
}

/// Has nothing else happen, does the work, and ends this run so that the files are taken up.
async fn renewed(app: &App, work: impl FnOnce() -> Result<(), No>) -> Result<(), No> {
    let (ask, answer) = oneshot::channel();
    let _ = app.asks.send(Ask::Rest(ask)).await;
    match answer.await {
        Ok(Ok(())) => {}
        Ok(Err(why)) => return Err(No::Busy(why)),
        Err(_) => return Err(No::Busy("the hub is stopping".to_owned())),
    }
    let done = work();
    if done.is_err() {
        // Also when whoever asked hangs up now.
        let asks = app.asks.clone();
        tokio::spawn(async move { asks.send(Ask::GoOn).await });
    } else {
        app.renew.send_replace(true);
    }
    done
}

/// The change that is to be undone.
#[derive(Debug, Deserialize)]
struct Undo {
    number: u32,
}

async fn undo(_: Chief, State(app): State<Arc<App>>, body: Bytes) -> Result<Json<Outcome>, No> {
    let asked: Undo = meant(&body)?;
    let files = files(&app)?.clone();
    let _one = files.one.lock().await;
    let texts = files.kept.read()?;
    let found = files.kept.undoable(&texts)?;
    let Some((_, before)) = found.filter(|(undo, _)| undo.number == asked.number) else {
        return Err(No::Bad(
            "that change is not the last one any more, or the files were changed otherwise since"
                .to_owned(),
        ));
    };
    let names = files.kept.names();
    let mut outcome = Outcome::default();
    for (place, (id, _)) in names.into_iter().enumerate() {
        if before.0[place] != texts.0[place] {
            outcome.texts.insert(id, before.0[place].clone());
        }
    }
    match files.kept.check(&before) {
        Ok(good) => files.can_run(&good, &mut outcome),
        Err(errors) => outcome.mistakes = files.wrongs(&before, errors),
    }
    if !outcome.mistakes.is_empty() {
        return Err(No::Wrong(Box::new(outcome)));
    }
    renewed(&app, || {
        files.kept.undo(asked.number, &texts, &before)?;
        tracing::info!("files changed: {:04} undone", asked.number);
        Ok(())
    })
    .await?;
    outcome.written = true;
    Ok(Json(outcome))
}

/// Takes up what was changed from outside.
async fn take_up(_: Chief, State(app): State<Arc<App>>) -> Result<Json<Outcome>, No> {
    let files = files(&app)?.clone();
    let _one = files.one.lock().await;
    let texts = files.kept.read()?;
    let mut outcome = Outcome::default();
    match files.kept.check(&texts) {
        Ok(good) => files.can_run(&good, &mut outcome),
        Err(errors) => outcome.mistakes = files.wrongs(&texts, errors),
    }
    if !outcome.mistakes.is_empty() {
        return Err(No::Wrong(Box::new(outcome)));
    }
    renewed(&app, || Ok(())).await?;
    outcome.written = true;
    Ok(Json(outcome))
}
