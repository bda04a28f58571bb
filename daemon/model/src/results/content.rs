//! What a result says, before anyone decides how it looks.

mod not_compared;

pub use not_compared::NotCompared;

use super::cautions::{self, Caution};
use crate::assess::{Assessment, Basis, Counted, Course, Parameters, Status};
use crate::companions::{self, Companions};
use crate::domain::time::written;
use crate::domain::{
    Border, Device, Event, Eye, Label, Millimetres, Modality, Moment, OpeningPressure, PatientKey,
    Quantity, Remark, RemarkCode, Sex,
};
use crate::history::{Exam, ExamMeasurement, ObjectUse};
use crate::identity::{Merge, Person};
use crate::literature::{self, Published};
use crate::normalise::Technique;
use chrono::{NaiveDate, NaiveTime};
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

/// The patient of a result.
#[derive(Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ResultPatient {
    /// Issuer of the id; empty when nobody names one.
    pub issuer: String,
    /// The id.
    pub id: String,
    /// Birth date, if known.
    pub birth_date: Option<NaiveDate>,
    /// Sex, if known.
    pub sex: Option<Sex>,
}

/// An id with its issuer, for people.
fn named(key: &PatientKey) -> String {
    match key.issuer.as_str() {
        "" => format!("{} (no issuer named)", key.id),
        issuer => format!("{} ({issuer})", key.id),
    }
}

/// The exam of a result.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ResultExam {
    /// Our name of it.
    pub id: String,
    /// Study Instance UID.
    pub study_instance_uid: String,
    /// Accession number.
    pub accession: Option<String>,
    /// When it was done.
    pub performed_at: Moment,
    /// Who measured.
    pub operator: Option<String>,
    /// With which machine.
    pub device: Device,
    /// Borders measured between.
    pub definition: Option<Border>,
    /// Kind of imaging. `unspecified` also in results made before this was told.
    #[serde(default)]
    pub modality: Modality,
    /// What a person says of it.
    pub label: Option<Label>,
    /// Opening pressure that a person recorded with it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub opening_pressure: Option<OpeningPressure>,
    /// It came from an archive's history or a table of old values alone, long after it was done: historical, not delivered automatically.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub history_only: bool,
    /// How operator and device counted, where the site knows something of them.
    #[serde(default, skip_serializing_if = "Counted::is_empty")]
    pub counted: Counted,
}

/// One exam of the baseline a result rests on.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BaselineExam {
    /// Our name of it.
    pub exam: String,
    /// The day it was done.
    pub date: NaiveDate,
    /// The time of day, when it is told.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub time: Option<NaiveTime>,
    /// What a person says of it.
    pub label: Option<Label>,
    /// Who measured.
    pub operator: Option<String>,
    /// Usable readings of the right eye, millimetres, in the order of the reports.
    pub right_mm: Vec<Millimetres>,
    /// The same of the left eye.
    pub left_mm: Vec<Millimetres>,
    /// How operator and device counted, where the site knows something of them.
    #[serde(default, skip_serializing_if = "Counted::is_empty")]
    pub counted: Counted,
}

/// All that a result says. Equal contents have equal keys.
#[derive(Clone, PartialEq, Serialize, Deserialize)]
pub struct Content {
    /// Whose. Of several ids the surviving one.
    pub patient: ResultPatient,
    /// The merges that join several ids, if there are any, by id.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub joined: Vec<Merge>,
    /// Which exam.
    pub exam: ResultExam,
    /// Its reports, replaced ones included.
    pub reports: Vec<ObjectUse>,
    /// Values that entered the assessment.
    pub measurements_used: Vec<ExamMeasurement>,
    /// Values kept and not used; their remarks say why.
    pub measurements_not_used: Vec<ExamMeasurement>,
    /// The comparison.
    pub assessment: Assessment,
    /// What stands beside the comparison and never changes its status.
    #[serde(default, skip_serializing_if = "Course::is_empty")]
    pub course: Course,
    /// What the exam measured beside the sheath.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub companions: Option<Companions>,
    /// Published figures, when the site shows them; no part of the comparison.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub context: Option<Published>,
    /// The exams it rests on, oldest first.
    pub baseline: Vec<BaselineExam>,
    /// Earlier exams that did not serve, oldest first.
    pub not_compared: Vec<NotCompared>,
    /// Dated facts of the patient up to the exam.
    pub events: Vec<Event>,
    /// What a reader must know about the exam as a whole.
    pub remarks: Vec<Remark>,
    /// Cautions that apply.
    pub cautions: Vec<Caution>,
    /// What would change the result if it became known.
    pub would_change: Vec<String>,
    /// Parameters of the comparison.
    pub parameters: Parameters,
    /// Limits of technique.
    pub technique: Technique,
}

/// What the rendering needs beside the exam and its assessment.
#[derive(Debug, Clone, Copy)]
pub struct Context<'a> {
    /// Under which ids the person is known; `None`: under that of the exams.
    pub person: Option<&'a Person>,
    /// All exams of the patient, to show the baseline from.
    pub exams: &'a [Exam],
    /// Dated facts of the patient, by date.
    pub events: &'a [Event],
    /// Parameters of the comparison.
    pub parameters: &'a Parameters,
    /// Limits of technique.
    pub technique: &'a Technique,
    /// Whether published figures are shown.
    pub published: bool,
}

/// The content of one exam's result.
#[must_use]
pub fn content(
    exam: &Exam,
    assessment: Assessment,
    course: Course,
    context: Context<'_>,
) -> Content {
    let (used, not_used): (Vec<_>, Vec<_>) = exam
        .measurements
        .iter()
        .filter(|m| m.value.quantity == Quantity::SheathDiameter)
        .cloned()
        .partition(|m| m.value.usable);
    let date = exam.performed_at.date();
    let baseline = context
        .exams
        .iter()
        .filter(|other| assessment.baseline.contains(&other.id))
        .map(baseline_exam)
        .collect();
    let mut not_compared: Vec<NotCompared> = assessment
        .set_aside
        .iter()
        .filter_map(|aside| {
            let other = context.exams.iter().find(|other| other.id == aside.exam)?;
            let alone = assessment.status == Status::NotComparable;
            Some(NotCompared::of(other, aside.reason.clone(), alone))
        })
        .collect();
    let order = |one: &NotCompared| (one.date, one.time, one.exam.clone());
    not_compared.sort_by_key(order);
    let person = context.person;
    let key = person.map_or(&exam.patient, |person| &person.surviving);
    let mut content = Content {
        joined: person.map_or(Vec::new(), |person| person.merges.clone()),
        patient: ResultPatient {
            issuer: key.issuer.clone(),
            id: key.id.clone(),
            birth_date: exam.identity.birth_date,
            sex: exam.identity.sex,
        },
        exam: ResultExam {
            id: exam.id.clone(),
            study_instance_uid: exam.study_instance_uid.clone(),
            accession: exam.accession.clone(),
            performed_at: exam.performed_at,
            operator: exam.operator.clone(),
            device: exam.device.clone(),
            definition: exam.definition,
            modality: exam.modality,
            label: exam.label,
            opening_pressure: exam.opening_pressure.clone(),
            history_only: false,
            counted: Counted::default(),
        },
        reports: exam.objects.clone(),
        measurements_used: used,
        measurements_not_used: not_used,
        companions: companions::of(exam, &assessment.baseline, context.exams),
        context: None,
        course,
        assessment,
        baseline,
        not_compared,
        events: context
            .events
            .iter()
            .filter(|event| event.date <= date)
            .copied()
            .collect(),
        remarks: exam.remarks.clone(),
        cautions: Vec::new(),
        would_change: Vec::new(),
        parameters: *context.parameters,
        technique: *context.technique,
    };
    // The published figures are of ultrasound.
    content.context = (context.published && !exam.modality.is_foreign())
        .then(|| literature::beside(content.measured_mm(), content.age_years()));
    content.cautions = cautions::of(&content);
    content.would_change = would_change(&content);
    content
}

/// Usable readings of one eye, in the order of the reports.
fn values(exam: &Exam, eye: Eye) -> Vec<Millimetres> {
    let of_eye = exam.readings().filter(|m| m.eye.eye() == Some(eye));
    of_eye.filter_map(|m| m.value_mm).collect()
}

fn baseline_exam(exam: &Exam) -> BaselineExam {
    BaselineExam {
        exam: exam.id.clone(),
        date: exam.performed_at.date(),
        time: exam.performed_at.time(),
        label: exam.label,
        operator: exam.operator.clone(),
        right_mm: values(exam, Eye::Right),
        left_mm: values(exam, Eye::Left),
        counted: Counted::default(),
    }
}

impl Content {
    /// Age at the exam in years of 365.25 days.
    #[must_use]
    pub fn age_years(&self) -> Option<f64> {
        let born = self.patient.birth_date?;
        let days = (self.exam.performed_at.date() - born).num_days();
        (days >= 0).then_some(days as f64 / 365.25)
    }

    /// What the baseline rests on, by the labels of its exams where the result was made before it was
    /// told.
    #[must_use]
    pub fn basis(&self) -> Basis {
        let mut exams = self.baseline.iter();
        let told = || match self.baseline.is_empty() {
            true => Basis::None,
            false if exams.any(|exam| exam.label.is_some()) => Basis::Confirmed,
            false => Basis::Provisional,
        };
        self.assessment.basis.unwrap_or_else(told)
    }

    /// Whether a report that stands calls itself partial or preliminary.
    #[must_use]
    pub fn is_preliminary(&self) -> bool {
        let standing = self.reports.iter();
        standing
            .filter(|report| report.superseded_by.is_empty())
            .flat_map(|report| &report.remarks)
            .any(|remark| {
                matches!(
                    remark.code,
                    RemarkCode::DocumentPartial | RemarkCode::DocumentPreliminary
                )
            })
    }

    /// Mean of both eyes, or the only eye measured, mm.
    fn measured_mm(&self) -> Option<f64> {
        let rows = &self.assessment.rows;
        let row = rows.both.or(rows.right).or(rows.left);
        row.map(|row| row.measured_mm)
    }

    /// Whether the exam is dated after it was received, and nobody has corrected or confirmed it.
    #[must_use]
    pub fn is_date_doubted(&self) -> bool {
        let mut remarks = self.remarks.iter();
        remarks.any(|remark| remark.code == RemarkCode::DateImplausible)
    }

    /// Remarks that something at the eye was left unread.
    pub(crate) const UNREAD: [RemarkCode; 2] = [RemarkCode::ValuesUnread, RemarkCode::LeftUnread];

    /// The remark that something at the eye was left unread of the exam: of the other eye, or of any.
    #[must_use]
    pub fn unread(&self) -> Option<&Remark> {
        let mut remarks = self.remarks.iter();
        remarks.find(|remark| Self::UNREAD.contains(&remark.code))
    }

    /// The ids that were joined: a line for each merge, and one for each report that came under
    /// another id.
    #[must_use]
    pub fn joined_lines(&self) -> Vec<String> {
        let merge = |merge: &Merge| {
            let since = merge.since.format("%Y-%m-%d %H:%M UTC");
            let (from, into) = (named(&merge.from), named(&merge.into));
            format!("{from} was merged into {into}, since {since}.")
        };
        let other = |report: &ObjectUse| {
            let under = report.came_under.as_ref()?;
            let patient = &self.patient;
            ((&under.id, &under.issuer) != (&patient.id, &patient.issuer)).then(|| {
                let uid = &report.sop_instance_uid;
                format!("Report {uid} of this exam came under {}.", named(under))
            })
        };
        let merges = self.joined.iter().map(merge);
        merges
            .chain(self.reports.iter().filter_map(other))
            .collect()
    }

    /// Idempotency key: equal for equal contents, whenever and however often they are made.
    ///
    /// # Errors
    ///
    /// When the content cannot be written as JSON, which only a number that is none can cause.
    pub fn key(&self) -> Result<String, serde_json::Error> {
        let hash = Sha256::digest(serde_json::to_vec(self)?);
        Ok(hash
            .iter()
            .take(16)
            .fold(String::new(), |key, byte| format!("{key}{byte:02x}")))
    }
}

fn would_change(content: &Content) -> Vec<String> {
    let mut lines = Vec::new();
    let unlabelled: Vec<String> = content
        .baseline
        .iter()
        .filter(|exam| exam.label.is_none())
        .map(|exam| written(exam.date, exam.time))
        .collect();
    if !unlabelled.is_empty() {
        lines.push(format!(
            "A label for the earlier exams of {}. Label each as well or raised; an exam labelled \
             raised confirmed is no longer used.",
            unlabelled.join(", ")
        ));
    }
    if content.exam.operator.is_none() {
        lines.push("The name of the operator: known to be the same, the interval narrows.".into());
    }
    if content.exam.device == Device::default() {
        lines.push("The device: known to be the same, the interval narrows.".into());
    }
    if content.patient.birth_date.is_none() {
        lines.push("The birth date: without it growth only widens the interval.".into());
    }
    if content
        .measurements_not_used
        .iter()
        .any(|m| m.value.eye.eye().is_none())
    {
        lines.push("A corrected report that settles the side of the unresolved values.".into());
    }
    let reports = content.reports.iter().flat_map(|report| &report.remarks);
    if reports
        .into_iter()
        .any(|remark| remark.code == RemarkCode::GeometryNotComputed)
    {
        lines.push(
            "The calibrated pictures that the calipers were drawn in, with the nerve's axis: they \
             would show angle and depth."
                .into(),
        );
    }
    lines.push("A late, repeated or amended report of this exam or of an earlier one.".into());
    lines.push("An event of the patient not recorded yet (surgery, shunt revision).".into());
    lines
}
