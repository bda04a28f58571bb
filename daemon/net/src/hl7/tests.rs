use super::ack::{Ack, Code, NoAck};
use super::*;
use proptest::prelude::*;

const ADT: &[u8] = b"MSH|^~\\&|ADT|CLINIC|SHEATHLINE||20240501120000||ADT^A40^ADT_A39|42|P|2.5.1\r\
    EVN|A40|20240501120000\r\
    PID|1||77^^^NOWHERE&1.2.3&ISO^MR~9^^^OTHER||A\\T\\B^C&D^\\X48656C6C6F\\\r\
    MRG|78^^^NOWHERE\r";

fn message(bytes: &[u8]) -> Message<'_> {
    Message::of(bytes).unwrap()
}

/// HL7 v2.5.1, 2.5 and 2.7.
#[test]
fn fields_are_found_by_number_down_to_subcomponents() {
    let message = message(ADT);
    assert!(message.header().field(9).component(2).is("A40"));
    assert!(message.header().field(1).is_empty());
    assert!(message.header().field(2).is("^~\\&"));
    let pid = message.segment("PID").unwrap();
    let ids: Vec<_> = pid.field(3).repetitions().collect();
    assert_eq!(ids.len(), 2);
    assert!(ids[0].component(1).is("77"));
    assert!(ids[0].component(4).subcomponent(1).is("NOWHERE"));
    assert!(ids[0].component(4).subcomponent(3).is("ISO"));
    assert!(ids[1].component(4).is("OTHER"));
    assert!(pid.field(2).is_empty() && pid.field(99).is_empty());
    assert!(pid.field(0).is_empty() && pid.field(3).component(0).is_empty());
    assert_eq!(pid.field(5).component(1).text().unwrap(), "A&B");
    assert_eq!(pid.field(5).component(3).text().unwrap(), "Hello");
    assert_eq!(message.segments().count(), 4);
}

#[test]
fn text_is_given_out_only_where_it_is_certain() {
    let text = |set: &str, value: &[u8]| {
        let mut bytes = format!("MSH|^~\\&{}{set}\rPID|", "|".repeat(16)).into_bytes();
        bytes.extend_from_slice(value);
        let message = message(&bytes);
        message.segment("PID").unwrap().field(1).text()
    };
    assert_eq!(text("", b"0042"), Ok("0042".into()));
    assert_eq!(
        text("UNICODE UTF-8", "\u{c4}1".as_bytes()),
        Ok("\u{c4}1".into())
    );
    assert_eq!(text("", "\u{c4}1".as_bytes()), Err(TextError::Undeclared));
    assert_eq!(text("8859/1", b"\xc41"), Err(TextError::Undeclared));
    assert_eq!(text("UNICODE UTF-8", b"\xc41"), Err(TextError::NotUtf8));
    for broken in [
        &b"a\\"[..],
        b"a\\Q\\b",
        b"a\\X4\\",
        b"a\\XZZ\\",
        b"\\X\\",
        b"a\\.br\\b",
        b"\\F",
    ] {
        assert_eq!(text("", broken), Err(TextError::Escape), "{broken:?}");
    }
    assert_eq!(text("", b"\\F\\\\E\\\\S\\"), Ok("|\\^".into()));
}

#[test]
fn other_delimiters_are_taken_and_a_header_without_them_is_none() {
    let message = message(b"MSH$*%?!$a*b$c%d\rPID$1*2!3\r");
    assert!(message.header().field(3).component(2).is("b"));
    assert_eq!(message.header().field(4).repetitions().count(), 2);
    let pid = message.segment("PID").unwrap();
    assert!(pid.field(1).component(2).subcomponent(2).is("3"));
    for none in [
        &b""[..],
        b"MSH",
        b"MSH|^~\\",
        b"MSH|||||",
        b"MSHa^~\\&",
        b"PID|^~\\&|",
        b"MSH|^~\\|",
    ] {
        assert!(Message::of(none).is_err(), "{none:?}");
    }
}

fn ack(lines: &str) -> Result<Ack, NoAck> {
    Ack::read(
        format!("MSH|^~\\&|X|||||| ACK|1|P|2.5.1\r{lines}").as_bytes(),
        "4711",
    )
}

/// HL7 v2.5.1: MSA 2.15.8, ERR 2.15.5, tables 0008 and 0357.
#[test]
fn an_acknowledgement_says_whether_the_message_was_taken() {
    assert_eq!(ack("MSA|AA|4711").unwrap().code, Code::Taken);
    assert_eq!(ack("MSA|CA|4711").unwrap().code, Code::Taken);
    assert_eq!(ack("MSA|AA|4712"), Err(NoAck::OfAnother));
    assert_eq!(ack("MSA|AA|"), Err(NoAck::OfAnother));
    assert_eq!(ack("MSA|XX|4711"), Err(NoAck::Malformed));
    assert_eq!(ack("ERR|"), Err(NoAck::Malformed));
    assert_eq!(Ack::read(b"<html>", "4711"), Err(NoAck::Malformed));
    let full = ack(
        "MSA|AE|4711|no such field\rERR||PID^1^3|101^Required field missing^HL70357|E||||Send PID-3",
    )
    .unwrap();
    assert_eq!(full.code, Code::Error);
    assert_eq!(full.errors, [101]);
    assert_eq!(full.words, "no such field; 101 Send PID-3");
    let old = ack("MSA|AR|4711\rERR|PID^1^3^203&Unsupported version id").unwrap();
    assert_eq!(old.errors, [203]);
}

#[test]
fn what_passes_is_tried_again_and_what_lasts_is_not() {
    let lasts = |code: &str, error: &str| {
        let error = if error.is_empty() {
            String::new()
        } else {
            format!("\rERR|||{error}^^HL70357|E")
        };
        ack(&format!("MSA|{code}|4711{error}")).unwrap().lasts()
    };
    for (code, error, expected) in [
        ("AE", "", true),
        ("AE", "102", true),
        ("AE", "205", true),
        ("AE", "204", false),
        ("AE", "206", false),
        ("AE", "207", false),
        // A code that table 0357 does not have says nothing.
        ("AE", "999", true),
        ("AR", "", false),
        ("AR", "207", false),
        ("AR", "200", true),
        ("AR", "203", true),
        ("CE", "", false),
        ("CR", "", true),
    ] {
        assert_eq!(lasts(code, error), expected, "{code} {error}");
    }
    // One fault that stays is enough.
    let both = ack("MSA|AE|4711\rERR|||207\rERR|||101").unwrap();
    assert!(both.lasts());
}

/// What we read in a sound message is what another reader reads.
#[test]
fn another_reader_finds_the_same_fields() {
    let text = std::str::from_utf8(ADT).unwrap();
    let theirs = hl7_parser::parse_message(text).unwrap();
    let ours = message(ADT);
    let names: Vec<String> = ours
        .segments()
        .map(|one| one.name().escape_ascii().to_string())
        .collect();
    assert_eq!(
        names,
        theirs
            .segments()
            .map(|one| one.name.to_owned())
            .collect::<Vec<_>>()
    );
    for (our, their) in ours.segments().zip(theirs.segments()) {
        for number in 1..20 {
            let repetition = their
                .field(number)
                .map(|field| field.repeats().collect::<Vec<_>>());
            for (at, one) in repetition.unwrap_or_default().iter().enumerate() {
                if number == 2 && our.is("MSH") || number == 1 && our.is("MSH") {
                    continue;
                }
                let mine = our.field(number).repetitions().nth(at).unwrap();
                for component in 1..=one.components().count() {
                    let raw = one.component(component).unwrap().raw_value();
                    let got = mine.component(component).bytes;
                    assert_eq!(got, raw.as_bytes(), "{} {number}", their.name);
                }
            }
        }
    }
}

proptest! {
    /// Whatever comes: no panic, and words are one bounded line.
    #[test]
    fn any_bytes_can_be_looked_at(
        mut bytes in proptest::collection::vec(prop_oneof![
            Just(b'|'), Just(b'^'), Just(b'~'), Just(b'\\'), Just(b'&'), Just(b'\r'), Just(b'X'), any::<u8>()
        ], 0..80),
        number in 0_usize..8,
    ) {
        bytes.splice(0..0, *b"MSH|^~\\&|");
        if let Ok(message) = Message::of(&bytes) {
            for segment in message.segments() {
                for repetition in segment.field(number).repetitions() {
                    let part = repetition.component(number).subcomponent(1);
                    let _ = (part.text(), part.is_empty());
                    let words = repetition.words(10);
                    prop_assert!(words.chars().count() <= 10 && !words.contains(char::is_control));
                }
            }
        }
        let _ = Ack::read(&bytes, "1");
    }
}
