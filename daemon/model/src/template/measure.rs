//! `[[measure]]`: which numbers are which quantity.

use super::words::{Concept, Site, Structure};
use crate::domain::Quantity;

/// One rule.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Measure {
    /// Where it is written, `tid1500.toml:31`: file name and line of its `[[measure]]`.
    pub row: String,
    /// What the number is, if the rule holds.
    pub quantity: Quantity,
    /// When the rule holds.
    pub when: When,
}

/// When a rule holds.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum When {
    /// The number's concept name itself says the quantity.
    Named,
    /// The number's concept name is a general word, and site and structure say of what.
    Described {
        /// Any of these words.
        concept: Vec<Concept>,
        /// Any of these sites; empty asks for none.
        site: Vec<Site>,
        /// Any of these parts; empty holds only when the report names no part.
        structure: Vec<Structure>,
    },
}

impl Measure {
    /// Whether a number described by words is this quantity.
    #[must_use]
    pub fn describes(&self, word: Concept, at: &[Site], part: Option<Structure>) -> bool {
        let When::Described {
            concept,
            site,
            structure,
        } = &self.when
        else {
            return false;
        };
        concept.contains(&word)
            && (site.is_empty() || at.iter().any(|at| site.contains(at)))
            // A report that names a part means that part: a rule without parts must not take it.
            && match part {
                None => structure.is_empty(),
                Some(part) => structure.contains(&part),
            }
    }
}
