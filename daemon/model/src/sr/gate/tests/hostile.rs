//! Input made to end the process: each must come back as a refusal, on a small stack and
//! without an allocation by what it claims.

use super::*;
use crate::sr::{ReadError, read};

/// A quarter of the stack a worker thread gets by default.
const STACK: usize = 512 << 10;

pub(super) fn on_small_stack(work: impl FnOnce() + Send + 'static) {
    let thread = std::thread::Builder::new()
        .stack_size(STACK)
        .spawn(work)
        .unwrap();
    thread.join().unwrap();
}

fn code(bytes: &[u8], syntax: Option<&str>) -> RemarkCode {
    match read(bytes, syntax, &Limits::default()) {
        Err(ReadError::Gate(error)) => error.code(),
        other => unreachable!("{other:?}"),
    }
}

/// A decoder that recurses overflows its stack near 1,850 levels.
#[test]
fn nested_without_end() {
    on_small_stack(|| {
        for syntax in sample::SYNTAXES {
            let inner = if syntax == DEFLATED { EXPLICIT } else { syntax };
            let pen = Pen(inner);
            let level = pen.claim(SEQUENCE, "SQ", OPEN, &pen.claim(ITEM, "", OPEN, b""));
            let end = [pen.put(END_ITEM, "", b""), pen.put(END_SEQUENCE, "", b"")].concat();
            let complete = [level.repeat(100_000), end.repeat(100_000)].concat();
            for data in [complete, level.repeat(100_000)] {
                let data = if syntax == DEFLATED {
                    sample::deflate(&data)
                } else {
                    data
                };
                assert_eq!(code(&data, Some(syntax)), "gate-too-deep");
                assert_eq!(code(&sample::file_of(&data, syntax), None), "gate-too-deep");
            }
        }
    });
}

/// The same behind UN and private tags, where a gate that skips would not look.
#[test]
fn nested_behind_unknown_elements() {
    on_small_stack(|| {
        let inside = Pen(IMPLICIT);
        let level = inside.claim(PRIVATE, "UN", OPEN, &inside.claim(ITEM, "", OPEN, b""));
        for syntax in [IMPLICIT, EXPLICIT, BIG] {
            let first = Pen(syntax).claim(PRIVATE, "UN", OPEN, &inside.claim(ITEM, "", OPEN, b""));
            let first = if syntax == IMPLICIT {
                Vec::new()
            } else {
                first
            };
            let data = [first, level.repeat(100_000)].concat();
            assert_eq!(code(&data, Some(syntax)), "gate-too-deep");
        }
    });
}

/// The deepest object that passes is decoded on the small stack.
#[test]
fn as_deep_as_allowed() {
    on_small_stack(|| {
        for syntax in [IMPLICIT, EXPLICIT, BIG] {
            let pen = Pen(syntax);
            let limits = Limits::default();
            let data = (0..limits.depth).fold(Vec::new(), |inner, _| {
                pen.put(SEQUENCE, "SQ", &pen.put(ITEM, "", &inner))
            });
            let document = read(&data, Some(syntax), &limits).unwrap();
            assert_eq!(document.tree.unwrap().len(), limits.depth + 1);
        }
    });
}

/// 274 bytes that claim 4 GiB; the decoder alone would make room for them.
#[test]
fn claims_of_four_gigabytes() {
    for syntax in [IMPLICIT, EXPLICIT, BIG] {
        let pen = Pen(syntax);
        for (tag, vr) in [
            (Tag(0x0040, 0xA160), "UT"),
            (Tag(0x0042, 0x0011), "OB"),
            (PRIVATE, "UN"),
            (Tag(0x7FE0, 0x0009), "OD"),
            (PIXELS, "OW"),
            (SEQUENCE, "SQ"),
        ] {
            for claimed in [0xFFFF_FFFE, 0xFFFF_FFF8, 0x8000_0000, 0x4000_0000] {
                let data = pen.claim(tag, vr, claimed, b"12345678");
                assert_eq!(code(&data, Some(syntax)), "gate-length-overrun");
                assert_eq!(
                    code(&sample::file_of(&data, syntax), None),
                    "gate-length-overrun"
                );
            }
        }
    }
}

#[test]
fn a_million_empty_items() {
    for syntax in [IMPLICIT, EXPLICIT, BIG] {
        let pen = Pen(syntax);
        let data = pen.put(SEQUENCE, "SQ", &pen.put(ITEM, "", b"").repeat(1_000_000));
        assert_eq!(code(&data, Some(syntax)), "gate-too-many-elements");
    }
}

/// A megabyte that inflates to a gigabyte of blanks: one text, and no data set at all.
#[test]
fn deflate_bomb() {
    use std::io::Write as _;
    let pen = Pen(EXPLICIT);
    let blanks = vec![b' '; 1 << 20];
    let mut encoder = flate2::write::DeflateEncoder::new(Vec::new(), flate2::Compression::fast());
    encoder
        .write_all(&pen.claim(Tag(0x0040, 0xA160), "UT", 1 << 30, &blanks))
        .unwrap();
    encoder.flush().unwrap();
    let first = encoder.get_ref().len();
    encoder.write_all(&blanks).unwrap();
    encoder.flush().unwrap();
    // A flushed block ends on a byte and refers to blanks only, so it can follow itself.
    let block = encoder.get_ref()[first..].to_vec();
    let mut bomb = encoder.get_ref().clone();
    bomb.extend(block.repeat((1 << 10) - 2));
    bomb.extend(&encoder.finish().unwrap()[first + block.len()..]);
    assert!(bomb.len() < 10 << 20);
    assert_eq!(code(&bomb, Some(DEFLATED)), "gate-inflated-too-big");
    assert_eq!(
        code(&sample::file_of(&bomb, DEFLATED), None),
        "gate-inflated-too-big"
    );
}

/// A few kilobytes that become mebibytes: eight are let through, nine are not.
#[test]
fn deflated_a_thousandfold() {
    let pen = Pen(EXPLICIT);
    let blanks = |mebibytes: usize| {
        let text = vec![b' '; (mebibytes << 20) - 12];
        sample::deflate(&pen.put(Tag(0x0040, 0xA160), "UT", &text))
    };
    let (eight, nine) = (blanks(8), blanks(9));
    assert!(nine.len() * 100 < 8 << 20);
    assert!(read(&eight, Some(DEFLATED), &Limits::default()).is_ok());
    assert_eq!(code(&nine, Some(DEFLATED)), "gate-inflated-too-big");
}
