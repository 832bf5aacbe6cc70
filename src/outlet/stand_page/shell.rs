//! The empty page, by which people sign in: the only thing that everybody is given.

use std::sync::Arc;

use axum::Router;
use axum::http::{HeaderValue, Method, header};
use axum::response::{IntoResponse, Response};
use axum::routing::{MethodRouter, get};

use super::Page;

const SCRIPT: &str = "text/javascript; charset=utf-8";

/// The fixed files: path, kind and content.
const FILES: [(&str, &str, &[u8]); 16] = [
    ("/", "text/html; charset=utf-8", include_bytes!("assets/page.html")),
    ("/set", "text/html; charset=utf-8", include_bytes!("assets/page.html")),
    ("/page.css", "text/css; charset=utf-8", include_bytes!("assets/page.css")),
    ("/page.js", SCRIPT, include_bytes!("assets/page.js")),
    ("/asking.js", SCRIPT, include_bytes!("assets/asking.js")),
    ("/stand.js", SCRIPT, include_bytes!("assets/stand.js")),
    ("/set.js", SCRIPT, include_bytes!("assets/set.js")),
    ("/light_map.js", SCRIPT, include_bytes!("assets/light_map.js")),
    ("/plan.js", SCRIPT, include_bytes!("assets/plan.js")),
    ("/apertures.js", SCRIPT, include_bytes!("assets/apertures.js")),
    ("/phones.js", SCRIPT, include_bytes!("assets/phones.js")),
    ("/sheet.js", SCRIPT, include_bytes!("assets/sheet.js")),
    ("/icon.svg", "image/svg+xml", include_bytes!("assets/icon.svg")),
    ("/icon-192.png", "image/png", include_bytes!("assets/icon-192.png")),
    ("/icon-512.png", "image/png", include_bytes!("assets/icon-512.png")),
    ("/page.webmanifest", "application/manifest+json", include_bytes!("assets/page.webmanifest")),
];
/// Where a token is offered; everybody may.
pub const ENTER: &str = "/enter";

/// Whether everybody may ask for this.
pub fn is_open(method: &Method, path: &str) -> bool {
    let is_file = || FILES.iter().any(|(file, ..)| *file == path);
    (*method == Method::GET || *method == Method::HEAD) && is_file() || *method == Method::POST && path == ENTER
}

/// The fixed files, and the way in, which `enter` answers.
pub fn router(enter: MethodRouter<Arc<Page>>) -> Router<Arc<Page>> {
    let files = FILES
        .iter()
        .fold(Router::new(), |router, (path, kind, bytes)| router.route(path, get(|| async { file(kind, *bytes) })));
    files.route(ENTER, enter)
}

pub fn file(kind: &'static str, content: impl Into<axum::body::Body>) -> Response {
    ([(header::CONTENT_TYPE, HeaderValue::from_static(kind))], content.into()).into_response()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_but_the_empty_page_is_open() {
        assert!(is_open(&Method::GET, "/") && is_open(&Method::HEAD, "/page.js") && is_open(&Method::POST, "/enter"));
        for (method, path) in [
            (Method::GET, "/enter"),
            (Method::POST, "/"),
            (Method::OPTIONS, "/"),
            (Method::GET, "/feed"),
            (Method::GET, "/page.js/"),
            (Method::GET, "//"),
            (Method::GET, ""),
            (Method::GET, "/Page.js"),
        ] {
            assert!(!is_open(&method, path), "{method} {path}");
        }
    }
}
