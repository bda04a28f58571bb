//! The text of an element: its bytes, decoded, at the length of its kind.

use super::Reader;
use crate::domain::{Remark, RemarkCode, Severity};
use crate::sr::bounds::Bound;
use crate::sr::charset::{self, Word};
use crate::sr::data::Value;
use crate::sr::letters::{assumed, octal, undeclared, undecodable};
use dicom_core::Tag;
use dicom_dictionary_std::tags;
use std::borrow::Cow;
use std::rc::Rc;

impl<'a> Reader<'a, '_> {
    /// The bytes of a text element without the padding at its end, and whether there are more than
    /// the `most` that are given; `None` when absent, empty or no text.
    ///
    /// No more is copied than what can be used: a stranger may send a name of 60 MB.
    pub(super) fn bytes(&mut self, tag: Tag, most: usize) -> Option<(&'a [u8], bool)> {
        match self.value(tag)? {
            Value::Empty => None,
            Value::Texts(bytes) | Value::Text(bytes) | Value::Bytes(bytes) => {
                let end = bytes.iter().rposition(|byte| !matches!(byte, b' ' | 0));
                let bytes = bytes.get(..end.map_or(0, |last| last + 1))?;
                Some((bytes.get(..most).unwrap_or(bytes), bytes.len() > most))
            }
            Value::Items(_) | Value::Numbers(_) => {
                self.remark(
                    tag,
                    Remark::of(
                        RemarkCode::ElementNotText,
                        "An element that holds text is sent as something else.",
                    ),
                );
                None
            }
        }
    }

    /// A text element of at most `most` bytes, values joined by backslashes, padding at its start
    /// kept, and whether there is more; `None` when absent or empty.
    ///
    /// Bytes that cannot be decoded are marks, so different bytes stay different.
    pub(super) fn decoded(&mut self, tag: Tag, most: usize) -> Option<(Cow<'a, str>, bool)> {
        let (bytes, more) = self.bytes(tag, most)?;
        if let Some(Value::Bytes(_)) = self.value(tag) {
            // Sent as UN: the character set is anyone's guess outside ASCII.
            if !bytes.is_ascii() {
                self.remark(tag, undecodable());
            }
            return Some((bytes.iter().map(octal).collect(), more));
        }
        let name = matches!(
            tag,
            tags::PERSON_NAME
                | tags::OPERATORS_NAME
                | tags::PATIENT_NAME
                | tags::REFERRING_PHYSICIAN_NAME
        );
        let charset = Rc::clone(&self.charset);
        let decoded = charset.decode(bytes, name);
        match &charset.word {
            _ if decoded.plain => {}
            Word::Nobody => self.remark(tag, undeclared()),
            Word::Assumed(terms) => self.remark(tag, assumed(terms)),
            Word::Declared => {}
        }
        if decoded.marked && charset.word != Word::Nobody {
            self.remark(tag, undecodable());
        }
        Some((decoded.text, more))
    }

    /// A decoded text at the length of its kind, with a remark when that is less than all of it.
    pub(super) fn bounded(
        &mut self,
        tag: Tag,
        bound: Bound,
        text: &str,
        more: bool,
    ) -> Option<String> {
        let (text, cut) = bound.cut(text, more);
        if cut {
            let severity = match tag {
                // For people alone, and in long reports a thousand times.
                tags::CODE_MEANING | tags::TEXT_VALUE => Severity::Info,
                _ => Severity::Caution,
            };
            let text = "A text is longer than its kind may be (PS3.5 table 6.2-1) and is cut.";
            let place = self.at(tag);
            let remark = Remark::of(RemarkCode::TextCut, text)
                .with(severity)
                .at(place);
            self.remarks.once(tag, remark);
        }
        (!text.is_empty()).then(|| charset::shown(&text))
    }
}
