//! One exam from all reports of its study.

use super::clock::Stamp;
use super::replacing::Replacing;
use super::sessions::{self, Part, Session};
use super::{Identity, modality, remarks};
use crate::domain::{
    Border, Device, Label, Measurement, Modality, Moment, ObjectReading, OpeningPressure,
    PatientKey, Quantity, Remark, RemarkCode,
};
use crate::normalise::settle;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use std::collections::BTreeSet;

/// One report of an exam.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ObjectUse {
    /// SOP Instance UID.
    pub sop_instance_uid: String,
    /// Content hash, whatever the transfer syntax.
    pub content_sha256: Option<String>,
    /// Template that understood it.
    pub template: Option<String>,
    /// Site dictionaries that explained something of it.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub dictionaries: Vec<String>,
    /// Reports that replace it; empty when it stands.
    pub superseded_by: Vec<String>,
    /// Remarks on the report as a whole.
    pub remarks: Vec<Remark>,
    /// The patient id it came under, where several are joined.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub came_under: Option<PatientKey>,
}

/// One value of an exam with the report it comes from.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ExamMeasurement {
    /// SOP Instance UID of the report.
    pub object: String,
    /// The value.
    #[serde(flatten)]
    pub value: Measurement,
}

/// One scanning session of one patient: all its measurements, from however many reports.
#[derive(Debug, Clone, PartialEq)]
pub struct Exam {
    /// Our name of the exam: `E` and 16 hex digits, from patient and study, and of a later session of
    /// a study from the time of its first reading too.
    pub id: String,
    /// Study Instance UID.
    pub study_instance_uid: String,
    /// The id that its reports came under; where ids are joined and there are several, the first.
    pub patient: PatientKey,
    /// Birth date and sex as its reports agree on them.
    pub identity: Identity,
    /// When it was done: its first reading.
    pub performed_at: Moment,
    /// Who measured; `None` when unknown or more than one.
    pub operator: Option<String>,
    /// With which machine; empty when unknown or more than one.
    pub device: Device,
    /// Accession number.
    pub accession: Option<String>,
    /// What a person says of it.
    pub label: Option<Label>,
    /// A person says that it serves nobody as baseline.
    pub left_out: bool,
    /// Opening pressure that a person recorded with it.
    pub opening_pressure: Option<OpeningPressure>,
    /// Borders measured between, when known.
    pub definition: Option<Border>,
    /// Kind of imaging of the values that can be used; of all values where none can.
    pub modality: Modality,
    /// Its reports, in the order of their first values' time.
    pub objects: Vec<ObjectUse>,
    /// All its values, in the order of time; of one time by report and place.
    pub measurements: Vec<ExamMeasurement>,
    /// What a reader must know about the exam as a whole.
    pub remarks: Vec<Remark>,
}

/// Our name of the first session of a study. A hash, since a study UID may be hostile and is no file
/// name.
#[must_use]
pub fn exam_id(patient: &PatientKey, study_instance_uid: &str) -> String {
    name(&[&patient.issuer, &patient.id, study_instance_uid])
}

/// Our name of a later session of a study: of the time of its first reading too.
#[must_use]
pub fn session_id(patient: &PatientKey, study_instance_uid: &str, first: Moment) -> String {
    let first = first.to_string();
    name(&[&patient.issuer, &patient.id, study_instance_uid, &first])
}

fn name(parts: &[&str]) -> String {
    let mut hash = Sha256::new();
    for part in parts {
        hash.update((part.len() as u64).to_be_bytes());
        hash.update(part.as_bytes());
    }
    hash.finalize()
        .iter()
        .take(8)
        .fold(String::from("E"), |id, byte| format!("{id}{byte:02x}"))
}

impl Exam {
    /// The exam of a session; `None` when no report names patient and time.
    pub(super) fn of(
        study: &str,
        session: &Session<'_>,
        replacing: &Replacing<'_>,
    ) -> Option<Exam> {
        let readings: Vec<&ObjectReading> = session.parts.iter().map(|part| part.reading).collect();
        // A corrected report corrects date, identity and operator too, so a replaced one has no say.
        let replaced = |r: &&&ObjectReading| {
            let uid = r.sop_instance_uid.as_ref();
            uid.is_some_and(|uid| replacing.by(uid).next().is_some())
        };
        let mut speaking: Vec<&ObjectReading> =
            readings.iter().filter(|r| !replaced(r)).copied().collect();
        if speaking.is_empty() {
            speaking.clone_from(&readings);
        }
        // Where ids are joined, reports of one study may stand under several.
        let keys = speaking.iter().filter_map(|r| r.patient.as_ref());
        let patient = keys.map(|patient| &patient.key).min()?.clone();
        let mut facts = Agreement::default();
        for fact in speaking.iter().filter_map(|r| r.exam.as_ref()) {
            facts.operator.see(fact.operator.as_ref());
            facts
                .device
                .see((fact.device != Device::default()).then_some(&fact.device));
            facts.accession.see(fact.accession.as_ref());
        }
        let performed_at = sessions::performed_at(session, &speaking)?;
        let mut exam = Exam {
            id: if session.is_first {
                exam_id(&patient, study)
            } else {
                session_id(&patient, study, performed_at)
            },
            study_instance_uid: study.to_owned(),
            patient,
            identity: Identity::agreed(
                speaking
                    .iter()
                    .filter_map(|r| r.patient.as_ref())
                    .map(Identity::from),
            ),
            performed_at,
            operator: facts.operator.one().cloned(),
            device: facts.device.one().cloned().unwrap_or_default(),
            accession: facts.accession.one().cloned(),
            label: None,
            left_out: false,
            opening_pressure: None,
            definition: None,
            modality: Modality::default(),
            objects: Vec::new(),
            measurements: Vec::new(),
            remarks: Vec::new(),
        };
        for part in &session.parts {
            exam.add(part, replacing);
        }
        exam.put_in_order(session);
        exam.settle();
        if facts.operator.many {
            exam.remarks.push(Remark::of(
                RemarkCode::OperatorsDiffer,
                "Reports of this exam name different operators; it counts as one of unknown operator.",
            ));
        }
        if facts.device.many {
            exam.remarks.push(Remark::of(
                RemarkCode::DevicesDiffer,
                "Reports of this exam name different devices; it counts as one of unknown device.",
            ));
        }
        exam.remarks.extend(exam.pooled());
        exam.remarks.extend(remarks::of_session(session, replacing));
        if exam.identity.contradictory {
            exam.remarks.push(
                Remark::of(
                    RemarkCode::IdentityContradictory,
                    "Reports of this exam give different birth dates or sexes for one patient id.",
                )
                .act("Find out whose reports they are and send corrected ones."),
            );
        }
        Some(exam)
    }

    fn add(&mut self, part: &Part<'_>, replacing: &Replacing<'_>) {
        let reading = part.reading;
        let Some(uid) = reading.sop_instance_uid.clone() else {
            return;
        };
        let superseded_by: Vec<String> = replacing.by(&uid).map(str::to_owned).collect();
        let values = part.values.iter();
        let values = values.filter_map(|(value, _)| reading.measurements.get(*value));
        let mut values: Vec<Measurement> = values.cloned().collect();
        let aside = match superseded_by.first() {
            Some(by) => Some(Remark::of(
                RemarkCode::Superseded,
                format!("Replaced by report {by}."),
            )),
            None if replacing.is_in_circle(&uid) => Some(remarks::in_circle()),
            None if part.doubted => Some(remarks::untimed()),
            None => None,
        };
        for value in &mut values {
            if let Some(remark) = &aside {
                value.set_aside(remark.clone());
            }
        }
        let amending = replacing.without_values(&uid).next();
        if let Some(by) = amending.filter(|_| superseded_by.is_empty()) {
            self.remarks.push(
                Remark::of(
                    RemarkCode::AmendedWithoutValues,
                    format!(
                        "Report {by} names {uid} as its predecessor and holds no sheath value; \
                         the values of {uid} are still used."
                    ),
                )
                .act("If they were withdrawn, send a report that says so in numbers, or remove the label."),
            );
        }
        self.measurements
            .extend(values.into_iter().map(|value| ExamMeasurement {
                object: uid.clone(),
                value,
            }));
        self.objects.push(ObjectUse {
            sop_instance_uid: uid,
            content_sha256: reading.content_sha256.clone(),
            template: reading.template.clone(),
            dictionaries: reading.dictionaries.clone(),
            superseded_by,
            remarks: reading.remarks.clone(),
            came_under: None,
        });
    }

    /// Values, and reports, in the order of time; those without one last, by report and place.
    fn put_in_order(&mut self, session: &Session<'_>) {
        let order = |stamp: Option<Stamp>| {
            let at = stamp.map(|stamp| (stamp.at.local, stamp.at.offset_s));
            (at.is_none(), at)
        };
        // Values stand as `add` put them: part after part.
        let stamps = session.parts.iter().flat_map(|part| &part.values);
        let mut values: Vec<_> = stamps
            .map(|(_, stamp)| order(*stamp))
            .zip(std::mem::take(&mut self.measurements))
            .collect();
        values.sort_by_key(|(at, _)| *at);
        self.measurements = values.into_iter().map(|(_, value)| value).collect();
        let firsts = session.parts.iter().map(|part| {
            let stamps = part.values.iter().map(|(_, stamp)| order(*stamp));
            stamps.min()
        });
        let mut objects: Vec<_> = firsts.zip(std::mem::take(&mut self.objects)).collect();
        objects.sort_by_key(|(at, _)| *at);
        self.objects = objects.into_iter().map(|(_, object)| object).collect();
    }

    /// A caution when values of several standing reports are used together.
    fn pooled(&self) -> Option<Remark> {
        let used: BTreeSet<&str> = self
            .measurements
            .iter()
            .filter(|m| m.value.usable && m.value.quantity == Quantity::SheathDiameter)
            .map(|m| m.object.as_str())
            .collect();
        let reports = used.len();
        (reports > 1).then(|| {
            Remark::of(
                RemarkCode::ReportsPooled,
                format!("Readings of {reports} reports of this exam are used together."),
            )
            .act("If one was made to replace another, it does not say so: send it with its predecessor named.")
        })
    }

    /// Counts nothing twice across reports and refuses to mix kinds of imaging and border
    /// definitions.
    fn settle(&mut self) {
        self.modality = modality::separate(&mut self.measurements);
        // A replaced value has no say: its successor often keeps its Observation UID.
        let standing = |m: &&mut ExamMeasurement| {
            m.value
                .remarks
                .iter()
                .all(|remark| remark.code != RemarkCode::Superseded)
        };
        settle(
            self.measurements
                .iter_mut()
                .filter(standing)
                .map(|m| &mut m.value),
        );
        let mut definition = Seen::default();
        for value in self.readings() {
            definition.see(value.definition.as_ref());
        }
        let (one, many) = (definition.one().copied(), definition.many);
        self.definition = one;
        if many {
            for value in self.measurements.iter_mut().filter(|m| m.value.usable) {
                value.value.set_aside(Remark::of(
                    RemarkCode::BordersMixed,
                    "Values of this exam were taken between different borders, which differ by about 0.8 mm.",
                ));
            }
        }
    }

    /// Whether it is dated after it was received, and nobody has corrected or confirmed the date.
    #[must_use]
    pub fn is_date_doubted(&self) -> bool {
        let mut remarks = self.remarks.iter();
        remarks.any(|remark| remark.code == RemarkCode::DateImplausible)
    }

    /// Usable sheath readings, in the order of time.
    pub fn readings(&self) -> impl Iterator<Item = &Measurement> {
        self.measurements
            .iter()
            .map(|m| &m.value)
            .filter(|m| m.usable && m.quantity == Quantity::SheathDiameter)
    }
}

#[derive(Default)]
struct Agreement<'a> {
    operator: Seen<'a, String>,
    device: Seen<'a, Device>,
    accession: Seen<'a, String>,
}

/// One value that all who speak agree on, or the knowledge that they do not.
struct Seen<'a, T> {
    first: Option<&'a T>,
    many: bool,
}

impl<T> Default for Seen<'_, T> {
    fn default() -> Self {
        Seen {
            first: None,
            many: false,
        }
    }
}

impl<'a, T: PartialEq> Seen<'a, T> {
    fn see(&mut self, value: Option<&'a T>) {
        match (self.first, value) {
            (Some(first), Some(value)) => self.many |= first != value,
            (None, Some(value)) => self.first = Some(value),
            (_, None) => {}
        }
    }

    fn one(&self) -> Option<&'a T> {
        self.first.filter(|_| !self.many)
    }
}
