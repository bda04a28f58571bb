//! Signing in by OpenID Connect: authorization code with PKCE (OpenID Connect Core 1.0 section 3.1, RFC
//! 7636). The provider says who it is and which groups they are in; the configuration says what members of
//! a group may do.
//!
//! What has to come back unchanged (state, nonce, verifier) waits in memory for ten minutes under the id of
//! a cookie of its own: the session's cookie is not sent by a browser that comes from elsewhere.

mod provider;

use super::posted::Question;
use super::visitor::{FRESH, address};
use super::{Action, Desk, Failed, Way, deed, sign_in, token};
use crate::config::{PagesSettings, Role};
use axum::Router;
use axum::extract::{Request, State};
use axum::http::header::{COOKIE, SET_COOKIE};
use axum::http::{HeaderMap, HeaderValue, StatusCode};
use axum::response::{Html, IntoResponse, Redirect, Response};
use axum::routing::get;
use chrono::Utc;
use maud::html;
use openidconnect::core::{CoreAuthPrompt, CoreAuthenticationFlow, CoreProviderMetadata};
use openidconnect::{CsrfToken, Nonce, PkceCodeChallenge, PkceCodeVerifier, Scope};
use provider::{Not, person};
use serde::Deserialize;
use sheathline_model::legible;
use std::collections::HashMap;
use std::net::IpAddr;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};
use tower_sessions::Session;

/// How long somebody may take at the provider.
const PATIENCE: Duration = Duration::from_secs(600);

/// People who may be there at one time.
const WAITING_MAX: usize = 1000;

/// Somebody who is at the provider.
#[derive(Debug)]
struct Away {
    since: Instant,
    state: CsrfToken,
    nonce: Nonce,
    verifier: PkceCodeVerifier,
    to: String,
    /// Whether the provider was asked to have them sign in anew.
    is_anew: bool,
}

/// Who is there, and what is known of the provider.
#[derive(Debug, Default)]
pub(super) struct OpenId {
    away: Mutex<HashMap<String, Away>>,
    known: Mutex<Option<(Instant, String, CoreProviderMetadata)>>,
}

fn locked<T>(one: &Mutex<T>) -> MutexGuard<'_, T> {
    // It is whole between any two operations.
    one.lock().unwrap_or_else(PoisonError::into_inner)
}

impl OpenId {
    fn send_away(&self, away: Away) -> Option<String> {
        let mut all = locked(&self.away);
        all.retain(|_, one| one.since.elapsed() < PATIENCE);
        if all.len() >= WAITING_MAX {
            return None;
        }
        let id = token::random_text();
        all.insert(id.clone(), away);
        Some(id)
    }

    /// Whoever comes back comes once.
    fn back(&self, id: &str) -> Option<Away> {
        let away = locked(&self.away).remove(id);
        away.filter(|one| one.since.elapsed() < PATIENCE)
    }
}

pub(super) fn routes() -> Router<Arc<Desk>> {
    Router::new()
        .route("/sign-in/openid", get(leave))
        .route("/sign-in/back", get(back))
}

/// Where to go on, and whether the provider has to ask anew who it is.
#[derive(Debug, Default, Deserialize)]
struct To {
    #[serde(default)]
    to: String,
    #[serde(default)]
    again: String,
}

/// Sends somebody to the provider.
async fn leave(
    State(desk): State<Arc<Desk>>,
    Question(To { to, again }): Question<To>,
) -> Result<Response, Failed> {
    if desk.pages().openid.issuer.is_none() {
        return Err(Failed::NotFound);
    }
    let to = sign_in::own_path(&to).to_owned();
    let sent = desk.off(move |desk| {
        let openid = &desk.common.openid;
        let provider = match openid.provider(desk.pages()) {
            Ok(provider) => provider,
            Err(why) => return Err(unreachable(&why)),
        };
        let (challenge, verifier) = PkceCodeChallenge::new_random_sha256();
        let mut asked = provider
            .authorize_url(
                CoreAuthenticationFlow::AuthorizationCode,
                CsrfToken::new_random,
                Nonce::new_random,
            )
            .add_scope(Scope::new("profile".to_owned()))
            .set_pkce_challenge(challenge);
        // With an age that is asked for, the token has to say when they signed in there.
        let is_anew = !again.is_empty();
        asked = if is_anew {
            let asked = asked.add_prompt(CoreAuthPrompt::Login);
            asked.set_max_age(FRESH.to_std().unwrap_or_default())
        } else {
            asked.set_max_age(Duration::from_secs(
                3600 * u64::from(desk.pages().most_hours),
            ))
        };
        let (url, state, nonce) = asked.url();
        let away = Away {
            since: Instant::now(),
            state,
            nonce,
            verifier,
            to,
            is_anew,
        };
        let id = openid.send_away(away).ok_or(Failed::Busy)?;
        Ok((url.to_string(), id))
    });
    let (url, id) = sent.await?;
    let mut answer = Redirect::to(&url).into_response();
    set_cookie(answer.headers_mut(), desk.pages(), &id, PATIENCE.as_secs());
    Ok(answer)
}

/// The cookie of somebody who is away. A browser sends it when the provider sends them back (`Lax`).
fn set_cookie(headers: &mut HeaderMap, settings: &PagesSettings, id: &str, seconds: u64) {
    let secure = if is_secure(settings) { "; Secure" } else { "" };
    let name = cookie_name(settings);
    let cookie = format!("{name}={id}; HttpOnly; SameSite=Lax; Path=/; Max-Age={seconds}{secure}");
    if let Ok(cookie) = HeaderValue::from_str(&cookie) {
        headers.append(SET_COOKIE, cookie);
    }
}

fn is_secure(settings: &PagesSettings) -> bool {
    let url = settings.public_url.as_deref().unwrap_or_default();
    url.starts_with("https://")
}

fn cookie_name(settings: &PagesSettings) -> &'static str {
    if is_secure(settings) {
        "__Host-sheathline-away"
    } else {
        "sheathline-away"
    }
}

fn cookie<'h>(headers: &'h HeaderMap, name: &str) -> Option<&'h str> {
    let all = headers.get_all(COOKIE).iter();
    let pairs = all.filter_map(|value| value.to_str().ok());
    let mut pairs = pairs.flat_map(|value| value.split(';'));
    pairs.find_map(|pair| {
        let (key, value) = pair.trim().split_once('=')?;
        (key == name).then_some(value)
    })
}

/// What the provider sends back.
#[derive(Deserialize)]
struct Back {
    #[serde(default)]
    code: String,
    #[serde(default)]
    state: String,
    #[serde(default)]
    error: String,
}

/// Lets somebody in whom the provider sends back.
async fn back(
    State(desk): State<Arc<Desk>>,
    Question(said): Question<Back>,
    session: Session,
    request: Request,
) -> Result<Response, Failed> {
    let (parts, _) = request.into_parts();
    let address = address(&parts);
    let id = cookie(&parts.headers, cookie_name(desk.pages()));
    let away = id.and_then(|id| desk.common.openid.back(id));
    let Some(away) = away.filter(|away| *away.state.secret() == said.state) else {
        return refused(&desk, address, "", "state", NOT_BEGUN).await;
    };
    if !said.error.is_empty() || said.code.is_empty() {
        return refused(&desk, address, "", "provider", AT_PROVIDER).await;
    }
    let to = away.to.clone();
    let person = desk.off(move |desk| Ok(person(desk, &said.code, away)));
    let person = match person.await? {
        Ok(person) => person,
        Err(why) => {
            tracing::warn!(code = "pages-openid", why = %legible::line(&why.0), "a sign-in by OpenID Connect failed");
            return refused(&desk, address, "", "token", NOT_VERIFIED).await;
        }
    };
    let account = format!("openid:{}", person.subject);
    let roles = roles(desk.pages(), &person.groups);
    if roles.is_empty() {
        return refused(&desk, address, &account, "no role", NO_ROLE).await;
    }
    let who = (account, person.name, roles, Way::OpenId);
    sign_in::begin(&desk, &session, who, person.proved_at, address).await?;
    // Not sent on: the cookie of a session is not sent along a way that began elsewhere.
    let body = html! {
        h1 { "You are signed in" }
        p { a href=(to) { "Go on" } }
    };
    let mut page = Html(sign_in::going_on(&to, &body)).into_response();
    set_cookie(page.headers_mut(), desk.pages(), "", 0);
    Ok(page)
}

/// The roles of groups.
fn roles(settings: &PagesSettings, groups: &[String]) -> Vec<Role> {
    let of = settings
        .role
        .iter()
        .filter(|one| groups.contains(&one.group));
    let mut all: Vec<Role> = of.flat_map(|one| one.roles.iter().copied()).collect();
    all.sort_unstable();
    all.dedup();
    all
}

const NOT_BEGUN: &str = "It was not begun here, or more than ten minutes ago.";
const AT_PROVIDER: &str = "Your hospital's sign-in refused it, or you left it.";
const NOT_VERIFIED: &str = "What your hospital's sign-in answered could not be verified.";
const NO_ROLE: &str = "You are who you say, and none of your groups has a role here. Whoever runs the service gives roles.";

fn unreachable(why: &Not) -> Failed {
    tracing::error!(code = "pages-openid", why = %legible::line(&why.0), "the provider cannot be used");
    Failed::Bad(
        "Your hospital's sign-in cannot be reached now. A local account works without it."
            .to_owned(),
    )
}

async fn refused(
    desk: &Arc<Desk>,
    address: IpAddr,
    account: &str,
    why: &str,
    words: &str,
) -> Result<Response, Failed> {
    let account = if account.is_empty() {
        "openid:"
    } else {
        account
    };
    let detail = format!("{}: {why}", deed::way(Way::OpenId));
    let noted = deed::of_nobody(account, address, Action::Refused, &detail, Utc::now());
    sign_in::note_refused(desk, address, noted).await?;
    let body = html! {
        h1 { "You are not signed in" }
        p { (words) }
        p { a href="/sign-in" { "Sign in" } }
    };
    let page = sign_in::going_nowhere("Not signed in", &body);
    Ok((StatusCode::FORBIDDEN, Html(page)).into_response())
}
