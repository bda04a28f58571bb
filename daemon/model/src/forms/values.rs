//! What all forms say of a result, before any of them writes it.

use super::FormError;
use super::codes::{self, Coded};
use crate::assess::{self, Comparison, Notice, Status};
use crate::domain::{Derivation, Eye, Measurement, Modality, Plane};
use crate::history::ExamMeasurement;
use crate::render::text;
use crate::results::{Content, Envelope};

pub(super) use crate::results::phrases::exact as decimal;
use crate::results::phrases::rounded;
use chrono::{DateTime, Utc};

/// What a row of the answer is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Which {
    Right,
    Left,
    Both,
}

impl Which {
    pub(super) fn of(eye: Eye) -> Which {
        match eye {
            Eye::Right => Which::Right,
            Eye::Left => Which::Left,
        }
    }

    pub(super) fn word(self) -> &'static str {
        match self {
            Which::Right => "right",
            Which::Left => "left",
            Which::Both => "both",
        }
    }

    /// As it stands in front of a list.
    pub(super) fn title(self) -> &'static str {
        match self {
            Which::Right => "Right optic nerve sheath",
            Which::Left => "Left optic nerve sheath",
            Which::Both => "Both optic nerve sheaths",
        }
    }

    pub(super) fn laterality(self) -> Coded {
        match self {
            Which::Right => codes::RIGHT,
            Which::Left => codes::LEFT,
            Which::Both => codes::BILATERAL,
        }
    }

    /// The value of the row, the side named in the code.
    pub(super) fn diameter(self) -> Coded {
        match self {
            Which::Right => codes::DIAMETER_RIGHT,
            Which::Left => codes::DIAMETER_LEFT,
            Which::Both => codes::DIAMETER_BOTH,
        }
    }

    /// The row itself, named in a code.
    pub(super) fn row(self) -> Coded {
        match self {
            Which::Right => codes::EYE_RIGHT,
            Which::Left => codes::EYE_LEFT,
            Which::Both => codes::EYE_BOTH,
        }
    }
}

/// One eye, or both together: the readings, the value made from them, and what it is compared with.
pub(super) struct Row<'a> {
    pub(super) which: Which,
    /// Readings of the exam that may be used; of an eye alone.
    pub(super) readings: Vec<&'a ExamMeasurement>,
    /// `None` where nothing was assessed.
    pub(super) answer: Option<&'a assess::Row>,
}

impl Row<'_> {
    pub(super) fn comparison(&self) -> Option<Comparison> {
        self.answer?.comparison
    }

    /// How the value was made, with the places of the readings it was made from. Readings that a
    /// restriction of planes left out are not among them.
    pub(super) fn derivation(&self, content: &Content) -> (Coded, Vec<usize>) {
        let Some(answer) = self.answer.filter(|_| self.which != Which::Both) else {
            return (codes::MEAN, Vec::new());
        };
        let planes = &content.assessment.planes;
        let restricted = content
            .assessment
            .notices
            .contains(&Notice::PlanesRestricted);
        let (least, most) = (
            content.parameters.plausible_min,
            content.parameters.plausible_max,
        );
        let mut from: Vec<(usize, f64)> = self
            .readings
            .iter()
            .enumerate()
            .filter(|(_, m)| !restricted || planes.contains(&m.value.plane))
            .filter_map(|(at, m)| Some((at, m.value.value_mm?.mm())))
            .filter(|(_, mm)| (least..=most).contains(mm))
            .collect();
        let places = from.iter().map(|(at, _)| *at).collect();
        from.sort_by(|a, b| a.1.total_cmp(&b.1));
        let values: Vec<f64> = from.into_iter().map(|(_, mm)| mm).collect();
        let count = values.len();
        let middle = |at: usize| values.get(at).copied().unwrap_or(f64::NAN);
        let mean = values.iter().sum::<f64>() / count as f64;
        let median = (middle(count.saturating_sub(1) / 2) + middle(count / 2)) / 2.0;
        // The stored value is rounded to a nanometre.
        let is = |mm: f64| (mm - answer.measured_mm).abs() < 2e-6;
        let how = match (is(mean), is(median)) {
            (true, _) => codes::MEAN,
            (_, true) => codes::MEDIAN,
            // Means of planes, averaged.
            _ => codes::CALCULATED,
        };
        (how, places)
    }
}

/// Right, left, both: those there is something to say of.
pub(super) fn rows(content: &Content) -> Vec<Row<'_>> {
    let answers = &content.assessment.rows;
    let eye = |eye: Eye| Row {
        which: Which::of(eye),
        readings: content
            .measurements_used
            .iter()
            .filter(|m| m.value.eye.eye() == Some(eye) && m.value.value_mm.is_some())
            .collect(),
        answer: answers.of(eye),
    };
    let both = Row {
        which: Which::Both,
        readings: Vec::new(),
        answer: answers.both.as_ref(),
    };
    [eye(Eye::Right), eye(Eye::Left), both]
        .into_iter()
        .filter(|row| row.answer.is_some() || !row.readings.is_empty())
        .collect()
}

/// A status in our scheme.
pub(super) fn status(status: Status) -> Coded {
    match status {
        Status::WithinExpected => codes::WITHIN,
        Status::AboveExpected => codes::ABOVE,
        Status::WellAboveExpected => codes::WELL_ABOVE,
        Status::BelowExpected => codes::BELOW,
        Status::NoBaseline => codes::NO_BASELINE,
        Status::NotComparable => codes::NOT_COMPARABLE,
    }
}

/// What kind of report it is, with its section of HL7 table 0074 (code and words).
pub(super) fn report(content: &Content) -> (Coded, &'static str, &'static str) {
    match content.exam.modality {
        Modality::Ultrasound | Modality::Unspecified => {
            (codes::ULTRASOUND_REPORT, "RUS", "Radiology Ultrasound")
        }
        Modality::Mri => (codes::MRI_REPORT, "NMR", "Nuclear Magnetic Resonance"),
        Modality::Ct => (codes::CT_REPORT, "CT", "CAT Scan"),
        Modality::Other | Modality::Unresolved => (codes::IMAGING_REPORT, "RAD", "Radiology"),
    }
}

/// Whether the exam is flagged, in our scheme.
pub(super) fn flag(content: &Content) -> Coded {
    if content.assessment.flagged {
        codes::FLAGGED
    } else {
        codes::NOT_FLAGGED
    }
}

/// A change against the patient's own past that counts: `U` up, `D` down (HL7 table 0078 and
/// v3-ObservationInterpretation). Nothing else is said: not "normal", and not "high" or "low",
/// which speak of a population.
pub(super) fn significant(status: Status) -> Option<&'static str> {
    match status {
        Status::AboveExpected | Status::WellAboveExpected => Some("U"),
        Status::BelowExpected => Some("D"),
        Status::WithinExpected | Status::NoBaseline | Status::NotComparable => None,
    }
}

/// The same of an exam: a flagged one went up, whichever comparison decided.
pub(super) fn direction(content: &Content) -> Option<&'static str> {
    if content.assessment.flagged {
        Some("U")
    } else {
        significant(content.assessment.status)
    }
}

/// The same of one row beside the exam's status: a row that did not decide speaks up only for the same
/// direction, so that nobody reads a fall beside a rise.
pub(super) fn row_direction(content: &Content, row: Status) -> Option<&'static str> {
    significant(row).filter(|change| direction(content) == Some(change))
}

/// How a reading was made, when it is no single one.
pub(super) fn derivation(derivation: Derivation) -> Option<Coded> {
    match derivation {
        Derivation::Single => None,
        Derivation::Mean => Some(codes::MEAN),
        Derivation::Median => Some(codes::MEDIAN),
        Derivation::Minimum => Some(codes::MINIMUM),
        Derivation::Maximum => Some(codes::MAXIMUM),
        Derivation::Selected => Some(codes::BEST_VALUE),
    }
}

/// The plane of a reading, when the report gives it.
pub(super) fn plane(measurement: &Measurement) -> Option<Coded> {
    match measurement.plane {
        Plane::Transverse => Some(codes::TRANSVERSE),
        Plane::Sagittal => Some(codes::SAGITTAL),
        Plane::Oblique => Some(codes::OBLIQUE),
        Plane::Unspecified => None,
    }
}

/// A number of the comparison: concept, value, unit.
pub(super) type Figure = (Coded, f64, Coded);

/// The numbers beside a measured value.
pub(super) fn figures(c: &Comparison) -> [Figure; 9] {
    [
        (codes::EXPECTED, c.expected_mm, codes::MILLIMETRE),
        (codes::EXPECTED_LOWER, c.lower_mm, codes::MILLIMETRE),
        (codes::EXPECTED_UPPER, c.upper_mm, codes::MILLIMETRE),
        (codes::CHANGE, c.change_mm, codes::MILLIMETRE),
        (codes::CHANGE_PERCENT, c.change_percent, codes::PERCENT),
        (codes::LEAST_CHANGE, c.smallest_change_mm, codes::MILLIMETRE),
        (codes::EIGHT_OF_TEN, c.eight_of_ten_mm, codes::MILLIMETRE),
        (codes::Z, c.z, codes::ONE),
        (codes::CHANCE, c.probability_high, codes::ONE),
    ]
}

/// The smallest number but nought that three decimals show.
pub(super) const LEAST: &str = "0.001";

/// A number with at most three decimals and no noughts behind, as messages and resources carry it;
/// `None` for one above nought that would be written as nought: it is less than [`LEAST`].
pub(super) fn three(value: f64) -> Option<String> {
    let text = rounded(value, 3);
    let short = text.trim_end_matches('0').trim_end_matches('.');
    (short != "0" || value <= 0.0).then(|| short.to_owned())
}

/// When the result was made.
pub(super) fn created(result: &Envelope) -> Result<DateTime<Utc>, FormError> {
    DateTime::parse_from_rfc3339(&result.created_at)
        .map(|at| at.to_utc())
        .map_err(|_| FormError::CreatedAt(result.created_at.clone()))
}

/// What a person must read beside the numbers, in the order of the page, cautions apart.
pub(super) fn comments(content: &Content) -> Vec<String> {
    text::sections(content)
        .into_iter()
        .filter(|(title, _)| *title != text::CAUTIONS)
        .flat_map(|(title, lines)| {
            lines
                .into_iter()
                .map(move |line| format!("{title}: {line}"))
        })
        .collect()
}

/// `version 2, replaces version 1: why`.
pub(super) fn version(result: &Envelope) -> String {
    let replaces = result
        .supersedes
        .map_or(String::new(), |old| format!(", replaces version {old}"));
    format!(
        "Version {}{replaces}: {}",
        result.version,
        result.why.join("; ")
    )
}
