//! Bare data sets in every transfer syntax, and files: what the gate admits has to decode.
//! The first byte says which.

#![no_main]

use libfuzzer_sys::fuzz_target;
use sheathline_model::sr::{self, Limits, ReadError};

const SYNTAXES: [Option<&str>; 5] = [
    None,
    Some("1.2.840.10008.1.2"),
    Some("1.2.840.10008.1.2.1"),
    Some("1.2.840.10008.1.2.2"),
    Some("1.2.840.10008.1.2.1.99"),
];

fuzz_target!(|input: &[u8]| {
    let Some((&which, bytes)) = input.split_first() else {
        return;
    };
    let syntax = SYNTAXES[usize::from(which) % SYNTAXES.len()];
    match sr::read(bytes, syntax, &Limits::default()) {
        Ok(document) => {
            let slim = sr::without_pixels(bytes, syntax, &Limits::default());
            if let Some(slim) = slim {
                // A picture without its pixels is read as the same picture.
                let again = sr::read(&slim, syntax, &Limits::default()).expect("still sound");
                assert_eq!(again.header, document.header);
            }
        }
        Err(ReadError::Gate(error)) => assert!(!error.remark().text.is_empty()),
        Err(error) => panic!("admitted and not decoded: {error:?}"),
    }
});
