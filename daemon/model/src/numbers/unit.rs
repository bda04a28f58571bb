//! Units of length: a closed table of UCUM codes, and a site's own spellings.

use crate::domain::{Remark, RemarkCode, Severity};
use crate::sr::Code;
use crate::sr::code::CodeKey;
use crate::template::Vocabulary;
use crate::template::words::Unit;

/// The unit of length a code says; `None` when it says none. UCUM tells case apart: `Mm` is a
/// thousand kilometres.
#[must_use]
pub fn length(code: &Code, vocabulary: &Vocabulary) -> Option<Unit> {
    code.keys().find_map(|key| {
        let by_site = vocabulary.term(&key).and_then(|says| says.unit);
        by_site.or_else(|| ucum(&key))
    })
}

fn ucum(key: &CodeKey) -> Option<Unit> {
    if key.scheme != "UCUM" {
        return None;
    }
    let mut all = Unit::ALL.iter();
    all.find_map(|&(unit, code)| (code == key.value).then_some(unit))
}

/// The remark on a unit that UCUM does not give: a site's spelling, or its word for "no unit".
#[must_use]
pub fn by_site(code: &Code) -> Option<Remark> {
    if code.keys().any(|key| ucum(&key).is_some()) {
        return None;
    }
    let (value, scheme) = (code.value.trim(), code.scheme.trim());
    let text = format!("The unit {value} {scheme} is read as the site dictionary says.");
    Some(match value {
        "1" => Remark::of(RemarkCode::UnitBySite, text).with(Severity::Caution),
        _ => Remark::of(RemarkCode::UnitBySite, text),
    })
}

/// The unit of a value, or the remark that says why it has none.
///
/// # Errors
///
/// A blocking remark without place.
pub fn of_value(code: Option<&Code>, vocabulary: &Vocabulary) -> Result<Unit, Remark> {
    let Some(code) = code else {
        return Err(missing("The value has no unit."));
    };
    if let Some(unit) = length(code, vocabulary) {
        return if disowned(code, unit, vocabulary) {
            Err(conflict(code))
        } else {
            Ok(unit)
        };
    }
    Err(match (code.value.trim(), code.scheme.trim()) {
        ("1" | "", _) => missing("The value says it has no unit."),
        ("Mm", "UCUM") => unknown("The unit Mm is the megametre; mm is written in small letters."),
        (value, scheme) => unknown(&format!(
            "The unit {value} {scheme} is none of the lengths nm, um, mm, cm, dm, m, [in_i], [ft_i] of UCUM."
        )),
    })
}

/// Whether a meaning of the code names another unit than the code says.
#[must_use]
pub fn disowned(code: &Code, unit: Unit, vocabulary: &Vocabulary) -> bool {
    let mut meanings = std::iter::once(code).chain(&code.equivalents);
    meanings.any(|code| vocabulary.names().another_unit(&code.meaning, unit))
}

fn conflict(code: &Code) -> Remark {
    let text = format!(
        "The unit's code says {} and its own meaning names another unit.",
        code.value.trim()
    );
    Remark::of(RemarkCode::UnitConflict, text)
        .act("Compare with the picture and correct the report at its source; no unit was picked.")
}

fn missing(text: &str) -> Remark {
    Remark::of(RemarkCode::UnitMissing, text)
        .act("Have the sender write the unit; none was assumed.")
}

fn unknown(text: &str) -> Remark {
    Remark::of(RemarkCode::UnitUnknown, text).act(
        "Have the sender write a UCUM unit, or explain this spelling by a [[term]] with `unit` in \
         the site dictionary.",
    )
}

#[cfg(test)]
mod tests;
