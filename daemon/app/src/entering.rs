//! What people type, on its way into the store: a measurement that is signed, a table that is brought
//! in, both through the one intake and each in one transaction; and how they are taken back.
//!
//! What was signed is known by its SOP Instance UID, which follows from what it says: the same again
//! changes nothing, and what was taken back counts again.

mod against;
mod back;
mod bring;
mod here;

pub use against::{Stated, correctable, look, stated};
pub use back::{Withdrawn, take_back, take_back_report, taken_back};
pub use bring::{Bring, Brought, Looked, State, bring_in, look_at};

use crate::intake::{History, Intake, Name, Object, Telling};
use crate::observe::Observed;
use sheathline_model::annotations::By;
use sheathline_model::domain::Source;
use sheathline_model::entered::{Fault, Limits, Typed, Uids, table::RowFault};
use sheathline_model::forms::{FormError, entered};
use sheathline_store::{Store, StoreError, archives};

/// How often something is prepared again because somebody else entered or said something in between.
const TRIES: usize = 5;

/// Why nothing was entered.
#[derive(Debug, thiserror::Error)]
pub enum NotEntered {
    /// Fields speak against it.
    #[error("{}", told(.0))]
    Faults(Vec<Fault>),
    /// Lines of the table do.
    #[error("{}", told(.0))]
    Lines(Vec<RowFault>),
    /// There is no such table.
    #[error("no table was brought in under the number {0}")]
    NoTable(i64),
    /// There is no such report, or it is none that a person typed.
    #[error("{0}")]
    NotTyped(String),
    /// Reports are not read yet, so nobody can say what of them is meant.
    #[error("{0} reports wait to be read; try again in a moment")]
    Unread(usize),
    /// Others keep entering.
    #[error("others keep entering for the same patients; nothing was entered, try again")]
    Overtaken,
    /// The report cannot be made.
    #[error(transparent)]
    Form(#[from] FormError),
    /// The store failed.
    #[error(transparent)]
    Store(#[from] StoreError),
}

fn told<T: ToString>(all: &[T]) -> String {
    let all: Vec<String> = all.iter().map(T::to_string).collect();
    all.join("\n")
}

/// A measurement that is on stable storage.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Signed {
    /// The identifiers of its report.
    pub uids: Uids,
    /// It was here already.
    pub was_here: bool,
    /// It had been taken back, and counts again.
    pub counts_again: bool,
}

/// Days for which results of an old exam that is brought in are delivered, as with the history of an
/// archive where nothing else is written.
pub const CURRENT_DAYS: u32 = 30;

/// Whether the very same is here already.
///
/// # Errors
/// The store cannot be read.
pub fn is_here(store: &Store, typed: &Typed) -> Result<bool, StoreError> {
    let instance = typed.uids().instance;
    store.read(|view| archives::is_here(view, &instance))
}

/// Signs a measurement: on stable storage when it says so.
///
/// # Errors
/// Something speaks against it, in its fields or in the store; or it could not be kept.
pub fn sign(
    store: &Store,
    observed: &Observed,
    typed: &Typed,
    by: &By,
    limits: &Limits,
) -> Result<Signed, NotEntered> {
    let uids = typed.uids();
    let signed = |was_here, counts_again| Signed {
        uids: uids.clone(),
        was_here,
        counts_again,
    };
    let instance = uids.instance.clone();
    if store.read(|view| archives::is_here(view, &instance))? {
        let again = back::count_again(store, &instance, by)?;
        return Ok(signed(true, again));
    }
    let mut faults = look(store, typed, limits)?;
    faults.retain(|fault| fault.blocking);
    if !faults.is_empty() {
        return Err(NotEntered::Faults(faults));
    }
    let intake = Intake::of_store(store, observed);
    let object = object(typed, None)?;
    let new = intake.keep_within(vec![object], &Source::Entered, move |tx, keep| {
        let new = !archives::is_here(tx, &instance)?;
        if new {
            keep(0)?;
        }
        Ok(new)
    })?;
    Ok(signed(!new, false))
}

/// The report of what was typed as an object that arrives.
fn object(typed: &Typed, current_days: Option<u32>) -> Result<Object, FormError> {
    let instance = typed.uids().instance;
    Ok(Object {
        bytes: entered::report(typed)?,
        syntax: None,
        // It names its issuer, or has none.
        default_issuer: String::new(),
        name: Name::Instance(instance.clone()),
        history: Some(History {
            asked: instance,
            current_days,
        }),
        telling: Telling::All,
    })
}
