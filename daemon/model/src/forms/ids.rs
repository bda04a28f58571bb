//! Identifiers derived from a result, so that a repeat has the same ones.

use crate::domain::derived;
use crate::results::Envelope;
use sha2::{Digest, Sha256};

/// What an identifier is for.
pub(super) enum Of<'a> {
    /// One version of a result: its objects, messages and statements of origin.
    Version(&'a Envelope),
    /// An exam, whatever the version.
    Exam(&'a Envelope),
    /// A patient, whatever the exam.
    Patient(&'a Envelope),
    /// This program at one of its versions.
    Software(&'a str),
}

/// 128 bits as RFC 9562 lays out version 8, from a SHA-256 of what it is for and a purpose.
///
/// A key is equal whenever a result says the same again, also after another one in between; so the
/// number of the version goes in.
fn bits(of: &Of<'_>, purpose: &str) -> u128 {
    let version;
    let parts: [&str; 3] = match of {
        Of::Version(result) => {
            version = result.version.to_string();
            [&result.content.exam.id, &result.key, &version]
        }
        Of::Exam(result) => [&result.content.exam.id, "", ""],
        Of::Patient(result) => {
            let patient = &result.content.patient;
            [&patient.issuer, &patient.id, ""]
        }
        Of::Software(name) => [name, "", ""],
    };
    let mut hash = Sha256::new();
    for part in std::iter::once(purpose).chain(parts) {
        hash.update((part.len() as u64).to_be_bytes());
        hash.update(part.as_bytes());
    }
    derived::uuid(derived::bits(&hash.finalize()))
}

/// A UID under the root for UUIDs (PS3.5 B.2).
pub(super) fn uid(of: &Of<'_>, purpose: &str) -> String {
    derived::uid(bits(of, purpose))
}

/// The same as a UUID in its usual writing.
pub(super) fn uuid(of: &Of<'_>, purpose: &str) -> String {
    let hex = format!("{:032x}", bits(of, purpose));
    let part = |range: std::ops::Range<usize>| hex.get(range).unwrap_or_default();
    [
        part(0..8),
        part(8..12),
        part(12..16),
        part(16..20),
        part(20..32),
    ]
    .join("-")
}
