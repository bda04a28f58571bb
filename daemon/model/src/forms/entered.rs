//! A typed measurement as a Comprehensive SR by TID 1500 (PS3.16): an exam like that of a scanner, with
//! whoever signs it as person observer.
//!
//! Whoever copies from an older record has the role Recording in it (CID 7453) and is not who measured;
//! the text under `transcribed-from` says from where: see [`crate::reading`], which reads both back.

use super::codes::{self, Coded};
use super::dicom::element::{sequence, text};
use super::dicom::item::Item;
use super::dicom::{self, writable};
use super::values::Which;
use super::{FormError, sr};
use crate::domain::{Border, Device, Eye, Millimetres, Plane, Sex, derived};
use crate::entered::{Typed, TypedReading};
use chrono::{NaiveDate, NaiveTime};
use dicom_core::{Tag, VR};
use dicom_dictionary_std::{tags, uids};
use dicom_object::InMemDicomObject;
use sha2::{Digest, Sha256};

#[cfg(test)]
mod tests;

const CLASS: &str = uids::COMPREHENSIVE_SR_STORAGE;

/// The report as a DICOM file. Equal content gives equal bytes.
///
/// # Errors
/// A text cannot be written in DICOM; [`crate::entered::check`] tells of it before.
pub fn report(typed: &Typed) -> Result<Vec<u8>, FormError> {
    let mut object = root(typed)?.into_root();
    object.put(sr::our_scheme());
    patient(&mut object, typed)?;
    study(&mut object, typed)?;
    document(&mut object, typed)?;
    dicom::part10(object)
}

fn day(day: NaiveDate) -> String {
    day.format("%Y%m%d").to_string()
}

fn time(time: Option<NaiveTime>) -> String {
    time.map_or(String::new(), |time| time.format("%H%M%S").to_string())
}

fn optional<'a>(
    field: &'static str,
    value: Option<&'a String>,
    most: usize,
) -> Result<&'a str, FormError> {
    writable(field, value.map_or("", String::as_str), most)
}

fn patient(into: &mut InMemDicomObject, typed: &Typed) -> Result<(), FormError> {
    let name = optional("the name", typed.subject.name.as_ref(), 64)?;
    let id = writable("the patient id", &typed.subject.patient.id, 64)?;
    let issuer = writable(
        "the issuer of the patient id",
        &typed.subject.patient.issuer,
        64,
    )?;
    into.put(text(tags::PATIENT_NAME, VR::PN, name));
    into.put(text(tags::PATIENT_ID, VR::LO, id));
    if !issuer.is_empty() {
        into.put(text(tags::ISSUER_OF_PATIENT_ID, VR::LO, issuer));
    }
    let born = day(typed.subject.birth_date);
    into.put(text(tags::PATIENT_BIRTH_DATE, VR::DA, &born));
    let sex = typed.subject.sex.map_or("", Sex::letter);
    into.put(text(tags::PATIENT_SEX, VR::CS, sex));
    Ok(())
}

fn study(into: &mut InMemDicomObject, typed: &Typed) -> Result<(), FormError> {
    let uids = typed.uids();
    let accession = optional("the accession number", typed.subject.accession.as_ref(), 16)?;
    let mut put = |tag: Tag, vr: VR, value: &str| {
        into.put(text(tag, vr, value));
    };
    put(tags::STUDY_INSTANCE_UID, VR::UI, &uids.study);
    put(tags::STUDY_DATE, VR::DA, &day(typed.day));
    put(tags::STUDY_TIME, VR::TM, &time(typed.time));
    put(tags::STUDY_ID, VR::SH, "");
    put(tags::ACCESSION_NUMBER, VR::SH, accession);
    put(tags::REFERRING_PHYSICIAN_NAME, VR::PN, "");
    put(tags::MODALITY, VR::CS, "SR");
    put(tags::SERIES_INSTANCE_UID, VR::UI, &uids.series);
    put(tags::SERIES_NUMBER, VR::IS, "9711");
    let description = "Optic nerve sheath, typed by hand";
    put(tags::SERIES_DESCRIPTION, VR::LO, description);
    // The machine that measured stands in the content: this is the writer's equipment, and a maker
    // here would pass for that of the machine where none is known.
    put(tags::MANUFACTURER, VR::LO, "");
    put(tags::SPECIFIC_CHARACTER_SET, VR::CS, "ISO_IR 192");
    put(tags::SOP_CLASS_UID, VR::UI, CLASS);
    put(tags::SOP_INSTANCE_UID, VR::UI, &uids.instance);
    put(tags::INSTANCE_NUMBER, VR::IS, "1");
    Ok(())
}

fn document(into: &mut InMemDicomObject, typed: &Typed) -> Result<(), FormError> {
    let author = writable("the author", &typed.author, 64)?;
    let signed = typed.signed_at;
    let verified = typed.signed_by_operator();
    let flag = if verified { "VERIFIED" } else { "UNVERIFIED" };
    let mut put = |tag: Tag, vr: VR, value: &str| {
        into.put(text(tag, vr, value));
    };
    put(tags::CONTENT_DATE, VR::DA, &day(signed.date_naive()));
    put(tags::CONTENT_TIME, VR::TM, &time(Some(signed.time())));
    put(tags::COMPLETION_FLAG, VR::CS, "COMPLETE");
    put(tags::VERIFICATION_FLAG, VR::CS, flag);
    let none = "Not stated";
    if verified {
        let at = signed.format("%Y%m%d%H%M%S%z").to_string();
        let observer = InMemDicomObject::from_element_iter([
            text(tags::VERIFYING_ORGANIZATION, VR::LO, none),
            text(tags::VERIFICATION_DATE_TIME, VR::DT, &at),
            text(tags::VERIFYING_OBSERVER_NAME, VR::PN, author),
            sequence(
                tags::VERIFYING_OBSERVER_IDENTIFICATION_CODE_SEQUENCE,
                Vec::new(),
            ),
        ]);
        into.put(sequence(tags::VERIFYING_OBSERVER_SEQUENCE, vec![observer]));
    }
    let writer = InMemDicomObject::from_element_iter([
        text(tags::INSTITUTION_NAME, VR::LO, ""),
        sequence(tags::PERSON_IDENTIFICATION_CODE_SEQUENCE, Vec::new()),
        text(tags::OBSERVER_TYPE, VR::CS, "PSN"),
        text(tags::PERSON_NAME, VR::PN, author),
        sequence(tags::INSTITUTION_CODE_SEQUENCE, Vec::new()),
    ]);
    into.put(sequence(tags::AUTHOR_OBSERVER_SEQUENCE, vec![writer]));
    for tag in [
        tags::REFERENCED_PERFORMED_PROCEDURE_STEP_SEQUENCE,
        tags::PERFORMED_PROCEDURE_CODE_SEQUENCE,
    ] {
        into.put(sequence(tag, Vec::new()));
    }
    if let Some(before) = &typed.corrects {
        let before = sr::Address {
            study: writable("the Study Instance UID", &before.study, 64)?,
            series: writable("the Series Instance UID", &before.series, 64)?,
            class: CLASS,
            instance: writable("the SOP Instance UID", &before.instance, 64)?,
        };
        let before = sr::hierarchy(&[before]);
        into.put(sequence(tags::PREDECESSOR_DOCUMENTS_SEQUENCE, before));
    }
    Ok(())
}

fn root(typed: &Typed) -> Result<Item, FormError> {
    let role = if typed.signed_by_operator() {
        codes::PERFORMING
    } else {
        codes::RECORDING
    };
    let mut root = Item::template(codes::MEASUREMENT_REPORT, "1500")
        .with([Item::code(codes::LANGUAGE, codes::ENGLISH).modifier()])
        .with(person(writable("the author", &typed.author, 64)?, role));
    if let Some(operator) = typed
        .operator
        .as_ref()
        .filter(|_| !typed.signed_by_operator())
    {
        let operator = writable("the operator", operator, 64)?;
        root = root.with(person(operator, codes::PERFORMING));
    }
    root = root.with(machine(&typed.device)?);
    root = root.with([Item::uid(codes::STUDY_UID, typed.uids().study).context()]);
    if let Some(accession) = &typed.subject.accession {
        root = root.with([Item::text(codes::ACCESSION, accession.as_str()).context()]);
    }
    let groups = Eye::BOTH.into_iter().flat_map(|eye| {
        let alike = typed
            .readings(eye)
            .chunk_by(|one, next| place(one) == place(next));
        let numbered = alike.enumerate();
        numbered.map(move |(number, readings)| group(typed, eye, number, readings))
    });
    root = root.with([Item::container(codes::MEASUREMENTS).with(groups)]);
    let mut said = Vec::new();
    if let Some(from) = &typed.transcribed {
        said.push(Item::text(codes::TRANSCRIBED_FROM, from.as_str()));
    }
    if !typed.reason.is_empty() {
        said.push(Item::text(codes::COMMENT, typed.reason.as_str()));
    }
    Ok(if said.is_empty() {
        root
    } else {
        root.with([Item::container(codes::EVALUATIONS).with(said)])
    })
}

/// TID 1003 of one person.
fn person(name: &str, role: Coded) -> [Item; 3] {
    [
        Item::code(codes::OBSERVER_TYPE, codes::PERSON).context(),
        Item::name(codes::PERSON_NAME, name).context(),
        Item::code(codes::PERSON_ROLE, role).context(),
    ]
}

/// TID 1004 of the machine, if anything is known of it.
fn machine(device: &Device) -> Result<Vec<Item>, FormError> {
    let parts = [
        (codes::DEVICE_MANUFACTURER, &device.manufacturer),
        (codes::DEVICE_MODEL, &device.model),
        (codes::DEVICE_SERIAL, &device.serial),
    ];
    if parts.iter().all(|(_, part)| part.is_none()) {
        return Ok(Vec::new());
    }
    let mut hash = Sha256::new_with_prefix(b"typed device");
    for (_, part) in parts {
        let part = part.as_deref().unwrap_or_default();
        hash.update((part.len() as u64).to_be_bytes());
        hash.update(part.as_bytes());
    }
    let uid = derived::uid(derived::uuid(derived::bits(&hash.finalize())));
    let mut items = vec![
        Item::code(codes::OBSERVER_TYPE, codes::DEVICE).context(),
        Item::uid(codes::DEVICE_UID, uid).context(),
    ];
    for (concept, part) in parts {
        if let Some(part) = part {
            let part = writable("the machine", part, 64)?;
            items.push(Item::text(concept, part).context());
        }
    }
    Ok(items)
}

/// Where and how the caliper lay: told once for the readings of a group, since TID 300 has no place for
/// it.
fn place(one: &TypedReading) -> (Option<i64>, Option<f64>) {
    (one.depth.map(Millimetres::um), one.angle_deg)
}

/// TID 1501 of readings of an eye that follow each other and were taken at one depth and angle.
fn group(typed: &Typed, eye: Eye, number: usize, readings: &[TypedReading]) -> Item {
    let which = Which::of(eye);
    let instance = typed.uids().instance;
    let hash = Sha256::new_with_prefix(b"typed tracking")
        .chain_update(instance.as_bytes())
        .chain_update(eye.word().as_bytes())
        .chain_update(number.to_be_bytes());
    let tracking = derived::uid(derived::uuid(derived::bits(&hash.finalize())));
    let first = readings.first();
    let depth = first.and_then(|one| one.depth).map(|depth| {
        let depth = super::values::decimal(depth.mm());
        Item::number(codes::DEPTH, depth, codes::MILLIMETRE)
    });
    let angle = first.and_then(|one| one.angle_deg).map(|angle| {
        let angle = super::values::decimal(angle);
        Item::number(codes::ANGLE, angle, codes::DEGREE)
    });
    Item::template(codes::GROUP, "1501")
        .with([
            Item::text(codes::TRACKING_ID, which.title()).context(),
            Item::uid(codes::TRACKING_UID, tracking).context(),
            sr::site(which),
        ])
        .with(readings.iter().map(|one| reading(typed, one)))
        .with(depth.into_iter().chain(angle))
}

/// TID 300 of a reading.
fn reading(typed: &Typed, one: &TypedReading) -> Item {
    let at = day(typed.day) + &time(typed.time);
    let plane = match one.plane {
        Plane::Transverse => Some(codes::TRANSVERSE),
        Plane::Sagittal => Some(codes::SAGITTAL),
        Plane::Oblique => Some(codes::OBLIQUE),
        Plane::Unspecified => None,
    };
    let border = typed.border.map(|border| match border {
        Border::Outer => codes::OUTER_BORDER,
        Border::Inner => codes::INNER_BORDER,
    });
    let plane = plane.map(|plane| Item::code(codes::ORIENTATION, plane));
    let border = border.map(|border| Item::code(codes::BORDER, border));
    Item::number(codes::DIAMETER, one.digits(), codes::MILLIMETRE)
        .at(Some(at))
        .with(plane.into_iter().chain(border).map(Item::modifier))
}
