//! How phones find the hub: addresses, a QR code, and multicast DNS.

use mdns_sd::{ServiceDaemon, ServiceInfo};
use qrcode::{Color, QrCode, render::unicode};
use spinover_protocol::car::Car;
use std::{
    fmt::Write,
    net::{IpAddr, SocketAddr},
};

/// The addresses to join by, with the code behind the `#` (which browsers do not send), most likely one first.
pub fn join_urls(address: SocketAddr, secure: bool, code: &str) -> Vec<String> {
    let mut hosts: Vec<IpAddr> = Vec::new();
    if address.ip().is_unspecified() {
        let interfaces = if_addrs::get_if_addrs().unwrap_or_default();
        let mut found: Vec<IpAddr> = interfaces
            .iter()
            .filter(|found| !found.is_loopback())
            .map(|found| found.ip())
            .collect();
        // Phones on a pit router have IPv4; a link-local IPv6 address needs a scope that no phone can be told.
        found.retain(|ip| !matches!(ip, IpAddr::V6(v6) if (v6.segments()[0] & 0xffc0) == 0xfe80));
        found.sort_by_key(|ip| (ip.is_ipv6(), *ip));
        hosts.extend(found);
        if hosts.is_empty() {
            hosts.push(IpAddr::from([127, 0, 0, 1]));
        }
    } else {
        hosts.push(address.ip());
    }
    let scheme = if secure { "https" } else { "http" };
    hosts
        .into_iter()
        .map(|host| {
            format!(
                "{scheme}://{}/#{code}",
                SocketAddr::new(host, address.port())
            )
        })
        .collect()
}

/// The addresses of a hub without a code: what another hub and its phones reach it by.
pub fn plain_urls(address: SocketAddr, secure: bool) -> Vec<String> {
    join_urls(address, secure, "")
        .iter()
        .map(|url| url.trim_end_matches("/#").to_owned())
        .collect()
}

/// The origins that a browser may give to pages of a hub with these addresses.
pub fn origins(urls: &[String]) -> Vec<String> {
    let mut origins = urls.to_vec();
    for url in urls {
        if let (Some((scheme, _)), Some((_, port))) = (url.split_once("://"), url.rsplit_once(':'))
        {
            origins.push(format!("{scheme}://spinover.local:{port}"));
            origins.push(format!("{scheme}://localhost:{port}"));
        }
    }
    origins
}

/// A QR code as an SVG document. Every phone gets it whenever it joins, also over a link that is hardly one, so it is small: a stroke
/// for each run of dark modules, with the quiet zone of four that ISO/IEC 18004 asks for.
pub fn qr_svg(text: &str) -> String {
    const QUIET: usize = 4;
    let Ok(code) = QrCode::new(text) else {
        return String::new();
    };
    let (width, modules) = (code.width(), code.to_colors());
    let mut strokes = String::new();
    for (y, row) in modules.chunks(width).enumerate() {
        let mut x = 0;
        for run in row.chunk_by(|one, other| one == other) {
            if run[0] == Color::Dark {
                let _ = write!(strokes, "M{x} {y}h{}", run.len());
            }
            x += run.len();
        }
    }
    let size = width + 2 * QUIET;
    format!(
        r##"<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {size} {size}" width="240" height="240" shape-rendering="crispEdges"><path fill="#fff" d="M0 0h{size}v{size}H0z"/><path stroke="#000" transform="translate({QUIET} {QUIET}.5)" d="{strokes}"/></svg>"##
    )
}

/// A QR code for a terminal, dark on light whatever the terminal's colours.
pub fn qr_terminal(text: &str) -> String {
    let Ok(code) = QrCode::new(text) else {
        return String::new();
    };
    code.render::<unicode::Dense1x2>()
        .dark_color(unicode::Dense1x2::Light)
        .light_color(unicode::Dense1x2::Dark)
        .build()
}

/// Takes the announcement back when it is dropped.
pub struct Announced {
    daemon: ServiceDaemon,
}

impl Drop for Announced {
    fn drop(&mut self) {
        let _ = self.daemon.shutdown();
    }
}

/// Announces the hub as `spinover.local` with an `_http._tcp` service. Networks that block multicast are common, so failing
/// is no error: the QR code and the address remain.
pub fn announce(car: &Car, address: SocketAddr, secure: bool) -> Option<Announced> {
    let daemon = ServiceDaemon::new()
        .map_err(|error| tracing::warn!("no multicast DNS: {error}"))
        .ok()?;
    let instance = format!("Spinover {}", car.name);
    let properties = [("path", "/")];
    let fixed = if address.ip().is_unspecified() {
        String::new()
    } else {
        address.ip().to_string()
    };
    let info = ServiceInfo::new(
        if secure {
            "_https._tcp.local."
        } else {
            "_http._tcp.local."
        },
        &instance,
        "spinover.local.",
        fixed,
        address.port(),
        &properties[..],
    );
    let registered = info.and_then(|info| {
        let info = if address.ip().is_unspecified() {
            info.enable_addr_auto()
        } else {
            info
        };
        daemon.register(info)
    });
    match registered {
        Ok(()) => Some(Announced { daemon }),
        Err(error) => {
            tracing::warn!("no multicast DNS: {error}");
            let _ = daemon.shutdown();
            None
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn addresses_carry_the_code_behind_the_hash() {
        let address = SocketAddr::from(([192, 0, 2, 7], 4780));
        assert_eq!(
            join_urls(address, false, "ab-cd"),
            ["http://192.0.2.7:4780/#ab-cd"]
        );
        assert!(!join_urls(SocketAddr::from(([0, 0, 0, 0], 80)), true, "x").is_empty());
        let svg = qr_svg("http://192.0.2.7:4780/#ab-cd");
        assert!(svg.len() < 4_000, "{} bytes", svg.len());
        // As the library draws it itself, module for module.
        let code = QrCode::new("http://192.0.2.7:4780/#ab-cd").unwrap();
        let mut drawn = vec![vec![' '; code.width()]; code.width()];
        let strokes = svg.rsplit(" d=\"M").next().unwrap();
        for stroke in strokes.split('"').next().unwrap().split('M') {
            let (at, run) = stroke.split_once('h').unwrap();
            let (x, y) = at.split_once(' ').unwrap();
            let (x, y, run): (usize, usize, usize) =
                (x.parse().unwrap(), y.parse().unwrap(), run.parse().unwrap());
            drawn[y][x..x + run].fill('#');
        }
        let drawn: Vec<String> = drawn.into_iter().map(String::from_iter).collect();
        let theirs = code
            .render::<char>()
            .quiet_zone(false)
            .module_dimensions(1, 1)
            .dark_color('#')
            .build();
        assert_eq!(drawn.join("\n"), theirs);
    }
}
