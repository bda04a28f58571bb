//! Numbers derived from a hash, so that the same thing has the same one again.

use sha2::{Digest, Sha256};

/// The first 128 bits of a hash.
#[must_use]
pub fn bits(hash: &[u8]) -> u128 {
    let first = hash.iter().take(16);
    first.fold(0, |bits, &byte| bits << 8 | u128::from(byte))
}

/// 128 bits as RFC 9562 5.8 lays out a UUID of version 8.
#[must_use]
pub fn uuid(bits: u128) -> u128 {
    const VERSION: u128 = 0xF << 76;
    const VARIANT: u128 = 0b11 << 62;
    bits & !VERSION & !VARIANT | 0x8 << 76 | 0b10 << 62
}

/// The UID of a UUID (PS3.5 B.2).
#[must_use]
pub fn uid(uuid: u128) -> String {
    format!("2.25.{uuid}")
}

/// Series Instance UID of a report that a person typed, by its SOP Instance UID: one a report, by which
/// such reports are known wherever they come back from.
#[must_use]
pub fn typed_series(instance: &str) -> String {
    let mut hash = Sha256::new();
    for part in ["typed series", instance] {
        // Length first, so that no two lists of parts are one text.
        hash.update((part.len() as u64).to_be_bytes());
        hash.update(part.as_bytes());
    }
    uid(uuid(bits(&hash.finalize())))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Places of version and variant as in the example of RFC 9562 appendix B.2 (from memory:
    /// 2489E9AD-2EE2-8E00-8EC9-32D5F69181C0), whose other bits these are.
    #[test]
    fn bits_become_a_uuid_and_a_uid() {
        let example = 0x2489_E9AD_2EE2_8E00_8EC9_32D5_F691_81C0;
        let bare = example & !(0xF << 76) & !(0b11 << 62);
        for bits in [example, bare, bare | 0xF << 76 | 0b11 << 62] {
            assert_eq!(uuid(bits), example);
        }
        // The example of PS3.5 B.2.
        let uuid = 0xF81D_4FAE_7DEC_11D0_A765_00A0_C91E_6BF6;
        assert_eq!(uid(uuid), "2.25.329800735698586629295641978511506172918");
        assert_eq!(bits(&[0xFF; 32]), u128::MAX);
        assert_eq!(bits(&[1]), 1);
    }
}
