//! Reports for tests, built with the library's writer. Every name in them is invented.
#![allow(
    missing_docs,
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::indexing_slicing,
    clippy::panic,
    reason = "only tests come here"
)]

use dicom_core::value::{DataSetSequence, PrimitiveValue};
use dicom_core::{DataElement, Tag, VR, dicom_value};
use dicom_dictionary_std::{tags, uids};
use dicom_encoding::transfer_syntax::TransferSyntaxIndex;
use dicom_object::{InMemDicomObject, mem::InMemElement};
use dicom_transfer_syntax_registry::TransferSyntaxRegistry;
use std::io::Write as _;

pub const IMPLICIT: &str = uids::IMPLICIT_VR_LITTLE_ENDIAN;
pub const EXPLICIT: &str = uids::EXPLICIT_VR_LITTLE_ENDIAN;
pub const BIG: &str = "1.2.840.10008.1.2.2";
pub const DEFLATED: &str = uids::DEFLATED_EXPLICIT_VR_LITTLE_ENDIAN;
pub const SYNTAXES: [&str; 4] = [IMPLICIT, EXPLICIT, BIG, DEFLATED];

pub const SOP_INSTANCE: &str = "1.2.826.0.1.3680043.10.999.1";

/// A text element.
pub fn text(tag: Tag, vr: VR, value: &str) -> InMemElement {
    DataElement::new(tag, vr, PrimitiveValue::from(value))
}

/// A sequence of items.
pub fn sequence(tag: Tag, items: Vec<InMemDicomObject>) -> InMemElement {
    DataElement::new(tag, VR::SQ, DataSetSequence::from(items))
}

/// A code sequence of one item.
pub fn coded(tag: Tag, value: &str, scheme: &str, meaning: &str) -> InMemElement {
    sequence(tag, vec![code(value, scheme, meaning)])
}

pub fn code(value: &str, scheme: &str, meaning: &str) -> InMemDicomObject {
    InMemDicomObject::from_element_iter([
        text(tags::CODE_VALUE, VR::SH, value),
        text(tags::CODING_SCHEME_DESIGNATOR, VR::SH, scheme),
        text(tags::CODE_MEANING, VR::LO, meaning),
    ])
}

/// A content item: relationship, value type, concept and what else it holds.
pub fn item(
    relationship: &str,
    kind: &str,
    concept: (&str, &str, &str),
    more: Vec<InMemElement>,
) -> InMemDicomObject {
    let mut elements = vec![
        text(tags::VALUE_TYPE, VR::CS, kind),
        coded(
            tags::CONCEPT_NAME_CODE_SEQUENCE,
            concept.0,
            concept.1,
            concept.2,
        ),
    ];
    if kind == "CONTAINER" {
        elements.push(text(tags::CONTINUITY_OF_CONTENT, VR::CS, "SEPARATE"));
    }
    if !relationship.is_empty() {
        elements.push(text(tags::RELATIONSHIP_TYPE, VR::CS, relationship));
    }
    elements.extend(more);
    InMemDicomObject::from_element_iter(elements)
}

pub fn children(items: Vec<InMemDicomObject>) -> InMemElement {
    sequence(tags::CONTENT_SEQUENCE, items)
}

/// A measured value in millimetres, as decimal and as double.
pub fn measured(decimal: &str, float: f64) -> InMemElement {
    let value = InMemDicomObject::from_element_iter([
        text(tags::NUMERIC_VALUE, VR::DS, decimal),
        DataElement::new(
            tags::FLOATING_POINT_VALUE,
            VR::FD,
            PrimitiveValue::from(float),
        ),
        coded(
            tags::MEASUREMENT_UNITS_CODE_SEQUENCE,
            "mm",
            "UCUM",
            "millimeter",
        ),
    ]);
    sequence(tags::MEASURED_VALUE_SEQUENCE, vec![value])
}

/// The items of a measurement group: every value type the tree knows, in this order.
fn group() -> Vec<InMemDicomObject> {
    let width = ("99SHEATH1", "99INVENTED", "Sheath width");
    let side = item(
        "HAS CONCEPT MOD",
        "CODE",
        ("272741003", "SCT", "Laterality"),
        vec![coded(
            tags::CONCEPT_CODE_SEQUENCE,
            "24028007",
            "SCT",
            "Right",
        )],
    );
    let image = InMemDicomObject::from_element_iter([
        text(
            tags::REFERENCED_SOP_CLASS_UID,
            VR::UI,
            "1.2.840.10008.5.1.4.1.1.6.1",
        ),
        text(
            tags::REFERENCED_SOP_INSTANCE_UID,
            VR::UI,
            "1.2.826.0.1.3680043.10.999.7",
        ),
    ]);
    let source = item(
        "SELECTED FROM",
        "IMAGE",
        ("121112", "DCM", "Source of Measurement"),
        vec![sequence(tags::REFERENCED_SOP_SEQUENCE, vec![image])],
    );
    let path = DataElement::new(
        tags::GRAPHIC_DATA,
        VR::FL,
        PrimitiveValue::F32(vec![10.5_f32, 20.25, 75.5, 20.25].into()),
    );
    let when = |kind, tag, vr, value| {
        item(
            "HAS OBS CONTEXT",
            kind,
            ("111060", "DCM", "Study Date"),
            vec![text(tag, vr, value)],
        )
    };
    vec![
        item(
            "HAS OBS CONTEXT",
            "TEXT",
            ("112039", "DCM", "Tracking Identifier"),
            vec![text(tags::TEXT_VALUE, VR::UT, "Right pass 1")],
        ),
        item(
            "HAS OBS CONTEXT",
            "UIDREF",
            ("112040", "DCM", "Tracking Unique Identifier"),
            vec![text(tags::UID, VR::UI, "1.2.826.0.1.3680043.10.999.5")],
        ),
        item(
            "HAS CONCEPT MOD",
            "CODE",
            ("363698007", "SCT", "Finding Site"),
            vec![
                coded(
                    tags::CONCEPT_CODE_SEQUENCE,
                    "18234004",
                    "SCT",
                    "Optic nerve",
                ),
                children(vec![side]),
            ],
        ),
        item(
            "CONTAINS",
            "NUM",
            width,
            vec![
                measured("5.2 ", 5.2),
                text(tags::OBSERVATION_DATE_TIME, VR::DT, "20240501101200+0200"),
                text(
                    tags::OBSERVATION_UID,
                    VR::UI,
                    "1.2.826.0.1.3680043.10.999.6",
                ),
                children(vec![item(
                    "INFERRED FROM",
                    "SCOORD",
                    ("121055", "DCM", "Path"),
                    vec![
                        text(tags::GRAPHIC_TYPE, VR::CS, "POLYLINE"),
                        path,
                        children(vec![source]),
                    ],
                )]),
            ],
        ),
        item(
            "CONTAINS",
            "NUM",
            width,
            vec![
                sequence(tags::MEASURED_VALUE_SEQUENCE, vec![]),
                coded(
                    tags::NUMERIC_VALUE_QUALIFIER_CODE_SEQUENCE,
                    "114006",
                    "DCM",
                    "Measurement failure",
                ),
                children(vec![InMemDicomObject::from_element_iter([
                    text(tags::RELATIONSHIP_TYPE, VR::CS, "INFERRED FROM"),
                    DataElement::new(
                        tags::REFERENCED_CONTENT_ITEM_IDENTIFIER,
                        VR::UL,
                        PrimitiveValue::U32(vec![1, 2, 1, 4].into()),
                    ),
                ])]),
            ],
        ),
        when("DATE", tags::DATE, VR::DA, "20240501"),
        when("TIME", tags::TIME, VR::TM, "1012"),
        when("DATETIME", tags::DATE_TIME, VR::DT, "20240501101200"),
    ]
}

/// A Comprehensive SR with one measurement group at place 1.2.1; DCMTK's `dsrdump` accepts it.
pub fn report() -> InMemDicomObject {
    let template = InMemDicomObject::from_element_iter([
        text(tags::MAPPING_RESOURCE, VR::CS, "DCMR"),
        text(tags::TEMPLATE_IDENTIFIER, VR::CS, "1500"),
    ]);
    let predecessor = InMemDicomObject::from_element_iter([
        text(
            tags::STUDY_INSTANCE_UID,
            VR::UI,
            "1.2.826.0.1.3680043.10.999.2",
        ),
        sequence(
            tags::REFERENCED_SERIES_SEQUENCE,
            vec![InMemDicomObject::from_element_iter([
                text(
                    tags::SERIES_INSTANCE_UID,
                    VR::UI,
                    "1.2.826.0.1.3680043.10.999.3",
                ),
                sequence(
                    tags::REFERENCED_SOP_SEQUENCE,
                    vec![InMemDicomObject::from_element_iter([
                        text(
                            tags::REFERENCED_SOP_CLASS_UID,
                            VR::UI,
                            "1.2.840.10008.5.1.4.1.1.88.33",
                        ),
                        text(
                            tags::REFERENCED_SOP_INSTANCE_UID,
                            VR::UI,
                            "1.2.826.0.1.3680043.10.999.0",
                        ),
                    ])],
                ),
            ])],
        ),
    ]);
    let observer = item(
        "HAS OBS CONTEXT",
        "PNAME",
        ("121008", "DCM", "Person Observer Name"),
        vec![text(tags::PERSON_NAME, VR::PN, "Moorhen^Tilda ")],
    );
    let group = item(
        "CONTAINS",
        "CONTAINER",
        ("125007", "DCM", "Measurement Group"),
        vec![children(group())],
    );
    let measurements = item(
        "CONTAINS",
        "CONTAINER",
        ("126010", "DCM", "Imaging Measurements"),
        vec![children(vec![group])],
    );
    let mut report = item(
        "",
        "CONTAINER",
        ("126000", "DCM", "Imaging Measurement Report"),
        vec![
            sequence(tags::CONTENT_TEMPLATE_SEQUENCE, vec![template]),
            children(vec![observer, measurements]),
        ],
    );
    for (tag, vr, value) in [
        (tags::SPECIFIC_CHARACTER_SET, VR::CS, "ISO_IR 192"),
        (tags::SOP_CLASS_UID, VR::UI, "1.2.840.10008.5.1.4.1.1.88.33"),
        (tags::SOP_INSTANCE_UID, VR::UI, SOP_INSTANCE),
        (tags::STUDY_DATE, VR::DA, "20240501"),
        (tags::CONTENT_DATE, VR::DA, "20240501"),
        (tags::STUDY_TIME, VR::TM, "0950"),
        (tags::CONTENT_TIME, VR::TM, "101500.25"),
        (tags::ACCESSION_NUMBER, VR::SH, "A-17"),
        (tags::MODALITY, VR::CS, "SR"),
        (tags::MANUFACTURER, VR::LO, "Heronsgate Sonics"),
        (tags::TIMEZONE_OFFSET_FROM_UTC, VR::SH, "+0200"),
        (tags::MANUFACTURER_MODEL_NAME, VR::LO, "Model 3"),
        (tags::PATIENT_NAME, VR::PN, "Plover^Ämund"),
        (tags::PATIENT_ID, VR::LO, "00417x"),
        (tags::ISSUER_OF_PATIENT_ID, VR::LO, "Westmarsh"),
        (tags::PATIENT_BIRTH_DATE, VR::DA, "20160229"),
        (tags::PATIENT_SEX, VR::CS, "F"),
        (tags::DEVICE_SERIAL_NUMBER, VR::LO, "S-9"),
        (
            tags::STUDY_INSTANCE_UID,
            VR::UI,
            "1.2.826.0.1.3680043.10.999.2",
        ),
        (tags::REFERRING_PHYSICIAN_NAME, VR::PN, ""),
        (tags::STUDY_ID, VR::SH, ""),
        (
            tags::SERIES_INSTANCE_UID,
            VR::UI,
            "1.2.826.0.1.3680043.10.999.3",
        ),
        (tags::SERIES_NUMBER, VR::IS, "1"),
        (tags::INSTANCE_NUMBER, VR::IS, "1"),
        (tags::VERIFICATION_FLAG, VR::CS, "UNVERIFIED"),
        (tags::COMPLETION_FLAG, VR::CS, "COMPLETE"),
        (tags::PRELIMINARY_FLAG, VR::CS, "FINAL"),
    ] {
        report.put(text(tag, vr, value));
    }
    report.put(DataElement::new(
        tags::OPERATORS_NAME,
        VR::PN,
        dicom_value!(Strs, ["Moorhen^Tilda", "Crake^Odd"]),
    ));
    report.put(sequence(
        tags::REFERENCED_PERFORMED_PROCEDURE_STEP_SEQUENCE,
        vec![],
    ));
    report.put(sequence(tags::PERFORMED_PROCEDURE_CODE_SEQUENCE, vec![]));
    report.put(sequence(
        tags::PREDECESSOR_DOCUMENTS_SEQUENCE,
        vec![predecessor],
    ));
    report
}

/// The data set in a transfer syntax, as the network carries it.
pub fn encode(object: &InMemDicomObject, syntax: &str) -> Vec<u8> {
    let written = if syntax == DEFLATED { EXPLICIT } else { syntax };
    let mut bytes = Vec::new();
    object
        .write_dataset_with_ts(&mut bytes, TransferSyntaxRegistry.get(written).unwrap())
        .unwrap();
    if syntax == DEFLATED {
        deflate(&bytes)
    } else {
        bytes
    }
}

/// A raw deflate stream (PS3.5 A.5).
pub fn deflate(bytes: &[u8]) -> Vec<u8> {
    let mut encoder = flate2::write::DeflateEncoder::new(Vec::new(), flate2::Compression::best());
    encoder.write_all(bytes).unwrap();
    encoder.finish().unwrap()
}

/// A DICOM file (PS3.10 7.1) around an encoded data set.
pub fn file_of(data: &[u8], syntax: &str) -> Vec<u8> {
    let mut group = Vec::new();
    for (element, value) in [
        (2_u16, "1.2.840.10008.5.1.4.1.1.88.33"),
        (3, SOP_INSTANCE),
        (0x10, syntax),
    ] {
        group.extend([2, 0]);
        group.extend(element.to_le_bytes());
        group.extend(b"UI");
        let length = value.len().next_multiple_of(2);
        group.extend(u16::try_from(length).unwrap().to_le_bytes());
        group.extend(value.as_bytes());
        group.resize(group.len() + length - value.len(), 0);
    }
    let mut bytes = vec![0; 128];
    bytes.extend(b"DICM\x02\0\0\0UL\x04\0");
    bytes.extend(u32::try_from(group.len()).unwrap().to_le_bytes());
    bytes.extend(group);
    bytes.extend(data);
    bytes
}

/// The object as a DICOM file.
pub fn file(object: &InMemDicomObject, syntax: &str) -> Vec<u8> {
    file_of(&encode(object, syntax), syntax)
}
