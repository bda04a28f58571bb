//! TLS 1.2 and 1.3 in front of whatever is served.
//!
//! DICOM PS3.15 B.12 (BCP 195: RFC 8996 and RFC 9325): nothing older than TLS 1.2, only suites
//! with authenticated encryption and forward secrecy, and no way down from TLS: on this port there
//! is no plain association, whatever the peer asks for. `rustls` speaks nothing else.

mod offer;
mod settings;

pub(super) use offer::{Offer, Tls, TlsRefusal};
pub use settings::{ClientCertificate, Sha256Hex, TlsSettings};

use std::fs;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, SystemTime};
use tokio_rustls::rustls::crypto::ring;
use tokio_rustls::rustls::pki_types::pem::{Error as PemError, PemObject};
use tokio_rustls::rustls::pki_types::{CertificateDer, PrivateKeyDer};
use tokio_rustls::rustls::server::{NoServerSessionStorage, WebPkiClientVerifier};
use tokio_rustls::rustls::version::{TLS12, TLS13};
use tokio_rustls::rustls::{Error as RustlsError, RootCertStore, ServerConfig};
use x509_cert::Version;
use x509_cert::der::Decode;

/// How long before the end of our certificate the log begins to warn.
const WARN_BEFORE: Duration = Duration::from_secs(30 * 24 * 3600);

/// A key of the configuration.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Key {
    /// Its table.
    pub table: &'static str,
    /// Its name.
    pub name: &'static str,
}

impl std::fmt::Display for Key {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "[{}] {}", self.table, self.name)
    }
}

/// TLS could not be set up.
#[derive(Debug, thiserror::Error)]
pub enum TlsError {
    /// A key of the configuration that TLS needs is empty.
    #[error("{0} is empty; name a file")]
    Unnamed(Key),
    /// A file cannot be read.
    #[error("{}: {source}; {key} names it", path.display())]
    File {
        /// The key of the configuration.
        key: Key,
        /// The file.
        path: PathBuf,
        /// What the system says.
        source: std::io::Error,
    },
    /// A file does not hold what it should.
    #[error("{}: {what}; {key} names it", path.display())]
    Content {
        /// The key of the configuration.
        key: Key,
        /// The file.
        path: PathBuf,
        /// What is wrong.
        what: String,
    },
    /// Our certificate does not hold now.
    #[error("{}: the certificate {what}; {key} names it", path.display())]
    NotNow {
        /// The key of the configuration.
        key: Key,
        /// The file.
        path: PathBuf,
        /// Since when, or from when on.
        what: String,
    },
    /// Key and certificate are each good and belong to others.
    #[error("{} is not the key of {}; name the key the certificate was made for", key.display(), certificate.display())]
    Mismatch {
        /// The key.
        key: PathBuf,
        /// The certificate.
        certificate: PathBuf,
    },
}

/// What the files of the settings come to.
pub struct Loaded {
    config: ServerConfig,
    /// End of our own certificate.
    pub expires: SystemTime,
    /// What should be put right, though it works.
    pub warnings: Vec<String>,
}

impl TlsError {
    /// In words that name no file and no key: for whoever may know that, and no more.
    #[must_use]
    pub fn in_short(&self) -> &'static str {
        match self {
            TlsError::Unnamed(_) => "the configuration does not name all of its files",
            TlsError::File { .. } => "one of its files cannot be read",
            TlsError::Content { .. } => "one of its files does not hold what it should",
            TlsError::NotNow { .. } => "its certificate does not hold now",
            TlsError::Mismatch { .. } => "its key and its certificate belong to others",
        }
    }
}

/// Reads and checks the files that the settings in `table` name.
///
/// # Errors
/// One of them is missing, is something else, does not fit the others, or is out of date at `now`.
pub fn load(
    table: &'static str,
    settings: &TlsSettings,
    now: SystemTime,
) -> Result<Loaded, TlsError> {
    let of = |name| Key { table, name };
    let certificate = named(of("certificate"), settings.certificate.as_deref())?;
    let key = named(of("key"), settings.key.as_deref())?;
    let chain = certificates(of("certificate"), certificate)?;
    let mut warnings = Vec::new();
    let expires = valid_until(of("certificate"), certificate, &chain, now)?;
    if expires
        .duration_since(now)
        .is_ok_and(|left| left < WARN_BEFORE)
    {
        let path = certificate.display();
        warnings.push(format!("{path} ends on {}; renew it", day(expires)));
    }
    if others_may_read(key) {
        let path = key.display();
        warnings.push(format!(
            "{path} can be read by others; chmod 600 keeps the key to its owner"
        ));
    }

    let provider = Arc::new(ring::default_provider());
    let broken = |key, path: &Path, what: &dyn std::fmt::Display| TlsError::Content {
        key,
        path: path.to_owned(),
        what: what.to_string(),
    };
    let builder = ServerConfig::builder_with_provider(Arc::clone(&provider))
        .with_protocol_versions(&[&TLS13, &TLS12])
        .map_err(|error| broken(of("certificate"), certificate, &error))?;
    let builder = if settings.client_certificate == ClientCertificate::Off {
        builder.with_no_client_auth()
    } else {
        let path = named(of("client_ca"), settings.client_ca.as_deref())?;
        let mut authorities = RootCertStore::empty();
        for authority in certificates(of("client_ca"), path)? {
            let added = authorities.add(authority);
            added.map_err(|error| broken(of("client_ca"), path, &error))?;
        }
        let verifier = WebPkiClientVerifier::builder_with_provider(Arc::new(authorities), provider);
        let verifier = match settings.client_certificate {
            ClientCertificate::Optional => verifier.allow_unauthenticated(),
            _ => verifier,
        };
        let verifier = verifier.build();
        builder.with_client_cert_verifier(verifier.map_err(|e| broken(of("client_ca"), path, &e))?)
    };
    let mut config = builder
        .with_single_cert(chain, private_key(of("key"), key)?)
        .map_err(|error| match error {
            RustlsError::InconsistentKeys(_) => TlsError::Mismatch {
                key: key.to_owned(),
                certificate: certificate.to_owned(),
            },
            other @ RustlsError::InvalidCertificate(_) => {
                broken(of("certificate"), certificate, &other)
            }
            other => broken(of("key"), key, &other),
        })?;
    // Each association shows its certificate anew: one that has ended since opens nothing.
    config.session_storage = Arc::new(NoServerSessionStorage {});
    config.send_tls13_tickets = 0;
    Ok(Loaded {
        config,
        expires,
        warnings,
    })
}

fn named(key: Key, path: Option<&Path>) -> Result<&Path, TlsError> {
    path.ok_or(TlsError::Unnamed(key))
}

fn read(key: Key, path: &Path) -> Result<Vec<u8>, TlsError> {
    fs::read(path).map_err(|source| TlsError::File {
        key,
        path: path.to_owned(),
        source,
    })
}

fn certificates(key: Key, path: &Path) -> Result<Vec<CertificateDer<'static>>, TlsError> {
    let content = |what: String| TlsError::Content {
        key,
        path: path.to_owned(),
        what,
    };
    let found: Result<Vec<_>, _> = CertificateDer::pem_slice_iter(&read(key, path)?).collect();
    let found = found.map_err(|error| content(format!("no good PEM file: {error}")))?;
    if found.is_empty() {
        Err(content("holds no certificate in PEM form".to_owned()))
    } else {
        Ok(found)
    }
}

fn private_key(key: Key, path: &Path) -> Result<PrivateKeyDer<'static>, TlsError> {
    PrivateKeyDer::from_pem_slice(&read(key, path)?).map_err(|error| TlsError::Content {
        key,
        path: path.to_owned(),
        what: match error {
            PemError::NoItemsFound => {
                "holds no private key in PEM form, or one with a password".to_owned()
            }
            other => format!("no good PEM file: {other}"),
        },
    })
}

/// The end of the first certificate, if it holds at `now`.
fn valid_until(
    key: Key,
    path: &Path,
    chain: &[CertificateDer<'_>],
    now: SystemTime,
) -> Result<SystemTime, TlsError> {
    let content = |what: String| TlsError::Content {
        key,
        path: path.to_owned(),
        what,
    };
    let own = chain.first().map(AsRef::as_ref).unwrap_or_default();
    let own = x509_cert::Certificate::from_der(own)
        .map_err(|error| content(format!("the first certificate is malformed: {error}")))?;
    if own.tbs_certificate().version() != Version::V3 {
        let old = "the certificate is of an X.509 version before 3, which peers do not take; \
                   have it made with extensions, such as subjectAltName";
        return Err(content(old.to_owned()));
    }
    let validity = own.tbs_certificate().validity();
    let begin = validity.not_before.to_system_time();
    let end = validity.not_after.to_system_time();
    let not_now = |what: String| TlsError::NotNow {
        key,
        path: path.to_owned(),
        what,
    };
    if end < now {
        return Err(not_now(format!("ended on {}; renew it", day(end))));
    }
    if begin > now {
        let begin = day(begin);
        return Err(not_now(format!(
            "begins on {begin}; is the clock of this machine right?"
        )));
    }
    Ok(end)
}

fn day(time: SystemTime) -> String {
    let time = chrono::DateTime::<chrono::Utc>::from(time);
    time.format("%Y-%m-%d %H:%M UTC").to_string()
}

#[cfg(unix)]
fn others_may_read(path: &Path) -> bool {
    use std::os::unix::fs::PermissionsExt;
    fs::metadata(path).is_ok_and(|file| file.permissions().mode() & 0o077 != 0)
}
