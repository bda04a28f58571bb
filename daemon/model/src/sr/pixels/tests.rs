use super::*;
use crate::sr::sample::{self, text};
use dicom_core::value::{PixelFragmentSequence, PrimitiveValue, Value};
use dicom_core::{DataElement, VR};
use dicom_object::InMemDicomObject;

const EXPLICIT: &str = "1.2.840.10008.1.2.1";

/// A picture of two frames of 2 rows and 3 columns.
fn picture(photometric: &str, per_pixel: u16, bits: u16, bytes: Vec<u8>) -> InMemDicomObject {
    let short = |tag, value: u16| DataElement::new(tag, VR::US, PrimitiveValue::from(value));
    InMemDicomObject::from_element_iter([
        text(tags::SOP_CLASS_UID, VR::UI, "1.2.840.10008.5.1.4.1.1.3.1"),
        text(tags::SOP_INSTANCE_UID, VR::UI, "2.25.7"),
        text(tags::PHOTOMETRIC_INTERPRETATION, VR::CS, photometric),
        text(tags::NUMBER_OF_FRAMES, VR::IS, "2"),
        short(tags::SAMPLES_PER_PIXEL, per_pixel),
        short(tags::PLANAR_CONFIGURATION, 0),
        short(tags::ROWS, 2),
        short(tags::COLUMNS, 3),
        short(tags::BITS_ALLOCATED, bits),
        DataElement::new(tags::PIXEL_DATA, VR::OB, PrimitiveValue::U8(bytes.into())),
    ])
}

fn of(object: &InMemDicomObject, syntax: &str, number: u32) -> Result<Frame, Unshown> {
    let bytes = sample::encode(object, syntax);
    frame(&bytes, Some(syntax), &Limits::default(), number)
}

fn seen(frame: Frame) -> (bool, Vec<u8>) {
    match frame {
        Frame::Samples {
            columns,
            rows,
            is_colour,
            samples,
        } => {
            assert_eq!((columns, rows), (3, 2));
            (is_colour, samples)
        }
        Frame::Jpeg(_) => panic!("no JPEG was sent"),
    }
}

#[test]
fn frames_are_told_apart_in_either_plain_syntax_and_in_a_file() {
    let grey = picture("MONOCHROME2", 1, 8, (0..12).collect());
    for syntax in NATIVE {
        assert_eq!(
            seen(of(&grey, syntax, 1).unwrap()),
            (false, (0..6).collect())
        );
        assert_eq!(
            seen(of(&grey, syntax, 2).unwrap()),
            (false, (6..12).collect())
        );
        for number in [0, 3, u32::MAX] {
            assert!(matches!(
                of(&grey, syntax, number),
                Err(Unshown::NoFrame(_))
            ));
        }
    }
    let file = sample::file(&grey, EXPLICIT);
    let whole = frame(&file, None, &Limits::default(), 2).unwrap();
    assert_eq!(seen(whole), (false, (6..12).collect()));
}

/// PS3.3 C.7.6.3.1.2: of MONOCHROME1 the lowest value is white; C.7.6.3.1.3: planes one after another.
#[test]
fn colours_planes_and_inverse_grey_are_as_the_standard_says() {
    let inverse = picture("MONOCHROME1", 1, 8, (0..12).collect());
    assert_eq!(
        seen(of(&inverse, EXPLICIT, 1).unwrap()),
        (false, vec![255, 254, 253, 252, 251, 250])
    );
    let mut colour = picture("RGB", 3, 8, (0..36).collect());
    assert_eq!(
        seen(of(&colour, EXPLICIT, 2).unwrap()),
        (true, (18..36).collect())
    );
    colour.put(DataElement::new(
        tags::PLANAR_CONFIGURATION,
        VR::US,
        PrimitiveValue::from(1_u16),
    ));
    let (_, samples) = seen(of(&colour, EXPLICIT, 1).unwrap());
    assert_eq!(samples[..6], [0, 6, 12, 1, 7, 13]);
    assert_eq!(samples[15..], [5, 11, 17]);
}

#[test]
fn what_is_not_shown_says_why() {
    let why = |object: &InMemDicomObject| of(object, EXPLICIT, 1).unwrap_err().to_string();
    assert!(why(&picture("MONOCHROME2", 1, 16, vec![0; 24])).contains("MONOCHROME2"));
    assert!(why(&picture("YBR_FULL", 3, 8, vec![0; 36])).contains("YBR_FULL"));
    assert!(why(&picture("MONOCHROME2", 1, 8, vec![0; 4])).contains("no frame 1"));
    let mut without = picture("MONOCHROME2", 1, 8, vec![0; 12]);
    without.remove_element(tags::PIXEL_DATA);
    assert!(why(&without).contains("not kept"));
    let mut vast = picture("MONOCHROME2", 1, 8, vec![0; 12]);
    for tag in [tags::ROWS, tags::COLUMNS] {
        vast.put(DataElement::new(
            tag,
            VR::US,
            PrimitiveValue::from(u16::MAX),
        ));
    }
    assert!(why(&vast).contains("MONOCHROME2"));
}

#[test]
fn jpeg_frames_are_passed_on_as_they_are() {
    let with = |fragments: Vec<Vec<u8>>| {
        let mut object = picture("YBR_FULL_422", 3, 8, Vec::new());
        let items = PixelFragmentSequence::new(Vec::<u32>::new(), fragments);
        object.put(DataElement::new(
            tags::PIXEL_DATA,
            VR::OB,
            Value::<InMemDicomObject, Vec<u8>>::PixelSequence(items),
        ));
        object
    };
    let two = with(vec![vec![0xFF, 0xD8, 1, 2], vec![0xFF, 0xD8, 3, 4]]);
    assert_eq!(
        of(&two, JPEG, 2).unwrap(),
        Frame::Jpeg(vec![0xFF, 0xD8, 3, 4])
    );
    // What is no JPEG is not handed to a browser as one, nor is a frame whose fragments are not known.
    assert!(of(&with(vec![b"<svg>".to_vec(), vec![0xFF, 0xD8]]), JPEG, 1).is_err());
    assert!(of(&with(vec![vec![0xFF, 0xD8]; 3]), JPEG, 1).is_err());
    let mut one = with(vec![vec![0xFF, 0xD8, 5, 6], vec![7, 8]]);
    one.put(text(tags::NUMBER_OF_FRAMES, VR::IS, "1"));
    assert_eq!(
        of(&one, JPEG, 1).unwrap(),
        Frame::Jpeg(vec![0xFF, 0xD8, 5, 6, 7, 8])
    );
    assert!(
        of(&two, "1.2.840.10008.1.2.4.70", 1)
            .unwrap_err()
            .to_string()
            .contains("4.70")
    );
}
