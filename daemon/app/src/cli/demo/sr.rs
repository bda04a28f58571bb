//! Structured reports as two invented makers write them.
//!
//! One writes TID 1500 with measurement groups; the other nests one section per side and names
//! its values by codes of its own.

use super::scenario::{Exam, Layout, Reading};
use dicom_core::value::DataSetSequence;
use dicom_core::{DataElement, PrimitiveValue, Tag, VR};
use dicom_dictionary_std::{tags, uids};
use dicom_object::{FileMetaTableBuilder, InMemDicomObject};
use sha2::{Digest, Sha256};
use sheathline_model::domain::{Eye, Plane};
use std::error::Error;

type Item = InMemDicomObject;

/// A UID under the root for UUID-derived ones (PS3.5 B.2), the same for the same name every time.
pub(super) fn uid(name: &str) -> String {
    let hash = Sha256::digest(name.as_bytes());
    let number = hash
        .iter()
        .take(15)
        .fold(0_u128, |n, &byte| n << 8 | u128::from(byte));
    format!("2.25.{number}")
}

/// A code: value, scheme, meaning.
type Coded<'a> = (&'a str, &'a str, &'a str);

const RIGHT: Coded<'_> = ("24028007", "SCT", "Right");
const LEFT: Coded<'_> = ("7771000", "SCT", "Left");
const FINDING_SITE: Coded<'_> = ("363698007", "SCT", "Finding Site");
const LATERALITY: Coded<'_> = ("272741003", "SCT", "Laterality");
const OPTIC_NERVE: Coded<'_> = ("18234004", "SCT", "Optic nerve");
const TOPOGRAPHY: Coded<'_> = ("106233006", "SCT", "Topographical modifier");
const DIAMETER: Coded<'_> = ("81827009", "SCT", "Diameter");
const ORIENTATION: Coded<'_> = ("125105", "DCM", "Measurement Orientation");
const DERIVATION: Coded<'_> = ("121401", "DCM", "Derivation");
const MEAN: Coded<'_> = ("373098007", "SCT", "Mean");
const SHEATH: Coded<'_> = ("sheath", "99SHEATHLINE", "Optic nerve sheath");
const DEPTH: Coded<'_> = ("depth-from-globe", "99SHEATHLINE", "Depth behind the globe");
const ANGLE: Coded<'_> = (
    "caliper-angle",
    "99SHEATHLINE",
    "Angle between caliper and straight across",
);
const MILLIMETRE: Coded<'_> = ("mm", "UCUM", "mm");
const DEGREE: Coded<'_> = ("deg", "UCUM", "degrees");

fn side(eye: Eye) -> Coded<'static> {
    match eye {
        Eye::Right => RIGHT,
        Eye::Left => LEFT,
    }
}

fn sequence(tag: Tag, items: Vec<Item>) -> DataElement<Item> {
    DataElement::new(tag, VR::SQ, DataSetSequence::from(items))
}

fn text(tag: Tag, vr: VR, value: &str) -> DataElement<Item> {
    DataElement::new(tag, vr, PrimitiveValue::from(value))
}

fn coded(tag: Tag, (value, scheme, meaning): Coded<'_>) -> DataElement<Item> {
    sequence(
        tag,
        vec![Item::from_element_iter([
            text(tags::CODE_VALUE, VR::SH, value),
            text(tags::CODING_SCHEME_DESIGNATOR, VR::SH, scheme),
            text(tags::CODE_MEANING, VR::LO, meaning),
        ])],
    )
}

/// A content item; `relationship` is empty for the root.
fn item(relationship: &str, value_type: &str, concept: Coded<'_>) -> Item {
    let mut item = Item::new_empty();
    if !relationship.is_empty() {
        item.put(text(tags::RELATIONSHIP_TYPE, VR::CS, relationship));
    }
    item.put(text(tags::VALUE_TYPE, VR::CS, value_type));
    item.put(coded(tags::CONCEPT_NAME_CODE_SEQUENCE, concept));
    item
}

fn with(mut parent: Item, children: Vec<Item>) -> Item {
    if !children.is_empty() {
        parent.put(sequence(tags::CONTENT_SEQUENCE, children));
    }
    parent
}

fn container(relationship: &str, concept: Coded<'_>, children: Vec<Item>) -> Item {
    let mut item = item(relationship, "CONTAINER", concept);
    item.put(text(tags::CONTINUITY_OF_CONTENT, VR::CS, "SEPARATE"));
    with(item, children)
}

fn code(relationship: &str, concept: Coded<'_>, value: Coded<'_>, children: Vec<Item>) -> Item {
    let mut item = item(relationship, "CODE", concept);
    item.put(coded(tags::CONCEPT_CODE_SEQUENCE, value));
    with(item, children)
}

fn number(
    relationship: &str,
    concept: Coded<'_>,
    value: &str,
    unit: Coded<'_>,
    children: Vec<Item>,
) -> Item {
    let mut item = item(relationship, "NUM", concept);
    item.put(sequence(
        tags::MEASURED_VALUE_SEQUENCE,
        vec![Item::from_element_iter([
            text(tags::NUMERIC_VALUE, VR::DS, value),
            coded(tags::MEASUREMENT_UNITS_CODE_SEQUENCE, unit),
        ])],
    ));
    with(item, children)
}

fn plane(plane: Plane) -> Option<Item> {
    let value = match plane {
        Plane::Transverse => ("62824007", "SCT", "Transverse"),
        Plane::Sagittal => ("30730003", "SCT", "Sagittal"),
        Plane::Oblique => ("21114003", "SCT", "Oblique"),
        Plane::Unspecified => return None,
    };
    Some(code("HAS CONCEPT MOD", ORIENTATION, value, Vec::new()))
}

/// Depth and angle of the caliper as properties of a value.
fn caliper(reading: &Reading) -> Vec<Item> {
    let depth = number("HAS PROPERTIES", DEPTH, "3.0", MILLIMETRE, Vec::new());
    let angle = reading.angle_deg.map(|deg| {
        number(
            "HAS PROPERTIES",
            ANGLE,
            &format!("{deg}"),
            DEGREE,
            Vec::new(),
        )
    });
    std::iter::once(depth).chain(angle).collect()
}

fn measurement_group(eye: Eye, readings: &[Reading], wrong_side_outside: bool) -> Item {
    let site = code(
        "HAS CONCEPT MOD",
        FINDING_SITE,
        OPTIC_NERVE,
        vec![
            code("HAS CONCEPT MOD", LATERALITY, side(eye), Vec::new()),
            code("HAS CONCEPT MOD", TOPOGRAPHY, SHEATH, Vec::new()),
        ],
    );
    let mut children = vec![site];
    for reading in readings {
        let mut modifiers: Vec<Item> = plane(reading.plane).into_iter().collect();
        modifiers.extend(caliper(reading));
        children.push(number(
            "CONTAINS",
            DIAMETER,
            &format!("{:.1}", reading.mm),
            MILLIMETRE,
            modifiers,
        ));
    }
    if readings.len() > 1 {
        let mean = readings.iter().map(|r| r.mm).sum::<f64>() / readings.len() as f64;
        let derived = vec![code("HAS CONCEPT MOD", DERIVATION, MEAN, Vec::new())];
        children.push(number(
            "CONTAINS",
            DIAMETER,
            &format!("{mean:.2}"),
            MILLIMETRE,
            derived,
        ));
    }
    let group = container("CONTAINS", ("125007", "DCM", "Measurement Group"), children);
    if !wrong_side_outside {
        return group;
    }
    let wrong = code("HAS CONCEPT MOD", LATERALITY, side(eye.other()), Vec::new());
    container(
        "CONTAINS",
        ("121070", "DCM", "Findings"),
        vec![wrong, group],
    )
}

fn tid1500(exam: &Exam, observer: Item) -> Item {
    let groups = Eye::BOTH
        .into_iter()
        .map(|eye| measurement_group(eye, exam.readings(eye), exam.side_conflict))
        .collect();
    let measurements = container(
        "CONTAINS",
        ("126010", "DCM", "Imaging Measurements"),
        groups,
    );
    let mut root = container(
        "",
        ("126000", "DCM", "Imaging Measurement Report"),
        vec![observer, measurements],
    );
    root.put(sequence(
        tags::CONTENT_TEMPLATE_SEQUENCE,
        vec![Item::from_element_iter([
            text(tags::MAPPING_RESOURCE, VR::CS, "DCMR"),
            text(tags::TEMPLATE_IDENTIFIER, VR::CS, "1500"),
        ])],
    ));
    root
}

/// The second maker: a section per side and values named by codes of its own, in centimetres.
fn side_sections(exam: &Exam, observer: Item) -> Item {
    let mut sections = vec![observer];
    for eye in Eye::BOTH {
        let section = match eye {
            Eye::Right => ("18944008", "SCT", "Right eye"),
            Eye::Left => ("8966001", "SCT", "Left eye"),
        };
        let values = exam
            .readings(eye)
            .iter()
            .map(|reading| {
                let width = match exam.layout {
                    Layout::Unexplained => ("OS-2", "99TARNHOLT", "Optic nerve sheath width"),
                    _ => ("NS-WIDTH", "99TARNHOLT", "Sheath width"),
                };
                number(
                    "CONTAINS",
                    width,
                    &format!("{:.2}", reading.mm / 10.0),
                    ("cm", "UCUM", "cm"),
                    plane(reading.plane).into_iter().collect(),
                )
            })
            .collect();
        sections.push(container("CONTAINS", section, values));
    }
    container("", ("25061-3", "LN", "Ultrasound Report"), sections)
}

/// A well-formed report about something else.
fn kidney(observer: Item) -> Item {
    let length = number(
        "CONTAINS",
        ("410668003", "SCT", "Length"),
        "10.4",
        ("cm", "UCUM", "cm"),
        vec![code(
            "HAS CONCEPT MOD",
            FINDING_SITE,
            ("64033007", "SCT", "Kidney"),
            Vec::new(),
        )],
    );
    let findings = container("CONTAINS", ("59776-5", "LN", "Findings"), vec![length]);
    container(
        "",
        ("25061-3", "LN", "Ultrasound Report"),
        vec![observer, findings],
    )
}

/// A complete Comprehensive SR of one exam.
pub(super) fn report(exam: &Exam) -> Item {
    let mut observer = item(
        "HAS OBS CONTEXT",
        "PNAME",
        ("121008", "DCM", "Person Observer Name"),
    );
    observer.put(text(tags::PERSON_NAME, VR::PN, exam.operator));
    let mut object = match exam.layout {
        Layout::Tid1500 => tid1500(exam, observer),
        Layout::SideSections | Layout::Unexplained => side_sections(exam, observer),
        Layout::Kidney => kidney(observer),
    };
    let (maker, model, serial) = exam.layout.device();
    let day = exam.date.format("%Y%m%d").to_string();
    for element in [
        text(tags::SPECIFIC_CHARACTER_SET, VR::CS, "ISO_IR 192"),
        text(tags::SOP_CLASS_UID, VR::UI, uids::COMPREHENSIVE_SR_STORAGE),
        text(tags::SOP_INSTANCE_UID, VR::UI, &exam.sop_instance_uid()),
        text(tags::STUDY_DATE, VR::DA, &day),
        text(tags::STUDY_TIME, VR::TM, "101500"),
        text(tags::CONTENT_DATE, VR::DA, &day),
        text(tags::CONTENT_TIME, VR::TM, "102000"),
        text(tags::ACCESSION_NUMBER, VR::SH, ""),
        text(tags::MODALITY, VR::CS, "SR"),
        text(tags::MANUFACTURER, VR::LO, maker),
        text(tags::MANUFACTURER_MODEL_NAME, VR::LO, model),
        text(tags::DEVICE_SERIAL_NUMBER, VR::LO, serial),
        text(tags::REFERRING_PHYSICIAN_NAME, VR::PN, ""),
        text(tags::PATIENT_NAME, VR::PN, exam.patient.name),
        text(tags::PATIENT_ID, VR::LO, exam.patient.id),
        text(tags::ISSUER_OF_PATIENT_ID, VR::LO, super::scenario::ISSUER),
        text(
            tags::PATIENT_BIRTH_DATE,
            VR::DA,
            &exam.patient.born.replace('-', ""),
        ),
        text(tags::PATIENT_SEX, VR::CS, exam.patient.sex),
        text(tags::STUDY_INSTANCE_UID, VR::UI, &exam.study_instance_uid()),
        text(
            tags::SERIES_INSTANCE_UID,
            VR::UI,
            &uid(&format!("series {}", exam.name())),
        ),
        text(tags::STUDY_ID, VR::SH, ""),
        text(tags::SERIES_NUMBER, VR::IS, "1"),
        text(tags::INSTANCE_NUMBER, VR::IS, "1"),
        text(tags::COMPLETION_FLAG, VR::CS, "COMPLETE"),
        text(tags::VERIFICATION_FLAG, VR::CS, "UNVERIFIED"),
        sequence(
            tags::REFERENCED_PERFORMED_PROCEDURE_STEP_SEQUENCE,
            Vec::new(),
        ),
        sequence(tags::PERFORMED_PROCEDURE_CODE_SEQUENCE, Vec::new()),
    ] {
        object.put(element);
    }
    if let Some(replaced) = exam.replaces() {
        object.put(predecessor(exam, &replaced));
    }
    object
}

/// Predecessor Documents Sequence naming one earlier document of the same study.
fn predecessor(exam: &Exam, replaced: &str) -> DataElement<Item> {
    let instance = Item::from_element_iter([
        text(
            tags::REFERENCED_SOP_CLASS_UID,
            VR::UI,
            uids::COMPREHENSIVE_SR_STORAGE,
        ),
        text(tags::REFERENCED_SOP_INSTANCE_UID, VR::UI, replaced),
    ]);
    let series = Item::from_element_iter([
        text(
            tags::SERIES_INSTANCE_UID,
            VR::UI,
            &uid(&format!("series {}", exam.name())),
        ),
        sequence(tags::REFERENCED_SOP_SEQUENCE, vec![instance]),
    ]);
    let study = Item::from_element_iter([
        text(tags::STUDY_INSTANCE_UID, VR::UI, &exam.study_instance_uid()),
        sequence(tags::REFERENCED_SERIES_SEQUENCE, vec![series]),
    ]);
    sequence(tags::PREDECESSOR_DOCUMENTS_SEQUENCE, vec![study])
}

/// The report as a DICOM file.
pub(super) fn part10(object: Item) -> Result<Vec<u8>, Box<dyn Error + Send + Sync>> {
    let meta = FileMetaTableBuilder::new().transfer_syntax(uids::EXPLICIT_VR_LITTLE_ENDIAN);
    let mut bytes = Vec::new();
    object.with_meta(meta)?.write_all(&mut bytes)?;
    Ok(bytes)
}
