//! Presentation states as pydicom writes them (`fixtures/presentations`), and as none should.

use super::*;
use crate::sr::sample::{self, EXPLICIT, IMPLICIT, sequence, text};
use crate::sr::{Limits, read};
use dicom_core::VR;
use dicom_object::InMemDicomObject;
use dicom_object::mem::InMemElement;
use std::fs;
use std::path::Path;

fn fixture(case: &str) -> Presentation {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../fixtures/presentations");
    let bytes = fs::read(folder.join(case).join("presentation-1.dcm")).unwrap();
    let document = read(&bytes, None, &Limits::default()).unwrap();
    assert_eq!(document.remarks, []);
    document.presentation.unwrap()
}

/// PS3.3 C.10.5, C.10.4, C.11.11.
#[test]
fn a_line_with_its_text_and_picture_is_read_as_sent() {
    let state = fixture("label-and-length");
    let [annotation] = state.annotations.as_slice() else {
        panic!("{state:?}");
    };
    let [shape] = annotation.shapes.as_slice() else {
        panic!("{annotation:?}");
    };
    assert_eq!(
        (shape.place.as_str(), shape.units.as_str()),
        ("1.1", "PIXEL")
    );
    assert_eq!(shape.graphic, "POLYLINE");
    let ends = [[15.5, 40.0], [80.5, 40.0]].map(Point::from).to_vec();
    assert_eq!(shape.points, Some(ends));
    let [text] = annotation.texts.as_slice() else {
        panic!("{annotation:?}");
    };
    assert_eq!(text.lines, ["ONSD RE", "5.20 mm"]);
    let [picture] = annotation.pictures.as_slice() else {
        panic!("{annotation:?}");
    };
    assert!(picture.listed && picture.frames.is_empty());
    assert_eq!(picture.spacing, None);
    assert_eq!(state.titles, ["CALIPERS"]);
    assert_eq!(state.creator.as_deref(), Some("Invented^Reader"));
    assert_eq!(state.left_out, 0);
}

#[test]
fn groups_tracking_ids_frames_and_spacings_are_read() {
    let groups = fixture("groups");
    let of = |state: &Presentation, at: usize| state.annotations[at].clone();
    let shapes: Vec<_> = of(&groups, 0).shapes.iter().map(|one| one.group).collect();
    assert_eq!(shapes, [Some(1), Some(2)]);
    let texts: Vec<_> = of(&groups, 1).texts.iter().map(|one| one.group).collect();
    assert_eq!(texts, [Some(2), Some(1)]);
    let tracking = fixture("tracking");
    let ids: Vec<_> = of(&tracking, 0)
        .shapes
        .into_iter()
        .map(|one| one.tracking_id)
        .collect();
    assert_eq!(
        ids,
        [Some("ONSD RE".to_owned()), Some("ONSD LE".to_owned())]
    );
    assert_eq!(of(&fixture("clip"), 0).pictures[0].frames, [2]);
    assert_eq!(
        of(&fixture("spacing-differs"), 0).pictures[0].spacing,
        Some([0.1, 0.1])
    );
    // Without pictures of its own an annotation stands over all.
    assert_eq!(of(&fixture("several-pictures"), 0).pictures.len(), 2);
    assert!(!of(&fixture("not-listed"), 0).pictures[0].listed);
}

fn state(annotations: Vec<InMemDicomObject>) -> Presentation {
    let object = InMemDicomObject::from_element_iter([
        text(tags::SOP_CLASS_UID, VR::UI, CLASSES[0]),
        text(tags::SOP_INSTANCE_UID, VR::UI, "1.2.3"),
        sequence(tags::GRAPHIC_ANNOTATION_SEQUENCE, annotations),
    ]);
    let read = |syntax| {
        let bytes = sample::encode(&object, syntax);
        read(&bytes, Some(syntax), &Limits::default()).unwrap()
    };
    let document = read(EXPLICIT);
    assert_eq!(read(IMPLICIT), document);
    document.presentation.unwrap()
}

fn item(elements: Vec<InMemElement>) -> InMemDicomObject {
    InMemDicomObject::from_element_iter(elements)
}

/// A stranger may send a hundred thousand of them.
#[test]
fn more_than_a_study_needs_is_counted_and_not_kept() {
    let texts = |count: usize| {
        let texts = vec![item(vec![text(tags::UNFORMATTED_TEXT_VALUE, VR::ST, "x")]); count];
        item(vec![sequence(tags::TEXT_OBJECT_SEQUENCE, texts)])
    };
    let read = state(vec![texts(MOST - 1), texts(2), texts(1)]);
    let kept: Vec<usize> = read.annotations.iter().map(|one| one.texts.len()).collect();
    assert_eq!((kept, read.left_out), (vec![MOST - 1, 0, 1], 2));
    assert_eq!(state(vec![item(vec![]); MOST + 3]).left_out, 3);
}

#[test]
fn what_is_no_list_of_pairs_has_no_points() {
    let shape = |data: Vec<InMemElement>| {
        let shapes = vec![item(data)];
        let read = state(vec![item(vec![sequence(
            tags::GRAPHIC_OBJECT_SEQUENCE,
            shapes,
        )])]);
        read.annotations[0].shapes[0].clone()
    };
    let number = |tag, vr, value: PrimitiveValue| dicom_core::DataElement::new(tag, vr, value);
    use dicom_core::PrimitiveValue;
    let dimensions = |count: u16| number(tags::GRAPHIC_DIMENSIONS, VR::US, count.into());
    let data = |numbers: &[f32]| {
        let value = PrimitiveValue::F32(numbers.iter().copied().collect());
        number(tags::GRAPHIC_DATA, VR::FL, value)
    };
    let pair = shape(vec![dimensions(2), data(&[1.0, 2.0])]);
    assert_eq!(pair.points, Some(vec![Point::from([1.0, 2.0])]));
    assert_eq!(
        shape(vec![dimensions(2), data(&[1.0, 2.0, 3.0])]).points,
        None
    );
    assert_eq!(shape(vec![dimensions(3), data(&[1.0, 2.0])]).points, None);
    assert_eq!(shape(vec![data(&[1.0, 2.0])]).points, None);
    assert_eq!(shape(vec![dimensions(2)]).points, None);
}

/// Only the two classes that draw over stored pictures in their own pixels.
#[test]
fn other_presentation_states_are_not_read() {
    use dicom_dictionary_std::uids;
    for (class, is) in [
        (uids::GRAYSCALE_SOFTCOPY_PRESENTATION_STATE_STORAGE, true),
        (uids::COLOR_SOFTCOPY_PRESENTATION_STATE_STORAGE, true),
        (
            uids::PSEUDO_COLOR_SOFTCOPY_PRESENTATION_STATE_STORAGE,
            false,
        ),
        (uids::BLENDING_SOFTCOPY_PRESENTATION_STATE_STORAGE, false),
    ] {
        assert_eq!(is_presentation_class(class), is, "{class}");
    }
}
