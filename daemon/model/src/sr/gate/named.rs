//! What a data set says of itself in its first elements: class and instance. A look, not a judgement.

use super::encoding::{Encoding, has_short_length};
use super::part10;
use dicom_core::{Tag, VR};
use dicom_dictionary_std::{tags, uids};
use flate2::read::DeflateDecoder;
use std::borrow::Cow;
use std::io::Read;

/// Elements before SOP Instance UID (0008,0018) are few and short; what is longer is not looked at.
const HEAD_BYTES: usize = 64 << 10;

/// SOP class and instance as a data set names them, padding removed.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Named {
    /// SOP Class UID (0008,0016).
    pub class: Option<String>,
    /// SOP Instance UID (0008,0018).
    pub instance: Option<String>,
}

/// Reads the first elements of a file (`syntax` is `None`) or of a bare data set. What cannot be
/// found there is `None`. Takes memory for the first 64 KiB alone, also of deflated bytes.
#[must_use]
pub fn named(bytes: &[u8], syntax: Option<&str>) -> Named {
    let meta;
    let (syntax, data) = match syntax {
        Some(syntax) => (syntax, bytes),
        None => match part10::file_meta(bytes) {
            Ok(found) => {
                meta = found;
                let data = bytes.get(meta.data_at..).unwrap_or_default();
                (meta.syntax.as_str(), data)
            }
            Err(_) => return Named::default(),
        },
    };
    let (encoding, head) = match syntax.trim_end_matches(['\0', ' ']) {
        uids::IMPLICIT_VR_LITTLE_ENDIAN => (Encoding::ImplicitLittle, Cow::Borrowed(data)),
        super::EXPLICIT_BIG => (Encoding::ExplicitBig, Cow::Borrowed(data)),
        uids::DEFLATED_EXPLICIT_VR_LITTLE_ENDIAN => {
            let mut head = Vec::new();
            let inflated = DeflateDecoder::new(data).take(HEAD_BYTES as u64);
            // What came before a fault counts.
            let _ = { inflated }.read_to_end(&mut head);
            (Encoding::ExplicitLittle, Cow::Owned(head))
        }
        _ => (Encoding::ExplicitLittle, Cow::Borrowed(data)),
    };
    let mut found = Named::default();
    let mut rest = head.get(..HEAD_BYTES.min(head.len())).unwrap_or_default();
    while let Some((tag, value, after)) = element(encoding, rest) {
        match tag {
            tags::SOP_CLASS_UID => found.class = text(value),
            tags::SOP_INSTANCE_UID => found.instance = text(value),
            _ => {}
        }
        if tag >= tags::SOP_INSTANCE_UID {
            break;
        }
        rest = after;
    }
    found
}

/// The first element of `rest`, what it holds and what follows; `None` at the end or where its length
/// is not defined.
fn element(encoding: Encoding, rest: &[u8]) -> Option<(Tag, &[u8], &[u8])> {
    let ([g0, g1, e0, e1, a, b, c, d], after) = rest.split_first_chunk::<8>()?;
    let tag = Tag(encoding.u16([*g0, *g1]), encoding.u16([*e0, *e1]));
    let (length, after) = if !encoding.explicit() {
        (encoding.u32([*a, *b, *c, *d]), after)
    } else if VR::from_binary([*a, *b]).is_some_and(has_short_length) {
        (u32::from(encoding.u16([*c, *d])), after)
    } else {
        let (length, after) = after.split_first_chunk::<4>()?;
        (encoding.u32(*length), after)
    };
    let (value, after) = after.split_at_checked(usize::try_from(length).ok()?)?;
    Some((tag, value, after))
}

fn text(value: &[u8]) -> Option<String> {
    let text = std::str::from_utf8(value).ok()?;
    let text = text.trim_matches(['\0', ' ']);
    (!text.is_empty()).then(|| text.to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sr::sample;

    #[test]
    fn every_syntax_names_the_same_and_damage_names_nothing_else() {
        let object = sample::report();
        let of = |tag| {
            let element = object.element(tag).expect("in the sample");
            let text = element.to_str().expect("text").into_owned();
            Some(text.trim_end_matches('\0').to_owned())
        };
        let expected = Named {
            class: of(tags::SOP_CLASS_UID),
            instance: of(tags::SOP_INSTANCE_UID),
        };
        for syntax in [
            uids::IMPLICIT_VR_LITTLE_ENDIAN,
            uids::EXPLICIT_VR_LITTLE_ENDIAN,
            super::super::EXPLICIT_BIG,
        ] {
            let bytes = sample::encode(&object, syntax);
            assert_eq!(named(&bytes, Some(syntax)), expected, "{syntax}");
            assert_eq!(named(&sample::file(&object, syntax), None), expected);
            for end in 0..300 {
                let cut = named(&bytes[..end], Some(syntax));
                assert!(cut.class.is_none() || cut.class == expected.class);
                assert!(cut.instance.is_none() || cut.instance == expected.instance);
            }
        }
        let deflated = sample::deflate(&sample::encode(&object, uids::EXPLICIT_VR_LITTLE_ENDIAN));
        let syntax = uids::DEFLATED_EXPLICIT_VR_LITTLE_ENDIAN;
        assert_eq!(named(&deflated, Some(syntax)), expected);
        assert_eq!(named(b"no DICOM", None), Named::default());
    }
}
