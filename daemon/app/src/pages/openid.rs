//! Signing in by OpenID Connect: authorization code with PKCE (OpenID Connect Core 1.0 section 3.1, RFC
//! 7636). The provider says who it is and which groups they are in; the configuration says what members of
//! a group may do.
//!
//! What has to come back unchanged (state, nonce, verifier) waits in memory for ten minutes under the id of
//! a cookie of its own: the session's cookie is not sent by a browser that comes from elsewhere.

use super::posted::Question;
use super::visitor::{FRESH, address};
use super::{Action, Desk, Failed, Way, deed, sign_in, signing, token};
use crate::config::{PagesSettings, Role};
use axum::Router;
use axum::extract::{Request, State};
use axum::http::header::{CONTENT_TYPE, COOKIE, SET_COOKIE};
use axum::http::{HeaderMap, HeaderValue, StatusCode};
use axum::response::{Html, IntoResponse, Redirect, Response};
use axum::routing::get;
use chrono::{DateTime, Utc};
use maud::html;
use openidconnect::core::{
    CoreAuthDisplay, CoreAuthPrompt, CoreAuthenticationFlow, CoreErrorResponseType,
    CoreGenderClaim, CoreJsonWebKey, CoreJweContentEncryptionAlgorithm, CoreJwsSigningAlgorithm,
    CoreProviderMetadata, CoreRevocableToken, CoreRevocationErrorResponse,
    CoreTokenIntrospectionResponse, CoreTokenType,
};
use openidconnect::{
    AdditionalClaims, AuthorizationCode, Client, ClientId, ClientSecret, CsrfToken,
    EmptyExtraTokenFields, EndpointMaybeSet, EndpointNotSet, EndpointSet, HttpRequest,
    HttpResponse, IdTokenFields, IssuerUrl, Nonce, PkceCodeChallenge, PkceCodeVerifier,
    RedirectUrl, Scope, StandardErrorResponse, StandardTokenResponse, TokenResponse,
};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use sheathline_model::legible;
use sheathline_net::connect::node::{HttpWay, TlsFiles};
use sheathline_net::http::client::{Call, call};
use std::collections::HashMap;
use std::net::IpAddr;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};
use tower_sessions::Session;

/// How long somebody may take at the provider.
const PATIENCE: Duration = Duration::from_secs(600);

/// People who may be there at one time.
const WAITING_MAX: usize = 1000;

/// How long what the provider says of itself and its keys is believed.
const KNOWN: Duration = Duration::from_secs(3600);

/// For one request to the provider.
const ASKING: Duration = Duration::from_secs(10);

/// Groups of one person that are looked at.
const GROUPS_MAX: usize = 2000;

/// What the claims hold beyond those of the standard.
#[derive(Debug, Clone, Serialize, Deserialize)]
struct Others(#[serde(default)] HashMap<String, Value>);

impl AdditionalClaims for Others {}

type Fields = IdTokenFields<
    Others,
    EmptyExtraTokenFields,
    CoreGenderClaim,
    CoreJweContentEncryptionAlgorithm,
    CoreJwsSigningAlgorithm,
>;

type Provider = Client<
    Others,
    CoreAuthDisplay,
    CoreGenderClaim,
    CoreJweContentEncryptionAlgorithm,
    CoreJsonWebKey,
    CoreAuthPrompt,
    StandardErrorResponse<CoreErrorResponseType>,
    StandardTokenResponse<Fields, CoreTokenType>,
    CoreTokenIntrospectionResponse,
    CoreRevocableToken,
    CoreRevocationErrorResponse,
    EndpointSet,
    EndpointNotSet,
    EndpointNotSet,
    EndpointNotSet,
    EndpointMaybeSet,
    EndpointMaybeSet,
>;

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

/// Why the provider did not let somebody in, in words for the log.
#[derive(Debug, thiserror::Error)]
#[error("{0}")]
struct Not(String);

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

    fn forget(&self) {
        *locked(&self.known) = None;
    }

    fn metadata(&self, settings: &PagesSettings) -> Result<CoreProviderMetadata, Not> {
        let issuer = settings.openid.issuer.clone().unwrap_or_default();
        if let Some((at, of, metadata)) = &*locked(&self.known)
            && at.elapsed() < KNOWN
            && *of == issuer
        {
            return Ok(metadata.clone());
        }
        let url = IssuerUrl::new(issuer.clone()).map_err(|error| Not(error.to_string()))?;
        let metadata = CoreProviderMetadata::discover(&url, &asking(settings));
        let metadata = metadata.map_err(|error| Not(chain(&error)))?;
        *locked(&self.known) = Some((Instant::now(), issuer, metadata.clone()));
        Ok(metadata)
    }

    fn provider(&self, settings: &PagesSettings) -> Result<Provider, Not> {
        let openid = &settings.openid;
        let secret = match &openid.secret {
            None => None,
            Some(path) => {
                let text = std::fs::read_to_string(path);
                let text = text.map_err(|error| Not(format!("[pages.openid] secret: {error}")))?;
                Some(ClientSecret::new(text.trim().to_owned()))
            }
        };
        let public = settings.public_url.as_deref().unwrap_or_default();
        let back = RedirectUrl::new(format!("{public}/sign-in/back"));
        let back = back.map_err(|error| Not(error.to_string()))?;
        let client = ClientId::new(openid.client.clone());
        let metadata = self.metadata(settings)?;
        Ok(Provider::from_provider_metadata(metadata, client, secret).set_redirect_uri(back))
    }
}

/// Asks the provider over our own connections.
fn asking(settings: &PagesSettings) -> impl Fn(HttpRequest) -> Result<HttpResponse, Not> + use<> {
    let ca = settings.openid.ca.clone();
    move |request: HttpRequest| {
        let way = HttpWay {
            url: request.uri().to_string(),
            tls: TlsFiles {
                ca: ca.clone(),
                ..TlsFiles::default()
            },
            bearer: None,
        };
        let named = ["accept", "authorization", "content-type"];
        let headers: Vec<(&'static str, &str)> = named
            .into_iter()
            .filter_map(|name| Some((name, request.headers().get(name)?.to_str().ok()?)))
            .collect();
        let asked = Call {
            method: request.method().clone(),
            path: "",
            headers: &headers,
            body: Some(request.body().as_slice()).filter(|body| !body.is_empty()),
        };
        let answer = call(&way, ASKING, &asked).map_err(|error| Not(error.to_string()))?;
        let mut response = axum::http::Response::builder().status(answer.status);
        if let Some(kind) = answer.headers(&CONTENT_TYPE).next() {
            response = response.header(CONTENT_TYPE, kind);
        }
        let response = response.body(answer.body);
        response.map_err(|error| Not(error.to_string()))
    }
}

/// An error with what lies beneath it.
fn chain(error: &dyn std::error::Error) -> String {
    let mut words = error.to_string();
    let mut beneath = error.source();
    while let Some(error) = beneath {
        words = format!("{words}: {error}");
        beneath = error.source();
    }
    words
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

/// Who somebody is, by the provider.
struct Person {
    subject: String,
    name: String,
    groups: Vec<String>,
    /// When they last showed the provider who they are.
    proved_at: DateTime<Utc>,
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

/// Who comes back: the code for the token, and the token looked at. Asks the provider.
fn person(desk: &Desk, code: &str, away: Away) -> Result<Person, Not> {
    let openid = &desk.common.openid;
    let settings = desk.pages();
    let provider = openid.provider(settings)?;
    let is_anew = away.is_anew;
    let code = AuthorizationCode::new(code.to_owned());
    let request = provider
        .exchange_code(code)
        .map_err(|error| Not(chain(&error)))?;
    let answer = request
        .set_pkce_verifier(away.verifier)
        .request(&asking(settings));
    let answer = answer.map_err(|error| Not(chain(&error)))?;
    let id_token = answer.id_token();
    let id_token = id_token.ok_or(Not("the provider gave no ID token".to_owned()))?;
    let claims = match id_token.claims(&provider.id_token_verifier(), &away.nonce) {
        Ok(claims) => claims.clone(),
        Err(_) => {
            // Its keys may be new.
            openid.forget();
            let provider = openid.provider(settings)?;
            let claims = id_token.claims(&provider.id_token_verifier(), &away.nonce);
            claims.map_err(|error| Not(chain(&error)))?.clone()
        }
    };
    let subject = claims.subject().to_string();
    let names = [
        claims
            .name()
            .and_then(|name| name.get(None))
            .map(|name| name.to_string()),
        claims.preferred_username().map(|name| name.to_string()),
        claims.email().map(|email| email.to_string()),
    ];
    let name = names
        .into_iter()
        .flatten()
        .find(|name| !name.trim().is_empty());
    let name = name.unwrap_or_else(|| subject.clone());
    let groups = claims
        .additional_claims()
        .0
        .get(&settings.openid.groups_claim);
    let groups = match groups {
        Some(Value::Array(all)) => all
            .iter()
            .take(GROUPS_MAX)
            .filter_map(Value::as_str)
            .collect(),
        Some(Value::String(one)) => vec![one.as_str()],
        _ => Vec::new(),
    };
    if subject.chars().count() > 255 || subject.chars().any(char::is_control) {
        return Err(Not("a subject that is none".to_owned()));
    }
    Ok(Person {
        subject,
        name: legible::line(&name)
            .chars()
            .take(sign_in::NAME_MAX)
            .collect(),
        groups: groups.into_iter().map(str::to_owned).collect(),
        proved_at: signing::proved_at(claims.auth_time(), is_anew, Utc::now()),
    })
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
