//! The pages as a service of the one listener.

use super::desk::{Common, Desk, DeskSettings};
use super::visitor::From;
use super::{Failed, blind, routes};
use crate::config::{Config, PagesSettings};
use crate::health::Health;
use crate::observe::Observed;
use crate::observe::refused::{Reason, Refused, TurnedAway};
use axum::Router;
use axum::body::Body;
use axum::extract::DefaultBodyLimit;
use axum::http::header::{
    CACHE_CONTROL, CONTENT_SECURITY_POLICY, HOST, HeaderName, HeaderValue, ORIGIN, REFERRER_POLICY,
    STRICT_TRANSPORT_SECURITY, X_CONTENT_TYPE_OPTIONS,
};
use axum::http::{HeaderMap, Method, Request, Response};
use axum::middleware::from_fn_with_state;
use axum::response::IntoResponse;
use ipnet::IpNet;
use sheathline_net::dicom::refusal::Refusal;
use sheathline_net::http::server::{self, Bounds, Incoming};
use sheathline_net::serve::{End, Happened, Now, Peer, Ports, Service};
use sheathline_store::Store;
use std::net::IpAddr;
use std::sync::Arc;
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::time::timeout;
use tower_service::Service as _;
use tower_sessions::cookie::SameSite;
use tower_sessions::cookie::time::Duration as Span;
use tower_sessions::{Expiry, SessionManagerLayer};

/// The largest head of a request.
const HEAD_BYTES_MAX: usize = 16 << 10;

/// The largest body of a form; a route that takes files says its own.
const BODY_BYTES_MAX: usize = 256 << 10;

/// Without a byte, between requests or in the head of one.
const IDLE: Duration = Duration::from_secs(30);

/// From the head of a request to its answer.
const REQUEST_LIMIT: Duration = Duration::from_secs(60);

/// How long a browser may take nothing of an answer.
const WRITE_LIMIT: Duration = Duration::from_secs(30);

/// Nothing is loaded from elsewhere, no script but ours, no frame round it.
const POLICY: &str = "default-src 'none'; style-src 'self'; script-src 'self'; connect-src 'self'; \
                      img-src 'self' data:; form-action 'self'; frame-ancestors 'none'; base-uri 'none'";

const NO_ADDRESS: Reason = Reason::new("pages-address", "this address may not connect");
const FULL: Reason = Reason::new("pages-connections", "too many connections; closed");
const DISPLACED: Reason = Reason::of_content("pages-displaced", "closed to make room for another");
const NOT_TAKEN: Reason = Reason::of_content("pages-refused", "a request is not taken");
pub(super) const SIGN_IN: Reason = Reason::of_content("pages-sign-in", "a sign-in was refused");

const TURNED_AWAY: TurnedAway = TurnedAway {
    address: NO_ADDRESS,
    connections: FULL,
    displaced: DISPLACED,
};

/// The pages.
#[derive(Debug, Clone)]
pub struct Pages {
    store: Store,
    observed: Observed,
    common: Arc<Common>,
    settings: PagesSettings,
    /// Over TLS, and without; `None` before settings are put in force.
    routers: Option<(Router, Router)>,
}

impl Pages {
    /// Nothing comes before settings are put in force. `health` says whether the service goes on.
    #[must_use]
    pub fn new(store: Store, observed: Observed, health: Option<Arc<Health>>) -> Self {
        Pages {
            store,
            observed,
            common: Arc::new(Common::new(health)),
            settings: PagesSettings::default(),
            routers: None,
        }
    }

    fn router(&self, desk: &Arc<Desk>, is_secure: bool) -> Router {
        let idle = Span::minutes(self.settings.idle_minutes.into());
        let sessions = SessionManagerLayer::new(desk.sessions())
            .with_name(cookie_name(is_secure))
            .with_secure(is_secure)
            .with_same_site(SameSite::Strict)
            .with_expiry(Expiry::OnInactivity(idle));
        routes()
            .fallback(async || Failed::NotFound)
            .method_not_allowed_fallback(async || Failed::Method)
            .layer(from_fn_with_state(Arc::clone(desk), blind::check))
            .layer(sessions)
            .layer(DefaultBodyLimit::max(BODY_BYTES_MAX))
            .with_state(Arc::clone(desk))
    }

    /// Whether browsers reach us over TLS though we do not speak it: a proxy before us does.
    fn is_behind_tls(&self) -> bool {
        let url = self.settings.public_url.as_deref();
        url.is_some_and(|url| url.starts_with("https://"))
    }
}

/// With TLS a name that no other host of the domain can set (RFC 6265bis 4.1.3.2).
fn cookie_name(is_secure: bool) -> &'static str {
    if is_secure {
        "__Host-sheathline"
    } else {
        "sheathline"
    }
}

impl Service for Pages {
    type Settings = DeskSettings;

    fn ports(settings: &DeskSettings) -> Ports<'_> {
        let Config { pages, .. } = &*settings.config;
        Ports {
            plain: &pages.listen,
            tls: Some(("pages.tls", &pages.tls)),
        }
    }

    fn put(&mut self, settings: DeskSettings) {
        self.settings = settings.config.pages.clone();
        let desk = Arc::new(Desk {
            store: self.store.clone(),
            observed: self.observed.clone(),
            config: settings.config,
            rules: settings.rules,
            site: settings.site,
            common: Arc::clone(&self.common),
        });
        self.routers = Some((self.router(&desk, true), self.router(&desk, false)));
    }

    fn addresses_allowed(&self) -> &[IpNet] {
        &self.settings.addresses_allowed
    }

    fn balancers(&self) -> &[IpNet] {
        &self.settings.proxy_from
    }

    fn max_connections(&self) -> usize {
        self.settings.max_connections
    }

    fn request_limit(&self) -> Duration {
        IDLE
    }

    fn write_limit(&self) -> Duration {
        WRITE_LIMIT
    }

    /// Answers requests until the browser ends, is too slow, or the program stops; one that is under way
    /// is finished.
    async fn serve(
        stream: impl AsyncRead + AsyncWrite + Unpin + Send + 'static,
        peer: Peer,
        now: Now<Self>,
        end: End,
    ) {
        let answer = |request| {
            let pages = now.newest();
            let (address, is_tls) = (peer.address, peer.tls);
            let busy = peer.pulse.clone();
            async move {
                let _busy = busy.busy();
                answer(&pages, request, address, is_tls).await
            }
        };
        let bounds = Bounds {
            head_bytes: HEAD_BYTES_MAX,
            idle: IDLE,
        };
        let ended = server::serve(stream, bounds, &end, answer).await;
        if let Err(error) = ended {
            tracing::debug!(code = "pages-ended", peer = %peer.address, %error);
        }
    }

    fn refused(&self, peer: IpAddr, why: Refusal, detail: &str) {
        self.observed.turned_away(&TURNED_AWAY, peer, why, detail);
    }

    fn tell(&self, event: Happened<'_>) {
        match event {
            Happened::Listening(address, tls) => {
                tracing::info!(code = "pages-listening", address, tls);
            }
            Happened::Ended(address, cut) => {
                tracing::info!(code = "pages-listening-ended", address, cut);
            }
        }
    }

    fn panicked() {
        tracing::error!(code = "pages-panicked", "internal error; please report it");
    }
}

/// Answers one request, in bounds.
async fn answer(
    pages: &Pages,
    request: Request<Incoming>,
    from: IpAddr,
    is_tls: bool,
) -> Response<Body> {
    let is_secure = is_tls || pages.is_behind_tls();
    let path = request.uri().path().to_owned();
    let answered = async {
        // The rules may have changed since it connected.
        if !pages.allows(from) {
            return Failed::Host.into_response();
        }
        if let Some(failed) = refused(
            &pages.settings,
            request.method(),
            request.headers(),
            is_secure,
        ) {
            let detail = failed.status();
            pages.observed.refused(&Refused {
                answer: detail.as_str(),
                ..Refused::at(NOT_TAKEN, from)
            });
            return failed.into_response();
        }
        let Some((secure, plain)) = &pages.routers else {
            return Failed::Busy.into_response();
        };
        let router = if is_secure { secure } else { plain };
        let mut request = request.map(Body::new);
        request.extensions_mut().insert(From(from));
        router
            .clone()
            .call(request)
            .await
            .unwrap_or_else(|never| match never {})
    };
    let answered = timeout(REQUEST_LIMIT, answered).await;
    let mut answer = answered.unwrap_or_else(|_| Failed::TooSlow.into_response());
    pages.observed.metrics.page(&path, answer.status().as_u16());
    headers(answer.headers_mut(), is_secure);
    answer
}

/// What is not for us: another host's name, or a form of another site.
fn refused(
    settings: &PagesSettings,
    method: &Method,
    headers: &HeaderMap,
    is_secure: bool,
) -> Option<Failed> {
    let mut hosts = headers.get_all(HOST).iter();
    let host = hosts.next().and_then(|host| host.to_str().ok());
    let host = host.filter(|_| hosts.next().is_none());
    let Some(host) = host.map(str::to_ascii_lowercase) else {
        return Some(Failed::Host);
    };
    if !is_our_host(settings, &host) {
        return Some(Failed::Host);
    }
    if matches!(*method, Method::GET | Method::HEAD) {
        return None;
    }
    let text = |name: HeaderName| headers.get(name).map(|value| value.to_str().unwrap_or(""));
    let scheme = if is_secure { "https" } else { "http" };
    let site = text(HeaderName::from_static("sec-fetch-site"));
    let is_ours = match text(ORIGIN) {
        // So a browser writes it for a page that tells no referrer, as ours do.
        Some("null") => site == Some("same-origin"),
        Some(origin) => origin.eq_ignore_ascii_case(&format!("{scheme}://{host}")),
        None => site.is_none_or(|site| site == "same-origin"),
    };
    (!is_ours).then_some(Failed::Forged)
}

/// Whether a request is for us: by our public name, or by a number. A name of somebody else that leads
/// here (DNS rebinding) is neither.
fn is_our_host(settings: &PagesSettings, host: &str) -> bool {
    let public = settings.public_url.as_deref();
    let public = public.and_then(|url| url.split_once("://"));
    if let Some((scheme, public)) = public {
        let usual = if scheme == "https" { ":443" } else { ":80" };
        let bare = |name: &str| name.strip_suffix(usual).unwrap_or(name).to_owned();
        if bare(public) == bare(host) {
            return true;
        }
    }
    let name = match host.strip_prefix('[') {
        Some(rest) => rest.split_once(']').map_or("", |(name, _)| name),
        None => host.split_once(':').map_or(host, |(name, _)| name),
    };
    name == "localhost" || name.parse::<IpAddr>().is_ok()
}

/// The headers of every answer.
fn headers(headers: &mut HeaderMap, is_secure: bool) {
    let mut set = |name: HeaderName, value| {
        headers
            .entry(name)
            .or_insert(HeaderValue::from_static(value));
    };
    set(CONTENT_SECURITY_POLICY, POLICY);
    set(CACHE_CONTROL, "no-store");
    set(X_CONTENT_TYPE_OPTIONS, "nosniff");
    set(REFERRER_POLICY, "no-referrer");
    set(HeaderName::from_static("x-frame-options"), "DENY");
    let names = [
        ("cross-origin-opener-policy", "same-origin"),
        ("cross-origin-resource-policy", "same-origin"),
        ("cross-origin-embedder-policy", "require-corp"),
        (
            "permissions-policy",
            "camera=(), microphone=(), geolocation=(), payment=(), usb=()",
        ),
    ];
    for (name, value) in names {
        set(HeaderName::from_static(name), value);
    }
    if is_secure {
        set(STRICT_TRANSPORT_SECURITY, "max-age=31536000");
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn post(headers: &[(HeaderName, &str)]) -> Option<Failed> {
        let mut all = HeaderMap::new();
        all.insert(HOST, HeaderValue::from_static("127.0.0.1:8443"));
        for (name, value) in headers {
            all.insert(name, HeaderValue::from_str(value).expect("a header"));
        }
        refused(&PagesSettings::default(), &Method::POST, &all, true)
    }

    /// Pages that tell no referrer make browsers write `null` as the origin of their own forms (Fetch
    /// Standard, WHATWG, "append a request `Origin` header").
    #[test]
    fn a_form_of_ours_is_taken_from_a_browser_and_one_of_others_is_not() {
        let site = HeaderName::from_static("sec-fetch-site");
        let ours = "https://127.0.0.1:8443";
        assert!(post(&[]).is_none());
        assert!(post(&[(ORIGIN, ours)]).is_none());
        assert!(post(&[(ORIGIN, "null"), (site.clone(), "same-origin")]).is_none());
        for other in ["same-site", "cross-site", "none"] {
            let sent = [(ORIGIN, "null"), (site.clone(), other)];
            assert!(matches!(post(&sent), Some(Failed::Forged)), "{other}");
        }
        for origin in [
            "null",
            "https://127.0.0.1:8444",
            "http://127.0.0.1:8443",
            "",
        ] {
            assert!(
                matches!(post(&[(ORIGIN, origin)]), Some(Failed::Forged)),
                "{origin}"
            );
        }
    }
}
