//! Fragments to messages. The rules are those of PS3.8 annex E.2 and PS3.7 6.3.1.

use super::*;
use crate::dicom::dimse::{Operation, Status};
use proptest::prelude::*;

fn store_request() -> Vec<u8> {
    let request = Command {
        operation: Operation::Store,
        message_id: 3,
        has_data_set: true,
        sop_class_uid: Some("1.2".to_owned()),
        sop_instance_uid: Some("1.2.3".to_owned()),
        action_type: None,
    };
    // An answer with two fields turned back is a request.
    let mut set = request.answer(Status::Success);
    let at = set
        .windows(4)
        .position(|four| four == [0, 0, 0, 1])
        .expect("command field");
    set[at + 8..at + 10].copy_from_slice(&[1, 0]);
    let at = set
        .windows(4)
        .position(|four| four == [0, 0, 0x20, 1])
        .expect("message id");
    set[at + 2] = 0x10;
    let at = set
        .windows(4)
        .position(|four| four == [0, 0, 0, 8])
        .expect("data set type");
    set[at + 8..at + 10].copy_from_slice(&[0, 0]);
    set
}

fn fragment(context: u8, is_command: bool, is_last: bool, bytes: &[u8]) -> Fragment<'_> {
    Fragment {
        context,
        is_command,
        is_last,
        bytes,
    }
}

fn in_data(limit: u64) -> Assembler {
    let mut assembler = Assembler::new(limit);
    assert_eq!(
        assembler.feed(fragment(1, true, true, &store_request())),
        Ok(None)
    );
    assembler
}

#[test]
fn the_rules_of_fragments() {
    let set = store_request();
    let mut new = Assembler::new(10);
    assert_eq!(
        new.feed(fragment(1, false, true, b"x")),
        Err(Fault::DataWithoutCommand)
    );

    let mut new = Assembler::new(10);
    assert_eq!(new.feed(fragment(1, true, false, &set[..9])), Ok(None));
    assert_eq!(
        new.feed(fragment(3, true, true, &set[9..])),
        Err(Fault::ContextChanged)
    );

    let mut new = Assembler::new(10);
    assert_eq!(new.feed(fragment(1, true, false, &set[..9])), Ok(None));
    assert_eq!(
        new.feed(fragment(1, false, true, &set[9..])),
        Err(Fault::DataWithoutCommand)
    );

    assert_eq!(
        in_data(10).feed(fragment(1, true, true, &set)),
        Err(Fault::CommandInsideData)
    );
    assert_eq!(
        in_data(10).feed(fragment(3, false, true, b"x")),
        Err(Fault::ContextChanged)
    );
}

#[test]
fn endless_fragments_end_at_the_limit() {
    let mut assembler = in_data(10);
    assert!(!assembler.is_between_messages());
    assert_eq!(
        assembler.feed(fragment(1, false, false, b"12345")),
        Ok(None)
    );
    assert_eq!(
        assembler.feed(fragment(1, false, false, b"12345")),
        Ok(None)
    );
    let over = assembler.feed(fragment(1, false, false, b"1"));
    assert_eq!(over, Err(Fault::TooLarge { limit: 10 }));

    let mut endless = Assembler::new(10);
    let fault = (0..10_000).find_map(|_| endless.feed(fragment(1, true, false, &[0; 99])).err());
    assert_eq!(fault, Some(Fault::Command(CommandError::TooLarge)));
}

#[test]
fn data_given_up_still_ends_the_message_and_still_counts() {
    let mut assembler = in_data(10);
    assert_eq!(
        assembler.feed(fragment(1, false, false, b"12345")),
        Ok(None)
    );
    assembler.give_up_data();
    let message = assembler
        .feed(fragment(1, false, true, b"678"))
        .expect("fine")
        .expect("whole");
    assert_eq!((message.data_set, message.command.message_id), (None, 3));
    assert!(assembler.is_between_messages());

    let mut assembler = in_data(10);
    assembler.give_up_data();
    let over = assembler.feed(fragment(1, false, false, &[0; 11]));
    assert_eq!(over, Err(Fault::TooLarge { limit: 10 }));
}

proptest! {
    /// However a sender cuts command and data set, the same message comes out, byte for byte.
    #[test]
    fn any_cut_gives_the_same_message(
        data in prop::collection::vec(any::<u8>(), 0..300),
        cut_command in 1..80_usize,
        cut_data in 1..80_usize,
        empty_last in any::<bool>(),
    ) {
        let set = store_request();
        let mut assembler = Assembler::new(300);
        let mut found = Vec::new();
        let commands = set.chunks(cut_command);
        let last = commands.len() - 1;
        for (n, piece) in commands.enumerate() {
            found.extend(assembler.feed(fragment(5, true, n == last, piece)).expect("fine"));
        }
        let mut pieces: Vec<&[u8]> = data.chunks(cut_data).collect();
        if empty_last || pieces.is_empty() {
            pieces.push(&[]);
        }
        let last = pieces.len() - 1;
        for (n, piece) in pieces.into_iter().enumerate() {
            found.extend(assembler.feed(fragment(5, false, n == last, piece)).expect("fine"));
        }
        prop_assert_eq!(found.len(), 1);
        prop_assert_eq!(found[0].context, 5);
        prop_assert_eq!(found[0].data_set.as_deref(), Some(data.as_slice()));
        prop_assert_eq!(found[0].command.sop_instance_uid.as_deref(), Some("1.2.3"));
        prop_assert!(assembler.is_between_messages());
    }
}

#[test]
fn what_is_passed_over_takes_no_memory_and_has_no_limit() {
    let mut assembler = in_data(10);
    for n in 0..100 {
        assembler.pass_over_data();
        // What is given up later stays passed over.
        if n == 50 {
            assembler.give_up_data();
        }
        assert_eq!(
            assembler.feed(fragment(1, false, false, &[7; 100])),
            Ok(None)
        );
        assert_eq!(assembler.held_bytes(), 0);
    }
    let whole = assembler.feed(fragment(1, false, true, b"end"));
    let whole = whole.expect("no fault").expect("whole");
    assert_eq!(whole.data_set, None);
    assert!(whole.command.has_data_set);
    // The next one is as before.
    assert_eq!(
        assembler.feed(fragment(1, true, true, &store_request())),
        Ok(None)
    );
    let over = assembler.feed(fragment(1, false, true, &[7; 11]));
    assert_eq!(over, Err(Fault::TooLarge { limit: 10 }));
}
