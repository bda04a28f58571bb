//! Signing in by a local account, and signing out.

use super::attempts::{LOCKED, OF_ACCOUNT, Who};
use super::posted::{Question, fields_of};
use super::session::{SEEN, WHO};
use super::visitor::{SignedIn, address, of_session};
use super::{Action, Desk, Failed, Fields, Posted, Roles, Visitor, Way, deed, password, token};
use crate::config::Role;
use axum::Router;
use axum::extract::{FromRequest, RawForm, Request, State};
use axum::http::HeaderValue;
use axum::response::{Html, IntoResponse, Redirect, Response};
use axum::routing::{get, post};
use chrono::{DateTime, Utc};
use maud::{Markup, html};
use serde::Deserialize;
use sheathline_model::pages::layout::{Frame, field, whole};
use sheathline_model::results::cautions::NOT_A_DEVICE;
use sheathline_store::deeds::Deed;
use sheathline_store::{accounts, deeds};
use std::net::IpAddr;
use std::sync::Arc;
use tower_sessions::Session;

/// Longest name of an account, characters.
pub(super) const NAME_MAX: usize = 100;

/// Reads what is told of a sign-in to a stranger: the same words whatever was wrong.
const REFUSED: &str = "Name or password is not right, or the account is locked or ended.";

pub(super) fn routes() -> Router<Arc<Desk>> {
    Router::new()
        .route("/sign-in", get(show).post(sign_in))
        .route("/sign-out", post(sign_out))
}

/// Where to sign in and go on at `to`.
pub(super) fn path_to(to: &str) -> String {
    match own_path(to) {
        "/" => "/sign-in".to_owned(),
        to => format!("/sign-in?to={to}"),
    }
}

/// A path of ours; of anything else the first page.
pub(super) fn own_path(to: &str) -> &str {
    let plain = |byte: u8| byte.is_ascii_alphanumeric() || b"/-_.".contains(&byte);
    let is_ours = to.starts_with('/')
        && !to.contains("//")
        && !to.contains("..")
        && !to.starts_with("/sign-")
        && to.len() <= 200
        && to.bytes().all(plain);
    if is_ours { to } else { "/" }
}

/// Where to go on.
#[derive(Debug, Default, Deserialize)]
struct To {
    #[serde(default)]
    to: String,
}

async fn show(
    State(desk): State<Arc<Desk>>,
    Question(To { to }): Question<To>,
    session: Session,
) -> Result<Response, Failed> {
    let nowhere = IpAddr::from([0, 0, 0, 0]);
    if of_session(&desk, &session, nowhere).await?.is_some() {
        return Ok(Redirect::to(own_path(&to)).into_response());
    }
    Ok(Html(form(&desk, own_path(&to), "", None)).into_response())
}

fn form(desk: &Desk, to: &str, name: &str, wrong: Option<&str>) -> String {
    let input = |id: &str, kind: &str, value: &str, complete: &str| -> Markup {
        html! {
            input id=(id) name=(id) type=(kind) value=(value) autocomplete=(complete) required
                  autocapitalize="none" spellcheck="false" maxlength="500";
        }
    };
    let body = html! {
        h1 { "Sign in" }
        @if let Some(wrong) = wrong { p.wrong role="alert" { (wrong) } }
        @if desk.pages().openid.issuer.is_some() {
            p { a.button href={ "/sign-in/openid?to=" (to) } { "Sign in with your hospital account" } }
            h2 { "Or with a local account" }
        }
        form method="post" action="/sign-in" {
            input type="hidden" name="to" value=(to);
            (field("name", "Name", None, &input("name", "text", name, "username")))
            (field("password", "Password", None, &input("password", "password", "", "current-password")))
            p { button.first-choice type="submit" { "Sign in" } }
        }
        (belonging(desk))
    };
    whole(&frame("Sign in"), &body)
}

/// What somebody is about to sign in to, what that is not, and whom to ask.
fn belonging(desk: &Desk) -> Markup {
    let pages = desk.pages();
    html! {
        p {
            "Sheathline"
            @if !pages.department.is_empty() { ", " bdi { (pages.department) } }
            ": compares measurements of the optic nerve sheath with the patient's own earlier values."
        }
        p { (NOT_A_DEVICE) }
        p {
            @if pages.contact.is_empty() {
                "No account, or a password that does not work: ask whoever runs this service."
            } @else {
                "No account, or a password that does not work: ask " bdi { (pages.contact) } "."
            }
        }
    }
}

/// A page from which a browser goes on by itself; the link on it does the same.
pub(super) fn going_on(to: &str, body: &Markup) -> String {
    let page = whole(&frame("Signed in"), body);
    let refresh = html! { meta http-equiv="refresh" content={ "0; url=" (to) }; };
    page.replacen("</head>", &format!("{}</head>", refresh.into_string()), 1)
}

/// A page for somebody who is not signed in.
pub(super) fn going_nowhere(title: &str, body: &Markup) -> String {
    whole(&frame(title), body)
}

fn frame(title: &str) -> Frame {
    Frame {
        title: title.to_owned(),
        here: None,
        reader: None,
        age: None,
    }
}

async fn sign_in(
    State(desk): State<Arc<Desk>>,
    session: Session,
    request: Request,
) -> Result<Response, Failed> {
    let (parts, body) = request.into_parts();
    let address = address(&parts);
    let request = Request::from_parts(parts, body);
    let RawForm(bytes) = RawForm::from_request(request, &desk).await?;
    let fields: Fields = fields_of(bytes).await?;
    let (name, to) = (fields.one("name"), own_path(fields.one("to")).to_owned());
    // Space at the ends of a password belongs to it.
    let typed = fields.0.iter().find(|(key, _)| key == "password");
    let typed = typed.map_or("", |(_, value)| value.as_str());
    match prove(&desk, name, typed, address).await? {
        Some(roles) => {
            let who = (name.to_owned(), name.to_owned(), roles, Way::Local);
            begin(&desk, &session, who, Utc::now(), address).await?;
            Ok(Redirect::to(&to).into_response())
        }
        None => {
            let page = form(&desk, &to, name, Some(REFUSED));
            Ok((axum::http::StatusCode::FORBIDDEN, Html(page)).into_response())
        }
    }
}

/// The roles of the account of this name and password; `None`: refused, counted and told.
pub(super) async fn prove(
    desk: &Arc<Desk>,
    name: &str,
    typed: &str,
    address: IpAddr,
) -> Result<Option<Vec<Role>>, Failed> {
    let now = Utc::now();
    let attempts = &desk.common.attempts;
    if attempts.locked_until(&Who::at(address), now).is_some() {
        tell_refused(desk, address);
        return Err(Failed::TooMany);
    }
    let is_name = !name.is_empty() && name.chars().count() <= NAME_MAX;
    if !is_name || typed.is_empty() || typed.len() > password::LONGEST {
        attempts.refused(Who::at(address), now);
        tell_refused(desk, address);
        return Ok(None);
    }
    let asked = name.to_owned();
    let account = desk
        .off(move |desk| Ok(desk.store.read(|view| accounts::of_name(view, &asked))?))
        .await?;
    let is_locked = match &account {
        Some(account) => account.locked_until.is_some_and(|until| until > now),
        None => {
            let name = Who::Name(name.to_owned());
            attempts.locked_until(&name, now).is_some()
        }
    };
    if is_locked {
        attempts.refused(Who::at(address), now);
        tell_refused(desk, address);
        return Ok(None);
    }
    let hash = account.as_ref().map(|one| one.password.clone());
    let is_right = is_it(desk, typed, hash).await?;
    let may = account.as_ref().filter(|one| one.ended_at.is_none());
    match may {
        Some(account) if is_right => {
            let name = account.name.clone();
            desk.store
                .write_async(move |tx| accounts::accepted(tx, &name))
                .await?;
            let words = account.roles.iter();
            Ok(Some(words.filter_map(|word| Role::of_word(word)).collect()))
        }
        _ => {
            let noted = deed::of_nobody(name, address, Action::Refused, deed::way(Way::Local), now);
            match &account {
                Some(account) => {
                    let name = account.name.clone();
                    desk.store
                        .write_async(move |tx| {
                            accounts::refused(tx, &name, OF_ACCOUNT, LOCKED, now)
                        })
                        .await?;
                }
                None => attempts.refused(Who::Name(name.to_owned()), now),
            }
            note_refused(desk, address, noted).await?;
            Ok(None)
        }
    }
}

/// Whether this is the password behind a hash; few are looked at together, and few wait for it.
async fn is_it(desk: &Arc<Desk>, typed: &str, hash: Option<String>) -> Result<bool, Failed> {
    let waiting = desk.common.waiting.try_acquire();
    let _waiting = waiting.map_err(|_| Failed::Busy)?;
    let hashing = desk.common.hashing.acquire().await;
    let _hashing = hashing.map_err(|_| Failed::Busy)?;
    let typed = typed.to_owned();
    desk.off(move |_| Ok(password::is_it(&typed, hash.as_deref())))
        .await
}

/// Notes somebody who was refused, counts it for their address, and tells of it.
pub(super) async fn note_refused(desk: &Desk, address: IpAddr, noted: Deed) -> Result<(), Failed> {
    desk.common.attempts.refused(Who::at(address), noted.at);
    let kept = noted.clone();
    let added = desk.store.write_async(move |tx| deeds::add(tx, &kept));
    added.await?;
    deed::tell(&desk.observed, Action::Refused, &noted);
    tell_refused(desk, address);
    Ok(())
}

/// Counts a refusal, and tells the log once a minute.
fn tell_refused(desk: &Desk, address: IpAddr) {
    let refused = crate::observe::refused::Refused::at(super::service::SIGN_IN, address);
    desk.observed.refused(&refused);
    desk.observed.metrics.sign_in_refused();
}

/// Begins a session under a new id: whoever knew the one before knows nothing. `proved_at`: when they showed
/// who they are.
pub(super) async fn begin(
    desk: &Arc<Desk>,
    session: &Session,
    (account, name, roles, way): (String, String, Vec<Role>, Way),
    proved_at: DateTime<Utc>,
    address: IpAddr,
) -> Result<(), Failed> {
    let now = Utc::now();
    session.clear().await;
    session.cycle_id().await?;
    let who = SignedIn {
        account,
        name,
        roles,
        way,
        begun_at: now,
        proved_at,
        secret: token::random_text(),
    };
    session.insert(WHO, &who).await?;
    session.insert(SEEN, now).await?;
    let signed_in = Deed {
        roles: Roles::new(who.roles).words(),
        ..deed::of_nobody(&who.account, address, Action::SignedIn, deed::way(way), now)
    };
    let kept = signed_in.clone();
    desk.store
        .write_async(move |tx| deeds::add(tx, &kept))
        .await?;
    deed::tell(&desk.observed, Action::SignedIn, &signed_in);
    Ok(())
}

async fn sign_out(
    State(desk): State<Arc<Desk>>,
    visitor: Visitor,
    session: Session,
    Posted(_): Posted<Fields>,
) -> Result<Response, Failed> {
    desk.did(&visitor, Action::SignedOut, None, None, "")
        .await?;
    session.flush().await?;
    let body = html! {
        h1 { "You are signed out" }
        p { a href="/sign-in" { "Sign in" } }
    };
    let mut answer = Html(whole(&frame("Signed out"), &body)).into_response();
    let clear = HeaderValue::from_static("\"cache\", \"storage\"");
    answer.headers_mut().insert("clear-site-data", clear);
    Ok(answer)
}
