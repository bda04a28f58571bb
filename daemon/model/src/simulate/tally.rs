//! Counts over many patients, and the rates they make.

use super::rules::{Rule, Seen};
use super::scenario::Scenario;
use crate::assess::{self, Assessment, Comparison, Parameters, Question, QuestionError, Status};
use serde::Serialize;

/// Rises that are looked for, mm.
pub const RISES_MM: [f64; 4] = [0.5, 0.8, 1.0, 1.2];

/// z within which 95 % of values lie, both sides.
const Z_95: f64 = 1.959_963_985;

/// One scenario with one number of baseline exams. Shares are of all patients, 0 to 1.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Row {
    /// Name of the scenario.
    pub scenario: &'static str,
    /// Exams in the baseline.
    pub baseline_exams: usize,
    /// Patients drawn.
    pub patients: u64,
    /// Flagged though nothing changed.
    pub false_flags: f64,
    /// Of all, well above though nothing changed.
    pub well_above: f64,
    /// Below though nothing changed.
    pub below: f64,
    /// Of those compared, inside the two-sided 95 % interval of the mean of both eyes.
    pub coverage_95: Option<f64>,
    /// Not compared: the interval was too wide.
    pub not_comparable: f64,
    /// Rises looked for, mm.
    pub rises_mm: [f64; 4],
    /// Share found, in the order of the rises.
    pub found: [f64; 4],
    /// Median of the change needed for a flag, mm.
    pub smallest_change_mm: Option<f64>,
    /// Simpler rules on the same patients.
    pub simple_rules: [RuleRow; 5],
}

/// A simple rule on the same patients.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct RuleRow {
    /// The rule.
    pub rule: Rule,
    /// Flagged though nothing changed.
    pub false_flags: f64,
    /// Share found, in the order of the rises.
    pub found: [f64; 4],
}

#[derive(Debug, Default, Clone, PartialEq)]
pub(super) struct Tally {
    patients: u64,
    compared: u64,
    flagged: u64,
    well_above: u64,
    below: u64,
    covered: u64,
    found: [u64; 4],
    smallest: Vec<f64>,
    rules: [(u64, [u64; 4]); 5],
}

impl Tally {
    pub(super) fn add(
        &mut self,
        scenario: Scenario,
        question: &Question,
        p: &Parameters,
    ) -> Result<(), QuestionError> {
        let answer = assess::assess(question)?;
        self.patients += 1;
        self.flagged += u64::from(answer.flagged);
        self.well_above += u64::from(answer.status == Status::WellAboveExpected);
        self.below += u64::from(answer.status == Status::BelowExpected);
        if let Some(row) = answer.rows.leading().and_then(|row| row.comparison) {
            self.compared += 1;
            self.covered += u64::from(row.z.abs() <= Z_95);
            self.smallest.push(row.smallest_change_mm);
        }
        for (count, rise) in self.found.iter_mut().zip(RISES_MM) {
            *count += u64::from(finds(&answer, scenario.rise(rise), p));
        }
        if let Some(seen) = Seen::of(question, p) {
            for ((stable, found), rule) in self.rules.iter_mut().zip(Rule::ALL) {
                *stable += u64::from(rule.flags(&seen, 0.0));
                for (count, rise) in found.iter_mut().zip(RISES_MM) {
                    let [right, left] = scenario.rise(rise);
                    *count += u64::from(rule.flags(&seen, f64::midpoint(right, left)));
                }
            }
        }
        Ok(())
    }

    /// The counts of both; the order does not matter.
    pub(super) fn join(mut self, other: Tally) -> Tally {
        self.patients += other.patients;
        self.compared += other.compared;
        self.flagged += other.flagged;
        self.well_above += other.well_above;
        self.below += other.below;
        self.covered += other.covered;
        let pairs = self.found.iter_mut().zip(other.found);
        pairs.for_each(|(sum, more)| *sum += more);
        self.smallest.extend(other.smallest);
        for ((stable, found), (more, mores)) in self.rules.iter_mut().zip(other.rules) {
            *stable += more;
            let pairs = found.iter_mut().zip(mores);
            pairs.for_each(|(sum, more)| *sum += more);
        }
        self
    }

    pub(super) fn row(mut self, scenario: Scenario, baseline_exams: usize) -> Row {
        self.smallest.sort_by(f64::total_cmp);
        let share = |count: u64| count as f64 / self.patients.max(1) as f64;
        let mut rules = Rule::ALL.into_iter().zip(self.rules);
        let blank = RuleRow {
            rule: Rule::Cutoff50,
            false_flags: 0.0,
            found: [0.0; 4],
        };
        Row {
            scenario: scenario.word(),
            baseline_exams,
            patients: self.patients,
            false_flags: share(self.flagged),
            well_above: share(self.well_above),
            below: share(self.below),
            coverage_95: (self.compared > 0).then(|| self.covered as f64 / self.compared as f64),
            not_comparable: share(self.patients - self.compared),
            rises_mm: RISES_MM,
            found: self.found.map(share),
            smallest_change_mm: self.smallest.get(self.smallest.len() / 2).map(six_decimals),
            simple_rules: [blank; 5].map(|blank| {
                rules
                    .next()
                    .map_or(blank, |(rule, (stable, found))| RuleRow {
                        rule,
                        false_flags: share(stable),
                        found: found.map(share),
                    })
            }),
        }
    }
}

/// The last bits of a matrix product may differ between machines.
fn six_decimals(value: &f64) -> f64 {
    (value * 1e6).round() / 1e6
}

/// Whether the exam would be flagged had the right and left eye widened by so much.
///
/// A rise moves the readings of today, hence their means, and neither the baseline nor an SD. So
/// the answer for the stable patient tells it without another assessment.
pub(super) fn finds(answer: &Assessment, [right, left]: [f64; 2], p: &Parameters) -> bool {
    /// Keeps a z that prints as exactly the limit on the side of the flag, as the comparison does.
    const HAIR: f64 = 1e-9;
    let rows = &answer.rows;
    let reaches = |row: &Option<assess::Row>, rise: f64, limit: f64| {
        let found = |c: Comparison| c.z + rise / c.sd_mm + HAIR >= limit;
        row.and_then(|row| row.comparison).is_some_and(found)
    };
    let eye_limit = match rows.both {
        Some(_) => p.z_eye_above,
        None => p.z_above,
    };
    reaches(&rows.both, f64::midpoint(right, left), p.z_above)
        || reaches(&rows.right, right, eye_limit)
        || reaches(&rows.left, left, eye_limit)
}
