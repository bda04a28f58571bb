//! The promises of the comparison, kept on invented patients.
//!
//! Expected rates come from 20,000 patients of a separate implementation; 4,000 are drawn here. The
//! tolerance is three binomial standard errors of the difference.

use super::*;
use crate::assess::{Notice, Parameters, assess};
use crate::domain::Millimetres;

mod doubts;
mod table;
mod ward;

const PATIENTS: u64 = 4000;

fn plan(seed: u64) -> Plan {
    Plan {
        patients: PATIENTS,
        seed,
        parameters: Parameters::default(),
    }
}

/// So many threads that take turns, each its pieces from the last to the first.
struct Crew(u64);

impl Hands for Crew {
    fn share(&self, pieces: u64, work: &(dyn Fn(u64) + Sync)) {
        std::thread::scope(|scope| {
            for hand in 0..self.0 {
                let own = (0..pieces)
                    .rev()
                    .filter(move |piece| piece % self.0 == hand);
                scope.spawn(move || own.for_each(work));
            }
        });
    }
}

/// As many as most machines have.
const TWO: Crew = Crew(2);

fn row(scenario: Scenario, baseline_exams: usize) -> Row {
    run(&plan(1), scenario, baseline_exams, &TWO, &|_| {}).unwrap()
}

#[track_caller]
fn rate(what: &str, found: f64, expected: f64) {
    let n = PATIENTS as f64;
    // Four standard errors: 32 rates are held against the table, whose spacing of exams and numbers
    // of operators and devices are not printed with it but inferred from its other columns.
    let error = 4.0 * (expected * (1.0 - expected) * (1.0 / n + 1.0 / 20_000.0)).sqrt();
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

#[test]
fn adults_always_seen_by_another_operator() {
    keeps(
        &row(Scenario::AdultDiff, 3),
        [0.053, 0.009, 0.010, 0.950, 0.503, 0.842, 0.948, 0.987],
        0.485,
    );
}

/// The table of a seed is the same on every machine and with any number of hands.
#[test]
fn a_seed_is_a_table() {
    let with = |hands: &dyn Hands, seed| {
        let plan = Plan {
            patients: 1001,
            ..plan(seed)
        };
        run(&plan, Scenario::InfantGap1, 2, hands, &|_| {}).unwrap()
    };
    let one = with(&Alone, 7);
    assert_eq!(one, with(&Crew(3), 7));
    assert_ne!(one, with(&Alone, 8));
    assert_eq!(one.patients, 1001);
}

#[test]
fn progress_counts_every_patient() {
    let done = std::sync::atomic::AtomicU64::new(0);
    let plan = Plan {
        patients: 601,
        ..plan(1)
    };
    let count = |more| {
        done.fetch_add(more, std::sync::atomic::Ordering::Relaxed);
    };
    run(&plan, Scenario::AdultPool, 1, &TWO, &count).unwrap();
    assert_eq!(done.into_inner(), 601);
}

/// A rise put into the readings is found exactly when the shortcut says so.
#[test]
fn the_shortcut_is_what_another_assessment_says() {
    let p = Parameters::default();
    let (mut found, mut missed) = (0, 0);
    for scenario in [Scenario::AdultPool, Scenario::OneEyeRise] {
        for number in 0..150 {
            let asked = question(scenario, 3, &p, 3, number).unwrap();
            let stable = assess(&asked).unwrap();
            for rise in RISES_MM {
                let shift = scenario.rise(rise);
                let mut risen = asked.clone();
                let today = risen.exams.last_mut().unwrap();
                let eyes = [&mut today.eyes.right, &mut today.eyes.left];
                for (eye, mm) in eyes.into_iter().zip(shift) {
                    for length in eye.iter_mut() {
                        *length = Millimetres::from_mm(length.mm() + mm).unwrap();
                    }
                }
                let flagged = assess(&risen).unwrap().flagged;
                assert_eq!(tally::finds(&stable, shift, &p), flagged);
                *(if flagged { &mut found } else { &mut missed }) += 1;
            }
        }
    }
    assert!(found > 100 && missed > 100, "{found} {missed}");
}

/// Of two exams of a stable person one pair in a hundred is told to disagree: the limit is two-sided. The
/// lower one of such a pair is then used, and flags one in three who is well, so it must be as seldom.
#[test]
fn stable_pairs_disagree_in_one_of_a_hundred() {
    let p = Parameters::default();
    let n = 6000;
    let disagree = (0..n).filter(|number| {
        let asked = question(Scenario::AdultPool, 2, &p, 31, *number).unwrap();
        let answer = assess(&asked).unwrap();
        answer.notices.contains(&Notice::BaselineSessionsDisagree)
    });
    let share = disagree.count() as f64 / n as f64;
    // Four binomial standard errors.
    assert!((share - 0.01).abs() < 0.0052, "{share}");
}

/// The parameters reach the comparison and the patients.
#[test]
fn other_parameters_make_another_table() {
    let strict = Plan {
        parameters: Parameters {
            z_above: 2.326,
            z_well: 3.0,
            z_eye_above: 3.0,
            ..Parameters::default()
        },
        ..plan(1)
    };
    let row = run(&strict, Scenario::AdultPool, 1, &TWO, &|_| {}).unwrap();
    // The one-sided 99 % limit, and a little for the eyes.
    rate("false flags", row.false_flags, 0.011);
    let refused = Plan {
        parameters: Parameters {
            sigma_w: 0.0,
            ..Parameters::default()
        },
        ..plan(1)
    };
    assert!(run(&refused, Scenario::AdultPool, 1, &TWO, &|_| {}).is_err());
}

#[test]
fn every_scenario_has_its_own_name() {
    for scenario in Scenario::ALL {
        assert_eq!(Scenario::named(scenario.word()), Some(scenario));
    }
    assert_eq!(Scenario::named("adult"), None);
}

/// Moments of the dice: mean 0, the SD asked for, and the fourth moment of each kind.
#[test]
fn dice_have_the_moments_they_should() {
    let mut dice = dice::Dice::of(&[1, 2, 3]);
    let n = 200_000;
    let moment = |values: &[f64], power: i32| {
        values.iter().map(|v| v.powi(power)).sum::<f64>() / values.len() as f64
    };
    let normal: Vec<f64> = (0..n).map(|_| dice.normal(1.0)).collect();
    let heavy: Vec<f64> = (0..n).map(|_| dice.heavy(1.0)).collect();
    for values in [&normal, &heavy] {
        assert!(moment(values, 1).abs() < 0.01);
    }
    assert!((moment(&normal, 2) - 1.0).abs() < 0.015);
    assert!((moment(&normal, 4) - 3.0).abs() < 0.1);
    // The variance of a squared t4 is infinite, so its second moment is known less well.
    assert!((moment(&heavy, 2) - 1.0).abs() < 0.05);
    // Beyond 2.776 lie 5 % of t4 (any table); scaled to SD 1 that is 2.776 / sqrt 2.
    let limit = 2.776 / 2.0_f64.sqrt();
    let tail = heavy.iter().filter(|v| v.abs() > limit).count() as f64 / f64::from(n);
    assert!((tail - 0.05).abs() < 0.0015, "{tail}");
}
