//! The gate: raw bytes are measured as a whole before any decoder sees them.
//!
//! A decoder that recurses and believes lengths can be made to end the process, which nothing
//! can catch. The gate walks the bytes with a stack of its own and compares every length with
//! what is left, so what it admits is bounded in depth, number and size.

mod encoding;
mod error;
mod inflate;
mod named;
mod part10;
mod walk;

#[cfg(test)]
mod tests;

pub(crate) use encoding::{Encoding, dictionary_vr, word};
pub use error::{Fault, GateError, Place};
pub use named::{Named, named};
pub(crate) use walk::Event;

use super::charset::DECLARED;
use super::data::{DataSet, Elements};
use super::digest::Digest;
use super::limits::Limits;
use crate::domain::{Remark, RemarkCode};
use dicom_dictionary_std::{tags, uids};
use std::borrow::Cow;
use std::ops::Range;

/// A data set that was measured and may be looked into.
#[derive(Debug, Clone)]
pub(crate) struct Passed<'a> {
    /// Media Storage SOP Instance UID (0002,0003) of a file, padding removed, not checked.
    pub(crate) media_instance: Option<String>,
    /// SHA-256 of the content in hexadecimal, the same in every transfer syntax.
    pub(crate) content_sha256: String,
    /// Oddities that do not stand in the way.
    pub(crate) remarks: Vec<Remark>,
    media_class: Option<String>,
    /// Transfer syntax of `data`, as [`Admitted::syntax`].
    written: &'static str,
    encoding: Encoding,
    /// The data set as received, inflated where it came deflated.
    data: Cow<'a, [u8]>,
    elements: Elements,
    charsets: Vec<(usize, Encoding)>,
    unknown: Vec<(usize, u32)>,
    /// Where the element Pixel Data stands in `data`.
    pixels: Option<Range<usize>>,
    /// Where `data` stands in the bytes given; `None` when they are deflated.
    base: Option<usize>,
}

impl<'a> Passed<'a> {
    /// What is in it.
    pub(crate) fn elements(&self) -> DataSet<'_> {
        self.elements.of(&self.data, self.encoding.is_big())
    }

    /// The element Pixel Data, from its tag to its end.
    pub(crate) fn pixel_element(&self) -> Option<&[u8]> {
        self.data.get(self.pixels.clone()?)
    }

    /// The bytes as a decoder may have them.
    fn admitted(self) -> Admitted<'a> {
        let data = with_defined_lengths(self.data, self.encoding, &self.unknown);
        let data = with_hidden_charsets(data, &self.charsets);
        Admitted {
            syntax: self.written,
            data: without_pixels(data, self.pixels.as_ref()),
            pixels: self
                .pixels
                .zip(self.base)
                .map(|(pixels, base)| pixels.start + base..pixels.end + base),
            media_class: self.media_class,
            media_instance: self.media_instance,
            content_sha256: self.content_sha256,
            remarks: self.remarks,
        }
    }
}

/// A data set that may be decoded.
#[derive(Debug, Clone)]
pub struct Admitted<'a> {
    /// Transfer syntax of `data`; explicit little endian for what came deflated or with compressed
    /// pixels.
    pub syntax: &'static str,
    /// The data set, without preamble, file meta group and pixel data. It differs from what was
    /// received in length fields of unknown elements besides, which are made defined, and in the
    /// tag of Specific Character Set, which is hidden from the decoder.
    pub data: Cow<'a, [u8]>,
    /// Where the element Pixel Data stands in the bytes given; `None` without one, or when the
    /// bytes are deflated.
    pub pixels: Option<Range<usize>>,
    /// Media Storage SOP Class UID (0002,0002) of a file, padding removed, not checked.
    pub media_class: Option<String>,
    /// Media Storage SOP Instance UID (0002,0003) of a file, padding removed, not checked.
    pub media_instance: Option<String>,
    /// SHA-256 of the content in hexadecimal, the same in every transfer syntax.
    pub content_sha256: String,
    /// Oddities that do not stand in the way.
    pub remarks: Vec<Remark>,
}

/// What the file meta group of a DICOM file says (PS3.10 7.1), padding removed.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Media {
    /// Transfer syntax.
    pub syntax: String,
    /// Media Storage SOP Class UID (0002,0002), if it is a UID.
    pub class: Option<String>,
    /// Media Storage SOP Instance UID (0002,0003), if it is a UID.
    pub instance: Option<String>,
}

/// Reads the file meta group alone.
///
/// # Errors
/// The bytes do not begin as a DICOM file.
pub fn media(bytes: &[u8]) -> Result<Media, GateError> {
    let meta = part10::file_meta(bytes)?;
    let uid = |text: Option<String>| text.filter(|text| super::element::is_uid(text));
    Ok(Media {
        syntax: meta.syntax,
        class: uid(meta.class),
        instance: uid(meta.instance),
    })
}

/// Passes or refuses bytes for a decoder. `syntax` is `None` for a file (PS3.10), or the transfer
/// syntax of a bare data set as negotiated on the network.
///
/// # Errors
/// The first thing wrong, with its place.
pub fn admit<'a>(
    bytes: &'a [u8],
    syntax: Option<&str>,
    limits: &Limits,
) -> Result<Admitted<'a>, GateError> {
    pass(bytes, syntax, limits).map(Passed::admitted)
}

/// The same without a decoder: the elements are found where the walk met them.
///
/// # Errors
/// As [`admit`].
pub(crate) fn pass<'a>(
    bytes: &'a [u8],
    syntax: Option<&str>,
    limits: &Limits,
) -> Result<Passed<'a>, GateError> {
    let mut remarks = Vec::new();
    let (file, data, base) = match syntax {
        Some(uid) => {
            let file = part10::FileMeta {
                syntax: trimmed(uid).chars().take(65).collect(),
                ..part10::FileMeta::default()
            };
            (file, bytes, 0)
        }
        None => {
            let file = part10::file_meta(bytes)?;
            let data = bytes.get(file.data_at..).unwrap_or_default();
            let base = file.data_at;
            if !file.length_right {
                remarks.push(Remark::of(
                    RemarkCode::FileMetaLengthWrong,
                    "The length of the file meta group is not what its first element says.",
                ));
            }
            (file, data, base)
        }
    };
    let refuse = |fault| GateError {
        fault,
        place: Place {
            offset: base,
            ..Place::default()
        },
    };
    let (encoding, written, deflated) = match file.syntax.as_str() {
        uids::IMPLICIT_VR_LITTLE_ENDIAN => (
            Encoding::ImplicitLittle,
            uids::IMPLICIT_VR_LITTLE_ENDIAN,
            false,
        ),
        uids::EXPLICIT_VR_LITTLE_ENDIAN => (
            Encoding::ExplicitLittle,
            uids::EXPLICIT_VR_LITTLE_ENDIAN,
            false,
        ),
        EXPLICIT_BIG => (Encoding::ExplicitBig, EXPLICIT_BIG, false),
        uids::DEFLATED_EXPLICIT_VR_LITTLE_ENDIAN => (
            Encoding::ExplicitLittle,
            uids::EXPLICIT_VR_LITTLE_ENDIAN,
            true,
        ),
        compressed if COMPRESSED.contains(&compressed) => (
            Encoding::ExplicitLittle,
            uids::EXPLICIT_VR_LITTLE_ENDIAN,
            false,
        ),
        _ => return Err(refuse(Fault::TransferSyntax(file.syntax))),
    };
    let encapsulated = COMPRESSED.contains(&file.syntax.as_str());
    let limit = limits.inflated_bytes;
    let data = if deflated {
        Cow::Owned(inflate::inflate(data, limit).map_err(refuse)?)
    } else {
        Cow::Borrowed(data)
    };
    if data.is_empty() {
        return Err(refuse(Fault::Empty));
    }
    if data.len() > limit {
        let bytes = data.len();
        return Err(refuse(Fault::TooBig { bytes, limit }));
    }

    let mut digest = Digest::new();
    let mut elements = Elements::default();
    let mut charsets = Vec::new();
    let mut unknown = Vec::new();
    let mut pixels = None;
    let base = if deflated { 0 } else { base };
    let mut visit = |event: Event<'_>| match event {
        Event::Unknown { length_at, length } => unknown.push((length_at, length)),
        Event::Pixels { from, to } => pixels = Some(from..to),
        Event::Element {
            tag: tags::SPECIFIC_CHARACTER_SET,
            encoding,
            at,
            ..
        } => charsets.push((at, encoding)),
        _ => {}
    };
    walk::walk(
        &data,
        encoding,
        base,
        deflated,
        encapsulated,
        limits,
        &mut |event| {
            digest.take(&event);
            elements.take(&event);
            visit(event);
        },
    )?;
    Ok(Passed {
        media_instance: file.instance,
        content_sha256: digest.finish(),
        remarks,
        media_class: file.class,
        written,
        encoding,
        data,
        elements,
        charsets,
        unknown,
        pixels,
        base: (!deflated).then_some(base),
    })
}

/// Transfer syntaxes with pixels in fragments that are let through: the usual ones of ultrasound
/// pictures (PS3.5 A.4). Nothing here decodes a pixel, so all of them read alike.
const COMPRESSED: [&str; 9] = [
    uids::JPEG_BASELINE8_BIT,
    uids::JPEG_EXTENDED12_BIT,
    uids::JPEG_LOSSLESS,
    uids::JPEG_LOSSLESS_SV1,
    uids::JPEGLS_LOSSLESS,
    uids::JPEGLS_NEAR_LOSSLESS,
    uids::JPEG2000_LOSSLESS,
    uids::JPEG2000,
    uids::RLE_LOSSLESS,
];

/// The data set without its pixels, which nobody here reads and which may be most of it.
fn without_pixels<'a>(data: Cow<'a, [u8]>, pixels: Option<&Range<usize>>) -> Cow<'a, [u8]> {
    let Some(pixels) = pixels else {
        return data;
    };
    let before = data.get(..pixels.start).unwrap_or_default();
    let after = data.get(pixels.end..).unwrap_or_default();
    Cow::Owned([before, after].concat())
}

/// Explicit VR Big Endian, retired and so without a constant in force.
const EXPLICIT_BIG: &str = "1.2.840.10008.1.2.2";

/// The decoder would read what stands in an unknown element of undefined length in the syntax
/// around it instead of as implicit VR. With a defined length it leaves it alone.
fn with_defined_lengths<'a>(
    data: Cow<'a, [u8]>,
    encoding: Encoding,
    unknown: &[(usize, u32)],
) -> Cow<'a, [u8]> {
    if unknown.is_empty() {
        return data;
    }
    let mut data = data.into_owned();
    for &(at, length) in unknown {
        if let Some(field) = data.get_mut(at..).and_then(|rest| rest.first_chunk_mut()) {
            *field = encoding.u32_bytes(length);
        }
    }
    Cow::Owned(data)
}

/// Puts every Specific Character Set under a tag that the decoder takes no notice of: it would
/// follow the first value only, and keep on using that of an item after the item.
fn with_hidden_charsets<'a>(data: Cow<'a, [u8]>, at: &[(usize, Encoding)]) -> Cow<'a, [u8]> {
    if at.is_empty() {
        return data;
    }
    let mut data = data.into_owned();
    for &(at, encoding) in at {
        // Group, then element 0005, of which the byte that is not nought changes.
        let low = at
            + if encoding == Encoding::ExplicitBig {
                3
            } else {
                2
            };
        if let Some(byte) = data.get_mut(low) {
            *byte = DECLARED.1.to_le_bytes()[0];
        }
    }
    Cow::Owned(data)
}

/// A UID or code without the padding of PS3.5 6.2.
fn trimmed(text: &str) -> &str {
    text.trim_matches([' ', '\0'])
}
