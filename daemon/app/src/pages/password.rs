//! Passwords of local accounts: Argon2id as RFC 9106 recommends where memory is short (section 4, second
//! choice: 3 passes, 4 lanes, 64 MiB), kept in PHC string format with everything needed to check them.

use argon2::password_hash::rand_core::OsRng;
use argon2::password_hash::{PasswordHash, PasswordHasher, PasswordVerifier, SaltString};
use argon2::{Algorithm, Argon2, Params, Version};
use std::sync::LazyLock;

/// KiB of memory, passes and lanes.
const COST: (u32, u32, u32) = (64 << 10, 3, 4);

/// Shortest password that is taken, characters (NIST SP 800-63B asks for eight at least).
pub(super) const SHORTEST: usize = 12;

/// Longest password that is looked at, bytes.
pub(super) const LONGEST: usize = 512;

/// A password cannot be hashed.
#[derive(Debug, thiserror::Error)]
#[error("the password cannot be hashed: {0}")]
pub struct HashError(String);

fn argon2() -> Result<Argon2<'static>, HashError> {
    let (memory, passes, lanes) = COST;
    let params = Params::new(memory, passes, lanes, None);
    let params = params.map_err(|error| HashError(error.to_string()))?;
    Ok(Argon2::new(Algorithm::Argon2id, Version::V0x13, params))
}

/// A password as the store keeps it. Takes a tenth of a second and 64 MiB.
///
/// # Errors
/// There is no memory, or the system gives no random bytes.
pub fn hashed(password: &str) -> Result<String, HashError> {
    let salt = SaltString::generate(&mut OsRng);
    let hash = argon2()?.hash_password(password.as_bytes(), &salt);
    hash.map(|hash| hash.to_string())
        .map_err(|error| HashError(error.to_string()))
}

/// Whether a password may be one: long enough, and more than one letter.
#[must_use]
pub fn is_strong(password: &str) -> bool {
    let mut letters: Vec<char> = password.chars().collect();
    let length = letters.len();
    letters.sort_unstable();
    letters.dedup();
    length >= SHORTEST && password.len() <= LONGEST && letters.len() >= 5
}

/// Whether this is the password behind a hash. Takes as long where there is no hash: whoever tries names
/// learns nothing from the time.
pub(super) fn is_it(password: &str, hash: Option<&str>) -> bool {
    static NOBODY: LazyLock<Option<String>> = LazyLock::new(|| hashed("nobody has this one").ok());
    let (hash, is_somebody) = match hash {
        Some(hash) => (Some(hash), true),
        None => (NOBODY.as_deref(), false),
    };
    let parsed = hash.and_then(|hash| PasswordHash::new(hash).ok());
    let is_right = parsed.is_some_and(|hash| {
        // The costs are those of the hash, so that older ones go on.
        Argon2::default()
            .verify_password(password.as_bytes(), &hash)
            .is_ok()
    });
    is_right && is_somebody
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 9106 section 4, the second recommended option.
    #[test]
    fn a_hash_says_how_it_was_made_and_only_its_password_opens_it() {
        let hash = hashed("a long enough one").expect("hashed");
        assert!(
            hash.starts_with("$argon2id$v=19$m=65536,t=3,p=4$"),
            "{hash}"
        );
        assert!(is_it("a long enough one", Some(&hash)));
        assert!(!is_it("a long enough onE", Some(&hash)));
        assert!(!is_it("nobody has this one", None));
        assert!(!is_it("", Some("no hash")));
        assert_ne!(hash, hashed("a long enough one").expect("hashed"), "salted");
    }

    #[test]
    fn short_and_uniform_passwords_are_none() {
        for weak in ["", "short", "aaaaaaaaaaaaaaaa", "abababababab"] {
            assert!(!is_strong(weak), "{weak}");
        }
        assert!(is_strong("correct horse battery"));
        assert!(!is_strong(&"abcdefgh".repeat(100)));
    }
}
