//! A row of a story's table as a structured report by TID 1500 of PS3.16.

use super::story::{Row, uid};
use dicom_core::value::DataSetSequence;
use dicom_core::{DataElement, PrimitiveValue, Tag, VR};
use dicom_dictionary_std::{tags, uids};
use dicom_object::{FileMetaTableBuilder, InMemDicomObject};

type Item = InMemDicomObject;

/// Code value, scheme and meaning.
type Coded<'a> = (&'a str, &'a str, &'a str);

const LATERALITY: Coded<'_> = ("272741003", "SCT", "Laterality");
const SITE: Coded<'_> = ("363698007", "SCT", "Finding Site");
const OPTIC_NERVE: Coded<'_> = ("18234004", "SCT", "Optic nerve");
const TOPOGRAPHY: Coded<'_> = ("106233006", "SCT", "Topographical modifier");
const SHEATH: Coded<'_> = ("sheath", "99SHEATHLINE", "Optic nerve sheath");
const DIAMETER: Coded<'_> = ("81827009", "SCT", "Diameter");
const EYE: Coded<'_> = ("81745001", "SCT", "Eye");
const EYEBALL: Coded<'_> = (
    "eyeball-diameter",
    "99SHEATHLINE",
    "Eyeball transverse diameter",
);
const DEPTH: Coded<'_> = ("depth-from-globe", "99SHEATHLINE", "Depth behind the globe");
const ANGLE: Coded<'_> = (
    "caliper-angle",
    "99SHEATHLINE",
    "Angle between caliper and straight across",
);
const ORIENTATION: Coded<'_> = ("125105", "DCM", "Measurement Orientation");
const MODALITY: Coded<'_> = ("121139", "DCM", "Modality");
const SUBJECT: Coded<'_> = ("121030", "DCM", "Subject ID");

fn text(tag: Tag, vr: VR, value: &str) -> DataElement<Item> {
    DataElement::new(tag, vr, PrimitiveValue::from(value))
}

fn sequence(tag: Tag, items: Vec<Item>) -> DataElement<Item> {
    DataElement::new(tag, VR::SQ, DataSetSequence::from(items))
}

fn coded(tag: Tag, (value, scheme, meaning): Coded<'_>) -> DataElement<Item> {
    let code = Item::from_element_iter([
        text(tags::CODE_VALUE, VR::SH, value),
        text(tags::CODING_SCHEME_DESIGNATOR, VR::SH, scheme),
        text(tags::CODE_MEANING, VR::LO, meaning),
    ]);
    sequence(tag, vec![code])
}

fn item(relationship: &str, kind: &str, concept: Coded<'_>, children: Vec<Item>) -> Item {
    let mut item = Item::new_empty();
    if !relationship.is_empty() {
        item.put(text(tags::RELATIONSHIP_TYPE, VR::CS, relationship));
    }
    item.put(text(tags::VALUE_TYPE, VR::CS, kind));
    item.put(coded(tags::CONCEPT_NAME_CODE_SEQUENCE, concept));
    if kind == "CONTAINER" {
        item.put(text(tags::CONTINUITY_OF_CONTENT, VR::CS, "SEPARATE"));
    }
    if !children.is_empty() {
        item.put(sequence(tags::CONTENT_SEQUENCE, children));
    }
    item
}

fn code(relationship: &str, concept: Coded<'_>, value: Coded<'_>, children: Vec<Item>) -> Item {
    let mut item = item(relationship, "CODE", concept, children);
    item.put(coded(tags::CONCEPT_CODE_SEQUENCE, value));
    item
}

fn number(relationship: &str, concept: Coded<'_>, value: &str, unit: Coded<'_>) -> Item {
    let mut item = item(relationship, "NUM", concept, Vec::new());
    let measured = Item::from_element_iter([
        text(tags::NUMERIC_VALUE, VR::DS, value),
        coded(tags::MEASUREMENT_UNITS_CODE_SEQUENCE, unit),
    ]);
    item.put(sequence(tags::MEASURED_VALUE_SEQUENCE, vec![measured]));
    item
}

fn written(relationship: &str, concept: Coded<'_>, value: &str) -> Item {
    let mut item = item(relationship, "TEXT", concept, Vec::new());
    item.put(text(tags::TEXT_VALUE, VR::UT, value));
    item
}

/// The depth behind the globe, as a property of a reading or told once for a group.
fn deep(relationship: &str, value: &str) -> Item {
    number(relationship, DEPTH, value, ("mm", "UCUM", "mm"))
}

fn plane(row: &Row) -> Option<Item> {
    let value = match row.or("plane", "transverse") {
        "transverse" => ("62824007", "SCT", "Transverse"),
        "sagittal" => ("30730003", "SCT", "Sagittal"),
        "oblique" => ("21114003", "SCT", "Oblique"),
        "-" => return None,
        other => panic!("plane {other:?}"),
    };
    Some(code("HAS CONCEPT MOD", ORIENTATION, value, Vec::new()))
}

/// The readings of one eye of a row; `None` without any.
fn group(row: &Row, eye: &str) -> Option<Item> {
    let readings = row.get(eye)?;
    let meant = if eye == "right" { "Right" } else { "Left" };
    let value = if eye == "right" {
        "24028007"
    } else {
        "7771000"
    };
    let side = (value, "SCT", row.get("side_says").unwrap_or(meant));
    let site = vec![
        code("HAS CONCEPT MOD", LATERALITY, side, Vec::new()),
        code("HAS CONCEPT MOD", TOPOGRAPHY, SHEATH, Vec::new()),
    ];
    let mut children = vec![code("HAS CONCEPT MOD", SITE, OPTIC_NERVE, site)];
    let modality = match row.or("modality", "US") {
        "US" => Some(("US", "DCM", "Ultrasound")),
        "MR" => Some(("MR", "DCM", "Magnetic Resonance")),
        "CT" => Some(("CT", "DCM", "Computed Tomography")),
        "-" => None,
        other => panic!("modality {other:?}"),
    };
    let modality = modality.map(|code_of| code("HAS CONCEPT MOD", MODALITY, code_of, Vec::new()));
    children.extend(modality);
    children.extend(row.get("group_depth").map(|mm| deep("CONTAINS", mm)));
    let unit = row.or("unit", "mm");
    let unit = (unit, "UCUM", row.get("unit_says").unwrap_or(unit));
    let concept = row.get(if eye == "right" {
        "right_code"
    } else {
        "left_code"
    });
    let concept = concept.map_or(DIAMETER, |meaning| ("LF-7", "99LARKFELL", meaning));
    for reading in readings.split_whitespace() {
        let mut one = number("CONTAINS", concept, reading, unit);
        let mut about: Vec<Item> = plane(row).into_iter().collect();
        if row.get("group_depth").is_none() {
            about.extend(
                row.given("depth", "3.0")
                    .map(|mm| deep("HAS PROPERTIES", mm)),
            );
        }
        about.extend(
            row.given("angle", "0")
                .map(|deg| number("HAS PROPERTIES", ANGLE, deg, ("deg", "UCUM", "degrees"))),
        );
        if !about.is_empty() {
            one.put(sequence(tags::CONTENT_SEQUENCE, about));
        }
        if let Some(at) = row.get("at") {
            let day = row.get("day").expect("a day").replace('-', "");
            let at = format!("{day}{}00", at.replace(':', ""));
            one.put(text(tags::OBSERVATION_DATE_TIME, VR::DT, &at));
        }
        children.push(one);
    }
    let title = row.get("title").unwrap_or("Measurement Group");
    let title = match row.get("title") {
        Some(_) => ("LF-9", "99LARKFELL", title),
        None => ("125007", "DCM", title),
    };
    Some(item("CONTAINS", "CONTAINER", title, children))
}

/// The transverse diameter of the eyeball of one eye, in a group of its own; `None` where none is given.
fn eyeball(row: &Row, eye: &str) -> Option<Item> {
    let (column, side) = match eye {
        "right" => ("right_eyeball", ("24028007", "SCT", "Right")),
        _ => ("left_eyeball", ("7771000", "SCT", "Left")),
    };
    let side = code("HAS CONCEPT MOD", LATERALITY, side, Vec::new());
    let children = vec![
        code("HAS CONCEPT MOD", SITE, EYE, vec![side]),
        number("CONTAINS", EYEBALL, row.get(column)?, ("mm", "UCUM", "mm")),
    ];
    let title = ("125007", "DCM", "Measurement Group");
    Some(item("CONTAINS", "CONTAINER", title, children))
}

/// The report that the rows of one name tell, as a Part 10 file.
pub(crate) fn bytes(story: &str, rows: &[&Row]) -> Vec<u8> {
    let first = rows.first().expect("a row");
    let get = |name: &str, default: &'static str| first.or(name, default).to_owned();
    let mut observer = item(
        "HAS OBS CONTEXT",
        "PNAME",
        ("121008", "DCM", "Person Observer Name"),
        Vec::new(),
    );
    let mut children = Vec::new();
    if let Some(operator) = first.given("operator", "Thistlewood^Ada") {
        observer.put(text(tags::PERSON_NAME, VR::PN, operator));
        children.push(observer);
    }
    let subject = first.get("subject");
    children.extend(subject.map(|id| written("HAS OBS CONTEXT", SUBJECT, id)));
    let groups = rows.iter().flat_map(|row| {
        ["right", "left"]
            .into_iter()
            .flat_map(|eye| [group(row, eye), eyeball(row, eye)])
            .flatten()
    });
    children.push(item(
        "CONTAINS",
        "CONTAINER",
        ("126010", "DCM", "Imaging Measurements"),
        groups.collect(),
    ));
    let title = ("126000", "DCM", "Imaging Measurement Report");
    let mut object = item("", "CONTAINER", title, children);
    object.put(sequence(
        tags::CONTENT_TEMPLATE_SEQUENCE,
        vec![Item::from_element_iter([
            text(tags::MAPPING_RESOURCE, VR::CS, "DCMR"),
            text(tags::TEMPLATE_IDENTIFIER, VR::CS, "1500"),
        ])],
    ));
    let day = get("day", "-").replace('-', "");
    let time = first
        .get("time")
        .map(|time| format!("{}00", time.replace(':', "")));
    let (model, serial) = match first.given("device", "Lumen 4/OV-2231") {
        Some(device) => device.split_once('/').unwrap_or((device, "")),
        None => ("", ""),
    };
    let maker = if model.is_empty() {
        ""
    } else {
        "Osmund & Vray"
    };
    let report = uid(story, &format!("report {}", first.report()));
    let study = uid(story, &format!("study {}", first.study()));
    let series = uid(story, &format!("series {}", first.report()));
    for (tag, vr, value) in [
        (tags::SPECIFIC_CHARACTER_SET, VR::CS, "ISO_IR 192"),
        (tags::SOP_CLASS_UID, VR::UI, uids::COMPREHENSIVE_SR_STORAGE),
        (tags::SOP_INSTANCE_UID, VR::UI, &report),
        (
            tags::STUDY_DATE,
            VR::DA,
            &first
                .get("study_day")
                .map_or(day.clone(), |one| one.replace('-', "")),
        ),
        (tags::STUDY_TIME, VR::TM, ""),
        (tags::CONTENT_DATE, VR::DA, &day),
        (tags::CONTENT_TIME, VR::TM, time.as_deref().unwrap_or("")),
        (tags::ACCESSION_NUMBER, VR::SH, ""),
        (tags::MODALITY, VR::CS, "SR"),
        (tags::MANUFACTURER, VR::LO, maker),
        (tags::MANUFACTURER_MODEL_NAME, VR::LO, model),
        (tags::DEVICE_SERIAL_NUMBER, VR::LO, serial),
        (tags::REFERRING_PHYSICIAN_NAME, VR::PN, ""),
        (tags::PATIENT_NAME, VR::PN, &get("name", "Ashgrove^Nell")),
        (tags::PATIENT_ID, VR::LO, &get("patient", "HF-100")),
        (
            tags::PATIENT_BIRTH_DATE,
            VR::DA,
            &first
                .given("born", "1988-04-12")
                .unwrap_or("")
                .replace('-', ""),
        ),
        (
            tags::PATIENT_SEX,
            VR::CS,
            first.given("sex", "F").unwrap_or(""),
        ),
        (tags::STUDY_INSTANCE_UID, VR::UI, &study),
        (tags::SERIES_INSTANCE_UID, VR::UI, &series),
        (tags::STUDY_ID, VR::SH, ""),
        (tags::SERIES_NUMBER, VR::IS, "1"),
        (tags::INSTANCE_NUMBER, VR::IS, "1"),
        (tags::COMPLETION_FLAG, VR::CS, "COMPLETE"),
        (tags::VERIFICATION_FLAG, VR::CS, "UNVERIFIED"),
    ] {
        object.put(text(tag, vr, value));
    }
    if let Some(issuer) = first.given("issuer", "HOLLINFELL") {
        object.put(text(tags::ISSUER_OF_PATIENT_ID, VR::LO, issuer));
    }
    if let Some(flag) = first.get("flag") {
        object.put(text(tags::PRELIMINARY_FLAG, VR::CS, flag));
    }
    for tag in [
        tags::REFERENCED_PERFORMED_PROCEDURE_STEP_SEQUENCE,
        tags::PERFORMED_PROCEDURE_CODE_SEQUENCE,
    ] {
        object.put(sequence(tag, Vec::new()));
    }
    let replaced: Vec<Item> = first
        .get("replaces")
        .into_iter()
        .flat_map(str::split_whitespace)
        .map(|name| predecessor(&study, &series, &uid(story, &format!("report {name}"))))
        .collect();
    if !replaced.is_empty() {
        object.put(sequence(tags::PREDECESSOR_DOCUMENTS_SEQUENCE, replaced));
    }
    let meta = FileMetaTableBuilder::new().transfer_syntax(uids::EXPLICIT_VR_LITTLE_ENDIAN);
    let mut bytes = Vec::new();
    let file = object.with_meta(meta).expect("a file meta group");
    file.write_all(&mut bytes).expect("written");
    bytes
}

fn predecessor(study: &str, series: &str, report: &str) -> Item {
    let instance = Item::from_element_iter([
        text(
            tags::REFERENCED_SOP_CLASS_UID,
            VR::UI,
            uids::COMPREHENSIVE_SR_STORAGE,
        ),
        text(tags::REFERENCED_SOP_INSTANCE_UID, VR::UI, report),
    ]);
    let series = Item::from_element_iter([
        text(tags::SERIES_INSTANCE_UID, VR::UI, series),
        sequence(tags::REFERENCED_SOP_SEQUENCE, vec![instance]),
    ]);
    Item::from_element_iter([
        text(tags::STUDY_INSTANCE_UID, VR::UI, study),
        sequence(tags::REFERENCED_SERIES_SEQUENCE, vec![series]),
    ])
}
