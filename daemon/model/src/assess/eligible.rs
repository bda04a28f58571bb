//! Which earlier exams may serve as baseline, and how events divide the time of a patient.

use super::after_event::AfterState;
use super::growth::years_between;
use super::notice::{Notice, Reason, SetAside, Unused, Why};
use super::planes::EyePlanes;
use super::summary::Usable;
use super::{Assessment, Exam, Modality, Parameters, PerEye, Status, Subject, Unlabelled};
use crate::domain::{Border, Label};
use chrono::NaiveDate;
use std::borrow::Cow;
use std::collections::BTreeMap;

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

    /// Why the exam can serve nobody as baseline, whoever asks and whenever.
    pub(super) fn barred(&self, events: &Events<'_>, parameters: &Parameters) -> Option<Why> {
        let exam = self.exam;
        if let Some(code) = &exam.excluded {
            return Some(match code.as_str() {
                Unused::LEFT_OUT => Why::Found(Unused::LeftOut),
                _ => Why::Given(Cow::Owned(code.clone())),
            });
        }
        let found = match exam.label {
            _ if self.before_birth() => Unused::BeforeBirth,
            Some(Label::RaisedConfirmed) => Unused::RaisedConfirmed,
            Some(Label::AfterDecompression) => Unused::AfterDecompression,
            None if parameters.unlabelled == Unlabelled::Ignore => Unused::Unlabelled,
            _ if events.wash_out(exam, parameters.washout_days) => Unused::Washout,
            _ if self.usable.is_empty() => Unused::NoUsableMeasurement,
            Some(Label::Well | Label::RaisedRuledOut) | None => return None,
        };
        Some(Why::Found(found))
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
pub(super) struct Events<'a> {
    days: Vec<NaiveDate>,
    /// Exams whose label tells of one, by day.
    told: BTreeMap<NaiveDate, Vec<&'a Exam>>,
}

impl<'a> Events<'a> {
    /// Dated events, and the exams whose label tells of one. The label of an excluded exam counts:
    /// a baseline exam shortly after a crisis would be too high and hide a rise.
    pub(super) fn of(subject: &Subject, exams: &[&'a Exam]) -> Self {
        let mut told: BTreeMap<_, Vec<_>> = BTreeMap::new();
        for exam in exams {
            if matches!(
                exam.label,
                Some(Label::RaisedConfirmed | Label::AfterDecompression)
            ) {
                told.entry(exam.date).or_default().push(*exam);
            }
        }
        let dated = subject.events.iter().map(|event| event.date);
        let mut days: Vec<NaiveDate> = dated.chain(told.keys().copied()).collect();
        days.sort_unstable();
        days.dedup();
        Events { days, told }
    }

    /// Whether an exam comes so soon after an event that it may still show it: less than so many days
    /// after it. A dated event of the exam's own day is taken to follow it; an exam of that day that
    /// tells of one follows it only where the times of both say so.
    fn wash_out(&self, exam: &Exam, days: i64) -> bool {
        let told = self.told.get(&exam.date).into_iter().flatten();
        let mut told = told.filter(|other| other.id != exam.id);
        let follows = |other: &Exam| {
            let times = exam.time.zip(other.time);
            times.is_some_and(|(own, other)| own < other)
        };
        if days > 0 && told.any(|other| !follows(other)) {
            return true;
        }
        let before = self.days.partition_point(|day| *day < exam.date);
        let last = before.checked_sub(1).and_then(|at| self.days.get(at));
        last.is_some_and(|event| (exam.date - *event).num_days() < days)
    }

    /// Whether an event known at today's exam lies less than so many days before or after another.
    fn near(&self, exam: &Exam, today: &Exam, days: i64) -> bool {
        let from = self
            .days
            .partition_point(|day| (exam.date - *day).num_days() >= days);
        let own = today.label == Some(Label::AfterDecompression);
        self.days.get(from).is_some_and(|event| {
            (*event - exam.date).num_days() < days
                && (*event < today.date || (own && *event == today.date))
        })
    }

    /// Days of the events before today's exam, in order.
    fn past(&self, today: &Exam) -> impl Iterator<Item = NaiveDate> {
        let own = today.label == Some(Label::AfterDecompression);
        let (date, days) = (today.date, self.days.iter().copied());
        days.filter(move |day| *day < date || (own && *day == date))
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
    /// What was known of the time after an event.
    pub(super) after_event: Option<AfterState>,
}

impl Outcome {
    pub(super) fn of(answer: &Assessment, after_event: Option<AfterState>) -> Self {
        Outcome {
            status: answer.status,
            reason: answer.reason,
            flagged: answer.flagged,
            notices: answer.notices.clone(),
            after_event,
        }
    }
}

/// An exam before the assessed one, and what it was itself found to be.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Earlier<'a> {
    pub(super) session: &'a Session<'a>,
    /// `None` only where nobody asked: of an exam of an earlier day it is always there.
    pub(super) outcome: Option<Outcome>,
    pub(super) since: Since,
}

/// What other exams of earlier days than today's have shown of an exam.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(super) struct Since {
    /// Another one near it was flagged, and no person has said that the pressure was not raised.
    pub(super) near_flagged: bool,
    /// One after it lies below it by more than error; looked for only in exams with nothing to be
    /// compared with.
    pub(super) wider_than_later: bool,
}

impl<'a> Earlier<'a> {
    /// An exam and its own answer; nothing is known yet of those after it.
    pub(super) fn of(
        session: &'a Session<'a>,
        answer: &Assessment,
        after_event: Option<AfterState>,
    ) -> Self {
        Earlier {
            session,
            outcome: Some(Outcome::of(answer, after_event)),
            since: Since::default(),
        }
    }

    /// Whether it was itself flagged.
    pub(super) fn rose(&self) -> bool {
        self.outcome.as_ref().is_some_and(|own| own.flagged)
    }

    /// Whether the width had returned after an event by then.
    pub(super) fn had_returned(&self) -> bool {
        let own = self.outcome.as_ref();
        own.is_some_and(|own| own.after_event == Some(AfterState::Returned))
    }

    /// Whether it was itself flagged and no person has said what it was: a label either clears it or
    /// tells of an event.
    pub(super) fn suspicious(&self) -> bool {
        self.session.exam.label.is_none() && self.rose()
    }

    /// Whether its own answer doubts what was measured.
    pub(super) fn doubted(&self) -> bool {
        let own = self.outcome.as_ref();
        own.is_some_and(|own| own.notices.iter().any(|notice| notice.is_doubt()))
    }

    /// Whether nothing of its kind had been there to compare it with: nobody knows whether it was
    /// taken in health, which a later, lower one can decide.
    pub(super) fn had_nothing(&self) -> bool {
        let reason = self.outcome.as_ref().and_then(|own| own.reason);
        self.session.exam.label.is_none()
            && matches!(
                reason,
                Some(
                    Reason::NoEligibleSession
                        | Reason::ModalityDiffers
                        | Reason::NewbornBaselineExpired
                )
            )
    }

    /// Whether its width may speak against an exam before it.
    pub(super) fn may_testify(&self) -> bool {
        let session = self.session;
        session.exam.excluded.is_none()
            && !session.before_birth()
            && (session.exam.label.is_some() || !self.doubted())
    }

    /// Why the exam cannot serve as baseline today, as far as it lies with the exam itself, with people
    /// and with the days around it.
    pub(super) fn barred(
        &self,
        today: &Session<'_>,
        events: &Events<'_>,
        parameters: &Parameters,
    ) -> Option<Why> {
        let session = self.session;
        // Neither a label nor time would bring these in; the comparison says what is wrong with them.
        let never = !same_modality(session.exam.modality, today.exam.modality)
            || !same_borders(session.exam.definition, today.exam.definition)
            || expired(session.age, parameters);
        session.barred(events, parameters).or_else(|| {
            let provisional = session.exam.label.is_none() && !never;
            let found = provisional.then(|| self.unfit(today, events, parameters));
            found.flatten().map(Why::Found)
        })
    }

    /// Why an exam that nobody has labelled may not even serve provisionally.
    ///
    /// A width below expected serves like one within: it can hide no rise, and leaving the low ones
    /// out would make the baseline too high. So does one above expected, since leaving out whatever was
    /// flagged keeps only the low ones and flags stable people too often; one well above does not.
    fn unfit(
        &self,
        today: &Session<'_>,
        events: &Events<'_>,
        parameters: &Parameters,
    ) -> Option<Unused> {
        let (exam, days) = (self.session.exam, parameters.provisional_after_days);
        let status = self.outcome.as_ref().map(|own| own.status);
        let apart = (today.exam.date - exam.date).num_days();
        let found = match status {
            _ if self.doubted() => Unused::UnlabelledDoubted,
            Some(Status::WellAboveExpected) => Unused::UnlabelledWellAboveExpected,
            Some(Status::NotComparable) if !self.had_nothing() => Unused::UnlabelledNotCompared,
            _ if self.since.wider_than_later => Unused::UnlabelledFirstWider,
            _ if self.since.near_flagged => Unused::UnlabelledNearFlagged,
            _ if events.near(exam, today.exam, days) => Unused::UnlabelledNearEvent,
            _ if apart < days => Unused::UnlabelledTooRecent,
            _ => return None,
        };
        Some(found)
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

/// Whether an exam is of the first weeks of life, in which the sheath grows fastest: it serves nobody,
/// neither afterwards nor while they last. Without a birth date it cannot be known, and `age_unknown`
/// says so.
pub(super) fn expired(age: Option<f64>, parameters: &Parameters) -> bool {
    age.is_some_and(|age| age < parameters.newborn_age)
}
