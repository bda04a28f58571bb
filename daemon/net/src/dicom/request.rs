//! DIMSE messages as their requestor (PS3.7): requests written, answers understood.

use crate::connect::{Code, Failure, Word};
use crate::dicom::dimse::{CommandError, NO_DATA_SET, element, number, put, put_text};
use dicom_dictionary_std::uids;

/// Command Field of the answers (PS3.7 E.1).
pub const STORE_ANSWER: u16 = 0x8001;
/// As [`STORE_ANSWER`], of C-ECHO.
pub const ECHO_ANSWER: u16 = 0x8030;
/// As [`STORE_ANSWER`], of N-EVENT-REPORT.
pub const EVENT_ANSWER: u16 = 0x8100;

/// C-STORE-RQ (PS3.7 9.3.1.1).
pub fn store_request(message: u16, class: &str, instance: &str) -> Vec<u8> {
    let mut body = head(0x0001, message, class);
    // Medium (PS3.7 E.1).
    put(&mut body, 0x0700, &0_u16.to_le_bytes());
    // Any value but NO_DATA_SET.
    put(&mut body, 0x0800, &0_u16.to_le_bytes());
    put_text(&mut body, 0x1000, instance, 0);
    whole(body)
}

/// C-ECHO-RQ (PS3.7 9.3.5.1).
pub fn echo_request(message: u16) -> Vec<u8> {
    let mut body = head(0x0030, message, uids::VERIFICATION);
    put(&mut body, 0x0800, &NO_DATA_SET.to_le_bytes());
    whole(body)
}

/// N-EVENT-REPORT-RQ with a data set (PS3.7 10.3.1.1).
#[must_use]
pub fn event_request(message: u16, class: &str, instance: &str, event: u16) -> Vec<u8> {
    let mut body = head(0x0100, message, class);
    put(&mut body, 0x0800, &0_u16.to_le_bytes());
    put_text(&mut body, 0x1000, instance, 0);
    put(&mut body, 0x1002, &event.to_le_bytes());
    whole(body)
}

/// C-FIND-RQ (PS3.7 9.3.2.1) or C-GET-RQ (9.3.3.1) for a class of queries; with a destination
/// C-MOVE-RQ (9.3.4.1).
pub fn query_request(field: u16, message: u16, class: &str, move_to: Option<&str>) -> Vec<u8> {
    let mut body = head(field, message, class);
    if let Some(title) = move_to {
        put_text(&mut body, 0x0600, title, b' ');
    }
    put(&mut body, 0x0700, &0_u16.to_le_bytes());
    put(&mut body, 0x0800, &0_u16.to_le_bytes());
    whole(body)
}

fn head(field: u16, message: u16, class: &str) -> Vec<u8> {
    let mut body = Vec::with_capacity(256);
    put_text(&mut body, 0x0002, class, 0);
    put(&mut body, 0x0100, &field.to_le_bytes());
    put(&mut body, 0x0110, &message.to_le_bytes());
    body
}

/// A command set with its group length in front.
fn whole(body: Vec<u8>) -> Vec<u8> {
    let mut set = Vec::with_capacity(body.len() + 12);
    let length = u32::try_from(body.len()).unwrap_or(u32::MAX);
    put(&mut set, 0x0000, &length.to_le_bytes());
    set.extend(body);
    set
}

/// What an answer says.
#[derive(Debug, PartialEq, Eq)]
pub enum Outcome {
    /// Success, or the object was there already.
    Done,
    /// Taken, with a warning.
    Taken(u16),
    /// Not taken.
    Refused(Failure),
}

/// Understands the command set that answers `message`.
///
/// # Errors
/// It is none, or the answer to something else.
pub fn outcome(command: &[u8], field: u16, message: u16) -> Result<Outcome, Failure> {
    let malformed = |what: String| {
        let words = format!("the archive's answer is malformed: {what}");
        Failure::answer(Word::DimseMalformed, words)
    };
    let answer = Answer::parse(command).map_err(|error| malformed(error.to_string()))?;
    if answer.field != field || answer.to != message {
        return Err(malformed(format!(
            "command {:04X} to message {} where {field:04X} to {message} was due",
            answer.field, answer.to
        )));
    }
    Ok(match answer.status {
        // Also 0111, Duplicate SOP Instance: our UIDs name one content, so what is there is this.
        0x0000 | 0x0111 => Outcome::Done,
        // PS3.4 table B.2-1 and PS3.7 C.4: coerced, discarded, not of its class, out of range.
        status @ (0x0001 | 0x0107 | 0x0116 | 0xB000..=0xBFFF) => Outcome::Taken(status),
        status => {
            let (meaning, lasts) = meaning(status);
            let mut words = format!("{status:04X}H, {meaning}");
            if !answer.comment.is_empty() {
                words.push_str(&format!("; it says: {}", answer.comment));
            }
            Outcome::Refused(Failure::answer(Code::Status(status), words).lasting(lasts))
        }
    })
}

/// What a failure means (PS3.4 table B.2-1, PS3.7 annex C.5), and whether it speaks of the object
/// itself, so that the same bytes will meet it again. What is a matter of room, load, rights or the
/// receiver's set-up is not.
fn meaning(status: u16) -> (&'static str, bool) {
    match status {
        0xA700..=0xA7FF => ("out of resources; has the archive room left?", false),
        0xA900..=0xA9FF => ("the data set is not that of its class", true),
        0xC000..=0xCFFF => ("the archive cannot understand the data set", true),
        0x0105 => ("an attribute is not known there", true),
        0x0106 => ("a value of an attribute is not accepted", true),
        0x0110 => ("a failure in processing at the archive; see its log", false),
        0x0112 => ("it names an instance that is not there", false),
        0x0115 => ("an argument is not accepted", true),
        0x0117 => ("the SOP Instance UID is not accepted", true),
        0x0118 => ("it does not know this SOP class", false),
        0x0119 => ("the instance is there with another class", true),
        0x0120 => ("an attribute is missing", true),
        0x0121 => ("a value of an attribute is missing", true),
        0x0122 => ("the archive does not take this SOP class", false),
        0x0124 => ("not authorised; does the archive allow us to store?", false),
        0x0210 => ("the message id was in use", false),
        0x0211 => ("the archive does not know this operation", false),
        0x0212 => ("a parameter has the wrong type", true),
        0x0213 => ("out of resources", false),
        0xFE00 => ("cancelled by the archive", false),
        _ => ("a failure that the standard does not list", false),
    }
}

/// What we need of an answer's command set.
#[derive(Debug)]
pub struct Answer {
    /// (0000,0100) Command Field.
    pub field: u16,
    /// (0000,0120) Message ID Being Responded To.
    pub to: u16,
    /// (0000,0900) Status.
    pub status: u16,
    /// (0000,0902) Error Comment.
    pub comment: String,
}

impl Answer {
    /// Reads the command set of an answer.
    ///
    /// # Errors
    /// It is no command set, or a value in it is malformed.
    pub fn parse(bytes: &[u8]) -> Result<Answer, CommandError> {
        let (mut field, mut to, mut status) = (None, None, None);
        let mut comment = String::new();
        let mut rest = bytes;
        while !rest.is_empty() {
            let at = bytes.len() - rest.len();
            let (tag, value, after) = element(rest, at)?;
            rest = after;
            match tag {
                0x0100 => field = Some(number(tag, value)?),
                0x0120 => to = Some(number(tag, value)?),
                0x0900 => status = Some(number(tag, value)?),
                0x0902 => {
                    // LO, 64 characters; the standard names no character set for it.
                    let text = String::from_utf8_lossy(value);
                    let printable = text.chars().filter(|c| !c.is_control());
                    comment = printable.take(64).collect::<String>().trim().to_owned();
                }
                _ => {}
            }
        }
        Ok(Answer {
            field: field.ok_or(CommandError::Missing(0x0100))?,
            to: to.ok_or(CommandError::Missing(0x0120))?,
            status: status.ok_or(CommandError::Missing(0x0900))?,
            comment,
        })
    }
}

#[cfg(test)]
mod tests;
