//! Every element as `dicom-object` decodes it: tag, kind, bytes, items.

use super::{DataSet, Numbers, Value};
use crate::sr::charset::DECLARED;
use crate::sr::gate::{admit, pass};
use crate::sr::limits::Limits;
use crate::sr::sample::{self, BIG, EXPLICIT, SYNTAXES, sequence, text};
use dicom_core::value::{PrimitiveValue, Value as Decoded};
use dicom_core::{DataElement, Tag, VR};
use dicom_dictionary_std::tags;
use dicom_encoding::transfer_syntax::TransferSyntaxIndex;
use dicom_object::InMemDicomObject;
use dicom_transfer_syntax_registry::TransferSyntaxRegistry;

fn hex(bytes: impl IntoIterator<Item = u8>) -> String {
    bytes
        .into_iter()
        .map(|byte| format!("{byte:02x}"))
        .collect()
}

/// Latin-1, as the decoder has it of a data set whose character set is hidden.
fn latin(text: &str) -> String {
    hex(text.chars().map(|letter| u8::try_from(letter).unwrap()))
}

/// Little endian, so that both may swap in their own way.
fn numbers(numbers: Numbers<'_>) -> String {
    match numbers.vr {
        VR::US | VR::SS | VR::OW => hex(numbers.little::<2>().flatten()),
        VR::UL | VR::SL | VR::FL | VR::OL | VR::OF => hex(numbers.little::<4>().flatten()),
        // Nobody asks for one.
        VR::AT => "tags".to_owned(),
        _ => hex(numbers.little::<8>().flatten()),
    }
}

fn ours(set: DataSet<'_>, outermost: bool) -> Vec<(Tag, String)> {
    let mut lines: Vec<(Tag, String)> = set
        .iter()
        // The decoder never gets the pixels.
        .filter(|(tag, _)| !outermost || *tag != tags::PIXEL_DATA)
        .map(|(tag, value)| {
            let line = match value {
                Value::Empty => "empty".to_owned(),
                Value::Texts(bytes) => format!("texts {}", hex(bytes.iter().copied())),
                Value::Text(bytes) => format!("text {}", hex(bytes.iter().copied())),
                Value::Bytes(bytes) => format!("bytes {}", hex(bytes.iter().copied())),
                Value::Numbers(these) => format!("numbers {}", numbers(these)),
                Value::Items(items) => {
                    let items: Vec<_> = items.map(|item| ours(item, false)).collect();
                    format!("{items:?}")
                }
            };
            match tag {
                tags::SPECIFIC_CHARACTER_SET => (tag, line.replace("bytes", "texts")),
                tag => (tag, line),
            }
        })
        .collect();
    lines.sort();
    lines
}

fn decoded(object: &InMemDicomObject) -> Vec<(Tag, String)> {
    let mut lines: Vec<(Tag, String)> = object
        .iter()
        .map(|element| {
            let line = match element.value() {
                Decoded::Sequence(sequence) => {
                    let items: Vec<_> = sequence.items().iter().map(decoded).collect();
                    format!("{items:?}")
                }
                Decoded::PixelSequence(_) => unreachable!("taken out by the gate"),
                Decoded::Primitive(value) => primitive(value),
            };
            match element.header().tag {
                // Hidden, it has no VR in implicit VR.
                DECLARED => (tags::SPECIFIC_CHARACTER_SET, line.replace("bytes", "texts")),
                tag => (tag, line),
            }
        })
        .collect();
    lines.sort();
    lines
}

fn primitive(value: &PrimitiveValue) -> String {
    let of = |bytes: Vec<u8>| format!("numbers {}", hex(bytes));
    match value {
        PrimitiveValue::Empty => "empty".to_owned(),
        PrimitiveValue::Strs(parts) => format!("texts {}", latin(&parts.join("\\"))),
        PrimitiveValue::Str(text) => format!("text {}", latin(text)),
        PrimitiveValue::U8(bytes) => format!("bytes {}", hex(bytes.iter().copied())),
        PrimitiveValue::Tags(_) => "numbers tags".to_owned(),
        PrimitiveValue::U16(all) => of(all.iter().flat_map(|one| one.to_le_bytes()).collect()),
        PrimitiveValue::I16(all) => of(all.iter().flat_map(|one| one.to_le_bytes()).collect()),
        PrimitiveValue::U32(all) => of(all.iter().flat_map(|one| one.to_le_bytes()).collect()),
        PrimitiveValue::I32(all) => of(all.iter().flat_map(|one| one.to_le_bytes()).collect()),
        PrimitiveValue::U64(all) => of(all.iter().flat_map(|one| one.to_le_bytes()).collect()),
        PrimitiveValue::I64(all) => of(all.iter().flat_map(|one| one.to_le_bytes()).collect()),
        PrimitiveValue::F32(all) => of(all.iter().flat_map(|one| one.to_le_bytes()).collect()),
        PrimitiveValue::F64(all) => of(all.iter().flat_map(|one| one.to_le_bytes()).collect()),
        value => unreachable!("the decoder keeps texts: {value:?}"),
    }
}

/// Compares both readings of what the gate passes; `false` when it refuses.
pub(in crate::sr) fn assert_as_decoded(bytes: &[u8], syntax: Option<&str>) -> bool {
    let limits = Limits::default();
    let Ok(passed) = pass(bytes, syntax, &limits) else {
        return false;
    };
    let admitted = admit(bytes, syntax, &limits).unwrap();
    let syntax = TransferSyntaxRegistry.get(admitted.syntax).unwrap();
    let object = InMemDicomObject::read_dataset_with_ts(&*admitted.data, syntax).unwrap();
    assert_eq!(ours(passed.elements(), true), decoded(&object));
    true
}

#[test]
fn elements_are_what_the_decoder_makes_of_them() {
    let mut report = sample::report();
    let number = |tag, vr, value: PrimitiveValue| DataElement::new(tag, vr, value);
    for element in [
        number(tags::PIXEL_REPRESENTATION, VR::US, 1_u16.into()),
        number(tags::PIXEL_PADDING_VALUE, VR::US, 65_000_u16.into()),
        number(tags::REGION_FLAGS, VR::UL, 70_000_u32.into()),
        number(tags::PHYSICAL_DELTA_X, VR::FD, (-0.004_f64).into()),
        number(tags::GRAPHIC_DATA, VR::FL, [1.5_f32, -2.5].into()),
        number(tags::ROWS, VR::UN, vec![1_u8, 2, 3, 4].into()),
        text(tags::OTHER_PATIENT_NAMES, VR::PN, "Öttel^A\\\\Öttel^B"),
        text(tags::PATIENT_COMMENTS, VR::LT, "one \\ two "),
        text(tags::ACCESSION_NUMBER, VR::SH, ""),
        sequence(tags::REFERENCED_STUDY_SEQUENCE, Vec::new()),
        sequence(
            tags::OTHER_PATIENT_I_DS_SEQUENCE,
            vec![
                InMemDicomObject::new_empty(),
                InMemDicomObject::from_element_iter([text(tags::PATIENT_ID, VR::LO, "Ä-2")]),
            ],
        ),
    ] {
        report.put(element);
    }
    for syntax in SYNTAXES {
        assert!(
            assert_as_decoded(&sample::encode(&report, syntax), Some(syntax)),
            "{syntax}"
        );
        assert!(
            assert_as_decoded(&sample::file(&report, syntax), None),
            "{syntax}"
        );
    }
}

/// UN of undefined length holds implicit VR, and stays closed (PS3.5 6.2.2).
#[test]
fn what_is_unknown_stays_closed() {
    let inside = [
        &[0xFE, 0xFF, 0x00, 0xE0, 10, 0, 0, 0][..],
        &[0x08, 0x00, 0x70, 0x00, 2, 0, 0, 0, b'a', b'b'],
        &[0xFE, 0xFF, 0xDD, 0xE0, 0, 0, 0, 0],
    ]
    .concat();
    for (syntax, tag, after) in [
        (EXPLICIT, [0x41, 0, 1, 0x10], b"\x43\0\x01\x10LO\x02\0cd"),
        (BIG, [0, 0x41, 0x10, 1], b"\0\x43\x10\x01LO\0\x02cd"),
    ] {
        let open = [&tag[..], b"UN\0\0\xFF\xFF\xFF\xFF", &inside, after].concat();
        assert!(assert_as_decoded(&open, Some(syntax)), "{syntax}");
        let passed = pass(&open, Some(syntax), &Limits::default()).unwrap();
        let set = passed.elements();
        assert!(matches!(set.get(Tag(0x41, 0x1001)), Some(Value::Bytes(bytes)) if bytes == inside));
        assert!(matches!(
            set.get(Tag(0x43, 0x1001)),
            Some(Value::Texts(b"cd"))
        ));
    }
}
