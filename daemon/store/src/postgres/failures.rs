//! What a server's failures mean for the store.

use crate::StoreError;
use crate::error::{Kind, Refusal};
use std::error::Error as _;
use tokio_postgres::error::DbError;

/// Nothing answers any more.
pub(super) fn away(why: impl Into<String>) -> StoreError {
    StoreError::Away { why: why.into() }
}

/// All of the transaction is to be run again.
pub(super) fn crossed(why: String) -> StoreError {
    StoreError::Refused(Refusal::new(Kind::Crossed, why))
}

/// What went wrong, for the store.
pub(super) fn of(error: &tokio_postgres::Error) -> StoreError {
    match error.as_db_error() {
        Some(said) => of_state(said.code().code(), said),
        None if is_ours(error) => StoreError::Refused(Refusal::new(Kind::Other, words(error))),
        // The connection itself.
        None => away(words(error)),
    }
}

/// A value of ours that the statement does not take: the connection goes on.
fn is_ours(error: &tokio_postgres::Error) -> bool {
    // The library has no word for these but its own texts.
    let text = error.to_string();
    text.starts_with("error serializing parameter")
        || text.starts_with("error deserializing column")
}

/// By SQLSTATE (PostgreSQL documentation, appendix A, version 15).
fn of_state(state: &str, said: &DbError) -> StoreError {
    let words = told(said);
    let refused = |kind| StoreError::Refused(Refusal::new(kind, words.clone()));
    match state {
        "53100" => StoreError::Full,
        // Serialization failure, deadlock, lock not got in time.
        "40001" | "40P01" | "55P03" => refused(Kind::Crossed),
        // The time limit of a statement.
        "57014" => StoreError::Busy,
        // Shut down, crashed, starting up, too many clients; idle for too long inside a transaction; no
        // changes are taken here, as by a standby.
        "57P01" | "57P02" | "57P03" | "57P05" | "53300" | "25P03" | "25006" => away(words),
        _ if state.starts_with("08") => away(words),
        "XX001" | "XX002" => refused(Kind::Corrupt),
        "58030" => refused(Kind::Disk),
        _ => refused(Kind::Other),
    }
}

/// Whether the connection is over with this failure.
pub(super) fn ends(error: &tokio_postgres::Error) -> bool {
    match error.as_db_error() {
        Some(said) => matches!(said.severity(), "FATAL" | "PANIC"),
        None => !is_ours(error),
    }
}

/// What the server says, without values: details and what does not fit a type hold what was stored.
fn told(said: &DbError) -> String {
    let state = said.code().code();
    match state.get(..2) {
        Some("22") => format!("a value does not fit (SQLSTATE {state})"),
        _ => format!("{} (SQLSTATE {state})", said.message()),
    }
}

/// An error with what is behind it.
pub(super) fn words(error: &tokio_postgres::Error) -> String {
    if let Some(said) = error.as_db_error() {
        return told(said);
    }
    let mut words = error.to_string();
    let mut behind = error.source();
    while let Some(cause) = behind {
        let cause_words = cause.to_string();
        if !words.contains(&cause_words) {
            words = format!("{words}: {cause_words}");
        }
        behind = cause.source();
    }
    words
}
