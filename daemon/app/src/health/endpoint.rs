//! The HTTP port: `/livez`, `/readyz`, `/metrics`. It is for GET only and names no patient.

use super::Health;
use crate::health::ports::PortsNow;
use crate::health::reasons::Reason;
use axum::http::header::{ALLOW, CACHE_CONTROL, CONTENT_TYPE};
use axum::http::{Method, Request, StatusCode};
use axum::response::{IntoResponse, Response};
use chrono::{DateTime, Utc};
use ipnet::IpNet;
use serde::Serialize;
use sheathline_net::dicom::refusal::Refusal;
use sheathline_net::http::server::{self, Bounds, Incoming};
use sheathline_net::serve::{End, Happened, Now, Peer, Ports, ServeError, Service};
use std::io;
use std::net::{IpAddr, SocketAddr};
use std::sync::Arc;
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::time::timeout;

/// Connections at one time; one more takes the place of one of the address that has most.
const CONNECTIONS_MAX: usize = 16;

/// From the connection to the end of its one answer.
const TIME_LIMIT: Duration = Duration::from_secs(10);

/// The largest head of a request, and the least that hyper allows.
const HEAD_BYTES_MAX: usize = 8 << 10;

/// The text format of OpenMetrics 1.0.
const OPEN_METRICS: &str = "application/openmetrics-text; version=1.0.0; charset=utf-8";

/// The port cannot be had.
#[derive(Debug, thiserror::Error)]
#[error("[observe] {0}")]
pub struct EndpointError(pub ServeError);

/// Answers about the daemon. Whoever is refused, closed or cut off asks again, so the log tells nothing
/// of it.
#[derive(Debug, Clone)]
pub struct Endpoint(pub Arc<Health>);

impl Service for Endpoint {
    /// `[observe] listen`.
    type Settings = Vec<SocketAddr>;

    fn ports(listen: &Vec<SocketAddr>) -> Ports<'_> {
        Ports {
            plain: listen,
            tls: None,
        }
    }

    fn put(&mut self, _: Vec<SocketAddr>) {}

    fn addresses_allowed(&self) -> &[IpNet] {
        &[]
    }

    fn max_connections(&self) -> usize {
        CONNECTIONS_MAX
    }

    fn request_limit(&self) -> Duration {
        TIME_LIMIT
    }

    fn write_limit(&self) -> Duration {
        TIME_LIMIT
    }

    /// One answer, also while the program stops.
    async fn serve(
        stream: impl AsyncRead + AsyncWrite + Unpin + Send + 'static,
        _: Peer,
        now: Now<Self>,
        _: End,
    ) {
        let health = &now.at_accept().0;
        let bounds = Bounds {
            head_bytes: HEAD_BYTES_MAX,
            idle: TIME_LIMIT,
        };
        let answer = |request| answer(request, Arc::clone(health));
        let _ = timeout(TIME_LIMIT, server::serve_one(stream, bounds, answer)).await;
    }

    fn refused(&self, _: IpAddr, _: Refusal, _: &str) {}

    fn tell(&self, event: Happened<'_>) {
        match event {
            Happened::Listening(address, _) => {
                tracing::info!(code = "observe-listening", %address);
            }
            Happened::Ended(address, cut) => {
                tracing::info!(code = "observe-listening-ended", %address, cut);
            }
        }
    }

    fn panicked() {
        tracing::error!(
            code = "observe-panicked",
            "internal error; please report it"
        );
    }

    fn accept_failed(error: &io::Error) {
        tracing::warn!(code = "observe-failed", %error);
    }
}

/// Answers one request; its body is never read.
async fn answer(request: Request<Incoming>, health: Arc<Health>) -> Response {
    let known = matches!(request.uri().path(), "/livez" | "/readyz" | "/metrics");
    if !known {
        return text(StatusCode::NOT_FOUND, "/livez, /readyz or /metrics\n");
    }
    if request.method() != Method::GET {
        let says = text(StatusCode::METHOD_NOT_ALLOWED, "GET only\n");
        return ([(ALLOW, "GET")], says).into_response();
    }
    let path = request.uri().path().to_owned();
    // The store and the file system may make it wait.
    let answer = tokio::task::spawn_blocking(move || match path.as_str() {
        "/livez" if health.is_dead() => text(
            StatusCode::SERVICE_UNAVAILABLE,
            "nothing is made of what is received\n",
        ),
        "/livez" => text(StatusCode::OK, "alive\n"),
        "/readyz" => ready(
            &health.reasons(),
            &health.ports(),
            health.database_away_since(),
        ),
        _ => match health.metrics() {
            Some(metrics) => body(StatusCode::OK, OPEN_METRICS, metrics),
            None => text(StatusCode::INTERNAL_SERVER_ERROR, ""),
        },
    });
    let gone = |_| text(StatusCode::INTERNAL_SERVER_ERROR, "");
    answer.await.unwrap_or_else(gone)
}

fn ready(
    reasons: &[Reason],
    ports: &[PortsNow],
    database_away_since: Option<DateTime<Utc>>,
) -> Response {
    #[derive(Serialize)]
    struct Ready<'a> {
        ready: bool,
        reasons: &'a [Reason],
        ports: &'a [PortsNow],
        #[serde(skip_serializing_if = "Option::is_none")]
        database_away_since: Option<DateTime<Utc>>,
    }
    let status = match reasons {
        [] => StatusCode::OK,
        _ => StatusCode::SERVICE_UNAVAILABLE,
    };
    let ready = reasons.is_empty();
    let said = Ready {
        ready,
        reasons,
        ports,
        database_away_since,
    };
    match serde_json::to_string(&said) {
        Ok(json) => body(status, "application/json", json),
        Err(_) => text(StatusCode::INTERNAL_SERVER_ERROR, ""),
    }
}

fn text(status: StatusCode, says: &'static str) -> Response {
    body(status, "text/plain; charset=utf-8", says)
}

fn body(status: StatusCode, kind: &'static str, bytes: impl IntoResponse) -> Response {
    let headers = [(CONTENT_TYPE, kind), (CACHE_CONTROL, "no-store")];
    (status, headers, bytes).into_response()
}
