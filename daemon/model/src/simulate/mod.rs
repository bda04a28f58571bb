//! Invented patients drawn from the model: how often a comparison flags when nothing changed, and
//! how large a rise must be before it is found.
//!
//! The patients follow the same `[baseline]` numbers that the comparison uses, except for what a
//! [`Scenario`] changes. So a simulation shows what the rules promise, not what a clinic sees.
//! Reading order: `dice` (seeded chance), `scenario` (what is changed), `patient` (one invented
//! patient), `rules` (simpler rules beside ours), `tally` (counts), `run` (many patients).
//!
//! Beside the scenarios, which all have labelled baselines and one exam assessed, stand the situations of
//! a ward: `situation` (which there are), `recipe` (exams with days, labels and true widths), `history`
//! (one invented patient), `outcome` (what the program says of all the exams, counted).

mod dice;
mod history;
mod outcome;
mod patient;
mod recipe;
mod rules;
mod run;
mod scenario;
mod situation;
mod tally;

#[cfg(test)]
mod tests;

#[cfg(any(test, feature = "tests"))]
pub(crate) use dice::Dice;
pub use outcome::{SITUATION_RISES_MM, SituationRow};
pub use rules::Rule;
pub use run::{Alone, Hands, MAX_BASELINE_EXAMS, Plan, run, run_situation};
pub use scenario::Scenario;
pub use situation::Situation;
pub use tally::{RISES_MM, Row, RuleRow};

use crate::assess::{Parameters, Question, QuestionError};

/// One invented, stable patient as a question; the same for the same numbers on any machine.
///
/// # Errors
/// The parameters cannot be used.
pub fn question(
    scenario: Scenario,
    baseline_exams: usize,
    parameters: &Parameters,
    seed: u64,
    number: u64,
) -> Result<Question, QuestionError> {
    parameters.check()?;
    Ok(patient::invent(
        scenario,
        baseline_exams,
        parameters,
        &mut run::dice(scenario, baseline_exams, seed, number),
    ))
}
