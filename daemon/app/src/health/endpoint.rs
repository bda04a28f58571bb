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
use serde::Serialize;
use sheathline_net::shares::{Party, Room, Share, Shares};
use std::convert::Infallible;
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;
use tokio::net::{TcpListener, TcpStream};
use tokio::time::{sleep, timeout};

/// Connections at one time; one more takes the place of one of the address that has most.
const ROOM: Room = Room::places(16);

/// From the connection to the end of its one answer.
const TIME_LIMIT: Duration = Duration::from_secs(10);

/// The largest head of a request, and the least that hyper allows.
const HEAD_BYTES_MAX: usize = 8 << 10;

/// Pause after a failed accept. Out of descriptors it fails at once, again and again.
const ACCEPT_PAUSE: Duration = Duration::from_millis(100);

/// The text format of OpenMetrics 1.0.
const OPEN_METRICS: &str = "application/openmetrics-text; version=1.0.0; charset=utf-8";

/// One port, listening but not yet answering.
#[derive(Debug)]
pub struct Endpoint {
    listener: TcpListener,
}

/// The port cannot be had.
#[derive(Debug, thiserror::Error)]
#[error("[observe] cannot listen on {address}: {source}")]
pub struct EndpointError {
    /// The address.
    pub address: SocketAddr,
    /// What the system says.
    pub source: std::io::Error,
}

impl Endpoint {
    /// Listens.
    ///
    /// # Errors
    /// The address is taken or not ours.
    pub async fn bind(address: SocketAddr) -> Result<Self, EndpointError> {
        let failed = |source| EndpointError { address, source };
        let listener = TcpListener::bind(address).await.map_err(failed)?;
        let address = listener.local_addr().map_err(failed)?;
        tracing::info!(code = "observe-listening", %address);
        Ok(Endpoint { listener })
    }

    /// Answers until the task is given up.
    pub async fn run(self, health: Arc<Health>) {
        let places = Shares::default();
        let mut failing = false;
        loop {
            match self.listener.accept().await {
                Ok((stream, peer)) => {
                    failing = false;
                    // Whoever is closed or cut off asks again.
                    if let Some(place) = places.place(Party::of(peer.ip()), ROOM) {
                        tokio::spawn(served(stream, Arc::clone(&health), place));
                    }
                }
                Err(error) => {
                    // Once, not ten times a second for as long as it lasts.
                    if !std::mem::replace(&mut failing, true) {
                        tracing::warn!(code = "observe-failed", %error);
                    }
                    sleep(ACCEPT_PAUSE).await;
                }
            }
        }
    }
}

async fn served(stream: TcpStream, health: Arc<Health>, place: Share) {
    tokio::select! {
        _ = timeout(TIME_LIMIT, serve(stream, health)) => {}
        () = place.taken_back() => {}
    }
}

async fn serve(stream: TcpStream, health: Arc<Health>) -> Result<(), hyper::Error> {
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
