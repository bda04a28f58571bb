//! The value itself: which of the two numbers a NUM may hold, in millimetres.

use super::decimal::{DS_BYTES, Decimal};
use super::unit;
use crate::domain::{Millimetres, Remark};
use crate::extract::Found;
use crate::sr::tree::Measured;
use crate::template::Vocabulary;

/// Numeric Value and Floating Point Value may differ by this part of the value: what sixteen
/// characters of text and rounding on a screen explain.
const AGREE: f64 = 1e-3;

/// The digits of the value: Numeric Value as people saw it, else the shortest text that gives the
/// Floating Point Value.
pub(super) fn as_sent(measured: &Measured) -> Option<String> {
    let decimal = measured.decimal.clone();
    decimal.filter(|text| !text.trim().is_empty()).or_else(|| {
        measured.float.map(|float| {
            // Long runs of noughts would hide the number.
            match float == 0.0 || (1e-6..1e9).contains(&float.abs()) {
                true => float.to_string(),
                false => format!("{float:e}"),
            }
        })
    })
}

/// The value in millimetres; remarks say why there is none, or what is odd about it.
pub(super) fn read(
    found: &Found,
    vocabulary: &Vocabulary,
    remarks: &mut Vec<Remark>,
) -> Option<Millimetres> {
    let why = found
        .qualifier
        .as_ref()
        .map(|code| match code.meaning.is_empty() {
            true => code.to_string(),
            false => format!("{} ({code})", code.meaning),
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
        remarks.push(Remark::blocking("value-missing", text));
        return None;
    };
    if let Some(why) = why {
        remarks.push(Remark::blocking(
            "value-qualified",
            format!("The report qualifies the value: {why}."),
        ));
    }
    let decimal = match Decimal::parse(&text) {
        Ok(decimal) => decimal,
        Err(error) => {
            remarks.push(
                Remark::blocking(
                    "value-unreadable",
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
        remarks.push(Remark::caution(
            "value-too-long",
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
    remarks.extend(disagreement(measured));
    match decimal.in_unit(unit) {
        Ok(read) => {
            if read.rounded {
                remarks.push(Remark::info(
                    "value-rounded",
                    format!("Rounded to the micrometre: {}.", read.length),
                ));
            }
            Some(read.length)
        }
        Err(error) => {
            remarks.push(Remark::blocking(
                "value-unreadable",
                format!("The value cannot be a width: {error}."),
            ));
            None
        }
    }
}

fn disagreement(measured: &Measured) -> Option<Remark> {
    let float = measured.float?;
    let decimal: f64 = measured.decimal.as_ref()?.trim().parse().ok()?;
    // Not `>`: a float that is no number disagrees as well.
    let agree = (decimal - float).abs() <= AGREE * decimal.abs().max(float.abs());
    (!agree).then(|| {
        Remark::caution(
            "value-disagrees",
            format!(
                "Numeric Value says {decimal}, Floating Point Value {float}; the first is used."
            ),
        )
        .act("Compare with the picture.")
    })
}
