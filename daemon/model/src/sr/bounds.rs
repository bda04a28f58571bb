//! How long a text may be: the maximum of its value representation (PS3.5 table 6.2-1).
//!
//! A text for people is cut and shows it by `…`. What says who or what something is (ids, codes) is
//! never cut into something else: it is kept whole or not used. Dates, numbers and words of closed
//! sets end in `…` as well when they are far too long, so that nothing can read them.

use super::gate::dictionary_vr;
use dicom_core::{Tag, VR};
use std::borrow::Cow;

/// Component groups of a Person Name, and letters of each.
const GROUPS: usize = 3;
const GROUP: usize = 64;

/// Letters of an identifier that is kept whole: devices exceed the 16 of a short string.
pub(super) const ID: usize = 64;

/// Letters of a Long or URN Code Value, which the standard does not bound.
pub(super) const LONG_CODE: usize = 1024;

/// Letters of the numbers of one element, as the frames of a long recording.
pub(super) const NUMBERS: usize = 1 << 16;

/// Bytes that one letter takes at most: two in JIS X 0212 between escape sequences of four and three
/// bytes (PS3.3 table C.12-4), rounded up.
pub(super) const LETTER_BYTES: usize = 12;

/// Ends what was cut.
const MARK: char = '…';

/// The longest text of an element.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Bound {
    /// Letters of the whole.
    Letters(usize),
    /// Letters of each component group of a Person Name.
    Name,
}

impl Bound {
    /// The bound of a tag, whatever VR is on the wire.
    pub(super) fn of(tag: Tag) -> Bound {
        Bound::Letters(match dictionary_vr(tag) {
            VR::PN => return Bound::Name,
            VR::SH => 16,
            VR::ST => 1024,
            // UT, UC and UR are not bounded there: more than a page of text is of no use here.
            VR::LT | VR::UT => 10_240,
            VR::UC | VR::UR => LONG_CODE,
            // LO and UI; and what is far longer than any date, number or word.
            _ => 64,
        })
    }

    /// Bytes that are decoded at most.
    pub(super) fn bytes(self) -> usize {
        LETTER_BYTES
            * match self {
                Bound::Letters(letters) => letters,
                Bound::Name => GROUPS * (GROUP + 1),
            }
    }

    /// A text as long as it may be, and whether that is less than all of it. `more` says that bytes
    /// beyond it were not decoded.
    pub(super) fn cut(self, text: &str, more: bool) -> (Cow<'_, str>, bool) {
        match self {
            Bound::Letters(most) => match prefix(text, most) {
                Some(start) => (Cow::Owned(start), true),
                None if more => (Cow::Owned(format!("{text}{MARK}")), true),
                None => (Cow::Borrowed(text), false),
            },
            Bound::Name => {
                let mut cut = more || text.split('=').count() > GROUPS;
                if !cut && text.len() <= GROUP {
                    return (Cow::Borrowed(text), false);
                }
                let groups = text.split('=').take(GROUPS).map(|group| {
                    let start = prefix(group, GROUP);
                    cut |= start.is_some();
                    start.unwrap_or_else(|| group.to_owned())
                });
                let groups: Vec<String> = groups.collect();
                (Cow::Owned(groups.join("=")), cut)
            }
        }
    }
}

/// Where the letters of a text start. A byte that is shown as an octal number is one of them: counted
/// by its digits, a name in an unknown character set would lose all but its start.
fn starts(text: &str) -> impl Iterator<Item = usize> {
    let mut digits = 0;
    text.char_indices().filter_map(move |(at, letter)| {
        if digits > 0 {
            digits -= 1;
            return None;
        }
        let follow = text.as_bytes().get(at + 1..at + 4);
        let octal = |bytes: &[u8]| bytes.iter().all(|byte| (b'0'..=b'7').contains(byte));
        if letter == '\\' && follow.is_some_and(octal) {
            digits = 3;
        }
        Some(at)
    })
}

/// The start of a text of more than `most` letters, in `most` letters with its mark.
fn prefix(text: &str, most: usize) -> Option<String> {
    // Bytes are no fewer than letters.
    if text.len() <= most {
        return None;
    }
    let mut starts = starts(text);
    let last = starts.nth(most.checked_sub(1)?)?;
    starts.next()?;
    Some(format!("{}{MARK}", text.get(..last)?))
}

/// A text for people in at most `most` letters.
pub(crate) fn shortened(text: &str, most: usize) -> String {
    prefix(text, most).unwrap_or_else(|| text.to_owned())
}

/// Whether a text has more than `most` letters.
pub(crate) fn exceeds(text: &str, most: usize) -> bool {
    text.len() > most && starts(text).nth(most).is_some()
}

#[cfg(test)]
mod tests {
    use super::*;
    use dicom_dictionary_std::tags;

    /// PS3.5 table 6.2-1.
    #[test]
    fn bounds_of_the_standard() {
        for (tag, letters) in [
            (tags::MANUFACTURER, 64),
            (tags::ACCESSION_NUMBER, 16),
            (tags::CODE_MEANING, 64),
            (tags::CODE_VALUE, 16),
            (tags::SOP_INSTANCE_UID, 64),
            (tags::TEXT_VALUE, 10_240),
            (tags::ADDITIONAL_PATIENT_HISTORY, 10_240),
        ] {
            assert_eq!(Bound::of(tag), Bound::Letters(letters), "{tag}");
        }
        assert_eq!(Bound::of(tags::OPERATORS_NAME), Bound::Name);
    }

    #[test]
    fn letters_are_counted_and_not_bytes() {
        let bound = Bound::Letters(4);
        assert_eq!(bound.cut("äöüß", false), ("äöüß".into(), false));
        assert_eq!(bound.cut("äöüße", false), ("äöü…".into(), true));
        assert_eq!(bound.cut("ab", true), ("ab…".into(), true));
        // A byte of an unknown character set is one letter, however it is shown.
        let shown = r"\316".repeat(4);
        assert_eq!(bound.cut(&shown, false), (shown.as_str().into(), false));
        let longer = format!("{shown}a");
        assert_eq!(bound.cut(&longer, false), (r"\316\316\316…".into(), true));
        assert_eq!(bound.cut(r"\31\3", false), (r"\31…".into(), true));
        let group = "千".repeat(64);
        let name = format!("{group}={group}={group}");
        assert_eq!(Bound::Name.cut(&name, false), (name.as_str().into(), false));
        let long = format!("A{group}^B={group}");
        let (cut, was_cut) = Bound::Name.cut(&long, false);
        assert!(was_cut);
        assert_eq!(
            cut.split('=').map(|one| one.chars().count()).max(),
            Some(64)
        );
    }
}
