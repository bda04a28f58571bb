//! Facts that stand outside the content tree.

use super::bounds;
use super::charset::Charset;
use super::data::DataSet;
use super::element::{Place, Reader, Remarks, charset_of};
use super::time;
use crate::domain::{Moment, Remark, RemarkCode, Sex};
use chrono::{NaiveDate, NaiveTime};
use dicom_core::Tag;
use dicom_dictionary_std::tags;
use std::collections::BTreeSet;
use std::fmt;
use std::rc::Rc;

/// Document-level attributes, blanks removed, absent and empty alike `None`.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Header {
    /// SOP Class UID (0008,0016).
    pub sop_class_uid: Option<String>,
    /// SOP Instance UID (0008,0018).
    pub sop_instance_uid: Option<String>,
    /// Study Instance UID (0020,000D).
    pub study_instance_uid: Option<String>,
    /// Patient ID (0010,0020), byte for byte in any character set: see `Reader::id`.
    pub patient_id: Option<String>,
    /// Issuer of Patient ID (0010,0021): see `Reader::issuer`.
    pub patient_issuer: Option<String>,
    /// What else the object says of who the patient is.
    pub identity: Identity,
    /// Patient's Birth Date (0010,0030).
    pub birth_date: Option<NaiveDate>,
    /// Patient's Sex (0010,0040).
    pub sex: Option<Sex>,
    /// Study Date and Time (0008,0020), (0008,0030); midnight when only the date is given.
    pub study_at: Option<Moment>,
    /// Content Date and Time (0008,0023), (0008,0033); midnight when only the date is given.
    pub content_at: Option<Moment>,
    /// Of study and content, which give a date and no readable time.
    pub day_only: DayOnly,
    /// Laterality (0020,0060) and Measurement Laterality (0024,0113), with the tag; `R`, `L`, `B`.
    pub lateralities: Vec<(&'static str, char)>,
    /// Timezone Offset From UTC (0008,0201), seconds.
    pub offset_s: Option<i32>,
    /// Manufacturer (0008,0070).
    pub manufacturer: Option<String>,
    /// Manufacturer's Model Name (0008,1090).
    pub model: Option<String>,
    /// Device Serial Number (0018,1000).
    pub serial: Option<String>,
    /// First of Operators' Name (0008,1070).
    pub operator: Option<String>,
    /// Series Instance UID (0020,000E).
    pub series_instance_uid: Option<String>,
    /// Accession Number (0008,0050).
    pub accession: Option<String>,
    /// Completion Flag (0040,A491).
    pub completion: Option<String>,
    /// Verification Flag (0040,A493).
    pub verification: Option<String>,
    /// Preliminary Flag (0040,A496).
    pub preliminary: Option<String>,
    /// Modality (0008,0060).
    pub modality: Option<String>,
    /// Classes of the objects that Current Requested Procedure Evidence Sequence (0040,A375) names,
    /// or Pertinent Other Evidence Sequence (0040,A385) where the former names none; each once.
    pub evidence: Vec<String>,
    /// Referenced SOP Instance UIDs of Predecessor Documents Sequence (0040,A360), sorted.
    pub predecessors: Vec<String>,
}

/// Which moments of a header are days.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct DayOnly {
    /// That of the study.
    pub study: bool,
    /// That of the content.
    pub content: bool,
}

/// What a report's content is held against, beside id and issuer. `Debug` hides all of it.
#[derive(Clone, Default, PartialEq, Eq)]
pub struct Identity {
    /// Patient ID as text, where its bytes are more than ASCII.
    pub id_text: Option<String>,
    /// Patient's Name (0010,0010), as sent.
    pub name: Option<String>,
    /// Other Patient IDs (0010,1000) and those of Other Patient IDs Sequence (0010,1002).
    pub other_ids: Vec<String>,
    /// Universal Entity ID of the issuer (0010,0024), (0040,0032).
    pub issuer_universal: Option<String>,
}

impl fmt::Debug for Identity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Identity(hidden)")
    }
}

/// Other Patient IDs, retired, so without a constant in force.
const RETIRED_IDS: Tag = Tag(0x0010, 0x1000);

/// Other ids of one patient that are looked at.
const OTHER_IDS: usize = 64;

impl Identity {
    /// Reads it. What is odd about the attributes is remarked where they are used for themselves.
    fn read(object: DataSet<'_>, charset: &Rc<Charset>) -> Identity {
        let mut unsaid = Remarks::default();
        let mut reader = Reader {
            charset: Rc::clone(charset),
            object,
            place: Place::Document,
            remarks: &mut unsaid,
        };
        let mut other_ids = reader.several(RETIRED_IDS, OTHER_IDS);
        let items = reader.items(tags::OTHER_PATIENT_I_DS_SEQUENCE);
        for item in items.take(OTHER_IDS) {
            other_ids.extend(reader.inside(item).whole(tags::PATIENT_ID, bounds::ID));
        }
        let mut issuer = reader.items(tags::ISSUER_OF_PATIENT_ID_QUALIFIERS_SEQUENCE);
        Identity {
            id_text: reader.whole(tags::PATIENT_ID, bounds::ID),
            name: reader.text(tags::PATIENT_NAME),
            other_ids,
            issuer_universal: issuer.next().and_then(|item| {
                reader
                    .inside(item)
                    .whole(tags::UNIVERSAL_ENTITY_ID, 10 * bounds::ID)
            }),
        }
    }
}

impl Header {
    /// Reads the header; what is there and cannot be used is left out with a remark.
    pub(super) fn read(object: DataSet<'_>, around: &Rc<Charset>, remarks: &mut Remarks) -> Header {
        let charset = charset_of(object, around);
        if !charset.known {
            remarks.push(
                Remark::of(
                    RemarkCode::CharsetUnsupported,
                    "The declared character set is unknown: letters outside ASCII may be wrong.",
                )
                .at("(0008,0005)")
                .act("Compare names and free text with the sending system."),
            );
        }
        let identity = Identity::read(object, &charset);
        let mut reader = Reader {
            charset,
            object,
            place: Place::Document,
            remarks,
        };
        let offset_s = checked(
            &mut reader,
            tags::TIMEZONE_OFFSET_FROM_UTC,
            RemarkCode::OffsetInvalid,
            "The offset from UTC is malformed and is not used.",
            time::offset_s,
        );
        let study = moment(&mut reader, tags::STUDY_DATE, tags::STUDY_TIME, offset_s);
        let content = moment(
            &mut reader,
            tags::CONTENT_DATE,
            tags::CONTENT_TIME,
            offset_s,
        );
        let day_only = |told: Option<(Moment, bool)>| told.is_some_and(|(_, timed)| !timed);
        Header {
            sop_class_uid: reader.uid(tags::SOP_CLASS_UID),
            sop_instance_uid: reader.uid(tags::SOP_INSTANCE_UID),
            study_instance_uid: reader.uid(tags::STUDY_INSTANCE_UID),
            patient_id: reader.id(tags::PATIENT_ID),
            patient_issuer: reader.issuer(tags::ISSUER_OF_PATIENT_ID),
            identity,
            birth_date: date(&mut reader, tags::PATIENT_BIRTH_DATE),
            sex: checked(
                &mut reader,
                tags::PATIENT_SEX,
                RemarkCode::SexUnknown,
                "The sex is none of F, M and O and is left out.",
                Sex::of_letter,
            ),
            study_at: study.map(|(at, _)| at),
            content_at: content.map(|(at, _)| at),
            day_only: DayOnly {
                study: day_only(study),
                content: day_only(content),
            },
            lateralities: lateralities(&mut reader),
            offset_s,
            manufacturer: reader.text(tags::MANUFACTURER),
            model: reader.text(tags::MANUFACTURER_MODEL_NAME),
            serial: reader.whole(tags::DEVICE_SERIAL_NUMBER, bounds::ID),
            operator: reader.first(tags::OPERATORS_NAME),
            series_instance_uid: reader.uid(tags::SERIES_INSTANCE_UID),
            accession: reader.whole(tags::ACCESSION_NUMBER, bounds::ID),
            completion: reader.text(tags::COMPLETION_FLAG),
            verification: reader.text(tags::VERIFICATION_FLAG),
            preliminary: reader.text(tags::PRELIMINARY_FLAG),
            modality: reader.text(tags::MODALITY),
            evidence: evidence(&mut reader),
            predecessors: predecessors(&mut reader),
        }
    }
}

/// Reads a text by a rule, with a remark when it is there and breaks the rule.
fn checked<T>(
    reader: &mut Reader<'_, '_>,
    tag: Tag,
    code: RemarkCode,
    text: &'static str,
    rule: impl Fn(&str) -> Option<T>,
) -> Option<T> {
    let value = rule(&reader.text(tag)?);
    if value.is_none() {
        reader.remark(tag, Remark::of(code, text));
    }
    value
}

fn date(reader: &mut Reader<'_, '_>, tag: Tag) -> Option<NaiveDate> {
    let text = "A date is malformed and is left out.";
    checked(reader, tag, RemarkCode::DateInvalid, text, time::date)
}

/// A moment, and whether its time was told.
fn moment(
    reader: &mut Reader<'_, '_>,
    day: Tag,
    clock: Tag,
    offset_s: Option<i32>,
) -> Option<(Moment, bool)> {
    let date = date(reader, day)?;
    let text = "A time is malformed; midnight is used.";
    let time = checked(reader, clock, RemarkCode::TimeInvalid, text, time::time);
    let moment = Moment {
        local: date.and_time(time.unwrap_or(NaiveTime::MIN)),
        offset_s,
    };
    Some((moment, time.is_some()))
}

/// PS3.3 C.7.3.1 gives R and L, C.8.17.12 B as well.
fn lateralities(reader: &mut Reader<'_, '_>) -> Vec<(&'static str, char)> {
    let tags = [
        ("(0020,0060)", tags::LATERALITY),
        ("(0024,0113)", tags::MEASUREMENT_LATERALITY),
    ];
    let text = "The attribute for the side is none of R, L and B and is left out.";
    let side = |text: &str| match text {
        "R" | "L" | "B" => text.chars().next(),
        _ => None,
    };
    let given = tags.map(|(name, tag)| {
        let code = RemarkCode::LateralityAttributeUnknown;
        Some((name, checked(reader, tag, code, text, side)?))
    });
    given.into_iter().flatten().collect()
}

fn predecessors(reader: &mut Reader<'_, '_>) -> Vec<String> {
    let sequence = tags::PREDECESSOR_DOCUMENTS_SEQUENCE;
    let named = |instance: &mut Reader<'_, '_>| instance.uid(tags::REFERENCED_SOP_INSTANCE_UID);
    referenced(reader, sequence, named)
}

fn evidence(reader: &mut Reader<'_, '_>) -> Vec<String> {
    // A malformed one says nothing; the report is no worse for it.
    let class = |instance: &mut Reader<'_, '_>| instance.text(tags::REFERENCED_SOP_CLASS_UID);
    let mut classes = |sequence| referenced(reader, sequence, class);
    let current = classes(tags::CURRENT_REQUESTED_PROCEDURE_EVIDENCE_SEQUENCE);
    if current.is_empty() {
        classes(tags::PERTINENT_OTHER_EVIDENCE_SEQUENCE)
    } else {
        current
    }
}

/// What the hierarchical references of a macro name (PS3.3 C.17.2.1), sorted, each once.
fn referenced(
    reader: &mut Reader<'_, '_>,
    sequence: Tag,
    of: impl Fn(&mut Reader<'_, '_>) -> Option<String>,
) -> Vec<String> {
    let mut named = BTreeSet::new();
    for study in reader.items(sequence) {
        let mut study = reader.inside(study);
        for series in study.items(tags::REFERENCED_SERIES_SEQUENCE) {
            let mut series = study.inside(series);
            for instance in series.items(tags::REFERENCED_SOP_SEQUENCE) {
                named.extend(of(&mut series.inside(instance)));
            }
        }
    }
    named.into_iter().collect()
}
