//! The settings of `[receive.web]`.

use super::TlsSettings;
use ipnet::IpNet;
use std::net::SocketAddr;
use std::path::PathBuf;

/// `[receive.web]`: objects by the Store transaction of DICOMweb.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct WebSettings {
    /// Addresses and ports without TLS; empty: none.
    pub listen: Vec<SocketAddr>,
    /// Addresses that may connect; empty means all.
    pub addresses_allowed: Vec<IpNet>,
    /// Load balancers that say in a PROXY header for whom they connect.
    pub proxy_from: Vec<IpNet>,
    /// File of bearer tokens, one a line, of which each request must show one; `None` asks for none.
    pub bearer: Option<PathBuf>,
    /// Open connections at one time.
    pub max_connections: usize,
    /// Largest body taken, bytes.
    pub max_body_bytes: u64,
    /// Seconds without a byte, between requests or within one.
    pub idle_timeout_s: u64,
    /// Seconds from the head to the end of one request.
    pub request_timeout_s: u64,
    /// `[receive.web.tls]`.
    pub tls: TlsSettings,
}

impl Default for WebSettings {
    fn default() -> Self {
        WebSettings {
            listen: Vec::new(),
            addresses_allowed: Vec::new(),
            proxy_from: Vec::new(),
            bearer: None,
            max_connections: 32,
            max_body_bytes: 1 << 30,
            idle_timeout_s: 30,
            request_timeout_s: 600,
            tls: TlsSettings::default(),
        }
    }
}
