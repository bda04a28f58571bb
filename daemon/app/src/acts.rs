//! What people say, act by act: prepared, shown with what it would do, recorded in one transaction.
//! Commands and pages alike come this way, and nothing here prints.
//!
//! [`prepare`] works out what an act would record and what it would do to the results; [`record`]
//! writes it, unless something of one of its people changed meanwhile. Whoever shows a person first
//! and asks for the act later keeps the [`stamp`](Person::stamp) that was shown and compares.

mod effect;
mod error;
mod found;
mod order;
mod person;
mod prepare;
mod record;
mod said_by;
mod say;
mod seen;
mod steps;
pub mod table;

pub use effect::{Changes, Effect, Question};
pub use error::{ActError, NotMeant, Unfound};
pub use found::{NotOne, patient_of};
pub use order::{Order, Wish};
pub use person::{Person, moment};
pub use prepare::{Look, Prepared, Step, prepare};
pub use record::{Recorded, record};
pub use said_by::{author, reason};
pub use seen::Seen;
