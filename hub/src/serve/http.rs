//! The app's files, the socket's door, readings by POST, health and metrics. The book's addresses are in `book`, the
//! files' in `files`.

use super::{
    App, book,
    door::{Denied, devices, hosts::Stranger, policy, sessions},
    files,
    net::{self, Secure, Sender},
    peers, photos, recording, socket, two,
};
use crate::sources::{decode::Intake, tally::Tally};
use axum::{
    Extension, Router,
    body::Body,
    extract::{ConnectInfo, DefaultBodyLimit, Query, Request, State, WebSocketUpgrade},
    http::{HeaderMap, StatusCode, Uri, header},
    middleware::{self, Next},
    response::{IntoResponse, Response},
    routing::{get, post},
};
use rust_embed::RustEmbed;
use spinover_protocol::{SUBPROTOCOL, event::Right};
use std::{
    collections::HashMap,
    fmt::Write,
    net::SocketAddr,
    sync::{Arc, atomic::Ordering},
    time::{Duration, Instant},
};
use tower_http::compression::CompressionLayer;

/// Largest body of any other request; a route that takes more says so.
const MAX_BODY: usize = 64 * 1024;
/// Largest body of readings that a script may post at once.
const MAX_POST: usize = 1024 * 1024;

/// The app as it was built before the hub was.
#[derive(RustEmbed)]
#[folder = "$CARGO_MANIFEST_DIR/../web-ui/dist"]
#[allow_missing = true]
struct Pages;

/// All routes.
pub fn router(app: Arc<App>) -> Router {
    let mut routes = Router::new()
        .route("/ws", get(ws))
        .route("/healthz", get(healthz))
        .route("/metrics", get(metrics))
        .route(
            "/api/readings",
            post(readings).layer(DefaultBodyLimit::max(MAX_POST)),
        )
        .merge(book::routes())
        .merge(photos::routes())
        .merge(recording::routes())
        .merge(files::routes())
        .merge(devices::routes())
        .layer(middleware::from_fn_with_state(
            app.clone(),
            two::changes_only_in_charge,
        ))
        .layer(two::pages_of_the_other(&app))
        .layer(middleware::map_response(two::nothing_to_others))
        .route("/api/peer", get(peers::ws));
    if let Some(about) = &app.about {
        routes = routes.merge(net::trust::routes(about.clone()));
    }
    routes
        // A third of the bytes on the pit's Wi-Fi; the socket is not touched.
        .fallback_service(
            get(page)
                .layer(CompressionLayer::new())
                .with_state(app.clone()),
        )
        .layer(DefaultBodyLimit::max(MAX_BODY))
        .layer(middleware::from_fn_with_state(app.clone(), guard))
        .with_state(app)
}

/// Before and after every answer: who asks by what name, how fast their request comes, and what the browser is to forbid.
async fn guard(State(app): State<Arc<App>>, request: Request, next: Next) -> Response {
    let secure = request.extensions().get() == Some(&Secure(true));
    let host = match app.door.hosts.look(&request, secure) {
        Ok(host) => host,
        Err(Stranger::Host) => {
            let text = "this hub does not go by that name; use its address, or start it with --host-name NAME\n";
            return (StatusCode::MISDIRECTED_REQUEST, text).into_response();
        }
        Err(Stranger::Origin) => {
            let text = "another site's page may not do this\n";
            return (StatusCode::FORBIDDEN, text).into_response();
        }
    };
    let mut response = next.run(net::pace(request)).await;
    policy::put(response.headers_mut(), &host, &app.door.hosts);
    response
}

async fn ws(
    State(app): State<Arc<App>>,
    ConnectInfo(from): ConnectInfo<SocketAddr>,
    Extension(Sender(line)): Extension<Sender>,
    upgrade: WebSocketUpgrade,
) -> Response {
    upgrade
        .protocols([SUBPROTOCOL])
        .max_message_size(socket::MAX_FRAME)
        .max_frame_size(socket::MAX_FRAME)
        .read_buffer_size(socket::READ_BUFFER)
        .on_upgrade(move |socket| socket::serve(app, socket, from.ip(), line))
}

async fn healthz(State(app): State<Arc<App>>) -> Response {
    let health = app.book.health().borrow().clone();
    match health.trouble {
        None => (StatusCode::OK, "ok\n".to_owned() + &two::in_words(&app)).into_response(),
        Some(trouble) => (
            StatusCode::SERVICE_UNAVAILABLE,
            format!("the book cannot be written: {trouble}\n"),
        )
            .into_response(),
    }
}

async fn metrics(State(app): State<Arc<App>>) -> Response {
    let counts = &app.counts;
    let health = app.book.health().borrow().clone();
    let counters = [
        (
            "spinover_readings",
            "Readings taken from sources.",
            counts.readings.load(Ordering::Relaxed),
        ),
        (
            "spinover_faults",
            "Input that could not be taken.",
            counts.faults.load(Ordering::Relaxed),
        ),
        (
            "spinover_frames",
            "Readings frames shown.",
            counts.frames.load(Ordering::Relaxed),
        ),
        (
            "spinover_commands_accepted",
            "Commands accepted.",
            counts.accepted.load(Ordering::Relaxed),
        ),
        (
            "spinover_commands_refused",
            "Commands refused.",
            counts.refused.load(Ordering::Relaxed),
        ),
        (
            "spinover_readings_dropped",
            "Readings that the book had no room for.",
            health.dropped_readings,
        ),
    ];
    let gauges = [
        (
            "spinover_sockets",
            "Phones joined.",
            counts.sockets.load(Ordering::Relaxed),
        ),
        (
            "spinover_events",
            "Number of the last event on the disk.",
            app.log.last(),
        ),
        (
            "spinover_book_writing",
            "1 while the book can be written.",
            u64::from(health.writing),
        ),
        (
            "spinover_book_late_ms",
            "Milliseconds of readings that a power cut could have cost of late, where more than promised; 0 else.",
            health.late_ms,
        ),
    ];
    let two = two::gauges(&app);
    let gauges = gauges.into_iter().chain(two);
    let mut text = String::new();
    for (name, help, value) in counters {
        let _ = write!(
            text,
            "# TYPE {name} counter\n# HELP {name} {help}\n{name}_total {value}\n"
        );
    }
    for (name, help, value) in gauges {
        let _ = write!(
            text,
            "# TYPE {name} gauge\n# HELP {name} {help}\n{name} {value}\n"
        );
    }
    text.push_str("# EOF\n");
    (
        [(
            header::CONTENT_TYPE,
            "application/openmetrics-text; version=1.0.0; charset=utf-8",
        )],
        text,
    )
        .into_response()
}

/// The right that a request's code gives: `Authorization: Bearer CODE` (or a device's token), or `?code=CODE`.
pub fn right(
    app: &App,
    from: SocketAddr,
    headers: &HeaderMap,
    query: &HashMap<String, String>,
) -> Result<Right, Box<Response>> {
    let bearer = headers
        .get(header::AUTHORIZATION)
        .and_then(|value| value.to_str().ok()?.strip_prefix("Bearer "));
    let Some(code) = bearer.or_else(|| query.get("code").map(String::as_str)) else {
        let text = "a code is needed: Authorization: Bearer CODE, or ?code=CODE\n";
        return Err(Box::new(
            (
                StatusCode::UNAUTHORIZED,
                [(header::WWW_AUTHENTICATE, "Bearer")],
                text,
            )
                .into_response(),
        ));
    };
    let looked = if sessions::is_token(code) {
        app.door.check_token(code, None)
    } else {
        app.door.check(code, from.ip(), Instant::now())
    };
    looked.map_err(|denied| {
        let (status, wait, text) = match denied {
            Denied::Unknown => (
                StatusCode::UNAUTHORIZED,
                Duration::ZERO,
                "that token is not known; join again\n",
            ),
            Denied::PutOut => (
                StatusCode::UNAUTHORIZED,
                Duration::ZERO,
                "the chief has put this device out\n",
            ),
            Denied::Wrong(wait) => (StatusCode::UNAUTHORIZED, wait, "that code is not right\n"),
            Denied::Wait(wait) => (
                StatusCode::TOO_MANY_REQUESTS,
                wait,
                "too soon after a wrong code\n",
            ),
        };
        let seconds = wait.as_secs_f64().ceil().to_string();
        Box::new((status, [(header::RETRY_AFTER, seconds)], text).into_response())
    })
}

/// Lines of readings. The answer says how many were taken and what was wrong with the others.
async fn readings(
    State(app): State<Arc<App>>,
    ConnectInfo(from): ConnectInfo<SocketAddr>,
    Query(query): Query<HashMap<String, String>>,
    headers: HeaderMap,
    body: axum::body::Bytes,
) -> Response {
    if let Err(refusal) = right(&app, from, &headers, &query) {
        return *refusal;
    }
    let mut taken = 0;
    let mut tally = Tally::default();
    let mut intake = Intake::new(app.index.clone());
    for line in body.split(|byte| *byte == b'\n') {
        let Some(batch) = intake.line(line, &mut tally) else {
            continue;
        };
        taken += batch.values.len();
        if app.posted.batch(batch).await.is_err() {
            return (StatusCode::SERVICE_UNAVAILABLE, "the hub is stopping\n").into_response();
        }
    }
    let faults = tally.rest(tokio::time::Instant::now());
    let count: u64 = faults.iter().map(|fault| fault.count).sum();
    let first: Vec<String> = faults.iter().map(|fault| fault.text.clone()).collect();
    for fault in faults {
        let _ = app.posted.fault(fault.kind, fault.count, fault.text).await;
    }
    let status = if taken == 0 && count > 0 {
        StatusCode::BAD_REQUEST
    } else {
        StatusCode::OK
    };
    let body = serde_json::json!({ "taken": taken, "faults": count, "such_as": first });
    (status, axum::Json(body)).into_response()
}

/// The app's files; the app itself at any address that has no dot, since it finds its way by what is behind the `#`.
async fn page(uri: Uri, headers: HeaderMap) -> Response {
    let path = uri.path().trim_start_matches('/');
    let path = if path.is_empty() || !path.contains('.') {
        "index.html"
    } else {
        path
    };
    let Some(file) = Pages::get(path) else {
        let text = if path == "index.html" {
            "The app is not part of this binary. Build it first with `cargo xtask build`.\n"
        } else {
            "no such page\n"
        };
        return (StatusCode::NOT_FOUND, text).into_response();
    };
    // File names stay the same between versions, so the browser asks each time, and is told "as before" by the tag.
    let tag = format!(
        "\"{}\"",
        blake3::Hash::from_bytes(file.metadata.sha256_hash()).to_hex()
    );
    let kind = file.metadata.mimetype().to_owned();
    // A page with a style in it has a policy of its own, also when it is "as before": browsers take the headers of that answer.
    let own = (path != "index.html" && path.ends_with(".html"))
        .then(|| policy::of_page(&String::from_utf8_lossy(&file.data)));
    let own = own.map(|policy| [(header::CONTENT_SECURITY_POLICY, policy)]);
    if headers
        .get(header::IF_NONE_MATCH)
        .is_some_and(|known| known.as_bytes() == tag.as_bytes())
    {
        return (StatusCode::NOT_MODIFIED, own, ()).into_response();
    }
    let head = [
        (header::CONTENT_TYPE, kind),
        (header::ETAG, tag),
        (header::CACHE_CONTROL, "no-cache".to_owned()),
    ];
    (head, own, Body::from(file.data)).into_response()
}
