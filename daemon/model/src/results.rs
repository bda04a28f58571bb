//! Results of one patient from everything known of them: a function of the set.
//!
//! [`content::Content`] is what a result says, [`envelope`] its JSON with version and reason,
//! [`change`] says why a new version differs, [`seen`] what of it a reader sees.

pub mod cautions;
pub mod change;
mod changed;
pub mod content;
mod depth;
mod digits;
pub mod envelope;
mod moved;
mod namesakes;
pub(crate) mod numbers;
pub(crate) mod phrases;
mod readers;
mod replaced;
#[cfg(any(test, feature = "tests"))]
pub mod samples;
mod seen;
mod short;
pub(crate) mod statement;
mod taken_back;

use crate::assess::{
    self, Assessment, Course, KnownErrors, Parameters, PerEye, Reason, Roster, Status,
};
use crate::companions;
use crate::domain::{
    About, Device, Event, Eye, Label, Millimetres, Modality, ObjectReading, OpeningPressure,
    PatientKey, Plane, Remark, RemarkCode, Severity, Sex,
};
use crate::geometry;
use crate::history::{self, Apart, CONTRADICTED, Entries, Exam, same_person};
use crate::identity::{Person, Unsettled};
use crate::normalise::{Technique, plausible};
use chrono::{DateTime, NaiveDate, Utc};
use std::collections::btree_map::Entry;
use std::collections::{BTreeMap, BTreeSet};

pub use changed::{Change, Chosen, Wanted};
use content::Context;
pub use content::{Content, content};
pub use envelope::Envelope;
use moved::Homes;
pub use numbers::{Expected, Printed};
pub use replaced::Replaced;
pub use seen::{Seen, seen};
pub use statement::Figures;

/// All that is known of one person.
#[derive(Debug, Clone, Default)]
pub struct Known {
    /// Under which ids the person is known; `None`: under that of the readings.
    pub person: Option<Person>,
    /// Everything read under the person's ids, each SOP Instance UID at most once.
    pub readings: Vec<ObjectReading>,
    /// When each report came first, by SOP Instance UID; what is not there is not judged by it.
    pub received: BTreeMap<String, DateTime<Utc>>,
    /// Labels, each with what it is about.
    pub labels: Vec<(About, Label)>,
    /// Dated facts.
    pub events: Vec<Event>,
    /// Opening pressures, each with what it is about.
    pub pressures: Vec<(About, OpeningPressure)>,
    /// Readings whose exam serves nobody as baseline.
    pub left_out: Vec<About>,
    /// Readings that were entered or brought in by mistake: they are as if they had never come.
    pub taken_back: Vec<About>,
    /// The same ids under other issuers, with the birth dates and sexes that reports give there: for
    /// hints at what may have to be joined.
    pub elsewhere: Vec<(PatientKey, Vec<(NaiveDate, Sex)>)>,
    /// Objects that came from an archive's history or a table of old values alone, long after their exam was done, by SOP
    /// Instance UID.
    pub history_only: BTreeSet<String>,
}

impl Known {
    /// What people said of the exams.
    #[must_use]
    pub fn entries(&self) -> Entries<'_> {
        Entries {
            labels: &self.labels,
            pressures: &self.pressures,
            left_out: &self.left_out,
        }
    }

    fn is_joined(&self) -> bool {
        let mut merges = self.person.iter().flat_map(|person| &person.merges);
        merges.next().is_some()
    }
}

/// The rules of the site.
#[derive(Debug, Clone, Default)]
pub struct Site {
    /// Parameters of the comparison.
    pub parameters: Parameters,
    /// Limits of technique.
    pub technique: Technique,
    /// Operators and devices of which something is known.
    pub roster: Roster,
    /// Whether published figures stand beside a result.
    pub context: bool,
}

impl Site {
    /// Smallest and largest width a sheath can have.
    fn plausible(&self) -> (Millimetres, Millimetres) {
        let (least, most) = plausible::GATE;
        let given = |mm, otherwise| Millimetres::from_mm(mm).unwrap_or(otherwise);
        (
            given(self.parameters.plausible_min, least),
            given(self.parameters.plausible_max, most),
        )
    }

    /// What tells the sessions of a study from each other.
    #[must_use]
    pub fn apart(&self) -> Apart {
        Apart {
            gap_minutes: self.parameters.session_gap_minutes,
            sigma_w_mm: self.parameters.sigma_w,
        }
    }
}

/// Why the results of a patient could not be made.
#[derive(Debug, thiserror::Error)]
pub enum ResultError {
    /// The comparison refused its input.
    #[error("the comparison refused its input: {0}")]
    Assess(#[from] assess::QuestionError),
    /// A result could not be written as JSON.
    #[error("a result could not be written as JSON: {0}")]
    Json(#[from] serde_json::Error),
}

/// The patient's exams, oldest first, calipers checked against the pictures they were drawn in.
#[must_use]
pub fn exams(known: &Known, site: &Site) -> Vec<Exam> {
    let whole = known;
    let known = &*known.without_taken_back();
    let readings = geometry::against_pictures(&known.readings, &site.technique, site.plausible());
    let mut exams = history::tell(&readings, known.entries(), &site.apart());
    for exam in &mut exams {
        let dated = history::date_doubt(exam, &known.received);
        exam.remarks.extend(dated);
        exam.remarks.extend(history::values_unread(exam));
        exam.remarks
            .extend(history::left_unread(exam, &known.readings));
    }
    taken_back::tell_rest(&mut exams, whole, &site.apart());
    exams
}

/// The exams as they would be told had nobody taken readings back, oldest first.
#[must_use]
pub fn exams_with_taken_back(known: &Known, site: &Site) -> Vec<Exam> {
    let mut whole = known.clone();
    whole.taken_back.clear();
    exams(&whole, site)
}

/// One result per exam with sheath values, oldest exam first.
///
/// # Errors
///
/// When the comparison refuses its input, which is a fault of this program.
pub fn of_patient(known: &Known, site: &Site) -> Result<Vec<Content>, ResultError> {
    let exams = exams(known, site);
    let known = &*known.without_taken_back();
    let mut events = known.events.clone();
    events.sort_unstable();
    let context = Context {
        person: known.person.as_ref(),
        exams: &exams,
        events: &events,
        parameters: &site.parameters,
        technique: &site.technique,
        published: site.context,
    };
    let news = news(known);
    let came_under: BTreeMap<&str, &PatientKey> = known.readings.iter().filter_map(under).collect();
    // Exams of one identity share one comparison, and most patients have one identity.
    let mut told: BTreeMap<history::Identity, Compared> = BTreeMap::new();
    let mut contents = Vec::with_capacity(exams.len());
    for exam in &exams {
        let all = match told.entry(exam.identity) {
            Entry::Occupied(all) => all.into_mut(),
            Entry::Vacant(place) => place.insert(compare(exam, &exams, &events, site)?),
        };
        let (assessment, course) = all.get(&exam.id).cloned().unwrap_or_else(|| {
            let reason = Reason::IdentityContradictory;
            let nothing = Assessment::not_comparable(&exam.id, reason);
            (nothing, Course::default())
        });
        let (assessment, course) = if exam.is_date_doubted() {
            (
                assessment.unless_flagged(Reason::DateImplausible),
                Course::default(),
            )
        } else {
            (assessment, course)
        };
        let mut result = content(exam, assessment, course, context);
        result
            .remarks
            .extend(strangers(exam, &exams, known.is_joined()));
        result.remarks.extend(unsettled(known));
        if matches!(
            result.assessment.status,
            Status::NoBaseline | Status::NotComparable
        ) {
            result.remarks.extend(namesakes::hint(exam, known));
        }
        readers::count(&mut result, exam, &exams, &site.roster);
        depth::tell(&mut result, exam, &exams, &site.technique);
        if is_history(exam, known, &news) {
            result.exam.history_only = true;
            result.remarks.push(from_history());
        }
        if known.is_joined() {
            name_ids(&mut result, &came_under);
        }
        contents.push(result);
    }
    Ok(contents)
}

/// Answers by exam id, with what stands beside each.
type Compared = BTreeMap<String, (Assessment, Course)>;

/// Assessments of all exams that can be of the same person as `exam`; none when nobody can tell.
fn compare(
    exam: &Exam,
    exams: &[Exam],
    events: &[Event],
    site: &Site,
) -> Result<Compared, ResultError> {
    let Some(asked) = comparable(exam, exams, events, site) else {
        return Ok(BTreeMap::new());
    };
    let mut all = assess::assess_with_course(&asked, &site.parameters)?;
    let thresholds = all.values_mut();
    let thresholds = thresholds.filter_map(|(_, course)| course.threshold.as_mut());
    for episode in thresholds.flat_map(|threshold| &mut threshold.episodes) {
        let of_it = exams.iter().find(|exam| exam.id == episode.exam);
        episode.opening_pressure = of_it.and_then(|exam| exam.opening_pressure.clone());
    }
    Ok(all)
}

/// The exams that can be of the same person as `exam`; `None` when nobody can tell.
fn comparable(
    exam: &Exam,
    exams: &[Exam],
    events: &[Event],
    site: &Site,
) -> Option<assess::History> {
    let same: Vec<&Exam> = exams
        .iter()
        .filter(|other| same_person(&exam.identity, &other.identity))
        .collect();
    // A report without a birth date borrows it from the patient's other exams if they agree.
    let identity = history::Identity::agreed(same.iter().map(|other| other.identity));
    if exam.identity.contradictory || identity.contradictory {
        return None;
    }
    Some(assess::History {
        patient: assess::Subject {
            id: exam.patient.id.clone(),
            birth_date: identity.birth_date,
            events: events.to_vec(),
        },
        exams: same
            .into_iter()
            .map(|one| site.roster.apply(asked(one)))
            .collect(),
    })
}

/// The persons under one patient id with the exams that can be held against each other: one, unless
/// exams are filed under the wrong patient. No exam stands in two of them.
#[must_use]
pub fn histories(known: &Known, site: &Site) -> Vec<assess::History> {
    let exams = exams(known, site);
    let mut taken = BTreeSet::new();
    let mut persons = Vec::new();
    for exam in &exams {
        if taken.contains(&exam.id) {
            continue;
        }
        let Some(mut person) = comparable(exam, &exams, &known.events, site) else {
            continue;
        };
        person.exams.retain(|exam| taken.insert(exam.id.clone()));
        persons.push(person);
    }
    persons
}

/// Studies of which something that is no report with sheath values came by itself: a picture, a text.
fn news(known: &Known) -> BTreeSet<&str> {
    let came = |one: &&ObjectReading| {
        let uid = one.sop_instance_uid.as_ref();
        uid.is_none_or(|uid| !known.history_only.contains(uid))
    };
    let others = known
        .readings
        .iter()
        .filter(|one| !one.holds_sheath_values());
    let exams = others.filter(came).filter_map(|one| one.exam.as_ref());
    exams.map(|exam| exam.study_instance_uid.as_str()).collect()
}

/// Whether all of an exam came from the history of an archive or a table of old values alone.
fn is_history(exam: &Exam, known: &Known, news: &BTreeSet<&str>) -> bool {
    let mut reports = exam.objects.iter().map(|object| &object.sop_instance_uid);
    reports.all(|uid| known.history_only.contains(uid))
        && !news.contains(exam.study_instance_uid.as_str())
}

/// The remark on an exam that is not delivered.
fn from_history() -> Remark {
    Remark::of(
        RemarkCode::HistoryOnly,
        "The exam came from an archive's history or a table of old values alone, long after it was done; its result is not delivered to anyone by itself.",
    )
}

/// A remark when exams under the same id have another birth date or sex.
fn strangers(exam: &Exam, exams: &[Exam], is_joined: bool) -> Option<Remark> {
    let under = if !is_joined {
        "the same patient id"
    } else {
        "the joined patient ids"
    };
    let dates: Vec<String> = exams
        .iter()
        .filter(|other| other.id != exam.id && !same_person(&exam.identity, &other.identity))
        .map(|other| other.performed_at.date().to_string())
        .collect();
    (!dates.is_empty()).then(|| {
        Remark::of(
            RemarkCode::IdentityDiffers,
            format!(
                "Exams of {} under {under} give another birth date or sex; they were not compared \
                 with.",
                dates.join(", ")
            ),
        )
        .act("Find out which exams are filed under the wrong patient.")
    })
}

/// A remark when merges concern these ids and are not applied.
fn unsettled(known: &Known) -> Option<Remark> {
    let (why, merges) = known.person.as_ref()?.unsettled.as_ref()?;
    let why = match why {
        Unsettled::Circle => "lead in a circle",
        Unsettled::Ends => "lead to more than one surviving id",
    };
    Some(
        Remark::of(
            RemarkCode::MergesUnsettled,
            format!(
                "Merges of this patient id with others {why} ({} of them); none is applied, so exams \
                 under those other ids are not compared with.",
                merges.len()
            ),
        )
        .act("Take the wrong merge back; `patient list` shows them."),
    )
}

fn under(reading: &ObjectReading) -> Option<(&str, &PatientKey)> {
    let uid = reading.sop_instance_uid.as_deref()?;
    Some((uid, &reading.patient.as_ref()?.key))
}

/// Says with each report under which id it came.
fn name_ids(result: &mut Content, came_under: &BTreeMap<&str, &PatientKey>) {
    for report in &mut result.reports {
        let key = came_under.get(report.sop_instance_uid.as_str());
        report.came_under = key.map(|key| (*key).clone());
    }
}

/// Why an exam serves nobody, as the code of a remark: a person left it out, one of two labels may say that the pressure was
/// raised, the date cannot be right, or something blocking holds for the exam as a whole and no person
/// has labelled it.
fn doubt(exam: &Exam) -> Option<String> {
    if exam.left_out {
        return Some(assess::Unused::LEFT_OUT.to_owned());
    }
    let always =
        |code: &RemarkCode| *code == RemarkCode::DateImplausible || CONTRADICTED.contains(code);
    let counts = |remark: &&Remark| {
        always(&remark.code) || (remark.severity == Severity::Blocking && exam.label.is_none())
    };
    let code = |remark: &Remark| remark.code.to_string();
    exam.remarks.iter().find(counts).map(code)
}

fn asked(exam: &Exam) -> assess::Exam {
    let of = |eye: Eye| -> Vec<(Millimetres, Plane)> {
        exam.readings()
            .filter(|reading| reading.eye.eye() == Some(eye))
            .filter_map(|reading| Some((reading.value_mm?, reading.plane)))
            .collect()
    };
    let readings = PerEye::from_fn(of);
    assess::Exam {
        id: exam.id.clone(),
        date: exam.performed_at.date(),
        time: Some(exam.performed_at.local.time()),
        label: exam.label,
        operator: exam.operator.clone(),
        device: device_name(&exam.device),
        definition: exam.definition,
        eyes: PerEye::from_fn(|eye| readings.of(eye).iter().map(|(value, _)| *value).collect()),
        planes: PerEye::from_fn(|eye| {
            Some(readings.of(eye).iter().map(|(_, plane)| *plane).collect())
        }),
        // Where nothing is stated, this is a service for ultrasound; the report's remark says so.
        modality: match exam.modality {
            Modality::Ultrasound | Modality::Unspecified => assess::Modality::Ultrasound,
            Modality::Mri => assess::Modality::Mri,
            Modality::Ct => assess::Modality::Ct,
            // Unresolved values are not used; were one used, it would be compared with nothing.
            Modality::Other | Modality::Unresolved => assess::Modality::Other,
        },
        excluded: doubt(exam),
        step_mm: digits::steps(exam),
        eyeball_mm: PerEye::from_fn(|eye| companions::eyeball(exam, eye)),
        known: KnownErrors::default(),
    }
}

/// One name for a device; `None` when neither model nor serial number is known.
fn device_name(device: &Device) -> Option<String> {
    if device.model.is_none() && device.serial.is_none() {
        return None;
    }
    let parts = [&device.manufacturer, &device.model, &device.serial];
    Some(parts.map(|part| part.as_deref().unwrap_or("")).join("|"))
}

/// The newest version of an exam's result, as stored.
#[derive(Clone)]
pub struct Latest {
    /// Its version.
    pub version: u32,
    /// Its key.
    pub key: String,
    /// What it says.
    pub content: Content,
}

/// A version to be stored and published.
#[derive(Clone)]
pub struct NewVersion {
    /// From 1.
    pub version: u32,
    /// Key of the content.
    pub key: String,
    /// The version it replaces.
    pub supersedes: Option<u32>,
    /// Why, in words.
    pub why: Vec<String>,
    /// What it says.
    pub content: Content,
}

/// What has to be published so that the newest versions read as `contents` read, and nothing else.
///
/// Where a reader would see no difference ([`seen`]) there is no version: the stored content then tells
/// of an earlier origin of the same statement. An exam that has a result and is no longer told (its reports are read as something else now)
/// gets a version that withdraws it, and says so where a person took its readings back.
///
/// # Errors
///
/// When a content cannot be written as JSON.
pub fn new_versions(
    contents: Vec<Content>,
    latest: &BTreeMap<String, Latest>,
    taken_back: &[About],
) -> Result<Vec<NewVersion>, ResultError> {
    let mut versions = Vec::new();
    let homes = Homes::of(&contents);
    let before = Homes::of(latest.values().map(|old| &old.content));
    let told: BTreeSet<&String> = contents.iter().map(|content| &content.exam.id).collect();
    let mut moved: BTreeMap<String, Vec<String>> = BTreeMap::new();
    for content in &contents {
        let id = &content.exam.id;
        let old = latest.get(id).map(|old| &old.content);
        moved.insert(id.clone(), homes.why(old, content, &before));
    }
    let withdrawn: Vec<Content> = latest
        .iter()
        .filter(|(id, _)| !told.contains(id))
        .map(|(_, old)| withdraw(&old.content, &homes, taken_back))
        .collect();
    let mut wanted: Vec<Content> = contents;
    wanted.extend(withdrawn);
    for content in wanted {
        let old = latest.get(&content.exam.id);
        let reads_as_before = match old {
            Some(old) => old.content == content || seen(&old.content)? == seen(&content)?,
            None => false,
        };
        if reads_as_before && old.is_some_and(|old| !old.key.is_empty()) {
            continue;
        }
        // A damaged version has a key that nothing equals, and what the sound one before it said.
        let mut why = match old {
            Some(old) if old.key.is_empty() => {
                vec![format!("version {} was damaged in the store", old.version)]
            }
            _ => Vec::new(),
        };
        why.extend(moved.remove(&content.exam.id).into_iter().flatten());
        if !reads_as_before {
            why.extend(change::why(old.map(|old| &old.content), &content));
        }
        versions.push(NewVersion {
            version: old.map_or(1, |old| old.version + 1),
            key: content.key()?,
            supersedes: old.map(|old| old.version),
            why,
            content,
        });
    }
    Ok(versions)
}

/// The same exam with nothing left to say about it but where its readings went.
fn withdraw(content: &Content, homes: &Homes<'_>, taken_back: &[About]) -> Content {
    let mut withdrawn = content.clone();
    let said = taken_back::remark(content, taken_back);
    let is_said = |one: &Remark| one.code == RemarkCode::TakenBack;
    // A version that withdraws holds no reading more: once said it stays so.
    if said.is_some() && !withdrawn.remarks.iter().any(is_said) {
        withdrawn.remarks.extend(said);
    }
    if let Some(remark) = homes.remark(content) {
        withdrawn
            .remarks
            .retain(|one| one.code != RemarkCode::ReadingsMoved);
        withdrawn.remarks.push(remark);
    }
    withdrawn.assessment = Assessment::not_comparable(&content.exam.id, Reason::Withdrawn);
    withdrawn.reports.clear();
    withdrawn.measurements_used.clear();
    withdrawn.measurements_not_used.clear();
    withdrawn.baseline.clear();
    withdrawn.not_compared.clear();
    withdrawn.course = Course::default();
    withdrawn.companions = None;
    withdrawn.context = None;
    withdrawn
}

/// The assessment of one exam with its arithmetic; `None` when it has none to show.
///
/// # Errors
///
/// As [`of_patient`].
pub fn working(
    known: &Known,
    site: &Site,
    exam_id: &str,
) -> Result<Option<Assessment>, ResultError> {
    let exams = exams(known, site);
    let Some(exam) = exams.iter().find(|exam| exam.id == exam_id) else {
        return Ok(None);
    };
    let Some(asked) = comparable(exam, &exams, &known.events, site) else {
        return Ok(None);
    };
    Ok(assess::explain_all(&asked, &site.parameters)?.remove(exam_id))
}

#[cfg(test)]
mod tests;
