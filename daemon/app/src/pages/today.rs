//! Who is flagged today.

use super::{Desk, Failed, Right, Visitor};
use axum::Router;
use axum::extract::State;
use axum::response::Response;
use axum::routing::get;
use maud::html;
use sheathline_model::pages::layout::Place;
use std::sync::Arc;

pub(super) fn routes() -> Router<Arc<Desk>> {
    Router::new().route(Place::Today.path(), get(today))
}

async fn today(State(desk): State<Arc<Desk>>, visitor: Visitor) -> Result<Response, Failed> {
    visitor.may(Right::See)?;
    let body = html! { h1 { "Today" } };
    desk.page(&visitor, Some(Place::Today), "Today", &body)
        .await
}
