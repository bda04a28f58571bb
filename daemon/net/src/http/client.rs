//! HTTP/1.1 by `ureq`, over our own connections, so that every stage fails in the same words as
//! elsewhere. No redirect is followed, no proxy of the environment is used, and what is kept of an
//! answer is bounded.

use crate::connect::node::HttpWay;
use crate::connect::{self, Goal, Stream};
use crate::connect::{Code, Failure, Stage, Word, tls};
use chrono::{DateTime, Utc};
use std::borrow::Cow;
use std::io::{Read, Write};
use std::net::{IpAddr, Ipv4Addr, SocketAddr};
use std::sync::{Mutex, PoisonError};
use std::time::Duration;
use ureq::config::Config;
use ureq::http::header::{AUTHORIZATION, LOCATION, RETRY_AFTER};
use ureq::http::{HeaderMap, HeaderName, HeaderValue, Method, Request, Uri};
use ureq::unversioned::resolver::{ResolvedSocketAddrs, Resolver};
use ureq::unversioned::transport::{
    Buffers, ConnectionDetails, Connector, LazyBuffers, NextTimeout, Transport,
};
use ureq::{Agent, Body, Error};

/// The most of an answer that is kept: the answer to a transaction has a line for each entry.
const KEPT: u64 = 1 << 20;

/// The most of a receiver's words that goes into a failure, in characters.
const WORDS: usize = 1000;

/// A request to the receiver.
pub struct Call<'a> {
    /// What is asked for.
    pub method: Method,
    /// What comes after the configured URL.
    pub path: &'a str,
    /// Beside those of every request.
    pub headers: &'a [(&'static str, &'a str)],
    /// What is sent, if anything.
    pub body: Option<&'a [u8]>,
}

/// What came back.
pub struct Answer {
    /// Status (RFC 9110 15).
    pub status: u16,
    headers: HeaderMap,
    /// What is kept of it; what was cut off is missing.
    pub body: Vec<u8>,
    /// The stages behind the connection.
    pub stages: Vec<Stage>,
}

/// Sends a request over a new connection.
///
/// # Errors
/// No complete answer came. An answer of any status is one.
pub fn call(way: &HttpWay, timeout: Duration, call: &Call<'_>) -> Result<Answer, Failure> {
    let (mut answer, body) = answered(way, timeout, call)?;
    let read = body.into_reader().take(KEPT).read_to_end(&mut answer.body);
    match read {
        Ok(_) => {}
        // The status says enough of what was not taken.
        Err(_) if !(200..300).contains(&answer.status) => {}
        Err(error) => return Err(failed(Error::from(error))),
    }
    Ok(answer)
}

/// Sends a request over a new connection. The body of a success is not kept: `read` takes it, at most
/// so many bytes; there is nothing for it in a 204. What it makes of a body that breaks off is lost.
///
/// # Errors
/// As [`call`].
pub fn call_reading<T>(
    way: &HttpWay,
    timeout: Duration,
    call: &Call<'_>,
    most: u64,
    read: impl FnOnce(&Answer, &mut dyn Read) -> T,
) -> Result<(Answer, Option<T>), Failure> {
    let (mut answer, body) = answered(way, timeout, call)?;
    if !(200..300).contains(&answer.status) || answer.status == 204 {
        // The status says enough of what was not taken.
        let _ = body.into_reader().take(KEPT).read_to_end(&mut answer.body);
        return Ok((answer, None));
    }
    let mut body = Noting {
        body: body.into_reader().take(most),
        error: None,
    };
    let made = read(&answer, &mut body);
    match body.error {
        Some(error) => Err(failed(Error::from(error))),
        None => Ok((answer, Some(made))),
    }
}

/// A body whose first failure is noted, whatever its reader makes of it.
struct Noting<R> {
    body: R,
    error: Option<std::io::Error>,
}

impl<R: Read> Read for Noting<R> {
    fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
        self.body.read(buffer).map_err(|error| {
            let kind = error.kind();
            if kind != std::io::ErrorKind::Interrupted {
                self.error.get_or_insert(error);
            }
            kind.into()
        })
    }
}

/// Sends a request over a new connection; the head of the answer, and its body to be read.
fn answered(way: &HttpWay, timeout: Duration, call: &Call<'_>) -> Result<(Answer, Body), Failure> {
    let url = format!("{}{}", way.url, call.path);
    let uri: Uri = url
        .parse()
        .map_err(|error| Failure::answer(Word::Url, format!("url: {error}")))?;
    let request = request(way, call, uri.clone())?;
    let encrypted = uri.scheme_str() == Some("https");
    let stream = connect::connect(&Goal {
        host: uri.host().unwrap_or_default(),
        port: uri.port_u16().unwrap_or(if encrypted { 443 } else { 80 }),
        tls: encrypted.then_some(&way.tls),
        timeout,
    })?;
    let stages = stream.stages();
    let config = Config::builder()
        .http_status_as_error(false)
        .max_redirects(0)
        .proxy(None)
        .user_agent(concat!("sheathline/", env!("CARGO_PKG_VERSION")))
        // There is one connection, and it is at hand.
        .max_idle_connections(0)
        .build();
    let agent = Agent::with_parts(config, Open(Mutex::new(Some(stream))), Nowhere);
    let response = match call.body {
        Some(body) => agent.run(request.map(|()| body)),
        None => agent.run(request),
    };
    let response = response.map_err(failed)?;
    let (parts, body) = response.into_parts();
    let answer = Answer {
        status: parts.status.as_u16(),
        headers: parts.headers,
        body: Vec::new(),
        stages,
    };
    Ok((answer, body))
}

fn request(way: &HttpWay, call: &Call<'_>, uri: Uri) -> Result<Request<()>, Failure> {
    let mut builder = Request::builder().method(call.method.clone()).uri(uri);
    for (name, value) in call.headers {
        builder = builder.header(*name, *value);
    }
    if let Some(path) = &way.bearer {
        let token = tls::read(path)?;
        let token = token.trim_ascii();
        // RFC 6750 2.1; a line break inside would be another header.
        if token.is_empty() || !token.iter().all(u8::is_ascii_graphic) {
            return Err(tls::content(path, "holds no bearer token on a line"));
        }
        let mut value = HeaderValue::from_bytes(&[b"Bearer ", token].concat())
            .map_err(|_| tls::content(path, "holds no bearer token on a line"))?;
        value.set_sensitive(true);
        builder = builder.header(AUTHORIZATION, value);
    }
    builder
        .body(())
        .map_err(|error| Failure::answer(Word::HttpRequest, error.to_string()))
}

impl Answer {
    /// The failure that this answer is, with `said` as the receiver's own words.
    pub fn refused(&self, said: &str) -> Failure {
        let mut words = format!("{} {}", self.status, meaning(self.status));
        for (header, what) in [
            (LOCATION, "it sends on to"),
            (RETRY_AFTER, "it asks to wait, Retry-After"),
        ] {
            if let Some(value) = self.header(&header) {
                words.push_str(&format!("; {what} {}", cut(value)));
            }
        }
        if !said.is_empty() {
            words.push_str(&format!("; it says: {}", cut(said)));
        }
        Failure {
            not_before: self
                .header(&RETRY_AFTER)
                .and_then(|value| later(value, Utc::now())),
            ..Failure::answer(Code::Http(self.status), words).lasting(lasts(self.status))
        }
    }

    /// The values of a header field that are text, in order.
    pub fn headers(&self, name: &HeaderName) -> impl Iterator<Item = &str> {
        let values = self.headers.get_all(name).into_iter();
        values.filter_map(|value| value.to_str().ok())
    }

    /// A header field, if it is text.
    pub fn header(&self, name: &HeaderName) -> Option<&str> {
        self.headers.get(name).and_then(|value| value.to_str().ok())
    }

    /// The body as words; what is no UTF-8 of it, such as a letter cut in two, is replaced.
    pub fn text(&self) -> Cow<'_, str> {
        String::from_utf8_lossy(&self.body)
    }
}

/// Whether the same request will get this status again whatever the receiver's operator does: the
/// statuses that speak of the content sent (RFC 9110 15.5, FHIR R4 3.1.0.7 and 3.2.0.15). The
/// others of 4xx speak of who asks (401, 403, 407), where (404, 405, 410, 421), what is understood
/// there (406, 415, 426), or of a state that goes over (408, 409, 412, 423, 425, 428, 429); what
/// mends them is a setting, or time. So do those of 5xx.
pub fn lasts(status: u16) -> bool {
    matches!(status, 400 | 413 | 422)
}

/// What Retry-After says: seconds, or a date (RFC 9110 10.2.3, in the form of 5.6.7 that is not obsolete).
fn later(value: &str, now: DateTime<Utc>) -> Option<Duration> {
    let value = value.trim();
    match DateTime::parse_from_rfc2822(value) {
        Ok(date) => (date.to_utc() - now).to_std().ok(),
        Err(_) => value.parse().ok().map(Duration::from_secs),
    }
}

/// What a status says, and what to do where that is in the configuration.
fn meaning(status: u16) -> &'static str {
    match status {
        300..=399 => "redirected; name the address it sends on to as url",
        400 => "the request is not understood",
        401 => "not authenticated; is the bearer token, or our certificate, good?",
        403 => "not allowed; has the receiver granted us this?",
        404 => "nothing is there; is the path of url right?",
        405 => "the method is not allowed there; is the path of url right?",
        407 => "a proxy wants to know who asks; proxies are not supported",
        408 => "it waited too long for the request",
        409 => "in conflict with what it is doing at the moment",
        412 => "what it holds is not as expected; does it hold one of our resources twice?",
        413 => "larger than it takes",
        415 => "it does not take this kind of content",
        422 => "understood, and not accepted",
        429 => "too many requests",
        502..=504 => "what should answer is not reached at the moment",
        500..=599 => "a fault of the receiver",
        _ => "not taken",
    }
}

/// Words of a stranger: on one line, printable, of bounded length.
pub fn cut(said: &str) -> String {
    let line = said.split_whitespace().collect::<Vec<_>>().join(" ");
    line.chars()
        .filter(|c| !c.is_control())
        .take(WORDS)
        .collect()
}

fn failed(error: Error) -> Failure {
    let error = match error {
        // A failure of our own that went through a reader.
        Error::Io(error) => match error.downcast::<Error>() {
            Ok(error) => error,
            Err(error) => Error::Io(error),
        },
        error => error,
    };
    match error {
        Error::Other(error) => match error.downcast::<Failure>() {
            Ok(failure) => *failure,
            Err(error) => Failure::answer(Word::HttpFailed, error.to_string()),
        },
        error => Failure::answer(Word::HttpFailed, format!("no good answer of HTTP: {error}")),
    }
}

/// Hands over the connection that is open already.
#[derive(Debug)]
struct Open(Mutex<Option<Stream>>);

impl Connector for Open {
    type Out = Wire;

    fn connect(&self, details: &ConnectionDetails, _: Option<()>) -> Result<Option<Wire>, Error> {
        let mut stream = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let buffers = LazyBuffers::new(
            details.config.input_buffer_size(),
            details.config.output_buffer_size(),
        );
        Ok(stream.take().map(|stream| Wire {
            encrypted: details.needs_tls(),
            waiting: false,
            buffers,
            stream,
        }))
    }
}

/// Needs no address, since the connection is open already.
#[derive(Debug)]
struct Nowhere;

impl Resolver for Nowhere {
    fn resolve(&self, _: &Uri, _: &Config, _: NextTimeout) -> Result<ResolvedSocketAddrs, Error> {
        let mut addresses = self.empty();
        addresses.push(SocketAddr::from((IpAddr::from(Ipv4Addr::LOCALHOST), 0)));
        Ok(addresses)
    }
}

/// Our connection under HTTP. Each piece sent is a step, and the whole answer is one.
#[derive(Debug)]
struct Wire {
    stream: Stream,
    buffers: LazyBuffers,
    encrypted: bool,
    waiting: bool,
}

impl Wire {
    fn failed(&self, error: &std::io::Error) -> Error {
        Error::Other(Box::new(self.stream.failure(Stage::Answer, error)))
    }
}

impl Transport for Wire {
    fn buffers(&mut self) -> &mut dyn Buffers {
        &mut self.buffers
    }

    fn transmit_output(&mut self, amount: usize, _: NextTimeout) -> Result<(), Error> {
        self.waiting = false;
        self.stream.step();
        let piece = self.buffers.output();
        let piece = piece.get(..amount).unwrap_or_default();
        let sent = self.stream.write_all(piece);
        sent.and_then(|()| self.stream.flush())
            .map_err(|error| self.failed(&error))
    }

    fn await_input(&mut self, _: NextTimeout) -> Result<bool, Error> {
        if !self.waiting {
            self.waiting = true;
            self.stream.step();
        }
        let read = self.stream.read(self.buffers.input_append_buf());
        let read = read.map_err(|error| self.failed(&error))?;
        self.buffers.input_appended(read);
        Ok(read > 0)
    }

    fn is_open(&mut self) -> bool {
        true
    }

    fn is_tls(&self) -> bool {
        self.encrypted
    }
}

#[cfg(test)]
mod tests;
