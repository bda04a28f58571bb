//! Why a request is not carried out, as a page with its status.

use super::rights::Right;
use super::sign_in;
use axum::extract::multipart::{MultipartError, MultipartRejection};
use axum::extract::rejection::{FormRejection, QueryRejection, RawFormRejection};
use axum::http::StatusCode;
use axum::response::{Html, IntoResponse, Redirect, Response};
use maud::{Markup, html};
use sheathline_model::pages::layout::{Frame, whole};
use sheathline_store::StoreError;
use tower_sessions::session;

/// Why a request is not carried out.
#[derive(Debug)]
pub enum Failed {
    /// Nobody is signed in; with where to go on after signing in.
    SignedOut(Option<String>),
    /// There is no such page, exam or patient.
    NotFound,
    /// Nobody's role allows it.
    NotAllowed(Right),
    /// The form came from nowhere, or from elsewhere.
    Forged,
    /// The form was sent already; the path it was sent to.
    Replayed(String),
    /// Something changed since the page was loaded; what, as words to show.
    Stale(Markup),
    /// What was sent cannot be taken; why, in words.
    Bad(String),
    /// It is larger than is taken.
    TooLarge,
    /// It did not come in time.
    TooSlow,
    /// The page is there, and not by this method.
    Method,
    /// Too many passwords were refused; come later.
    TooMany,
    /// There is too much to do now; come later.
    Busy,
    /// The host that the request names is not ours.
    Host,
    /// The store.
    Store(StoreError),
}

impl From<StoreError> for Failed {
    fn from(error: StoreError) -> Self {
        Failed::Store(error)
    }
}

impl From<session::Error> for Failed {
    fn from(_: session::Error) -> Self {
        // The store of sessions has told the log.
        Failed::Busy
    }
}

impl From<FormRejection> for Failed {
    fn from(why: FormRejection) -> Self {
        of_body(why.status(), why.body_text())
    }
}

impl From<QueryRejection> for Failed {
    fn from(why: QueryRejection) -> Self {
        Failed::Bad(why.body_text())
    }
}

impl From<RawFormRejection> for Failed {
    fn from(why: RawFormRejection) -> Self {
        of_body(why.status(), why.body_text())
    }
}

impl From<MultipartRejection> for Failed {
    fn from(why: MultipartRejection) -> Self {
        of_body(why.status(), why.body_text())
    }
}

impl From<MultipartError> for Failed {
    fn from(why: MultipartError) -> Self {
        of_body(why.status(), why.body_text())
    }
}

/// The page of an exam or a patient that a form posted to this path stood on.
fn page_of(path: &str) -> Option<&str> {
    let is_theirs = path.starts_with("/exam/") || path.starts_with("/patient/");
    let (page, _) = path.rsplit_once('/').filter(|_| is_theirs)?;
    (page.matches('/').count() == 2).then_some(page)
}

fn of_body(status: StatusCode, words: String) -> Failed {
    match status {
        StatusCode::PAYLOAD_TOO_LARGE => Failed::TooLarge,
        _ => Failed::Bad(words),
    }
}

impl Failed {
    /// The status of its answer.
    #[must_use]
    pub fn status(&self) -> StatusCode {
        match self {
            Failed::SignedOut(_) => StatusCode::UNAUTHORIZED,
            Failed::NotFound => StatusCode::NOT_FOUND,
            Failed::NotAllowed(_) | Failed::Forged => StatusCode::FORBIDDEN,
            Failed::Replayed(_) | Failed::Stale(_) => StatusCode::CONFLICT,
            Failed::Bad(_) => StatusCode::UNPROCESSABLE_ENTITY,
            Failed::TooLarge => StatusCode::PAYLOAD_TOO_LARGE,
            Failed::TooSlow => StatusCode::REQUEST_TIMEOUT,
            Failed::Method => StatusCode::METHOD_NOT_ALLOWED,
            Failed::TooMany => StatusCode::TOO_MANY_REQUESTS,
            Failed::Busy => StatusCode::SERVICE_UNAVAILABLE,
            Failed::Host => StatusCode::MISDIRECTED_REQUEST,
            Failed::Store(_) => StatusCode::INTERNAL_SERVER_ERROR,
        }
    }

    fn title(&self) -> &'static str {
        match self {
            Failed::SignedOut(_) => "You are signed out",
            Failed::NotFound => "There is nothing here",
            Failed::NotAllowed(_) => "Your role does not allow that",
            Failed::Forged => "This form is not taken",
            Failed::Replayed(_) => "This form was sent already",
            Failed::Stale(_) => "Something changed since you loaded the page",
            Failed::Bad(_) => "This cannot be taken",
            Failed::TooLarge => "This is too large",
            Failed::TooSlow => "This did not come in time",
            Failed::Method => "This page does not do that",
            Failed::TooMany => "Too many sign-ins were refused",
            Failed::Busy => "There is too much to do now",
            Failed::Host => "This is not the address of these pages",
            Failed::Store(_) => "The store does not answer",
        }
    }

    fn words(&self) -> Markup {
        const NOTHING: &str = "Nothing was recorded.";
        match self {
            Failed::SignedOut(_) => html! {
                p { (NOTHING) " " a href="/sign-in" { "Sign in" } " and do it again." }
            },
            Failed::NotFound => html! {
                p { "The address may be wrong, or the exam has joined another one." }
            },
            Failed::NotAllowed(right) => html! {
                p { "Your account may not " (right.words()) ". " (NOTHING)
                    " Whoever runs the service gives roles." }
                @if *right == Right::See {
                    p { "Where the site allows it, you may "
                        a href="/break-glass" { "see one patient in an emergency" } "." }
                }
            },
            Failed::Forged => html! {
                p { "It does not come from a page of your session. " (NOTHING)
                    " Load the page again and fill it in there." }
            },
            Failed::Replayed(to) => html! {
                p { "What it recorded the first time stands. Nothing was recorded a second time." }
                @if let Some(back) = page_of(to) {
                    p { a.button href=(back) { "See what stands there" } }
                }
            },
            Failed::Stale(what) => html! { p { (NOTHING) } (what) },
            Failed::Bad(why) => html! { p { bdi { (why) } } p { (NOTHING) } },
            Failed::TooLarge => html! { p { (NOTHING) " Send less at once." } },
            Failed::TooSlow => html! { p { (NOTHING) " Try again." } },
            Failed::Method => html! { p { (NOTHING) } },
            Failed::TooMany => html! {
                p { "Wait 15 minutes, or ask whoever runs the service to unlock the account." }
            },
            Failed::Busy => html! { p { (NOTHING) " Try again in a moment." } },
            Failed::Host => html! {
                p { "Open the pages by the address that whoever runs the service gave you." }
            },
            Failed::Store(_) => html! {
                p { "It is not certain whether anything was recorded. Tell whoever runs the service, and \
                     look before you enter it again." }
            },
        }
    }
}

impl IntoResponse for Failed {
    fn into_response(self) -> Response {
        if let Failed::SignedOut(Some(to)) = &self {
            return Redirect::to(&sign_in::path_to(to)).into_response();
        }
        if let Failed::Store(error) = &self {
            tracing::error!(code = "pages-store", %error, "a page could not be made");
        }
        let frame = Frame {
            title: self.title().to_owned(),
            here: None,
            reader: None,
            age: None,
        };
        let body = html! {
            h1 { (self.title()) }
            (self.words())
            p { a href="/" { "To the first page" } }
        };
        (self.status(), Html(whole(&frame, &body))).into_response()
    }
}
