//! Values out of decoded elements, with what is odd about them.

use super::Code;
use super::charset::{self, Charset, DECLARED, Word};
use super::letters::{assumed, exact, id_in_bytes, octal, undeclared, undecodable};
use crate::domain::{Remark, Severity};
use dicom_core::Tag;
use dicom_core::value::{PrimitiveValue, Value};
use dicom_dictionary_std::tags;
use dicom_object::InMemDicomObject;
use std::borrow::Cow;
use std::rc::Rc;

/// Remarks kept of one object; a hostile one could cause a million.
const KEPT: usize = 200;

/// Remarks of one object, bounded.
#[derive(Default)]
pub(super) struct Remarks {
    kept: Vec<Remark>,
    dropped: usize,
    /// The gravest dropped.
    severity: Option<Severity>,
}

impl Remarks {
    pub(super) fn push(&mut self, remark: Remark) {
        if self.kept.len() < KEPT {
            self.kept.push(remark);
        } else {
            self.dropped += 1;
            self.severity = self.severity.max(Some(remark.severity));
        }
    }

    /// All remarks, the last one for those dropped and as grave as the gravest of them.
    pub(super) fn finish(mut self) -> Vec<Remark> {
        if let Some(severity) = self.severity {
            let text = format!(
                "{} more remarks on this object are not listed.",
                self.dropped
            );
            self.kept
                .push(Remark::new("remarks-dropped", severity, text));
        }
        self.kept
    }
}

/// A data set or item, its place in the document for remarks, and where remarks go.
pub(super) struct Reader<'a, 'r> {
    pub(super) object: &'a InMemDicomObject,
    /// Ordinals of the content item, empty for the document itself.
    pub(super) place: &'r str,
    pub(super) remarks: &'r mut Remarks,
    /// Character sets of what is around the object; its own go before them.
    pub(super) charset: Rc<Charset>,
}

/// The character sets of a data set or item: its own declaration, else what is around it.
pub(super) fn charset_of(object: &InMemDicomObject, around: &Rc<Charset>) -> Rc<Charset> {
    let Some(element) = object.get(DECLARED) else {
        return Rc::clone(around);
    };
    let text = match element.value() {
        Value::Primitive(PrimitiveValue::Strs(parts)) => parts.join("\\"),
        Value::Primitive(PrimitiveValue::Str(text)) => text.clone(),
        Value::Primitive(PrimitiveValue::U8(bytes)) => {
            bytes.iter().map(|&b| char::from(b)).collect()
        }
        _ => String::new(),
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
    pub(super) fn inside<'s>(&'s mut self, object: &'a InMemDicomObject) -> Reader<'a, 's> {
        Reader {
            charset: charset_of(object, &self.charset),
            object,
            place: self.place,
            remarks: self.remarks,
        }
    }

    /// `1.3.2 (0040,A30A)`, or the tag alone.
    pub(super) fn at(&self, tag: Tag) -> String {
        if self.place.is_empty() {
            tag.to_string()
        } else {
            format!("{} {tag}", self.place)
        }
    }

    pub(super) fn remark(&mut self, tag: Tag, remark: Remark) {
        let place = self.at(tag);
        self.remarks.push(remark.at(place));
    }

    fn value(&self, tag: Tag) -> Option<&'a Value<InMemDicomObject>> {
        self.object.get(tag).map(dicom_core::DataElement::value)
    }

    /// The bytes of a text element, padding included; `None` when absent, empty or no text.
    fn bytes(&mut self, tag: Tag) -> Option<Cow<'a, [u8]>> {
        let text = match self.value(tag)? {
            Value::Primitive(PrimitiveValue::Empty) => return None,
            Value::Primitive(PrimitiveValue::U8(bytes)) => return Some(Cow::Borrowed(bytes)),
            Value::Primitive(PrimitiveValue::Str(text)) => Cow::Borrowed(text.as_str()),
            Value::Primitive(PrimitiveValue::Strs(parts)) => {
                // What the decoder itself could not decode, in elements of plain ASCII.
                if parts.iter().any(|part| part.contains('\\')) {
                    self.remark(tag, undecodable());
                }
                Cow::Owned(parts.join("\\"))
            }
            _ => {
                self.remark(
                    tag,
                    Remark::caution(
                        "element-not-text",
                        "An element that holds text is sent as something else.",
                    ),
                );
                return None;
            }
        };
        // One letter is one byte here, whatever was declared: see `charset`.
        let bytes: Option<Vec<u8>> = text.chars().map(|c| u8::try_from(c).ok()).collect();
        Some(Cow::Owned(
            bytes.unwrap_or_else(|| text.as_bytes().to_vec()),
        ))
    }

    /// A text element, values joined by backslashes, padding kept; `None` when absent or empty.
    ///
    /// Bytes that cannot be decoded are marks, so different bytes stay different.
    fn decoded(&mut self, tag: Tag) -> Option<String> {
        let bytes = self.bytes(tag)?;
        if let Some(Value::Primitive(PrimitiveValue::U8(_))) = self.value(tag) {
            // Sent as UN: the character set is anyone's guess outside ASCII.
            if !bytes.is_ascii() {
                self.remark(tag, undecodable());
            }
            return Some(bytes.iter().map(octal).collect());
        }
        let name = matches!(
            tag,
            tags::PERSON_NAME
                | tags::OPERATORS_NAME
                | tags::PATIENT_NAME
                | tags::REFERRING_PHYSICIAN_NAME
        );
        let charset = Rc::clone(&self.charset);
        let decoded = charset.decode(&bytes, name);
        match &charset.word {
            _ if decoded.plain => {}
            Word::Nobody => self.remark(tag, undeclared()),
            Word::Assumed(terms) => self.remark(tag, assumed(terms)),
            Word::Declared => {}
        }
        if decoded.marked && charset.word != Word::Nobody {
            self.remark(tag, undecodable());
        }
        Some(decoded.text)
    }

    /// An identifier, padding removed: ASCII as it stands, any other byte as a backslash and three
    /// octal digits. So it is the same for the same bytes and no other, whatever character set is
    /// declared, assumed or unknown.
    pub(super) fn id(&mut self, tag: Tag) -> Option<String> {
        let bytes = self.bytes(tag)?;
        let pad = |byte: &u8| matches!(byte, b' ' | 0);
        let start = bytes.iter().position(|byte| !pad(byte))?;
        let end = bytes.iter().rposition(|byte| !pad(byte))? + 1;
        let bytes = bytes.get(start..end)?;
        if !bytes.iter().all(|byte| matches!(byte, b' '..=b'~')) {
            self.remark(tag, id_in_bytes());
        }
        Some(exact(bytes))
    }

    /// Text where the object itself declares its character set, else as [`Reader::id`]: what the
    /// configuration assumes must not decide whose exam it is.
    pub(super) fn issuer(&mut self, tag: Tag) -> Option<String> {
        match self.charset.word {
            Word::Declared => self.text(tag),
            Word::Nobody | Word::Assumed(_) => self.id(tag),
        }
    }

    /// Text with padding at both ends removed; several values stay joined by backslashes.
    pub(super) fn text(&mut self, tag: Tag) -> Option<String> {
        let text = self.decoded(tag)?;
        let bare = bare(&text);
        (!bare.is_empty()).then(|| charset::shown(bare))
    }

    /// Long text: leading blanks count, trailing ones do not (PS3.5 table 6.2-1, UT).
    pub(super) fn long_text(&mut self, tag: Tag) -> Option<String> {
        let text = self.decoded(tag)?;
        let bare = text.trim_end_matches([' ', '\0']);
        (!bare.is_empty()).then(|| charset::shown(bare))
    }

    /// The first value that is not empty.
    pub(super) fn first(&mut self, tag: Tag) -> Option<String> {
        let text = self.decoded(tag)?;
        let first = text.split('\\').map(bare).find(|part| !part.is_empty());
        first.map(charset::shown)
    }

    /// A UID of PS3.5 section 9, else `None` with a remark when there is anything.
    pub(super) fn uid(&mut self, tag: Tag) -> Option<String> {
        let text = self.text(tag)?;
        if is_uid(&text) {
            return Some(text);
        }
        self.remark(
            tag,
            Remark::caution(
                "uid-invalid",
                "An identifier is not a valid UID and is left out.",
            ),
        );
        None
    }

    /// Items of a sequence; none with a remark when it is no sequence.
    pub(super) fn items(&mut self, tag: Tag) -> &'a [InMemDicomObject] {
        match self.value(tag) {
            None | Some(Value::Primitive(PrimitiveValue::Empty)) => &[],
            Some(Value::Sequence(sequence)) => sequence.items(),
            Some(_) => {
                self.remark(
                    tag,
                    Remark::caution(
                        "element-not-sequence",
                        "A sequence is sent as something else and cannot be read.",
                    ),
                );
                &[]
            }
        }
    }

    /// The only item; none with a remark when there are several, since none may be picked.
    pub(super) fn only_item(&mut self, tag: Tag) -> Option<&'a InMemDicomObject> {
        match self.items(tag) {
            [] => None,
            [item] => Some(item),
            _ => {
                self.remark(
                    tag,
                    Remark::caution(
                        "sequence-several-items",
                        "A sequence that may hold one item holds several; none is used.",
                    ),
                );
                None
            }
        }
    }

    /// The only double of an element; `None` with a remark for anything else in it.
    pub(super) fn double(&mut self, tag: Tag) -> Option<f64> {
        match self.value(tag)? {
            Value::Primitive(PrimitiveValue::Empty) => None,
            Value::Primitive(PrimitiveValue::F64(numbers)) if numbers.len() == 1 => {
                numbers.first().copied()
            }
            _ => {
                self.remark(
                    tag,
                    Remark::caution(
                        "element-not-number",
                        "An element that holds one number holds something else.",
                    ),
                );
                None
            }
        }
    }

    /// Single-precision numbers; `None` when they are something else.
    pub(super) fn singles(&self, tag: Tag) -> Option<Vec<f64>> {
        match self.value(tag)? {
            Value::Primitive(PrimitiveValue::F32(numbers)) => {
                Some(numbers.iter().map(|&number| f64::from(number)).collect())
            }
            _ => None,
        }
    }

    /// Signed long numbers; `None` when they are something else.
    pub(super) fn signed_longs(&self, tag: Tag) -> Option<Vec<i32>> {
        match self.value(tag)? {
            Value::Primitive(PrimitiveValue::I32(numbers)) => Some(numbers.to_vec()),
            _ => None,
        }
    }

    /// Unsigned long numbers; `None` when they are something else.
    pub(super) fn longs(&self, tag: Tag) -> Option<Vec<u32>> {
        match self.value(tag)? {
            Value::Primitive(PrimitiveValue::U32(numbers)) => Some(numbers.to_vec()),
            _ => None,
        }
    }

    /// Numbers of an integer string (IS) or of an unsigned element, those that can be read.
    pub(super) fn whole_numbers(&mut self, tag: Tag) -> Vec<u32> {
        match self.value(tag) {
            Some(Value::Primitive(PrimitiveValue::U16(numbers))) => {
                numbers.iter().map(|&number| u32::from(number)).collect()
            }
            Some(Value::Primitive(PrimitiveValue::U32(numbers))) => numbers.to_vec(),
            _ => self
                .text(tag)
                .unwrap_or_default()
                .split('\\')
                .filter_map(|part| bare(part).parse().ok())
                .collect(),
        }
    }

    /// Numbers of a decimal string (DS); empty unless all of it can be read.
    pub(super) fn decimals(&mut self, tag: Tag) -> Vec<f64> {
        let text = self.text(tag).unwrap_or_default();
        let numbers: Result<Vec<f64>, _> =
            text.split('\\').map(|part| bare(part).parse()).collect();
        numbers.unwrap_or_default()
    }

    /// Whether the element is there at all.
    pub(super) fn has(&self, tag: Tag) -> bool {
        self.object.get(tag).is_some()
    }

    /// The coded concept of a code sequence (PS3.3 section 8), its equivalents one level deep.
    pub(super) fn code(&mut self, tag: Tag) -> Option<Code> {
        let item = self.only_item(tag)?;
        let mut inside = self.inside(item);
        let code = inside.coded(tag)?;
        let equivalents = inside.items(tags::EQUIVALENT_CODE_SEQUENCE);
        Some(Code {
            equivalents: equivalents
                .iter()
                .filter_map(|item| inside.inside(item).coded(tags::EQUIVALENT_CODE_SEQUENCE))
                .collect(),
            ..code
        })
    }

    /// The code of an item of the code sequence `of`.
    fn coded(&mut self, of: Tag) -> Option<Code> {
        let urn = self.text(tags::URN_CODE_VALUE);
        let scheme = self.text(tags::CODING_SCHEME_DESIGNATOR);
        let value = self
            .text(tags::CODE_VALUE)
            .or_else(|| self.text(tags::LONG_CODE_VALUE));
        // A URN names its own scheme (PS3.3 8.1); the other two are nothing without one.
        let (value, scheme) = match (value, scheme, urn) {
            (Some(value), Some(scheme), _) => (value, scheme),
            (None, scheme, Some(urn)) => (urn, scheme.unwrap_or_default()),
            _ => {
                self.remark(
                    of,
                    Remark::caution(
                        "code-incomplete",
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
pub(crate) fn is_uid(text: &str) -> bool {
    (1..=64).contains(&text.len()) && text.bytes().all(|byte| matches!(byte, b'0'..=b'9' | b'.'))
}

fn bare(text: &str) -> &str {
    text.trim_matches([' ', '\0'])
}
