use super::*;
use proptest::prelude::*;

/// Everything a stream gives, fed in the pieces that `cuts` makes of it.
fn all(stream: &[u8], cuts: &[usize], limit: usize) -> (Vec<Vec<u8>>, Option<FrameError>, bool) {
    let mut blocks = Blocks::new(limit);
    let mut found = Vec::new();
    let mut from = 0;
    let ends = cuts.iter().copied().chain([stream.len()]);
    for end in ends {
        let mut piece = &stream[from..end];
        from = end;
        while !piece.is_empty() {
            match blocks.take(&mut piece) {
                Ok(message) => found.extend(message),
                Err(error) => return (found, Some(error), blocks.is_inside()),
            }
        }
    }
    (found, None, blocks.is_inside())
}

#[test]
fn a_stream_may_be_cut_at_every_place() {
    let mut stream = framed(b"MSH|^~\\&|one\rPID|1\r");
    stream.extend(b"\r\n");
    stream.extend(framed(b""));
    stream.extend(framed(b"MSH|^~\\&|two\r"));
    let whole = all(&stream, &[], 100);
    assert_eq!(whole.0.len(), 3);
    assert_eq!(whole.0[0], b"MSH|^~\\&|one\rPID|1\r");
    assert_eq!((whole.1, whole.2), (None, false));
    for first in 0..=stream.len() {
        for second in first..=stream.len() {
            assert_eq!(
                all(&stream, &[first, second], 100),
                whole,
                "{first} {second}"
            );
        }
    }
}

#[test]
fn what_is_no_block_is_told_and_never_skipped() {
    let told = |stream: &[u8]| all(stream, &[], 10).1;
    assert_eq!(told(b"GET / HTTP/1.1"), Some(FrameError::Outside(b'G')));
    assert_eq!(told(b"\x16\x03\x01"), Some(FrameError::Outside(0x16)));
    assert_eq!(told(b"\x0bab\x1c\rc"), Some(FrameError::Outside(b'c')));
    assert_eq!(told(b"\x0bab\x0bcd\x1c\r"), Some(FrameError::Nested));
    assert_eq!(told(b"\x0bab\x1c\x0bcd"), Some(FrameError::End(START)));
    assert_eq!(told(b"\x0bab\x1c\x1c\r"), Some(FrameError::End(END)));
}

#[test]
fn a_block_without_an_end_stays_open_and_a_long_one_is_refused() {
    assert_eq!(all(b"\x0b1234567890", &[], 10), (vec![], None, true));
    assert!(all(b"\x0b1234567890\x1c", &[], 10).2);
    assert_eq!(all(b"\x0b1234567890\x1c\r", &[], 10).0, [b"1234567890"]);
    let long = all(b"\x0b12345678901", &[], 10);
    assert_eq!(long.1, Some(FrameError::TooLong(10)));
}

proptest! {
    /// Whatever comes: no panic, no more kept than the limit, and cutting changes nothing.
    #[test]
    fn any_bytes_are_answered_alike_however_they_are_cut(
        stream in proptest::collection::vec(prop_oneof![Just(START), Just(END), Just(RETURN), any::<u8>()], 0..64),
        cut in 0_usize..64,
    ) {
        let cut = cut.min(stream.len());
        let whole = all(&stream, &[], 12);
        prop_assert_eq!(&all(&stream, &[cut], 12), &whole);
        prop_assert!(whole.0.iter().all(|message| message.len() <= 12));
    }

    /// What is framed comes out again.
    #[test]
    fn what_is_framed_comes_out(messages in proptest::collection::vec("[ -~\r]{0,40}", 0..5)) {
        let stream: Vec<u8> = messages.iter().flat_map(|one| framed(one.as_bytes())).collect();
        let (found, error, open) = all(&stream, &[], 40);
        prop_assert_eq!((error, open), (None, false));
        let sent: Vec<Vec<u8>> = messages.into_iter().map(String::into_bytes).collect();
        prop_assert_eq!(found, sent);
    }
}
