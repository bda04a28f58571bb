//! Many patients at once. What comes out does not depend on how many threads share the work.

use super::dice::Dice;
use super::patient::invent;
use super::scenario::Scenario;
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
    let next = AtomicU64::new(0);
    let work = || -> Result<Tally, QuestionError> {
        let mut tally = Tally::default();
        loop {
            let from = next.fetch_add(BATCH, Ordering::Relaxed);
            if from >= plan.patients {
                return Ok(tally);
            }
            let to = (from + BATCH).min(plan.patients);
            for number in from..to {
                let question = invent(scenario, k, p, &mut dice(scenario, k, plan.seed, number));
                tally.add(scenario, &question, p)?;
            }
            progress(to - from);
        }
    };
    let tally = std::thread::scope(|scope| -> Result<Tally, QuestionError> {
        let others: Vec<_> = (1..plan.threads).map(|_| scope.spawn(work)).collect();
        let mut total = work()?;
        for other in others {
            match other.join() {
                Ok(tally) => total = total.join(tally?),
                Err(panic) => std::panic::resume_unwind(panic),
            }
        }
        Ok(total)
    })?;
    Ok(tally.row(scenario, k))
}
