//! What the patient and study of an object say of themselves, for an object of our own in that study.
//!
//! Apart from [`Header`](super::Header), so that nothing here can change how an object is read.

use super::bounds;
use super::charset::Charset;
use super::data::{DataSet, Items};
use super::element::{Place, Reader, Remarks, charset_of};
use super::{Limits, ReadError, gate, time};
use dicom_dictionary_std::tags;
use std::fmt;
use std::rc::Rc;

/// An object that a result rests on: its address, and patient and study as it states them.
///
/// `Debug` hides the patient. Absent, empty and doubtful attributes are `None`.
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
    /// Institutional Department Name: where it was measured.
    pub department: Option<String>,
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
    let passed = gate::pass(bytes, syntax, limits)?;
    let object = passed.elements();
    let charset = charset_of(object, &Rc::default());
    let mut universal = None;
    let mut issuers = sequence(object, &charset);
    if let (Some(item), None) = (issuers.next(), issuers.next()) {
        let charset = charset_of(item, &charset);
        let text = |tag| sure(item, &charset, |reader| reader.text(tag));
        universal = text(tags::UNIVERSAL_ENTITY_ID).zip(text(tags::UNIVERSAL_ENTITY_ID_TYPE));
    }
    let text = |tag| sure(object, &charset, |reader| reader.text(tag));
    let uid = |tag| sure(object, &charset, |reader| reader.uid(tag));
    let offset_s = text(tags::TIMEZONE_OFFSET_FROM_UTC);
    Ok(Origin {
        sop_class_uid: uid(tags::SOP_CLASS_UID),
        sop_instance_uid: uid(tags::SOP_INSTANCE_UID),
        series_instance_uid: uid(tags::SERIES_INSTANCE_UID),
        study_instance_uid: uid(tags::STUDY_INSTANCE_UID),
        patient_name: text(tags::PATIENT_NAME),
        issuer_universal: universal,
        study_date: text(tags::STUDY_DATE).filter(|text| time::date(text).is_some()),
        study_time: text(tags::STUDY_TIME).filter(|text| time::time(text).is_some()),
        study_id: sure(object, &charset, |reader| {
            reader.whole(tags::STUDY_ID, bounds::ID)
        }),
        study_description: text(tags::STUDY_DESCRIPTION),
        referring_physician: text(tags::REFERRING_PHYSICIAN_NAME),
        department: text(tags::INSTITUTIONAL_DEPARTMENT_NAME),
        offset_s: offset_s.and_then(|text| time::offset_s(&text)),
    })
}

/// What a reader reads without a doubt. A text in a character set that nobody declared would be a
/// guess, and the object was told of its oddities when it was read as a report.
fn sure<T>(
    object: DataSet<'_>,
    charset: &Rc<Charset>,
    read: impl FnOnce(&mut Reader<'_, '_>) -> Option<T>,
) -> Option<T> {
    let mut remarks = Remarks::default();
    let value = read(&mut Reader {
        charset: Rc::clone(charset),
        object,
        place: Place::Document,
        remarks: &mut remarks,
    });
    value.filter(|_| remarks.finish().is_empty())
}

/// Items of the Issuer of Patient ID Qualifiers Sequence.
fn sequence<'a>(object: DataSet<'a>, charset: &Rc<Charset>) -> Items<'a> {
    Reader {
        charset: Rc::clone(charset),
        object,
        place: Place::Document,
        remarks: &mut Remarks::default(),
    }
    .items(tags::ISSUER_OF_PATIENT_ID_QUALIFIERS_SEQUENCE)
}
