//! What one text object says.

use crate::domain::Millimetres;
use crate::numbers::decimal::Decimal;
use crate::template::Vocabulary;
use crate::template::vocabulary::Says;
use crate::template::words::{Side, Unit};

/// A text, read.
#[derive(Debug, Default, PartialEq)]
pub(super) struct Read {
    /// The label that it is, with what that says.
    pub(super) label: Option<(String, Says)>,
    /// The side, where it is a word that the site lists.
    pub(super) word: Option<Side>,
    /// Lengths that stand in lines of their own.
    pub(super) lengths: Vec<Millimetres>,
    /// What it says, where nobody lists it.
    pub(super) rest: Option<String>,
}

/// Reads a text: the whole of it, or what is left of it without the lines that are a length and
/// nothing else, as viewers put them below a label.
pub(super) fn read(lines: &[String], vocabulary: &Vocabulary) -> Read {
    let whole = lines.join(" ");
    if let Some(says) = vocabulary.label(&whole) {
        return Read {
            label: Some((whole, says.clone())),
            ..Read::default()
        };
    }
    let lengths: Vec<Millimetres> = lines.iter().filter_map(|line| length(line)).collect();
    let rest = without_lengths(lines);
    let label = vocabulary.label(&rest);
    let label = label.map(|says| (rest.clone(), says.clone()));
    let word = vocabulary.word(&rest).filter(|_| label.is_none());
    let is_rest = !rest.is_empty() && label.is_none();
    Read {
        label,
        word,
        lengths,
        rest: is_rest.then_some(rest),
    }
}

/// The text without the lines that are a length.
pub(super) fn without_lengths(lines: &[String]) -> String {
    let others = lines.iter().filter(|line| length(line).is_none());
    others.map(String::as_str).collect::<Vec<_>>().join(" ")
}

/// A line that is a number with millimetres or centimetres and nothing else.
fn length(line: &str) -> Option<Millimetres> {
    let line = line.trim();
    let (number, unit) = [("mm", Unit::Millimetre), ("cm", Unit::Centimetre)]
        .into_iter()
        .find_map(|(name, unit)| Some((line.strip_suffix(name)?, unit)))?;
    let number = number.trim_end().replace(',', ".");
    let read = Decimal::parse(&number).ok()?.in_unit(unit).ok()?;
    Some(read.length)
}
