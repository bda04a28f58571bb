//! A hash of the content that does not depend on how it was encoded.
//!
//! Two encodings of one object hash alike: numbers count in little endian, text without its
//! trailing padding, sequences by their items and not by their lengths. Group lengths
//! (gggg,0000), the retired Length to End (0008,0001) and trailing padding (FFFC,FFFC) do not
//! count. Private elements count as sent without trailing padding, so a private sequence of
//! defined length hashes differently once an encoding has hidden it behind UN; that errs
//! towards "not the same object".

use super::gate::{Encoding, Event, dictionary_vr, word};
use dicom_core::{Tag, VR};
use dicom_dictionary_std::tags;
use sha2::{Digest as _, Sha256};
use std::borrow::Cow;

/// Takes the events of one walk over a data set.
pub(crate) struct Digest {
    hash: Sha256,
    /// What was taken and not hashed yet: a report is thousands of pieces of a few bytes.
    waiting: Vec<u8>,
}

/// Bytes that wait at most.
const WAITING: usize = 4096;

impl Digest {
    pub(crate) fn new() -> Self {
        Digest {
            hash: Sha256::new(),
            waiting: Vec::with_capacity(WAITING),
        }
    }

    fn update(&mut self, bytes: &[u8]) {
        if self.waiting.len() + bytes.len() > WAITING {
            self.hash.update(&self.waiting);
            self.waiting.clear();
        }
        if bytes.len() > WAITING {
            self.hash.update(bytes);
        } else {
            self.waiting.extend_from_slice(bytes);
        }
    }

    pub(crate) fn take(&mut self, event: &Event<'_>) {
        match *event {
            Event::Element { tag, .. } if !counts(tag) => {}
            Event::Element {
                tag,
                vr,
                encoding,
                value,
                ..
            } => {
                self.tag(tag);
                let little = little_endian(vr, encoding, value);
                let value = if is_padded(tag) {
                    unpadded(&little)
                } else {
                    &little
                };
                if value.is_empty() {
                    // The same as a sequence without items: an empty element may lose its VR.
                    self.update(b"s");
                    return;
                }
                self.update(b"e");
                self.update(&(value.len() as u64).to_le_bytes());
                self.update(value);
            }
            Event::SequenceStart { tag } => self.tag(tag),
            Event::ItemStart => self.update(b"i"),
            Event::ItemEnd => self.update(b"j"),
            Event::SequenceEnd => self.update(b"s"),
            Event::Unknown { .. } | Event::Pixels { .. } => {}
        }
    }

    fn tag(&mut self, tag: Tag) {
        self.update(&tag.0.to_le_bytes());
        self.update(&tag.1.to_le_bytes());
    }

    /// The hash in hexadecimal.
    pub(crate) fn finish(mut self) -> String {
        self.hash.update(&self.waiting);
        self.hash
            .finalize()
            .iter()
            .map(|byte| format!("{byte:02x}"))
            .collect()
    }
}

/// Retired, so without a constant in force.
const LENGTH_TO_END: Tag = Tag(0x0008, 0x0001);

fn counts(tag: Tag) -> bool {
    tag.1 != 0 && tag != LENGTH_TO_END && tag != tags::DATA_SET_TRAILING_PADDING
}

/// Whether the value may end in padding: text, and what no dictionary knows. The tag decides,
/// since implicit VR has nothing else to go by.
fn is_padded(tag: Tag) -> bool {
    !matches!(
        dictionary_vr(tag),
        VR::OB
            | VR::OW
            | VR::OL
            | VR::OV
            | VR::OF
            | VR::OD
            | VR::US
            | VR::SS
            | VR::UL
            | VR::SL
            | VR::UV
            | VR::SV
            | VR::FL
            | VR::FD
            | VR::AT
            | VR::SQ
    )
}

/// The value with its numbers in little endian.
fn little_endian(vr: VR, encoding: Encoding, value: &[u8]) -> Cow<'_, [u8]> {
    let word = match vr {
        // A tag is a pair of 16-bit numbers.
        VR::AT => 2,
        _ => word(vr) as usize,
    };
    if word == 1 || !encoding.is_big() {
        return Cow::Borrowed(value);
    }
    let swapped = value.chunks(word).flat_map(|number| number.iter().rev());
    Cow::Owned(swapped.copied().collect())
}

fn unpadded(value: &[u8]) -> &[u8] {
    let end = value
        .iter()
        .rposition(|byte| !matches!(byte, b' ' | 0))
        .map_or(0, |last| last + 1);
    value.get(..end).unwrap_or_default()
}
