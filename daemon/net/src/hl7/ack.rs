//! What an acknowledgement says of a message that we sent.

use super::{Message, Segment};

/// Longest piece of the receiver's words that is kept.
const WORDS_MAX: usize = 200;

/// An acknowledgement of our message.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Ack {
    /// MSA-1 (table 0008).
    pub code: Code,
    /// Error codes (table 0357) of its ERR segments.
    pub errors: Vec<u32>,
    /// What it says to people.
    pub words: String,
}

/// Acknowledgement codes (HL7 v2.5.1, table 0008).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Code {
    /// `AA` or `CA`: taken.
    Taken,
    /// `AE`: the receiver found an error in the message.
    Error,
    /// `AR`: not processed, for reasons that are not in content or format.
    Reject,
    /// `CE`: not committed, for another reason than those of `CR`.
    CommitError,
    /// `CR`: type, version or processing id not supported.
    CommitReject,
}

impl Code {
    const ALL: [(&'static str, Code); 6] = [
        ("AA", Code::Taken),
        ("CA", Code::Taken),
        ("AE", Code::Error),
        ("AR", Code::Reject),
        ("CE", Code::CommitError),
        ("CR", Code::CommitReject),
    ];
}

/// Why a message is not the acknowledgement that is waited for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum NoAck {
    /// No message, or one without MSA-1 and MSA-2 as the standard has them.
    #[error("the answer is not an HL7 acknowledgement")]
    Malformed,
    /// Of another message.
    #[error("the answer acknowledges another message (MSA-2 is not the MSH-10 sent)")]
    OfAnother,
}

impl Ack {
    /// Reads an acknowledgement of the message with the control id `control`.
    ///
    /// # Errors
    /// It is not one.
    pub fn read(bytes: &[u8], control: &str) -> Result<Ack, NoAck> {
        let message = Message::of(bytes).map_err(|_| NoAck::Malformed)?;
        let msa = message.segment("MSA").ok_or(NoAck::Malformed)?;
        let code = msa.field(1);
        let code = Code::ALL.iter().find(|(word, _)| code.is(word));
        let (_, code) = *code.ok_or(NoAck::Malformed)?;
        if !msa.field(2).is(control) {
            return Err(NoAck::OfAnother);
        }
        let errors = || message.segments().filter(|segment| segment.is("ERR"));
        let mut words = vec![msa.field(3).words(WORDS_MAX)];
        words.extend(errors().take(4).map(|err| said(&err)));
        words.retain(|one| !one.is_empty());
        words.dedup();
        Ok(Ack {
            code,
            errors: errors()
                .filter_map(|err| error_code(&err))
                .take(16)
                .collect(),
            words: words.join("; "),
        })
    }

    /// Whether sending the same message again will end in the same way.
    ///
    /// An error code of table 0357 decides where there is one. Types, events, versions that the
    /// receiver does not support (200 to 203) and faults of the content (100 to 104, 205) stay. A
    /// locked record (206), an internal error (207) and a key that is unknown (204: the patient or
    /// order may still be registered) pass. Without a code it is what table 0008 says: `AE` is about
    /// the content and `CR` about what is supported, which stay; `AR` is "unrelated to content or
    /// format" and `CE` any other reason, which pass.
    #[must_use]
    pub fn lasts(&self) -> bool {
        let passing = |code: &u32| matches!(code, 204 | 206 | 207);
        let known = |code: &&u32| matches!(code, 100..=104 | 200..=207);
        let mut known = self.errors.iter().filter(known).peekable();
        match known.peek() {
            Some(_) => !known.all(passing),
            None => matches!(self.code, Code::Error | Code::CommitReject),
        }
    }
}

/// ERR-3 since v2.5; before, the fourth component of ERR-1 held a coded error.
fn error_code(err: &Segment<'_>) -> Option<u32> {
    let now = err.field(3).component(1);
    let old = err.field(1).component(4).subcomponent(1);
    let code = if now.is_empty() { old } else { now };
    code.text().ok()?.trim().parse().ok()
}

/// ERR-8 is for users, ERR-7 for whoever looks for the cause, the text of ERR-3 is better than none.
fn said(err: &Segment<'_>) -> String {
    let text = [err.field(8), err.field(7), err.field(3).component(2)];
    let text = text.iter().find(|part| !part.is_empty());
    let code = error_code(err).map(|code| code.to_string());
    let text = text.map(|part| part.words(WORDS_MAX));
    [code, text]
        .into_iter()
        .flatten()
        .collect::<Vec<_>>()
        .join(" ")
}
