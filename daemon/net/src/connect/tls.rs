//! TLS 1.2 and 1.3 as a client, by the same profile as our own ports: PS3.15 B.12 (BCP 195: RFC
//! 8996 and RFC 9325), which is all that `rustls` speaks.
//!
//! The files are read for every connection, so that a renewed one counts without a new start.

use super::{Failure, Stage, Word};
use crate::connect::node::TlsFiles;
use std::fs;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use tokio_rustls::rustls::client::{Resumption, WebPkiServerVerifier};
use tokio_rustls::rustls::crypto::ring;
use tokio_rustls::rustls::pki_types::pem::{Error as PemError, PemObject};
use tokio_rustls::rustls::pki_types::{CertificateDer, PrivateKeyDer};
use tokio_rustls::rustls::sign::CertifiedKey;
use tokio_rustls::rustls::version::{TLS12, TLS13};
use tokio_rustls::rustls::{
    AlertDescription, CertificateError, ClientConfig, Error as RustlsError, RootCertStore,
    SignatureScheme,
};

/// What the files come to.
pub struct Client {
    /// What is shown and asked for.
    pub config: Arc<ClientConfig>,
    /// Whether a receiver asked for a certificate of ours, of which there is none.
    pub asked: Arc<AtomicBool>,
}

/// Reads the files.
///
/// # Errors
/// One of them is missing, is something else, or does not fit the others.
pub fn client(files: &TlsFiles) -> Result<Client, Failure> {
    let roots = match &files.ca {
        Some(path) => authorities(path)?,
        None => of_the_system()?,
    };
    let broken = |error: &dyn std::fmt::Display| {
        Failure::new(Stage::Files, Word::TlsSetup, error.to_string())
    };
    let provider = Arc::new(ring::default_provider());
    let verifier = WebPkiServerVerifier::builder_with_provider(Arc::new(roots), provider.clone())
        .build()
        .map_err(|error| broken(&error))?;
    let builder = ClientConfig::builder_with_provider(provider)
        .with_protocol_versions(&[&TLS13, &TLS12])
        .map_err(|error| broken(&error))?
        .with_webpki_verifier(verifier);
    let asked = Arc::new(AtomicBool::new(false));
    let mut config = match (&files.certificate, &files.key) {
        (None, None) => builder.with_client_cert_resolver(Arc::new(NoCertificate(asked.clone()))),
        (Some(certificate), Some(key)) => builder
            .with_client_auth_cert(certificates(certificate)?, private_key(key)?)
            .map_err(|error| match error {
                RustlsError::InconsistentKeys(_) => Failure::new(
                    Stage::Files,
                    Word::KeyMismatch,
                    format!(
                        "{} is not the key of {}; name the key the certificate was made for",
                        key.display(),
                        certificate.display()
                    ),
                ),
                other => content(key, &other.to_string()),
            })?,
        _ => {
            let words = "certificate and key of a destination belong together; name both or none";
            return Err(Failure::new(
                Stage::Files,
                Word::KeyMismatch,
                words.to_owned(),
            ));
        }
    };
    // Every connection shows and sees the certificates anew.
    config.resumption = Resumption::disabled();
    Ok(Client {
        config: Arc::new(config),
        asked,
    })
}

/// Has no certificate, and remembers that one was wanted.
#[derive(Debug)]
struct NoCertificate(Arc<AtomicBool>);

impl tokio_rustls::rustls::client::ResolvesClientCert for NoCertificate {
    fn resolve(&self, _: &[&[u8]], _: &[SignatureScheme]) -> Option<Arc<CertifiedKey>> {
        self.0.store(true, Ordering::Relaxed);
        None
    }

    fn has_certs(&self) -> bool {
        false
    }
}

fn authorities(path: &Path) -> Result<RootCertStore, Failure> {
    let mut roots = RootCertStore::empty();
    for authority in certificates(path)? {
        let added = roots.add(authority);
        added.map_err(|error| content(path, &error.to_string()))?;
    }
    Ok(roots)
}

fn of_the_system() -> Result<RootCertStore, Failure> {
    let found = rustls_native_certs::load_native_certs();
    let mut roots = RootCertStore::empty();
    // Authorities that are no good vouch for nobody; the others stand.
    roots.add_parsable_certificates(found.certs);
    if roots.is_empty() {
        let words = "the system has no certificate authorities (Debian: apt install \
                     ca-certificates); install them, or name one with ca";
        return Err(Failure::new(
            Stage::Files,
            Word::FileMissing,
            words.to_owned(),
        ));
    }
    Ok(roots)
}

fn certificates(path: &Path) -> Result<Vec<CertificateDer<'static>>, Failure> {
    let found: Result<Vec<_>, _> = CertificateDer::pem_slice_iter(&read(path)?).collect();
    match found {
        Ok(found) if found.is_empty() => Err(content(path, "holds no certificate in PEM form")),
        Ok(found) => Ok(found),
        Err(error) => Err(content(path, &format!("no good PEM file: {error}"))),
    }
}

fn private_key(path: &Path) -> Result<PrivateKeyDer<'static>, Failure> {
    PrivateKeyDer::from_pem_slice(&read(path)?).map_err(|error| match error {
        PemError::NoItemsFound => content(
            path,
            "holds no private key in PEM form, or one with a password",
        ),
        // What is wrong with a key may quote it.
        _ => content(path, "no good PEM file of a private key"),
    })
}

/// Reads a file that a destination names.
pub fn read(path: &Path) -> Result<Vec<u8>, Failure> {
    fs::read(path).map_err(|error| {
        let code = match error.kind() {
            std::io::ErrorKind::NotFound => Word::FileMissing,
            _ => Word::FileUnreadable,
        };
        Failure::new(Stage::Files, code, format!("{}: {error}", path.display()))
    })
}

/// A file does not hold what it should.
pub fn content(path: &Path, what: &str) -> Failure {
    Failure::new(
        Stage::Files,
        Word::FileContent,
        format!("{}: {what}", path.display()),
    )
}

/// Why a handshake failed: a code, and what to do where that is not plain. `asked`: the receiver
/// wanted a certificate of ours and there is none.
pub fn refusal(error: &RustlsError, asked: bool) -> (Word, &'static str) {
    use AlertDescription as Alert;
    use CertificateError as Of;
    match error {
        RustlsError::InvalidCertificate(why) => match why {
            Of::UnknownIssuer | Of::BadSignature => (
                Word::TlsUnknownAuthority,
                "no authority we trust vouches for the receiver; name its authority with ca",
            ),
            Of::NotValidForName | Of::NotValidForNameContext { .. } => (
                Word::TlsName,
                "the receiver's certificate is for another name; use that name, or have it \
                 certified for this one",
            ),
            Of::Expired | Of::ExpiredContext { .. } => (
                Word::TlsExpired,
                "the receiver's certificate has ended; it is to be renewed there",
            ),
            Of::NotValidYet | Of::NotValidYetContext { .. } => (
                Word::TlsNotYetValid,
                "the receiver's certificate has not begun; is the clock of this machine right?",
            ),
            _ => (
                Word::TlsCertificate,
                "the receiver's certificate is not accepted; one that signs itself must not be \
                 marked as an authority",
            ),
        },
        RustlsError::AlertReceived(Alert::CertificateRequired) => CERTIFICATE_WANTED,
        RustlsError::AlertReceived(
            Alert::BadCertificate
            | Alert::UnsupportedCertificate
            | Alert::CertificateRevoked
            | Alert::CertificateExpired
            | Alert::CertificateUnknown
            | Alert::UnknownCA
            | Alert::AccessDenied
            | Alert::DecryptError,
        ) if !asked => (
            Word::TlsCertificateRefused,
            "the receiver does not accept our certificate; does it know its authority?",
        ),
        RustlsError::AlertReceived(_) if asked => CERTIFICATE_WANTED,
        RustlsError::AlertReceived(Alert::ProtocolVersion) | RustlsError::PeerIncompatible(_) => (
            Word::TlsVersion,
            "the receiver speaks no TLS that is still safe; it must offer TLS 1.2 or 1.3 with \
             forward secrecy",
        ),
        RustlsError::InvalidMessage(_) => (
            Word::TlsNotSpoken,
            "what answers there does not speak TLS; is it another port?",
        ),
        _ => (Word::TlsFailed, ""),
    }
}

/// The receiver wants a certificate of ours, and none is named.
pub const CERTIFICATE_WANTED: (Word, &str) = (
    Word::TlsCertificateWanted,
    "the receiver asks for a certificate of ours; name certificate and key",
);
