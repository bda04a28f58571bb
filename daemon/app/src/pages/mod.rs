//! Pages for people: the door, the session, who may do what, and what stands round every page.
//!
//! A page is a file here that gathers what is shown, and a function of [`sheathline_model::pages`] that
//! writes it. A handler takes a [`Visitor`], asks whether they [may](Visitor::may), notes
//! [what they did](Desk::did) before it shows anything of a patient, and answers with
//! [`Desk::page`]. What is posted comes as [`Posted`], which has checked the form's token.

mod acting;
mod attempts;
mod blind;
mod bring;
mod codes;
mod deed;
mod deeds;
mod deliveries;
mod department;
mod desk;
mod exam;
mod failed;
mod files;
mod front;
mod gathered;
mod glass;
mod measure;
mod openid;
mod password;
mod patient;
mod posted;
mod rights;
mod second;
mod service;
mod session;
mod sign_in;
mod signing;
mod today;
mod token;
mod visitor;
mod whom;

pub use attempts::{Attempts, Who};
pub use deed::Action;
pub use desk::{Desk, DeskSettings};
pub use failed::Failed;
pub use password::{HashError, hashed, is_strong};
pub use posted::{Fields, Posted, Uploaded};
pub use rights::{Right, Roles};
pub use service::Pages;
pub use visitor::{Visitor, Way};

use axum::Router;
use std::sync::Arc;

/// Every page. A further one is a file beside this one with `pub(super) fn routes()`, and its line here.
fn routes() -> Router<Arc<Desk>> {
    Router::new()
        .merge(exam::routes())
        .merge(front::routes())
        .merge(patient::routes())
        .merge(bring::routes())
        .merge(measure::routes())
        .merge(second::routes())
        .merge(glass::routes())
        .merge(sign_in::routes())
        .merge(openid::routes())
        .merge(today::routes())
        .merge(codes::routes())
        .merge(department::routes())
        .merge(deliveries::routes())
        .merge(deeds::routes())
        .merge(acting::routes())
}
