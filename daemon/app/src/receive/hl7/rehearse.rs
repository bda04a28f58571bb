//! What a peer sends over one connection, taken without socket and store: for fuzzing.

use super::adt::{self, Arrival};
use super::{answer, local};
use crate::config::Hl7Settings;
use chrono::{DateTime, Utc};
use sheathline_model::identity::Statement;
use sheathline_net::hl7::Message;
use sheathline_net::mllp::Blocks;

/// Takes bytes that arrive `piece` at a time until the first thing that would end the connection.
/// Returns the acknowledgements, each with what its message states.
#[must_use]
pub fn rehearse(
    bytes: &[u8],
    piece: usize,
    settings: &Hl7Settings,
    now: DateTime<Utc>,
) -> Vec<(String, Vec<Statement>)> {
    let mut blocks = Blocks::new(settings.max_message_bytes);
    let mut answers = Vec::new();
    for mut piece in bytes.chunks(piece.max(1)) {
        while !piece.is_empty() {
            let message = match blocks.take(&mut piece) {
                Ok(None) => break,
                Ok(Some(message)) => message,
                Err(_) => return answers,
            };
            let Ok(message) = Message::of(&message) else {
                return answers;
            };
            let arrival = Arrival {
                source: "hl7:192.0.2.1",
                now,
                local,
            };
            let taken = adt::statements(&message, settings, &arrival);
            let answer = answer::ack(&message, taken.as_ref().err(), now);
            answers.push((answer, taken.unwrap_or_default()));
        }
    }
    answers
}

#[cfg(test)]
mod tests {
    use super::*;
    use sheathline_net::mllp::framed;

    #[test]
    fn a_merge_is_stated_however_it_is_cut() {
        let message = "MSH|^~\\&|A|B|C|D|20260301120000+0000||ADT^A40^ADT_A39|7|P|2.5.1\r\
                       EVN||20260301120000+0000\rPID|1||NEW^^^CLINIC\rMRG|OLD^^^CLINIC\r";
        let now = "2026-03-02T00:00:00Z".parse().expect("a time");
        let settings = Hl7Settings::default();
        let all = rehearse(&framed(message.as_bytes()), 1000, &settings, now);
        assert_eq!(all.len(), 1);
        let (answer, statements) = &all[0];
        assert!(answer.contains("MSA|AA|7"), "{answer}");
        assert_eq!(statements[0].pair.from.id, "OLD");
        assert_eq!(
            rehearse(&framed(message.as_bytes()), 1, &settings, now),
            all
        );
    }
}
