//! The browser app, as it was built into the program.

use axum::body::Body;
use axum::http::{HeaderMap, HeaderValue, Method, StatusCode, header};
use axum::response::{IntoResponse, Response};

include!(concat!(env!("OUT_DIR"), "/app.rs"));

/// One file of the app.
struct File {
    /// Below the app's root, without a leading slash.
    path: &'static str,
    bytes: &'static [u8],
    /// The same packed; empty where that saves nothing.
    gzip: &'static [u8],
}

/// The page that every path of the app begins with.
const INDEX: &str = "index.html";

/// Answers for everything that is no call: a file of the app, or the page that finds out itself what the path means.
pub(crate) fn answer(method: &Method, path: &str, headers: &HeaderMap) -> Response {
    if method != Method::GET && method != Method::HEAD {
        return (StatusCode::METHOD_NOT_ALLOWED, "only GET and HEAD here\n").into_response();
    }
    let name = path.trim_start_matches('/');
    if let Some(file) = find(name) {
        return send(file, method, headers);
    }
    match find(INDEX) {
        // A file that is not there is said to be missing: a page instead of a script would only confuse.
        Some(_) if name.rsplit('/').next().is_some_and(|last| last.contains('.')) => {
            (StatusCode::NOT_FOUND, "there is no such file here\n").into_response()
        }
        Some(index) => send(index, method, headers),
        None => (
            [(header::CONTENT_TYPE, "text/plain; charset=utf-8")],
            "This build of Earlywood has no browser app (it was made with EARLYWOOD_WITHOUT_APP=1). The calls are below /api/1.\n",
        )
            .into_response(),
    }
}

fn find(name: &str) -> Option<&'static File> {
    FILES
        .binary_search_by(|file| file.path.cmp(name))
        .ok()
        .and_then(|at| FILES.get(at))
}

fn send(file: &'static File, method: &Method, headers: &HeaderMap) -> Response {
    let tag = format!("\"{}\"", &blake3::hash(file.bytes).to_hex()[..32]);
    let known = headers.get(header::IF_NONE_MATCH).and_then(|v| v.to_str().ok());
    let accepts_gzip = headers
        .get(header::ACCEPT_ENCODING)
        .and_then(|v| v.to_str().ok())
        .is_some_and(|v| v.contains("gzip"));
    let packed = accepts_gzip && !file.gzip.is_empty();
    let mut response = if known.is_some_and(|known| known.split(',').any(|one| one.trim() == tag)) {
        StatusCode::NOT_MODIFIED.into_response()
    } else if method == Method::HEAD {
        Response::new(Body::empty())
    } else {
        Response::new(Body::from(if packed { file.gzip } else { file.bytes }))
    };
    let put = response.headers_mut();
    let is_ok = HeaderValue::from_static;
    put.insert(header::CONTENT_TYPE, is_ok(media_type(file.path)));
    put.insert(header::CACHE_CONTROL, is_ok(caching(file.path)));
    put.insert(header::VARY, is_ok("accept-encoding"));
    if let Ok(tag) = HeaderValue::from_str(&tag) {
        put.insert(header::ETAG, tag);
    }
    if packed {
        put.insert(header::CONTENT_ENCODING, is_ok("gzip"));
    }
    response
}

/// A file below `assets/` has the hash of its contents in its name and never changes; all others are asked for again.
fn caching(path: &str) -> &'static str {
    if path.starts_with("assets/") {
        "public, max-age=31536000, immutable"
    } else {
        "no-cache"
    }
}

fn media_type(path: &str) -> &'static str {
    match path.rsplit_once('.').map_or("", |(_, end)| end) {
        "html" => "text/html; charset=utf-8",
        "js" | "mjs" => "text/javascript; charset=utf-8",
        "css" => "text/css; charset=utf-8",
        "json" => "application/json",
        "webmanifest" => "application/manifest+json",
        "svg" => "image/svg+xml",
        "png" => "image/png",
        "jpg" | "jpeg" => "image/jpeg",
        "webp" => "image/webp",
        "ico" => "image/x-icon",
        "wasm" => "application/wasm",
        "woff2" => "font/woff2",
        "pbf" | "mvt" => "application/x-protobuf",
        "txt" => "text/plain; charset=utf-8",
        _ => "application/octet-stream",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_never_changes_is_kept_and_the_rest_asked_for_again() {
        assert!(caching("assets/index-5lPYAPOT.js").contains("immutable"));
        for path in ["index.html", "sw.js", "app.webmanifest"] {
            assert_eq!(caching(path), "no-cache");
        }
    }

    #[test]
    fn files_have_their_own_types() {
        for (path, is) in [
            ("sw.js", "text/javascript; charset=utf-8"),
            ("app.webmanifest", "application/manifest+json"),
            ("assets/model.wasm", "application/wasm"),
            ("icon.svg", "image/svg+xml"),
            ("unknown", "application/octet-stream"),
        ] {
            assert_eq!(media_type(path), is);
        }
    }

    /// With the app built in or without it.
    #[test]
    fn paths_of_the_app_begin_with_its_page_and_missing_files_are_missing() {
        let none = HeaderMap::new();
        let page = answer(&Method::GET, "/map", &none);
        assert_eq!(page.status(), StatusCode::OK);
        if let Some(index) = find(INDEX) {
            assert_eq!(page.headers()[header::CACHE_CONTROL], "no-cache");
            let missing = answer(&Method::GET, "/assets/gone-12345678.js", &none);
            assert_eq!(missing.status(), StatusCode::NOT_FOUND);
            let tag = page.headers()[header::ETAG].clone();
            let known = HeaderMap::from_iter([(header::IF_NONE_MATCH, tag)]);
            assert_eq!(
                answer(&Method::GET, "/", &known).status(),
                StatusCode::NOT_MODIFIED
            );
            assert!(!index.bytes.is_empty());
        }
        assert_eq!(
            answer(&Method::POST, "/map", &none).status(),
            StatusCode::METHOD_NOT_ALLOWED
        );
    }
}
