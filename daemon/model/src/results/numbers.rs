//! Numbers as the statement, the tables, the pictures and the text print them: one way for all.
//!
//! Millimetres have two decimals, rounded half to even from the number itself. Where that would put a
//! value on the wrong side of the interval beside it, the whole row has one decimal more.

use crate::assess::{Comparison, Row, Status};

/// Decimals of millimetres, and the most that a row takes: results carry no more.
const DECIMALS: usize = 2;
const DECIMALS_MAX: usize = 6;

/// Millimetres.
pub(crate) fn mm(value: f64) -> String {
    fixed(value, DECIMALS)
}

/// A difference in millimetres, with its sign.
pub(crate) fn signed(value: f64) -> String {
    with_sign(value, DECIMALS)
}

fn fixed(value: f64, decimals: usize) -> String {
    super::phrases::rounded(value, decimals)
}

fn with_sign(value: f64, decimals: usize) -> String {
    let text = fixed(value, decimals);
    if text.starts_with('-') {
        text
    } else {
        format!("+{text}")
    }
}

/// The numbers of one row as they are printed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Printed {
    /// Value of the eye, or mean of both.
    pub measured: String,
    /// What was expected; `None` where nothing was.
    pub expected: Option<Expected>,
}

/// What stands beside a measured value.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Expected {
    /// The expected value.
    pub mm: String,
    /// `4.41 to 5.26`.
    pub interval: String,
    /// Measured minus expected, with its sign.
    pub change: String,
    /// The same in percent of the expected value.
    pub percent: String,
    /// Change needed for a flag.
    pub needed: String,
    /// Rise found in eight of ten such exams.
    pub eight_of_ten: String,
}

impl Printed {
    /// Of one row.
    #[must_use]
    pub fn of(row: &Row) -> Self {
        let Some(c) = row.expected() else {
            return Printed {
                measured: mm(row.measured_mm),
                expected: None,
            };
        };
        let decimals = decimals(row.measured_mm, &c);
        let mm = |value: f64| fixed(value, decimals);
        Printed {
            measured: mm(row.measured_mm),
            expected: Some(Expected {
                mm: mm(c.expected_mm),
                interval: format!("{} to {}", mm(c.lower_mm), mm(c.upper_mm)),
                change: with_sign(c.change_mm, decimals),
                percent: with_sign(c.change_percent, 1),
                needed: mm(c.smallest_change_mm),
                eight_of_ten: mm(c.eight_of_ten_mm),
            }),
        }
    }
}

/// The fewest decimals, from two on, with which the printed numbers say what the status says.
fn decimals(measured: f64, c: &Comparison) -> usize {
    let honest = |decimals: &usize| {
        let read = |value: f64| fixed(value, *decimals).parse().unwrap_or(value);
        let (value, change): (f64, f64) = (read(measured), read(c.change_mm));
        let (lower, upper) = (read(c.lower_mm), read(c.upper_mm));
        let needed = read(c.smallest_change_mm);
        match c.status {
            Status::WithinExpected => lower < value && value < upper && change < needed,
            Status::AboveExpected | Status::WellAboveExpected => value >= upper && change >= needed,
            Status::BelowExpected => value <= lower,
            // Nothing was said of the value.
            Status::NoBaseline | Status::NotComparable => true,
        }
    };
    (DECIMALS..=DECIMALS_MAX)
        .find(honest)
        .unwrap_or(DECIMALS_MAX)
}

#[cfg(test)]
mod tests;
