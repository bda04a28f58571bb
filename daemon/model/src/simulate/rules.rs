//! Simpler rules that people use, beside the comparison: no rule here knows operators, devices,
//! growth or the patient's own scatter.

use crate::assess::{Parameters, Question};
use serde::Serialize;

/// A rule for the mean of both eyes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Rule {
    /// More than 5.0 mm, whoever it is.
    #[serde(rename = "cutoff_5_0")]
    Cutoff50,
    /// More than 5.5 mm, whoever it is.
    #[serde(rename = "cutoff_5_5")]
    Cutoff55,
    /// 20 % or more over the mean of the baseline.
    Plus20Percent,
    /// 0.4 mm or more over the mean of the baseline.
    #[serde(rename = "plus_0_4_mm")]
    Plus04,
    /// More than the one-sided 95 % reference change value over the last exam.
    ChangeFromLast,
}

impl Rule {
    /// Every rule, in the order of the table.
    pub const ALL: [Rule; 5] = [
        Rule::Cutoff50,
        Rule::Cutoff55,
        Rule::Plus20Percent,
        Rule::Plus04,
        Rule::ChangeFromLast,
    ];

    /// Its heading in tables.
    #[must_use]
    pub fn heading(self) -> &'static str {
        match self {
            Rule::Cutoff50 => "over 5.0 mm",
            Rule::Cutoff55 => "over 5.5 mm",
            Rule::Plus20Percent => "+20 %",
            Rule::Plus04 => "+0.4 mm",
            Rule::ChangeFromLast => "change from last",
        }
    }

    pub(super) fn flags(self, seen: &Seen, rise_mm: f64) -> bool {
        /// Equal to a limit but for the last bit counts as reaching it.
        const HAIR: f64 = 1e-9;
        let today = seen.today + rise_mm;
        match self {
            Rule::Cutoff50 => today > 5.0 + HAIR,
            Rule::Cutoff55 => today > 5.5 + HAIR,
            Rule::Plus20Percent => today + HAIR >= 1.2 * seen.baseline,
            Rule::Plus04 => today + HAIR >= seen.baseline + 0.4,
            Rule::ChangeFromLast => today > seen.last + seen.reference_change + HAIR,
        }
    }
}

/// What the simple rules see: plain means of both eyes, mm.
pub(super) struct Seen {
    today: f64,
    last: f64,
    baseline: f64,
    /// z sqrt(2) SD of one exam, as laboratories use it (Reference change values,
    /// Clin Chem Lab Med 2012;50:807; title from memory).
    reference_change: f64,
}

impl Seen {
    /// `None` when an exam has an eye without readings.
    pub(super) fn of(question: &Question, p: &Parameters) -> Option<Self> {
        let mean = |values: &[f64]| values.iter().sum::<f64>() / values.len() as f64;
        let mut readings = 1;
        let exams: Option<Vec<f64>> = question
            .exams
            .iter()
            .map(|exam| {
                let eyes = [&exam.eyes.right, &exam.eyes.left].map(|eye| {
                    readings = eye.len();
                    mean(&eye.iter().map(|length| length.mm()).collect::<Vec<_>>())
                });
                let both = mean(&eyes);
                both.is_finite().then_some(both)
            })
            .collect();
        let exams = exams?;
        let (today, baseline) = exams.split_last()?;
        let one_eye = p.sigma_w * p.sigma_w / readings as f64 + p.resolution * p.resolution / 12.0;
        let session = p.sigma_s * p.sigma_s;
        let variance = p.rho_s * session
            + ((1.0 - p.rho_s) * session + one_eye) / 2.0
            + p.sigma_o * p.sigma_o
            + p.sigma_d * p.sigma_d;
        Some(Seen {
            today: *today,
            last: *baseline.last()?,
            baseline: mean(baseline),
            reference_change: p.z_above * (2.0 * variance).sqrt(),
        })
    }
}
