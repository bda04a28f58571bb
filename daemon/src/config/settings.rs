//! The settings the configuration's tables hold, with their defaults.
//!
//! Field names are the keys of the file. [`crate::normalise::Technique`] and
//! [`crate::assess::Parameters`] are the settings of `[technique]` and `[baseline]`.

use crate::sr::FallbackCharset;
use serde::Serialize;
use std::net::{Ipv4Addr, SocketAddr};
use std::path::PathBuf;

/// Largest object taken by default, bytes: 64 MiB, far above any structured report.
pub const DEFAULT_MAX_OBJECT_BYTES: u64 = 64 * 1024 * 1024;

/// `[receive.dicom]`: DICOM associations.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DicomSettings {
    /// Whether to listen at all.
    pub enabled: bool,
    /// Address and port; port 0 lets the system choose one.
    pub listen: SocketAddr,
    /// Our own AE title.
    pub ae_title: String,
    /// Whether a caller may use any called AE title.
    pub accept_any_called: bool,
    /// Calling AE titles that may connect; empty means all.
    pub calling_allowed: Vec<String>,
    /// Open associations at one time.
    pub max_associations: usize,
    /// Largest object taken, bytes.
    pub max_object_bytes: u64,
    /// Seconds to wait for an association request after a connection.
    pub association_timeout_s: u64,
    /// Seconds without a message after which an association is aborted.
    pub idle_timeout_s: u64,
    /// Seconds from the first to the last byte of one message.
    pub message_timeout_s: u64,
    /// Issuer of patient ids when a report names none; may be empty.
    pub default_issuer: String,
    /// Character set of reports that declare none; `None`: nothing is assumed.
    pub fallback_charset: Option<FallbackCharset>,
    /// `[[receive.dicom.sender]]`: what holds for one sender.
    pub sender: Vec<SenderSettings>,
}

/// `[[receive.dicom.sender]]`: what differs for one sender. Absent keys are as in
/// `[receive.dicom]`.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct SenderSettings {
    /// Its calling AE title.
    pub ae_title: String,
    /// Character set of its reports that declare none; `Some(None)`: nothing is assumed of them.
    pub fallback_charset: Option<Option<FallbackCharset>>,
}

impl Default for DicomSettings {
    fn default() -> Self {
        DicomSettings {
            enabled: true,
            listen: SocketAddr::from((Ipv4Addr::LOCALHOST, 11112)),
            ae_title: "SHEATHLINE".to_owned(),
            accept_any_called: false,
            calling_allowed: Vec::new(),
            max_associations: 200,
            max_object_bytes: DEFAULT_MAX_OBJECT_BYTES,
            association_timeout_s: 30,
            idle_timeout_s: 60,
            message_timeout_s: 120,
            default_issuer: String::new(),
            fallback_charset: None,
            sender: Vec::new(),
        }
    }
}

/// What happens to a file of the drop folder once it is safely stored.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum After {
    /// It moves to the subfolder `done`.
    #[default]
    Move,
    /// It is deleted.
    Delete,
}

/// `[receive.folder]`: the drop folder.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FolderSettings {
    /// The folder; `None` switches it off.
    pub path: Option<PathBuf>,
    /// Milliseconds between two looks at the whole folder.
    pub scan_every_ms: u64,
    /// Milliseconds a file must stay unchanged before it is read.
    pub settle_ms: u64,
    /// What happens to a file once it is safely stored.
    pub after: After,
    /// Largest object taken, bytes.
    pub max_object_bytes: u64,
    /// Issuer of patient ids when a report names none; may be empty.
    pub default_issuer: String,
    /// Character set of reports that declare none; `None`: nothing is assumed.
    pub fallback_charset: Option<FallbackCharset>,
}

impl Default for FolderSettings {
    fn default() -> Self {
        FolderSettings {
            path: None,
            scan_every_ms: 2000,
            settle_ms: 1000,
            after: After::Move,
            max_object_bytes: DEFAULT_MAX_OBJECT_BYTES,
            default_issuer: String::new(),
            fallback_charset: None,
        }
    }
}

/// `[store]`: the database.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StoreSettings {
    /// The database file.
    pub path: PathBuf,
    /// Whether pictures keep their pixels once their calibration was read.
    pub keep_pixels: bool,
}

impl Default for StoreSettings {
    fn default() -> Self {
        StoreSettings {
            path: PathBuf::from("sheathline-data/store.sqlite"),
            keep_pixels: false,
        }
    }
}

/// `[templates]`: how reports are understood, beyond what is built in.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct TemplateSettings {
    /// Folder of further templates; `None` uses the built-in ones alone.
    pub folder: Option<PathBuf>,
    /// Site dictionary files.
    pub dictionaries: Vec<PathBuf>,
}

/// `[context]`: published figures beside a result.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct ContextSettings {
    /// Whether results show published widths and cutoffs; they never enter a status.
    pub show: bool,
}

/// `[outbox]`: finished results.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct OutboxSettings {
    /// The folder results are written to.
    pub folder: PathBuf,
    /// Whether a result carries a plain text rendering beside its JSON.
    pub text: bool,
    /// Whether a result carries a page with its picture beside its JSON.
    pub html: bool,
}

impl Default for OutboxSettings {
    fn default() -> Self {
        OutboxSettings {
            folder: PathBuf::from("sheathline-data/outbox"),
            text: true,
            html: true,
        }
    }
}

/// How much is logged.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum LogLevel {
    /// Only what needs a person.
    Error,
    /// And what may need one.
    Warn,
    /// And what was done.
    #[default]
    Info,
    /// And how.
    Debug,
}

impl LogLevel {
    /// The word used in the file.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            LogLevel::Error => "error",
            LogLevel::Warn => "warn",
            LogLevel::Info => "info",
            LogLevel::Debug => "debug",
        }
    }
}

/// For whom a log line is written.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum LogFormat {
    /// People.
    #[default]
    Text,
    /// Programs: one JSON object a line.
    Json,
}

/// `[observe]`: what the service tells about itself.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct ObserveSettings {
    /// How much is logged.
    pub log: LogLevel,
    /// For whom.
    pub log_format: LogFormat,
}
