//! HL7 v2 messages of others, read without trusting them.
//!
//! A [`Message`] looks at bytes and copies nothing: a field is searched when it is asked for, so a
//! message of a million delimiters costs no more than its length. Text is only given out where it is
//! certain what it says: letters beyond ASCII need a declared UTF-8 (MSH-18), and an escape must be
//! one that has a meaning (HL7 v2.5.1, 2.7).

pub mod ack;
#[cfg(test)]
mod tests;

/// The delimiters of a message (MSH-1 and MSH-2).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Marks {
    field: u8,
    component: u8,
    repetition: u8,
    escape: u8,
    subcomponent: u8,
}

/// One message.
#[derive(Clone, Copy)]
pub struct Message<'a> {
    bytes: &'a [u8],
    marks: Marks,
    is_utf8: bool,
}

/// Bytes that are not the start of a message.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("it does not begin with MSH and five delimiters")]
pub struct NoMessage;

/// Why the text of a field cannot be told.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum TextError {
    /// Letters beyond ASCII, and the message does not say in which character set.
    #[error("it has letters beyond ASCII and MSH-18 does not say UNICODE UTF-8")]
    Undeclared,
    /// Not the character set that was declared.
    #[error("it is not UTF-8, which MSH-18 declares")]
    NotUtf8,
    /// An escape sequence without a meaning in an identifier, or an unfinished one.
    #[error("it has an escape sequence that stands for no letters")]
    Escape,
}

impl<'a> Message<'a> {
    /// Looks at the bytes of a message.
    ///
    /// # Errors
    /// They do not begin with a header.
    pub fn of(bytes: &'a [u8]) -> Result<Self, NoMessage> {
        let [
            b'M',
            b'S',
            b'H',
            field,
            component,
            repetition,
            escape,
            subcomponent,
            ..,
        ] = *bytes
        else {
            return Err(NoMessage);
        };
        let all = [field, component, repetition, escape, subcomponent];
        let is_mark = |byte: &u8| byte.is_ascii_punctuation();
        let twice = |at: usize, byte: &u8| all.iter().take(at).any(|other| other == byte);
        if !all.iter().all(is_mark) || all.iter().enumerate().any(|(at, byte)| twice(at, byte)) {
            return Err(NoMessage);
        }
        let mut message = Message {
            bytes,
            marks: Marks {
                field,
                component,
                repetition,
                escape,
                subcomponent,
            },
            is_utf8: false,
        };
        let set = message.header().field(18).repetitions().next();
        message.is_utf8 = set.is_some_and(|set| set.bytes == b"UNICODE UTF-8");
        Ok(message)
    }

    /// Its segments, in order. Line feeds before a segment, which the standard does not have, are
    /// passed over.
    pub fn segments(&self) -> impl Iterator<Item = Segment<'a>> + use<'a> {
        let message = *self;
        let lines = self.bytes.split(|byte| *byte == b'\r');
        lines
            .map(|line| line.trim_ascii_start())
            .filter(|line| !line.is_empty())
            .map(move |bytes| Segment { bytes, message })
    }

    /// The first segment of that name.
    #[must_use]
    pub fn segment(&self, name: &str) -> Option<Segment<'a>> {
        self.segments().find(|segment| segment.is(name))
    }

    /// MSH.
    #[must_use]
    pub fn header(&self) -> Segment<'a> {
        let line = self.bytes.split(|byte| *byte == b'\r').next();
        Segment {
            bytes: line.unwrap_or_default(),
            message: *self,
        }
    }
}

/// One segment.
#[derive(Clone, Copy)]
pub struct Segment<'a> {
    bytes: &'a [u8],
    message: Message<'a>,
}

impl<'a> Segment<'a> {
    /// Its name, as it stands there.
    #[must_use]
    pub fn name(&self) -> &'a [u8] {
        let field = self.message.marks.field;
        let mut parts = self.bytes.split(|byte| *byte == field);
        parts.next().unwrap_or_default()
    }

    /// Whether that is its name.
    #[must_use]
    pub fn is(&self, name: &str) -> bool {
        self.name() == name.as_bytes()
    }

    /// A field by its number, from 1; empty if it is not there. MSH-1 is the first delimiter itself.
    #[must_use]
    pub fn field(&self, number: usize) -> Part<'a> {
        let shift = usize::from(self.is("MSH"));
        let mark = self.message.marks.field;
        let mut fields = self.bytes.split(|byte| *byte == mark);
        let found = match number.checked_sub(shift) {
            Some(at) if at > 0 => fields.nth(at),
            _ => None,
        };
        Part {
            bytes: found.unwrap_or_default(),
            message: self.message,
        }
    }
}

/// A field, or a part of one.
#[derive(Clone, Copy)]
pub struct Part<'a> {
    bytes: &'a [u8],
    message: Message<'a>,
}

impl<'a> Part<'a> {
    fn parts(&self, mark: u8) -> impl Iterator<Item = Part<'a>> + use<'a> {
        let message = self.message;
        let parts = self.bytes.split(move |byte| *byte == mark);
        parts.map(move |bytes| Part { bytes, message })
    }

    fn nth(&self, mark: u8, number: usize) -> Part<'a> {
        let empty = Part {
            bytes: &[],
            message: self.message,
        };
        let found = number
            .checked_sub(1)
            .and_then(|at| self.parts(mark).nth(at));
        found.unwrap_or(empty)
    }

    /// Its repetitions, at least one.
    pub fn repetitions(&self) -> impl Iterator<Item = Part<'a>> + use<'a> {
        self.parts(self.message.marks.repetition)
    }

    /// A component by its number, from 1; empty if it is not there.
    #[must_use]
    pub fn component(&self, number: usize) -> Part<'a> {
        self.nth(self.message.marks.component, number)
    }

    /// A subcomponent by its number, from 1; empty if it is not there.
    #[must_use]
    pub fn subcomponent(&self, number: usize) -> Part<'a> {
        self.nth(self.message.marks.subcomponent, number)
    }

    /// Nothing, or `""`, which HL7 uses for a value that is to be deleted.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.bytes.is_empty() || self.bytes == b"\"\""
    }

    /// Whether it is these letters.
    #[must_use]
    pub fn is(&self, text: &str) -> bool {
        self.bytes == text.as_bytes()
    }

    /// What it says, with its escapes undone.
    ///
    /// # Errors
    /// That is not certain.
    pub fn text(&self) -> Result<String, TextError> {
        let mut bytes = Vec::with_capacity(self.bytes.len());
        let marks = self.message.marks;
        let mut parts = self.bytes.split(|byte| *byte == marks.escape);
        bytes.extend_from_slice(parts.next().unwrap_or_default());
        while let Some(sequence) = parts.next() {
            match sequence {
                b"F" => bytes.push(marks.field),
                b"S" => bytes.push(marks.component),
                b"T" => bytes.push(marks.subcomponent),
                b"R" => bytes.push(marks.repetition),
                b"E" => bytes.push(marks.escape),
                [b'X', digits @ ..] => bytes.extend(hexadecimal(digits).ok_or(TextError::Escape)?),
                _ => return Err(TextError::Escape),
            }
            // Behind each escape stands plain text, if only an empty one.
            bytes.extend_from_slice(parts.next().ok_or(TextError::Escape)?);
        }
        match (bytes.is_ascii(), self.message.is_utf8) {
            (false, false) => Err(TextError::Undeclared),
            _ => String::from_utf8(bytes).map_err(|_| TextError::NotUtf8),
        }
    }

    /// What it says as far as that can be told, on one line of at most `limit` letters: for people.
    #[must_use]
    pub fn words(&self, limit: usize) -> String {
        let text = self
            .text()
            .unwrap_or_else(|_| String::from_utf8_lossy(self.bytes).into_owned());
        let shown = text.chars().take(limit);
        shown
            .map(|c| if c.is_control() { ' ' } else { c })
            .collect::<String>()
            .trim()
            .to_owned()
    }
}

fn hexadecimal(digits: &[u8]) -> Option<Vec<u8>> {
    let digit = |byte: &u8| char::from(*byte).to_digit(16);
    if digits.is_empty() || digits.len() % 2 == 1 {
        return None;
    }
    let pairs = digits.chunks(2);
    pairs
        .map(|pair| match pair {
            [high, low] => u8::try_from(digit(high)? * 16 + digit(low)?).ok(),
            _ => None,
        })
        .collect()
}
