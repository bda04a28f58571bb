//! What belongs to no page: the first address, style and script.

use super::{Desk, Visitor};
use axum::Router;
use axum::http::header::{CACHE_CONTROL, CONTENT_TYPE};
use axum::response::{IntoResponse, Redirect, Response};
use axum::routing::get;
use sheathline_model::pages::layout::{SCRIPT, STYLE, Served};
use std::sync::Arc;

pub(super) fn routes() -> Router<Arc<Desk>> {
    Router::new()
        .route("/", get(home))
        .route(&format!("/{}", STYLE.name), get(style))
        .route(&format!("/{}", SCRIPT.name), get(script))
}

async fn home(visitor: Visitor) -> Redirect {
    Redirect::to(visitor.roles.home())
}

async fn style() -> Response {
    served(&STYLE, "text/css; charset=utf-8")
}

async fn script() -> Response {
    served(&SCRIPT, "text/javascript; charset=utf-8")
}

/// Its name changes with its content, so a browser may keep it.
fn served(what: &'static Served, kind: &'static str) -> Response {
    let headers = [
        (CONTENT_TYPE, kind),
        (CACHE_CONTROL, "public, max-age=31536000, immutable"),
    ];
    (headers, what.text.as_str()).into_response()
}
