//! Whom to connect to.

use std::path::PathBuf;

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
