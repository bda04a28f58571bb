//! Whether what was left unread may be the other eye's.
//!
//! Told by structure alone: a length of the same unit, as deep in the tree as a sheath value that was
//! read, as wide as a sheath can be, under a code that nobody explains, and not said to be of the eye
//! that was read. What a code is called never counts.

use super::is_sheath;
use crate::domain::{Eye, Laterality, Measurement, Millimetres, Remark, RemarkCode};
use crate::extract::Extraction;
use crate::normalise;

/// The one eye of which sheath values can be used.
pub fn only_eye<'a>(measurements: impl Iterator<Item = &'a Measurement>) -> Option<Eye> {
    let mut eyes: Vec<Eye> = measurements
        .filter(|one| one.usable && is_sheath(one))
        .filter_map(|one| one.eye.eye())
        .collect();
    eyes.sort_unstable();
    eyes.dedup();
    match eyes.as_slice() {
        [one] => Some(*one),
        _ => None,
    }
}

/// Whether a sheath value may be the other eye's and cannot be used.
pub fn is_left<'a>(read: Eye) -> impl Fn(&&'a Measurement) -> bool {
    move |one| {
        let other = one.eye != Laterality::from(read);
        is_sheath(one) && !one.usable && other && !normalise::is_apart(one)
    }
}

/// The caution on values that may be the other eye's and were not read.
pub(super) fn unread(
    measurements: &[Measurement],
    found: &Extraction,
    plausible: (Millimetres, Millimetres),
) -> Option<Remark> {
    let read = only_eye(measurements.iter())?;
    let patterns = measurements.iter().zip(&found.found);
    let patterns = patterns.filter(|(one, _)| one.usable && is_sheath(one));
    let patterns: Vec<_> = patterns
        .filter_map(|(_, one)| one.stands.as_ref())
        .collect();
    let unknown = found.unread.iter().filter(|one| {
        one.eye != Laterality::from(read)
            && (plausible.0..=plausible.1).contains(&one.length)
            && patterns.contains(&&one.stands)
    });
    let left = measurements.iter().filter(is_left(read));
    let places = unknown.map(|one| &one.place);
    let mut places = places.chain(left.map(|one| &one.place));
    places.next().map(|first| caution(read).at(first.clone()))
}

/// The caution itself, for a report or an exam.
#[must_use]
pub fn caution(read: Eye) -> Remark {
    let (one, other) = match read {
        Eye::Right => ("right", "left"),
        Eye::Left => ("left", "right"),
    };
    Remark::of(
        RemarkCode::ValuesUnread,
        format!(
            "Values were left unread: only the {one} eye is used, and values that may be of the \
             {other} eye are not. A rise there would not be seen."
        ),
    )
    .act(
        "Look at the report itself for the other eye; have its codes explained in the site \
         dictionary (`unmapped` lists them) or the report corrected.",
    )
}

#[cfg(test)]
mod tests;
