//! Published results to other systems, each by its own way.
//!
//! A [`Carrier`] brings one result to one destination and says how it ended; when to try, in which
//! order and what to keep of the answer is decided outside it. Equal results are equal bytes under
//! equal identifiers, so a delivery that is repeated after a crash is recognised by the receiver.

#[cfg(feature = "edges")]
pub mod connect;
#[cfg(feature = "edges")]
pub(crate) mod dicom;
#[cfg(feature = "edges")]
mod fhir;
#[cfg(feature = "edges")]
mod hook;
#[cfg(feature = "edges")]
pub(crate) mod http;
#[cfg(feature = "edges")]
pub mod mllp;
pub mod retry;
#[cfg(feature = "edges")]
pub mod syslog;
#[cfg(feature = "edges")]
mod tls;
pub mod way;
#[cfg(feature = "edges")]
pub mod worker;
#[cfg(feature = "edges")]
pub mod workers;

use crate::forms::{Context, FormError};
use crate::render::{Content, Envelope};
use serde::Serialize;
use std::fmt;
use std::time::Duration;

/// One result with what its forms need.
pub struct Parcel {
    /// The result.
    pub result: Envelope,
    /// Its sources and the version before it.
    pub context: Context,
    /// Results of the same patient that stood when this one was made, for the picture.
    pub others: Vec<Content>,
}

/// Brings results to one destination. Blocks; every wait inside it is bounded by
/// [`way::Destination::timeout`].
pub trait Carrier: Send {
    /// Delivers one result. `Ok` only when the receiver has said that it took all of it, or that it
    /// had it already.
    ///
    /// # Errors
    /// Where it failed, in whose words, and whether trying again can help.
    fn deliver(&mut self, parcel: &Parcel) -> Result<(), Failure>;

    /// Goes the way without delivering: the stages passed, in order.
    ///
    /// # Errors
    /// The first stage that is not passed.
    fn echo(&mut self) -> Result<Vec<Stage>, Failure>;
}

/// What brings results to this destination.
#[cfg(feature = "edges")]
#[must_use]
pub fn carrier(destination: &way::Destination) -> Box<dyn Carrier> {
    let timeout = destination.timeout;
    match destination.way.clone() {
        way::Way::Dicom(way) => Box::new(dicom::Dicom { way, timeout }),
        way::Way::Mllp(way) => Box::new(mllp::Mllp::new(way, timeout)),
        way::Way::Fhir(way) => Box::new(fhir::Fhir { way, timeout }),
        way::Way::Hook(way) => Box::new(hook::Hook { way, timeout }),
    }
}

/// Reads the files that a destination names, as every delivery does.
///
/// # Errors
/// One of them is missing, is something else, or does not fit the others.
#[cfg(feature = "edges")]
pub fn check_files(destination: &way::Destination) -> Result<(), Failure> {
    let (files, bearer) = match &destination.way {
        way::Way::Dicom(way) => (way.node.tls.as_ref(), None),
        way::Way::Mllp(way) => (way.tls.as_ref(), None),
        way::Way::Fhir(way) | way::Way::Hook(way) => (way.encrypted(), way.bearer.as_deref()),
    };
    bearer.map(tls::read).transpose()?;
    check_tls(files)
}

/// Reads the files for TLS, if there is to be any, as every connection does.
///
/// # Errors
/// As [`check_files`].
#[cfg(feature = "edges")]
pub fn check_tls(files: Option<&way::TlsFiles>) -> Result<(), Failure> {
    files.map(tls::client).transpose()?;
    Ok(())
}

/// How far on its way a delivery, or an echo, has come.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Stage {
    /// The form for this destination is made of the result.
    Form,
    /// The files it needs (certificates, keys, tokens) are read.
    Files,
    /// Its name is an address (DNS).
    Name,
    /// A TCP connection stands.
    Connect,
    /// The TLS handshake is done: names, authorities, certificates on both sides.
    Tls,
    /// The DICOM association is accepted: AE titles, presentation contexts.
    Association,
    /// The receiver answered what was sent: DIMSE status, acknowledgement code, HTTP status.
    Answer,
}

/// A delivery that did not succeed.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, thiserror::Error)]
#[error("{stage}: {words}")]
pub struct Failure {
    /// The stage that was not passed.
    pub stage: Stage,
    /// What happened, in the receiver's own words where it said something. No patient data of
    /// ours; a receiver may quote some, so it is kept in the store and never logged.
    pub words: String,
    /// Whether the same result will fail in the same way again, so that trying again is useless.
    pub lasts: bool,
    /// A short code for logs and metrics, of letters, digits and dashes: `connect-refused`,
    /// `status-0110`, `ack-ar`, `http-422`.
    pub code: String,
    /// The receiver asks not to be tried again before.
    #[serde(skip)]
    pub not_before: Option<Duration>,
}

impl Failure {
    /// One that may be over when it is tried again.
    pub(crate) fn new(stage: Stage, code: &str, words: impl Into<String>) -> Self {
        Failure {
            stage,
            words: words.into(),
            lasts: false,
            code: code.to_owned(),
            not_before: None,
        }
    }

    /// One of the answer that may be over when it is tried again.
    #[cfg(feature = "edges")]
    pub(crate) fn answer(code: &str, words: impl Into<String>) -> Self {
        Failure::new(Stage::Answer, code, words)
    }

    /// The same, where it is known whether it lasts.
    pub(crate) fn lasting(self, lasts: bool) -> Self {
        Failure { lasts, ..self }
    }
}

impl From<FormError> for Failure {
    fn from(error: FormError) -> Self {
        Failure::new(Stage::Form, "form", error.to_string()).lasting(true)
    }
}

impl fmt::Display for Stage {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Stage::Form => "making the form",
            Stage::Files => "reading files",
            Stage::Name => "looking up the name",
            Stage::Connect => "connecting",
            Stage::Tls => "TLS handshake",
            Stage::Association => "DICOM association",
            Stage::Answer => "the answer",
        })
    }
}
