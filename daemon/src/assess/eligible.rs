//! Which earlier exams may serve as baseline, and how events divide the time of a patient.

use super::growth::years_between;
use super::notice::{Notice, Reason, SetAside, Unused, Why};
use super::planes::EyePlanes;
use super::summary::Usable;
use super::{Assessment, Exam, Modality, Parameters, PerEye, Status, Subject, Unlabelled};
use crate::domain::{Border, Label};
use chrono::NaiveDate;
use std::borrow::Cow;

/// An exam made ready for comparison.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Session<'a> {
    pub(super) exam: &'a Exam,
    pub(super) usable: Usable,
    pub(super) planes: PerEye<EyePlanes>,
    /// Age in years at the exam, if the birth date is known; negative before birth.
    pub(super) age: Option<f64>,
}

impl<'a> Session<'a> {
    pub(super) fn of(exam: &'a Exam, subject: &Subject, parameters: &Parameters) -> Self {
        let usable = Usable::of(exam, parameters);
        Session {
            exam,
            planes: PerEye::from_fn(|eye| EyePlanes::of(usable.readings.of(eye))),
            usable,
            age: subject
                .birth_date
                .map(|born| years_between(born, exam.date)),
        }
    }

    pub(super) fn before_birth(&self) -> bool {
        self.age.is_some_and(|age| age < 0.0)
    }

    pub(super) fn aside(&self, why: Unused) -> SetAside {
        SetAside {
            exam: self.exam.id.clone(),
            reason: Why::Found(why),
        }
    }
}

/// The days on which something happened that may leave the sheath changed, in order.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Events {
    days: Vec<NaiveDate>,
}

impl Events {
    /// Dated events, and the exams whose label tells of one. The label of an excluded exam counts:
    /// a baseline exam shortly after a crisis would be too high and hide a rise.
    pub(super) fn of(subject: &Subject, exams: &[&Exam]) -> Self {
        let told = exams.iter().filter(|exam| {
            matches!(
                exam.label,
                Some(Label::RaisedConfirmed | Label::AfterDecompression)
            )
        });
        let dated = subject.events.iter().map(|event| event.date);
        let mut days: Vec<NaiveDate> = dated.chain(told.map(|exam| exam.date)).collect();
        days.sort_unstable();
        days.dedup();
        Events { days }
    }

    /// Whether a day is that of an event or within so many days after one, the last one included.
    fn wash_out(&self, day: NaiveDate, days: i64) -> bool {
        let mut since = self.days.iter().map(|event| (day - *event).num_days());
        since.any(|since| (0..=days).contains(&since))
    }

    /// Days of the events before today's exam, in order.
    fn past(&self, today: &Exam) -> impl Iterator<Item = NaiveDate> {
        let own = today.label == Some(Label::AfterDecompression);
        let (date, days) = (today.date, self.days.iter().copied());
        days.filter(move |day| *day < date || (own && *day == date))
    }

    /// Day of the last event before today's exam.
    pub(super) fn last(&self, today: &Exam) -> Option<NaiveDate> {
        self.past(today).last()
    }

    /// First event between two exams; one on the day of the first is taken to follow it.
    pub(super) fn first_between(&self, from: NaiveDate, to: NaiveDate) -> Option<NaiveDate> {
        let mut days = self.days.iter().copied();
        days.find(|day| (from..to).contains(day))
    }

    /// First days of the events before today's exam, those counted as one that have no eligible
    /// exam between them.
    ///
    /// An event on the day of an exam is taken to follow it: the other order would widen the
    /// interval and could hide a rise. Only an exam labelled as after decompression follows its own.
    pub(super) fn episodes(&self, today: &Exam, eligible: &[&Session<'_>]) -> Vec<NaiveDate> {
        let past = self.past(today);
        let mut episodes = Vec::new();
        let mut previous = None;
        for day in past {
            let apart = previous.is_none_or(|previous| {
                let mut dates = eligible.iter().map(|session| session.exam.date);
                dates.any(|date| previous < date && date <= day)
            });
            if apart {
                episodes.push(day);
            }
            previous = Some(day);
        }
        episodes
    }
}

/// What the comparison of an exam with the days before it said, labelled or not.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Outcome {
    pub(super) status: Status,
    pub(super) reason: Option<Reason>,
    pub(super) flagged: bool,
    /// Sorted.
    pub(super) notices: Vec<Notice>,
}

impl Outcome {
    pub(super) fn of(answer: &Assessment) -> Self {
        Outcome {
            status: answer.status,
            reason: answer.reason,
            flagged: answer.flagged,
            notices: answer.notices.clone(),
        }
    }
}

/// An exam before the assessed one, and what it was itself found to be.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Earlier<'a> {
    pub(super) session: &'a Session<'a>,
    /// `None` only where nobody asked: of an exam of an earlier day it is always there.
    pub(super) outcome: Option<Outcome>,
}

impl Earlier<'_> {
    /// Whether it was itself flagged.
    pub(super) fn rose(&self) -> bool {
        self.outcome.as_ref().is_some_and(|outcome| outcome.flagged)
    }

    /// Why the exam can serve nobody as baseline, whatever is compared with it.
    pub(super) fn barred(&self, events: &Events, parameters: &Parameters) -> Option<Why> {
        let exam = self.session.exam;
        if let Some(code) = &exam.excluded {
            return Some(Why::Given(Cow::Owned(code.clone())));
        }
        let found = match exam.label {
            _ if self.session.before_birth() => Unused::BeforeBirth,
            Some(Label::RaisedConfirmed) => Unused::RaisedConfirmed,
            Some(Label::AfterDecompression) => Unused::AfterDecompression,
            None if parameters.unlabelled == Unlabelled::Ignore => Unused::Unlabelled,
            None if self.rose() => Unused::UnlabelledAboveExpected,
            _ if events.wash_out(exam.date, parameters.washout_days) => Unused::Washout,
            _ if self.session.usable.is_empty() => Unused::NoUsableMeasurement,
            Some(Label::Well | Label::RaisedRuledOut) | None => return None,
        };
        Some(Why::Found(found))
    }
}

/// Different kinds of imaging are never compared.
pub(super) fn same_modality(a: Modality, b: Modality) -> bool {
    a == b
}

/// Unknown borders match both; outer ones read about 0.8 mm wider than inner ones.
pub(super) fn same_borders(a: Option<Border>, b: Option<Border>) -> bool {
    a.is_none() || b.is_none() || a == b
}

/// Whether a baseline of that age has expired at the age of today. Without a birth date it cannot
/// be known, and `age_unknown` says so.
pub(super) fn expired(then: Option<f64>, now: Option<f64>, parameters: &Parameters) -> bool {
    match (then, now) {
        (Some(then), Some(now)) => then < parameters.newborn_age && now >= parameters.newborn_age,
        _ => false,
    }
}
