//! Objects over HTTP: the Store transaction of DICOMweb (STOW-RS, PS3.18 section 10.5).
//!
//! A body is taken part by part; each part is in the store, synced, before the next one is looked at,
//! and before anyone is told that it arrived. Statuses are those of C-STORE.

mod answer;
mod keep;

use crate::config::{DicomSettings, WebSettings};
use crate::intake::{Intake, Name, Reception, Unfit};
use crate::observe::refused::{Reason, TurnedAway};
use crate::observe::{Observed, refused as told_refused};
use answer::{PartAnswer, refusal, stored};
use axum::http::header::{AUTHORIZATION, CONTENT_LENGTH, CONTENT_TYPE};
use axum::http::{Method, Request, StatusCode};
use axum::response::Response;
use http_body_util::BodyExt;
use ipnet::IpNet;
use sha2::{Digest, Sha256};
use sheathline_model::domain::Source;
use sheathline_net::dicom::refusal::Refusal;
use sheathline_net::http::multipart::{Broken, Parts, parameter};
use sheathline_net::http::server::{self, Bounds, Incoming, ServeError};
use sheathline_net::serve::{End, Happened, Now, Peer, Ports, Service};
use sheathline_net::shares::{Party, Pulse, Room, Share, Shares};
use std::net::IpAddr;
use std::path::PathBuf;
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::time::{Instant, timeout_at};

/// The largest head of a request.
const HEAD_BYTES_MAX: usize = 16 << 10;

/// How long a peer may take nothing of an answer: as long as in the other protocols by default.
const WRITE_LIMIT: Duration = Duration::from_secs(30);

const NOT_ALLOWED: &str = "this address may not connect";

/// KiB of bodies held by all connections together, beyond which peers are told to come later.
const MEMORY: Room = Room::memory(256 << 10);

/// Parts of one body: a study has some hundred reports and pictures at most.
const PARTS_MAX: usize = 10_000;

/// Parts of one body that are no DICOM files. The answer cannot name them, so whoever sends so many
/// is told in one.
const NO_FILES_MAX: usize = 100;

/// What the answer to one part takes until it is sent.
const TOLD_BYTES: usize = 256;

const NO_PEER: Reason = Reason::new("web-address", NOT_ALLOWED);
const FULL: Reason = Reason::new("web-connections", "too many connections; closed");
const DISPLACED: Reason = Reason::of_content("web-displaced", "closed to make room for another");
const NO_TOKEN: Reason = Reason::new(
    "web-token",
    "no bearer token of the receiver's file was shown",
);
const NOT_READ: Reason = Reason::of_content("web-slow", "an answer was not read in time; closed");
const NOT_TAKEN: Reason = Reason::of_content("web-refused", "a request is not taken");

const TURNED_AWAY: TurnedAway = TurnedAway {
    address: NO_PEER,
    connections: FULL,
    displaced: DISPLACED,
};

/// What holds for requests to come.
#[derive(Debug, Clone)]
pub struct Web {
    settings: WebSettings,
    /// Largest object, and issuer of patient ids.
    dicom: DicomSettings,
    reception: Reception,
    observed: Observed,
    memory: Shares,
}

impl Web {
    /// Nothing comes before settings are put in force.
    #[must_use]
    pub fn new(reception: impl Into<Reception>, observed: Observed) -> Self {
        Web {
            settings: WebSettings::default(),
            dicom: DicomSettings::default(),
            reception: reception.into(),
            observed,
            memory: Shares::default(),
        }
    }
}

impl Web {
    /// Where objects are kept.
    fn intake(&self) -> Intake<'_> {
        Intake::by(&self.reception, &self.observed)
    }

    /// Tells of an object whose request is refused before its end.
    fn broken_off(&self, peer: IpAddr, unfit: Unfit) {
        let source = Source::Web(peer.to_string());
        self.intake().broken_off(&Name::None, &source, unfit);
    }
}

impl Service for Web {
    /// Those of `[receive.web]`, and of `[receive.dicom]` what holds for objects by whatever way.
    type Settings = (WebSettings, DicomSettings);

    fn ports((web, _): &Self::Settings) -> Ports<'_> {
        Ports {
            plain: &web.listen,
            tls: Some(("receive.web.tls", &web.tls)),
        }
    }

    fn put(&mut self, (web, dicom): Self::Settings) {
        self.settings = web;
        self.dicom = dicom;
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
        Duration::from_secs(self.settings.idle_timeout_s)
    }

    fn write_limit(&self) -> Duration {
        WRITE_LIMIT
    }

    /// Answers requests until the peer ends, is too slow, or the program stops; one that is under way is
    /// finished. Where its port is closed a connection ends after its first request or the one that is
    /// under way.
    async fn serve(
        stream: impl AsyncRead + AsyncWrite + Unpin + Send + 'static,
        peer: Peer,
        now: Now<Self>,
        end: End,
    ) {
        let Peer {
            address: peer,
            pulse,
            ..
        } = peer;
        // The one rule that stays as it was when the connection came.
        let idle = Duration::from_secs(now.newest().settings.idle_timeout_s);
        let answer = |request| {
            let shared = now.newest();
            let from = Sender {
                peer,
                pulse: pulse.clone(),
            };
            async move { answer_to(request, &from, &shared).await }
        };
        let bounds = Bounds {
            head_bytes: HEAD_BYTES_MAX,
            idle,
        };
        match server::serve(stream, bounds, &end, answer).await {
            Err(ServeError::NotRead) => {
                let observed = now.newest().observed.clone();
                observed.refused(&told_refused::Refused::at(NOT_READ, peer));
            }
            Err(error) => tracing::debug!(code = "web-ended", %peer, %error),
            Ok(()) => {}
        }
    }

    fn refused(&self, peer: IpAddr, why: Refusal, detail: &str) {
        self.observed.turned_away(&TURNED_AWAY, peer, why, detail);
    }

    fn tell(&self, event: Happened<'_>) {
        match event {
            Happened::Listening(address, tls) => {
                tracing::info!(code = "web-listening", address, tls);
            }
            Happened::Ended(address, cut) => {
                tracing::info!(code = "web-listening-ended", address, cut);
            }
        }
    }

    fn panicked() {
        tracing::error!(code = "web-panicked", "internal error; please report it");
    }
}

/// Why a request is not carried out.
struct Refused {
    status: StatusCode,
    says: String,
}

fn refused(status: StatusCode, says: impl Into<String>) -> Refused {
    Refused {
        status,
        says: says.into(),
    }
}

/// Whom a request comes from.
struct Sender {
    peer: IpAddr,
    pulse: Pulse,
}

async fn answer_to(request: Request<Incoming>, from: &Sender, shared: &Web) -> Response {
    let limit = Duration::from_secs(shared.settings.request_timeout_s);
    let deadline = Instant::now() + limit;
    match store(request, from, shared, deadline).await {
        Ok((told, memory)) => stored(told, memory),
        Err(Refused { status, says }) => {
            let reason = match status {
                StatusCode::UNAUTHORIZED => NO_TOKEN,
                StatusCode::FORBIDDEN => NO_PEER,
                _ => NOT_TAKEN,
            };
            shared.observed.refused(&told_refused::Refused {
                answer: status.as_str(),
                detail: &says,
                apart: true,
                ..told_refused::Refused::at(reason, from.peer)
            });
            refusal(status, &says)
        }
    }
}

/// Carries out a Store transaction: what became of each part, and the memory that this takes.
async fn store(
    request: Request<Incoming>,
    from: &Sender,
    shared: &Web,
    deadline: Instant,
) -> Result<(Vec<PartAnswer>, Share), Refused> {
    let peer = from.peer;
    // The rules may have changed since it connected.
    if !shared.allows(peer) {
        return Err(refused(StatusCode::FORBIDDEN, NOT_ALLOWED));
    }
    let study = study_of(request.uri().path())?;
    if request.method() != Method::POST {
        let says = "only POST is answered here";
        return Err(refused(StatusCode::METHOD_NOT_ALLOWED, says));
    }
    authorise(&request, shared).await?;
    let mut parts = parts_of(&request, shared)?;
    let idle = Duration::from_secs(shared.settings.idle_timeout_s);
    let mut body = request.into_body();
    let mut told: Vec<PartAnswer> = Vec::new();
    let mut no_files = 0;
    let mut received = 0_u64;
    let memory = shared.memory.nothing(Party::of(peer));
    let no_room = || {
        shared.broken_off(peer, Unfit::NoRoom);
        let says = "too many large bodies at once; send it again later";
        refused(StatusCode::SERVICE_UNAVAILABLE, says)
    };
    loop {
        let until = deadline.min(Instant::now() + idle);
        let frame = tokio::select! {
            biased;
            () = memory.taken_back() => return Err(no_room()),
            frame = timeout_at(until, body.frame()) => frame,
        };
        let frame = frame.map_err(|_| {
            let says = "the body did not come in time";
            refused(StatusCode::REQUEST_TIMEOUT, says)
        })?;
        let Some(frame) = frame else { break };
        let frame = frame.map_err(|error| malformed(&error))?;
        let Ok(bytes) = frame.into_data() else {
            continue;
        };
        received += bytes.len() as u64;
        if received > shared.settings.max_body_bytes {
            return Err(too_large(shared));
        }
        let held = parts.held_bytes() + bytes.len() + told.len() * TOLD_BYTES;
        if !memory.hold(held.div_ceil(1024).max(1), MEMORY) {
            return Err(no_room());
        }
        let taken = parts.take(&bytes);
        while let Some(part) = parts.whole() {
            let _busy = from.pulse.busy();
            let one = keep::part(shared, peer, study.as_deref(), part).await;
            no_files += usize::from(one.instance.is_none());
            told.push(one);
            if no_files > NO_FILES_MAX {
                let says = format!("more than {NO_FILES_MAX} parts are no DICOM files");
                return Err(malformed(&says));
            }
        }
        if let Err(Broken::TooLarge(_)) = taken {
            let limit = shared.dicom.max_object_bytes;
            let unfit = Unfit::TooLarge { bytes: None, limit };
            shared.broken_off(peer, unfit);
        }
        taken.map_err(|broken| broken_body(broken, shared))?;
    }
    parts.end().map_err(|broken| broken_body(broken, shared))?;
    if told.is_empty() {
        Err(refused(StatusCode::BAD_REQUEST, "the body holds no part"))
    } else {
        Ok((told, memory))
    }
}

/// The study that a path names: `/studies` or `/studies/{uid}`.
fn study_of(path: &str) -> Result<Option<String>, Refused> {
    let path = path.strip_suffix('/').unwrap_or(path);
    if path == "/studies" {
        return Ok(None);
    }
    let study = path.strip_prefix("/studies/");
    let study = study.and_then(|uid| sheathline_net::dicom::dimse::uid(uid.as_bytes()));
    let says = "there is only /studies and /studies/{Study Instance UID}";
    study.map(Some).ok_or(refused(StatusCode::NOT_FOUND, says))
}

/// Whether the request shows one of the tokens, where there is a file of them. The file is read each
/// time, so that a token can be changed.
async fn authorise(request: &Request<Incoming>, shared: &Web) -> Result<(), Refused> {
    let Some(file) = shared.settings.bearer.clone() else {
        return Ok(());
    };
    let shown = request.headers().get(AUTHORIZATION);
    let shown = shown.and_then(|value| value.to_str().ok()).and_then(bearer);
    let no = || {
        let says = "a bearer token of the receiver's file is needed";
        refused(StatusCode::UNAUTHORIZED, says)
    };
    let shown = Sha256::digest(shown.ok_or_else(no)?.as_bytes());
    let known = tokio::task::spawn_blocking(move || tokens(&file)).await;
    let known = known.ok().flatten().ok_or_else(|| {
        let says = "[receive.web] bearer cannot be read here";
        refused(StatusCode::SERVICE_UNAVAILABLE, says)
    })?;
    // Hashes are compared, so that the time it takes tells nothing of a token.
    if known.contains(&<[u8; 32]>::from(shown)) {
        Ok(())
    } else {
        Err(no())
    }
}

/// The token of an Authorization field (RFC 6750 2.1).
fn bearer(value: &str) -> Option<&str> {
    let (scheme, token) = value.split_once(' ')?;
    scheme.eq_ignore_ascii_case("bearer").then(|| token.trim())
}

/// Hashes of the tokens in a file, one a line.
fn tokens(file: &PathBuf) -> Option<Vec<[u8; 32]>> {
    let text = std::fs::read_to_string(file).ok()?;
    let lines = text.lines().map(str::trim).filter(|line| !line.is_empty());
    Some(lines.map(|line| Sha256::digest(line).into()).collect())
}

fn parts_of(request: &Request<Incoming>, shared: &Web) -> Result<Parts, Refused> {
    let header = |name| {
        let value = request.headers().get(name);
        value.and_then(|value| value.to_str().ok()).unwrap_or("")
    };
    let kind = header(CONTENT_TYPE);
    let is_related = kind
        .split(';')
        .next()
        .is_some_and(|kind| kind.trim().eq_ignore_ascii_case("multipart/related"));
    let of_files = parameter(kind, "type");
    let of_files = of_files.is_some_and(|kind| kind.eq_ignore_ascii_case("application/dicom"));
    if !is_related || !of_files {
        let says = "Content-Type must be multipart/related; type=\"application/dicom\"";
        return Err(refused(StatusCode::UNSUPPORTED_MEDIA_TYPE, says));
    }
    let length: Option<u64> = header(CONTENT_LENGTH).parse().ok();
    if length.is_some_and(|length| length > shared.settings.max_body_bytes) {
        return Err(too_large(shared));
    }
    let boundary = parameter(kind, "boundary").unwrap_or_default();
    let part_max = usize::try_from(shared.dicom.max_object_bytes).unwrap_or(usize::MAX);
    Parts::new(&boundary, part_max, PARTS_MAX).map_err(|broken| malformed(&broken))
}

fn malformed(what: &dyn std::fmt::Display) -> Refused {
    refused(StatusCode::BAD_REQUEST, format!("malformed: {what}"))
}

fn too_large(shared: &Web) -> Refused {
    let limit = shared.settings.max_body_bytes;
    let says = format!("the body is larger than the {limit} bytes allowed");
    refused(StatusCode::PAYLOAD_TOO_LARGE, says)
}

fn broken_body(broken: Broken, shared: &Web) -> Refused {
    match broken {
        Broken::TooMany(_) => refused(StatusCode::PAYLOAD_TOO_LARGE, broken.to_string()),
        Broken::TooLarge(_) => refused(
            StatusCode::PAYLOAD_TOO_LARGE,
            format!("{broken}, {} as for C-STORE", shared.dicom.max_object_bytes),
        ),
        _ => malformed(&broken),
    }
}
