//! Bytes written as octal numbers, and what is said of letters that nobody vouches for.

use crate::domain::{Remark, RemarkCode};

pub(super) fn octal(byte: &u8) -> String {
    match byte {
        0..=127 => char::from(*byte).to_string(),
        _ => format!("\\{byte:03o}"),
    }
}

/// Bytes as [`octal`]; a backslash that would read as one of those is written so itself.
pub(super) fn exact(bytes: &[u8]) -> String {
    let mut text = String::with_capacity(bytes.len());
    let mut rest = bytes;
    while let Some((byte, after)) = rest.split_first() {
        rest = after;
        let digits = after
            .iter()
            .take_while(|b| matches!(b, b'0'..=b'7'))
            .count();
        match byte {
            b'\\' if digits >= 3 => text.push_str("\\134"),
            0..0x20 | 0x7F => text.push_str(&format!("\\{byte:03o}")),
            _ => text.push_str(&octal(byte)),
        }
    }
    text
}

pub(super) fn id_in_bytes() -> Remark {
    Remark::of(
        RemarkCode::IdInBytes,
        "The patient id or its issuer holds more than ASCII; other bytes are shown as octal numbers \
         and compared as they are.",
    )
}

pub(super) fn undeclared() -> Remark {
    Remark::of(
        RemarkCode::CharsetUndeclared,
        "Letters outside ASCII without a declared character set are shown as octal numbers.",
    )
    .act("Name the character set of the sender: fallback_charset in the configuration.")
}

pub(super) fn assumed(terms: &str) -> Remark {
    Remark::of(
        RemarkCode::CharsetAssumed,
        format!(
            "No character set is declared; letters outside ASCII are read as {terms}, as the \
             configuration says."
        ),
    )
    .act("Compare the text with the sending system.")
}

pub(super) fn undecodable() -> Remark {
    Remark::of(
        RemarkCode::TextUndecodable,
        "Bytes do not fit the declared character set and are shown as octal numbers.",
    )
    .act("Compare the text with the sending system.")
}
