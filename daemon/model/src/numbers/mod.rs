//! Numbers as reports send them: exact decimals, units, and the lengths they say.

pub mod decimal;
pub mod unit;

use crate::domain::Millimetres;
use crate::sr::tree::Measured;
use crate::template::Vocabulary;

/// The digits of the value: Numeric Value as people saw it, else the shortest text that gives the
/// Floating Point Value.
#[must_use]
pub fn as_sent(measured: &Measured) -> Option<String> {
    let decimal = measured.decimal.clone();
    decimal
        .filter(|text| !text.trim().is_empty())
        .or_else(|| {
            measured.float.map(|float| {
                // Long runs of noughts would hide the number.
                if float == 0.0 || (1e-6..1e9).contains(&float.abs()) {
                    float.to_string()
                } else {
                    format!("{float:e}")
                }
            })
        })
        .or_else(|| {
            let (numerator, denominator) = measured.rational?;
            Some(format!("{numerator}/{denominator}"))
        })
}

/// The length that a number as sent says; `None` when it says none.
#[must_use]
pub fn length_of(measured: &Measured, vocabulary: &Vocabulary) -> Option<Millimetres> {
    let code = measured.unit.as_ref()?;
    let unit = unit::length(code, vocabulary)?;
    (!unit::disowned(code, unit, vocabulary)).then_some(())?;
    let text = as_sent(measured)?;
    let decimal = decimal::Decimal::parse(&text).ok()?;
    Some(decimal.in_unit(unit).ok()?.length)
}
