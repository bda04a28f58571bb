//! What the configuration says of a destination.

use serde::Serialize;
use sheathline_model::forms::hl7::Route;
use sheathline_model::results::Wanted;
use sheathline_net::connect::node::{DicomNode, HttpWay, TlsFiles};
use std::time::Duration;

/// One `[[destination]]` of the configuration.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Destination {
    /// Its name, unique among destinations: letters, digits, dashes.
    pub name: String,
    /// How results get there.
    pub way: Way,
    /// Which of them.
    pub wanted: Wanted,
    /// Longest wait for one step: a connection, a handshake, an answer.
    pub timeout: Duration,
}

/// A destination as results are published to it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Taker {
    /// Its name.
    pub name: String,
    /// Which results it wants.
    pub wanted: Wanted,
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
    Hook(HookWay),
}

/// Where notices go.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct HookWay {
    /// Where, with token and TLS.
    pub http: HttpWay,
    /// Whether they tell the status.
    pub tell_status: bool,
}

/// A DICOM application entity that takes results.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DicomWay {
    /// Which.
    pub node: DicomNode,
    /// What is sent, of a result in this order; at least one.
    pub objects: Vec<DicomForm>,
}

/// A kind of DICOM objects that go to an archive.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum DicomForm {
    /// The Comprehensive SR.
    Sr,
    /// The page as Encapsulated PDF.
    Pdf,
    /// The reports that people typed, as they are stored, each once.
    Entered,
}

impl Way {
    /// Whether results go there; to an archive that takes typed reports alone none do.
    #[must_use]
    pub fn takes_results(&self) -> bool {
        match self {
            Way::Dicom(way) => way.objects.iter().any(|form| *form != DicomForm::Entered),
            Way::Mllp(_) | Way::Fhir(_) | Way::Hook(_) => true,
        }
    }

    /// Whether the reports that people typed go there.
    #[must_use]
    pub fn takes_entered(&self) -> bool {
        match self {
            Way::Dicom(way) => way.objects.contains(&DicomForm::Entered),
            Way::Mllp(_) | Way::Fhir(_) | Way::Hook(_) => false,
        }
    }
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
