//! Whether something at the eye was left unread.
//!
//! **Left unread at the eye** is, of this exam and of the patient:
//!
//! 1. a sheath value that is not used because of its codes: its side is missing, contradictory or under a
//!    code that nobody explains, or so is its unit, or how it was made;
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
use crate::domain::{Measurement, Millimetres, Remark, RemarkCode, Severity};
use crate::extract::{Extraction, Left, Region};
use crate::normalise::is_apart;

/// Why a sheath value is not used, where its codes are the reason.
const BY_CODES: [RemarkCode; 7] = [
    RemarkCode::LateralityMissing,
    RemarkCode::LateralityUnclear,
    RemarkCode::LateralityConflict,
    RemarkCode::DerivationUnclear,
    RemarkCode::UnitMissing,
    RemarkCode::UnitUnknown,
    RemarkCode::UnitConflict,
];

/// Whether a sheath value of this exam is not used because of its codes.
#[must_use]
pub fn is_lost_by_codes(value: &Measurement) -> bool {
    let mut remarks = value.remarks.iter();
    super::is_sheath(value)
        && !value.usable
        && !is_apart(value)
        && remarks.any(|one| one.severity == Severity::Blocking && BY_CODES.contains(&one.code))
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
    let lost = measurements.iter().filter(|one| is_lost_by_codes(one));
    let lost: Vec<&str> = lost.map(|one| one.place.as_str()).collect();
    let mut places = eye.iter().map(|left| left.place.as_str());
    let first = places.next().or(lost.first().copied());
    if let Some(first) = first {
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
mod tests;
