//! One owner at a time: a row with an epoch, and until when it is believed alive by the server's clock.

use super::connection::Connection;
use super::{LOCK, NOW};
use crate::StoreError;
use std::path::Path;
use std::time::Duration;

/// How long an owner is believed alive without a word.
const ALIVE: Duration = Duration::from_secs(20);

/// How often it gives one.
pub(super) const RENEW_EVERY: Duration = Duration::from_secs(5);

/// What an owner must still find in each of its transactions: the epoch that it took the store with.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Fence {
    epoch: i64,
}

impl Fence {
    /// Asks for the epoch as it is now.
    pub(super) const LOOK: &str = "select epoch from owner";

    /// Takes the store, unless another owner is believed alive.
    pub(super) fn take(connection: &Connection, place: &str) -> Result<Fence, StoreError> {
        // Under the lock of whoever changes: nothing of the owner before is under way then.
        let take = format!(
            "begin isolation level read committed; {LOCK};
             update owner set epoch = epoch + 1, pid = {pid}, until = {NOW} + {alive}
             where until < {NOW} returning epoch",
            pid = std::process::id(),
            alive = ALIVE.as_millis(),
        );
        let taken = connection.simple(&take).and_then(|(cells, _)| {
            let epoch = cells.get(1).and_then(|cell| cell.as_deref()?.parse().ok());
            let pid = match epoch {
                Some(_) => None,
                None => connection
                    .simple("select pid from owner")?
                    .0
                    .into_iter()
                    .flatten()
                    .next(),
            };
            connection.simple("commit")?;
            let held = || StoreError::Held {
                path: Path::new(place).to_owned(),
                pid: pid.and_then(|pid| pid.parse().ok()),
            };
            epoch.map(|epoch| Fence { epoch }).ok_or_else(held)
        });
        taken.inspect_err(|_| {
            let _ = connection.simple("rollback");
        })
    }

    /// Whether the epoch that was found is still ours.
    pub(super) fn holds(&self, found: Option<&str>) -> Result<(), String> {
        if found == Some(self.epoch.to_string().as_str()) {
            return Ok(());
        }
        Err(
            "another process took the store over, since this one was not heard of for too long"
                .to_owned(),
        )
    }

    /// The statement by which the owner says that it is alive; meets no row when it is owner no more.
    pub(super) fn renewal(&self) -> String {
        let (epoch, alive) = (self.epoch, ALIVE.as_millis());
        format!("update owner set until = {NOW} + {alive} where epoch = {epoch}")
    }

    /// The statement by which it leaves.
    pub(super) fn farewell(&self) -> String {
        format!("update owner set until = 0 where epoch = {}", self.epoch)
    }
}
