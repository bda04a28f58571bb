//! Files that a page gives out.

use axum::http::header::{CONTENT_DISPOSITION, CONTENT_TYPE};
use axum::response::{IntoResponse, Response};

/// A table.
pub(super) fn csv(name: &str, text: String) -> Response {
    file(name, "text/csv; charset=utf-8", text)
}

/// A text that is kept, never shown by the browser. `name` is one of ours.
pub(super) fn file(name: &str, kind: &'static str, text: String) -> Response {
    let disposition = format!("attachment; filename=\"{name}\"");
    let headers = [
        (CONTENT_TYPE, kind.to_owned()),
        (CONTENT_DISPOSITION, disposition),
    ];
    (headers, text).into_response()
}
