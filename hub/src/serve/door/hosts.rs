//! By what names the hub answers, and whose pages may talk to it.
//!
//! A page from elsewhere can have a browser on the pit's network send requests here. It cannot hide two things: the name that
//! it reached the hub by (`Host`; a name of its own that it had pointed at this address is turned away, which ends DNS
//! rebinding), and where the page came from (`Origin`; another site's may neither open the socket nor write).

use axum::http::{HeaderMap, Method, Request, header, uri::Authority};
use std::{
    net::IpAddr,
    sync::{PoisonError, RwLock},
};

/// Names that are always ours: the machine itself, and the one that is announced.
const OURS: [&str; 2] = ["localhost", "spinover.local"];

/// The names that a hub answers to, and origins besides its own.
#[derive(Debug, Default)]
pub struct Hosts {
    names: Vec<String>,
    origins: RwLock<Vec<String>>,
}

/// Why a request is turned away.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stranger {
    /// The name is none of ours, or there is none.
    Host,
    /// The page is from elsewhere.
    Origin,
}

impl Hosts {
    /// With names besides the usual ones.
    pub fn new(names: &[String]) -> Self {
        Self {
            names: names.iter().map(|name| plain(name)).collect(),
            origins: RwLock::default(),
        }
    }

    /// Lets pages from another origin in: one of the hub's other addresses, or a second laptop. `scheme://host:port`.
    pub fn allow(&self, origin: &str) {
        let mut origins = self.origins.write().unwrap_or_else(PoisonError::into_inner);
        let origin = origin.to_ascii_lowercase();
        if !origins.contains(&origin) {
            origins.push(origin);
        }
    }

    /// Origins that are let in besides the one that the page came from.
    pub fn origins(&self) -> Vec<String> {
        let origins = self.origins.read().unwrap_or_else(PoisonError::into_inner);
        origins.clone()
    }

    /// Looks at a request; the name and port by which it reached us.
    ///
    /// # Errors
    /// When it should not be answered.
    pub fn look<T>(&self, request: &Request<T>, secure: bool) -> Result<Authority, Stranger> {
        let host = self.host(request).ok_or(Stranger::Host)?;
        let safe = matches!(
            *request.method(),
            Method::GET | Method::HEAD | Method::OPTIONS
        );
        let socket = request.headers().contains_key(header::UPGRADE);
        if (!safe || socket) && !self.same(request.headers(), &host, secure) {
            return Err(Stranger::Origin);
        }
        Ok(host)
    }

    fn host<T>(&self, request: &Request<T>) -> Option<Authority> {
        let mut named = request.headers().get_all(header::HOST).iter();
        let host: Authority = named.next()?.to_str().ok()?.parse().ok()?;
        // An absolute address in the request line counts for more than the header; two names are one too many.
        let other = request.uri().authority().is_some_and(|uri| *uri != host);
        let user = host.as_str().contains('@');
        (named.next().is_none() && !other && !user && self.ours(host.host())).then_some(host)
    }

    fn ours(&self, host: &str) -> bool {
        let name = plain(host);
        let literal = name.trim_start_matches('[').trim_end_matches(']');
        literal.parse::<IpAddr>().is_ok()
            || OURS.contains(&name.as_str())
            || self.names.contains(&name)
    }

    /// A browser names the page; programs name none.
    fn same(&self, headers: &HeaderMap, host: &Authority, secure: bool) -> bool {
        let Some(origin) = headers.get(header::ORIGIN) else {
            return true;
        };
        let origin = origin.to_str().unwrap_or_default().to_ascii_lowercase();
        let scheme = if secure { "https" } else { "http" };
        origin == format!("{scheme}://{host}").to_ascii_lowercase()
            || self.origins().contains(&origin)
    }
}

/// Whether a text can be a host's name: letters, digits, dots and dashes, as in RFC 1123 section 2.1.
pub fn is_name(text: &str) -> bool {
    let part = |part: &str| {
        (1..=63).contains(&part.len())
            && part
                .bytes()
                .all(|byte| byte.is_ascii_alphanumeric() || byte == b'-')
            && !part.starts_with('-')
            && !part.ends_with('-')
    };
    text.len() <= 253 && text.trim_end_matches('.').split('.').all(part)
}

fn plain(name: &str) -> String {
    name.trim_end_matches('.').to_ascii_lowercase()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn look(method: &str, host: &str, origin: Option<&str>) -> Result<(), Stranger> {
        let hosts = Hosts::new(&["Pit-Laptop.lan".to_owned()]);
        hosts.allow("http://10.0.0.9:4780");
        let mut request = Request::builder()
            .method(method)
            .uri("/")
            .header("host", host);
        if let Some(origin) = origin {
            request = request.header("origin", origin);
        }
        hosts.look(&request.body(()).unwrap(), false).map(|_| ())
    }

    #[test]
    fn names_that_are_ours_and_names_that_are_not() {
        for host in [
            "127.0.0.1:4780",
            "[::1]:4780",
            "192.0.2.7",
            "localhost:1",
            "spinover.local:4780",
            "SPINOVER.local.",
            "pit-laptop.lan:4780",
        ] {
            assert_eq!(look("GET", host, None), Ok(()), "{host}");
        }
        for host in [
            "elsewhere.example",
            "spinover.local.elsewhere.example",
            "127.0.0.1.elsewhere.example",
            "other.local",
            "",
            "a@127.0.0.1",
            "127.0.0.1:4780@x.example",
        ] {
            assert_eq!(look("GET", host, None), Err(Stranger::Host), "{host}");
        }
    }

    #[test]
    fn only_our_own_pages_write() {
        let host = "10.0.0.5:4780";
        for origin in [
            None,
            Some("http://10.0.0.5:4780"),
            Some("http://10.0.0.9:4780"),
        ] {
            assert_eq!(look("POST", host, origin), Ok(()), "{origin:?}");
        }
        for origin in [
            "http://elsewhere.example",
            "null",
            "",
            "https://10.0.0.5:4780",
            "http://10.0.0.5",
            "http://10.0.0.5:4781",
            "http://10.0.0.5:4780.x.example",
        ] {
            assert_eq!(
                look("PATCH", host, Some(origin)),
                Err(Stranger::Origin),
                "{origin}"
            );
        }
        assert_eq!(look("GET", host, Some("http://elsewhere.example")), Ok(()));
    }
}
