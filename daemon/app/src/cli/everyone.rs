//! Goes through everyone of a store, with a bar where somebody watches.

use super::{Failure, print};
use sheathline_model::domain::PatientKey;
use sheathline_store::{Store, StoreError, View, identity};
use std::io::IsTerminal;

/// Reads person after person, each under the id that survives, and hands over what was read.
pub(super) fn each<T>(
    store: &Store,
    read: impl Fn(&View, &PatientKey) -> Result<T, StoreError>,
    mut take: impl FnMut(T) -> Result<(), Failure>,
) -> Result<(), Failure> {
    let keys = store.read(identity::survivors)?;
    let bar = std::io::stderr()
        .is_terminal()
        .then(|| print::progress("reading patients", keys.len() as u64));
    for key in &keys {
        take(store.read(|conn| read(conn, key))?)?;
        if let Some(bar) = &bar {
            bar.inc(1);
        }
    }
    if let Some(bar) = &bar {
        bar.finish_and_clear();
    }
    Ok(())
}
