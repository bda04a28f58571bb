//! Preamble and file meta group of a DICOM file (PS3.10 section 7.1).

use super::error::{Fault, GateError, Place};
use dicom_core::Tag;
use dicom_dictionary_std::tags;

/// Bytes before `DICM`.
const PREAMBLE: usize = 128;

/// What the gate needs of group 0002.
#[derive(Debug, Default)]
pub(super) struct FileMeta {
    pub(super) syntax: String,
    pub(super) class: Option<String>,
    pub(super) instance: Option<String>,
    /// Where the data set starts.
    pub(super) data_at: usize,
    /// Whether (0002,0000) is absent or right.
    pub(super) length_right: bool,
}

/// Walks the file meta group, which is always Explicit VR Little Endian. It ends at the first
/// element of another group, whatever length it claims.
pub(super) fn file_meta(bytes: &[u8]) -> Result<FileMeta, GateError> {
    match bytes.get(PREAMBLE..) {
        Some([b'D', b'I', b'C', b'M', ..]) => {}
        _ => return Err(fail(no_file(bytes), 0, None)),
    }
    let mut meta = FileMeta {
        data_at: PREAMBLE + 4,
        length_right: true,
        ..FileMeta::default()
    };
    let mut claimed_end = None;
    let mut before = None;
    loop {
        let at = meta.data_at;
        let rest = bytes.get(at..).unwrap_or_default();
        let &[2, 0, e0, e1, v0, v1, l0, l1, ref after @ ..] = rest else {
            if matches!(rest, [2, 0, ..]) {
                return Err(fail(Fault::Truncated, at, None));
            }
            break;
        };
        let tag = Tag(2, u16::from_le_bytes([e0, e1]));
        if before.is_some_and(|before| before >= tag) {
            return Err(fail(
                Fault::Meta("its elements are out of order"),
                at,
                Some(tag),
            ));
        }
        before = Some(tag);
        let (length, header) = match &[v0, v1] {
            b"OB" | b"UN" | b"OW" | b"UT" | b"UC" | b"UR" => match *after {
                [a, b, c, d, ..] => (u32::from_le_bytes([a, b, c, d]), 12),
                _ => return Err(fail(Fault::Truncated, at, Some(tag))),
            },
            b"AE" | b"UI" | b"SH" | b"UL" | b"US" | b"CS" | b"LO" | b"ST" => {
                (u32::from(u16::from_le_bytes([l0, l1])), 8)
            }
            _ => {
                let what = "it is not Explicit VR Little Endian";
                return Err(fail(Fault::Meta(what), at, Some(tag)));
            }
        };
        let left = rest.len() - header;
        let end = usize::try_from(length)
            .unwrap_or(usize::MAX)
            .saturating_add(header);
        let Some(value) = rest.get(header..end) else {
            let declared = length;
            return Err(fail(Fault::LengthOverrun { declared, left }, at, Some(tag)));
        };
        meta.data_at = at + end;
        match tag {
            tags::FILE_META_INFORMATION_GROUP_LENGTH => {
                if let Ok(group) = <[u8; 4]>::try_from(value) {
                    let group = usize::try_from(u32::from_le_bytes(group)).unwrap_or(usize::MAX);
                    claimed_end = Some(meta.data_at.saturating_add(group));
                }
            }
            tags::MEDIA_STORAGE_SOP_CLASS_UID => meta.class = text(value),
            tags::MEDIA_STORAGE_SOP_INSTANCE_UID => meta.instance = text(value),
            tags::TRANSFER_SYNTAX_UID => meta.syntax = text(value).unwrap_or_default(),
            _ => {}
        }
    }
    if meta.syntax.is_empty() {
        return Err(fail(Fault::NoTransferSyntax, meta.data_at, None));
    }
    meta.length_right = claimed_end.is_none_or(|end| end == meta.data_at);
    Ok(meta)
}

/// Tells a DICOM data set without preamble from anything else.
fn no_file(bytes: &[u8]) -> Fault {
    match bytes {
        [b'D', b'I', b'C', b'M', ..] | [2 | 8, 0, _, 0, ..] | [0, 8, 0, _, ..] => Fault::NoPreamble,
        _ => Fault::NotDicom,
    }
}

fn fail(fault: Fault, offset: usize, tag: Option<Tag>) -> GateError {
    GateError {
        fault,
        place: Place {
            offset,
            tag,
            ..Place::default()
        },
    }
}

fn text(value: &[u8]) -> Option<String> {
    let text = String::from_utf8_lossy(value);
    let text = super::trimmed(&text);
    // A UID has 64 characters at most; what is longer is wrong however it goes on.
    (!text.is_empty()).then(|| text.chars().take(65).collect())
}
