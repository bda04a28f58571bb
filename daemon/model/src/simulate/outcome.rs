//! What the program says of invented patients in a situation, counted.

use super::dice::Dice;
use super::history::history;
use super::recipe::Recipe;
use super::situation::{Sign, Situation};
use crate::assess::{
    AfterState, Assessment, Course, History, Notice, Parameters, Question, QuestionError, assess,
    assess_with_course,
};
use serde::Serialize;
use std::collections::BTreeMap;

/// Rises that are looked for in a situation, mm; the first is none.
pub const SITUATION_RISES_MM: [f64; 5] = [0.0, 0.4, 0.6, 0.8, 1.0];

/// One situation with one number of earlier exams. Shares are of all patients, 0 to 1, in the order of
/// the rises.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SituationRow {
    /// Name of the situation.
    pub situation: &'static str,
    /// Earlier exams, or those since the event.
    pub exams: usize,
    /// Patients drawn.
    pub patients: u64,
    /// Rises looked for, mm; the first is none.
    pub rises_mm: [f64; 5],
    /// The exam assessed is flagged.
    pub flagged: [f64; 5],
    /// What the situation is about is told, of those whom it concerns; `None` where there is nothing to
    /// tell.
    pub told: [Option<f64>; 5],
    /// Any unlabelled exam is doubted: the nerve, exchanged sides, an earlier exam again.
    pub doubted: [f64; 5],
}

#[derive(Debug, Default, Clone, Copy, PartialEq, Eq)]
struct Count {
    flagged: u64,
    told: u64,
    concerned: u64,
    doubted: u64,
}

/// Counts for each rise.
#[derive(Debug, Default, Clone, Copy, PartialEq, Eq)]
pub(super) struct Counts {
    patients: u64,
    of: [Count; 5],
}

type Answers = BTreeMap<String, (Assessment, Course)>;

impl Counts {
    /// One more patient; `dice` makes the same dice each time.
    pub(super) fn add(
        &mut self,
        situation: Situation,
        k: usize,
        p: &Parameters,
        dice: &dyn Fn() -> Dice,
    ) -> Result<(), QuestionError> {
        self.patients += 1;
        for (count, rise) in self.of.iter_mut().zip(SITUATION_RISES_MM) {
            let mut dice = dice();
            let recipe = Recipe::of(situation, k, p, &mut dice);
            let history = history(&recipe, rise, p, &mut dice);
            let answers = assess_with_course(&history, p)?;
            let flagged = flag(&answers, recipe.visits.len() - 1);
            count.flagged += u64::from(flagged);
            let told = told(situation.sign(), &recipe, &history, &answers, p)?;
            count.concerned += u64::from(told.is_some());
            count.told += u64::from(told == Some(true));
            let mut visits = recipe.visits.iter().enumerate();
            let doubted = visits.any(|(at, visit)| {
                visit.label.is_none()
                    && answer(&answers, at)
                        .is_some_and(|(answer, _)| answer.notices.iter().any(|n| n.is_doubt()))
            });
            count.doubted += u64::from(doubted);
        }
        Ok(())
    }

    /// The counts of both; the order does not matter.
    pub(super) fn join(mut self, other: Counts) -> Counts {
        self.patients += other.patients;
        for (sum, more) in self.of.iter_mut().zip(other.of) {
            sum.flagged += more.flagged;
            sum.told += more.told;
            sum.concerned += more.concerned;
            sum.doubted += more.doubted;
        }
        self
    }

    pub(super) fn row(self, situation: Situation, exams: usize) -> SituationRow {
        let share = |count: u64| count as f64 / self.patients.max(1) as f64;
        SituationRow {
            situation: situation.word(),
            exams,
            patients: self.patients,
            rises_mm: SITUATION_RISES_MM,
            flagged: self.of.map(|count| share(count.flagged)),
            told: self.of.map(|count| {
                (count.concerned > 0).then(|| count.told as f64 / count.concerned as f64)
            }),
            doubted: self.of.map(|count| share(count.doubted)),
        }
    }
}

fn answer(answers: &Answers, at: usize) -> Option<&(Assessment, Course)> {
    answers.get(&at.to_string())
}

fn flag(answers: &Answers, at: usize) -> bool {
    answer(answers, at).is_some_and(|(answer, _)| answer.flagged)
}

/// Whether the answers tell what the situation is about; `None` where it does not concern the patient.
fn told(
    sign: Sign,
    recipe: &Recipe,
    history: &History,
    answers: &Answers,
    p: &Parameters,
) -> Result<Option<bool>, QuestionError> {
    let last = recipe.visits.len() - 1;
    let Some((today, course)) = answer(answers, last) else {
        return Ok(None);
    };
    let state = |state| {
        course
            .after_event
            .as_ref()
            .is_some_and(|after| after.state == state)
    };
    Ok(match sign {
        Sign::Nothing => None,
        Sign::WrongUnused => (!recipe.wrong.is_empty()).then(|| {
            let mut wrong = recipe.wrong.iter().map(usize::to_string);
            wrong.all(|id| !today.baseline.contains(&id))
        }),
        Sign::AsEarly => as_early(recipe, history, answers, p)?,
        Sign::AnyOfTheDay => {
            let day = recipe.visits.get(last).map(|visit| visit.day);
            let mut visits = recipe.visits.iter().enumerate();
            Some(visits.any(|(at, visit)| Some(visit.day) == day && flag(answers, at)))
        }
        Sign::Returned => {
            let after = course.after_event.as_ref();
            Some(after.is_some_and(|after| after.returned_on.is_some()))
        }
        Sign::SettledWider => Some(state(AfterState::SettledWider)),
        Sign::WideningAgain => Some(state(AfterState::WideningAgain)),
        Sign::ExchangeSuspected => Some(today.notices.contains(&Notice::SidesExchangedSuspected)),
    })
}

/// Whether the first flag of the days of the rise comes no later than it would come were each of these days
/// the first; `None` where none would be flagged.
fn as_early(
    recipe: &Recipe,
    history: &History,
    answers: &Answers,
    p: &Parameters,
) -> Result<Option<bool>, QuestionError> {
    let before = recipe.visits.iter().take_while(|visit| visit.rise == 0.0);
    let before = before.count();
    for (at, exam) in history.exams.iter().enumerate().skip(before) {
        let earlier = history.exams.iter().take(before);
        let alone = Question {
            patient: history.patient.clone(),
            exams: earlier.chain([exam]).cloned().collect(),
            assess: exam.id.clone(),
            parameters: *p,
        };
        if assess(&alone)?.flagged {
            return Ok(Some((before..=at).any(|at| flag(answers, at))));
        }
    }
    Ok(None)
}
