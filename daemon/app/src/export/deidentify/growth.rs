//! Comparisons of growing patients. What is expected of a child is worked out with the age to a day, so
//! digits enough of it would give that age back. Where growth has a part, one coarse number is told, and
//! the others are worked out again from it and from what is told anyway.

use super::IN_MONTHS_BELOW;
use crate::export::cell::Cell;
use crate::export::row::Row;

/// Step of what is expected, mm. Growth of 0.18 mm a logarithm of age changes by 0.09 mm a year of age
/// at most from two years on, so one value does not tell the age to a year.
const STEP: f64 = 0.1;

/// Step of standard deviation and limits, mm.
const SPREAD: f64 = 0.05;

/// Columns in which growth may have a part.
pub(super) fn is_touched(column: &str) -> bool {
    [
        "expected_mm",
        "sd_mm",
        "z",
        "lower_mm",
        "upper_mm",
        "change_mm",
        "change_percent",
        "smallest_change_mm",
        "probability_high",
    ]
    .contains(&column)
}

/// A comparison as it is told where growth has a part in it.
pub(super) enum Coarse {
    /// Below two years growth is so fast that any number would tell the age to days.
    LeftOut,
    /// Of older children.
    Rounded(Rounded),
}

/// The numbers that are told; all follow from these. Millimetres.
pub(super) struct Rounded {
    measured: f64,
    expected: f64,
    sd: f64,
    below: f64,
    above: f64,
    smallest: f64,
}

impl Coarse {
    /// Of a row; `None` where growth has no part in it, or nothing was compared.
    pub(super) fn of(row: &Row) -> Option<Coarse> {
        let age = row.rests_on_age?;
        let number = |name| match row.cell(name) {
            Some(Cell::Number(number)) => Some(*number),
            _ => None,
        };
        let expected = number("expected_mm")?;
        let rounded = || {
            Some(Rounded {
                measured: number("measured_mm")?,
                expected: to(expected, STEP),
                sd: to(number("sd_mm")?, SPREAD).max(SPREAD),
                below: to(expected - number("lower_mm")?, SPREAD),
                above: to(number("upper_mm")? - expected, SPREAD),
                smallest: to(number("smallest_change_mm")?, SPREAD),
            })
        };
        let is_told = age.years >= IN_MONTHS_BELOW;
        let rounded = is_told.then(rounded).flatten();
        Some(rounded.map_or(Coarse::LeftOut, Coarse::Rounded))
    }
}

/// The cell of a column that [`is_touched`].
pub(super) fn told(column: &str, cell: Cell, coarse: Option<&Coarse>) -> Cell {
    let one = match coarse {
        None => return cell,
        Some(Coarse::LeftOut) => return Cell::Empty,
        Some(Coarse::Rounded(one)) => one,
    };
    let change = one.measured - one.expected;
    let number = match column {
        "expected_mm" => one.expected,
        "sd_mm" => one.sd,
        "z" => change / one.sd,
        "lower_mm" => one.expected - one.below,
        "upper_mm" => one.expected + one.above,
        "change_mm" => change,
        "change_percent" => 100.0 * change / one.expected,
        "smallest_change_mm" => one.smallest,
        // Follows from z.
        _ => return Cell::Empty,
    };
    // Binary fractions of tenths look like exact numbers.
    Cell::number(Some(to(number, 1e-4)))
}

/// To whole steps.
fn to(number: f64, step: f64) -> f64 {
    let per = (1.0 / step).round();
    (number * per).round() / per
}
