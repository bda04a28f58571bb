//! What is asked of the provider: of itself, for a token, and who the token says somebody is.

use super::super::{Desk, sign_in, signing};
use super::{Away, OpenId, locked};
use crate::config::PagesSettings;
use axum::http::header::CONTENT_TYPE;
use chrono::{DateTime, Utc};
use openidconnect::core::{
    CoreAuthDisplay, CoreAuthPrompt, CoreErrorResponseType, CoreGenderClaim, CoreJsonWebKey,
    CoreJweContentEncryptionAlgorithm, CoreJwsSigningAlgorithm, CoreProviderMetadata,
    CoreRevocableToken, CoreRevocationErrorResponse, CoreTokenIntrospectionResponse, CoreTokenType,
};
use openidconnect::{
    AdditionalClaims, AuthorizationCode, Client, ClientId, ClientSecret, EmptyExtraTokenFields,
    EndpointMaybeSet, EndpointNotSet, EndpointSet, HttpRequest, HttpResponse, IdTokenFields,
    IssuerUrl, RedirectUrl, StandardErrorResponse, StandardTokenResponse, TokenResponse,
};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use sheathline_model::legible;
use sheathline_net::connect::node::{HttpWay, TlsFiles};
use sheathline_net::http::client::{Call, call};
use std::collections::HashMap;
use std::time::{Duration, Instant};

/// How long what the provider says of itself and its keys is believed.
const KNOWN: Duration = Duration::from_secs(3600);

/// For one request to the provider.
const ASKING: Duration = Duration::from_secs(10);

/// Groups of one person that are looked at.
const GROUPS_MAX: usize = 2000;

/// What the claims hold beyond those of the standard.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub(super) struct Others(#[serde(default)] HashMap<String, Value>);

impl AdditionalClaims for Others {}

pub(super) type Fields = IdTokenFields<
    Others,
    EmptyExtraTokenFields,
    CoreGenderClaim,
    CoreJweContentEncryptionAlgorithm,
    CoreJwsSigningAlgorithm,
>;

pub(super) type Provider = Client<
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

/// Why the provider did not let somebody in, in words for the log.
#[derive(Debug, thiserror::Error)]
#[error("{0}")]
pub(super) struct Not(pub(super) String);

impl OpenId {
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

    pub(super) fn provider(&self, settings: &PagesSettings) -> Result<Provider, Not> {
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

/// Who somebody is, by the provider.
pub(super) struct Person {
    pub(super) subject: String,
    pub(super) name: String,
    pub(super) groups: Vec<String>,
    /// When they last showed the provider who they are.
    pub(super) proved_at: DateTime<Utc>,
}

/// Who comes back: the code for the token, and the token looked at. Asks the provider.
pub(super) fn person(desk: &Desk, code: &str, away: Away) -> Result<Person, Not> {
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
