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

/// The statement by which a process becomes owner; meets no row where another one is believed alive, or a
/// member.
pub(super) fn take(pid: u32) -> String {
    let alive = ALIVE.as_millis();
    format!(
        "update owner set epoch = epoch + 1, pid = {pid}, until = {NOW} + {alive}
         where until < {NOW} and not exists (select 1 from member where until >= {NOW})
         returning epoch"
    )
}

/// What whoever changes the store must still find in each of its transactions.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Fence {
    /// The epoch that an owner took the store with.
    Alone {
        /// It.
        epoch: i64,
    },
    /// That no owner has the store for itself: a daemon among several, whose own membership is looked at
    /// [elsewhere](crate::Store::join).
    Among,
}

impl Fence {
    /// Asks for what must be found.
    pub(super) fn look(&self) -> String {
        match self {
            Fence::Alone { .. } => "select epoch from owner".to_owned(),
            Fence::Among => format!("select count(*) from owner where until >= {NOW}"),
        }
    }

    /// Takes the store, unless another owner or a member is believed alive.
    pub(super) fn take(connection: &Connection, place: &str) -> Result<Fence, StoreError> {
        // Under the lock of whoever changes: nothing of the owner before is under way then.
        let take = take(std::process::id());
        let take = format!("begin isolation level read committed; {LOCK}; {take}");
        let taken = connection.simple(&take).and_then(|(cells, _)| {
            let epoch = cells.get(1).and_then(|cell| cell.as_deref()?.parse().ok());
            let pid = match epoch {
                Some(_) => None,
                None => connection
                    .simple(&format!(
                        "select case when until >= {NOW} then pid end from owner"
                    ))?
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
            epoch.map(|epoch| Fence::Alone { epoch }).ok_or_else(held)
        });
        taken.inspect_err(|_| {
            let _ = connection.simple("rollback");
        })
    }

    /// Whether what was found is what must be.
    pub(super) fn holds(&self, found: Option<&str>) -> Result<(), StoreError> {
        match self {
            Fence::Alone { epoch } if found == Some(epoch.to_string().as_str()) => Ok(()),
            Fence::Alone { .. } => Err(StoreError::InDoubt {
                why: "another process took the store over, since this one was not heard of for too long"
                    .to_owned(),
            }),
            Fence::Among if found == Some("0") => Ok(()),
            Fence::Among => Err(StoreError::NotCommitted {
                why: "another process has the store for itself; stop that one first".to_owned(),
            }),
        }
    }

    /// The statement by which an owner says that it is alive; meets no row when it is owner no more.
    pub(super) fn renewal(&self) -> String {
        let alive = ALIVE.as_millis();
        match self {
            Fence::Alone { epoch } => {
                format!("update owner set until = {NOW} + {alive} where epoch = {epoch}")
            }
            Fence::Among => "select 0".to_owned(),
        }
    }

    /// The statement by which it leaves.
    pub(super) fn farewell(&self) -> String {
        match self {
            Fence::Alone { epoch } => {
                format!("update owner set until = 0 where epoch = {epoch}")
            }
            Fence::Among => "select 0".to_owned(),
        }
    }
}
