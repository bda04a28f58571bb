//! Pictures as senders write them, and as none should (PS3.3 C.8.5.5, 10.7.1.3, C.7.3.1).

use crate::domain::{ImageFacts, Laterality, PixelSpacing};
use crate::sr::sample::{self, EXPLICIT, IMPLICIT, sequence, text};
use crate::sr::{Document, Limits, read};
use dicom_core::value::PrimitiveValue;
use dicom_core::{DataElement, Tag, VR};
use dicom_dictionary_std::tags;
use dicom_object::InMemDicomObject;
use dicom_object::mem::InMemElement;

const IMAGE: &str = "1.2.840.10008.5.1.4.1.1.6.1";

fn number(tag: Tag, vr: VR, value: impl Into<PrimitiveValue>) -> InMemElement {
    DataElement::new(tag, vr, value.into())
}

fn region(change: Vec<InMemElement>) -> InMemDicomObject {
    let short = |tag, value: u16| number(tag, VR::US, value);
    let long = |tag, value: u32| number(tag, VR::UL, value);
    let double = |tag, value: f64| number(tag, VR::FD, value);
    let mut region = InMemDicomObject::from_element_iter([
        short(tags::REGION_SPATIAL_FORMAT, 1),
        short(tags::REGION_DATA_TYPE, 1),
        long(tags::REGION_FLAGS, 3),
        long(tags::REGION_LOCATION_MIN_X0, 10),
        long(tags::REGION_LOCATION_MIN_Y0, 20),
        long(tags::REGION_LOCATION_MAX_X1, 109),
        long(tags::REGION_LOCATION_MAX_Y1, 219),
        short(tags::PHYSICAL_UNITS_X_DIRECTION, 3),
        short(tags::PHYSICAL_UNITS_Y_DIRECTION, 3),
        double(tags::PHYSICAL_DELTA_X, 0.008),
        double(tags::PHYSICAL_DELTA_Y, -0.004),
    ]);
    for element in change {
        region.put(element);
    }
    region
}

fn picture(class: &str, more: Vec<InMemElement>) -> Document {
    let mut object = InMemDicomObject::from_element_iter([
        text(tags::SOP_CLASS_UID, VR::UI, class),
        text(tags::SOP_INSTANCE_UID, VR::UI, "1.2.3"),
        number(tags::ROWS, VR::US, 400_u16),
        number(tags::COLUMNS, VR::US, 600_u16),
    ]);
    for element in more {
        object.put(element);
    }
    let read = |syntax| {
        let bytes = sample::encode(&object, syntax);
        read(&bytes, Some(syntax), &Limits::default()).unwrap()
    };
    let document = read(EXPLICIT);
    assert_eq!(read(IMPLICIT), document);
    document
}

fn facts(more: Vec<InMemElement>) -> (ImageFacts, Vec<String>) {
    let document = picture(IMAGE, more);
    let codes = document.remarks.iter().map(|one| one.code.to_string());
    (document.image.unwrap(), codes.collect())
}

fn regions(items: Vec<InMemDicomObject>) -> InMemElement {
    sequence(tags::SEQUENCE_OF_ULTRASOUND_REGIONS, items)
}

#[test]
fn a_whole_picture() {
    let (image, remarks) = facts(vec![
        regions(vec![region(vec![])]),
        text(tags::LATERALITY, VR::CS, "L"),
        text(tags::NUMBER_OF_FRAMES, VR::IS, "12"),
        text(tags::PIXEL_SPACING, VR::DS, "0.04\\0.08"),
        text(tags::PIXEL_SPACING_CALIBRATION_TYPE, VR::CS, "GEOMETRY"),
    ]);
    assert_eq!(remarks, Vec::<String>::new());
    assert_eq!(
        (image.rows, image.columns, image.frames),
        (Some(400), Some(600), 12)
    );
    assert_eq!(image.laterality, Some(Laterality::Left));
    let region = &image.regions[0];
    assert!(region.low_priority);
    assert_eq!((region.spatial_format, region.units), (1, [3, 3]));
    assert_eq!(
        (region.bounds, region.delta),
        ([10, 20, 109, 219], [0.008, -0.004])
    );
    let spacing = PixelSpacing {
        row_mm: 0.04,
        column_mm: 0.08,
        calibration: Some("GEOMETRY".to_owned()),
    };
    assert_eq!(image.pixel_spacing, Some(spacing));
}

#[test]
fn only_ultrasound_pictures_have_facts() {
    for (class, is) in [
        ("1.2.840.10008.5.1.4.1.1.6.1", true),
        ("1.2.840.10008.5.1.4.1.1.3.1", true),
        ("1.2.840.10008.5.1.4.1.1.6", true),
        ("1.2.840.10008.5.1.4.1.1.7", false),
        ("1.2.840.10008.5.1.4.1.1.88.33", false),
    ] {
        assert_eq!(picture(class, vec![]).image.is_some(), is, "{class}");
    }
    let (bare, remarks) = facts(vec![]);
    assert_eq!(
        (bare.frames, bare.laterality, bare.regions.len()),
        (1, None, 0)
    );
    assert_eq!(remarks, Vec::<String>::new());
}

#[test]
fn sides_of_picture_and_series() {
    let side = |image: &str, series: &str| {
        let (facts, remarks) = facts(vec![
            text(tags::IMAGE_LATERALITY, VR::CS, image),
            text(tags::LATERALITY, VR::CS, series),
        ]);
        (facts.laterality, remarks.len())
    };
    assert_eq!(side("R", ""), (Some(Laterality::Right), 0));
    assert_eq!(side("R", "R"), (Some(Laterality::Right), 0));
    assert_eq!(side("R", "L"), (Some(Laterality::Unresolved), 1));
    // U is unpaired and B is both: neither is an eye.
    assert_eq!(side("U", "L"), (Some(Laterality::Left), 0));
    assert_eq!(side("B", ""), (None, 0));
}

#[test]
fn a_region_without_what_it_must_have_is_told_and_left_out() {
    let mut bare = region(vec![]);
    bare.remove_element(tags::PHYSICAL_DELTA_X);
    let (image, remarks) = facts(vec![regions(vec![
        region(vec![]),
        region(vec![number(tags::PHYSICAL_DELTA_X, VR::FD, f64::NAN)]),
        region(vec![number(tags::PHYSICAL_DELTA_Y, VR::FD, f64::INFINITY)]),
        bare,
    ])]);
    assert_eq!(image.regions.len(), 1);
    assert!(
        remarks.contains(&"region-unreadable".to_owned()),
        "{remarks:?}"
    );
    // What is kept can be stored and read back.
    let json = serde_json::to_string(&image).unwrap();
    assert_eq!(serde_json::from_str::<ImageFacts>(&json).unwrap(), image);
    let (many, remarks) = facts(vec![regions(vec![region(vec![]); 1000])]);
    assert_eq!((many.regions.len(), remarks.len()), (64, 1));
}

#[test]
fn pixel_spacing_that_is_no_spacing() {
    for odd in [
        "0.04", "0.04\\x", "0\\0.08", "-1\\1", "NaN\\1", "inf\\1", "1\\2\\3",
    ] {
        let (image, remarks) = facts(vec![text(tags::PIXEL_SPACING, VR::DS, odd)]);
        assert_eq!(image.pixel_spacing, None, "{odd}");
        assert_eq!(remarks, ["pixel-spacing-unreadable"], "{odd}");
    }
}
