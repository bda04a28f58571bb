//! The iterative walk over an encoded data set (PS3.5 sections 7.1 to 7.5 and annex A).
//!
//! The decoder behind the gate recurses and allocates by what headers say, so this walk has to
//! see exactly the headers the decoder will see. Where the two could come to different places
//! (a binary value with a remainder, a delimiter with a length, a sequence hidden behind UN) the
//! walk refuses, or hides the element from the decoder.

mod fragments;

use super::encoding::{Encoding, dictionary_vr, has_short_length, is_signed_or_not, splits, word};
use super::error::{Fault, GateError, Place};
use crate::sr::Limits;
use dicom_core::{Tag, VR};
use dicom_dictionary_std::tags;

const UNDEFINED: u32 = u32::MAX;
const ITEM: Tag = Tag(0xFFFE, 0xE000);
const ITEM_DELIMITER: Tag = Tag(0xFFFE, 0xE00D);
const SEQUENCE_DELIMITER: Tag = Tag(0xFFFE, 0xE0DD);

/// What the walk meets, in order.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Event<'a> {
    /// An element with a plain value.
    Element {
        tag: Tag,
        vr: VR,
        encoding: Encoding,
        value: &'a [u8],
        depth: usize,
        /// Where its tag stands.
        at: usize,
        /// Where its value starts.
        value_at: usize,
    },
    /// A sequence opens.
    SequenceStart { tag: Tag },
    /// An item opens.
    ItemStart,
    /// An item closes.
    ItemEnd,
    /// A sequence closes.
    SequenceEnd,
    /// The sequence just closed was written as UN of undefined length in an explicit syntax.
    /// Its length field stands at `length_at`; `length` covers all up to and with its delimiter.
    Unknown { length_at: usize, length: u32 },
    /// The element just met is the pixel data of the object: from its tag to behind its value.
    Pixels { from: usize, to: usize },
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Kind {
    DataSet,
    Sequence,
}

/// An open container.
#[derive(Debug, Clone, Copy)]
struct Frame {
    kind: Kind,
    encoding: Encoding,
    /// No byte of it lies at or after this offset.
    limit: usize,
    /// Whether it ends at `limit`, or at a delimiter before.
    defined: bool,
    /// Tag of a sequence.
    tag: Tag,
    /// Items opened so far in a sequence.
    items: u32,
    /// Where the tags of a data set start in `Walk::tags`.
    tags_from: usize,
    /// Whether its tags only rose so far.
    ordered: bool,
    /// Offset of the length field and its encoding, for a sequence behind UN.
    unknown_at: Option<usize>,
}

struct Header {
    tag: Tag,
    vr: VR,
    /// The letters on the wire are `UN`.
    unknown: bool,
    length: u32,
    length_at: usize,
    value_at: usize,
}

struct Walk<'a, 'l> {
    data: &'a [u8],
    base: usize,
    inflated: bool,
    /// Whether the transfer syntax sends pixel data in fragments.
    encapsulated: bool,
    limits: &'l Limits,
    at: usize,
    stack: Vec<Frame>,
    tags: Vec<Tag>,
    counted: usize,
    depth: usize,
}

/// Walks a whole data set; `base` is the offset of `data` in the file, for error places.
pub(super) fn walk<'a>(
    data: &'a [u8],
    encoding: Encoding,
    base: usize,
    inflated: bool,
    encapsulated: bool,
    limits: &Limits,
    visit: &mut impl FnMut(Event<'a>),
) -> Result<(), GateError> {
    let root = Frame {
        kind: Kind::DataSet,
        encoding,
        limit: data.len(),
        defined: true,
        tag: Tag(0, 0),
        items: 0,
        tags_from: 0,
        ordered: true,
        unknown_at: None,
    };
    let mut walk = Walk {
        data,
        base,
        inflated,
        encapsulated,
        limits,
        at: 0,
        stack: vec![root],
        tags: Vec::new(),
        counted: 0,
        depth: 0,
    };
    while let Some(&frame) = walk.stack.last() {
        if walk.at == frame.limit {
            if !frame.defined {
                return Err(walk.fail(Fault::Truncated, walk.at, None));
            }
            walk.close(visit)?;
        } else {
            match frame.kind {
                Kind::DataSet => walk.element(frame, visit)?,
                Kind::Sequence => walk.item(frame, visit)?,
            }
        }
    }
    Ok(())
}

impl<'a> Walk<'a, '_> {
    fn fail(&self, fault: Fault, at: usize, tag: Option<Tag>) -> GateError {
        let path = self
            .stack
            .iter()
            .zip(1..)
            .filter(|(frame, _)| frame.kind == Kind::Sequence)
            .map(|(frame, inside)| {
                let open = self.stack.get(inside).is_some();
                (frame.tag, if open { frame.items } else { 0 })
            })
            .collect();
        GateError {
            fault,
            place: Place {
                offset: self.base + at,
                inflated: self.inflated,
                tag,
                path,
            },
        }
    }

    /// Bytes at `at`, as long as they end before `limit`.
    fn take<const N: usize>(&self, at: usize, limit: usize) -> Result<[u8; N], GateError> {
        at.checked_add(N)
            .filter(|&end| end <= limit)
            .and_then(|end| self.data.get(at..end))
            .and_then(|bytes| bytes.try_into().ok())
            .ok_or_else(|| self.fail(Fault::Truncated, at, None))
    }

    fn tag(&self, frame: Frame) -> Result<Tag, GateError> {
        let [a, b, c, d] = self.take(self.at, frame.limit)?;
        Ok(Tag(frame.encoding.u16([a, b]), frame.encoding.u16([c, d])))
    }

    fn count(&mut self, number: usize, tag: Tag) -> Result<(), GateError> {
        self.counted = self.counted.saturating_add(number);
        let limit = self.limits.elements;
        if self.counted > limit {
            return Err(self.fail(Fault::TooMany { limit }, self.at, Some(tag)));
        }
        Ok(())
    }

    /// An element, or the delimiter of the item.
    fn element(
        &mut self,
        frame: Frame,
        visit: &mut impl FnMut(Event<'a>),
    ) -> Result<(), GateError> {
        let tag = self.tag(frame)?;
        if tag.0 == 0xFFFE {
            let length = frame.encoding.u32(self.take(self.at + 4, frame.limit)?);
            return match tag {
                ITEM_DELIMITER if !frame.defined && length == 0 => {
                    self.at += 8;
                    self.close(visit)
                }
                ITEM => Err(self.fail(Fault::ItemOutside, self.at, Some(tag))),
                _ => Err(self.fail(Fault::Delimiter, self.at, Some(tag))),
            };
        }
        if matches!(tag.0, 0..=3 | 5 | 7 | 0xFFFF) {
            let fault = match tag.0 {
                0 if self.at > 0 && self.stack.len() == 1 => Fault::Trailing,
                _ => Fault::Group,
            };
            return Err(self.fail(fault, self.at, Some(tag)));
        }
        self.count(1, tag)?;
        self.remember(tag);

        let header = self.header(tag, frame)?;
        let left = frame.limit - header.value_at;
        if header.length == UNDEFINED {
            return self.undefined(frame, &header, visit);
        }
        let length = usize::try_from(header.length).unwrap_or(usize::MAX);
        let end = match header.value_at.checked_add(length) {
            Some(end) if length <= left => end,
            _ => {
                let declared = header.length;
                return Err(self.fail(Fault::LengthOverrun { declared, left }, self.at, Some(tag)));
            }
        };
        self.whole_words(&header)?;
        if header.vr == VR::SQ {
            return self.open(frame, &header, Some(end), visit);
        }
        let value = self.data.get(header.value_at..end).unwrap_or_default();
        if splits(header.vr) {
            self.count(value.iter().filter(|&&byte| byte == b'\\').count(), tag)?;
        }
        let at = std::mem::replace(&mut self.at, end);
        visit(Event::Element {
            tag,
            vr: header.vr,
            encoding: frame.encoding,
            value,
            depth: self.depth,
            at,
            value_at: header.value_at,
        });
        if tag == tags::PIXEL_DATA && self.depth == 0 {
            visit(Event::Pixels { from: at, to: end });
        }
        Ok(())
    }

    fn header(&self, tag: Tag, frame: Frame) -> Result<Header, GateError> {
        let after_tag = self.at + 4;
        let (vr, unknown, length_at, short) = if frame.encoding.explicit() {
            let letters: [u8; 2] = self.take(after_tag, frame.limit)?;
            if !letters.iter().all(u8::is_ascii_uppercase) {
                return Err(self.fail(Fault::VrLetters, self.at, Some(tag)));
            }
            // Letters of a later edition have a 32-bit length, as UN has (PS3.5 7.1.2).
            let vr = VR::from_binary(letters).unwrap_or(VR::UN);
            let short = has_short_length(vr);
            let length_at = after_tag + if short { 2 } else { 4 };
            (vr, &letters == b"UN", length_at, short)
        } else {
            let vr = dictionary_vr(tag);
            (vr, vr == VR::UN, after_tag, false)
        };
        let (length, value_at) = if short {
            let bytes = self.take(length_at, frame.limit)?;
            (u32::from(frame.encoding.u16(bytes)), length_at + 2)
        } else {
            let bytes = self.take(length_at, frame.limit)?;
            (frame.encoding.u32(bytes), length_at + 4)
        };
        Ok(Header {
            tag,
            vr,
            unknown,
            length,
            length_at,
            value_at,
        })
    }

    fn undefined(
        &mut self,
        frame: Frame,
        header: &Header,
        visit: &mut impl FnMut(Event<'a>),
    ) -> Result<(), GateError> {
        if header.tag == tags::PIXEL_DATA && self.encapsulated && self.depth == 0 {
            return self.fragments(frame, header, visit);
        }
        if header.tag == tags::PIXEL_DATA {
            return Err(self.fail(Fault::EncapsulatedPixels, self.at, Some(header.tag)));
        }
        if header.vr != VR::SQ && !header.unknown || is_signed_or_not(header.tag) {
            return Err(self.fail(Fault::UndefinedLength, self.at, Some(header.tag)));
        }
        self.open(frame, header, None, visit)
    }

    /// Opens the sequence of a header; without `end` it closes at its delimiter.
    fn open(
        &mut self,
        frame: Frame,
        header: &Header,
        end: Option<usize>,
        visit: &mut impl FnMut(Event<'a>),
    ) -> Result<(), GateError> {
        let limit = self.limits.depth;
        if self.depth >= limit {
            return Err(self.fail(Fault::TooDeep { limit }, self.at, Some(header.tag)));
        }
        self.depth += 1;
        self.at = header.value_at;
        // UN of undefined length holds Implicit VR Little Endian in every syntax (PS3.5 6.2.2).
        let behind_un = header.unknown && frame.encoding.explicit();
        self.stack.push(Frame {
            kind: Kind::Sequence,
            encoding: if behind_un {
                Encoding::ImplicitLittle
            } else {
                frame.encoding
            },
            limit: end.unwrap_or(frame.limit),
            defined: end.is_some(),
            tag: header.tag,
            items: 0,
            tags_from: self.tags.len(),
            ordered: true,
            unknown_at: behind_un.then_some(header.length_at),
        });
        visit(Event::SequenceStart { tag: header.tag });
        Ok(())
    }

    /// An item, or the delimiter of the sequence.
    fn item(&mut self, frame: Frame, visit: &mut impl FnMut(Event<'a>)) -> Result<(), GateError> {
        let tag = self.tag(frame)?;
        let declared = frame.encoding.u32(self.take(self.at + 4, frame.limit)?);
        let value_at = self.at + 8;
        match tag {
            ITEM => {}
            SEQUENCE_DELIMITER if !frame.defined && declared == 0 => {
                self.at = value_at;
                return self.close(visit);
            }
            SEQUENCE_DELIMITER | ITEM_DELIMITER => {
                return Err(self.fail(Fault::Delimiter, self.at, Some(tag)));
            }
            _ => return Err(self.fail(Fault::NotAnItem, self.at, Some(tag))),
        }
        self.count(1, tag)?;
        let left = frame.limit - value_at;
        let end = match declared {
            UNDEFINED => None,
            _ => match usize::try_from(declared) {
                Ok(length) if length <= left => Some(value_at + length),
                _ => {
                    let fault = Fault::LengthOverrun { declared, left };
                    return Err(self.fail(fault, self.at, Some(tag)));
                }
            },
        };
        if let Some(sequence) = self.stack.last_mut() {
            sequence.items = sequence.items.saturating_add(1);
        }
        self.at = value_at;
        self.stack.push(Frame {
            kind: Kind::DataSet,
            limit: end.unwrap_or(frame.limit),
            defined: end.is_some(),
            items: 0,
            tags_from: self.tags.len(),
            ordered: true,
            unknown_at: None,
            ..frame
        });
        visit(Event::ItemStart);
        Ok(())
    }

    fn remember(&mut self, tag: Tag) {
        if let Some(frame) = self.stack.last_mut() {
            let before = self.tags.get(frame.tags_from..).and_then(<[Tag]>::last);
            frame.ordered &= before.is_none_or(|&before| before < tag);
        }
        self.tags.push(tag);
    }

    fn close(&mut self, visit: &mut impl FnMut(Event<'a>)) -> Result<(), GateError> {
        let Some(&frame) = self.stack.last() else {
            return Ok(());
        };
        if !frame.ordered {
            // The decoder would keep one of the two and say nothing.
            let own = self.tags.get_mut(frame.tags_from..).unwrap_or_default();
            own.sort_unstable();
            let twice = own.windows(2).find_map(|pair| match pair {
                [a, b] if a == b => Some(*a),
                _ => None,
            });
            if twice.is_some() {
                return Err(self.fail(Fault::Duplicate, self.at, twice));
            }
        }
        self.tags.truncate(frame.tags_from);
        self.stack.pop();
        match frame.kind {
            Kind::Sequence => {
                self.depth = self.depth.saturating_sub(1);
                visit(Event::SequenceEnd);
            }
            Kind::DataSet if self.stack.is_empty() => {}
            Kind::DataSet => visit(Event::ItemEnd),
        }
        if let Some(length_at) = frame.unknown_at {
            let length = self.at - length_at - 4;
            // A data set is far smaller than 4 GiB by its own limit.
            let length = u32::try_from(length).unwrap_or(UNDEFINED);
            visit(Event::Unknown { length_at, length });
        }
        Ok(())
    }

    /// A remainder would put the decoder's place in the stream off by that much.
    fn whole_words(&self, header: &Header) -> Result<(), GateError> {
        let either = is_signed_or_not(header.tag);
        if header.vr == VR::SQ && either {
            return Err(self.fail(Fault::NotAnItem, self.at, Some(header.tag)));
        }
        let word = word(header.vr).max(if either { 2 } else { 1 });
        if header.length.is_multiple_of(word) {
            return Ok(());
        }
        let length = header.length;
        Err(self.fail(
            Fault::WordLength { length, word },
            self.at,
            Some(header.tag),
        ))
    }
}
