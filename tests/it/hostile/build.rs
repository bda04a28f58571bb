//! Objects as bytes, after PS3.5 section 7 and PS3.10 section 7.1, without any library: what no
//! writer would write has to be writable.

use flate2::Compression;
use flate2::write::{DeflateDecoder, DeflateEncoder};
use std::io::Write;

/// SOP Instance UID of the report that sound objects are made of.
pub(super) const UID: &str = "2.25.335582098769821241553266243146899409787";

pub(super) const IMPLICIT: &str = "1.2.840.10008.1.2";
pub(super) const EXPLICIT: &str = "1.2.840.10008.1.2.1";
pub(super) const BIG: &str = "1.2.840.10008.1.2.2";
pub(super) const DEFLATED: &str = "1.2.840.10008.1.2.1.99";

pub(super) const OPEN: u32 = u32::MAX;

/// Tags as group and element.
pub(super) const CONTENT: (u16, u16) = (0x0040, 0xA730);
pub(super) const TEXT: (u16, u16) = (0x0040, 0xA160);
pub(super) const ITEM: (u16, u16) = (0xFFFE, 0xE000);
pub(super) const ITEM_END: (u16, u16) = (0xFFFE, 0xE00D);
pub(super) const SEQUENCE_END: (u16, u16) = (0xFFFE, 0xE0DD);

/// The header of an element with the length it claims. `vr` is empty for items.
pub(super) fn header(syntax: &str, tag: (u16, u16), vr: &str, length: u32) -> Vec<u8> {
    let big = syntax == BIG;
    let word = |n: u16| {
        if big {
            n.to_be_bytes()
        } else {
            n.to_le_bytes()
        }
    };
    let mut bytes = [word(tag.0), word(tag.1)].concat();
    if syntax != IMPLICIT && !vr.is_empty() {
        bytes.extend(vr.bytes());
        if !matches!(vr, "SQ" | "UT" | "UN" | "OB" | "OD" | "OW" | "UC") {
            bytes.extend(word(u16::try_from(length).expect("a short length")));
            return bytes;
        }
        bytes.extend([0, 0]);
    }
    bytes.extend(if big {
        length.to_be_bytes()
    } else {
        length.to_le_bytes()
    });
    bytes
}

pub(super) fn element(syntax: &str, tag: (u16, u16), vr: &str, value: &[u8]) -> Vec<u8> {
    let length = u32::try_from(value.len()).expect("small");
    [header(syntax, tag, vr, length), value.to_vec()].concat()
}

/// A file around a data set.
pub(super) fn file(syntax: &str, data: &[u8]) -> Vec<u8> {
    let uid = |uid: &str| {
        let mut bytes = uid.as_bytes().to_vec();
        bytes.resize(bytes.len().next_multiple_of(2), 0);
        bytes
    };
    let group = [
        element(
            EXPLICIT,
            (2, 2),
            "UI",
            &uid("1.2.840.10008.5.1.4.1.1.88.33"),
        ),
        element(EXPLICIT, (2, 3), "UI", &uid("2.25.1")),
        element(EXPLICIT, (2, 16), "UI", &uid(syntax)),
    ]
    .concat();
    let length = u32::try_from(group.len()).expect("small").to_le_bytes();
    let length = element(EXPLICIT, (2, 0), "UL", &length);
    [&[0; 128], &b"DICM"[..], &length, &group, data].concat()
}

/// Transfer syntax and place of the data set of a sound file.
pub(super) fn parts(file: &[u8]) -> (&'static str, usize) {
    let length = u32::from_le_bytes(file[140..144].try_into().expect("four bytes"));
    let at = 144 + length as usize;
    let meta = &file[144..at];
    let found = [DEFLATED, BIG, EXPLICIT, IMPLICIT].into_iter().find(|uid| {
        let uid = uid.as_bytes();
        meta.windows(uid.len()).any(|window| window == uid)
    });
    (found.expect("a transfer syntax"), at)
}

pub(super) fn deflate(bytes: &[u8]) -> Vec<u8> {
    let mut encoder = DeflateEncoder::new(Vec::new(), Compression::best());
    encoder.write_all(bytes).expect("deflated");
    encoder.finish().expect("deflated")
}

pub(super) fn inflate(bytes: &[u8]) -> Vec<u8> {
    let mut decoder = DeflateDecoder::new(Vec::new());
    decoder.write_all(bytes).expect("inflated");
    decoder.finish().expect("inflated")
}

/// A deflate stream of `start` and then so many mebibytes of blanks: a thousandth of that in size.
pub(super) fn bomb(start: &[u8], mebibytes: usize) -> Vec<u8> {
    let blanks = vec![b' '; 1 << 20];
    let mut encoder = DeflateEncoder::new(Vec::new(), Compression::best());
    encoder.write_all(start).expect("deflated");
    encoder.write_all(&blanks).expect("deflated");
    encoder.flush().expect("deflated");
    let first = encoder.get_ref().len();
    encoder.write_all(&blanks).expect("deflated");
    encoder.flush().expect("deflated");
    // A flushed block ends on a byte and refers to blanks only, so it can follow itself.
    let block = encoder.get_ref()[first..].to_vec();
    let mut stream = encoder.get_ref().clone();
    stream.extend(block.repeat(mebibytes.saturating_sub(2)));
    stream.extend(&encoder.finish().expect("deflated")[first + block.len()..]);
    stream
}

/// Where length fields stand and how wide they are, in a sound data set: a flat scan that goes into
/// sequences (PS3.5 sections 7.1.2 and 7.5).
pub(super) fn length_fields(bytes: &[u8], syntax: &str, from: usize) -> Vec<(usize, usize)> {
    let mut fields = Vec::new();
    let mut at = from;
    while at + 8 <= bytes.len() {
        let item = number(bytes, syntax, at, 2) == 0xFFFE;
        let letters = &bytes[at + 4..at + 6];
        let long = matches!(
            letters,
            b"SQ" | b"UT" | b"UN" | b"OB" | b"OW" | b"OD" | b"UC"
        );
        let (field, width) = match (item || syntax == IMPLICIT, long) {
            (true, _) => (at + 4, 4),
            (false, true) => (at + 8, 4),
            (false, false) => (at + 6, 2),
        };
        fields.push((field, width));
        let length = number(bytes, syntax, field, width);
        // (0040,A730) and its like are entered; the test below counts that none is missed.
        let enters = item || letters == b"SQ" || syntax == IMPLICIT && opens(bytes, field, width);
        at = field + width + if enters { 0 } else { length as usize };
    }
    fields
}

/// Whether an item follows: in implicit syntax nothing else tells a sequence.
fn opens(bytes: &[u8], field: usize, width: usize) -> bool {
    bytes[field + width..].starts_with(&[0xFE, 0xFF, 0x00, 0xE0])
}

pub(super) fn number(bytes: &[u8], syntax: &str, at: usize, width: usize) -> u32 {
    let field = bytes[at..at + width].iter();
    let fold = |sum: u32, byte: &u8| sum << 8 | u32::from(*byte);
    if syntax == BIG {
        field.fold(0, fold)
    } else {
        field.rev().fold(0, fold)
    }
}

/// Writes a length into a field of two or four bytes; what does not fit is cut off.
pub(super) fn put(bytes: &mut [u8], syntax: &str, (at, width): (usize, usize), length: u32) {
    let field = if syntax == BIG {
        length.to_be_bytes()[4 - width..].to_vec()
    } else {
        length.to_le_bytes()[..width].to_vec()
    };
    bytes[at..at + width].copy_from_slice(&field);
}

/// The lengths that break readers: nought, one off, the ends of 16 and 32 bits, undefined.
pub(super) fn lies(own: u32) -> [u32; 7] {
    [
        0,
        own.wrapping_add(1),
        own.wrapping_sub(1),
        0xFFFF,
        0x7FFF_FFFF,
        0xFFFF_FFFE,
        OPEN,
    ]
}
