//! What a table of the configuration says of TLS at our ports.

use serde::Serialize;
use std::net::SocketAddr;
use std::path::PathBuf;

/// Whether a peer has to show a certificate of its own.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum ClientCertificate {
    /// Without one there is no connection.
    #[default]
    Required,
    /// It may; one that is shown has to be good.
    Optional,
    /// None is asked for.
    Off,
}

/// How TLS is spoken at the ports of one service: a table such as `[receive.dicom.tls]`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TlsSettings {
    /// Addresses and ports; empty switches TLS off.
    pub listen: Vec<SocketAddr>,
    /// Our own certificate and what leads from it to its authority, PEM.
    pub certificate: Option<PathBuf>,
    /// The key of our own certificate, PEM.
    pub key: Option<PathBuf>,
    /// Authorities that certificates of peers are checked against, PEM.
    pub client_ca: Option<PathBuf>,
    /// Whether a peer has to show a certificate.
    pub client_certificate: ClientCertificate,
    /// Handshakes under way at one time.
    pub max_handshakes: usize,
    /// Seconds from the connection to the end of the handshake.
    pub handshake_timeout_s: u64,
}

impl Default for TlsSettings {
    fn default() -> Self {
        TlsSettings {
            listen: Vec::new(),
            certificate: None,
            key: None,
            client_ca: None,
            client_certificate: ClientCertificate::Required,
            max_handshakes: 256,
            handshake_timeout_s: 10,
        }
    }
}

/// The SHA-256 of a certificate in its binary form (DER).
#[derive(Clone, Copy, PartialEq, Eq)]
pub struct Sha256Hex(pub [u8; 32]);

impl Sha256Hex {
    /// Reads 64 hexadecimal digits, with or without colons, as `openssl x509 -fingerprint` prints
    /// them.
    #[must_use]
    pub fn parse(text: &str) -> Option<Self> {
        let digits: Option<Vec<u8>> = text
            .trim()
            .chars()
            .filter(|c| *c != ':')
            .map(|c| c.to_digit(16).and_then(|digit| u8::try_from(digit).ok()))
            .collect();
        let digits = digits?;
        let bytes: Vec<u8> = digits
            .chunks_exact(2)
            .map(|two| two.iter().fold(0, |byte, digit| byte << 4 | digit))
            .collect();
        (digits.len() == 64).then(|| bytes.try_into().ok().map(Sha256Hex))?
    }
}

impl std::fmt::Display for Sha256Hex {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        self.0.iter().try_for_each(|byte| write!(f, "{byte:02x}"))
    }
}

impl std::fmt::Debug for Sha256Hex {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{self}")
    }
}

impl Serialize for Sha256Hex {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}
