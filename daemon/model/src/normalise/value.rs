//! The value itself: which of the two numbers a NUM may hold, in millimetres.

use crate::domain::{Millimetres, Remark, RemarkCode};
use crate::extract::Found;
use crate::numbers::decimal::{self, BeyondLength, DS_BYTES, Decimal, NotDecimal};
use crate::numbers::{as_sent, unit};
use crate::sr::tree::Measured;
use crate::template::Vocabulary;

/// Numeric Value and Floating Point Value may differ by this part of the value: what sixteen
/// characters of text and rounding on a screen explain.
const AGREE: f64 = 1e-3;

/// A value with the smallest difference that its digits as sent can show.
#[derive(Debug, Clone, Copy)]
pub(super) struct Sent {
    pub(super) length: Millimetres,
    /// `None` where there are no digits: a binary float, a fraction.
    pub(super) step: Option<Millimetres>,
}

/// The value in millimetres; remarks say why there is none, or what is odd about it.
pub(super) fn read(
    found: &Found,
    vocabulary: &Vocabulary,
    remarks: &mut Vec<Remark>,
) -> Option<Sent> {
    let why = found.qualifier.as_ref().map(|code| {
        if code.meaning.is_empty() {
            code.to_string()
        } else {
            format!("{} ({code})", code.meaning)
        }
    });
    let sent = found
        .measured
        .as_ref()
        .and_then(|measured| Some((measured, as_sent(measured)?)));
    let Some((measured, text)) = sent else {
        let text = match why {
            Some(why) => format!("The report holds no value: {why}."),
            None => "The report holds no value.".to_owned(),
        };
        remarks.push(Remark::of(RemarkCode::ValueMissing, text));
        return None;
    };
    if let Some(why) = why {
        remarks.push(Remark::of(
            RemarkCode::ValueQualified,
            format!("The report qualifies the value: {why}."),
        ));
    }
    let number = match number(measured, &text) {
        Ok(number) => number,
        Err(error) => {
            remarks.push(
                Remark::of(
                    RemarkCode::ValueUnreadable,
                    format!("The value cannot be read: {error}."),
                )
                .act("Correct the report at its source; it was not repaired."),
            );
            return None;
        }
    };
    if measured
        .decimal
        .as_ref()
        .is_some_and(|text| text.trim().len() > DS_BYTES)
    {
        remarks.push(Remark::of(
            RemarkCode::ValueTooLong,
            format!("The value has more than the {DS_BYTES} characters that DICOM allows."),
        ));
    }
    let unit = match unit::of_value(measured.unit.as_ref(), vocabulary) {
        Ok(unit) => unit,
        Err(remark) => {
            remarks.push(remark);
            return None;
        }
    };
    remarks.extend(measured.unit.as_ref().and_then(unit::by_site));
    remarks.extend(disagreement(measured));
    let step = match number {
        Number::Decimal(decimal) if has_decimal(measured) => decimal.step_in(unit),
        _ => None,
    };
    let length = match number {
        Number::Decimal(decimal) => decimal.in_unit(unit),
        Number::Fraction(top, bottom) => {
            decimal::fraction(top, bottom, unit).unwrap_or(Err(BeyondLength))
        }
    };
    match length {
        Ok(read) => {
            if read.rounded {
                remarks.push(Remark::of(
                    RemarkCode::ValueRounded,
                    format!("Rounded to the micrometre: {}.", read.length),
                ));
            }
            Some(Sent {
                length: read.length,
                step,
            })
        }
        Err(error) => {
            remarks.push(Remark::of(
                RemarkCode::ValueUnreadable,
                format!("The value cannot be a width: {error}."),
            ));
            None
        }
    }
}

/// The number that is used: what people saw, else the float, else the fraction.
enum Number {
    Decimal(Decimal),
    Fraction(i32, u32),
}

fn has_decimal(measured: &Measured) -> bool {
    let decimal = measured.decimal.as_ref();
    decimal.is_some_and(|text| !text.trim().is_empty())
}

fn number(measured: &Measured, text: &str) -> Result<Number, NotDecimal> {
    let has_decimal = has_decimal(measured);
    match measured.rational {
        Some((_, 0)) if !has_decimal && measured.float.is_none() => Err(NotDecimal::Malformed),
        Some((top, bottom)) if !has_decimal && measured.float.is_none() => {
            Ok(Number::Fraction(top, bottom))
        }
        _ => Decimal::parse(text).map(Number::Decimal),
    }
}

/// A NUM may say its value three times (PS3.3 C.18.1); all have to agree.
fn disagreement(measured: &Measured) -> Option<Remark> {
    let decimal = measured
        .decimal
        .as_ref()
        .and_then(|text| text.trim().parse::<f64>().ok());
    let fraction = measured
        .rational
        .map(|(top, bottom)| f64::from(top) / f64::from(bottom));
    let said: Vec<(&str, f64)> = [
        ("Numeric Value", decimal),
        ("Floating Point Value", measured.float),
        ("the rational value", fraction),
    ]
    .into_iter()
    .filter_map(|(name, value)| Some((name, value?)))
    .collect();
    let ((first, used), others) = said.split_first()?;
    let other = others.iter().find(|(_, other)| {
        // Not `>`: a float that is no number disagrees as well.
        let agree = (used - other).abs() <= AGREE * used.abs().max(other.abs());
        !agree
    })?;
    Some(
        Remark::of(
            RemarkCode::ValueDisagrees,
            format!(
                "{first} says {used}, {} {}; the first is used.",
                other.0, other.1
            ),
        )
        .act("Compare with the picture."),
    )
}
