//! Style, script and icon: the same for everybody, kept by browsers until they change.

use std::borrow::Cow;
use std::sync::LazyLock;

use axum::extract::Path;
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Response};

use super::templates::on_disk;
use crate::web::answer;

/// Name, content type, text.
const FILES: [(&str, &str, &str); 6] = [
    ("style.css", "text/css; charset=utf-8", include_str!("static/style.css")),
    ("page.js", "text/javascript; charset=utf-8", include_str!("static/page.js")),
    ("panel.js", "text/javascript; charset=utf-8", include_str!("static/panel.js")),
    ("setup.js", "text/javascript; charset=utf-8", include_str!("static/setup.js")),
    ("verify.js", "text/javascript; charset=utf-8", include_str!("static/verify.js")),
    ("icon.svg", "image/svg+xml", include_str!("static/icon.svg")),
];

/// A day: links carry [`mark`], so a new version is asked for at once and this bounds nothing else.
const KEPT: &str = "max-age=86400";

/// A mark of what the files hold; it changes when one of them does.
pub(super) fn mark() -> &'static str {
    static MARK: LazyLock<String> = LazyLock::new(|| {
        let mut sum = crc32fast::Hasher::new();
        for (_, _, text) in FILES {
            sum.update(text.as_bytes());
        }
        format!("{:08x}", sum.finalize())
    });
    &MARK
}

/// A file that pages load: style, script, icon.
#[utoipa::path(get, path = "/static/{file}", params(("file" = String, Path,)), responses(
    (status = 200, body = String, description = "style.css, page.js or icon.svg"),
    (status = 304, description = "it has not changed"),
    (status = 404, description = "no such file"),
))]
pub(in crate::web) async fn file(Path(name): Path<String>, headers: HeaderMap) -> Response {
    let Some(&(name, kind, embedded)) = FILES.iter().find(|(known, _, _)| *known == name) else {
        return answer::no_such_path().await.into_response();
    };
    let text = on_disk("static", name).map_or(Cow::Borrowed(embedded), Cow::Owned);
    // Weak: compressed and not it is the same file in other bytes.
    let tag = format!("W/\"{:08x}\"", crc32fast::hash(text.as_bytes()));
    // In a debug build the file may have changed on the disk since the last look.
    let kept = if cfg!(debug_assertions) { "no-cache" } else { KEPT };
    let known = headers.get(header::IF_NONE_MATCH).is_some_and(|sent| sent.as_bytes() == tag.as_bytes());
    let about = [(header::ETAG, tag), (header::CACHE_CONTROL, kept.to_owned())];
    if known {
        return (StatusCode::NOT_MODIFIED, about).into_response();
    }
    (about, [(header::CONTENT_TYPE, kind)], text.into_owned()).into_response()
}
