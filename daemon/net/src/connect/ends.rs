//! When certificates of a file end, for whoever has to renew them.

use std::fs;
use std::path::Path;
use std::time::SystemTime;
use tokio_rustls::rustls::pki_types::CertificateDer;
use tokio_rustls::rustls::pki_types::pem::PemObject;
use x509_cert::der::Decode;

/// The largest file that is looked at: bundles of authorities have some hundred KiB.
const BYTES_MAX: u64 = 4 << 20;

/// The first end among the certificates of a PEM file.
///
/// # Errors
/// The file is missing, cannot be read or holds no certificate; in words.
pub fn first_end(path: &Path) -> Result<SystemTime, String> {
    let facts = fs::metadata(path).map_err(|error| error.to_string())?;
    if !facts.is_file() || facts.len() > BYTES_MAX {
        return Err("is no file of certificates".to_owned());
    }
    let bytes = fs::read(path).map_err(|error| error.to_string())?;
    let mut first: Option<SystemTime> = None;
    for one in CertificateDer::pem_slice_iter(&bytes) {
        let one = one.map_err(|error| format!("no good PEM file: {error}"))?;
        let one = x509_cert::Certificate::from_der(&one)
            .map_err(|error| format!("a certificate is malformed: {error}"))?;
        let end = one.tbs_certificate().validity().not_after.to_system_time();
        first = Some(first.map_or(end, |first| first.min(end)));
    }
    first.ok_or_else(|| "holds no certificate in PEM form".to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;
    use rcgen::{CertificateParams, KeyPair, date_time_ymd};

    fn pem(year: i32) -> String {
        let mut params = CertificateParams::new(vec!["pages.example".to_owned()]).expect("names");
        params.not_after = date_time_ymd(year, 6, 1);
        let key = KeyPair::generate().expect("a key");
        params.self_signed(&key).expect("signed").pem()
    }

    /// Made by rcgen, so the dates are not read by what wrote them.
    #[test]
    fn the_first_end_of_a_bundle_counts_and_what_is_none_is_told() {
        let folder = tempfile::tempdir().expect("temp");
        let path = folder.path().join("bundle.pem");
        assert!(first_end(&path).is_err());
        fs::write(&path, "nothing").expect("written");
        assert_eq!(
            first_end(&path),
            Err("holds no certificate in PEM form".to_owned())
        );
        fs::write(&path, pem(2031) + &pem(2029) + &pem(2035)).expect("written");
        let end: SystemTime = date_time_ymd(2029, 6, 1).into();
        assert_eq!(first_end(&path), Ok(end));
        assert!(first_end(folder.path()).is_err());
    }
}
