//! All bytes of a connection for HL7, cut into pieces of any size: the same answers, each a message, and
//! no statement about nobody.

#![no_main]

use chrono::{DateTime, Utc};
use libfuzzer_sys::fuzz_target;
use sheathline::config::Hl7Settings;
use sheathline_net::hl7::Message;
use sheathline_net::hl7::ack::Ack;
use sheathline::receive::hl7::rehearse::rehearse;
use std::sync::LazyLock;

static SETTINGS: LazyLock<Hl7Settings> = LazyLock::new(Hl7Settings::default);

fuzz_target!(|input: (u8, &[u8])| {
    let (piece, bytes) = input;
    // 2026-03-02, after the dates of the seeds.
    let now = DateTime::<Utc>::from_timestamp(1_772_409_600, 0).expect("a time");
    let answers = rehearse(bytes, usize::from(piece), &SETTINGS, now);
    assert_eq!(answers, rehearse(bytes, bytes.len(), &SETTINGS, now));
    for (answer, statements) in answers {
        let answer = Message::of(answer.as_bytes()).expect("an answer is a message");
        assert!(answer.segment("MSA").is_some());
        for statement in statements {
            let pair = &statement.pair;
            assert!(!pair.from.id.is_empty() && !pair.into.id.is_empty() && pair.from != pair.into);
        }
    }
    // The same bytes as somebody's acknowledgement of ours.
    if let Ok(ack) = Ack::read(bytes, "7") {
        let _ = ack.lasts();
    }
});
