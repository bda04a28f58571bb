//! HTTP/1.1 as a server, over one connection of the listener.
//!
//! How long a peer may take nothing of an answer is held by the listener; how long an answer may take,
//! and how large a body may be, by who answers.

use crate::serve::End;
use hyper::body::Body;
use hyper::server::conn::http1;
use hyper::service::service_fn;
use hyper::{Request, Response};
use hyper_util::rt::{TokioIo, TokioTimer};
use std::convert::Infallible;
use std::error::Error;
use std::io;
use std::pin::pin;
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::sync::Notify;

pub use hyper::body::Incoming;

/// What a peer may take before its request is whole.
#[derive(Debug, Clone, Copy)]
pub struct Bounds {
    /// The largest head of a request, in bytes; 8 KiB at least.
    pub head_bytes: usize,
    /// Between requests, and from the first byte of a head to its end.
    pub idle: Duration,
}

impl Bounds {
    fn builder(self) -> http1::Builder {
        let mut builder = http1::Builder::new();
        builder
            .timer(TokioTimer::new())
            .header_read_timeout(self.idle)
            .max_buf_size(self.head_bytes);
        builder
    }
}

/// Why a connection ended otherwise than well.
#[derive(Debug, thiserror::Error)]
pub enum ServeError {
    /// The peer took nothing of an answer for too long.
    #[error("an answer was not read in time")]
    NotRead,
    /// It went away, or sent what is no HTTP.
    #[error(transparent)]
    Broken(hyper::Error),
}

impl From<hyper::Error> for ServeError {
    fn from(error: hyper::Error) -> Self {
        let cause = error.source().and_then(|cause| cause.downcast_ref());
        match cause.map(io::Error::kind) {
            Some(io::ErrorKind::TimedOut) => ServeError::NotRead,
            _ => ServeError::Broken(error),
        }
    }
}

/// Answers requests until the peer ends, is too slow, or the program stops; one that is under way is
/// finished. Where its port is closed a connection ends after its first request or the one that is
/// under way.
///
/// # Errors
/// It ended otherwise.
pub async fn serve<A, B>(
    stream: impl AsyncRead + AsyncWrite + Unpin,
    bounds: Bounds,
    end: &End,
    answer: impl Fn(Request<Incoming>) -> A,
) -> Result<(), ServeError>
where
    A: Future<Output = Response<B>>,
    B: Body<Error: Into<Box<dyn Error + Send + Sync>>> + 'static,
{
    let has_asked = Notify::new();
    let answer = service_fn(|request| {
        has_asked.notify_one();
        let answer = answer(request);
        async { Ok::<_, Infallible>(answer.await) }
    });
    let builder = bounds.builder();
    let mut serving = pin!(builder.serve_connection(TokioIo::new(stream), answer));
    tokio::select! {
        ended = serving.as_mut() => return Ok(ended?),
        () = end.after(&has_asked) => serving.as_mut().graceful_shutdown(),
    }
    Ok(serving.await?)
}

/// Answers one request, also while the program stops.
///
/// # Errors
/// No request was answered.
pub async fn serve_one<A, B>(
    stream: impl AsyncRead + AsyncWrite + Unpin,
    bounds: Bounds,
    answer: impl Fn(Request<Incoming>) -> A,
) -> Result<(), ServeError>
where
    A: Future<Output = Response<B>>,
    B: Body<Error: Into<Box<dyn Error + Send + Sync>>> + 'static,
{
    let answer = service_fn(|request| {
        let answer = answer(request);
        async { Ok::<_, Infallible>(answer.await) }
    });
    let mut builder = bounds.builder();
    builder.keep_alive(false);
    Ok(builder
        .serve_connection(TokioIo::new(stream), answer)
        .await?)
}

#[cfg(test)]
mod tests;
