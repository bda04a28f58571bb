//! What changed between two exams, one after the other, at which the patient was stable.

use super::patient::Patient;
use super::subject::{Names, Subject};
use crate::assess::{self, Exam, KnownErrors, KnownOffset, Parameters, Question, QuestionError};
use crate::domain::{Eye, Label};
use std::collections::BTreeMap;

/// Two consecutive stable exams of one person with both eyes measured in the same planes.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Pair {
    /// Growth-corrected change of the right and the left eye, mm.
    pub(super) change: [f64; 2],
    /// Sum of the four reading variances, mm squared.
    pub(super) reading_variance: f64,
    /// Part of the mean product of both changes that drift and growth explain, mm squared.
    pub(super) drift: f64,
    /// Whether the operator changed; `None` when one of them is unknown.
    pub(super) operator_differs: Option<bool>,
    /// The same of the device.
    pub(super) device_differs: Option<bool>,
}

/// One exam of a run.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Stop {
    pub(super) operator: Subject,
    pub(super) device: Subject,
    /// Mean of both eyes less growth, mm, on a scale of the run's own.
    pub(super) y: f64,
}

impl Stop {
    /// Operator and device, as far as they are known.
    pub(super) fn known(&self) -> [Option<&Subject>; 2] {
        [&self.operator, &self.device].map(|of| Some(of).filter(|of| of.name().is_some()))
    }
}

/// Pairs, and the unbroken runs of exams that they make. Exams of one run share their level.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct Stable {
    pub(super) pairs: Vec<Pair>,
    pub(super) runs: Vec<Vec<Stop>>,
    /// Offsets that the configuration has of those who are named.
    pub(super) known: BTreeMap<Subject, KnownOffset>,
}

/// Looks for pairs among the labelled exams of all persons.
pub(super) fn stable(
    patients: &[Patient],
    parameters: &Parameters,
) -> Result<Stable, QuestionError> {
    let (mut stable, mut names) = (Stable::default(), Names::default());
    for patient in patients {
        stable.add(patient, |_| true, parameters, &mut names)?;
    }
    Ok(stable)
}

impl Stable {
    /// Looks for pairs among the labelled exams of one person that `counts`.
    ///
    /// The comparison itself decides whether one exam may be held against the other: planes, borders,
    /// age and time after an event all count.
    pub(super) fn add(
        &mut self,
        patient: &Patient,
        counts: impl Fn(&Exam) -> bool,
        parameters: &Parameters,
        names: &mut Names,
    ) -> Result<(), QuestionError> {
        let exams = patient.history.exams.iter();
        let mut exams: Vec<&Exam> = exams.filter(is_stable).filter(|one| counts(one)).collect();
        exams.sort_by(|a, b| (a.date, &a.id).cmp(&(b.date, &b.id)));
        for exam in &exams {
            let known = [
                (names.operator(exam.known_operator()), exam.known.operator),
                (names.device(exam.known_device()), exam.known.device),
            ];
            let known = known.into_iter().filter_map(|(of, one)| Some((of, one?)));
            self.known.extend(known);
        }
        let mut run: Vec<Stop> = Vec::new();
        for (before, after) in exams.iter().zip(exams.iter().skip(1)) {
            let Some((pair, level)) = pair(patient, before, after, parameters)? else {
                self.runs
                    .extend((run.len() > 1).then(|| std::mem::take(&mut run)));
                run.clear();
                continue;
            };
            if run.is_empty() {
                run.push(stop(before, level, names));
            }
            let last = run.last().map_or(level, |stop| stop.y);
            let [right, left] = pair.change;
            run.push(stop(after, last + f64::midpoint(right, left), names));
            self.pairs.push(pair);
        }
        self.runs.extend((run.len() > 1).then_some(run));
        Ok(())
    }
}

fn is_stable(exam: &&Exam) -> bool {
    matches!(exam.label, Some(Label::Well | Label::RaisedRuledOut)) && exam.excluded.is_none()
}

fn stop(exam: &Exam, y: f64, names: &mut Names) -> Stop {
    Stop {
        operator: names.operator(exam.known_operator()),
        device: names.device(exam.known_device()),
        y,
    }
}

/// The pair and the mean of both eyes at its first exam; `None` when they cannot be held against
/// each other.
fn pair(
    patient: &Patient,
    before: &Exam,
    after: &Exam,
    parameters: &Parameters,
) -> Result<Option<(Pair, f64)>, QuestionError> {
    // Exams whose label tells of an event come along: they bar and divide, and never serve.
    let told = |exam: &&Exam| {
        matches!(
            exam.label,
            Some(Label::RaisedConfirmed | Label::AfterDecompression)
        )
    };
    // Offsets are estimated from what was read: what is known of them must not be taken off before.
    let as_read = |exam: &Exam| Exam {
        known: KnownErrors::default(),
        ..exam.clone()
    };
    let others = patient.history.exams.iter().filter(told);
    let answer = assess::explain(&Question {
        patient: patient.history.patient.clone(),
        exams: others.chain([before, after]).map(as_read).collect(),
        assess: after.id.clone(),
        parameters: *parameters,
    })?;
    let Some(a) = answer.arithmetic else {
        return Ok(None);
    };
    // Two observations, the eyes of the first exam; columns are the eyes of the second.
    let ([first, second], [upper, _], [[_, c_right], [c_left, _]], [[_, star], _]) =
        (a.exams.as_slice(), a.v.as_slice(), a.c.as_slice(), a.c_star)
    else {
        return Ok(None);
    };
    let [_, v] = upper.as_slice() else {
        return Ok(None);
    };
    if first.epoch != second.epoch {
        return Ok(None);
    }
    let eyes = Eye::BOTH.map(|eye| Some(((*first.eyes.of(eye))?, (*second.eyes.of(eye))?)));
    let [Some((right0, right1)), Some((left0, left1))] = eyes else {
        return Ok(None);
    };
    let grown = second.growth_mm - first.growth_mm;
    let differs = |a: Option<&str>, b: Option<&str>| Some(a? != b?);
    let operator_differs = differs(before.known_operator(), after.known_operator());
    let device_differs = differs(before.known_device(), after.known_device());
    // The model's own mean product, less the terms that are to be estimated.
    let expected = v + star - c_right - c_left;
    let estimated = parameters.rho_s * parameters.sigma_s * parameters.sigma_s
        + if_so(operator_differs, parameters.sigma_o)
        + if_so(device_differs, parameters.sigma_d);
    let pair = Pair {
        change: [
            right1.value_mm - right0.value_mm - grown,
            left1.value_mm - left0.value_mm - grown,
        ],
        reading_variance: [right0, right1, left0, left1]
            .map(|eye| eye.variance)
            .iter()
            .sum(),
        drift: (expected - 2.0 * estimated).max(0.0),
        operator_differs,
        device_differs,
    };
    Ok(Some((pair, f64::midpoint(right0.value_mm, left0.value_mm))))
}

/// Unknown counts as different, as in the comparison.
fn if_so(differs: Option<bool>, sd: f64) -> f64 {
    if differs == Some(false) { 0.0 } else { sd * sd }
}
