//! What it costs that a doubt about what was measured keeps an exam from bearing on others: the same patients
//! with the doubts and without.
//!
//!     SHEATHLINE_TABLE_PATIENTS=20000 cargo test --release -p sheathline-model --lib what_doubts_cost_on_a_ward -- --ignored --nocapture
//!
//! `SHEATHLINE_TABLE_ROWS` chooses rows as in `ward`.

use super::ward::{is_asked, ward_plan};
use super::*;
use crate::assess::{assess_with_course, flags_without_doubts};

const RISES: [f64; 3] = [0.0, 0.6, 0.8];

const ROWS: [Situation; 5] = [
    Situation::Labelled,
    Situation::Unlabelled,
    Situation::FailedRevisionSame,
    Situation::FailedRevisionTurns,
    Situation::FailedRevisionOthers,
];

/// Exams flagged with the doubts and without them, and those flagged one way alone.
#[derive(Debug, Default, Clone, Copy)]
struct Paired {
    heeded: u64,
    unheeded: u64,
    lost: u64,
    gained: u64,
}

#[derive(Default)]
struct Costs {
    patients: u64,
    of: [Paired; 3],
}

impl Costs {
    fn join(mut self, other: Costs) -> Costs {
        self.patients += other.patients;
        for (sum, more) in self.of.iter_mut().zip(other.of) {
            sum.heeded += more.heeded;
            sum.unheeded += more.unheeded;
            sum.lost += more.lost;
            sum.gained += more.gained;
        }
        self
    }

    /// Share of exams no longer flagged for the doubts, and its standard error.
    fn cost(&self, of: &Paired) -> (f64, f64) {
        let n = self.patients as f64;
        let cost = (of.lost as f64 - of.gained as f64) / n;
        let square = (of.lost + of.gained) as f64 / n - cost * cost;
        (cost, (square / n).sqrt())
    }
}

fn costs(plan: &Plan, situation: Situation, k: usize) -> Costs {
    let p = &plan.parameters;
    let add = |costs: &mut Costs, number: u64| {
        costs.patients += 1;
        for (paired, rise) in costs.of.iter_mut().zip(RISES) {
            let mut dice = run::situation_dice(situation, k, plan.seed, number);
            let recipe = recipe::Recipe::of(situation, k, p, &mut dice);
            let history = history::history(&recipe, rise, p, &mut dice);
            let today = (recipe.visits.len() - 1).to_string();
            let with = assess_with_course(&history, p)?[&today].0.flagged;
            let without = flags_without_doubts(&history, p)?[&today];
            paired.heeded += u64::from(with);
            paired.unheeded += u64::from(without);
            paired.lost += u64::from(without && !with);
            paired.gained += u64::from(with && !without);
        }
        Ok(())
    };
    run::many(plan, &TWO, &|_| {}, add, Costs::join).unwrap()
}

/// At most 0.2 points of detection in every row, within four standard errors.
#[test]
fn doubts_cost_next_to_no_detection_on_a_ward() {
    for situation in ROWS {
        let costs = costs(&ward_plan(), situation, 3);
        for (paired, rise) in costs.of.iter().zip(RISES).skip(1) {
            let (cost, error) = costs.cost(paired);
            // One lost of so few is chance as well.
            let error = error.max(0.5 / costs.patients as f64);
            assert!(
                cost <= 0.002 + 4.0 * error,
                "{} +{rise}: {paired:?}",
                situation.word()
            );
        }
    }
}

/// The numbers for the manual.
#[test]
#[ignore = "minutes"]
fn what_doubts_cost_on_a_ward() {
    for situation in ROWS {
        let all = situation.usual_exams().iter();
        for exams in all.filter(|exams| is_asked(situation, **exams)) {
            let costs = costs(&ward_plan(), situation, *exams);
            for (paired, rise) in costs.of.iter().zip(RISES) {
                let (cost, error) = costs.cost(paired);
                println!(
                    "{:<18} {exams} +{rise:.1}: cost {:+.3} ({:.3}) points; {paired:?}",
                    situation.word(),
                    100.0 * cost,
                    100.0 * error
                );
            }
        }
    }
}
