//! How many comparisons one core makes in a second.
//!
//! `cargo bench --bench assess` makes a million of each kind; `cargo test --bench assess` a few, to
//! see that it runs.
#![allow(missing_docs)]
#![allow(clippy::print_stdout, reason = "a benchmark prints")]
#![allow(clippy::expect_used, reason = "a benchmark may stop")]

use sheathline_model::assess::{Parameters, Question, assess};
use sheathline_model::simulate::{Scenario, question};
use std::hint::black_box;
use std::time::Instant;

/// Different patients that take turns, so that no branch is learnt by heart.
const PATIENTS: u64 = 1000;

fn main() {
    let bench = std::env::args().any(|argument| argument == "--bench");
    let comparisons = if bench { 1_000_000 } else { 2_000 };
    for baseline_exams in [1, 3, 10, 20] {
        let parameters = Parameters::default();
        let questions: Vec<Question> = (0..PATIENTS)
            .map(|n| question(Scenario::AdultPool, baseline_exams, &parameters, 1, n))
            .collect::<Result<_, _>>()
            .expect("default parameters");
        let start = Instant::now();
        let mut flagged = 0_u64;
        for asked in questions.iter().cycle().take(comparisons) {
            let answer = assess(black_box(asked)).expect("a question that can be asked");
            flagged += u64::from(answer.flagged);
        }
        let seconds = start.elapsed().as_secs_f64();
        println!(
            "{baseline_exams:>2} baseline exams: {comparisons} comparisons in {seconds:.2} s, \
             {:.0} a second, {:.1} microseconds each; {:.1} % flagged",
            comparisons as f64 / seconds,
            1e6 * seconds / comparisons as f64,
            100.0 * flagged as f64 / comparisons as f64
        );
    }
}
