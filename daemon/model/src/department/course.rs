//! How widths go on here: growth of well patients by age, and what became of widths after an event.
//!
//! Context, as the widths by age are: no status and no flag rests on these figures. Each patient counts
//! once in a row, so that whoever is seen often does not weigh more.

use super::enough::Enough;
use super::patient::Patient;
use super::reference::{NEEDED, Spread, spread, width};
use crate::assess::{Assessment, Exam};
use crate::domain::EventKind;
use serde::Serialize;
use std::collections::BTreeMap;

/// Days between a patient's first and last well exam of a row of growth: over less, errors of
/// measurement are many times what a sheath grows.
pub const GROWTH_DAYS: i64 = 180;

/// Days before an event in which the exam lies that later ones are held against.
pub const BEFORE_DAYS: i64 = 90;

/// Ages at which rows of growth end, years.
const ENDS: [f64; 6] = [1.0, 4.0, 10.0, 18.0, 40.0, 200.0];

/// Days after an event at which rows of recovery end; the day of the event itself is in none.
const AFTER: [i64; 4] = [3, 14, 90, 365];

/// Change of well patients' widths in a year.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Growth {
    /// Age at the first of the two exams, years: from.
    pub from_years: f64,
    /// Up to, not including.
    pub to_years: f64,
    /// Patients, each once.
    pub patients: usize,
    /// Mean and spread between patients, mm a year.
    #[serde(flatten)]
    pub a_year: Enough<Spread>,
}

/// Change of widths after an event.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Recovery {
    /// What happened.
    pub event: EventKind,
    /// Days after it: from.
    pub from_days: i64,
    /// To, included.
    pub to_days: i64,
    /// Patients, each once, with the mean of the own exams of these days.
    pub patients: usize,
    /// Mean and spread between patients of the width less that of the last exam before the event, mm.
    #[serde(flatten)]
    pub change: Enough<Spread>,
}

/// Rates and changes, eight bytes for each patient and row.
#[derive(Debug, Clone, Default)]
pub(super) struct Courses {
    growth: BTreeMap<usize, Vec<f64>>,
    recovery: BTreeMap<(EventKind, usize), Vec<f64>>,
}

/// One exam with its width.
struct Width<'e> {
    exam: &'e Exam,
    mm: f64,
}

impl Courses {
    /// Adds one person; exams that `counts` not are as if they were not there, but for the one before an
    /// event.
    pub(super) fn add(&mut self, patient: &Patient, counts: impl Fn(&Exam) -> bool) {
        self.grow(patient, &counts);
        self.recover(patient, &counts);
    }

    fn grow(&mut self, patient: &Patient, counts: &impl Fn(&Exam) -> bool) {
        let Some(born) = patient.history.patient.birth_date else {
            return;
        };
        let mut well: Vec<Width<'_>> = patient
            .well()
            .filter(|(exam, _)| counts(exam))
            .filter_map(|(exam, answer)| measured(exam, answer))
            .collect();
        well.sort_by(|a, b| (a.exam.date, &a.exam.id).cmp(&(b.exam.date, &b.exam.id)));
        let (Some(first), Some(last)) = (well.first(), well.last()) else {
            return;
        };
        let days = (last.exam.date - first.exam.date).num_days();
        let years = (first.exam.date - born).num_days() as f64 / 365.25;
        let band = ENDS.iter().position(|end| years < *end);
        if let Some(band) = band.filter(|_| years >= 0.0)
            && days >= GROWTH_DAYS
            && first.exam.definition == last.exam.definition
        {
            let rate = (last.mm - first.mm) / (days as f64 / 365.25);
            self.growth.entry(band).or_default().push(rate);
        }
    }

    fn recover(&mut self, patient: &Patient, counts: &impl Fn(&Exam) -> bool) {
        let mut events = patient.history.patient.events.clone();
        events.sort_by_key(|event| event.date);
        let mut all: Vec<Width<'_>> = patient
            .history
            .exams
            .iter()
            .filter_map(|exam| measured(exam, patient.answers.get(&exam.id)?))
            .collect();
        all.sort_by(|a, b| (a.exam.date, &a.exam.id).cmp(&(b.exam.date, &b.exam.id)));
        let mut own: BTreeMap<(EventKind, usize), (f64, usize)> = BTreeMap::new();
        for (at, event) in events.iter().enumerate() {
            let next = events.get(at + 1).map(|next| next.date);
            let mut before = all.iter().rev().filter(|one| one.exam.date < event.date);
            let before = before
                .next()
                .filter(|one| (event.date - one.exam.date).num_days() <= BEFORE_DAYS);
            let Some(before) = before else { continue };
            let after = all.iter().filter(|one| {
                one.exam.date > event.date
                    && next.is_none_or(|next| one.exam.date < next)
                    && one.exam.definition == before.exam.definition
                    && counts(one.exam)
            });
            for one in after {
                let days = (one.exam.date - event.date).num_days();
                if let Some(row) = AFTER.iter().position(|end| days <= *end) {
                    let (sum, exams) = own.entry((event.kind, row)).or_default();
                    *sum += one.mm - before.mm;
                    *exams += 1;
                }
            }
        }
        for (row, (sum, exams)) in own {
            let changes = self.recovery.entry(row).or_default();
            changes.push(sum / exams as f64);
        }
    }

    pub(super) fn finish(self) -> (Vec<Growth>, Vec<Recovery>) {
        let many = |values: &[f64]| Enough::of(values.len(), NEEDED, || spread(values));
        let growth = self.growth.into_iter().map(|(band, rates)| Growth {
            from_years: end(&ENDS, band.checked_sub(1)).unwrap_or_default(),
            to_years: end(&ENDS, Some(band)).unwrap_or_default(),
            patients: rates.len(),
            a_year: many(&rates),
        });
        let recovery = self
            .recovery
            .into_iter()
            .map(|((event, row), changes)| Recovery {
                event,
                from_days: end(&AFTER, row.checked_sub(1)).unwrap_or_default() + 1,
                to_days: end(&AFTER, Some(row)).unwrap_or_default(),
                patients: changes.len(),
                change: many(&changes),
            });
        (growth.collect(), recovery.collect())
    }
}

fn end<T: Copy>(ends: &[T], at: Option<usize>) -> Option<T> {
    ends.get(at?).copied()
}

fn measured<'e>(exam: &'e Exam, answer: &Assessment) -> Option<Width<'e>> {
    Some(Width {
        exam,
        mm: width(answer)?,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::assess::{History, Parameters, PerEye, Subject, assess_all};
    use crate::domain::{Event, Label, Millimetres};
    use chrono::NaiveDate;

    fn day(text: &str) -> NaiveDate {
        text.parse().unwrap()
    }

    fn exam(date: &str, mm: f64, label: Option<Label>) -> Exam {
        let value = vec![Millimetres::from_mm(mm).unwrap(); 2];
        let mut exam: Exam = serde_json::from_value(serde_json::json!({
            "id": date, "date": date, "eyes": {"right": [], "left": []},
        }))
        .unwrap();
        exam.eyes = PerEye {
            right: value.clone(),
            left: value,
        };
        exam.label = label;
        exam
    }

    fn patient(born: &str, exams: Vec<Exam>, events: Vec<Event>) -> Patient {
        let history = History {
            patient: Subject {
                id: "x".to_owned(),
                birth_date: Some(day(born)),
                events,
            },
            exams,
        };
        let answers = assess_all(&history, &Parameters::default()).unwrap();
        Patient {
            history,
            answers,
            told: BTreeMap::new(),
        }
    }

    /// Worked by hand: 0.2 mm in 730 days is 0.2 / 730 * 365.25 mm a year.
    #[test]
    fn growth_is_the_change_in_a_year_and_each_patient_counts_once() {
        let mut courses = Courses::default();
        let well = Some(Label::Well);
        for _ in 0..NEEDED {
            let exams = vec![
                exam("2020-01-01", 4.0, well),
                exam("2021-03-01", 4.9, well),
                exam("2021-12-31", 4.2, well),
                // Not labelled: it may be anything.
                exam("2023-12-31", 9.0, None),
            ];
            courses.add(&patient("2015-01-01", exams, Vec::new()), |_| true);
        }
        // Too close together.
        let close = vec![exam("2020-01-01", 4.0, well), exam("2020-06-01", 4.2, well)];
        courses.add(&patient("2015-01-01", close, Vec::new()), |_| true);
        let (growth, _) = courses.finish();
        let [row] = growth.as_slice() else {
            panic!("{growth:?}")
        };
        assert_eq!((row.from_years, row.to_years), (4.0, 10.0));
        assert_eq!(row.patients, NEEDED);
        let found = row.a_year.yes().unwrap().mean_mm;
        assert!((found - 0.2 / 730.0 * 365.25).abs() < 1e-9, "{found}");
    }

    #[test]
    fn recovery_is_held_against_the_last_exam_before_and_ends_at_the_next_event() {
        let kind = EventKind::CsfSurgery;
        let event = |date: &str| Event {
            date: day(date),
            kind,
        };
        let mut courses = Courses::default();
        for _ in 0..NEEDED {
            let exams = vec![
                exam("2024-01-01", 4.9, None),
                exam("2024-03-01", 6.0, None),
                // The day itself may be before or after.
                exam("2024-03-02", 9.0, None),
                exam("2024-03-04", 5.6, None),
                exam("2024-03-05", 5.4, None),
                exam("2024-04-01", 5.0, None),
                exam("2024-06-01", 7.0, None),
            ];
            let events = vec![event("2024-03-02"), event("2024-05-30")];
            courses.add(&patient("2015-01-01", exams, events), |_| true);
        }
        // Nothing within the days before.
        let late = vec![exam("2023-01-01", 4.9, None), exam("2024-03-04", 6.0, None)];
        courses.add(
            &patient("2015-01-01", late, vec![event("2024-03-02")]),
            |_| true,
        );
        let (_, recovery) = courses.finish();
        let rows: Vec<(i64, i64, usize, f64)> = recovery
            .iter()
            .map(|row| {
                let mean = row.change.yes().unwrap().mean_mm;
                (
                    row.from_days,
                    row.to_days,
                    row.patients,
                    (mean * 1e6).round() / 1e6,
                )
            })
            .collect();
        // Two exams of one patient in the first days count as their mean: (-0.4 - 0.6) / 2. The exam of
        // June belongs to the event of May, against that of April.
        assert_eq!(
            rows,
            [
                // -0.5 after the first event, 7.0 - 5.0 after the second: one mean a patient.
                (
                    1,
                    3,
                    NEEDED,
                    ((-0.4 - 0.6 + 2.0) / 3.0 * 1e6_f64).round() / 1e6
                ),
                (15, 90, NEEDED, -1.0),
            ]
        );
    }
}
