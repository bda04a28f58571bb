//! What the patient and study of an object say of themselves, for an object of our own in that study.
//!
//! Apart from [`Header`](super::Header), so that nothing here can change how an object is read.

use super::element::{Reader, Remarks, charset_of};
use super::read::decode;
use super::{Limits, ReadError, gate};
use dicom_dictionary_std::tags;
use std::fmt;
use std::rc::Rc;

/// An object that a result rests on: its address, and patient and study as it states them.
///
/// `Debug` hides the patient. Absent, empty and unreadable attributes are `None`.
#[derive(Clone, Default, PartialEq, Eq)]
pub struct Origin {
    /// SOP Class UID.
    pub sop_class_uid: Option<String>,
    /// SOP Instance UID.
    pub sop_instance_uid: Option<String>,
    /// Series Instance UID.
    pub series_instance_uid: Option<String>,
    /// Study Instance UID.
    pub study_instance_uid: Option<String>,
    /// Patient's Name, as sent, in DICOM's order of parts.
    pub patient_name: Option<String>,
    /// Issuer of Patient ID.
    pub issuer: Option<String>,
    /// Universal Entity ID of the issuer with its type (Issuer of Patient ID Qualifiers Sequence).
    pub issuer_universal: Option<(String, String)>,
    /// Study Date, as sent.
    pub study_date: Option<String>,
    /// Study Time, as sent.
    pub study_time: Option<String>,
    /// Study ID.
    pub study_id: Option<String>,
    /// Study Description.
    pub study_description: Option<String>,
    /// Referring Physician's Name.
    pub referring_physician: Option<String>,
    /// Timezone Offset From UTC, seconds.
    pub offset_s: Option<i32>,
}

impl fmt::Debug for Origin {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Origin(hidden)")
    }
}

/// Reads the origin of an object: a DICOM file (`syntax` is `None`) or a bare data set.
///
/// # Errors
/// When the bytes are refused as a whole, as [`super::read()`] refuses them.
pub fn origin(bytes: &[u8], syntax: Option<&str>, limits: &Limits) -> Result<Origin, ReadError> {
    let object = decode(&gate::admit(bytes, syntax, limits)?)?;
    // Oddities were told when the object was read as a report.
    let mut remarks = Remarks::default();
    let mut reader = Reader {
        charset: charset_of(&object, &Rc::default()),
        object: &object,
        place: "",
        remarks: &mut remarks,
    };
    let issuer_universal = match reader.only_item(tags::ISSUER_OF_PATIENT_ID_QUALIFIERS_SEQUENCE) {
        None => None,
        Some(item) => {
            let mut item = reader.inside(item);
            item.text(tags::UNIVERSAL_ENTITY_ID)
                .zip(item.text(tags::UNIVERSAL_ENTITY_ID_TYPE))
        }
    };
    let date = |text: &String| super::time::date(text).is_some();
    let time = |text: &String| super::time::time(text).is_some();
    Ok(Origin {
        sop_class_uid: reader.uid(tags::SOP_CLASS_UID),
        sop_instance_uid: reader.uid(tags::SOP_INSTANCE_UID),
        series_instance_uid: reader.uid(tags::SERIES_INSTANCE_UID),
        study_instance_uid: reader.uid(tags::STUDY_INSTANCE_UID),
        patient_name: reader.text(tags::PATIENT_NAME),
        issuer: reader.text(tags::ISSUER_OF_PATIENT_ID),
        issuer_universal,
        study_date: reader.text(tags::STUDY_DATE).filter(date),
        study_time: reader.text(tags::STUDY_TIME).filter(time),
        study_id: reader.text(tags::STUDY_ID),
        study_description: reader.text(tags::STUDY_DESCRIPTION),
        referring_physician: reader.text(tags::REFERRING_PHYSICIAN_NAME),
        offset_s: reader
            .text(tags::TIMEZONE_OFFSET_FROM_UTC)
            .and_then(|text| super::time::offset_s(&text)),
    })
}
