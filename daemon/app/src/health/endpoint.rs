//! The HTTP port: `/livez`, `/readyz`, `/metrics`. It is for GET only and names no patient.

use super::Health;
use crate::health::reasons::Reason;
use http_body_util::Full;
use hyper::body::{Bytes, Incoming};
use hyper::header::{ALLOW, CACHE_CONTROL, CONTENT_TYPE, HeaderValue};
use hyper::server::conn::http1;
use hyper::service::service_fn;
use hyper::{Method, Request, Response, StatusCode};
use hyper_util::rt::{TokioIo, TokioTimer};
use ipnet::IpNet;
use serde::Serialize;
use sheathline_net::dicom::refusal::Refusal;
use sheathline_net::serve::{End, Happened, Now, Peer, Ports, ServeError, Service};
use std::convert::Infallible;
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
        let health = Arc::clone(&now.at_accept().0);
        let _ = timeout(TIME_LIMIT, serve(stream, health)).await;
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

async fn serve(
    stream: impl AsyncRead + AsyncWrite + Unpin,
    health: Arc<Health>,
) -> Result<(), hyper::Error> {
    let answer = service_fn(|request: Request<Incoming>| {
        let health = Arc::clone(&health);
        async move { Ok::<_, Infallible>(answer(&request, health).await) }
    });
    http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(TIME_LIMIT)
        .max_buf_size(HEAD_BYTES_MAX)
        .keep_alive(false)
        .serve_connection(TokioIo::new(stream), answer)
        .await
}

type Answer = Response<Full<Bytes>>;

/// Answers one request; its body is never read.
async fn answer<B>(request: &Request<B>, health: Arc<Health>) -> Answer {
    let known = matches!(request.uri().path(), "/livez" | "/readyz" | "/metrics");
    if !known {
        return text(StatusCode::NOT_FOUND, "/livez, /readyz or /metrics\n");
    }
    if request.method() != Method::GET {
        let mut answer = text(StatusCode::METHOD_NOT_ALLOWED, "GET only\n");
        let headers = answer.headers_mut();
        headers.insert(ALLOW, HeaderValue::from_static("GET"));
        return answer;
    }
    let path = request.uri().path().to_owned();
    // The store and the file system may make it wait.
    let answer = tokio::task::spawn_blocking(move || match path.as_str() {
        "/livez" if health.is_dead() => text(
            StatusCode::SERVICE_UNAVAILABLE,
            "nothing is made of what is received\n",
        ),
        "/livez" => text(StatusCode::OK, "alive\n"),
        "/readyz" => ready(&health.reasons()),
        _ => match health.metrics() {
            Some(metrics) => body(StatusCode::OK, OPEN_METRICS, metrics),
            None => text(StatusCode::INTERNAL_SERVER_ERROR, ""),
        },
    });
    let gone = |_| text(StatusCode::INTERNAL_SERVER_ERROR, "");
    answer.await.unwrap_or_else(gone)
}

fn ready(reasons: &[Reason]) -> Answer {
    #[derive(Serialize)]
    struct Ready<'a> {
        ready: bool,
        reasons: &'a [Reason],
    }
    let status = match reasons {
        [] => StatusCode::OK,
        _ => StatusCode::SERVICE_UNAVAILABLE,
    };
    let ready = reasons.is_empty();
    match serde_json::to_string(&Ready { ready, reasons }) {
        Ok(json) => body(status, "application/json", json),
        Err(_) => text(StatusCode::INTERNAL_SERVER_ERROR, ""),
    }
}

fn text(status: StatusCode, says: &'static str) -> Answer {
    body(status, "text/plain; charset=utf-8", says)
}

fn body(status: StatusCode, kind: &'static str, bytes: impl Into<Bytes>) -> Answer {
    let mut answer = Response::new(Full::new(bytes.into()));
    *answer.status_mut() = status;
    let headers = answer.headers_mut();
    headers.insert(CONTENT_TYPE, HeaderValue::from_static(kind));
    headers.insert(CACHE_CONTROL, HeaderValue::from_static("no-store"));
    answer
}
