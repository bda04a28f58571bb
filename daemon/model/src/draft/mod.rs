//! Drafts of dictionaries: what stands in the way of values becomes proposals, and a person's answers
//! to them a dictionary.
//!
//! Nothing here reads a value. A proposal comes from the meaning of a code or the text of a label
//! alone, never from values, order or the code's letters, and is in force only after [`confirm`].

mod answer;
mod claims;
pub mod confirm;
mod doubts;
pub mod facts;
mod gist;
mod letters;
mod lexicon;
mod propose;
mod quoted;
mod row;
mod side;
mod write;

#[cfg(test)]
mod tests;

pub use claims::Claims;
pub use doubts::doubts;
pub use facts::{Facts, Seen, Sender};
pub use gist::Gist;
pub use row::{Draft, Kind, Row, draft};
