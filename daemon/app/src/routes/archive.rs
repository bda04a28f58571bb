//! What the configuration says of an archive.

use super::hours::Hours;
use serde::Serialize;
use sheathline_net::connect::node::{DicomNode, HttpWay, TlsFiles};
use std::time::Duration;

/// One `[[archive]]` of the configuration.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Archive {
    /// Its name, unique among archives: letters, digits, dashes.
    pub name: String,
    /// How it is asked.
    pub way: Way,
    /// Longest wait for one step: a connection, a handshake, an answer.
    pub timeout: Duration,
    /// Issuer of patient ids when a report names none.
    pub default_issuer: String,
    /// How much is asked of it, and when.
    pub pace: Pace,
    /// Days asked for at a time.
    pub window_days: u64,
    /// It gives no more answers than this to one question; 0: nothing is known of such a limit.
    pub answers_max: usize,
    /// Results of exams that came from here alone and were more than so many days old are not
    /// delivered; `None`: everything is.
    pub current_days: Option<u32>,
    /// Bytes of an object at most.
    pub object_bytes_max: u64,
}

/// How much is asked of an archive, and when.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Pace {
    /// Objects a second; 0 without limit.
    pub objects_per_s: u32,
    /// Objects in one request.
    pub at_once: usize,
    /// Only in these hours, local time.
    pub hours: Option<Hours>,
}

/// How an archive is asked.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Way {
    /// DICOM Query/Retrieve.
    Dicom(DicomWay),
    /// DICOMweb: QIDO-RS and WADO-RS.
    Web(HttpWay),
}

/// A Query/Retrieve application entity.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DicomWay {
    /// Which.
    pub node: DicomNode,
    /// How its objects come; for C-MOVE the AE title that it sends them to.
    pub retrieve: Retrieve,
}

/// How objects come from an archive.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Retrieve {
    /// By C-GET, over the association that asks.
    Get,
    /// By C-MOVE to this AE title, which is our own running listener.
    Move(String),
}

/// An AE title under which our listener takes the history of an archive.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct HistoryTitle {
    /// The title that the archive calls.
    pub ae_title: String,
    /// Name of the archive.
    pub archive: String,
    /// Issuer of patient ids when a report names none.
    pub default_issuer: String,
    /// As [`Archive::current_days`].
    pub current_days: Option<u32>,
}

impl Way {
    /// The files for TLS, where the connection is encrypted.
    #[must_use]
    pub fn tls(&self) -> Option<&TlsFiles> {
        match self {
            Way::Dicom(way) => way.node.tls.as_ref(),
            Way::Web(way) => way.encrypted(),
        }
    }
}
