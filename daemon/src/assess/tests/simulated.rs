//! Invented patients drawn from the model: the arithmetic keeps the promises it makes.
//!
//! Expected rates come from 20,000 patients of a separate implementation; 4,000 are drawn here. The
//! tolerance is three binomial standard errors of the difference.

use super::*;
use crate::assess::Status;

const PATIENTS: usize = 4000;

/// SplitMix64 (Steele, Lea and Flood 2014): small, seeded, the same everywhere.
pub(super) struct Dice(pub(super) u64);

impl Dice {
    fn roll(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    fn uniform(&mut self) -> f64 {
        ((self.roll() >> 11) as f64 + 0.5) / (1_u64 << 53) as f64
    }

    fn below(&mut self, n: u64) -> u64 {
        self.roll() % n
    }

    /// Box and Muller.
    fn normal(&mut self, sd: f64) -> f64 {
        let radius = (-2.0 * self.uniform().ln()).sqrt();
        sd * radius * (std::f64::consts::TAU * self.uniform()).cos()
    }
}

/// How a group of patients is examined.
pub(super) struct Scenario {
    pub(super) baseline_exams: usize,
    /// Days from the last baseline exam to today.
    pub(super) gap: u64,
    /// Age at the first baseline exam, days.
    pub(super) age: u64,
}

#[derive(Default)]
struct Tally {
    flagged: usize,
    well_above: usize,
    below: usize,
    covered: usize,
    found: usize,
    smallest: Vec<f64>,
}

/// Days between baseline exams, and the number of operators and of devices that take turns. The
/// table that the rates come from says "a few, mixed" and shows no spacing; these sizes give its
/// smallest changes.
const SPACING: u64 = 120;
const OPERATORS: u64 = 5;
const DEVICES: u64 = 4;

fn run(scenario: &Scenario, seed: u64) -> Tally {
    let mut dice = Dice(seed);
    let mut tally = Tally::default();
    for _ in 0..PATIENTS {
        let (subject, exams) = patient(scenario, &mut dice);
        let answer = answer(subject, exams);
        let row = both(&answer);
        tally.flagged += usize::from(answer.flagged);
        tally.well_above += usize::from(answer.status == Status::WellAboveExpected);
        tally.below += usize::from(answer.status == Status::BelowExpected);
        tally.covered += usize::from(row.z.abs() <= 1.959_963_985);
        // Both eyes 0.8 mm wider: readings move by whole rounding steps, the baseline not at all.
        let rises = [
            (row, 1.645),
            (eye(&answer, Eye::Right), 2.326),
            (eye(&answer, Eye::Left), 2.326),
        ];
        let found = rises
            .iter()
            .any(|(row, limit)| row.z + 0.8 / row.sd_mm >= *limit);
        tally.found += usize::from(found);
        tally.smallest.push(row.smallest_change_mm);
    }
    tally.smallest.sort_by(f64::total_cmp);
    tally
}

/// One stable patient of the model.
pub(super) fn patient(scenario: &Scenario, dice: &mut Dice) -> (Subject, Vec<Exam>) {
    let p = Parameters::default();
    let born = day("2000-01-01");
    let first = born + chrono::Days::new(scenario.age);
    // Drawn anew for each patient, so that patients are independent.
    let operators: Vec<f64> = (0..OPERATORS).map(|_| dice.normal(p.sigma_o)).collect();
    let devices: Vec<f64> = (0..DEVICES).map(|_| dice.normal(p.sigma_d)).collect();
    let mut level = 5.2 + dice.normal(0.3);
    let asymmetry = dice.normal(p.sigma_a);
    let growth = p.growth_g + dice.normal(p.growth_sd);
    let k = scenario.baseline_exams;
    let mut before = first;
    let mut exams = Vec::new();
    for at in 0..=k {
        let days = match at {
            0 => 0,
            _ if at == k => scenario.gap,
            _ => SPACING,
        };
        let date = before + chrono::Days::new(days);
        before = date;
        level += dice.normal((p.q * days as f64 / 365.25).sqrt());
        let age = |date: NaiveDate| {
            ((date - born).num_days() as f64 / 365.25).clamp(p.growth_min, p.growth_stop)
        };
        let grown = growth * (age(date) / age(first)).ln();
        let operator = dice.below(OPERATORS) as usize;
        let device = dice.below(DEVICES) as usize;
        let shared = level
            + grown
            + operators[operator]
            + devices[device]
            + dice.normal((p.rho_s * p.sigma_s * p.sigma_s).sqrt());
        let mut readings = |side: f64| -> Vec<f64> {
            let eye = shared
                + side * asymmetry / 2.0
                + dice.normal(((1.0 - p.rho_s) * p.sigma_s * p.sigma_s).sqrt());
            let reading = |_| ((eye + dice.normal(p.sigma_w)) * 10.0).round() / 10.0;
            (0..3).map(reading).collect()
        };
        let (right, left) = (readings(1.0), readings(-1.0));
        let mut one = exam(&at.to_string(), &date.to_string(), &right, &left);
        one.operator = Some(operator.to_string());
        one.device = Some(device.to_string());
        exams.push(one);
    }
    let subject = Subject {
        birth_date: Some(born),
        ..adult()
    };
    (subject, exams)
}

#[track_caller]
fn rate(count: usize, expected: f64) {
    let n = PATIENTS as f64;
    let error = 3.0 * (expected * (1.0 - expected) * (1.0 / n + 1.0 / 20_000.0)).sqrt();
    close(count as f64 / n, expected, error);
}

/// Rates in the order: flagged, well above, below, coverage of 95 %, found at +0.8 mm.
#[track_caller]
fn keeps(tally: &Tally, rates: [f64; 5], smallest: f64) {
    rate(tally.flagged, rates[0]);
    rate(tally.well_above, rates[1]);
    rate(tally.below, rates[2]);
    rate(tally.covered, rates[3]);
    rate(tally.found, rates[4]);
    close(tally.smallest[PATIENTS / 2], smallest, 0.005);
}

#[test]
fn adults_with_one_baseline_exam() {
    let tally = run(
        &Scenario {
            baseline_exams: 1,
            gap: SPACING,
            age: 10_950,
        },
        1,
    );
    keeps(&tally, [0.050, 0.012, 0.010, 0.949, 0.718], 0.644);
}

#[test]
fn adults_with_three_baseline_exams() {
    let tally = run(
        &Scenario {
            baseline_exams: 3,
            gap: SPACING,
            age: 10_950,
        },
        2,
    );
    keeps(&tally, [0.056, 0.011, 0.010, 0.948, 0.864], 0.483);
}

#[test]
fn children_of_three_with_a_gap_of_three_years() {
    let tally = run(
        &Scenario {
            baseline_exams: 3,
            gap: 1096,
            age: 1096,
        },
        3,
    );
    keeps(&tally, [0.052, 0.009, 0.012, 0.948, 0.822], 0.516);
}
