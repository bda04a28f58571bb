//! Templates: which numbers of a report are sheath measurements, as data and not as code.
//!
//! Three kinds of TOML file, described field by field in `sr-templates/README.md`:
//!
//! * the **vocabulary** says what coded concepts mean (`24028007 SCT` says right);
//! * a **site dictionary** says the same of a site's own codes, in the same form;
//! * a **template** says which documents it reads and which numbers there are which quantity.
//!
//! [`Templates::load`] reads them all and reports every mistake at once.

pub mod builtin;
mod desk;
mod dictionary;
pub mod fit;
pub mod label;
mod load;
pub mod measure;
pub mod names;
pub mod vocabulary;
pub mod words;

#[cfg(test)]
mod tests;

pub use dictionary::Proposals;
pub use fit::{Choice, Fits, Shape};
pub use measure::Measure;
pub use vocabulary::{Explained, Says, Vocabulary};

use words::Stand;

/// One template.
#[derive(Debug, Clone, PartialEq)]
pub struct Template {
    /// Short name, unique: `tid1500`.
    pub id: String,
    /// One line for people.
    pub title: String,
    /// First 12 hexadecimal digits of the SHA-256 of the template's text.
    pub hash: String,
    /// Reports it is tested with, paths relative to `fixtures/sr/`.
    pub fixtures: Vec<String>,
    /// Which documents it reads.
    pub fits: Fits,
    /// Where a side may stand to be believed. A side elsewhere still contradicts one.
    pub laterality: Vec<Stand>,
    /// Where a plane may stand to be believed.
    pub plane: Vec<Stand>,
    /// Which numbers are which quantity.
    pub measures: Vec<Measure>,
}

impl Template {
    /// Name and content hash as results carry them: `tid1500@1f0c5e…`.
    #[must_use]
    pub fn label(&self) -> String {
        format!("{}@{}", self.id, self.hash)
    }
}

/// All templates, the vocabulary and the site's dictionaries.
#[derive(Debug, Clone, PartialEq)]
pub struct Templates {
    vocabulary: Vocabulary,
    /// Rules of the site dictionaries; they go before those of a template.
    site_measures: Vec<Measure>,
    templates: Vec<Template>,
    fingerprint: String,
}

impl Templates {
    /// What coded concepts say, site dictionaries included.
    #[must_use]
    pub fn vocabulary(&self) -> &Vocabulary {
        &self.vocabulary
    }

    /// Every template, by id.
    #[must_use]
    pub fn list(&self) -> &[Template] {
        &self.templates
    }

    /// `[[measure]]` rules of the site dictionaries.
    #[must_use]
    pub fn site_measures(&self) -> &[Measure] {
        &self.site_measures
    }

    /// SHA-256 over the text of every file, hexadecimal: changes when anything here does.
    #[must_use]
    pub fn fingerprint(&self) -> &str {
        &self.fingerprint
    }
}
