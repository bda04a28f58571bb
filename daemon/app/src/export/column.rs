//! What a column is: name, kind, unit, constraints, privacy class, a sentence, and where its value
//! comes from. Everything that describes a table is made from these.

use super::cell::{Cell, Kind};

/// What a value may give away of a person. Whoever takes identities out of an export decides by this.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Class {
    /// Names a person or thing by itself: patient id, accession number, operator, serial number.
    DirectIdentifier,
    /// A unique identifier or fingerprint that others know too: DICOM UIDs, hashes of bytes.
    Uid,
    /// Our own key, made from identifiers by a hash without a secret, so it can be guessed.
    Key,
    /// A date or time.
    Date,
    /// Words that people or devices wrote, or sentences that quote them.
    FreeText,
    /// Narrows down who it is: age, sex, institution, device model.
    QuasiIdentifier,
    /// A word of a closed list, or a code of a vocabulary.
    Code,
    /// A measured or computed number.
    Measure,
    /// Of the export itself.
    Technical,
}

impl Class {
    /// The word in the data package.
    #[must_use]
    pub(crate) fn word(self) -> &'static str {
        match self {
            Class::DirectIdentifier => "direct_identifier",
            Class::Uid => "uid",
            Class::Key => "key",
            Class::Date => "date",
            Class::FreeText => "free_text",
            Class::QuasiIdentifier => "quasi_identifier",
            Class::Code => "code",
            Class::Measure => "measure",
            Class::Technical => "technical",
        }
    }
}

/// A column as it is told to others.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Described {
    /// Its name; ends in the unit where there is one.
    pub name: &'static str,
    /// One sentence or less.
    pub about: &'static str,
    /// What it holds.
    pub kind: Kind,
    /// What it may give away.
    pub class: Class,
    /// UCUM code.
    pub unit: Option<&'static str>,
    /// Part of the key of the table.
    pub is_key: bool,
    /// Never empty.
    pub is_required: bool,
    /// The only words it holds; empty: any.
    pub words: &'static [&'static str],
    /// Smallest value.
    pub least: Option<f64>,
    /// Largest value.
    pub most: Option<f64>,
}

impl Described {
    /// A column without constraints.
    #[must_use]
    pub(crate) const fn new(
        name: &'static str,
        kind: Kind,
        class: Class,
        about: &'static str,
    ) -> Self {
        Described {
            name,
            about,
            kind,
            class,
            unit: None,
            is_key: false,
            is_required: false,
            words: &[],
            least: None,
            most: None,
        }
    }

    /// Part of the key, never empty.
    #[must_use]
    pub(crate) const fn key(self) -> Self {
        Described {
            is_key: true,
            is_required: true,
            ..self
        }
    }

    /// Never empty.
    #[must_use]
    pub(crate) const fn required(self) -> Self {
        Described {
            is_required: true,
            ..self
        }
    }

    /// Only these words.
    #[must_use]
    pub(crate) const fn one_of(self, words: &'static [&'static str]) -> Self {
        Described { words, ..self }
    }

    /// In this unit.
    #[must_use]
    pub(crate) const fn unit(self, code: &'static str) -> Self {
        Described {
            unit: Some(code),
            ..self
        }
    }

    /// Not smaller.
    #[must_use]
    pub(crate) const fn at_least(self, least: f64) -> Self {
        Described {
            least: Some(least),
            ..self
        }
    }

    /// Not larger.
    #[must_use]
    pub(crate) const fn at_most(self, most: f64) -> Self {
        Described {
            most: Some(most),
            ..self
        }
    }

    /// With its source.
    pub(super) const fn from<S: Subject>(self, of: Take<S>) -> Column<S> {
        Column { is: self, of }
    }
}

/// What a row of a table is about.
pub(crate) trait Subject {
    /// Everything that a row is made from.
    type Of<'a>;
}

type Take<S> = for<'a, 'b> fn(&'b <S as Subject>::Of<'a>) -> Cell;

/// A column with where its value comes from.
pub(crate) struct Column<S: Subject> {
    pub(super) is: Described,
    pub(super) of: Take<S>,
}
