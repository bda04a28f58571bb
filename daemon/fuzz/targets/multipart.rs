//! A multipart body in pieces of any size: the same parts as in one piece, and no more held than came.

#![no_main]

use libfuzzer_sys::fuzz_target;
use sheathline_net::http::multipart::{Broken, Parts};

fn parts(boundary: &str, body: &[u8], piece: usize) -> Result<Vec<Vec<u8>>, Broken> {
    let mut parts = Parts::new(boundary, 4096, 1000)?;
    let mut whole = Vec::new();
    for piece in body.chunks(piece.max(1)) {
        let taken = parts.take(piece);
        while let Some(part) = parts.whole() {
            assert!(part.len() <= 4096);
            whole.push(part);
        }
        // What is held beside the bytes that came is the line end that is taken for granted.
        assert!(parts.held_bytes() <= body.len() + 2);
        taken?;
    }
    parts.end()?;
    Ok(whole)
}

fuzz_target!(|input: (&str, u8, &[u8])| {
    let (boundary, piece, body) = input;
    let in_pieces = parts(boundary, body, usize::from(piece));
    let at_once = parts(boundary, body, body.len());
    if let (Ok(one), Ok(other)) = (&in_pieces, &at_once) {
        assert_eq!(one, other);
    }
    assert_eq!(in_pieces.is_ok(), at_once.is_ok(), "{in_pieces:?} {at_once:?}");
});
