//! The token of a form: it shows that the form came from a page of this session, and serves once.

use argon2::password_hash::rand_core::{OsRng, RngCore};
use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use hmac::{Hmac, KeyInit, Mac};
use sha2::Sha256;

const NONCE: usize = 16;
const MAC: usize = 16;

/// Random bytes of the system.
pub(super) fn random<const N: usize>() -> [u8; N] {
    let mut bytes = [0; N];
    OsRng.fill_bytes(&mut bytes);
    bytes
}

/// Random bytes as text.
pub(super) fn random_text() -> String {
    URL_SAFE_NO_PAD.encode(random::<32>())
}

fn mac(secret: &str, nonce: &[u8]) -> Option<Hmac<Sha256>> {
    let mut mac = Hmac::<Sha256>::new_from_slice(secret.as_bytes()).ok()?;
    mac.update(nonce);
    Some(mac)
}

/// A new token of the session with this secret.
pub(super) fn mint(secret: &str) -> String {
    let nonce: [u8; NONCE] = random();
    let tag = mac(secret, &nonce).map(|mac| mac.finalize().into_bytes());
    let tag = tag.as_ref().and_then(|tag| tag.get(..MAC));
    URL_SAFE_NO_PAD.encode([&nonce, tag.unwrap_or_default()].concat())
}

/// The part of a token that is noted once it was used; `None`: it is no token of this session.
pub(super) fn checked(secret: &str, token: &str) -> Option<String> {
    if token.len() > 64 {
        return None;
    }
    let bytes = URL_SAFE_NO_PAD.decode(token).ok()?;
    let (nonce, tag) = bytes.split_at_checked(NONCE)?;
    if tag.len() != MAC {
        return None;
    }
    // Compared in constant time.
    let good = mac(secret, nonce)?.verify_truncated_left(tag).is_ok();
    good.then(|| URL_SAFE_NO_PAD.encode(nonce))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_token_belongs_to_one_session() {
        let (ours, other) = (random_text(), random_text());
        let token = mint(&ours);
        assert!(checked(&ours, &token).is_some());
        assert_eq!(checked(&other, &token), None);
        assert_ne!(mint(&ours), token);
        for wrong in [
            "",
            "AAAA",
            &token[1..],
            &format!("{token}AAAA"),
            &"A".repeat(9000),
        ] {
            assert_eq!(checked(&ours, wrong), None, "{wrong}");
        }
    }
}
