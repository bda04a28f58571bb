//! Command sets against bytes made by pynetdicom 3.0.4 (`pynetdicom.dimse_messages`), whose
//! elements are those of PS3.7 tables 9.3-1, 9.3-2, 9.3-12 and 9.3-13.

use super::*;
use proptest::prelude::*;

const COMPREHENSIVE_SR: &str = "1.2.840.10008.5.1.4.1.1.88.33";

const STORE_REQUEST: &str = "00000000040000005e000000000002001e000000312e322e3834302e31303030382e352e312e342e312e312e\
    38382e3333000000000102000000010000001001020000000700000000070200000000000000000802000000\
    01000000001008000000312e322e332e3400";
const STORE_SUCCESS: &str = "00000000040000005e000000000002001e000000312e322e3834302e31303030382e352e312e342e312e312e\
    38382e3333000000000102000000018000002001020000000700000000080200000001010000000902000000\
    00000000001008000000312e322e332e3400";
const STORE_NO_SPACE: &str = "000000000400000096000000000002001e000000312e322e3834302e31303030382e352e312e342e312e312e\
    38382e3333000000000102000000018000002001020000000700000000080200000001010000000902000000\
    00a700000209300000006e6f207370616365206c6566743b206b65657020746865206f626a65637420616e64\
    2073656e6420697420616761696e0000001008000000312e322e332e3400";
const ECHO_REQUEST: &str = "0000000004000000380000000000020012000000312e322e3834302e31303030382e312e3100000000010200\
    000030000000100102000000010000000008020000000101";
const ECHO_SUCCESS: &str = "0000000004000000420000000000020012000000312e322e3834302e31303030382e312e3100000000010200\
    00003080000020010200000001000000000802000000010100000009020000000000";

fn bytes(hex: &str) -> Vec<u8> {
    hex.as_bytes()
        .chunks(2)
        .map(|two| u8::from_str_radix(std::str::from_utf8(two).expect("ascii"), 16).expect("hex"))
        .collect()
}

fn store_command() -> Command {
    Command {
        operation: Operation::Store,
        message_id: 7,
        has_data_set: true,
        sop_class_uid: Some(COMPREHENSIVE_SR.to_owned()),
        sop_instance_uid: Some("1.2.3.4".to_owned()),
        action_type: None,
    }
}

#[test]
fn requests_are_read() {
    assert_eq!(Command::parse(&bytes(STORE_REQUEST)), Ok(store_command()));
    let echo = Command::parse(&bytes(ECHO_REQUEST)).expect("an echo");
    assert_eq!(
        (echo.operation, echo.message_id, echo.has_data_set),
        (Operation::Echo, 1, false)
    );
    assert_eq!(echo.sop_class_uid.as_deref(), Some("1.2.840.10008.1.1"));
    assert_eq!(echo.sop_instance_uid, None);
}

#[test]
fn answers_are_the_bytes_of_the_reference() {
    let store = store_command();
    assert_eq!(store.answer(Status::Success), bytes(STORE_SUCCESS));
    assert_eq!(store.answer(Status::NoSpace), bytes(STORE_NO_SPACE));
    let echo = Command::parse(&bytes(ECHO_REQUEST)).expect("an echo");
    assert_eq!(echo.answer(Status::Success), bytes(ECHO_SUCCESS));
}

/// PS3.7 E.1 and annex C.
#[test]
fn operations_and_status_codes() {
    for (field, operation) in [
        (0x0001, Operation::Store),
        (0x0030, Operation::Echo),
        (0x0020, Operation::Other(0x0020)),
        (0x0130, Operation::Action),
        (0x0140, Operation::Other(0x0140)),
        (0x0FFF, Operation::Cancel),
        (0x8001, Operation::Response(0x8001)),
    ] {
        assert_eq!(Operation::from_field(field), operation);
        assert_eq!(operation.field(), field);
    }
    let mut codes: Vec<u16> = Status::FAILURES.iter().map(|one| one.code()).collect();
    codes.dedup();
    let expected = [
        0xA700, 0xA900, 0xC000, 0xA900, 0xC122, 0x0110, 0x0117, 0x0122, 0x0110, 0x0112, 0x0115,
        0x0123, 0x0213, 0x0211,
    ];
    assert_eq!(
        (codes.as_slice(), Status::Success.code()),
        (&expected[..], 0)
    );
    for failure in Status::FAILURES {
        // (0000,0902) is LO: 64 characters.
        let comment = failure.comment().expect("a comment");
        assert!((1..=64).contains(&comment.len()), "{comment}");
    }
}

#[test]
fn broken_command_sets() {
    let good = bytes(STORE_REQUEST);
    for cut in 1..good.len() {
        // An end between two elements lacks one that must be there, or only the instance.
        match Command::parse(&good[..cut]) {
            Ok(command) => assert_eq!(command.sop_instance_uid, None),
            Err(CommandError::Truncated(_) | CommandError::Missing(_)) => {}
            Err(other) => panic!("{other}"),
        }
    }
    let mut long = good.clone();
    long[4..8].copy_from_slice(&u32::MAX.to_le_bytes());
    assert_eq!(Command::parse(&long), Err(CommandError::Truncated(0)));
    let mut data = good.clone();
    data[0] = 8;
    assert_eq!(Command::parse(&data), Err(CommandError::OutsideGroup(0)));
    assert_eq!(
        Command::parse(&vec![0; COMMAND_BYTES_MAX + 1]),
        Err(CommandError::TooLarge)
    );
    assert_eq!(Command::parse(&[]), Err(CommandError::Missing(0x0100)));
}

/// What is not a UID is not echoed (PS3.5 9.1: digits and points, at most 64).
#[test]
fn hostile_uids_count_as_absent() {
    for hostile in [
        "../../etc/passwd",
        "1.2\n3",
        "",
        "\u{202e}1.2",
        &"1".repeat(65),
    ] {
        let mut set = bytes(ECHO_REQUEST);
        put_text(&mut set, 0x1000, hostile, 0);
        let command = Command::parse(&set).expect("still a command");
        assert_eq!(command.sop_instance_uid, None, "{hostile:?}");
    }
    let mut set = bytes(ECHO_REQUEST);
    put_text(&mut set, 0x1000, &"1".repeat(64), 0);
    assert!(
        Command::parse(&set)
            .expect("good")
            .sop_instance_uid
            .is_some()
    );
}

proptest! {
    #[test]
    fn no_bytes_panic(set in prop::collection::vec(any::<u8>(), 0..200)) {
        let _ = Command::parse(&set);
    }

    /// One byte changed: still no panic, and what is accepted can be answered.
    #[test]
    fn mutations_do_not_panic(at in 0..200_usize, to in any::<u8>()) {
        let mut set = bytes(STORE_REQUEST);
        let at = at % set.len();
        set[at] = to;
        if let Ok(command) = Command::parse(&set) {
            let answer = Command::parse(&command.answer(Status::Success)).expect("an answer");
            prop_assert!(matches!(answer.operation, Operation::Response(_)));
            prop_assert!(!answer.has_data_set);
        }
    }
}
