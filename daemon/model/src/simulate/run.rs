//! Many patients. What comes out does not depend on how many hands share the work.

use super::dice::Dice;
use super::outcome::{Counts, SituationRow};
use super::patient::invent;
use super::scenario::Scenario;
use super::situation::Situation;
use super::tally::{Row, Tally};
use crate::assess::{Parameters, QuestionError};
use std::sync::OnceLock;

/// The most baseline exams that can be invented; the comparison uses no more by default.
pub const MAX_BASELINE_EXAMS: usize = 20;

/// Patients of one piece of the work at least, and pieces at most.
const PIECE_LEAST: u64 = 250;
const PIECES_MOST: u64 = 4096;

/// Who does the work. This package has no threads: whoever calls may bring some.
pub trait Hands {
    /// Does every piece once, in any order and any number of them at a time.
    fn share(&self, pieces: u64, work: &(dyn Fn(u64) + Sync));
}

/// One piece after the other.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Alone;

impl Hands for Alone {
    fn share(&self, pieces: u64, work: &(dyn Fn(u64) + Sync)) {
        (0..pieces).for_each(work);
    }
}

/// What to simulate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Plan {
    /// Patients for each row.
    pub patients: u64,
    /// Equal seeds give equal tables.
    pub seed: u64,
    /// Of the comparison, and of the patients where the scenario has no sizes of its own.
    pub parameters: Parameters,
}

/// Dice of one patient: they depend on nothing but these numbers.
pub(super) fn dice(scenario: Scenario, baseline_exams: usize, seed: u64, number: u64) -> Dice {
    Dice::of(&[seed, scenario as u64, baseline_exams as u64, number])
}

/// Dice of one patient in a situation; the first number keeps them apart from those of the scenarios.
pub(super) fn situation_dice(situation: Situation, exams: usize, seed: u64, number: u64) -> Dice {
    Dice::of(&[seed, u64::MAX, situation as u64, exams as u64, number])
}

/// Draws the patients of one row and tells how the rules did. `progress` is told by any hand
/// how many patients were just done.
///
/// # Errors
/// The parameters cannot be used.
pub fn run(
    plan: &Plan,
    scenario: Scenario,
    baseline_exams: usize,
    hands: &dyn Hands,
    progress: &(dyn Fn(u64) + Sync),
) -> Result<Row, QuestionError> {
    let p = &plan.parameters;
    p.check()?;
    let k = baseline_exams.clamp(1, MAX_BASELINE_EXAMS);
    let add = |tally: &mut Tally, number| {
        let question = invent(scenario, k, p, &mut dice(scenario, k, plan.seed, number));
        tally.add(scenario, &question, p)
    };
    Ok(many(plan, hands, progress, add, Tally::join)?.row(scenario, k))
}

/// The same for a situation with so many earlier exams, or so many since the event.
///
/// # Errors
/// The parameters cannot be used.
pub fn run_situation(
    plan: &Plan,
    situation: Situation,
    exams: usize,
    hands: &dyn Hands,
    progress: &(dyn Fn(u64) + Sync),
) -> Result<SituationRow, QuestionError> {
    let p = &plan.parameters;
    p.check()?;
    let k = exams.clamp(1, MAX_BASELINE_EXAMS);
    let add = |counts: &mut Counts, number| {
        counts.add(situation, k, p, &|| {
            situation_dice(situation, k, plan.seed, number)
        })
    };
    Ok(many(plan, hands, progress, add, Counts::join)?.row(situation, k))
}

/// Adds every patient of the plan to a sum. Sums of pieces are joined in the order of the patients.
pub(super) fn many<Sum: Default + Send + Sync>(
    plan: &Plan,
    hands: &dyn Hands,
    progress: &(dyn Fn(u64) + Sync),
    add: impl Fn(&mut Sum, u64) -> Result<(), QuestionError> + Sync,
    join: impl Fn(Sum, Sum) -> Sum,
) -> Result<Sum, QuestionError> {
    let size = plan.patients.div_ceil(PIECES_MOST).max(PIECE_LEAST);
    let pieces = plan.patients.div_ceil(size);
    let sums: Vec<OnceLock<Result<Sum, QuestionError>>> =
        (0..pieces).map(|_| OnceLock::new()).collect();
    let piece = |number: u64| {
        let numbers = number * size..((number + 1) * size).min(plan.patients);
        let mut sum = Sum::default();
        let mut left = numbers.clone();
        let done = left.try_for_each(|one| add(&mut sum, one));
        if let Some(place) = usize::try_from(number).ok().and_then(|at| sums.get(at)) {
            // A piece that is done twice comes out the same.
            let _ = place.set(done.map(|()| sum));
        }
        progress(numbers.end - numbers.start);
    };
    hands.share(pieces, &piece);
    let mut total = Sum::default();
    for sum in sums.into_iter().filter_map(OnceLock::into_inner) {
        total = join(total, sum?);
    }
    Ok(total)
}
