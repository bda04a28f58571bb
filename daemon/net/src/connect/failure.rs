//! How far it came, and why it did not come further.

use super::Code;
use serde::Serialize;
use std::fmt;
use std::time::Duration;

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
    /// What it is, for logs and metrics.
    pub code: Code,
    /// The receiver asks not to be tried again before.
    #[serde(skip)]
    pub not_before: Option<Duration>,
}

impl Failure {
    /// One that may be over when it is tried again.
    pub fn new(stage: Stage, code: impl Into<Code>, words: impl Into<String>) -> Self {
        Failure {
            stage,
            words: words.into(),
            lasts: false,
            code: code.into(),
            not_before: None,
        }
    }

    /// One of the answer that may be over when it is tried again.
    pub fn answer(code: impl Into<Code>, words: impl Into<String>) -> Self {
        Failure::new(Stage::Answer, code, words)
    }

    /// The same, where it is known whether it lasts.
    pub fn lasting(self, lasts: bool) -> Self {
        Failure { lasts, ..self }
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
