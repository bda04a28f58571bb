use super::*;
use crate::connect::Stage;
use crate::dicom::dimse::{Command, Operation};
use dicom_dictionary_std::tags;
use dicom_object::InMemDicomObject;
use dicom_transfer_syntax_registry::entries::IMPLICIT_VR_LITTLE_ENDIAN;

const SR: &str = uids::COMPREHENSIVE_SR_STORAGE;

fn answer(status: u16, comment: &str) -> Vec<u8> {
    let mut body = Vec::new();
    put(&mut body, 0x0100, &STORE_ANSWER.to_le_bytes());
    put(&mut body, 0x0120, &7_u16.to_le_bytes());
    put(&mut body, 0x0800, &NO_DATA_SET.to_le_bytes());
    put(&mut body, 0x0900, &status.to_le_bytes());
    put_text(&mut body, 0x0902, comment, b' ');
    whole(body)
}

fn understood(status: u16) -> Outcome {
    outcome(&answer(status, "disk 3 is full"), STORE_ANSWER, 7).unwrap()
}

/// PS3.4 table B.2-1 for C-STORE: A7xx refused, A9xx and Cxxx error, B000, B006 and B007 warning;
/// the others from PS3.7 annex C.
#[test]
fn statuses_and_whether_they_last() {
    for status in [0x0000, 0x0111] {
        assert_eq!(understood(status), Outcome::Done, "{status:04X}");
    }
    for status in [0xB000, 0xB006, 0xB007, 0x0001, 0x0107, 0x0116] {
        assert_eq!(understood(status), Outcome::Taken(status), "{status:04X}");
    }
    let lasting = [
        0xA900, 0xA9FF, 0xC000, 0xCFFF, 0x0105, 0x0106, 0x0115, 0x0117, 0x0119, 0x0120, 0x0121,
        0x0212,
    ];
    let passing = [
        0xA700, 0xA7FF, 0x0110, 0x0112, 0x0118, 0x0122, 0x0124, 0x0210, 0x0211, 0x0213, 0xFE00,
        0xA800, 0xD000,
    ];
    let all = lasting.map(|status| (status, true));
    for (status, lasts) in all.into_iter().chain(passing.map(|status| (status, false))) {
        let Outcome::Refused(failure) = understood(status) else {
            panic!("{status:04X}");
        };
        assert_eq!(failure.lasts, lasts, "{status:04X}");
        assert_eq!(failure.code.to_string(), format!("status-{status:04x}"));
        assert_eq!(failure.stage, Stage::Answer);
        assert!(
            failure.words.ends_with("disk 3 is full"),
            "{}",
            failure.words
        );
    }
}

#[test]
fn an_answer_to_something_else_is_none() {
    let good = answer(0, "");
    assert!(outcome(&good, STORE_ANSWER, 7).is_ok());
    for (bytes, field, message) in [
        (good.as_slice(), STORE_ANSWER, 8),
        (&good, ECHO_ANSWER, 7),
        (&good[..good.len() - 9], STORE_ANSWER, 7),
        (b"", STORE_ANSWER, 7),
    ] {
        let failure = outcome(bytes, field, message).unwrap_err();
        assert_eq!(failure.code, "dimse-malformed");
        assert!(!failure.lasts);
    }
}

/// Our own listener and `dicom-object` read the same request (PS3.7 table 9.3-1).
#[test]
fn requests_are_read_by_others() {
    let set = store_request(9, SR, "1.2.345");
    let read = Command::parse(&set).unwrap();
    assert_eq!(read.operation, Operation::Store);
    assert_eq!(read.message_id, 9);
    assert!(read.has_data_set);
    assert_eq!(read.sop_class_uid.as_deref(), Some(SR));
    assert_eq!(read.sop_instance_uid.as_deref(), Some("1.2.345"));
    let syntax = IMPLICIT_VR_LITTLE_ENDIAN.erased();
    let object = InMemDicomObject::read_dataset_with_ts(set.as_slice(), &syntax).unwrap();
    let number = |tag| object.element(tag).unwrap().to_int::<u32>().unwrap();
    assert_eq!(
        number(tags::COMMAND_GROUP_LENGTH) as usize,
        set.len() - 12,
        "(0000,0000)"
    );
    assert_eq!(number(tags::PRIORITY), 0);
    let echo = Command::parse(&echo_request(3)).unwrap();
    assert_eq!(echo.operation, Operation::Echo);
    assert!(!echo.has_data_set);
}
