//! The settings of `[receive.hl7]`.

use super::TlsSettings;
use ipnet::IpNet;
use std::net::SocketAddr;

/// `[receive.hl7]`: merges of patient ids by HL7 v2 over MLLP.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Hl7Settings {
    /// Addresses and ports without TLS; empty: none.
    pub listen: Vec<SocketAddr>,
    /// Addresses that may connect; empty means all.
    pub addresses_allowed: Vec<IpNet>,
    /// Load balancers that say in a PROXY header for whom they connect.
    pub proxy_from: Vec<IpNet>,
    /// Open connections at one time.
    pub max_connections: usize,
    /// Largest message taken, bytes.
    pub max_message_bytes: usize,
    /// Seconds without a message after which a connection is closed.
    pub idle_timeout_s: u64,
    /// Seconds from the first to the last byte of one message.
    pub message_timeout_s: u64,
    /// Seconds a peer may take to read its answer.
    pub write_timeout_s: u64,
    /// Issuer of patient ids without an assigning authority; empty: such ids are refused.
    pub default_issuer: String,
    /// `[receive.hl7.tls]`.
    pub tls: TlsSettings,
    /// `[[receive.hl7.authority]]`: assigning authorities with another name than the issuer has.
    pub authority: Vec<AuthoritySettings>,
}

/// `[[receive.hl7.authority]]`: which issuer an assigning authority is.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct AuthoritySettings {
    /// Namespace id of the assigning authority (CX.4.1), or its universal id (CX.4.2) where messages
    /// have that alone.
    pub authority: String,
    /// Issuer of Patient ID as the objects name it; may be empty.
    pub issuer: String,
}

impl Default for Hl7Settings {
    fn default() -> Self {
        Hl7Settings {
            listen: Vec::new(),
            addresses_allowed: Vec::new(),
            proxy_from: Vec::new(),
            max_connections: 16,
            max_message_bytes: 256 * 1024,
            idle_timeout_s: 3600,
            message_timeout_s: 30,
            write_timeout_s: 30,
            default_issuer: String::new(),
            tls: TlsSettings::default(),
            authority: Vec::new(),
        }
    }
}
