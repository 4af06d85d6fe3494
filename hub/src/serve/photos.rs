//! Photos over HTTP: sent by the crew one at a time as they are, looked at with a ticket, taken away by the chief. What a sender says of
//! a photo (name, media type) is not read.

use super::{
    App,
    book::{Chief, Crew, Visitor, refused, written},
};
use crate::book::{BookError, Photos};
use axum::{
    Json, Router,
    body::Bytes,
    extract::{DefaultBodyLimit, Path, Query, State},
    http::{HeaderMap, StatusCode, header},
    response::{IntoResponse, Response},
    routing::{delete, get, post},
};
use spinover_protocol::book::{MAX_PHOTO, Taken};
use std::{collections::HashMap, sync::Arc};

/// The photos' routes.
pub fn routes() -> Router<Arc<App>> {
    // A little more than a photo may have, so that one that is too large is refused in words.
    let limit = DefaultBodyLimit::max(MAX_PHOTO + 4_096);
    Router::new()
        .route("/photo/{name}", get(photo))
        .route("/api/book/warmup/{id}/photos", post(attach).layer(limit))
        .route("/api/book/warmup/{id}/photos/{name}", delete(detach))
}

/// `POST /api/book/warmup/ID/photos`: the body is a picture, and nothing else. Anyone of the crew may.
async fn attach(
    State(app): State<Arc<App>>,
    _: Crew,
    Path(id): Path<String>,
    body: Result<Bytes, axum::extract::rejection::BytesRejection>,
) -> Response {
    let body = match body {
        Ok(body) => body,
        Err(error) if error.status() == StatusCode::PAYLOAD_TOO_LARGE => {
            let text = format!("a photo may have {} MB at most\n", MAX_PHOTO / 1_000_000);
            return (StatusCode::PAYLOAD_TOO_LARGE, text).into_response();
        }
        Err(error) => return error.into_response(),
    };
    // Unpacking costs memory and time: one at a time, whoever sends how many, so that phones' readings do not wait for it.
    let Ok(_turn) = app.heavy.acquire().await else {
        return refused(&BookError::Closed);
    };
    let book = app.book.clone();
    let looked_at = tokio::task::spawn_blocking(move || book.attach(&id, &body)).await;
    let done = match looked_at {
        Ok(Ok(answer)) => answer.await.unwrap_or(Err(BookError::Closed)),
        Ok(Err(error)) => Err(error),
        Err(_) => Err(BookError::Refused("this picture cannot be read".to_owned())),
    };
    match done {
        Ok(photo) => Json(Taken { photo }).into_response(),
        Err(error) => refused(&error),
    }
}

/// `DELETE /api/book/warmup/ID/photos/NAME`: the chief's.
async fn detach(
    State(app): State<Arc<App>>,
    _: Chief,
    Path((id, name)): Path<(String, String)>,
) -> Response {
    written(app.book.detach(&id, &name).await)
}

/// `GET /photo/NAME`: a photo; with `?small=1` the small one. Its name is the hash of its bytes, so it never changes.
async fn photo(
    State(app): State<Arc<App>>,
    _: Visitor,
    Query(query): Query<HashMap<String, String>>,
    Path(name): Path<String>,
    headers: HeaderMap,
) -> Response {
    let small = query.contains_key("small");
    let tag = format!("\"{name}{}\"", if small { "-small" } else { "" });
    let head = [
        (
            header::CACHE_CONTROL,
            "private, max-age=31536000, immutable".to_owned(),
        ),
        (header::ETAG, tag.clone()),
    ];
    let known = headers.get(header::IF_NONE_MATCH);
    if known.is_some_and(|known| known.as_bytes() == tag.as_bytes()) {
        return (StatusCode::NOT_MODIFIED, head).into_response();
    }
    let photos: Photos = app.book.photos();
    let read = tokio::task::spawn_blocking(move || match small {
        true => photos.read_small(&name),
        false => photos.read(&name),
    });
    match read.await {
        Ok(Ok((kind, bytes))) => {
            (head, [(header::CONTENT_TYPE, kind.media_type())], bytes).into_response()
        }
        Ok(Err(what)) => (StatusCode::NOT_FOUND, what + "\n").into_response(),
        Err(_) => StatusCode::INTERNAL_SERVER_ERROR.into_response(),
    }
}
