//! Texts that are longer than their kind may be.

use crate::domain::{Remark, Severity};
use crate::sr::sample::{self, EXPLICIT, text};
use crate::sr::{Document, Limits, read};
use dicom_core::value::PrimitiveValue;
use dicom_core::{DataElement, Tag, VR};
use dicom_dictionary_std::{tags, uids};
use dicom_object::InMemDicomObject;

fn with(elements: Vec<dicom_object::mem::InMemElement>) -> Document {
    let mut report = sample::report();
    elements.into_iter().for_each(|element| {
        report.put(element);
    });
    let encoded = sample::encode(&report, EXPLICIT);
    read(&encoded, Some(EXPLICIT), &Limits::default()).unwrap()
}

fn remark<'a>(document: &'a Document, code: &str) -> Option<&'a Remark> {
    document.remarks.iter().find(|remark| remark.code == code)
}

fn letters(text: Option<&String>) -> usize {
    text.map_or(0, |text| text.chars().count())
}

#[test]
fn texts_for_people_are_cut_at_the_length_of_their_kind() {
    let document = with(vec![
        text(tags::MANUFACTURER, VR::LO, &"M".repeat(65)),
        text(tags::MANUFACTURER_MODEL_NAME, VR::LO, &"N".repeat(64)),
        text(tags::OPERATORS_NAME, VR::PN, &"ö".repeat(70)),
    ]);
    let header = &document.header;
    assert_eq!(letters(header.manufacturer.as_ref()), 64);
    assert!(header.manufacturer.as_ref().unwrap().ends_with("M…"));
    assert_eq!(header.model.as_deref(), Some("N".repeat(64).as_str()));
    assert_eq!(letters(header.operator.as_ref()), 64);
    let places: Vec<_> = document
        .remarks
        .iter()
        .filter(|remark| remark.code == "text-cut")
        .map(|remark| (remark.place.clone().unwrap(), remark.severity))
        .collect();
    let caution = |place: &str| (place.to_owned(), Severity::Caution);
    assert_eq!(places, [caution("(0008,0070)"), caution("(0008,1070)")]);
}

/// Two bytes a letter between escapes: 64 letters of 448 bytes are no more than they may be.
#[test]
fn letters_with_escapes_are_not_cut_too_early() {
    let mut report = sample::report();
    let sets = text(tags::SPECIFIC_CHARACTER_SET, VR::CS, "\\ISO 2022 IR 87");
    report.put(sets);
    let letter = b"\x1B$B;3\x1B(B";
    for (count, kept) in [(64, 64), (65, 64)] {
        let value = PrimitiveValue::from(letter.repeat(count));
        report.put(DataElement::new(tags::OPERATORS_NAME, VR::PN, value));
        let encoded = sample::encode(&report, EXPLICIT);
        let document = read(&encoded, Some(EXPLICIT), &Limits::default()).unwrap();
        let operator = document.header.operator.as_ref();
        assert!(operator.unwrap().starts_with('山'), "{operator:?}");
        assert_eq!(letters(operator), kept);
        assert_eq!(remark(&document, "text-cut").is_some(), count > 64);
    }
}

#[test]
fn an_identity_is_whole_or_none() {
    let of = |tag: Tag, length: usize| with(vec![text(tag, VR::LO, &"7".repeat(length))]);
    let id = |length| of(tags::PATIENT_ID, length);
    assert_eq!(letters(id(64).header.patient_id.as_ref()), 64);
    let padded = format!("{}417{}", " ".repeat(30), " ".repeat(90));
    let padded = with(vec![text(tags::PATIENT_ID, VR::LO, &padded)]);
    assert_eq!(padded.header.patient_id.as_deref(), Some("417"));
    for tag in [tags::PATIENT_ID, tags::ISSUER_OF_PATIENT_ID] {
        for length in [65, 200, 5_000, 60_000] {
            let document = of(tag, length);
            let header = &document.header;
            let used = match tag {
                tags::PATIENT_ID => &header.patient_id,
                _ => &header.patient_issuer,
            };
            assert_eq!(*used, None, "{tag} {length}");
            let remark = remark(&document, "identity-too-long").unwrap();
            assert_eq!(remark.severity, Severity::Blocking);
        }
    }
    // A short string of 20 letters is kept whole, one of 65 is not used.
    let accession = |length| of(tags::ACCESSION_NUMBER, length);
    assert_eq!(letters(accession(20).header.accession.as_ref()), 20);
    assert_eq!(accession(65).header.accession, None);
    assert!(remark(&accession(65), "text-too-long").is_some());
    let serial = of(tags::DEVICE_SERIAL_NUMBER, 65);
    assert_eq!(serial.header.serial, None);
    let uid = with(vec![text(
        tags::STUDY_INSTANCE_UID,
        VR::UI,
        &"1".repeat(65),
    )]);
    assert_eq!(uid.header.study_instance_uid, None);
}

/// A date with something behind it is no date, however much is behind it.
#[test]
fn what_is_cut_reads_as_nothing_else() {
    for behind in [3, 60, 5_000] {
        let date = format!("20240501{}", " 1".repeat(behind));
        let document = with(vec![text(tags::STUDY_DATE, VR::LO, &date)]);
        assert_eq!(document.header.study_at, None);
        assert!(remark(&document, "date-invalid").is_some());
    }
}

/// A code that is too long is a code that nobody explains, and no other one.
#[test]
fn a_code_is_whole_or_unknown() {
    let meanings = |value: &str| {
        let mut report = sample::report();
        report.put(sample::coded(
            tags::CONCEPT_NAME_CODE_SEQUENCE,
            value,
            "99TARNHOLT",
            "x",
        ));
        let encoded = sample::encode(&report, EXPLICIT);
        let document = read(&encoded, Some(EXPLICIT), &Limits::default()).unwrap();
        let told = remark(&document, "code-too-long").is_some();
        let tree = document.tree.unwrap();
        (tree.item(tree.root()).concept.clone().unwrap().value, told)
    };
    let long = "ONSD-RIGHT-OUTER-BORDER-TRANSVERSE";
    assert_eq!(meanings(long), (long.to_owned(), false));
    let (one, other) = ("C".repeat(65), format!("{}D", "C".repeat(65)));
    let (one, other) = (meanings(&one), meanings(&other));
    assert!(
        one.1 && one.0.starts_with('…') && one.0.len() < 30,
        "{one:?}"
    );
    assert_ne!(one, other);
}

/// A stranger's name of 30 MB: no part of the reading is much longer than a name may be.
#[test]
fn a_name_of_thirty_megabytes() {
    let name = "A".repeat(30 << 20);
    let mut report: InMemDicomObject = sample::report();
    report.put(text(tags::OPERATORS_NAME, VR::PN, &name));
    report.put(text(tags::TEXT_VALUE, VR::UT, &name));
    let implicit = uids::IMPLICIT_VR_LITTLE_ENDIAN;
    let encoded = sample::encode(&report, implicit);
    let document = read(&encoded, Some(implicit), &Limits::default()).unwrap();
    assert_eq!(letters(document.header.operator.as_ref()), 64);
    assert!(format!("{document:?}").len() < 100_000);
}
