//! Who may do what: the one table.

use crate::config::Role;
use sheathline_model::pages::layout::Place;

/// What somebody may be allowed to do.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Right {
    /// See patients and their exams.
    See,
    /// Label, acknowledge, settle, note, say an event or a pressure, read a second time.
    Label,
    /// Type a measurement and sign it as one's own.
    Measure,
    /// Bring in a table of old values, and take it back.
    BringIn,
    /// Take an exam out of the baseline.
    TakeOut,
    /// Correct by a new entry what somebody else entered.
    Correct,
    /// See the department's statistics.
    Department,
    /// See unknown codes and draft a dictionary.
    Codes,
    /// See deliveries, senders and the service.
    Service,
    /// Have a delivery tried again.
    Retry,
    /// See who did what.
    Deeds,
}

impl Right {
    /// Every right.
    pub const ALL: [Right; 11] = [
        Right::See,
        Right::Label,
        Right::Measure,
        Right::BringIn,
        Right::TakeOut,
        Right::Correct,
        Right::Department,
        Right::Codes,
        Right::Service,
        Right::Retry,
        Right::Deeds,
    ];

    /// The roles that have it.
    #[must_use]
    pub fn roles(self) -> &'static [Role] {
        use Role::{Auditor, Clinician, Lead, Measurer, Operator, Reader};
        match self {
            Right::See => &[Reader, Measurer, Clinician, Lead],
            Right::Label => &[Clinician, Lead],
            Right::Measure => &[Measurer],
            Right::BringIn | Right::TakeOut | Right::Correct => &[Lead],
            Right::Department => &[Reader, Measurer, Clinician, Lead],
            Right::Codes => &[Lead, Operator],
            Right::Service | Right::Retry => &[Operator],
            Right::Deeds => &[Auditor],
        }
    }

    /// What it allows, as it follows "may not".
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Right::See => "see patients",
            Right::Label => "label or acknowledge",
            Right::Measure => "enter measurements",
            Right::BringIn => "bring in old values",
            Right::TakeOut => "take exams out of the baseline",
            Right::Correct => "correct what others entered",
            Right::Department => "see the department's statistics",
            Right::Codes => "see unknown codes",
            Right::Service => "see deliveries and the service",
            Right::Retry => "have deliveries tried again",
            Right::Deeds => "see who did what",
        }
    }
}

/// The right that a place of the navigation asks for.
#[must_use]
pub(super) fn of_place(place: Place) -> Right {
    match place {
        Place::Today => Right::See,
        Place::Measure => Right::Measure,
        Place::BringIn => Right::BringIn,
        Place::Codes => Right::Codes,
        Place::Department => Right::Department,
        Place::Service => Right::Service,
        Place::Deeds => Right::Deeds,
    }
}

/// The roles of somebody, each once, in the order of [`Role::ALL`].
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Roles(Vec<Role>);

impl Roles {
    /// These roles.
    #[must_use]
    pub fn new(roles: impl IntoIterator<Item = Role>) -> Self {
        let mut roles: Vec<Role> = roles.into_iter().collect();
        roles.sort_unstable();
        roles.dedup();
        Roles(roles)
    }

    /// The roles of these words; a word that is none gives nothing.
    #[must_use]
    pub fn of_words<'w>(words: impl IntoIterator<Item = &'w str>) -> Self {
        Roles::new(words.into_iter().filter_map(Role::of_word))
    }

    /// Whether one of them has this right.
    #[must_use]
    pub fn may(&self, right: Right) -> bool {
        self.0.iter().any(|role| right.roles().contains(role))
    }

    /// Their words.
    #[must_use]
    pub fn words(&self) -> Vec<String> {
        self.0.iter().map(|role| role.word().to_owned()).collect()
    }

    /// Whether there is none.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// The places they may open, in the order of the navigation.
    #[must_use]
    pub fn places(&self) -> Vec<Place> {
        let all = Place::ALL.into_iter();
        all.filter(|place| self.may(of_place(*place))).collect()
    }

    /// The first page after signing in.
    #[must_use]
    pub fn home(&self) -> &'static str {
        self.places().first().map_or("/today", |place| place.path())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The table of the manual, row by row.
    #[test]
    fn each_role_may_what_the_manual_says() {
        use Right::*;
        let may = |word: &str| {
            let roles = Roles::of_words([word]);
            let all = Right::ALL.into_iter();
            all.filter(|right| roles.may(*right)).collect::<Vec<_>>()
        };
        assert_eq!(may("reader"), [See, Department]);
        assert_eq!(may("measurer"), [See, Measure, Department]);
        assert_eq!(may("clinician"), [See, Label, Department]);
        assert_eq!(
            may("lead"),
            [See, Label, BringIn, TakeOut, Correct, Department, Codes]
        );
        assert_eq!(may("operator"), [Codes, Service, Retry]);
        assert_eq!(may("auditor"), [Deeds]);
        assert_eq!(may("root"), []);
    }

    #[test]
    fn roles_add_up_and_the_navigation_follows() {
        let roles = Roles::of_words(["operator", "reader", "reader", "nobody"]);
        assert_eq!(roles.words(), ["reader", "operator"]);
        assert!(roles.may(Right::See) && roles.may(Right::Retry) && !roles.may(Right::Label));
        assert_eq!(
            roles.places(),
            [
                Place::Today,
                Place::Codes,
                Place::Department,
                Place::Service
            ]
        );
        assert_eq!(Roles::of_words(["auditor"]).home(), "/deeds");
    }
}
