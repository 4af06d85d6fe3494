//! What HTTP has to do with there being two laptops: pages of the one that may talk to the other (those and no others), changes that only the hub in charge
//! takes, and what health page and metrics say.

use super::App;
use axum::{
    extract::{Request, State},
    http::{HeaderName, Method, StatusCode, header},
    middleware::Next,
    response::{IntoResponse, Response},
};
use spinover_protocol::hubs::Standing;
use std::sync::Arc;
use tower_http::cors::{AllowOrigin, CorsLayer};

/// Pages that came from the other laptop ask this one for the book, as its phones move over without loading the page anew.
pub fn pages_of_the_other(app: &Arc<App>) -> CorsLayer {
    let app = app.clone();
    CorsLayer::new()
        .allow_origin(AllowOrigin::predicate(move |origin, _| {
            origin.to_str().is_ok_and(|origin| app.peers.allows(origin))
        }))
        .allow_methods([Method::GET, Method::POST, Method::PATCH])
        .allow_headers([header::AUTHORIZATION, header::CONTENT_TYPE])
        .expose_headers([HeaderName::from_static("spinover-not-readable")])
}

/// A page that is not invited is not told either what one could do that is.
pub async fn nothing_to_others(mut response: Response) -> Response {
    let headers = response.headers_mut();
    if !headers.contains_key(header::ACCESS_CONTROL_ALLOW_ORIGIN) {
        for name in [
            header::ACCESS_CONTROL_ALLOW_METHODS,
            header::ACCESS_CONTROL_ALLOW_HEADERS,
            header::ACCESS_CONTROL_EXPOSE_HEADERS,
        ] {
            headers.remove(name);
        }
    }
    response
}

/// Lets pages of the other laptop in, and pages of this one talk to it: `door::hosts` looks at origins, `door::policy` names them.
pub fn let_in(app: &App, urls: &[String]) {
    for origin in app.peers.allow(urls) {
        app.door.hosts.allow(&origin);
    }
}

/// A standby's book is a copy, and a replaced hub's is the past: neither is changed. Readings that are posted to a replaced hub still
/// show there.
pub async fn changes_only_in_charge(
    State(app): State<Arc<App>>,
    request: Request,
    next: Next,
) -> Response {
    let looks = [Method::GET, Method::HEAD, Method::OPTIONS].contains(request.method());
    let readings = request.uri().path() == "/api/readings";
    let (standing, other) = {
        let hubs = app.peers.hubs.borrow();
        (hubs.standing, hubs.other.clone().unwrap_or_default())
    };
    let what = match standing {
        _ if looks => None,
        Standing::InCharge => None,
        Standing::Replaced if readings => None,
        Standing::Standby => Some("this is the second laptop, and it has not taken over"),
        Standing::Replaced => Some("another laptop has taken over from this one"),
    };
    match what {
        None => next.run(request).await,
        Some(what) => {
            let at = other.urls.first().map_or("", String::as_str);
            (
                StatusCode::CONFLICT,
                format!("{what}; the one in charge is {at}\n"),
            )
                .into_response()
        }
    }
}

/// One line for the health page, where there are or were two laptops.
pub fn in_words(app: &App) -> String {
    let hubs = app.peers.hubs.borrow();
    let Some(other) = &hubs.other else {
        return String::new();
    };
    let at = other.urls.first().map_or("?", String::as_str);
    let behind = other.behind;
    match (hubs.standing, other.here) {
        (Standing::InCharge, true) => {
            format!("in charge; {at} follows, {behind} events behind\n")
        }
        (Standing::InCharge, false) => format!("in charge; {at} does not follow\n"),
        (Standing::Standby, true) => format!("standby; follows {at}, {behind} events behind\n"),
        (Standing::Standby, false) => format!("standby; {at} is not there\n"),
        (Standing::Replaced, _) => format!("replaced by {at}; nothing can be marked here\n"),
    }
}

/// Name, help and value of what the metrics say.
pub fn gauges(app: &App) -> [(&'static str, &'static str, u64); 4] {
    let hubs = app.peers.hubs.borrow();
    let other = hubs.other.clone().unwrap_or_default();
    [
        (
            "spinover_in_charge",
            "1 while this hub takes commands: not a standby, and not replaced.",
            u64::from(hubs.standing == Standing::InCharge),
        ),
        (
            "spinover_epoch",
            "Takeovers of the journal that this hub knows of.",
            hubs.charge.epoch,
        ),
        (
            "spinover_other_laptop_here",
            "1 while the other laptop is connected.",
            u64::from(other.here),
        ),
        (
            "spinover_standby_behind",
            "Events that the standby of the two lacks.",
            other.behind,
        ),
    ]
}
