//! Photos in the report: the small picture of each lies in the page itself, so that the page stays whole wherever it is sent.

use super::escape;
use crate::book::{Photos, WarmupEntry};
use base64::{Engine, prelude::BASE64_STANDARD as BASE64};
use spinover_protocol::book::is_photo;
use std::fmt::Write;

/// The photos of a warm-up, in the order in which they came; one that cannot be shown is named.
pub(super) fn section(entry: &WarmupEntry, photos: &Photos, out: &mut String) {
    let names: Vec<&String> = entry.photos.iter().filter(|name| is_photo(name)).collect();
    if names.is_empty() {
        return;
    }
    out.push_str(r#"<section class="photos"><h2>Photos</h2><div>"#);
    let mut wrong = Vec::new();
    for (n, name) in names.iter().enumerate() {
        match photos.read_small(name) {
            Ok((kind, bytes)) => {
                let _ = write!(
                    out,
                    r#"<img alt="Photo {}" src="data:{};base64,{}">"#,
                    n + 1,
                    kind.media_type(),
                    BASE64.encode(bytes)
                );
            }
            Err(what) => wrong.push(what),
        }
    }
    out.push_str("</div>");
    for what in wrong {
        let _ = write!(out, r#"<p class="warn">{}</p>"#, escape(&what));
    }
    out.push_str("</section>\n");
}
