//! The settings the configuration's tables hold, with their defaults.
//!
//! Field names are the keys of the file. [`sheathline_model::normalise::Technique`] and
//! [`sheathline_model::assess::Parameters`] are the settings of `[technique]` and `[baseline]`.

use super::destination::DestinationSettings;
use super::senders::TemplateSender;
use ipnet::IpNet;
use serde::Serialize;
use sheathline_model::sr::FallbackCharset;
use sheathline_net::serve::tls::{Sha256Hex, TlsSettings};
use std::net::{Ipv4Addr, SocketAddr};
use std::path::PathBuf;

/// Largest object taken by default, bytes: 64 MiB, far above any structured report.
pub const DEFAULT_MAX_OBJECT_BYTES: u64 = 64 * 1024 * 1024;

/// `[receive.dicom]`: DICOM associations.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DicomSettings {
    /// Whether to listen at all.
    pub enabled: bool,
    /// Addresses and ports without TLS; port 0 lets the system choose one.
    pub listen: Vec<SocketAddr>,
    /// Our own AE title.
    pub ae_title: String,
    /// Whether a caller may use any called AE title.
    pub accept_any_called: bool,
    /// Calling AE titles that may connect; empty means all.
    pub calling_allowed: Vec<String>,
    /// Whether a caller may leave its AE title blank.
    pub accept_blank_calling: bool,
    /// Addresses that may connect; empty means all.
    pub addresses_allowed: Vec<IpNet>,
    /// Load balancers that say in a PROXY header for whom they connect.
    pub proxy_from: Vec<IpNet>,
    /// Open associations at one time.
    pub max_associations: usize,
    /// Of these, how many one address may have.
    pub max_associations_per_peer: usize,
    /// Largest object taken, bytes.
    pub max_object_bytes: u64,
    /// Seconds to wait for an association request after a connection.
    pub association_timeout_s: u64,
    /// Seconds without a message after which an association is aborted.
    pub idle_timeout_s: u64,
    /// Seconds from the first to the last byte of one message.
    pub message_timeout_s: u64,
    /// Seconds a peer may take to read what it is sent.
    pub write_timeout_s: u64,
    /// Issuer of patient ids when a report names none; may be empty.
    pub default_issuer: String,
    /// Character set of reports that declare none; `None`: nothing is assumed.
    pub fallback_charset: Option<FallbackCharset>,
    /// `[receive.dicom.tls]`.
    pub tls: TlsSettings,
    /// `[[receive.dicom.sender]]`: what holds for one sender.
    pub sender: Vec<SenderSettings>,
    /// What happens to objects of classes that are not taken.
    pub other_classes: OtherClasses,
    /// Whether presentation states are taken: as `[templates] presentation_states` says.
    pub presentation_states: bool,
}

/// What happens to objects of classes that are not taken and can hold no sheath value that this
/// program reads.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize)]
pub enum OtherClasses {
    /// Their presentation contexts are refused.
    #[default]
    #[serde(rename = "refuse")]
    Refuse,
    /// They are answered with success, counted, and not kept.
    #[serde(rename = "take-and-drop")]
    TakeAndDrop,
}

/// What happens to an object that cannot be understood.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Malformed {
    /// It is kept in quarantine and answered with success.
    #[default]
    Quarantine,
    /// It is answered with a failure and not kept.
    Refuse,
}

/// `[[receive.dicom.sender]]`: what differs for one sender. Absent keys are as in
/// `[receive.dicom]`.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct SenderSettings {
    /// Its calling AE title.
    pub ae_title: String,
    /// Addresses it comes from; empty means any that may connect.
    pub addresses: Vec<IpNet>,
    /// SHA-256 of the certificates it may show, one of which it then must; empty asks for none.
    pub certificate_sha256: Vec<Sha256Hex>,
    /// What happens to its objects that cannot be understood.
    pub malformed: Malformed,
    /// What happens to its objects of classes that are not taken.
    pub other_classes: Option<OtherClasses>,
    /// Issuer of patient ids when a report of it names none.
    pub default_issuer: Option<String>,
    /// Of all associations, how many it may have open.
    pub max_associations: Option<usize>,
    /// Character set of its reports that declare none; `Some(None)`: nothing is assumed of them.
    pub fallback_charset: Option<Option<FallbackCharset>>,
    /// Site dictionary files for its reports alone.
    pub dictionaries: Vec<PathBuf>,
    /// Host at which it is told what it asked by Storage Commitment; `None`: it may not ask.
    pub commitment_host: Option<String>,
    /// TCP port there.
    pub commitment_port: Option<u16>,
    /// Whether over TLS.
    pub commitment_tls: bool,
    /// Authorities that may vouch for it there.
    pub commitment_ca: Option<PathBuf>,
    /// Our own certificate.
    pub commitment_certificate: Option<PathBuf>,
    /// Its key.
    pub commitment_key: Option<PathBuf>,
    /// Days without an object after which somebody has to look; `None`: its silence is not told.
    pub silent_after_days: Option<u32>,
}

impl Default for DicomSettings {
    fn default() -> Self {
        DicomSettings {
            enabled: true,
            listen: vec![SocketAddr::from((Ipv4Addr::LOCALHOST, 11112))],
            ae_title: "SHEATHLINE".to_owned(),
            accept_any_called: false,
            calling_allowed: Vec::new(),
            accept_blank_calling: false,
            addresses_allowed: Vec::new(),
            proxy_from: Vec::new(),
            max_associations: 200,
            max_associations_per_peer: 50,
            max_object_bytes: DEFAULT_MAX_OBJECT_BYTES,
            association_timeout_s: 30,
            idle_timeout_s: 60,
            message_timeout_s: 120,
            write_timeout_s: 30,
            default_issuer: String::new(),
            fallback_charset: None,
            tls: TlsSettings::default(),
            sender: Vec::new(),
            other_classes: OtherClasses::default(),
            presentation_states: false,
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
    /// Seconds an incomplete file must stay unchanged before it is taken as it is.
    pub unfinished_s: u64,
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
            unfinished_s: 60,
            after: After::Move,
            max_object_bytes: DEFAULT_MAX_OBJECT_BYTES,
            default_issuer: String::new(),
            fallback_charset: None,
        }
    }
}

/// `[templates]`: how reports are understood, beyond what is built in.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct TemplateSettings {
    /// Folder of further templates; `None` uses the built-in ones alone.
    pub folder: Option<PathBuf>,
    /// Site dictionary files, for everybody.
    pub dictionaries: Vec<PathBuf>,
    /// `[[templates.sender]]`: dictionaries for some.
    pub sender: Vec<TemplateSender>,
    /// Whether presentation states are taken and their labelled lines read.
    pub presentation_states: bool,
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
    /// Whether the daemons on one server write into one folder, and not each into its own.
    pub shared: bool,
    /// Whether a result carries a plain text rendering beside its JSON.
    pub text: bool,
    /// Whether a result carries a page with its picture beside its JSON.
    pub html: bool,
    /// Whether a result carries the page as PDF beside its JSON.
    pub pdf: bool,
    /// Whether a result carries a table of its values beside its JSON.
    pub csv: bool,
}

impl Default for OutboxSettings {
    fn default() -> Self {
        OutboxSettings {
            folder: PathBuf::from("sheathline-data/outbox"),
            shared: true,
            text: true,
            html: true,
            pdf: true,
            csv: true,
        }
    }
}

/// `[[destination]]`: where results are delivered to.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct DeliverSettings {
    /// Each destination.
    pub destination: Vec<DestinationSettings>,
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
    /// Addresses of the HTTP port for health and metrics; empty switches it off.
    pub listen: Vec<SocketAddr>,
    /// File of the audit trail; `None` switches it off.
    pub audit: Option<PathBuf>,
    /// `[observe.syslog]`.
    pub syslog: SyslogSettings,
}

/// `[observe.syslog]`: a syslog server that the audit trail is sent to, over TLS.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SyslogSettings {
    /// Host name or address; `None` switches it off.
    pub host: Option<String>,
    /// TCP port.
    pub port: u16,
    /// Authorities that may vouch for the server; `None`: those of the system.
    pub ca: Option<PathBuf>,
    /// Our own certificate, then those that lead to its authority.
    pub certificate: Option<PathBuf>,
    /// Its private key, without a password.
    pub key: Option<PathBuf>,
    /// Seconds to wait for one step: a connection, a handshake, an end.
    pub timeout_s: u64,
}

impl Default for SyslogSettings {
    fn default() -> Self {
        SyslogSettings {
            host: None,
            port: 6514,
            ca: None,
            certificate: None,
            key: None,
            timeout_s: 30,
        }
    }
}
