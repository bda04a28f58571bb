//! The secret that pseudonyms and shifts of dates are made with.
//!
//! Everything is HMAC-SHA-256 (RFC 2104) under the key, over a purpose and parts, each behind its
//! length: whoever lacks the key can neither undo a pseudonym nor make one to compare with.

use chrono::Days;
use hmac::{Hmac, KeyInit, Mac};
use sha2::Sha256;
use sheathline_model::domain::{PatientKey, derived};
use std::fmt;
use thiserror::Error;

/// Hex digits of a key: 256 bits, as long as the hash.
const DIGITS: usize = 64;

/// Dates of a patient go back by whole weeks: days of the week stay, so that the days on which nobody
/// examines say nothing of the shift.
pub(crate) const WEEK: u64 = 7;

/// The most weeks; the fewest is one.
const MOST_WEEKS: u64 = 52;

/// Dates of a patient go back by at most so many days, and by at least a [`WEEK`].
pub(crate) const MOST_DAYS: u64 = WEEK * MOST_WEEKS;

/// The secret of a department, from a file.
#[derive(Clone)]
pub(crate) struct Secret(Hmac<Sha256>);

/// It must not reach a log.
impl fmt::Debug for Secret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Secret(hidden)")
    }
}

/// Why a text is no key.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
pub(crate) enum NoKey {
    /// Other characters, or not so many.
    #[error(
        "a key is one line of 64 hexadecimal digits, and this has {found} characters; make one with `openssl rand -hex 32`"
    )]
    Malformed {
        /// How many there are.
        found: usize,
    },
    /// One digit again and again, or few of them: somebody's placeholder.
    #[error("this key is a placeholder, not drawn at random; make one with `openssl rand -hex 32`")]
    Guessable,
}

impl Secret {
    /// Reads a key; blanks and line ends around it do not count.
    ///
    /// # Errors
    /// [`NoKey`] says what is wrong, without quoting it.
    pub(crate) fn parse(text: &str) -> Result<Secret, NoKey> {
        let text = text.trim();
        let malformed = NoKey::Malformed {
            found: text.chars().count(),
        };
        let digits: Option<Vec<u8>> = text
            .chars()
            .map(|digit| {
                digit
                    .to_digit(16)
                    .and_then(|digit| u8::try_from(digit).ok())
            })
            .collect();
        let digits = digits
            .filter(|digits| digits.len() == DIGITS)
            .ok_or(malformed)?;
        // 64 random digits use fewer than 8 of 16 once in 10^15 keys.
        if (0..16).filter(|digit| digits.contains(digit)).count() < 8 {
            return Err(NoKey::Guessable);
        }
        let pairs = digits.as_chunks::<2>().0;
        let bytes: Vec<u8> = pairs.iter().map(|[high, low]| high << 4 | low).collect();
        let mac = Hmac::new_from_slice(&bytes).map_err(|_| malformed)?;
        Ok(Secret(mac))
    }

    /// Which key it is, without giving it away: 16 hex digits.
    #[must_use]
    pub(crate) fn id(&self) -> String {
        format!("{:016x}", self.bits("key id", &[]) >> 64)
    }

    /// A pseudonym: `letter` and 24 hex digits. The same parts have the same one for a purpose.
    #[must_use]
    pub(crate) fn pseudonym(&self, letter: char, purpose: &str, parts: &[&str]) -> String {
        format!("{letter}{:024x}", self.bits(purpose, parts) >> 32)
    }

    /// The pseudonym of a patient.
    #[must_use]
    pub(crate) fn patient(&self, patient: &PatientKey) -> String {
        self.pseudonym('P', "patient", &[&patient.issuer, &patient.id])
    }

    /// Another UID in the place of one, under the root for UUIDs (PS3.5 B.2), as a UUID of version 8.
    #[must_use]
    pub(crate) fn uid(&self, uid: &str) -> String {
        derived::uid(derived::uuid(self.bits("uid", &[uid])))
    }

    /// Another number in the place of one; every reader of numbers holds it exactly (below 2^53).
    #[must_use]
    pub(crate) fn number(&self, purpose: &str, number: i64) -> i64 {
        let bits = self.bits(purpose, &[&number.to_string()]) >> (128 - 53);
        i64::try_from(bits).unwrap_or_default()
    }

    /// By how much the dates of a patient go back: one [`WEEK`] to [`MOST_DAYS`] in whole weeks, the
    /// same for all of them.
    #[must_use]
    pub(crate) fn shift(&self, patient: &PatientKey) -> Days {
        let bits = self.bits("shift in weeks", &[&patient.issuer, &patient.id]);
        let weeks = 1 + u64::try_from(bits % u128::from(MOST_WEEKS)).unwrap_or_default();
        Days::new(WEEK * weeks)
    }

    fn bits(&self, purpose: &str, parts: &[&str]) -> u128 {
        let mut mac = self.0.clone();
        for part in std::iter::once(&purpose).chain(parts) {
            mac.update(&(part.len() as u64).to_be_bytes());
            mac.update(part.as_bytes());
        }
        derived::bits(&mac.finalize().into_bytes())
    }
}
