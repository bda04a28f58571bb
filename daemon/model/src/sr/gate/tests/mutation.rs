//! Sound reports, damaged: reading comes back, and what passes means the same to the decoder.

use super::hostile::on_small_stack;
use super::*;
use crate::sr::data::tests::assert_as_decoded;
use crate::sr::read;
use crate::sr::sample::SYNTAXES;
use dicom_encoding::transfer_syntax::TransferSyntaxIndex;
use dicom_parser::dataset::{DataSetReader, DataToken};
use dicom_transfer_syntax_registry::TransferSyntaxRegistry;
use proptest::prelude::*;

/// Where length fields stand, found by a flat scan that knows PS3.5 7.1.2 and 7.5 by itself.
fn length_fields(bytes: &[u8], syntax: &str) -> Vec<(usize, usize)> {
    let number = |at: usize, width: usize| {
        let field = bytes[at..at + width].iter();
        let fold = |sum: usize, byte: &u8| sum << 8 | usize::from(*byte);
        if syntax == BIG {
            field.fold(0, fold)
        } else {
            field.rev().fold(0, fold)
        }
    };
    let mut fields = Vec::new();
    let mut at = 0;
    while at < bytes.len() {
        let item = number(at, 2) == 0xFFFE;
        let letters = &bytes[at + 4..at + 6];
        let long = [b"SQ", b"UT", b"UN", b"OB", b"UC"]
            .iter()
            .any(|vr| *vr == letters);
        let (field, width) = match (item || syntax == IMPLICIT, long) {
            (true, _) => (at + 4, 4),
            (false, true) => (at + 8, 4),
            (false, false) => (at + 6, 2),
        };
        fields.push((field, width));
        let length = number(field, width);
        at = field
            + width
            + if width == 4 && length == 0xFFFF_FFFF {
                0
            } else {
                length
            };
    }
    fields
}

#[test]
fn every_length_of_a_report() {
    on_small_stack(|| {
        let report = sample::report();
        for syntax in [IMPLICIT, EXPLICIT, BIG] {
            let bytes = sample::encode(&report, syntax);
            let sound = read(&bytes, Some(syntax), &Limits::default()).unwrap();
            let fields = length_fields(&bytes, syntax);
            assert!(fields.len() > 250, "{}", fields.len());
            for (at, width) in fields {
                let own: u32 = {
                    let mut field = bytes[at..at + width].to_vec();
                    if syntax != BIG {
                        field.reverse();
                    }
                    field
                        .iter()
                        .fold(0, |sum, &byte| sum << 8 | u32::from(byte))
                };
                let other = [
                    0,
                    own.wrapping_add(1),
                    own.wrapping_sub(1),
                    0xFFFF,
                    0x7FFF_FFFF,
                    0xFFFF_FFFE,
                    OPEN,
                ];
                for length in other.into_iter().filter(|&length| length != own) {
                    let mut damaged = bytes.clone();
                    let field = if syntax == BIG {
                        length.to_be_bytes()
                    } else {
                        length.to_le_bytes()
                    };
                    let field = if syntax == BIG {
                        &field[4 - width..]
                    } else {
                        &field[..width]
                    };
                    damaged[at..at + width].copy_from_slice(field);
                    if damaged == bytes {
                        continue;
                    }
                    if let Ok(document) = read(&damaged, Some(syntax), &Limits::default()) {
                        assert_ne!(document.content_sha256, sound.content_sha256);
                    }
                }
            }
        }
    });
}

/// What the gate walks and what the decoder reads, as comparable lines.
fn walked(bytes: &[u8], syntax: &str) -> Vec<String> {
    let encoding = match syntax {
        IMPLICIT => Encoding::ImplicitLittle,
        BIG => Encoding::ExplicitBig,
        _ => Encoding::ExplicitLittle,
    };
    let mut lines = Vec::new();
    walk::walk(
        bytes,
        encoding,
        0,
        false,
        false,
        &Limits::default(),
        &mut |event| {
            lines.push(match event {
                Event::Element { tag, value, .. } => format!("{tag} {}", value.len()),
                Event::SequenceStart { tag } => format!("{tag} ["),
                Event::ItemStart => "{".to_owned(),
                Event::ItemEnd => "}".to_owned(),
                Event::SequenceEnd => "]".to_owned(),
                Event::Unknown { .. } => unreachable!("closed before"),
                Event::Pixels { .. } => return,
            });
        },
    )
    .unwrap();
    lines
}

fn decoded(bytes: &[u8], syntax: &str) -> Vec<String> {
    let syntax = TransferSyntaxRegistry.get(syntax).unwrap();
    DataSetReader::new_with_ts(bytes, syntax)
        .unwrap()
        .filter_map(|token| match token.unwrap() {
            DataToken::ElementHeader(header) => Some(format!("{} {}", header.tag, header.len.0)),
            DataToken::SequenceStart { tag, .. } => Some(format!("{tag} [")),
            DataToken::ItemStart { .. } => Some("{".to_owned()),
            DataToken::ItemEnd => Some("}".to_owned()),
            DataToken::SequenceEnd => Some("]".to_owned()),
            DataToken::PrimitiveValue(_) => None,
            token => unreachable!("{token:?}"),
        })
        .collect()
}

/// Bytes that often turn up in headers, so that damage is often well formed.
fn byte() -> impl Strategy<Value = u8> {
    prop_oneof![
        any::<u8>(),
        prop::sample::select(vec![
            0, 1, 2, 3, 4, 8, 0xFE, 0xFF, 0xE0, 0xDD, 0x0D, 0x28, 0x40
        ]),
        prop::sample::select(b"SQUNOBWTLCFDAIR\\".to_vec()),
    ]
}

/// A short run of bytes at a place given in parts of the whole.
fn damage() -> impl Strategy<Value = Vec<(f64, Vec<u8>)>> {
    prop::collection::vec((0.0..1.0_f64, prop::collection::vec(byte(), 1..6)), 1..6)
}

fn damaged(mut bytes: Vec<u8>, damage: &[(f64, Vec<u8>)]) -> Vec<u8> {
    for (part, run) in damage {
        let at = (*part * bytes.len() as f64) as usize;
        for (byte, new) in bytes.iter_mut().skip(at).zip(run) {
            *byte = *new;
        }
    }
    bytes
}

/// Reads on a small stack; what the gate admits, the decoder has to walk in the same steps.
fn check(bytes: Vec<u8>, syntax: &'static str) {
    on_small_stack(move || {
        let limits = Limits::default();
        let result = read(&bytes, Some(syntax), &limits);
        let Ok(admitted) = admit(&bytes, Some(syntax), &limits) else {
            assert!(result.is_err());
            return;
        };
        assert!(result.is_ok(), "{result:?}");
        let (data, written) = (&admitted.data, admitted.syntax);
        assert_eq!(walked(data, written), decoded(data, written));
        assert_as_decoded(&bytes, Some(syntax));
    });
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn damaged_reports_come_back(damage in damage(), which in 0..SYNTAXES.len()) {
        let syntax = SYNTAXES[which];
        let bytes = sample::encode(&sample::report(), syntax);
        check(damaged(bytes, &damage), syntax);
    }

    /// Damage before deflating, so that it reaches the walk.
    #[test]
    fn damaged_before_deflating(damage in damage()) {
        let bytes = sample::encode(&sample::report(), EXPLICIT);
        check(sample::deflate(&damaged(bytes, &damage)), DEFLATED);
    }

    #[test]
    fn damaged_files_come_back(damage in damage(), which in 0..SYNTAXES.len()) {
        let bytes = sample::file(&sample::report(), SYNTAXES[which]);
        let bytes = damaged(bytes, &damage);
        on_small_stack(move || drop(read(&bytes, None, &Limits::default())));
    }

    /// Random headers with small lengths: far more often well formed than damage is.
    #[test]
    fn made_up_data_sets(
        parts in prop::collection::vec(
            (0..8_usize, prop::sample::select(vec!["SQ", "UN", "OB", "LO", "US", "FD", "AT", "ZZ"]), 0..20_u32, any::<bool>()),
            1..12,
        ),
        which in 0..3_usize,
    ) {
        let syntax = SYNTAXES[which];
        let pen = Pen(syntax);
        let tags = [SEQUENCE, PRIVATE, LO, ITEM, END_ITEM, END_SEQUENCE, Tag(0x0028, 0x0103), Tag(0x0028, 0x0106)];
        let bytes: Vec<u8> = parts
            .iter()
            .flat_map(|&(tag, vr, length, open)| {
                let long = matches!(vr, "SQ" | "UN") || tags[tag].0 == 0xFFFE || syntax == IMPLICIT;
                pen.claim(tags[tag], vr, if open && long { OPEN } else { length }, b"")
            })
            .chain([1; 20])
            .collect();
        check(bytes, syntax);
    }
}
