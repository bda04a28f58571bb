//! The audit trail: who sent, was refused or was given what, as messages of DICOM PS3.15 A.5.
//!
//! [`message`] writes one message, [`trail`] keeps them in a file, [`syslog`] wraps one for a server. What the store knows (objects that
//! were read, results that were published or delivered) is told from the store and told again after a crash, so it
//! may stand there twice and is never missing. What it does not know (associations, repeats, objects
//! that were not kept) waits in memory while the file cannot be written.

pub mod message;
pub mod syslog;
pub mod trail;

pub use message::{Event, Facts, Question, Receiver};
pub use trail::Trail;
