//! Many patients at once. What comes out does not depend on how many threads share the work.

use super::dice::Dice;
use super::outcome::{Counts, SituationRow};
use super::patient::invent;
use super::scenario::Scenario;
use super::situation::Situation;
use super::tally::{Row, Tally};
use crate::assess::{Parameters, QuestionError};
use std::sync::atomic::{AtomicU64, Ordering};

/// The most baseline exams that can be invented; the comparison uses no more by default.
pub const MAX_BASELINE_EXAMS: usize = 20;

/// Patients between two reports of progress.
const BATCH: u64 = 250;

/// What to simulate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Plan {
    /// Patients for each row.
    pub patients: u64,
    /// Equal seeds give equal tables.
    pub seed: u64,
    /// Of the comparison, and of the patients where the scenario has no sizes of its own.
    pub parameters: Parameters,
    /// Threads to use.
    pub threads: usize,
}

/// Dice of one patient: they depend on nothing but these numbers.
pub(super) fn dice(scenario: Scenario, baseline_exams: usize, seed: u64, number: u64) -> Dice {
    Dice::of(&[seed, scenario as u64, baseline_exams as u64, number])
}

/// Dice of one patient in a situation; the first number keeps them apart from those of the scenarios.
pub(super) fn situation_dice(situation: Situation, exams: usize, seed: u64, number: u64) -> Dice {
    Dice::of(&[seed, u64::MAX, situation as u64, exams as u64, number])
}

/// Draws the patients of one row and tells how the rules did. `progress` is called from any thread
/// with the number of patients just done.
///
/// # Errors
/// The parameters cannot be used.
pub fn run(
    plan: &Plan,
    scenario: Scenario,
    baseline_exams: usize,
    progress: &(dyn Fn(u64) + Sync),
) -> Result<Row, QuestionError> {
    let p = &plan.parameters;
    p.check()?;
    let k = baseline_exams.clamp(1, MAX_BASELINE_EXAMS);
    let add = |tally: &mut Tally, number| {
        let question = invent(scenario, k, p, &mut dice(scenario, k, plan.seed, number));
        tally.add(scenario, &question, p)
    };
    Ok(many(plan, progress, add, Tally::join)?.row(scenario, k))
}

/// The same for a situation with so many earlier exams, or so many since the event.
///
/// # Errors
/// The parameters cannot be used.
pub fn run_situation(
    plan: &Plan,
    situation: Situation,
    exams: usize,
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
    Ok(many(plan, progress, add, Counts::join)?.row(situation, k))
}

/// Adds every patient of the plan to a sum, on many threads.
pub(super) fn many<Sum: Default + Send>(
    plan: &Plan,
    progress: &(dyn Fn(u64) + Sync),
    add: impl Fn(&mut Sum, u64) -> Result<(), QuestionError> + Sync,
    join: impl Fn(Sum, Sum) -> Sum,
) -> Result<Sum, QuestionError> {
    let next = AtomicU64::new(0);
    let work = || -> Result<Sum, QuestionError> {
        let mut sum = Sum::default();
        loop {
            let from = next.fetch_add(BATCH, Ordering::Relaxed);
            if from >= plan.patients {
                return Ok(sum);
            }
            let to = (from + BATCH).min(plan.patients);
            for number in from..to {
                add(&mut sum, number)?;
            }
            progress(to - from);
        }
    };
    std::thread::scope(|scope| {
        let others: Vec<_> = (1..plan.threads).map(|_| scope.spawn(work)).collect();
        let mut total = work()?;
        for other in others {
            match other.join() {
                Ok(sum) => total = join(total, sum?),
                Err(panic) => std::panic::resume_unwind(panic),
            }
        }
        Ok(total)
    })
}
