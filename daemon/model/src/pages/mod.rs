//! The pages of `[pages]` as HTML: what people see in a browser and the forms they fill in.
//!
//! Each page is a view, everything shown and already worked out, and a function that writes it. Nothing
//! here looks up, decides or records anything. [`layout`] holds what stands round every page and what
//! pages share; its style goes on from that of the page of a result.

pub mod acting;
pub mod bring;
pub mod codes;
pub mod course;
pub mod deeds;
pub mod department;
pub mod exam;
pub mod layout;
pub mod lines;
pub mod measure;
pub mod patient;
pub mod picture;
pub mod preview;
pub mod second;
pub mod service;
mod spans;
pub mod today;

#[cfg(test)]
mod testing;
#[cfg(test)]
mod tests;
