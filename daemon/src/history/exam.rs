//! One exam from all reports of its study.

use super::{DATE_IMPLAUSIBLE, Identity, Successors, modality};
use crate::domain::{
    Border, Device, Label, Measurement, Modality, Moment, ObjectReading, OpeningPressure,
    PatientKey, Quantity, Remark,
};
use crate::normalise::settle;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

/// Code of the remark on values of a replaced report.
pub(crate) const SUPERSEDED: &str = "superseded";

/// One report of an exam.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ObjectUse {
    /// SOP Instance UID.
    pub sop_instance_uid: String,
    /// Content hash, whatever the transfer syntax.
    pub content_sha256: Option<String>,
    /// Template that understood it.
    pub template: Option<String>,
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

/// One study of one patient: all usable measurements, from however many reports.
#[derive(Debug, Clone, PartialEq)]
pub struct Exam {
    /// Our name of the exam: `E` and 16 hex digits, from patient and study.
    pub id: String,
    /// Study Instance UID.
    pub study_instance_uid: String,
    /// The id that its reports came under; where ids are joined and there are several, the first.
    pub patient: PatientKey,
    /// Birth date and sex as its reports agree on them.
    pub identity: Identity,
    /// When it was done: the earliest of what its reports say.
    pub performed_at: Moment,
    /// Who measured; `None` when unknown or more than one.
    pub operator: Option<String>,
    /// With which machine; empty when unknown or more than one.
    pub device: Device,
    /// Accession number.
    pub accession: Option<String>,
    /// What a person says of it.
    pub label: Option<Label>,
    /// Opening pressure that a person recorded with it.
    pub opening_pressure: Option<OpeningPressure>,
    /// Borders measured between, when known.
    pub definition: Option<Border>,
    /// Kind of imaging of the values that can be used; of all values where none can.
    pub modality: Modality,
    /// Its reports, by SOP Instance UID.
    pub objects: Vec<ObjectUse>,
    /// All its values, by report and place.
    pub measurements: Vec<ExamMeasurement>,
    /// What a reader must know about the exam as a whole.
    pub remarks: Vec<Remark>,
}

/// Our name of an exam. A hash, since a study UID may be hostile and is no file name.
#[must_use]
pub fn exam_id(patient: &PatientKey, study_instance_uid: &str) -> String {
    let mut hash = Sha256::new();
    for part in [&patient.issuer, &patient.id, study_instance_uid] {
        hash.update((part.len() as u64).to_be_bytes());
        hash.update(part.as_bytes());
    }
    hash.finalize()
        .iter()
        .take(8)
        .fold(String::from("E"), |id, byte| format!("{id}{byte:02x}"))
}

impl Exam {
    /// The exam of a study; `None` when no report names patient and time.
    pub(super) fn of(
        study: &str,
        mut readings: Vec<&ObjectReading>,
        successors: &Successors<'_>,
    ) -> Option<Exam> {
        readings.sort_by_key(|reading| &reading.sop_instance_uid);
        // A corrected report corrects date, identity and operator too, so a replaced one has no say.
        let replaced = |r: &&&ObjectReading| {
            r.sop_instance_uid
                .as_ref()
                .is_some_and(|uid| !successors.replacing(uid).is_empty())
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
        let mut exam = Exam {
            id: exam_id(&patient, study),
            study_instance_uid: study.to_owned(),
            patient,
            identity: Identity::agreed(
                speaking
                    .iter()
                    .filter_map(|r| r.patient.as_ref())
                    .map(Identity::from),
            ),
            performed_at: speaking
                .iter()
                .filter_map(|r| r.exam.as_ref()?.performed_at)
                .min_by_key(|at| (at.local, at.offset_s))?,
            operator: facts.operator.one().cloned(),
            device: facts.device.one().cloned().unwrap_or_default(),
            accession: facts.accession.one().cloned(),
            label: None,
            opening_pressure: None,
            definition: None,
            modality: Modality::default(),
            objects: Vec::new(),
            measurements: Vec::new(),
            remarks: Vec::new(),
        };
        for reading in &readings {
            exam.add(reading, successors);
        }
        exam.settle();
        if facts.operator.many {
            exam.remarks.push(Remark::caution(
                "operators-differ",
                "Reports of this exam name different operators; it counts as one of unknown operator.",
            ));
        }
        if facts.device.many {
            exam.remarks.push(Remark::caution(
                "devices-differ",
                "Reports of this exam name different devices; it counts as one of unknown device.",
            ));
        }
        exam.remarks.extend(exam.pooled());
        if exam.identity.contradictory {
            exam.remarks.push(
                Remark::blocking(
                    "identity-contradictory",
                    "Reports of this exam give different birth dates or sexes for one patient id.",
                )
                .act("Find out whose reports they are and send corrected ones."),
            );
        }
        Some(exam)
    }

    fn add(&mut self, reading: &ObjectReading, successors: &Successors<'_>) {
        let Some(uid) = reading.sop_instance_uid.clone() else {
            return;
        };
        let superseded_by = successors.replacing(&uid);
        let mut values = reading.measurements.clone();
        if let Some(by) = superseded_by.first() {
            for value in &mut values {
                value.set_aside(Remark::info(
                    SUPERSEDED,
                    format!("Replaced by report {by}."),
                ));
            }
        } else if let Some(by) = successors.naming_without_values(&uid).first() {
            self.remarks.push(
                Remark::caution(
                    "amended-without-values",
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
            superseded_by,
            remarks: reading.remarks.clone(),
            came_under: None,
        });
    }

    /// A caution when values of several standing reports are used together.
    fn pooled(&self) -> Option<Remark> {
        let used = |object: &&ObjectUse| {
            self.measurements.iter().any(|m| {
                m.object == object.sop_instance_uid
                    && m.value.usable
                    && m.value.quantity == Quantity::SheathDiameter
            })
        };
        let reports = self.objects.iter().filter(used).count();
        (reports > 1).then(|| {
            Remark::caution(
                "reports-pooled",
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
                .all(|remark| remark.code != SUPERSEDED)
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
                value.value.set_aside(Remark::blocking(
                    "borders-mixed",
                    "Values of this exam were taken between different borders, which differ by about 0.8 mm.",
                ));
            }
        }
    }

    /// Whether it is dated after it was received, and nobody has corrected or confirmed the date.
    #[must_use]
    pub fn is_date_doubted(&self) -> bool {
        let mut remarks = self.remarks.iter();
        remarks.any(|remark| remark.code == DATE_IMPLAUSIBLE)
    }

    /// Usable sheath readings, by report and place.
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
