//! The door over HTTP, for the chief: who has joined, putting a device out, a new code.

use super::super::{App, book::Chief};
use axum::{
    Json, Router,
    extract::{Path, State},
    http::StatusCode,
    response::{IntoResponse, Response},
    routing::{get, post},
};
use spinover_protocol::{
    door::{Device, NewCode, PutOut, Renew},
    event::Right,
    message::HubMessage,
};
use std::sync::Arc;

/// The door's routes.
pub fn routes() -> Router<Arc<App>> {
    Router::new()
        .route("/api/devices", get(list))
        .route("/api/devices/{id}/out", post(put_out))
        .route("/api/code", post(renew))
}

/// `GET /api/devices`.
async fn list(State(app): State<Arc<App>>, _: Chief) -> Json<Vec<Device>> {
    Json(app.door.sessions.list())
}

/// `POST /api/devices/ID/out`: it is out at once, and for good by its token; with a new code also by the one that it knows.
async fn put_out(
    State(app): State<Arc<App>>,
    _: Chief,
    Path(id): Path<String>,
    Json(how): Json<PutOut>,
) -> Response {
    let list = app.door.sessions.list();
    let known = list.iter().find(|device| device.device.as_str() == id);
    let Some(device) = known.cloned() else {
        return (StatusCode::NOT_FOUND, "no such device\n").into_response();
    };
    tracing::warn!(
        "{} ({}) is put out by the chief",
        device.name,
        device.device
    );
    let sessions = app.door.sessions.clone();
    let of = device.device.clone();
    let written = tokio::task::spawn_blocking(move || sessions.put_out(&of)).await;
    if let Ok(Err(error)) = written {
        let text = format!("it is out, but may be back after a restart: {error}\n");
        return (StatusCode::INTERNAL_SERVER_ERROR, text).into_response();
    }
    if how.new_code {
        return make(&app, device.right).await;
    }
    Json(NewCode::default()).into_response()
}

/// `POST /api/code`: phones that are in stay in.
async fn renew(State(app): State<Arc<App>>, _: Chief, Json(what): Json<Renew>) -> Response {
    make(&app, what.right).await
}

async fn make(app: &Arc<App>, right: Right) -> Response {
    let door = app.door.clone();
    let made = tokio::task::spawn_blocking(move || door.renew(right)).await;
    match made.unwrap_or_else(|_| Err(anyhow::anyhow!("it could not be made"))) {
        Ok(code) => {
            tracing::warn!("the chief has made a new code for {right:?}");
            if right == Right::Crew {
                (app.show)(HubMessage::Join(app.door.join()));
            }
            Json(NewCode { code: Some(code) }).into_response()
        }
        Err(error) => {
            let text = format!("the old code still holds: {error}\n");
            (StatusCode::INTERNAL_SERVER_ERROR, text).into_response()
        }
    }
}
