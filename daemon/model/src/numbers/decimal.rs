//! Decimal text to exact micrometres, by whole-number arithmetic only.
//!
//! The grammar is that of Decimal String (PS3.5 table 6.2-1): sign, digits with at most one `.`,
//! exponent, blanks outside.

use crate::domain::Millimetres;
use crate::template::words::Unit;
use thiserror::Error;

/// Longest text that Decimal String allows, bytes.
pub const DS_BYTES: usize = 16;
/// Longest text that is read at all, bytes; writers that ignore the limit stay far below.
const MOST_BYTES: usize = 64;

/// Why a text is not a number.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
pub enum NotDecimal {
    /// Nothing but blanks.
    #[error("it is empty")]
    Empty,
    /// A decimal comma.
    #[error("it has a comma, and the decimal mark of DICOM is the full stop")]
    Comma,
    /// Some other text.
    #[error("it is not a decimal number")]
    Malformed,
    /// Too many digits or too large an exponent.
    #[error("it is longer than any number a report can hold")]
    TooLong,
}

/// A length beyond one kilometre either way.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
#[error("it is beyond every length")]
pub struct BeyondLength;

/// A decimal number: `digits` times ten to the power `exponent`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Decimal {
    digits: i128,
    exponent: i32,
    /// Power of ten of the last digit written, noughts included: `5.20` ends at -2.
    last: i32,
}

/// A length in whole micrometres and whether digits finer than that were rounded away.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Rounded {
    /// The length.
    pub length: Millimetres,
    /// Whether it differs from the text.
    pub rounded: bool,
}

impl Decimal {
    /// Reads a text.
    ///
    /// # Errors
    ///
    /// [`NotDecimal`] says what is wrong with it.
    pub fn parse(text: &str) -> Result<Decimal, NotDecimal> {
        let text = text.trim_matches(' ');
        if text.is_empty() {
            return Err(NotDecimal::Empty);
        }
        if text.len() > MOST_BYTES {
            return Err(NotDecimal::TooLong);
        }
        if text.contains(',') {
            return Err(NotDecimal::Comma);
        }
        let (mantissa, exponent) = match text.split_once(['e', 'E']) {
            None => (text, 0),
            Some((mantissa, exponent)) => (mantissa, Self::exponent(exponent)?),
        };
        let (negative, mantissa) = match mantissa.strip_prefix('-') {
            Some(rest) => (true, rest),
            None => (false, mantissa.strip_prefix('+').unwrap_or(mantissa)),
        };
        let (whole, fraction) = mantissa.split_once('.').unwrap_or((mantissa, ""));
        let all_digits = |part: &str| part.bytes().all(|byte| byte.is_ascii_digit());
        if whole.len() + fraction.len() == 0 || !all_digits(whole) || !all_digits(fraction) {
            return Err(NotDecimal::Malformed);
        }
        let written = i32::try_from(fraction.len()).map_err(|_| NotDecimal::TooLong)?;
        let fraction = fraction.trim_end_matches('0');
        let mut digits: i128 = 0;
        for byte in whole.bytes().chain(fraction.bytes()) {
            digits = digits
                .checked_mul(10)
                .and_then(|digits| digits.checked_add(i128::from(byte - b'0')))
                .ok_or(NotDecimal::TooLong)?;
        }
        let places = i32::try_from(fraction.len()).map_err(|_| NotDecimal::TooLong)?;
        Ok(Decimal {
            digits: if negative { -digits } else { digits },
            exponent: exponent - places,
            last: exponent - written,
        })
    }

    fn exponent(text: &str) -> Result<i32, NotDecimal> {
        let unsigned = text.strip_prefix(['+', '-']).unwrap_or(text);
        if unsigned.is_empty() || !unsigned.bytes().all(|byte| byte.is_ascii_digit()) {
            return Err(NotDecimal::Malformed);
        }
        let exponent: i32 = text.parse().map_err(|_| NotDecimal::TooLong)?;
        if exponent.abs() <= 999 {
            Ok(exponent)
        } else {
            Err(NotDecimal::TooLong)
        }
    }

    /// The length, rounded half to even only where the text is finer than one micrometre.
    ///
    /// # Errors
    ///
    /// [`BeyondLength`] beyond [`Millimetres::MAX`].
    pub fn in_unit(self, unit: Unit) -> Result<Rounded, BeyondLength> {
        let scaled = self
            .digits
            .checked_mul(unit.nanometres())
            .ok_or(BeyondLength)?;
        let (um, rounded) = shift(scaled, self.exponent - 3)?;
        length(um, rounded)
    }
}

impl Decimal {
    /// The smallest difference that a text with so many digits can show: `0.5` in centimetres is a
    /// step of 1 mm, `5.20` in millimetres one of 0.01 mm. Never less than the micrometre that lengths
    /// are kept in; `None` beyond [`Millimetres::MAX`].
    #[must_use]
    pub fn step_in(self, unit: Unit) -> Option<Millimetres> {
        let (um, _) = shift(unit.nanometres(), self.last - 3).ok()?;
        Some(length(um.max(1), false).ok()?.length)
    }
}

/// The length of a fraction of a unit, rounded likewise; `None` for a denominator of nought.
pub fn fraction(
    numerator: i32,
    denominator: u32,
    unit: Unit,
) -> Option<Result<Rounded, BeyondLength>> {
    (denominator != 0).then(|| {
        let top = i128::from(numerator) * unit.nanometres();
        let (um, rounded) = divide(top, i128::from(denominator) * 1_000);
        length(um, rounded)
    })
}

fn length(um: i128, rounded: bool) -> Result<Rounded, BeyondLength> {
    let length = i64::try_from(um)
        .map(Millimetres::from_um)
        .map_err(|_| BeyondLength)?;
    if length.um().unsigned_abs() <= Millimetres::MAX.um().unsigned_abs() {
        Ok(Rounded { length, rounded })
    } else {
        Err(BeyondLength)
    }
}

/// `value` times ten to the power `exponent`, rounded half to even, and whether it was rounded.
fn shift(value: i128, exponent: i32) -> Result<(i128, bool), BeyondLength> {
    if value == 0 {
        return Ok((0, false));
    }
    let power = 10_i128.checked_pow(exponent.unsigned_abs());
    if exponent >= 0 {
        let value = power.and_then(|power| value.checked_mul(power));
        return value.map(|value| (value, false)).ok_or(BeyondLength);
    }
    // A divisor beyond i128 leaves less than half a micrometre of any i128.
    let Some(power) = power else {
        return Ok((0, true));
    };
    Ok(divide(value, power))
}

/// `top` by a positive `bottom`, rounded half to even, and whether it was rounded.
fn divide(top: i128, bottom: i128) -> (i128, bool) {
    let (down, rest) = (top.div_euclid(bottom), top.rem_euclid(bottom));
    let up = match rest.cmp(&(bottom - rest)) {
        std::cmp::Ordering::Less => 0,
        std::cmp::Ordering::Greater => 1,
        std::cmp::Ordering::Equal => down.rem_euclid(2),
    };
    (down + up, rest != 0)
}
