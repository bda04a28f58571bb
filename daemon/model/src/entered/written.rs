//! Numbers and dates as people write them, read only in the form that was declared.

use crate::domain::Millimetres;
use crate::numbers::decimal::Decimal;
use crate::template::words;
use chrono::NaiveDate;
use serde::{Deserialize, Serialize};
use std::str::FromStr;

/// The unit of all widths of a table, declared once.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Unit {
    /// Millimetres.
    Mm,
    /// Centimetres.
    Cm,
}

impl Unit {
    /// As it is written.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Unit::Mm => "mm",
            Unit::Cm => "cm",
        }
    }

    /// The other one.
    pub(super) fn other(self) -> Self {
        match self {
            Unit::Mm => Unit::Cm,
            Unit::Cm => Unit::Mm,
        }
    }
}

/// The mark between whole and fraction.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum DecimalMark {
    /// `5.6`
    #[default]
    Point,
    /// `5,6`
    Comma,
}

impl DecimalMark {
    fn letter(self) -> char {
        match self {
            DecimalMark::Point => '.',
            DecimalMark::Comma => ',',
        }
    }
}

/// A width as typed, and the decimals of its millimetres.
///
/// # Errors
/// What is wrong with the text, and what to write; it goes on from the name of the field.
pub fn value(text: &str, unit: Unit, mark: DecimalMark) -> Result<(Millimetres, u8), String> {
    let decimal = number(text, mark)?;
    let unit = match unit {
        Unit::Mm => words::Unit::Millimetre,
        Unit::Cm => words::Unit::Centimetre,
    };
    let beyond = |_| "is beyond every length".to_owned();
    let rounded = decimal.in_unit(unit).map_err(beyond)?;
    if rounded.rounded {
        return Err(
            "has more digits than a micrometre; write three decimals of a millimetre at \
                    most"
                .to_owned(),
        );
    }
    let step = decimal.step_in(unit);
    let decimals = step.map_or(3, Millimetres::decimals_of_step);
    Ok((rounded.length, decimals))
}

/// A number of degrees.
///
/// # Errors
/// What is wrong with the text, and what to write; it goes on from the name of the field.
pub fn degrees(text: &str, mark: DecimalMark) -> Result<f64, String> {
    number(text, mark)?;
    let plain = text.trim().replace(mark.letter(), ".");
    plain
        .parse()
        .map_err(|_| "is no number; write digits".to_owned())
}

/// Digits with at most one mark: no sign, no exponent, no unit, no second mark.
fn number(text: &str, mark: DecimalMark) -> Result<Decimal, String> {
    let text = text.trim();
    let letter = mark.letter();
    let other = if letter == '.' { ',' } else { '.' };
    if text.starts_with(['=', '@']) {
        return Err("is a formula; save the table with values".to_owned());
    }
    if text.contains(other) {
        return Err(format!(
            "{text:?} has {other:?}, and the decimal mark is declared as {letter:?}; nothing is guessed"
        ));
    }
    let marks = text.matches(letter).count();
    let digits = text.chars().filter(char::is_ascii_digit).count();
    if text.is_empty() || marks > 1 || digits == 0 || digits + marks != text.chars().count() {
        return Err(format!(
            "{text:?} is no number; write digits with at most one {letter:?}, without sign or unit"
        ));
    }
    Decimal::parse(&text.replace(letter, ".")).map_err(|what| what.to_string())
}

/// How days are written.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Dates(Vec<Part>);

#[derive(Debug, Clone, PartialEq, Eq)]
enum Part {
    Year,
    Month,
    Day,
    Letter(char),
}

impl Default for Dates {
    fn default() -> Self {
        Dates(vec![
            Part::Year,
            Part::Letter('-'),
            Part::Month,
            Part::Letter('-'),
            Part::Day,
        ])
    }
}

impl FromStr for Dates {
    type Err = String;

    /// `iso`, or a form with `%Y`, `%m` and `%d` once each, such as `%d.%m.%Y`.
    fn from_str(text: &str) -> Result<Self, String> {
        if text == "iso" {
            return Ok(Dates::default());
        }
        let mut parts = Vec::new();
        let mut letters = text.chars();
        while let Some(letter) = letters.next() {
            parts.push(match letter {
                '%' => match letters.next() {
                    Some('Y') => Part::Year,
                    Some('m') => Part::Month,
                    Some('d') => Part::Day,
                    _ => return Err(format!("{text:?} has more than %Y, %m and %d")),
                },
                letter if letter.is_alphanumeric() => {
                    return Err(format!("{text:?} has letters or digits of its own"));
                }
                letter => Part::Letter(letter),
            });
        }
        let once = |part: Part| parts.iter().filter(|one| **one == part).count() == 1;
        if once(Part::Year) && once(Part::Month) && once(Part::Day) {
            Ok(Dates(parts))
        } else {
            Err(format!(
                "{text:?} is no form of dates; write iso, or %Y, %m and %d once each, such as %d.%m.%Y"
            ))
        }
    }
}

impl Dates {
    /// As people read it: `YYYY-MM-DD`.
    #[must_use]
    pub fn shown(&self) -> String {
        let part = |part: &Part| match part {
            Part::Year => "YYYY".to_owned(),
            Part::Month => "MM".to_owned(),
            Part::Day => "DD".to_owned(),
            Part::Letter(letter) => letter.to_string(),
        };
        self.0.iter().map(part).collect()
    }

    /// A day in this form and no other: four digits of a year; one digit of a month or day only where
    /// it stands between separators.
    #[must_use]
    pub fn day(&self, text: &str) -> Option<NaiveDate> {
        let (mut year, mut month, mut day) = (0, 0, 0);
        let mut rest = text;
        let mut parts = self.0.iter().peekable();
        let mut apart = true;
        while let Some(part) = parts.next() {
            if let Part::Letter(letter) = part {
                rest = rest.strip_prefix(*letter)?;
                apart = true;
                continue;
            }
            let most = if *part == Part::Year { 4 } else { 2 };
            let digits = rest.bytes().take(most).take_while(u8::is_ascii_digit);
            let digits = digits.count();
            let ended = apart && matches!(parts.peek(), None | Some(Part::Letter(_)));
            apart = false;
            let iso = *self == Dates::default();
            if digits == 0 || (digits < most && (*part == Part::Year || !ended || iso)) {
                return None;
            }
            let (number, after) = rest.split_at_checked(digits)?;
            let number: u32 = number.parse().ok()?;
            match part {
                Part::Year => year = i32::try_from(number).ok()?,
                Part::Month => month = number,
                _ => day = number,
            }
            rest = after;
        }
        let day = NaiveDate::from_ymd_opt(year, month, day)?;
        rest.is_empty().then_some(day)
    }
}
