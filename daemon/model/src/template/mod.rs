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
mod origins;
mod pile;
pub mod senders;
pub mod vocabulary;
pub mod words;

#[cfg(test)]
mod tests;

pub use dictionary::Proposals;
pub use fit::{Choice, Fits, Shape};
pub use load::Files;
pub use measure::Measure;
pub use senders::{Conditions, Device, Overlap, Sender, SenderFiles};
pub use vocabulary::{Explained, Says, Vocabulary};

use crate::sr::Tree;
use origins::Origins;
use senders::Senders;
use std::sync::Arc;
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

/// All templates, the vocabulary and the site's dictionaries: those in force for everybody, with what
/// is in force for some senders beside them, or what [`Templates::of`] picked for one.
#[derive(Debug, Clone)]
pub struct Templates {
    vocabulary: Vocabulary,
    /// Rules of dictionaries by sender, then those of the dictionaries for everybody; the first that
    /// has one for a number goes before the others, and all before those of a template.
    site_measures: [Vec<Measure>; 2],
    templates: Arc<[Template]>,
    fingerprint: String,
    /// Which dictionary a term comes from.
    origins: Origins,
    /// What is in force for some senders only.
    senders: Senders,
    /// What dictionaries by sender that are in force together say differently.
    disputes: Vec<senders::Dispute>,
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

    /// `[[measure]]` rules of the dictionaries by sender, and of those for everybody.
    #[must_use]
    pub fn site_measures(&self) -> [&[Measure]; 2] {
        let [of_sender, of_all] = &self.site_measures;
        [of_sender, of_all]
    }

    /// The dictionaries that say something of a document, or whose rules took its values, by name and
    /// content hash: `pocket-t@1f0c5e…`.
    #[must_use]
    pub fn explained_by<'a>(
        &self,
        tree: &Tree,
        rules: impl Iterator<Item = &'a str>,
    ) -> Vec<String> {
        self.origins.of(tree, rules)
    }

    /// The same of texts alone, as those of a presentation state are.
    #[must_use]
    pub fn explained_by_texts<'a>(&self, texts: impl Iterator<Item = &'a str>) -> Vec<String> {
        self.origins.of_texts(texts)
    }

    /// SHA-256 over the text of every file, hexadecimal: changes when anything here does.
    #[must_use]
    pub fn fingerprint(&self) -> &str {
        &self.fingerprint
    }
}
