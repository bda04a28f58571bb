//! The one line by which an exam is shown in lists.

use super::{Rise, Stands, VersionFacts, Worse, rise};
use crate::annotations::{Entry, Said};
use crate::assess::{Assessment, DecidedBy, Notice, Reason, Status, rounded};
use crate::domain::{Device, Label, Moment, PatientKey, Sex};
use crate::results::{Content, phrases};
use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};

/// How a second reading of an exam stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Second {
    /// It is asked for.
    Asked,
    /// It was made, and nobody has judged it.
    Read,
    /// It was judged.
    Judged,
}

/// Why an exam was not compared, as lists tell such exams apart.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Uncompared {
    /// There is nothing earlier of this patient to compare with.
    First,
    /// For a reason that somebody may mend, or that lies in how it was measured.
    Other,
}

impl Uncompared {
    /// The word of the store.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Uncompared::First => "first",
            Uncompared::Other => "other",
        }
    }
}

/// The newest version of an exam's result as lists show it.
///
/// `Debug` hides whose it is.
#[derive(Clone, PartialEq, Serialize, Deserialize)]
pub struct Line {
    /// The exam.
    pub exam_id: String,
    /// The patient; of several ids the surviving one.
    pub patient: PatientKey,
    /// The name as the report writes it, where it has one.
    pub name: Option<String>,
    /// Birth date, if known.
    pub birth_date: Option<NaiveDate>,
    /// Sex, if known.
    pub sex: Option<Sex>,
    /// Accession number.
    pub accession: Option<String>,
    /// When it was done.
    pub performed_at: Moment,
    /// When the first version of its result was made.
    pub first_at: DateTime<Utc>,
    /// The newest version.
    pub version: u32,
    /// Its status.
    pub status: Status,
    /// Whether it is flagged.
    pub flagged: bool,
    /// Why there is no comparison.
    pub reason: Option<Reason>,
    /// There is nothing earlier of this patient, used or not, that it could be compared with.
    #[serde(default)]
    pub first: bool,
    /// Why it was not compared, in words, as its result says it; `None` also in lines of before.
    #[serde(default)]
    pub why: Option<String>,
    /// Doubts about what was measured.
    pub doubts: Vec<Notice>,
    /// The date cannot be right.
    #[serde(default)]
    pub date_doubted: bool,
    /// Of which eye the numbers are: `right`, `left`, `both`, or `since_event`.
    pub eye_word: Option<String>,
    /// Measured width, mm.
    #[serde(serialize_with = "rounded::optional")]
    pub measured_mm: Option<f64>,
    /// Expected width, mm.
    #[serde(serialize_with = "rounded::optional")]
    pub expected_mm: Option<f64>,
    /// Measured less expected, mm.
    #[serde(serialize_with = "rounded::optional")]
    pub change_mm: Option<f64>,
    /// The change in units of its SD.
    #[serde(serialize_with = "rounded::optional")]
    pub z: Option<f64>,
    /// Who measured.
    pub operator: Option<String>,
    /// With which machine, in one text.
    pub device: Option<String>,
    /// What a person says of it.
    pub label: Option<Label>,
    /// How its rise stands.
    pub rise: Option<Rise>,
    /// Since when.
    pub rise_since: Option<DateTime<Utc>>,
    /// Why it is new although somebody has seen it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub worse: Option<Worse>,
    /// It came from the history of an archive alone, or was brought in as an old value.
    pub history_only: bool,
    /// How a second reading stands.
    pub second: Option<Second>,
    /// A person says that it serves nobody as baseline.
    #[serde(default)]
    pub left_out: bool,
    /// Where it was measured, as the report says.
    pub location: Option<String>,
    /// The report that name and place were read from.
    #[serde(default)]
    pub named_by: Option<String>,
}

impl std::fmt::Debug for Line {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Line")
            .field("exam_id", &self.exam_id)
            .field("version", &self.version)
            .field("rise", &self.rise.as_ref().map(Rise::word))
            .finish_non_exhaustive()
    }
}

/// What a line is made of.
#[derive(Clone, Copy)]
pub struct Makings<'a> {
    /// The newest version that can be read.
    pub content: &'a Content,
    /// All versions of the exam.
    pub versions: &'a [VersionFacts],
    /// What counts of what was said of the exam.
    pub entries: &'a [&'a Entry],
}

impl Line {
    /// The line of an exam, without name and place; `None` where nothing is left to show: the exam was
    /// withdrawn, and nobody has to be told.
    #[must_use]
    pub fn of(makings: Makings<'_>) -> Option<Line> {
        let Makings {
            content,
            versions,
            entries,
        } = makings;
        let newest = versions.iter().max_by_key(|one| one.version)?;
        let oldest = versions.iter().min_by_key(|one| one.version)?;
        let (exam, assessment) = (&content.exam, &content.assessment);
        let rise = rise(versions, entries).filter(|_| !exam.history_only);
        if assessment.reason == Some(Reason::Withdrawn) && rise.is_none() {
            return None;
        }
        let row = assessment.decided();
        let undecided = [
            (DecidedBy::Both, &assessment.rows.both),
            (DecidedBy::Right, &assessment.rows.right),
            (DecidedBy::Left, &assessment.rows.left),
        ];
        let undecided = || {
            let mut rows = undecided.into_iter();
            rows.find_map(|(by, row)| Some((by, row.as_ref()?)))
        };
        let row = row.or_else(undecided);
        let compared = row.and_then(|(_, row)| row.expected());
        let notices = assessment.notices.iter().copied();
        let (rise, rise_since, worse) = match rise {
            Some(Stands { rise, since, worse }) => (Some(rise), Some(since), worse),
            None => (None, None, None),
        };
        Some(Line {
            exam_id: exam.id.clone(),
            patient: PatientKey {
                issuer: content.patient.issuer.clone(),
                id: content.patient.id.clone(),
            },
            name: None,
            birth_date: content.patient.birth_date,
            sex: content.patient.sex,
            accession: exam.accession.clone(),
            performed_at: exam.performed_at,
            first_at: oldest.made_at,
            version: newest.version,
            status: assessment.status,
            flagged: assessment.flagged,
            reason: assessment.reason,
            first: is_first(assessment),
            why: why(content),
            doubts: notices.filter(|one| one.is_doubt()).collect(),
            date_doubted: content.is_date_doubted(),
            eye_word: row.map(|(by, _)| word_of(by).to_owned()),
            measured_mm: row.map(|(_, row)| row.measured_mm),
            expected_mm: compared.map(|one| one.expected_mm),
            change_mm: compared.map(|one| one.change_mm),
            z: compared.map(|one| one.z),
            operator: exam.operator.clone(),
            device: device(&exam.device),
            label: exam.label,
            rise,
            rise_since,
            worse,
            history_only: exam.history_only,
            second: second(entries),
            left_out: entries
                .iter()
                .any(|one| matches!(one.said, Said::LeftOut(_))),
            location: None,
            named_by: None,
        })
    }

    /// Whether the exam is told no more, and stands here only until somebody has acknowledged that its
    /// rise was withdrawn.
    #[must_use]
    pub fn is_gone(&self) -> bool {
        self.reason == Some(Reason::Withdrawn)
    }

    /// Takes out every value, and every text that may quote one. That the exam waits for somebody stays.
    pub fn hide_values(&mut self) {
        // It may quote a value; the reason by itself does not.
        self.why = None;
        self.eye_word = None;
        self.measured_mm = None;
        self.expected_mm = None;
        self.change_mm = None;
        self.z = None;
        self.worse = None;
        if let Some(Rise::Settled { reason, .. }) = &mut self.rise {
            reason.clear();
        }
    }

    /// Why it was not compared; `None`: it was, it is history, or it is told no more.
    #[must_use]
    pub fn uncompared(&self) -> Option<Uncompared> {
        let is_one = matches!(self.status, Status::NoBaseline | Status::NotComparable);
        if !is_one || self.is_gone() || self.history_only {
            None
        } else if self.first {
            Some(Uncompared::First)
        } else {
            Some(Uncompared::Other)
        }
    }

    /// Whether somebody may label it, and nobody has.
    #[must_use]
    pub fn is_unlabelled(&self) -> bool {
        self.label.is_none() && !self.history_only && !self.is_gone()
    }
}

/// Earlier exams that may not serve are set aside by name, so without any there is none.
fn is_first(assessment: &Assessment) -> bool {
    assessment.reason == Some(Reason::NoEligibleSession)
        && assessment.set_aside.is_empty()
        && assessment.set_aside_until.is_none()
}

/// Different reasons of earlier exams that are told in a line.
const REASONS_MAX: usize = 3;

/// Why it was not compared, and where earlier exams may not serve, why not.
fn why(content: &Content) -> Option<String> {
    let assessment = &content.assessment;
    let reason = assessment.reason?;
    if is_first(assessment) {
        return Some("There is no earlier exam of this patient.".to_owned());
    }
    if reason != Reason::NoEligibleSession {
        return Some(phrases::not_compared(content));
    }
    let mut told: Vec<String> = Vec::new();
    for one in assessment.set_aside.iter().rev() {
        let sentence = one.reason.sentence();
        if !told.contains(&sentence) && told.len() < REASONS_MAX {
            told.push(sentence);
        }
    }
    let earlier = match (assessment.set_aside.len(), assessment.set_aside_until) {
        (1, None) => "The other exam of this patient does not serve as baseline:",
        _ => "None of the other exams of this patient serves as baseline:",
    };
    Some(format!("{earlier} {}", told.join(" ")))
}

fn word_of(by: DecidedBy) -> &'static str {
    match by {
        DecidedBy::Right => "right",
        DecidedBy::Left => "left",
        DecidedBy::Both => "both",
        DecidedBy::SinceEvent => "since_event",
    }
}

/// One text of a machine; `None` where nothing of it is known.
fn device(device: &Device) -> Option<String> {
    let parts = [&device.manufacturer, &device.model, &device.serial];
    let parts: Vec<&str> = parts.into_iter().flatten().map(String::as_str).collect();
    (!parts.is_empty()).then(|| parts.join(" "))
}

/// What was said last: whoever asks again, or reads again, begins anew.
fn second(entries: &[&Entry]) -> Option<Second> {
    let told = entries.iter().filter_map(|one| {
        let second = match one.said {
            Said::SecondAsked(_) => Second::Asked,
            Said::SecondRead(..) => Second::Read,
            Said::SecondJudged(..) => Second::Judged,
            _ => return None,
        };
        Some((one.id, second))
    });
    told.max_by_key(|(id, _)| *id).map(|(_, second)| second)
}
