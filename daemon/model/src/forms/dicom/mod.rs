//! What our DICOM objects share: patient, study, series, equipment, encoding.

pub(super) mod element;
pub(super) mod item;

use super::ids::{Of, uid};
use super::{Context, FormError, values};
use crate::domain::{Moment, Sex};
use crate::results::Envelope;
use chrono::{DateTime, FixedOffset, Utc};
use dicom_core::{Tag, VR};
use dicom_dictionary_std::{tags, uids};
use dicom_object::{FileMetaTableBuilder, InMemDicomObject};
use element::{sequence, text};

/// Who writes our objects.
pub(super) const MANUFACTURER: &str = "Sheathline";

/// What an object is.
pub(super) struct Object {
    pub(super) class: &'static str,
    /// SR or DOC: the values of Modality (PS3.3 C.7.3.1.1.1).
    pub(super) modality: &'static str,
    pub(super) series_number: &'static str,
    pub(super) series_description: &'static str,
    /// What its identifiers are derived for.
    pub(super) purpose: &'static str,
}

/// SOP Instance UID of an object of ours: that of a version of a result.
pub(super) fn instance_uid(result: &Envelope, object: &Object) -> String {
    uid(
        &Of::Version(result),
        &format!("{} instance", object.purpose),
    )
}

/// Series Instance UID: one series for each version, since the equipment of a series is one
/// version of a program.
pub(super) fn series_uid(result: &Envelope, object: &Object) -> String {
    uid(&Of::Version(result), &format!("{} series", object.purpose))
}

/// A value of a text element that may not hold a backslash or a control character, since either
/// makes it another value (PS3.5 6.2).
pub(super) fn writable<'a>(
    field: &'static str,
    value: &'a str,
    most: usize,
) -> Result<&'a str, FormError> {
    if value.contains('\\') || value.chars().any(char::is_control) {
        let why = "it holds a backslash or a control character";
        return Err(FormError::Unwritable { field, why });
    }
    if value.chars().count() > most {
        let why = "it is longer than DICOM allows";
        return Err(FormError::Unwritable { field, why });
    }
    Ok(value)
}

/// The same for what may be left out.
pub(super) fn or_empty<T: AsRef<str> + ?Sized>(value: Option<&T>, most: usize) -> &str {
    value
        .and_then(|value| writable("", value.as_ref(), most).ok())
        .unwrap_or_default()
}

/// The offset in which dates and times of the objects stand: that of the sources.
fn offset(result: &Envelope, context: &Context) -> Option<FixedOffset> {
    let sources = context.agreed(result, |origin| origin.offset_s.as_ref());
    FixedOffset::east_opt(*sources?)
}

/// Date and time of the content, in the offset of the sources; in UTC when they name none.
pub(super) fn content_time(result: &Envelope, context: &Context) -> Result<[String; 2], FormError> {
    let at: DateTime<Utc> = values::created(result)?;
    let local = match offset(result, context) {
        Some(offset) => at.with_timezone(&offset).naive_local(),
        None => at.naive_utc(),
    };
    Ok([
        local.format("%Y%m%d").to_string(),
        local.format("%H%M%S").to_string(),
    ])
}

/// The time of an item, with its offset when that is known (DT).
pub(super) fn date_time(at: Moment) -> String {
    let local = at.local.format("%Y%m%d%H%M%S").to_string();
    let offset = at.offset_s.and_then(FixedOffset::east_opt);
    offset.map_or(local.clone(), |offset| {
        local + &offset.to_string().replace(':', "")
    })
}

/// Puts everything that is not content into an object.
pub(super) fn head(
    into: &mut InMemDicomObject,
    result: &Envelope,
    context: &Context,
    object: &Object,
) -> Result<(), FormError> {
    patient(into, result, context)?;
    study(into, result, context)?;
    let [date, time] = content_time(result, context)?;
    let software = result.software.as_str();
    let version = result.version.to_string();
    let mut put = |tag: Tag, vr: VR, value: &str| {
        into.put(text(tag, vr, value));
    };
    put(tags::SPECIFIC_CHARACTER_SET, VR::CS, "ISO_IR 192");
    put(tags::SOP_CLASS_UID, VR::UI, object.class);
    put(
        tags::SOP_INSTANCE_UID,
        VR::UI,
        &instance_uid(result, object),
    );
    put(tags::MODALITY, VR::CS, object.modality);
    put(
        tags::SERIES_INSTANCE_UID,
        VR::UI,
        &series_uid(result, object),
    );
    put(tags::SERIES_NUMBER, VR::IS, object.series_number);
    put(tags::SERIES_DESCRIPTION, VR::LO, object.series_description);
    put(tags::INSTANCE_NUMBER, VR::IS, &version);
    put(tags::CONTENT_DATE, VR::DA, &date);
    put(tags::CONTENT_TIME, VR::TM, &time);
    put(tags::MANUFACTURER, VR::LO, MANUFACTURER);
    put(tags::MANUFACTURER_MODEL_NAME, VR::LO, MANUFACTURER);
    put(
        tags::SOFTWARE_VERSIONS,
        VR::LO,
        or_empty(Some(software), 64),
    );
    if let Some(offset) = offset(result, context) {
        put(
            tags::TIMEZONE_OFFSET_FROM_UTC,
            VR::SH,
            &offset.to_string().replace(':', ""),
        );
    }
    Ok(())
}

/// Referenced SOP Class and Instance UID of an object.
pub(super) fn reference(class: &str, instance: &str) -> InMemDicomObject {
    InMemDicomObject::from_element_iter([
        text(tags::REFERENCED_SOP_CLASS_UID, VR::UI, class),
        text(tags::REFERENCED_SOP_INSTANCE_UID, VR::UI, instance),
    ])
}

fn patient(
    into: &mut InMemDicomObject,
    result: &Envelope,
    context: &Context,
) -> Result<(), FormError> {
    let patient = &result.content.patient;
    let born = patient
        .birth_date
        .map(|date| date.format("%Y%m%d").to_string());
    let sex = patient.sex.map_or("", Sex::letter);
    let name = context.agreed(result, |origin| origin.patient_name.as_ref());
    into.put(text(tags::PATIENT_NAME, VR::PN, or_empty(name, 324)));
    let id = writable("the patient id", &patient.id, 64)?;
    into.put(text(tags::PATIENT_ID, VR::LO, id));
    let issuer = writable("the issuer of the patient id", &patient.issuer, 64)?;
    if !issuer.is_empty() {
        into.put(text(tags::ISSUER_OF_PATIENT_ID, VR::LO, issuer));
    }
    let universal = context.issuer_universal(result);
    if let Some((entity, kind)) = universal {
        into.put(sequence(
            tags::ISSUER_OF_PATIENT_ID_QUALIFIERS_SEQUENCE,
            vec![InMemDicomObject::from_element_iter([
                text(tags::UNIVERSAL_ENTITY_ID, VR::UT, entity),
                text(
                    tags::UNIVERSAL_ENTITY_ID_TYPE,
                    VR::CS,
                    or_empty(Some(kind), 16),
                ),
            ])],
        ));
    }
    into.put(text(
        tags::PATIENT_BIRTH_DATE,
        VR::DA,
        &born.unwrap_or_default(),
    ));
    into.put(text(tags::PATIENT_SEX, VR::CS, sex));
    Ok(())
}

fn study(
    into: &mut InMemDicomObject,
    result: &Envelope,
    context: &Context,
) -> Result<(), FormError> {
    let exam = &result.content.exam;
    let uid = writable("the Study Instance UID", &exam.study_instance_uid, 64)?;
    into.put(text(tags::STUDY_INSTANCE_UID, VR::UI, uid));
    let date = context.agreed(result, |origin| origin.study_date.as_ref());
    into.put(text(tags::STUDY_DATE, VR::DA, or_empty(date, 8)));
    let time = context.agreed(result, |origin| origin.study_time.as_ref());
    into.put(text(tags::STUDY_TIME, VR::TM, or_empty(time, 16)));
    let id = context.agreed(result, |origin| origin.study_id.as_ref());
    into.put(text(tags::STUDY_ID, VR::SH, or_empty(id, 16)));
    let accession = or_empty(exam.accession.as_ref(), 16);
    into.put(text(tags::ACCESSION_NUMBER, VR::SH, accession));
    let referring = context.agreed(result, |origin| origin.referring_physician.as_ref());
    let referring = or_empty(referring, 324);
    into.put(text(tags::REFERRING_PHYSICIAN_NAME, VR::PN, referring));
    let description = context.agreed(result, |origin| origin.study_description.as_ref());
    if let Some(description) = description {
        into.put(text(
            tags::STUDY_DESCRIPTION,
            VR::LO,
            or_empty(Some(description), 64),
        ));
    }
    Ok(())
}

/// The object as a DICOM file (PS3.10) in explicit little endian.
pub(super) fn part10(object: InMemDicomObject) -> Result<Vec<u8>, FormError> {
    let meta = FileMetaTableBuilder::new().transfer_syntax(uids::EXPLICIT_VR_LITTLE_ENDIAN);
    let failed = |error: &dyn std::fmt::Display| FormError::Dicom(error.to_string());
    let file = object.with_meta(meta).map_err(|error| failed(&error))?;
    let mut bytes = Vec::new();
    file.write_all(&mut bytes).map_err(|error| failed(&error))?;
    Ok(bytes)
}
