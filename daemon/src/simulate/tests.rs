//! The promises of the comparison, kept on invented patients.
//!
//! Expected rates come from 20,000 patients of a separate implementation; 4,000 are drawn here. The
//! tolerance is three binomial standard errors of the difference.

use super::*;
use crate::assess::{Parameters, assess};
use crate::domain::Millimetres;

const PATIENTS: u64 = 4000;

fn plan(seed: u64) -> Plan {
    Plan {
        patients: PATIENTS,
        seed,
        parameters: Parameters::default(),
        threads: 2,
    }
}

fn row(scenario: Scenario, baseline_exams: usize) -> Row {
    run(&plan(1), scenario, baseline_exams, &|_| {}).unwrap()
}

#[track_caller]
fn rate(what: &str, found: f64, expected: f64) {
    let n = PATIENTS as f64;
    let error = 3.0 * (expected * (1.0 - expected) * (1.0 / n + 1.0 / 20_000.0)).sqrt();
    // Half a unit of the printed digit.
    let tolerance = error + 0.0005;
    assert!(
        (found - expected).abs() <= tolerance,
        "{what}: {found} is not {expected} within {tolerance:.4}"
    );
}

/// Rates in the order: false flags, well above, below, coverage, found at the four rises.
#[track_caller]
fn keeps(row: &Row, rates: [f64; 8], smallest: f64) {
    let [flags, well, below, coverage, found @ ..] = rates;
    rate("false flags", row.false_flags, flags);
    rate("well above", row.well_above, well);
    rate("below", row.below, below);
    rate("coverage", row.coverage_95.unwrap(), coverage);
    for ((rise, seen), expected) in RISES_MM.iter().zip(row.found).zip(found) {
        rate(&format!("found at {rise}"), seen, expected);
    }
    let change = row.smallest_change_mm.unwrap();
    assert!((change - smallest).abs() <= 0.006, "{change}, {smallest}");
}

#[test]
fn adults_with_one_baseline_exam() {
    keeps(
        &row(Scenario::AdultPool, 1),
        [0.050, 0.012, 0.010, 0.949, 0.408, 0.718, 0.863, 0.945],
        0.644,
    );
}

#[test]
fn adults_with_three_baseline_exams() {
    keeps(
        &row(Scenario::AdultPool, 3),
        [0.056, 0.011, 0.010, 0.948, 0.546, 0.864, 0.956, 0.988],
        0.483,
    );
}

#[test]
fn children_of_three_with_a_gap_of_three_years() {
    keeps(
        &row(Scenario::Child3Gap3, 3),
        [0.052, 0.009, 0.012, 0.948, 0.494, 0.822, 0.935, 0.982],
        0.516,
    );
}
