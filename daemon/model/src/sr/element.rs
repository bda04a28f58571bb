//! Values out of decoded elements, with what is odd about them.

mod remarks;
mod text;

pub(super) use remarks::Remarks;

use super::Code;
use super::bounds::{self, Bound, LETTER_BYTES, exceeds};
use super::charset::{self, Charset, Word};
use super::data::{DataSet, Items, Value};
use super::letters::{exact, id_in_bytes};
use super::tree::{ItemId, Tree};
use crate::domain::{Remark, RemarkCode};
use dicom_core::Tag;
use dicom_core::VR;
use dicom_dictionary_std::tags;
use sha2::{Digest as _, Sha256};
use std::fmt;
use std::rc::Rc;

/// Letters of an identifier with blanks around it that are looked at.
const PADDED_ID: usize = 2 * bounds::ID;

/// Bytes of Specific Character Set that are looked at: more sets than there are.
const SETS: usize = 1024;

/// A data set or item, its place in the document for remarks, and where remarks go.
pub(super) struct Reader<'a, 'r> {
    pub(super) object: DataSet<'a>,
    pub(super) place: Place<'r>,
    pub(super) remarks: &'r mut Remarks,
    /// Character sets of what is around the object; its own go before them.
    pub(super) charset: Rc<Charset>,
}

/// Where a data set or item stands, told only where something is odd.
#[derive(Debug, Clone, Copy)]
pub(super) enum Place<'r> {
    /// The document itself.
    Document,
    /// The root of its content.
    Root,
    /// A content item below another, by its ordinal there.
    Below(&'r Tree, ItemId, u32),
    /// An item of something else, by its ordinals there.
    At(&'r str),
}

impl fmt::Display for Place<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Place::Document => Ok(()),
            Place::Root => f.write_str("1"),
            Place::Below(tree, id, ordinal) => write!(f, "{}.{ordinal}", tree.place(*id)),
            Place::At(place) => f.write_str(place),
        }
    }
}

/// The character sets of a data set or item: its own declaration, else what is around it.
pub(super) fn charset_of(object: DataSet<'_>, around: &Rc<Charset>) -> Rc<Charset> {
    let text = match object.get(tags::SPECIFIC_CHARACTER_SET) {
        // A longer one is known to nobody, which is told.
        Some(Value::Texts(bytes) | Value::Text(bytes)) if bytes.len() > SETS => "?".to_owned(),
        Some(Value::Texts(bytes) | Value::Text(bytes)) => letters(bytes),
        Some(Value::Bytes(bytes)) => letters(bytes.get(..SETS).unwrap_or(bytes)),
        _ => return Rc::clone(around),
    };
    let own = Charset::of(&text);
    match own.word {
        // An empty element declares as little as none.
        Word::Nobody => Rc::clone(around),
        _ => Rc::new(own),
    }
}

impl<'a> Reader<'a, '_> {
    /// The same place and remarks, for an item inside.
    pub(super) fn inside<'s>(&'s mut self, object: DataSet<'a>) -> Reader<'a, 's> {
        Reader {
            charset: charset_of(object, &self.charset),
            object,
            place: self.place,
            remarks: self.remarks,
        }
    }

    /// `1.3.2 (0040,A30A)`, or the tag alone.
    pub(super) fn at(&self, tag: Tag) -> String {
        match self.place {
            Place::Document => tag.to_string(),
            place => format!("{place} {tag}"),
        }
    }

    pub(super) fn remark(&mut self, tag: Tag, remark: Remark) {
        let place = self.at(tag);
        self.remarks.push(remark.at(place));
    }

    fn value(&self, tag: Tag) -> Option<Value<'a>> {
        self.object.get(tag)
    }

    /// An identifier, padding removed: ASCII as it stands, any other byte as a backslash and three
    /// octal digits. So it is the same for the same bytes and no other, whatever character set is
    /// declared, assumed or unknown. One that is too long is none, with a blocking remark: cut, it
    /// would be somebody else's.
    pub(super) fn id(&mut self, tag: Tag) -> Option<String> {
        let (bytes, more) = self.bytes(tag, PADDED_ID * LETTER_BYTES)?;
        let pad = |byte: &u8| matches!(byte, b' ' | 0);
        let Some(start) = bytes.iter().position(|byte| !pad(byte)) else {
            // Blanks as far as anybody looked.
            return more.then(|| self.too_long(tag)).flatten();
        };
        let end = bytes.iter().rposition(|byte| !pad(byte))? + 1;
        let bytes = bytes.get(start..end)?;
        let letters = match (bytes.is_ascii(), &self.charset.word) {
            (true, _) => bytes.len(),
            (false, Word::Declared) => self.charset.decode(bytes, false).text.chars().count(),
            // Four bytes a letter are the most that one takes without escapes.
            (false, _) => bytes.len().div_ceil(4),
        };
        if more || letters > bounds::ID {
            return self.too_long(tag);
        }
        if !bytes.iter().all(|byte| matches!(byte, b' '..=b'~')) {
            self.remark(tag, id_in_bytes());
        }
        Some(exact(bytes))
    }

    fn too_long(&mut self, tag: Tag) -> Option<String> {
        self.remark(
            tag,
            Remark::of(
                RemarkCode::IdentityTooLong,
                "An id or issuer of the patient is longer than the 64 letters that DICOM allows; it \
                 is not used, since cut it could be another's.",
            )
            .act("Correct the object at its source and send it again."),
        );
        None
    }

    /// Text where the object itself declares its character set, else as [`Reader::id`]: what the
    /// configuration assumes must not decide whose exam it is.
    pub(super) fn issuer(&mut self, tag: Tag) -> Option<String> {
        match self.charset.word {
            Word::Declared => {
                let (text, more) = self.decoded(tag, PADDED_ID * LETTER_BYTES)?;
                let bare = bare(&text);
                if more || exceeds(bare, bounds::ID) {
                    return self.too_long(tag);
                }
                (!bare.is_empty()).then(|| charset::shown(bare))
            }
            Word::Nobody | Word::Assumed(_) => self.id(tag),
        }
    }

    /// A text that says which one something is, whole; one that is too long is not used.
    pub(super) fn whole(&mut self, tag: Tag, most: usize) -> Option<String> {
        let (text, more) = self.decoded(tag, most * LETTER_BYTES)?;
        let bare = bare(&text);
        if more || exceeds(bare, most) {
            self.remark(
                tag,
                Remark::of(
                    RemarkCode::TextTooLong,
                    format!("An identifier is longer than {most} letters and is not used."),
                ),
            );
            return None;
        }
        (!bare.is_empty()).then(|| charset::shown(bare))
    }

    /// Text with padding at both ends removed; several values stay joined by backslashes. It is cut
    /// at the length of its kind, with a remark.
    pub(super) fn text(&mut self, tag: Tag) -> Option<String> {
        let bound = Bound::of(tag);
        let (text, more) = self.decoded(tag, bound.bytes())?;
        self.bounded(tag, bound, bare(&text), more)
    }

    /// Long text: leading blanks count, trailing ones do not (PS3.5 table 6.2-1, UT).
    pub(super) fn long_text(&mut self, tag: Tag) -> Option<String> {
        let bound = Bound::of(tag);
        let (text, more) = self.decoded(tag, bound.bytes())?;
        let bare = text.trim_end_matches([' ', '\0']);
        self.bounded(tag, bound, bare, more)
    }

    /// The first value that is not empty.
    pub(super) fn first(&mut self, tag: Tag) -> Option<String> {
        let bound = Bound::of(tag);
        let (text, more) = self.decoded(tag, bound.bytes())?;
        let mut values = text.split('\\').map(bare);
        let first = values.find(|part| !part.is_empty())?.to_owned();
        // More than one value may be sent; only what is cut out of the first one matters.
        let more = more && values.next().is_none();
        self.bounded(tag, bound, &first, more)
    }

    /// Numbers as text, joined by backslashes: an element may hold many.
    fn numbers(&mut self, tag: Tag) -> String {
        let text = self.decoded(tag, bounds::NUMBERS);
        let bound = Bound::Letters(bounds::NUMBERS);
        let cut = text.and_then(|(text, more)| self.bounded(tag, bound, bare(&text), more));
        cut.unwrap_or_default()
    }

    /// The values of an element that may hold several identifiers; those that are too long are left
    /// out, and what is beyond `most`.
    pub(super) fn several(&mut self, tag: Tag, most: usize) -> Vec<String> {
        let text = self.decoded(tag, most * bounds::ID * LETTER_BYTES);
        let (text, more) = text.unwrap_or_default();
        let mut values: Vec<&str> = text.split('\\').map(bare).collect();
        if more {
            // The last one may be the beginning of another.
            values.pop();
        }
        let kept = values
            .into_iter()
            .filter(|one| !one.is_empty() && !exceeds(one, bounds::ID));
        kept.take(most).map(charset::shown).collect()
    }

    /// A UID of PS3.5 section 9, else `None` with a remark when there is anything.
    pub(super) fn uid(&mut self, tag: Tag) -> Option<String> {
        let bound = Bound::of(tag);
        let (text, more) = self.decoded(tag, bound.bytes())?;
        let bare = bare(&text);
        if bare.is_empty() && !more {
            return None;
        }
        if is_uid(bare) && !more {
            return Some(bare.to_owned());
        }
        self.remark(
            tag,
            Remark::of(
                RemarkCode::UidInvalid,
                "An identifier is not a valid UID and is left out.",
            ),
        );
        None
    }

    /// Items of a sequence; none with a remark when it is no sequence.
    pub(super) fn items(&mut self, tag: Tag) -> Items<'a> {
        match self.value(tag) {
            None | Some(Value::Empty) => Items::default(),
            Some(Value::Items(items)) => items,
            Some(_) => {
                self.remark(
                    tag,
                    Remark::of(
                        RemarkCode::ElementNotSequence,
                        "A sequence is sent as something else and cannot be read.",
                    ),
                );
                Items::default()
            }
        }
    }

    /// The only item; none with a remark when there are several, since none may be picked.
    pub(super) fn only_item(&mut self, tag: Tag) -> Option<DataSet<'a>> {
        let mut items = self.items(tag);
        match (items.next(), items.next()) {
            (only, None) => only,
            _ => {
                self.remark(
                    tag,
                    Remark::of(
                        RemarkCode::SequenceSeveralItems,
                        "A sequence that may hold one item holds several; none is used.",
                    ),
                );
                None
            }
        }
    }

    /// The only double of an element; `None` with a remark for anything else in it.
    pub(super) fn double(&mut self, tag: Tag) -> Option<f64> {
        let only = match self.value(tag)? {
            Value::Empty => return None,
            Value::Numbers(numbers) if matches!(numbers.vr, VR::FD | VR::OD) => {
                let mut numbers = numbers.little().map(f64::from_le_bytes);
                numbers.next().filter(|_| numbers.next().is_none())
            }
            _ => None,
        };
        if only.is_none() {
            self.remark(
                tag,
                Remark::of(
                    RemarkCode::ElementNotNumber,
                    "An element that holds one number holds something else.",
                ),
            );
        }
        only
    }

    /// Single-precision numbers; `None` when they are something else.
    pub(super) fn singles(&self, tag: Tag) -> Option<Vec<f64>> {
        match self.value(tag)? {
            Value::Numbers(numbers) if matches!(numbers.vr, VR::FL | VR::OF) => {
                let numbers = numbers.little().map(f32::from_le_bytes);
                Some(numbers.map(f64::from).collect())
            }
            _ => None,
        }
    }

    /// Signed long numbers; `None` when they are something else.
    pub(super) fn signed_longs(&self, tag: Tag) -> Option<Vec<i32>> {
        match self.value(tag)? {
            Value::Numbers(numbers) if numbers.vr == VR::SL => {
                Some(numbers.little().map(i32::from_le_bytes).collect())
            }
            _ => None,
        }
    }

    /// Unsigned long numbers; `None` when they are something else.
    pub(super) fn longs(&self, tag: Tag) -> Option<Vec<u32>> {
        match self.value(tag)? {
            Value::Numbers(numbers) if matches!(numbers.vr, VR::UL | VR::OL) => {
                Some(numbers.little().map(u32::from_le_bytes).collect())
            }
            _ => None,
        }
    }

    /// Numbers of an integer string (IS) or of an unsigned element, those that can be read.
    pub(super) fn whole_numbers(&mut self, tag: Tag) -> Vec<u32> {
        if let Some(longs) = self.longs(tag) {
            return longs;
        }
        match self.value(tag) {
            Some(Value::Numbers(numbers)) if matches!(numbers.vr, VR::US | VR::OW) => {
                let numbers = numbers.little().map(u16::from_le_bytes);
                numbers.map(u32::from).collect()
            }
            _ => self
                .numbers(tag)
                .split('\\')
                .filter_map(|part| bare(part).parse().ok())
                .collect(),
        }
    }

    /// Numbers of a decimal string (DS); empty unless all of it can be read.
    pub(super) fn decimals(&mut self, tag: Tag) -> Vec<f64> {
        let text = self.numbers(tag);
        let numbers: Result<Vec<f64>, _> =
            text.split('\\').map(|part| bare(part).parse()).collect();
        numbers.unwrap_or_default()
    }

    /// Whether the element is there at all.
    pub(super) fn has(&self, tag: Tag) -> bool {
        self.object.has(tag)
    }

    /// The coded concept of a code sequence (PS3.3 section 8), its equivalents one level deep.
    pub(super) fn code(&mut self, tag: Tag) -> Option<Code> {
        let item = self.only_item(tag)?;
        let mut inside = self.inside(item);
        let code = inside.coded(tag)?;
        let equivalents = inside.items(tags::EQUIVALENT_CODE_SEQUENCE);
        Some(Code {
            equivalents: equivalents
                .filter_map(|item| inside.inside(item).coded(tags::EQUIVALENT_CODE_SEQUENCE))
                .collect(),
            ..code
        })
    }

    /// A part of a code, whole. One that is too long becomes a word that no code has, different for
    /// different parts: it stays a code that nobody explains, and takes part in what that means.
    fn code_part(&mut self, tag: Tag, most: usize) -> Option<String> {
        let (text, more) = self.decoded(tag, most * LETTER_BYTES)?;
        let bare = bare(&text);
        if !more && !exceeds(bare, most) {
            return (!bare.is_empty()).then(|| charset::shown(bare));
        }
        let remark = Remark::of(
            RemarkCode::CodeTooLong,
            "A code is longer than any code can be; nothing explains it.",
        );
        let place = self.at(tag);
        self.remarks.once(tag, remark.at(place));
        let mut hash = Sha256::new();
        match self.value(tag) {
            Some(Value::Bytes(bytes)) => hash.update(bytes),
            Some(Value::Text(bytes)) => hash.update(letters(bytes)),
            Some(Value::Texts(bytes)) => hash.update(letters(bytes).replace('\\', "")),
            _ => {}
        }
        let digits = hash.finalize();
        let digits: String = digits
            .iter()
            .take(8)
            .map(|byte| format!("{byte:02x}"))
            .collect();
        Some(format!("…{digits}"))
    }

    /// The code of an item of the code sequence `of`.
    fn coded(&mut self, of: Tag) -> Option<Code> {
        let urn = self.code_part(tags::URN_CODE_VALUE, bounds::LONG_CODE);
        let scheme = self.code_part(tags::CODING_SCHEME_DESIGNATOR, bounds::ID);
        let value = self
            .code_part(tags::CODE_VALUE, bounds::ID)
            .or_else(|| self.code_part(tags::LONG_CODE_VALUE, bounds::LONG_CODE));
        // A URN names its own scheme (PS3.3 8.1); the other two are nothing without one.
        let (value, scheme) = match (value, scheme, urn) {
            (Some(value), Some(scheme), _) => (value, scheme),
            (None, scheme, Some(urn)) => (urn, scheme.unwrap_or_default()),
            _ => {
                self.remark(
                    of,
                    Remark::of(
                        RemarkCode::CodeIncomplete,
                        "A code lacks its value or its coding scheme and is not used.",
                    ),
                );
                return None;
            }
        };
        Some(Code {
            value,
            scheme,
            meaning: self.text(tags::CODE_MEANING).unwrap_or_default(),
            equivalents: Vec::new(),
        })
    }
}

/// 1 to 64 digits and dots (PS3.5 section 9.1), at least so far that it can be a key or a name.
pub fn is_uid(text: &str) -> bool {
    (1..=64).contains(&text.len()) && text.bytes().all(|byte| matches!(byte, b'0'..=b'9' | b'.'))
}

/// One letter a byte.
fn letters(bytes: &[u8]) -> String {
    bytes.iter().map(|&byte| char::from(byte)).collect()
}

fn bare(text: &str) -> &str {
    text.trim_matches([' ', '\0'])
}

#[cfg(test)]
mod tests;
