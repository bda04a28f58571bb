//! What the configuration says of a destination.

use crate::forms::hl7::Route;
use serde::Serialize;
use std::path::PathBuf;
use std::time::Duration;

/// One `[[destination]]` of the configuration.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Destination {
    /// Its name, unique among destinations: letters, digits, dashes.
    pub name: String,
    /// How results get there.
    pub way: Way,
    /// Longest wait for one step: a connection, a handshake, an answer.
    pub timeout: Duration,
}

/// How results get to a destination.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Way {
    /// DICOM C-STORE.
    Dicom(DicomWay),
    /// HL7 v2 over MLLP.
    Mllp(MllpWay),
    /// FHIR transaction by HTTP POST to the base.
    Fhir(HttpWay),
    /// A notice by HTTP POST: the key of the result and where it stands, no patient data.
    Hook(HttpWay),
}

/// A DICOM application entity that takes results.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DicomWay {
    /// Which.
    pub node: DicomNode,
    /// What is sent of a result, in this order; at least one.
    pub objects: Vec<DicomForm>,
}

/// A DICOM application entity.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DicomNode {
    /// Host name or address.
    pub host: String,
    /// TCP port.
    pub port: u16,
    /// The AE title called.
    pub called: String,
    /// Our own AE title.
    pub calling: String,
    /// Without it the connection is not encrypted.
    pub tls: Option<TlsFiles>,
}

/// A DICOM object made of a result.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum DicomForm {
    /// The Comprehensive SR.
    Sr,
    /// The page as Encapsulated PDF.
    Pdf,
}

/// A receiver of HL7 v2 messages.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MllpWay {
    /// Host name or address.
    pub host: String,
    /// TCP port.
    pub port: u16,
    /// Without it the connection is not encrypted.
    pub tls: Option<TlsFiles>,
    /// MSH-3 to MSH-6 and MSH-11.
    pub route: Route,
}

/// A receiver over HTTP.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct HttpWay {
    /// `https://…`; `http://` is not encrypted.
    pub url: String,
    /// For `https`.
    pub tls: TlsFiles,
    /// File with a bearer token, read for every request so that it can be renewed.
    pub bearer: Option<PathBuf>,
}

impl HttpWay {
    /// The files for TLS, where the connection is encrypted.
    #[must_use]
    pub fn encrypted(&self) -> Option<&TlsFiles> {
        self.url.starts_with("https:").then_some(&self.tls)
    }
}

/// PEM files for TLS as a client.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct TlsFiles {
    /// Authorities that may vouch for the receiver; those of the system without it.
    pub ca: Option<PathBuf>,
    /// Our own certificate and its chain, where the receiver asks for one.
    pub certificate: Option<PathBuf>,
    /// Its private key, without a password.
    pub key: Option<PathBuf>,
}
