//! All numbers of a department, person after person.

use super::anova::{Anova, Sums};
use super::calibrate::CalibrationError;
use super::charts::{Chart, chart};
use super::components::{Components, Part};
use super::course::{Courses, Growth, Recovery};
use super::enough::Enough;
use super::flags::{Flags, Marks};
use super::learning::{Learning, learning};
use super::offsets::Against;
use super::pairs::Stable;
use super::patient::{Patient, Reported};
use super::promise::{Beside, Kept};
use super::reference::{Band, Bands};
use super::subject::{Names, Subject};
use super::technique::{Share, Technique, Values};
use super::turnaround::{Clock, Times, Turnaround};
use crate::assess::{Exam, Parameters, QuestionError, Status};
use chrono::NaiveDate;
use serde::Serialize;
use std::collections::{BTreeMap, BTreeSet};

/// Readings beyond the first of each exam, eye and plane that make a repeatability.
pub const READINGS_NEEDED: usize = 10;

/// Days of exams that are asked for, ends included; none is open.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize)]
pub struct Period {
    /// First day.
    pub from: Option<NaiveDate>,
    /// Last day.
    pub to: Option<NaiveDate>,
}

impl Period {
    /// Whether a day lies in it.
    #[must_use]
    pub fn holds(self, day: NaiveDate) -> bool {
        self.from.is_none_or(|from| from <= day) && self.to.is_none_or(|to| day <= to)
    }
}

/// What was looked at.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Seen {
    /// Days asked for.
    #[serde(flatten)]
    pub period: Period,
    /// Persons with an exam in the period.
    pub patients: usize,
    /// Their exams in it.
    pub exams: usize,
    /// Of these, labelled `well`.
    pub well: usize,
    /// Of these without the name of an operator, or with several.
    pub without_operator: usize,
    /// Of these without a device, or with several.
    pub without_device: usize,
    /// Exams of any day left out: they contradict each other about whose they are.
    pub nobodys: usize,
}

/// Scatter of readings within exams.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Repeatability {
    /// Whose.
    #[serde(flatten)]
    pub of: Subject,
    /// Exams with repeated readings.
    pub exams: usize,
    /// The analysis, with [`READINGS_NEEDED`]; groups are readings of one exam, eye and plane.
    #[serde(flatten)]
    pub readings: Enough<Anova>,
}

/// Exams that were compared, and those that could not be.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Compared {
    /// Exams without any baseline.
    pub without_baseline: Share,
    /// The same of exams after the patient's first day.
    pub without_baseline_later: Share,
    /// Exams with a baseline that does not fit.
    pub not_comparable: Share,
}

/// The numbers of a department.
#[derive(Debug, Clone, PartialEq)]
pub struct Statistics {
    /// What was looked at.
    pub seen: Seen,
    /// Of the department, operators, devices.
    pub repeatability: Vec<Repeatability>,
    /// Why stable exams differ, by pairs of them.
    pub components: Vec<Part>,
    /// Operators, then devices.
    pub offsets: Vec<Against>,
    /// Of the department, operators, devices.
    pub charts: Vec<Chart>,
    /// Of operators.
    pub learning: Vec<Learning>,
    /// Of the department and devices.
    pub technique: Vec<Technique>,
    /// How many had something to be compared with.
    pub compared: Compared,
    /// Who was flagged: of the department and operators.
    pub flags: Vec<Flags>,
    /// Change of well patients' widths in a year, by age.
    pub growth: Vec<Growth>,
    /// Change of widths after events.
    pub recovery: Vec<Recovery>,
    /// How long results took.
    pub turnaround: Turnaround,
    /// Flags of well exams.
    pub promise: Beside,
    /// Widths of well patients by age.
    pub reference: Vec<Band>,
    /// Well exams that are in no band, since the age is not known.
    pub without_age: usize,
}

/// One exam without its patient: what charts and courses keep of it.
#[derive(Debug, Clone)]
struct Row {
    day: NaiveDate,
    /// Wall clock in seconds, then the name of the exam, so that there is one order.
    order: (i64, Box<str>),
    operator: Subject,
    device: Subject,
    /// z of a well exam.
    z: Option<f64>,
    /// Sum of squares within groups of readings and its degrees of freedom.
    scatter: (f64, usize),
}

/// Takes person after person and keeps some hundred bytes of each exam.
///
/// What it says depends on the set of persons; give them in one order to have the last digit the
/// same as well.
#[derive(Debug)]
pub struct Collector {
    parameters: Parameters,
    period: Period,
    names: Names,
    patients: usize,
    well: usize,
    nobodys: usize,
    rows: Vec<Row>,
    repeats: BTreeMap<Subject, (usize, Sums)>,
    values: BTreeMap<Subject, Values>,
    stable: Stable,
    statuses: Statuses,
    clock: Clock,
    kept: Kept,
    bands: Bands,
    marks: Marks,
    courses: Courses,
}

#[derive(Debug, Default)]
struct Statuses {
    exams: usize,
    later: usize,
    no_baseline: usize,
    no_baseline_later: usize,
    not_comparable: usize,
}

impl Collector {
    /// Nobody yet. `parameters` are those of the site, which the stored results were made with.
    ///
    /// # Errors
    /// The parameters cannot be used.
    pub fn new(parameters: Parameters, period: Period) -> Result<Self, CalibrationError> {
        parameters.check().map_err(QuestionError::from)?;
        Ok(Collector {
            parameters,
            period,
            names: Names::default(),
            patients: 0,
            well: 0,
            nobodys: 0,
            rows: Vec::new(),
            repeats: BTreeMap::new(),
            values: BTreeMap::new(),
            stable: Stable::default(),
            statuses: Statuses::default(),
            clock: Clock::default(),
            kept: Kept::default(),
            bands: Bands::default(),
            marks: Marks::default(),
            courses: Courses::default(),
        })
    }

    /// Counts exams that nobody can be said to have.
    pub fn leave_out(&mut self, exams: usize) {
        self.nobodys += exams;
    }

    /// Takes a person. `times` are by exam id.
    ///
    /// # Errors
    /// The comparison refuses its input.
    pub fn add(
        &mut self,
        patient: &Patient,
        times: &BTreeMap<String, Times>,
    ) -> Result<(), CalibrationError> {
        let period = self.period;
        let inside = |exam: &Exam| period.holds(exam.date);
        let first = patient.history.exams.iter().map(|exam| exam.date).min();
        // Exams of one day share a baseline, so that their z are not independent.
        let mut charted = BTreeSet::new();
        let mut exams: Vec<&Exam> = patient.history.exams.iter().collect();
        exams.sort_by(|a, b| (a.date, &a.id).cmp(&(b.date, &b.id)));
        let z: BTreeMap<&str, f64> = patient
            .well()
            .filter_map(|(exam, answer)| Some((exam, answer.rows.leading()?.comparison?.z)))
            .map(|(exam, z)| (exam.id.as_str(), z))
            .collect();
        let nothing = Reported::default();
        let mut any = false;
        for exam in exams {
            let told = patient.told.get(&exam.id).unwrap_or(&nothing);
            let z = z.get(exam.id.as_str()).copied();
            let z = z.filter(|_| charted.insert(exam.date));
            self.row(exam, told, z);
            if !inside(exam) {
                continue;
            }
            any = true;
            self.well += usize::from(exam.label == Some(crate::domain::Label::Well));
            self.tell(exam, told);
            if let Some(answer) = patient.answers.get(&exam.id) {
                self.statuses.add(answer.status, first < Some(exam.date));
            }
            let times = times.get(&exam.id).copied().unwrap_or_default();
            self.clock.add(told.performed_at, times);
        }
        self.patients += usize::from(any);
        let Collector {
            stable,
            names,
            parameters,
            ..
        } = self;
        stable.add(patient, inside, parameters, names)?;
        self.kept.add(patient, inside);
        self.bands.add(patient, inside);
        self.marks.add(patient, &mut self.names, inside);
        self.courses.add(patient, inside);
        Ok(())
    }

    fn row(&mut self, exam: &Exam, told: &Reported, z: Option<f64>) {
        if self.period.to.is_some_and(|to| exam.date > to) {
            return;
        }
        let mut sums = Sums::default();
        for group in &told.repeats {
            sums.add(group);
        }
        let at = told.performed_at.map(|at| at.local.and_utc().timestamp());
        self.rows.push(Row {
            day: exam.date,
            order: (at.unwrap_or_default(), exam.id.as_str().into()),
            operator: self.names.operator(exam.known_operator()),
            device: self.names.device(exam.known_device()),
            z,
            scatter: sums.within(),
        });
    }

    fn tell(&mut self, exam: &Exam, told: &Reported) {
        let operator = self.names.operator(exam.known_operator());
        let device = self.names.device(exam.known_device());
        if !told.repeats.is_empty() {
            for of in [&Subject::Department, &operator, &device] {
                let (exams, sums) = self.repeats.entry(of.clone()).or_default();
                *exams += 1;
                for group in &told.repeats {
                    sums.add(group);
                }
            }
        }
        for of in [Subject::Department, device] {
            self.values.entry(of).or_default().add(told);
        }
    }

    /// Estimates.
    ///
    /// # Errors
    /// The data are out of all range.
    pub fn finish(mut self) -> Result<Statistics, CalibrationError> {
        self.rows
            .sort_by(|a, b| (a.day, &a.order).cmp(&(b.day, &b.order)));
        let components = Components::of(&self.stable.pairs, &self.parameters)
            .ok_or(CalibrationError::NotFinite)?;
        let offsets = components.offsets(&self.stable.pairs, &self.stable.runs);
        let inside: Vec<&Row> = self
            .rows
            .iter()
            .filter(|row| self.period.holds(row.day))
            .collect();
        let unknown = |of: fn(&Row) -> &Subject| {
            let rows = inside.iter();
            rows.filter(|row| of(row).name().is_none()).count()
        };
        let s = &self.statuses;
        let repeats = std::mem::take(&mut self.repeats).into_iter();
        let (growth, recovery) = std::mem::take(&mut self.courses).finish();
        let flags = std::mem::take(&mut self.marks).finish();
        Ok(Statistics {
            seen: Seen {
                period: self.period,
                patients: self.patients,
                exams: inside.len(),
                well: self.well,
                without_operator: unknown(|row| &row.operator),
                without_device: unknown(|row| &row.device),
                nobodys: self.nobodys,
            },
            repeatability: repeats
                .map(|(of, (exams, sums))| Repeatability {
                    of,
                    exams,
                    readings: Enough::of(sums.within().1, READINGS_NEEDED, || sums.finish()),
                })
                .collect(),
            offsets: offsets
                .into_iter()
                .map(|one| {
                    let known = self.stable.known.get(&one.of).copied();
                    Against::of(one, known)
                })
                .collect(),
            components: components.parts(),
            charts: self.charts(),
            learning: self.learning(),
            technique: self
                .values
                .iter()
                .map(|(of, values)| values.finish(of.clone()))
                .collect(),
            compared: Compared {
                without_baseline: Share::new(s.no_baseline, s.exams),
                without_baseline_later: Share::new(s.no_baseline_later, s.later),
                not_comparable: Share::new(s.not_comparable, s.exams),
            },
            flags,
            growth,
            recovery,
            turnaround: self.clock.finish(),
            promise: self.kept.finish(&self.parameters).into(),
            without_age: self.bands.without_age,
            reference: self.bands.finish(),
        })
    }

    /// Needs rows in the order of time.
    fn charts(&self) -> Vec<Chart> {
        let mut exams: BTreeMap<&Subject, Vec<(NaiveDate, f64)>> = BTreeMap::new();
        for row in &self.rows {
            let Some(z) = row.z else { continue };
            for of in [&Subject::Department, &row.operator, &row.device] {
                exams.entry(of).or_default().push((row.day, z));
            }
        }
        // Those whose reports name nobody are no one: nothing of them can be charted.
        exams
            .into_iter()
            .filter(|(of, _)| **of == Subject::Department || of.name().is_some())
            .map(|(of, exams)| chart(of.clone(), &exams, |day| self.period.holds(day)))
            .collect()
    }

    /// Needs rows in the order of time.
    fn learning(&self) -> Vec<Learning> {
        let mut exams: BTreeMap<&Subject, Vec<(f64, usize)>> = BTreeMap::new();
        for row in self.rows.iter().filter(|row| row.operator.name().is_some()) {
            exams.entry(&row.operator).or_default().push(row.scatter);
        }
        exams
            .into_iter()
            .map(|(of, exams)| learning(of.clone(), &exams))
            .collect()
    }
}

impl Statuses {
    fn add(&mut self, status: Status, later: bool) {
        let none = status == Status::NoBaseline;
        self.exams += 1;
        self.later += usize::from(later);
        self.no_baseline += usize::from(none);
        self.no_baseline_later += usize::from(none && later);
        self.not_comparable += usize::from(status == Status::NotComparable);
    }
}
