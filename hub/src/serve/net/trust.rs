//! What an encrypted hub says to those who come unencrypted: the certificate of its authority, a page that explains how a phone
//! comes to trust it and what that means, and, for every other address, the way to the encrypted one. No script, no other page.

use super::super::{
    discovery,
    door::{hosts::Hosts, policy},
};
use axum::{
    Router,
    body::Body,
    extract::{Query, Request, State},
    http::{HeaderMap, StatusCode, header, uri::Authority},
    middleware::{self, Next},
    response::{IntoResponse, Response},
    routing::get,
};
use spinover_protocol::message::Trust;
use std::{collections::HashMap, net::SocketAddr, sync::Arc};

/// The page.
pub const PAGE: &str = "/trust";
/// The certificate.
const FILE: &str = "/trust/authority.crt";

/// What the page is about.
#[derive(Debug)]
pub struct About {
    /// The authority's certificate (DER).
    pub certificate: Vec<u8>,
    /// Its fingerprint.
    pub fingerprint: String,
}

/// How phones are told of it.
pub fn told(address: SocketAddr, about: &About) -> Trust {
    let join = discovery::join_urls(address, false, "");
    let first = join.first().map_or("", String::as_str);
    let url = first.trim_end_matches("/#").to_owned() + PAGE;
    Trust {
        qr_svg: discovery::qr_svg(&url),
        url,
        fingerprint: about.fingerprint.clone(),
    }
}

/// The page and the certificate, for encrypted and plain alike.
pub fn routes<S: Clone + Send + Sync + 'static>(about: Arc<About>) -> Router<S> {
    Router::new()
        .route(PAGE, get(page))
        .route(FILE, get(certificate))
        .with_state(about)
}

/// All that a plain connection is answered.
pub fn plain(about: Arc<About>, hosts: Arc<Hosts>) -> Router {
    routes(about).layer(middleware::from_fn_with_state(hosts, guard))
}

async fn guard(State(hosts): State<Arc<Hosts>>, request: Request, next: Next) -> Response {
    let Ok(host) = hosts.look(&request, false) else {
        return (StatusCode::MISDIRECTED_REQUEST, "no such name here\n").into_response();
    };
    let mut response = if request.uri().path().starts_with(PAGE) {
        next.run(request).await
    } else {
        onward(&host, &request)
    };
    policy::put(response.headers_mut(), &host, &hosts);
    response
}

fn onward(host: &Authority, request: &Request) -> Response {
    let path = request
        .uri()
        .path_and_query()
        .map_or("/", |path| path.as_str());
    let to = format!("https://{host}{path}");
    // For now only: the hub may be started without encryption tomorrow. 307 keeps the method.
    (StatusCode::TEMPORARY_REDIRECT, [(header::LOCATION, to)]).into_response()
}

async fn certificate(State(about): State<Arc<About>>) -> Response {
    let head = [
        (header::CONTENT_TYPE, "application/x-x509-ca-cert"),
        (
            header::CONTENT_DISPOSITION,
            "attachment; filename=\"spinover-authority.crt\"",
        ),
    ];
    (head, Body::from(about.certificate.clone())).into_response()
}

async fn page(
    State(about): State<Arc<About>>,
    Query(query): Query<HashMap<String, String>>,
    headers: HeaderMap,
) -> Response {
    let wanted = query.get("lang").map(String::as_str).or_else(|| {
        let list = headers.get(header::ACCEPT_LANGUAGE)?;
        list.to_str().ok()
    });
    let spanish = wanted.is_some_and(|tag| tag.trim_start().to_ascii_lowercase().starts_with("es"));
    let host = headers
        .get(header::HOST)
        .and_then(|host| host.to_str().ok());
    let html = html(&about, host.unwrap_or_default(), spanish);
    let head = [
        (header::CONTENT_TYPE, "text/html; charset=utf-8".to_owned()),
        (header::CONTENT_SECURITY_POLICY, policy::of_page(&html)),
    ];
    (head, html).into_response()
}

/// `host` has been looked at by the door: letters, digits, dots, dashes, colons, brackets.
fn html(about: &About, host: &str, spanish: bool) -> String {
    let words = if spanish { &SPANISH } else { &ENGLISH };
    let list = |items: &[&str]| -> String {
        items
            .iter()
            .map(|item| format!("<li>{item}</li>"))
            .collect()
    };
    let (lang, other) = if spanish { ("es", "en") } else { ("en", "es") };
    format!(
        "<!doctype html>\n<html lang=\"{lang}\"><head><meta charset=\"utf-8\"><meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\
         <title>{title}</title><style>{style}</style></head><body><main>\n<h1>{title}</h1>\n<p>{what}</p>\n\
         <a class=\"key other\" href=\"https://{host}/\">{known}</a>\n\
         <h2>{means}</h2><ul>{meaning}</ul>\n\
         <h2>{check}</h2><p>{check_how}</p><p class=\"print\">{fingerprint}</p><p class=\"care\">{check_else}</p>\n\
         <a class=\"key\" href=\"{FILE}\">{take}</a>\n\
         <h2>iPhone, iPad</h2><ol>{iphone}</ol>\n<h2>Android</h2><ol>{android}</ol>\n\
         <h2>{after}</h2><ol>{afterwards}</ol>\n<p>{without}</p>\n\
         <p><a href=\"{PAGE}?lang={other}\" hreflang=\"{other}\">{other_words}</a></p></main></body></html>\n",
        title = words.title,
        style = include_str!("trust.css"),
        what = words.what,
        known = words.known,
        means = words.means,
        meaning = list(words.meaning),
        check = words.check,
        check_how = words.check_how,
        check_else = words.check_else,
        fingerprint = about.fingerprint,
        take = words.take,
        iphone = list(words.iphone),
        android = list(words.android),
        after = words.after,
        afterwards = list(words.afterwards),
        without = words.without,
        other_words = words.other,
    )
}

struct Words {
    title: &'static str,
    what: &'static str,
    known: &'static str,
    means: &'static str,
    meaning: &'static [&'static str],
    check: &'static str,
    check_how: &'static str,
    check_else: &'static str,
    take: &'static str,
    iphone: &'static [&'static str],
    android: &'static [&'static str],
    after: &'static str,
    afterwards: &'static [&'static str],
    without: &'static str,
    other: &'static str,
}

const ENGLISH: Words = Words {
    title: "Trust this pit's hub",
    what: "What this laptop and your phone say to each other is encrypted. Your phone must be told once that this laptop is the right one. It takes two minutes: not during a warm-up.",
    known: "This phone trusts it already: open Spinover",
    means: "What trusting means",
    meaning: &[
        "Your phone will believe this team's laptop when it says who it is, on local networks: private addresses, and names that end in .local or were given to this hub.",
        "It will not believe it about any other place. Your bank, your mail and every other site are as before.",
        "It gives the laptop nothing of what is on your phone, and nobody control over it.",
        "Whoever steals the laptop, or copies its data directory, can pose as the hub until you take the trust away.",
    ],
    check: "Compare first",
    check_how: "This page itself is not protected. The fingerprint (SHA-256) of the certificate is:",
    check_else: "Look at the laptop's own screen, and at the details that your phone shows before it installs. If they are not the same, stop: do not install, and tell the crew chief.",
    take: "Get the certificate",
    iphone: &[
        "Open this page in Safari, press “Get the certificate”, and allow the profile to be downloaded.",
        "In Settings, open the downloaded profile (near the top, or under General, VPN and device management), compare the fingerprint under “More details”, and install it.",
        "Then in Settings, General, About, Certificate trust settings: switch it on for this certificate. Without this step nothing changes.",
    ],
    android: &[
        "Press “Get the certificate”. If the phone opens it by itself, name it and choose VPN and apps (not Wi-Fi).",
        "Otherwise in Settings, Security, Encryption and credentials (names differ between makers), install a certificate, CA certificate, and choose the downloaded file.",
        "The phone warns that others could read your traffic. For this certificate that means the traffic with this hub. Compare the fingerprint under trusted certificates, user.",
    ],
    after: "Afterwards",
    afterwards: &[
        "Scan the laptop's code again, or open Spinover with the key at the top.",
        "At the season's end, or when the laptop is lost, remove the certificate in the same place.",
    ],
    without: "Without this your browser warns at each visit. Do not get used to pressing such warnings away: ask the crew chief.",
    other: "En español",
};

const SPANISH: Words = Words {
    title: "Confiar en la central de este box",
    what: "Lo que este portátil y su teléfono se dicen va cifrado. Hay que decirle una vez al teléfono que este portátil es el correcto. Son dos minutos: no durante un calentamiento.",
    known: "Este teléfono ya confía: abrir Spinover",
    means: "Qué significa confiar",
    meaning: &[
        "Su teléfono creerá al portátil de este equipo cuando diga quién es, en redes locales: direcciones privadas y nombres que acaban en .local o que se dieron a esta central.",
        "No le creerá sobre ningún otro lugar. Su banco, su correo y todo lo demás siguen como antes.",
        "No da al portátil nada de lo que hay en su teléfono, ni a nadie control sobre él.",
        "Quien robe el portátil, o copie su directorio de datos, puede hacerse pasar por la central hasta que usted retire la confianza.",
    ],
    check: "Compare primero",
    check_how: "Esta página no está protegida. La huella (SHA-256) del certificado es:",
    check_else: "Mire la pantalla del propio portátil, y los detalles que el teléfono muestra antes de instalar. Si no coinciden, pare: no instale, y avise al jefe de equipo.",
    take: "Descargar el certificado",
    iphone: &[
        "Abra esta página en Safari, pulse «Descargar el certificado» y permita descargar el perfil.",
        "En Ajustes, abra el perfil descargado (arriba, o en General, VPN y gestión de dispositivos), compare la huella en «Más detalles» e instálelo.",
        "Después, en Ajustes, General, Información, Ajustes de confianza de certificados: actívelo para este certificado. Sin este paso nada cambia.",
    ],
    android: &[
        "Pulse «Descargar el certificado». Si el teléfono lo abre solo, póngale nombre y elija VPN y aplicaciones (no Wi-Fi).",
        "Si no, en Ajustes, Seguridad, Cifrado y credenciales (los nombres cambian según el fabricante), instale un certificado, certificado de CA, y elija el archivo descargado.",
        "El teléfono avisa de que otros podrían leer su tráfico. Con este certificado, es el tráfico con esta central. Compare la huella en certificados de confianza, usuario.",
    ],
    after: "Después",
    afterwards: &[
        "Escanee otra vez el código del portátil, o abra Spinover con la tecla de arriba.",
        "Al acabar la temporada, o si se pierde el portátil, quite el certificado en el mismo lugar.",
    ],
    without: "Sin esto el navegador avisa en cada visita. No se acostumbre a saltarse esos avisos: pregunte al jefe de equipo.",
    other: "In English",
};
