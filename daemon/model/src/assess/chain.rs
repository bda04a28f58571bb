//! All exams of a patient in the order of time: what an unlabelled exam was found to be decides
//! whether it may serve a later one.

use super::after_event::{AfterEvent, after_event};
use super::compare::{Case, Compared, compare};
use super::course::{Course, episode};
use super::eligible::{Earlier, Events, Session};
use super::question::check;
use super::screen::wider;
use super::threshold::Episode;
use super::{Assessment, Exam, History, Parameters, Question, QuestionError, Subject};
use std::collections::BTreeMap;

/// Compares one exam with the patient's own baseline.
///
/// The answer depends neither on the order of the exams nor on anything dated after the exam.
///
/// # Errors
/// The question cannot be asked: ids, planes or parameters are wrong. An exam that cannot be
/// compared is an answer, not an error.
pub fn assess(question: &Question) -> Result<Assessment, QuestionError> {
    explain(question).map(Assessment::without_arithmetic)
}

/// The same as [`assess`], with the working in [`Assessment::arithmetic`].
///
/// # Errors
/// As [`assess`].
pub fn explain(question: &Question) -> Result<Assessment, QuestionError> {
    question.parameters.check()?;
    check(&question.exams)?;
    let wanted = |exam: &&Exam| exam.id == question.assess;
    let nobody = || QuestionError::NoSuchExam {
        id: question.assess.clone(),
    };
    let today = question.exams.iter().find(wanted).ok_or_else(nobody)?;
    let exams = question.exams.iter().filter(|exam| exam.date <= today.date);
    let chain = Chain::of(&question.patient, exams.collect(), &question.parameters);
    let mut found = None;
    chain.run(Some(today), |_, answer, _, _| found = Some(answer));
    found.ok_or_else(nobody)
}

/// Compares every exam of a patient, each with what was before it. Keys are exam ids.
///
/// # Errors
/// As [`assess`].
pub fn assess_all(
    history: &History,
    parameters: &Parameters,
) -> Result<BTreeMap<String, Assessment>, QuestionError> {
    let answers = explain_all(history, parameters)?.into_iter();
    Ok(answers
        .map(|(id, answer)| (id, answer.without_arithmetic()))
        .collect())
}

/// The same as [`assess_all`], with the working.
///
/// # Errors
/// As [`assess`].
pub fn explain_all(
    history: &History,
    parameters: &Parameters,
) -> Result<BTreeMap<String, Assessment>, QuestionError> {
    parameters.check()?;
    check(&history.exams)?;
    let chain = Chain::of(&history.patient, history.exams.iter().collect(), parameters);
    let mut answers = BTreeMap::new();
    chain.run(None, |_, answer, _, _| {
        answers.insert(answer.assess.clone(), answer);
    });
    Ok(answers)
}

/// The same as [`assess_all`], with what stands beside each comparison. What a course says rests on
/// the exam and the days before it, never on anything later.
///
/// # Errors
/// As [`assess`].
pub fn assess_with_course(
    history: &History,
    parameters: &Parameters,
) -> Result<BTreeMap<String, (Assessment, Course)>, QuestionError> {
    parameters.check()?;
    check(&history.exams)?;
    let chain = Chain::of(&history.patient, history.exams.iter().collect(), parameters);
    let mut answers = BTreeMap::new();
    let mut episodes = Vec::new();
    chain.run(None, |case, answer, compared, after| {
        let date = case.today.exam.date;
        // Episodes come oldest first; those of the same day are no earlier ones.
        let before = episodes.partition_point(|one: &Episode| one.date < date);
        let earlier = episodes.get(..before).unwrap_or_default();
        let course = Course::of(case, &answer, compared.as_ref(), after, earlier);
        episodes.extend(episode(case, &answer, compared.as_ref()));
        let answer = answer.without_arithmetic();
        answers.insert(answer.assess.clone(), (answer, course));
    });
    Ok(answers)
}

/// Whether each exam is flagged when no doubt about what was measured bears on another exam: what the doubts
/// cost is the difference. Keys are exam ids.
#[cfg(test)]
pub(crate) fn flags_without_doubts(
    history: &History,
    parameters: &Parameters,
) -> Result<BTreeMap<String, bool>, QuestionError> {
    parameters.check()?;
    check(&history.exams)?;
    let chain = Chain {
        heeds_doubts: false,
        ..Chain::of(&history.patient, history.exams.iter().collect(), parameters)
    };
    let mut flags = BTreeMap::new();
    chain.run(None, |_, answer, _, _| {
        flags.insert(answer.assess.clone(), answer.flagged);
    });
    Ok(flags)
}

/// The exams of one patient, oldest first; those of one day by time, then by id.
struct Chain<'a> {
    subject: &'a Subject,
    sessions: Vec<Session<'a>>,
    events: Events<'a>,
    parameters: &'a Parameters,
    heeds_doubts: bool,
}

impl<'a> Chain<'a> {
    fn of(subject: &'a Subject, mut exams: Vec<&'a Exam>, parameters: &'a Parameters) -> Self {
        exams.sort_by(|a, b| (a.date, a.time, &a.id).cmp(&(b.date, b.time, &b.id)));
        let sessions = exams
            .iter()
            .map(|exam| Session::of(exam, subject, parameters));
        Chain {
            subject,
            sessions: sessions.collect(),
            events: Events::of(subject, &exams),
            parameters,
            heeds_doubts: true,
        }
    }

    /// Tells the answer for the wanted exam, or for all, oldest first; each exam is compared
    /// once.
    fn run(
        &self,
        wanted: Option<&Exam>,
        mut tell: impl FnMut(&Case<'_>, Assessment, Option<Compared<'_>>, Option<AfterEvent>),
    ) {
        let mut past = Past::default();
        for day in self.sessions.chunk_by(|a, b| a.exam.date == b.exam.date) {
            let mut of_the_day = Vec::new();
            for today in day {
                let others = day.iter().filter(|other| other.exam.id != today.exam.id);
                let case = Case {
                    today,
                    earlier: &past.exams,
                    earlier_today: &of_the_day,
                    same_day: &others.collect::<Vec<_>>(),
                    events: &self.events,
                    dated_events: &self.subject.events,
                    parameters: self.parameters,
                    heeds_doubts: self.heeds_doubts,
                };
                let (mut answer, compared) = compare(&case);
                let after = after_event(&case, &answer);
                if let Some(after) = &after {
                    after.raise(&mut answer);
                }
                let state = after.as_ref().map(|after| after.state);
                let mut known = Earlier::of(today, &answer, state);
                if let (false, Some(own)) = (self.heeds_doubts, &mut known.outcome) {
                    own.notices.retain(|notice| !notice.is_doubt());
                }
                if wanted.is_none_or(|exam| exam.id == today.exam.id) {
                    tell(&case, answer, compared, after);
                }
                of_the_day.push(known);
            }
            past.add(of_the_day, self.parameters);
        }
    }
}

/// The exams of the days so far, and what they say of each other. Each day is held against those
/// before it once, so that nothing is asked again for every later exam.
#[derive(Default)]
struct Past<'a> {
    exams: Vec<Earlier<'a>>,
    /// Those that had nothing to be compared with and that no later one lies below, with their places.
    firsts: Vec<(usize, &'a Session<'a>)>,
    last_flagged: Option<Earlier<'a>>,
}

impl<'a> Past<'a> {
    fn add(&mut self, day: Vec<Earlier<'a>>, parameters: &Parameters) {
        let Some(date) = day.first().map(|one| one.session.exam.date) else {
            return;
        };
        let near = |other: &Earlier<'_>| {
            let apart = (date - other.session.exam.date).num_days();
            apart < parameters.provisional_after_days
        };
        for one in day.iter().filter(|one| one.may_testify()) {
            self.hold_against(one.session, parameters);
        }
        let flagged = day.iter().filter(|one| one.suspicious());
        let flagged: Vec<&str> = flagged.map(|one| one.session.exam.id.as_str()).collect();
        let after_flagged = self.last_flagged.as_ref().is_some_and(near);
        let new = self.exams.len();
        self.exams.extend(day.iter().cloned());
        let old_and_new = self.exams.iter_mut().enumerate().rev();
        for (at, one) in old_and_new.take_while(|(at, one)| *at >= new || near(one)) {
            let own = one.session.exam.id.as_str();
            one.since.near_flagged |= flagged.iter().any(|id| *id != own);
            one.since.near_flagged |= at >= new && after_flagged;
            if at >= new && one.had_nothing() {
                self.firsts.push((at, one.session));
            }
        }
        if let Some(last) = day.into_iter().rfind(Earlier::suspicious) {
            self.last_flagged = Some(last);
        }
    }

    /// Takes out whatever had nothing to be compared with and lies above a later exam.
    fn hold_against(&mut self, later: &Session<'a>, parameters: &Parameters) {
        let exams = &mut self.exams;
        self.firsts.retain(|(at, first)| {
            let wider = wider(first, later, parameters);
            if wider && let Some(one) = exams.get_mut(*at) {
                one.since.wider_than_later = true;
            }
            !wider
        });
    }
}
