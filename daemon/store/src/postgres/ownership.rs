//! One owner at a time: a row with an epoch, and until when it is believed alive by the server's clock.

use super::connection::Connection;
use super::schema::KNOWN;
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

/// The hosts of all members that are believed alive, by name.
fn alive_members(connection: &Connection) -> Result<Vec<String>, StoreError> {
    let ask = format!("select name from member where until >= {NOW} order by name");
    let (names, _) = connection.simple(&ask)?;
    Ok(names.into_iter().flatten().collect())
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
            Fence::Among => format!(
                "select (select count(*) from owner where until >= {NOW}) || ' ' || number from shape"
            ),
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
            let hosts = match (epoch, &pid) {
                (None, None) => alive_members(connection)?,
                _ => Vec::new(),
            };
            connection.simple("commit")?;
            let path = Path::new(place).to_owned();
            let held = || match hosts.as_slice() {
                [] => StoreError::Held {
                    path,
                    pid: pid.and_then(|pid| pid.parse().ok()),
                },
                _ => StoreError::Shared { path, hosts },
            };
            epoch.map(|epoch| Fence::Alone { epoch }).ok_or_else(held)
        });
        taken.inspect_err(|_| {
            let _ = connection.simple("rollback");
        })
    }

    /// Refuses while an owner is believed alive.
    pub(super) fn refuse_owned(connection: &Connection, place: &str) -> Result<(), StoreError> {
        let ask = format!("select coalesce(pid, 0) from owner where until >= {NOW}");
        match connection.simple(&ask)?.0.into_iter().flatten().next() {
            None => Ok(()),
            Some(pid) => Err(StoreError::Held {
                path: Path::new(place).to_owned(),
                pid: pid.parse().ok().filter(|pid| *pid != 0),
            }),
        }
    }

    /// Whether what was found is what must be.
    pub(super) fn holds(&self, found: Option<&str>) -> Result<(), StoreError> {
        match self {
            Fence::Alone { epoch } if found == Some(epoch.to_string().as_str()) => Ok(()),
            Fence::Alone { .. } => Err(StoreError::InDoubt {
                why: "another process took the store over, since this one was not heard of for too long"
                    .to_owned(),
            }),
            Fence::Among => Fence::is_shared(found),
        }
    }

    /// Whether what a member found says that it may change the store.
    fn is_shared(found: Option<&str>) -> Result<(), StoreError> {
        let found = found.and_then(|found| found.split_once(' '));
        let (owners, shape) = found.unwrap_or(("0", ""));
        match shape.parse::<i64>() {
            Ok(KNOWN) if owners == "0" => Ok(()),
            Ok(KNOWN) => Err(StoreError::NotCommitted {
                why: "another process has the store for itself; stop that one first".to_owned(),
            }),
            shape => Err(StoreError::InDoubt {
                why: format!(
                    "it was brought to shape {} by another version of the program, and this one knows \
                     {KNOWN}",
                    shape.map_or_else(|_| "(none)".to_owned(), |shape| shape.to_string())
                ),
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
