//! Whether something at the eye was left unread.
//!
//! **Left unread at the eye** is, of this exam and of the patient:
//!
//! 1. a sheath value that is not used because of its codes: its side is missing, contradictory or under a
//!    code that nobody explains, or so is its unit, or how it was made; or it is a labelled line of a
//!    presentation state without a length;
//! 2. a number that our own rules cannot decide on (sheath or nerve, several quantities, no rule);
//! 3. a length under a private code that nobody explains, or without a name, or under a general word
//!    (diameter, distance) with a private code around it that nobody explains;
//!
//! the last two only where the number is as wide as a sheath can be (`Rules::plausible`), and is not of
//! another region of the body: its nearest site is one of ours, or nobody explains it, or none is named.
//! A report that holds sheath values is of the eye, so there the open ones count as well. Where a report
//! holds none, those are only noted ([`Severity::Info`]): nothing says that they are of the eye.
//!
//! Not left unread is what anybody has explained: numbers under codes that a dictionary calls not ours, under
//! names of standard schemes (lens thickness, axial length), general words whose codes are all explained,
//! and what is wider or narrower than any sheath. So a report of such numbers carries nothing.

use super::subject::Verdict;
use crate::domain::{Laterality, Measurement, Millimetres, Remark, RemarkCode, Severity};
use crate::extract::{Extraction, Left, Region};
use crate::normalise::is_apart;
use std::collections::BTreeSet;

/// Why a sheath value is not used, where its codes are the reason, or what it was drawn over.
const BY_CODES: [RemarkCode; 12] = [
    RemarkCode::LateralityMissing,
    RemarkCode::LateralityUnclear,
    RemarkCode::LateralityConflict,
    RemarkCode::DerivationUnclear,
    RemarkCode::UnitMissing,
    RemarkCode::UnitUnknown,
    RemarkCode::UnitConflict,
    RemarkCode::LabelConflict,
    RemarkCode::PresentationLabelUnclear,
    RemarkCode::PresentationLineUnclear,
    RemarkCode::PresentationPictureDiffers,
    RemarkCode::PresentationPictureMissing,
];

/// Sheath values of this exam that are not used because of their codes. A mean or the like beside usable
/// readings that it may be made from is none: nothing is lost with it, as with a mean of both eyes.
pub fn lost_by_codes<'a>(
    values: impl Iterator<Item = &'a Measurement> + Clone,
) -> impl Iterator<Item = &'a Measurement> {
    let usable = values
        .clone()
        .filter(|one| one.usable && super::is_sheath(one));
    let readings: BTreeSet<Laterality> = usable.map(|one| one.eye).collect();
    values.filter(move |one| {
        let is_made = !super::is_reading(one)
            && match one.eye.eye() {
                Some(_) => readings.contains(&one.eye),
                None => !readings.is_empty(),
            };
        let mut remarks = one.remarks.iter();
        let is_seen = remarks.clone().any(|one| one.code == RemarkCode::LineSeen);
        super::is_sheath(one)
            && !one.usable
            && !is_made
            && !is_seen
            && !is_apart(one)
            && remarks.any(|one| one.severity == Severity::Blocking && BY_CODES.contains(&one.code))
    })
}

/// The remark on a report of which something was left unread; none where what is left may be the other
/// eye's, which has a remark of its own.
pub(super) fn of_report(
    measurements: &[Measurement],
    found: &Extraction,
    verdicts: &[Verdict],
    plausible: (Millimetres, Millimetres),
) -> Option<Remark> {
    let is_ours = |left: &&Left| {
        let verdict = left.stated.and_then(|stated| verdicts.get(stated));
        let wide = |length: Millimetres| (plausible.0..=plausible.1).contains(&length);
        !matches!(verdict, Some(Verdict::Other(_))) && left.length.is_none_or(wide)
    };
    let is_of_the_eye = measurements.iter().any(super::is_sheath);
    let (eye, open): (Vec<&Left>, Vec<&Left>) = found
        .left
        .iter()
        .filter(is_ours)
        .partition(|left| is_of_the_eye || left.of == Region::Eye);
    let lost = lost_by_codes(measurements.iter()).map(|one| one.place.as_str());
    let mut places = eye.iter().map(|left| left.place.as_str()).chain(lost);
    if let Some(first) = places.next() {
        return Some(at_the_eye().at(first));
    }
    let first = open.first()?;
    Some(
        Remark::of(
            RemarkCode::LeftUnread,
            "Lengths as wide as a sheath were left unread, since nobody has explained their codes; \
             nothing says that they are of the eye.",
        )
        .with(Severity::Info)
        .at(first.place.clone())
        .act("If they are sheaths, explain their codes in the site dictionary (`unmapped` lists them)."),
    )
}

/// The caution itself, for a report or an exam.
#[must_use]
pub fn at_the_eye() -> Remark {
    Remark::of(
        RemarkCode::LeftUnread,
        "Values were left unread: the reports hold values that may be sheath diameters and cannot be \
         used, because nobody has explained their codes or because the codes contradict each other. A rise \
         there would not be seen.",
    )
    .act(
        "Look at the report itself; have its codes explained in the site dictionary (`unmapped` lists \
         them) or the report corrected.",
    )
}

#[cfg(test)]
pub(super) mod tests;
