//! Whole objects: what comes out of a sample in every encoding, and what odd objects leave.

use super::*;
use crate::sr::sample::{self, EXPLICIT, IMPLICIT, SYNTAXES, text};
use crate::sr::tree::{ItemId, Measured, Relationship};
use crate::sr::{ContentItem, Tree, Value as Content};
use dicom_core::value::DataSetSequence;
use dicom_core::value::PrimitiveValue;
use dicom_core::{DataElement, Tag, VR};
use dicom_dictionary_std::tags;

fn limits() -> Limits {
    Limits::default()
}

fn read_object(object: &InMemDicomObject) -> Document {
    read(&sample::encode(object, EXPLICIT), Some(EXPLICIT), &limits()).unwrap()
}

fn codes(document: &Document) -> Vec<&str> {
    document
        .remarks
        .iter()
        .map(|remark| &*remark.code)
        .collect()
}

fn at<'t>(tree: &'t Tree, place: &str) -> &'t ContentItem {
    tree.item(id_at(tree, place))
}

fn id_at(tree: &Tree, place: &str) -> ItemId {
    tree.ids().find(|&id| tree.place(id) == place).unwrap()
}

/// PS3.5 annex A: the four syntaxes carry the same object, in a file or bare.
#[test]
fn every_encoding_reads_alike() {
    let report = sample::report();
    let first = read(
        &sample::encode(&report, EXPLICIT),
        Some(EXPLICIT),
        &limits(),
    )
    .unwrap();
    assert_eq!(first.remarks, []);
    for syntax in SYNTAXES {
        let bare = sample::encode(&report, syntax);
        assert_eq!(
            read(&bare, Some(syntax), &limits()).unwrap(),
            first,
            "{syntax}"
        );
        let file = sample::file(&report, syntax);
        assert_eq!(read(&file, None, &limits()).unwrap(), first, "{syntax}");
    }
}

#[test]
fn header_of_the_sample() {
    let header = read_object(&sample::report()).header;
    let moment = |stamp: &str| crate::sr::moment_from_dt(stamp, Some(7200));
    assert_eq!(
        header,
        Header {
            sop_class_uid: Some("1.2.840.10008.5.1.4.1.1.88.33".into()),
            sop_instance_uid: Some(sample::SOP_INSTANCE.into()),
            study_instance_uid: Some("1.2.826.0.1.3680043.10.999.2".into()),
            patient_id: Some("00417x".into()),
            patient_issuer: Some("Westmarsh".into()),
            identity: crate::sr::Identity {
                id_text: Some("00417x".into()),
                name: Some("Plover^Ämund".into()),
                other_ids: Vec::new(),
                issuer_universal: None,
            },
            birth_date: chrono::NaiveDate::from_ymd_opt(2016, 2, 29),
            sex: Some(crate::domain::Sex::F),
            study_at: moment("202405010950"),
            day_only: crate::sr::DayOnly::default(),
            content_at: moment("20240501101500.25"),
            offset_s: Some(7200),
            manufacturer: Some("Heronsgate Sonics".into()),
            model: Some("Model 3".into()),
            serial: Some("S-9".into()),
            lateralities: Vec::new(),
            operator: Some("Moorhen^Tilda".into()),
            series_instance_uid: Some("1.2.826.0.1.3680043.10.999.3".into()),
            accession: Some("A-17".into()),
            completion: Some("COMPLETE".into()),
            verification: Some("UNVERIFIED".into()),
            preliminary: Some("FINAL".into()),
            modality: Some("SR".into()),
            evidence: Vec::new(),
            predecessors: vec!["1.2.826.0.1.3680043.10.999.0".into()],
        }
    );
}

#[test]
fn tree_of_the_sample() {
    let document = read_object(&sample::report());
    let tree = document.tree.unwrap();
    assert_eq!(tree.len(), 16);
    assert_eq!(tree.item(tree.root()).template_id.as_deref(), Some("1500"));
    assert_eq!(tree.item(tree.root()).relationship, Relationship::Other);
    let num = at(&tree, "1.2.1.4");
    let Content::Num {
        measured:
            Some(Measured {
                decimal,
                float,
                unit,
                ..
            }),
        qualifier: None,
    } = &num.value
    else {
        unreachable!("{num:?}")
    };
    assert_eq!(decimal.as_deref(), Some("5.2"));
    assert_eq!(*float, Some(5.2));
    assert_eq!(unit.as_ref().unwrap().to_string(), "mm UCUM");
    assert_eq!(num.relationship, Relationship::Contains);
    assert_eq!(
        num.concept.as_ref().unwrap().to_string(),
        "99SHEATH1 99INVENTED"
    );
    assert_eq!(num.observed_at.as_deref(), Some("20240501101200+0200"));
    assert_eq!(
        num.observation_uid.as_deref(),
        Some("1.2.826.0.1.3680043.10.999.6")
    );

    let empty = &at(&tree, "1.2.1.5").value;
    assert!(matches!(
        empty,
        Content::Num { measured: None, qualifier: Some(code) } if code.to_string() == "114006 DCM"
    ));
    for (place, expected) in [
        ("1.1", Content::PersonName("Moorhen^Tilda".into())),
        ("1.2.1", Content::Container),
        ("1.2.1.1", Content::Text("Right pass 1".into())),
        (
            "1.2.1.2",
            Content::Uid("1.2.826.0.1.3680043.10.999.5".into()),
        ),
        (
            "1.2.1.4.1",
            Content::Coordinates {
                graphic: "POLYLINE".into(),
                points: vec![10.5, 20.25, 75.5, 20.25],
            },
        ),
        (
            "1.2.1.4.1.1",
            Content::Instance {
                frames: Vec::new(),
                class: "1.2.840.10008.5.1.4.1.1.6.1".into(),
                instance: "1.2.826.0.1.3680043.10.999.7".into(),
            },
        ),
        ("1.2.1.6", Content::Time("20240501".into())),
        ("1.2.1.7", Content::Time("1012".into())),
        ("1.2.1.8", Content::Time("20240501101200".into())),
        ("1.2.1.5.1", Content::Reference(vec![1, 2, 1, 4])),
    ] {
        assert_eq!(at(&tree, place).value, expected, "{place}");
    }
    let side = at(&tree, "1.2.1.3.1");
    assert!(matches!(&side.value, Content::Code(code) if code.to_string() == "24028007 SCT"));
    assert_eq!(side.relationship, Relationship::HasConceptMod);
}

#[test]
fn no_report_has_no_tree() {
    let image = InMemDicomObject::from_element_iter([text(tags::MODALITY, VR::CS, "US")]);
    assert_eq!(read_object(&image).tree, None);
}

/// PS3.5 6.2: padding is not part of a value; zeros and case are.
#[test]
fn padding_goes_and_the_id_stays() {
    let mut report = sample::report();
    report.put(text(tags::PATIENT_ID, VR::LO, " 00Ab7 \0"));
    report.put(text(tags::ISSUER_OF_PATIENT_ID, VR::LO, "  "));
    report.put(text(tags::SOP_INSTANCE_UID, VR::UI, "1.2.3\0"));
    let document = read_object(&report);
    assert_eq!(document.header.patient_id.as_deref(), Some("00Ab7"));
    assert_eq!(document.header.patient_issuer, None);
    assert_eq!(document.header.sop_instance_uid.as_deref(), Some("1.2.3"));
    assert_eq!(codes(&document), [""; 0]);
}

#[test]
fn bad_header_values_are_left_out_with_a_remark() {
    let long = "1".repeat(65);
    for (tag, vr, value, code) in [
        (tags::SOP_INSTANCE_UID, VR::UI, "1.2/../3", "uid-invalid"),
        (tags::STUDY_INSTANCE_UID, VR::UI, &*long, "uid-invalid"),
        (tags::PATIENT_BIRTH_DATE, VR::DA, "20230229", "date-invalid"),
        (tags::STUDY_DATE, VR::DA, "yesterday", "date-invalid"),
        (tags::CONTENT_TIME, VR::TM, "2460", "time-invalid"),
        (
            tags::TIMEZONE_OFFSET_FROM_UTC,
            VR::SH,
            "CET",
            "offset-invalid",
        ),
        (tags::PATIENT_SEX, VR::CS, "X", "sex-unknown"),
    ] {
        let mut report = sample::report();
        report.put(text(tag, vr, value));
        let document = read_object(&report);
        assert_eq!(codes(&document), [code], "{tag}");
        assert_eq!(document.remarks[0].place, Some(tag.to_string()));
        assert!(!document.remarks[0].text.contains(value));
    }
}

#[test]
fn file_and_data_set_may_not_disagree() {
    let mut report = sample::report();
    report.put(text(tags::SOP_INSTANCE_UID, VR::UI, "1.2.3"));
    let document = read(&sample::file(&report, EXPLICIT), None, &limits()).unwrap();
    assert_eq!(document.header.sop_instance_uid.as_deref(), Some("1.2.3"));
    assert_eq!(codes(&document), ["file-meta-instance-differs"]);
}

/// Replaces the first child of the root, a PNAME at 1.1, by `elements` and reads.
fn with_first_child(elements: Vec<dicom_object::mem::InMemElement>) -> Document {
    let mut report = sample::report();
    let mut items = report
        .get(tags::CONTENT_SEQUENCE)
        .unwrap()
        .items()
        .unwrap()
        .to_vec();
    items[0] = InMemDicomObject::from_element_iter(elements);
    report.put(sample::children(items));
    read_object(&report)
}

/// What cannot be understood keeps its place, so that ordinals do not shift.
#[test]
fn odd_items_keep_their_place() {
    let contains = || text(tags::RELATIONSHIP_TYPE, VR::CS, "CONTAINS");
    let kind = |kind| text(tags::VALUE_TYPE, VR::CS, kind);
    let two_codes = || {
        let code = || sample::code("1", "99INVENTED", "One");
        sample::sequence(tags::CONCEPT_CODE_SEQUENCE, vec![code(), code()])
    };
    let half_point = DataElement::new(
        tags::GRAPHIC_DATA,
        VR::FL,
        PrimitiveValue::F32(vec![1.0, 2.0, 3.0].into()),
    );
    let two_values = {
        let item = InMemDicomObject::from_element_iter([text(tags::NUMERIC_VALUE, VR::DS, "5.2")]);
        sample::sequence(tags::MEASURED_VALUE_SEQUENCE, vec![item.clone(), item])
    };
    for (elements, other, expected) in [
        (vec![contains()], "", vec!["value-type-missing"]),
        (
            vec![contains(), kind("HOLOGRAM")],
            "HOLOGRAM",
            vec!["value-type-unknown"],
        ),
        (vec![contains(), kind("TABLE")], "TABLE", vec![]),
        (
            vec![contains(), kind("TEXT")],
            "TEXT",
            vec!["value-unreadable"],
        ),
        (vec![kind("TABLE")], "TABLE", vec!["relationship-missing"]),
        (
            vec![
                kind("TABLE"),
                text(tags::RELATIONSHIP_TYPE, VR::CS, "KNOWS"),
            ],
            "TABLE",
            vec!["relationship-unknown"],
        ),
        (
            vec![contains(), kind("CODE"), two_codes()],
            "CODE",
            vec!["sequence-several-items", "value-unreadable"],
        ),
        (
            vec![contains(), kind("NUM"), two_values],
            "NUM",
            vec!["sequence-several-items", "value-unreadable"],
        ),
        (
            vec![contains(), kind("UIDREF"), text(tags::UID, VR::UI, "none")],
            "UIDREF",
            vec!["uid-invalid", "value-unreadable"],
        ),
        (
            vec![
                contains(),
                kind("SCOORD"),
                half_point,
                text(tags::GRAPHIC_TYPE, VR::CS, "POLYLINE"),
            ],
            "SCOORD",
            vec!["value-unreadable"],
        ),
    ] {
        let document = with_first_child(elements);
        assert_eq!(codes(&document), expected, "{other}");
        let places: Vec<_> = document
            .remarks
            .iter()
            .flat_map(|r| r.place.as_deref())
            .collect();
        assert!(
            places.iter().all(|place| place.starts_with("1.1 (")),
            "{places:?}"
        );
        let tree = document.tree.unwrap();
        assert_eq!(at(&tree, "1.1").value, Content::Other(other.into()));
        assert_eq!(
            at(&tree, "1.2.1.5.1").value,
            Content::Reference(vec![1, 2, 1, 4])
        );
    }
}

/// PS3.3 table 8.8-1: long and URN values, and equivalents beside a code.
#[test]
fn codes_in_every_form() {
    let forms = [
        (
            vec![
                (tags::LONG_CODE_VALUE, VR::UC),
                (tags::CODING_SCHEME_DESIGNATOR, VR::SH),
            ],
            Some("x x"),
        ),
        (vec![(tags::URN_CODE_VALUE, VR::UR)], Some("x ")),
        (vec![(tags::CODE_VALUE, VR::SH)], None),
        (vec![(tags::CODING_SCHEME_DESIGNATOR, VR::SH)], None),
    ];
    for (elements, expected) in forms {
        let code = elements.into_iter().map(|(tag, vr)| text(tag, vr, "x"));
        let mut code = InMemDicomObject::from_element_iter(code);
        code.put(sample::sequence(
            tags::EQUIVALENT_CODE_SEQUENCE,
            vec![sample::code("e", "99INVENTED", "Equivalent")],
        ));
        let document = with_first_child(vec![
            text(tags::RELATIONSHIP_TYPE, VR::CS, "CONTAINS"),
            text(tags::VALUE_TYPE, VR::CS, "CONTAINER"),
            sample::sequence(tags::CONCEPT_NAME_CODE_SEQUENCE, vec![code]),
        ]);
        let concept = at(document.tree.as_ref().unwrap(), "1.1").concept.clone();
        assert_eq!(
            concept.as_ref().map(ToString::to_string).as_deref(),
            expected
        );
        match concept {
            Some(code) => assert_eq!(code.equivalents[0].to_string(), "e 99INVENTED"),
            None => assert_eq!(codes(&document), ["code-incomplete"]),
        }
    }
}

/// A known sequence sent as UN of defined length is legal (PS3.5 6.2.2) and unread here: loudly.
#[test]
fn content_behind_un_is_blocking() {
    let mut report = sample::report();
    report.put(DataElement::new(
        tags::CONTENT_SEQUENCE,
        VR::UN,
        PrimitiveValue::from(vec![0xFE_u8, 0xFF, 0x00, 0xE0, 0, 0, 0, 0]),
    ));
    let document = read_object(&report);
    assert_eq!(codes(&document), ["content-unreadable"]);
    assert_eq!(
        document.remarks[0].severity,
        crate::domain::Severity::Blocking
    );
}

/// PS3.5 6.1 and PS3.3 C.12.1.1.2. Text may be wrong; numbers, codes and an ASCII id never.
#[test]
fn no_character_set_refuses_an_object() {
    for (set, remarks) in [
        ("ISO_IR 192", vec!["text-undecodable"]),
        ("ISO_IR 100", vec![]),
        ("ISO_IR 999", vec!["charset-unsupported"]),
        ("\\ISO 2022 IR 87", vec!["text-undecodable"]),
        ("", vec!["charset-undeclared"]),
        ("ISO 2022 IR 100\\ISO 2022 IR 87", vec![]),
        ("GB18030", vec!["text-undecodable"]),
        ("ISO 2022 IR 87", vec!["text-undecodable"]),
    ] {
        let mut report = sample::report();
        report.put(text(tags::SPECIFIC_CHARACTER_SET, VR::CS, "ISO_IR 100"));
        report.put(text(tags::ACCESSION_NUMBER, VR::SH, "ÿA"));
        report.put(text(tags::PATIENT_NAME, VR::PN, "Plover"));
        let mut bytes = sample::encode(&report, EXPLICIT);
        // The value changes length, so the element is spliced by hand.
        let start = 8;
        let old = usize::from(bytes[6]);
        let mut value = set.as_bytes().to_vec();
        value.resize(value.len().next_multiple_of(2), b' ');
        bytes[6] = u8::try_from(value.len()).unwrap();
        bytes.splice(start..start + old, value);
        let document = read(&bytes, Some(EXPLICIT), &limits()).unwrap();
        assert_eq!(codes(&document), remarks, "{set}");
        assert_eq!(document.header.patient_id.as_deref(), Some("00417x"));
        let tree = document.tree.unwrap();
        assert!(matches!(
            &at(&tree, "1.2.1.4").value,
            Content::Num {
                measured: Some(_),
                ..
            }
        ));
        assert!(matches!(&at(&tree, "1.2.1.3.1").value, Content::Code(_)));
    }
}

/// Ids that differ in bytes must not become one patient.
#[test]
fn undecodable_ids_stay_apart() {
    let id = |byte: u8, vr: VR| {
        let mut report = sample::report();
        report.put(DataElement::new(
            tags::PATIENT_ID,
            vr,
            PrimitiveValue::from(vec![b'A', byte]),
        ));
        let document = read_object(&report);
        assert_eq!(codes(&document), ["id-in-bytes"]);
        document.header.patient_id.unwrap()
    };
    for vr in [VR::LO, VR::UN] {
        assert_eq!(id(0xFE, vr), "A\\376");
        assert_eq!(id(0xFF, vr), "A\\377");
    }
}

/// PS3.5 6.1.2: an item may declare its own set; it ends with the item.
#[test]
fn character_set_of_an_item_ends_with_it() {
    let mut report = sample::report();
    let latin = |tag, vr| {
        let bytes = PrimitiveValue::from(vec![b'Z', 0xEB]);
        DataElement::new(tag, vr, bytes)
    };
    let mut code = sample::code("1", "99INVENTED", "One");
    code.put(text(tags::SPECIFIC_CHARACTER_SET, VR::CS, "ISO_IR 144"));
    code.put(latin(tags::CODE_MEANING, VR::LO));
    report.put(DataElement::new(
        tags::CONCEPT_NAME_CODE_SEQUENCE,
        VR::SQ,
        DataSetSequence::from(vec![code]),
    ));
    report.put(text(tags::SPECIFIC_CHARACTER_SET, VR::CS, "ISO_IR 100"));
    report.put(latin(tags::OPERATORS_NAME, VR::PN));
    let document = read_object(&report);
    assert_eq!(document.header.operator.as_deref(), Some("Zë"));
    let tree = document.tree.unwrap();
    let concept = tree.item(tree.root()).concept.as_ref().unwrap();
    assert_eq!(concept.meaning, "Zы");
}

/// The hash changes with content and not with encoding, group lengths or padding.
#[test]
fn hash_of_the_content() {
    let hash = |object: &InMemDicomObject, syntax| {
        read(&sample::encode(object, syntax), Some(syntax), &limits())
            .unwrap()
            .content_sha256
    };
    let mut report = sample::report();
    // Each kind of number the swap has to know, and private elements no dictionary has.
    report.put(DataElement::new(
        Tag(0x0009, 0x1001),
        VR::FD,
        PrimitiveValue::from(2.0_f64),
    ));
    report.put(DataElement::new(
        Tag(0x0009, 0x1002),
        VR::UL,
        PrimitiveValue::from(256_u32),
    ));
    report.put(DataElement::new(
        tags::SELECTOR_AT_VALUE,
        VR::AT,
        PrimitiveValue::from(Tag(8, 5)),
    ));
    report.put(DataElement::new(
        tags::INSTANCE_NUMBER,
        VR::IS,
        PrimitiveValue::from("1"),
    ));
    let first = hash(&report, EXPLICIT);
    assert_eq!(first.len(), 64);
    for syntax in SYNTAXES {
        assert_eq!(hash(&report, syntax), first, "{syntax}");
    }
    let mut padded = report.clone();
    padded.put(DataElement::new(
        Tag(8, 0),
        VR::UL,
        PrimitiveValue::from(77_u32),
    ));
    padded.put(DataElement::new(
        Tag(8, 1),
        VR::UL,
        PrimitiveValue::from(99_u32),
    ));
    padded.put(text(tags::MANUFACTURER, VR::LO, "Heronsgate Sonics  "));
    padded.put(DataElement::new(
        tags::DATA_SET_TRAILING_PADDING,
        VR::OB,
        PrimitiveValue::from(vec![0_u8; 8]),
    ));
    assert_eq!(hash(&padded, IMPLICIT), first);
    for (tag, vr, value) in [
        (tags::PATIENT_ID, VR::LO, "0417x"),
        (tags::MANUFACTURER, VR::LO, ""),
        (tags::SERIES_NUMBER, VR::IS, "2"),
    ] {
        let mut other = report.clone();
        other.put(text(tag, vr, value));
        assert_ne!(hash(&other, EXPLICIT), first);
    }
    let mut moved = report.clone();
    let mut items = moved
        .get(tags::CONTENT_SEQUENCE)
        .unwrap()
        .items()
        .unwrap()
        .to_vec();
    items.reverse();
    moved.put(sample::children(items));
    assert_ne!(hash(&moved, EXPLICIT), first);
}

#[test]
fn refusals_become_blocking_remarks() {
    let error = read(b"<html>", None, &limits()).unwrap_err();
    let remark = error.remark();
    assert_eq!(remark.code, "gate-not-dicom");
    assert_eq!(remark.severity, crate::domain::Severity::Blocking);
    assert_eq!(remark.text, "This is not a DICOM file.");
    assert_eq!(remark.place.as_deref(), Some("byte 0"));
    assert!(remark.action.is_some());
}

/// A hostile report cannot fill the store with remarks, nor hide a grave one among them.
#[test]
fn remarks_are_bounded() {
    let mut report = sample::report();
    let mut items = vec![InMemDicomObject::new_empty(); 300];
    items[299].put(text(tags::CONTENT_SEQUENCE, VR::LO, "no sequence"));
    report.put(sample::children(items));
    let document = read_object(&report);
    assert_eq!(document.tree.as_ref().unwrap().len(), 301);
    assert_eq!(document.remarks.len(), 201);
    let last = document.remarks.last().unwrap();
    // Two of each empty item and the one of the last, less the 200 kept.
    assert_eq!(last.text, "401 more remarks on this object are not listed.");
    assert_eq!(last.severity, crate::domain::Severity::Blocking);
}
