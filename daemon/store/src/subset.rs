//! The SQL that every database behind the store takes with the same meaning: what a statement may be, and
//! what to write instead of what it may not.
//!
//! [`faults`] looks at one statement; the tests of this room hear every statement of the store and see to it
//! that none in the sources goes unheard. The rules stand in the table of the store's README.

mod grammar;
mod shape;
pub(crate) mod sources;
mod tests;
mod words;

pub(crate) use shape::Shape;

use std::fmt;

/// What is wrong with a statement.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct Fault {
    /// The rule, by its word in the README.
    pub(crate) rule: &'static str,
    /// The part of the statement.
    pub(crate) part: String,
    /// What to write instead.
    pub(crate) instead: &'static str,
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Fault {
            rule,
            part,
            instead,
        } = self;
        write!(f, "{rule}: `{part}`; {instead}")
    }
}

/// What is wrong with a statement on tables of this shape, each thing once.
pub(crate) fn faults(sql: &str, shape: &Shape) -> Vec<Fault> {
    let mut found = words::faults(sql);
    // What the words say is plainer than what a parser makes of them.
    if found.is_empty() {
        found = grammar::faults(sql, shape);
    }
    found.sort();
    found.dedup();
    found
}
