//! Acknowledgements of what others send, with what was wrong and where. Pure.

use chrono::{DateTime, Utc};
use sha2::{Digest, Sha256};
use sheathline_model::forms::hl7::segment::{Field, Segment, composite};
use sheathline_net::hl7::Message;

/// What is wrong (HL7 v2.5.1, table 0357).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Problem {
    Sequence,
    FieldMissing,
    DataType,
    TableValue,
    MessageType,
    EventCode,
    ProcessingId,
    VersionId,
    UnknownKey,
    Internal,
}

impl Problem {
    pub(super) fn code(self) -> (&'static str, &'static str) {
        match self {
            Problem::Sequence => ("100", "Segment sequence error"),
            Problem::FieldMissing => ("101", "Required field missing"),
            Problem::DataType => ("102", "Data type error"),
            Problem::TableValue => ("103", "Table value not found"),
            Problem::MessageType => ("200", "Unsupported message type"),
            Problem::EventCode => ("201", "Unsupported event code"),
            Problem::ProcessingId => ("202", "Unsupported processing id"),
            Problem::VersionId => ("203", "Unsupported version id"),
            Problem::UnknownKey => ("204", "Unknown key identifier"),
            Problem::Internal => ("207", "Application internal error"),
        }
    }
}

/// A message that is not taken. Holds nothing that the message said.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Refused {
    /// MSA-1: `AE` or `AR`.
    pub(super) code: &'static str,
    pub(super) problem: Problem,
    /// Place as ERR-2 writes it: segment, its number, field, repetition, component.
    pub(super) place: String,
    /// For people.
    pub(super) says: String,
}

impl Refused {
    /// Something in the message is wrong.
    pub(super) fn error(
        problem: Problem,
        place: impl Into<String>,
        says: impl Into<String>,
    ) -> Refused {
        Refused {
            code: "AE",
            problem,
            place: place.into(),
            says: says.into(),
        }
    }

    /// Nothing like it is taken here, or not now.
    pub(super) fn reject(
        problem: Problem,
        place: impl Into<String>,
        says: impl Into<String>,
    ) -> Refused {
        Refused {
            code: "AR",
            ..Refused::error(problem, place, says)
        }
    }
}

/// The acknowledgement of a message, `AA` unless it was refused.
pub(super) fn ack(message: &Message<'_>, refused: Option<&Refused>, now: DateTime<Utc>) -> String {
    let header = message.header();
    let text = |number: usize| header.field(number).component(1).text();
    let route = |number: usize| {
        let name = |component| header.field(number).component(component).text();
        let [id, universal, kind] = [1, 2, 3].map(|one| name(one).unwrap_or_default());
        composite([id.as_str(), universal.as_str(), kind.as_str()])
    };
    let at = now.format("%Y%m%d%H%M%S+0000").to_string();
    let control = text(10).unwrap_or_default();
    let event = header.field(9).component(2).text().unwrap_or_default();
    let mut hash = Sha256::new();
    hash.update(now.to_rfc3339());
    hash.update(&control);
    // MSH-10 takes 20 characters.
    let own = hash
        .finalize()
        .iter()
        .take(10)
        .fold(String::new(), |id, byte| format!("{id}{byte:02x}"));
    let mut lines = vec![
        Segment::header()
            .field(3, route(5))
            .field(4, route(6))
            .field(5, route(3))
            .field(6, route(4))
            .text(7, &at)
            .field(9, composite(["ACK", event.as_str(), "ACK"]))
            .text(10, &own)
            .text(11, "P")
            .text(12, "2.5.1")
            .text(18, "UNICODE UTF-8"),
        Segment::new("MSA")
            .text(1, refused.map_or("AA", |refused| refused.code))
            .text(2, &control),
    ];
    if let Some(refused) = refused {
        let (code, meaning) = refused.problem.code();
        lines.push(
            Segment::new("ERR")
                .field(2, composite(refused.place.split('^')))
                .field(3, composite([code, meaning, "HL70357"]))
                .field(4, Field::text("E"))
                .text(8, &refused.says),
        );
    }
    lines.iter().map(Segment::line).collect()
}
