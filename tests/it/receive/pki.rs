//! Certificates made for a test and gone with it.

use rcgen::{
    BasicConstraints, CertificateParams, CertifiedIssuer, DnType, ExtendedKeyUsagePurpose, IsCa,
    KeyPair, KeyUsagePurpose,
};
use sha2::{Digest, Sha256};
use sheathline::config::{ClientCertificate, DicomSettings};
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use tempfile::TempDir;
use tokio::net::TcpStream;
use tokio_rustls::TlsConnector;
use tokio_rustls::client::TlsStream;
use tokio_rustls::rustls::crypto::ring;
use tokio_rustls::rustls::pki_types::pem::PemObject;
use tokio_rustls::rustls::pki_types::{CertificateDer, PrivateKeyDer, ServerName};
use tokio_rustls::rustls::{ClientConfig, RootCertStore, ServerConfig};

/// An authority with the files of what it issued.
pub(crate) struct Pki {
    folder: TempDir,
    ca: CertifiedIssuer<'static, KeyPair>,
}

/// A certificate and its key, as files.
pub(crate) struct Issued {
    pub(crate) certificate: PathBuf,
    pub(crate) key: PathBuf,
    /// SHA-256 of the binary form, in hexadecimal digits.
    pub(crate) sha256: String,
}

fn key() -> KeyPair {
    KeyPair::generate().expect("a key")
}

/// An RSA key, which DCMTK's default suites want; `openssl` makes it.
pub(crate) fn rsa_key() -> Option<KeyPair> {
    let ran = std::process::Command::new("openssl")
        .args([
            "genpkey",
            "-algorithm",
            "RSA",
            "-pkeyopt",
            "rsa_keygen_bits:2048",
        ])
        .output()
        .ok()?;
    assert!(ran.status.success(), "{ran:?}");
    let pem = String::from_utf8(ran.stdout).expect("PEM");
    Some(KeyPair::from_pem(&pem).expect("an RSA key"))
}

impl Pki {
    pub(crate) fn new() -> Self {
        let mut params = CertificateParams::default();
        params
            .distinguished_name
            .push(DnType::CommonName, "Test Authority");
        params.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
        params.key_usages = vec![KeyUsagePurpose::KeyCertSign, KeyUsagePurpose::CrlSign];
        let ca = CertifiedIssuer::self_signed(params, key()).expect("an authority");
        let folder = TempDir::new().expect("temp");
        fs::write(folder.path().join("ca.pem"), ca.pem()).expect("written");
        Pki { folder, ca }
    }

    pub(crate) fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    pub(crate) fn ca(&self) -> PathBuf {
        self.path("ca.pem")
    }

    pub(crate) fn issue(&self, name: &str) -> Issued {
        self.issue_with(name, key(), |_| {})
    }

    pub(crate) fn issue_with(
        &self,
        name: &str,
        key: KeyPair,
        change: impl FnOnce(&mut CertificateParams),
    ) -> Issued {
        let names = vec!["localhost".to_owned(), "127.0.0.1".to_owned()];
        let mut params = CertificateParams::new(names).expect("names");
        params.distinguished_name.push(DnType::CommonName, name);
        params.extended_key_usages = vec![
            ExtendedKeyUsagePurpose::ServerAuth,
            ExtendedKeyUsagePurpose::ClientAuth,
        ];
        change(&mut params);
        let certificate = params.signed_by(&key, &self.ca).expect("a certificate");
        let sha256 = Sha256::digest(certificate.der());
        let issued = Issued {
            certificate: self.path(&format!("{name}.pem")),
            key: self.path(&format!("{name}.key")),
            sha256: sha256.iter().map(|byte| format!("{byte:02x}")).collect(),
        };
        fs::write(&issued.certificate, certificate.pem()).expect("written");
        fs::write(&issued.key, key.serialize_pem()).expect("written");
        private(&issued.key);
        issued
    }

    /// Settings that listen on a free port with a certificate of this authority.
    pub(crate) fn serve(&self, settings: &mut DicomSettings, own: &Issued) {
        settings.tls.listen = vec!["127.0.0.1:0".parse().expect("an address")];
        settings.tls.certificate = Some(own.certificate.clone());
        settings.tls.key = Some(own.key.clone());
        settings.tls.client_ca = Some(self.ca());
        settings.tls.client_certificate = ClientCertificate::Required;
    }

    /// A server with that certificate, which asks for none.
    pub(crate) fn server_config(&self, own: &Issued) -> Arc<ServerConfig> {
        let builder = ServerConfig::builder_with_provider(Arc::new(ring::default_provider()))
            .with_safe_default_protocol_versions()
            .expect("versions");
        let config = builder.with_no_client_auth().with_single_cert(
            vec![CertificateDer::from_pem_file(&own.certificate).expect("PEM")],
            PrivateKeyDer::from_pem_file(&own.key).expect("PEM"),
        );
        Arc::new(config.expect("a pair"))
    }

    /// A handshake as a client, with or without a certificate. TLS 1.3 tells a client only after
    /// its handshake that its certificate was not taken.
    pub(crate) async fn connect(
        &self,
        stream: TcpStream,
        own: Option<&Issued>,
    ) -> std::io::Result<TlsStream<TcpStream>> {
        let mut roots = RootCertStore::empty();
        roots.add(self.ca.der().clone()).expect("an authority");
        let builder = ClientConfig::builder_with_provider(Arc::new(ring::default_provider()))
            .with_safe_default_protocol_versions()
            .expect("versions")
            .with_root_certificates(roots);
        let config = match own {
            None => builder.with_no_client_auth(),
            Some(own) => builder
                .with_client_auth_cert(
                    vec![CertificateDer::from_pem_file(&own.certificate).expect("PEM")],
                    PrivateKeyDer::from_pem_file(&own.key).expect("PEM"),
                )
                .expect("a pair"),
        };
        let name = ServerName::try_from("localhost").expect("a name");
        TlsConnector::from(Arc::new(config))
            .connect(name, stream)
            .await
    }
}

pub(crate) fn private(path: &Path) {
    use std::os::unix::fs::PermissionsExt;
    fs::set_permissions(path, fs::Permissions::from_mode(0o600)).expect("set");
}
