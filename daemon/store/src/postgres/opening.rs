//! The store on a server: opened by its owner or beside it, and closed in order.

use super::connection::Connection;
use super::ownership::{Fence, RENEW_EVERY};
use super::settings::Settings;
use super::{Changer, NOW, Server, connect_reader, schema};
use crate::error::Fault;
use crate::view::{Tx, View};
use crate::{StoreError, writer};
use std::path::PathBuf;
use std::sync::{Mutex, PoisonError};
use std::time::Instant;

/// How long the last commit of somebody who is gone is remembered: longer than anybody asks for it.
const REMEMBERED_MS: i64 = 24 * 60 * 60 * 1000;

/// For the one process that receives and assesses; makes the store if there is none.
pub(crate) fn open_as_owner(settings: &Settings) -> Result<(Tx, Ground), StoreError> {
    let connection = Connection::open(settings)?;
    schema::bring_up(&connection, &settings.place())?;
    let fence = Fence::take(&connection, &settings.place())?;
    forget_commits(&connection)?;
    drop(connection);
    let server = Server::connected(settings, Some(Changer::new(Some(fence.clone()))?))?;
    Ok((Tx::new(Box::new(server)), Ground::of(Some(fence))))
}

/// For one of several equal daemons; makes the store if there is none. It changes nothing before it has joined
/// the others.
pub(crate) fn open_as_member(settings: &Settings) -> Result<(Tx, Ground), StoreError> {
    let connection = Connection::open(settings)?;
    let place = settings.place();
    match schema::found(&connection, &place)? {
        // Those that come at once make it together, and nobody works there yet.
        0 => schema::bring_up(&connection, &place)?,
        shape if shape < schema::KNOWN => {
            let alone = Fence::take(&connection, &place)?;
            let brought = schema::bring_up(&connection, &place);
            // What fails here ends by itself after a while.
            let _ = connection.simple(&alone.farewell());
            brought?;
        }
        _ => {}
    }
    Fence::refuse_owned(&connection, &place)?;
    forget_commits(&connection)?;
    drop(connection);
    let server = Server::connected(settings, Some(Changer::new(Some(Fence::Among))?))?;
    Ok((Tx::new(Box::new(server)), Ground::of(None)))
}

fn forget_commits(connection: &Connection) -> Result<(), StoreError> {
    connection.simple(&format!(
        "delete from last_commit where at < {NOW} - {REMEMBERED_MS}"
    ))?;
    Ok(())
}

/// For a short command beside the owner, or without one: takes the store as it is.
pub(crate) fn open_as_guest(settings: &Settings) -> Result<(Tx, Ground), StoreError> {
    refuse_unfit(&Connection::open(settings)?, settings)?;
    let server = Server::connected(settings, Some(Changer::new(None)?))?;
    Ok((Tx::new(Box::new(server)), Ground::of(None)))
}

/// To look at every byte, whoever else has it open.
pub(crate) fn open_to_look(settings: &Settings) -> Result<View, StoreError> {
    refuse_unfit(&Connection::open(settings)?, settings)?;
    connect_reader(settings)
}

/// Refuses a database that holds no store, or one of another shape.
fn refuse_unfit(connection: &Connection, settings: &Settings) -> Result<(), StoreError> {
    let place = settings.place();
    match schema::found(connection, &place)? {
        0 => Err(StoreError::Missing {
            path: PathBuf::from(place),
        }),
        shape if shape < schema::KNOWN => Err(StoreError::Outdated {
            path: PathBuf::from(place),
            found: shape,
            known: schema::KNOWN,
        }),
        _ => Ok(()),
    }
}

/// What a store on a server stands on.
#[derive(Debug)]
pub(crate) struct Ground {
    /// Of an owner.
    owned: Option<Owned>,
}

#[derive(Debug)]
struct Owned {
    fence: Fence,
    renewed: Mutex<Instant>,
}

impl Ground {
    fn of(fence: Option<Fence>) -> Ground {
        let owned = fence.map(|fence| Owned {
            fence,
            renewed: Mutex::new(Instant::now()),
        });
        Ground { owned }
    }
}

/// The connection behind, if it is one to a server.
fn server(tx: &Tx) -> Option<&Server> {
    tx.session().as_any().downcast_ref()
}

impl writer::Ground for Ground {
    /// What was committed stays, whoever owns the store now; each change looks for that itself. Here the
    /// owner says that it is alive, from time to time.
    fn check(&self, tx: &Tx) -> Result<(), Fault> {
        let (Some(owned), Some(server)) = (&self.owned, server(tx)) else {
            return Ok(());
        };
        let mut renewed = owned.renewed.lock().unwrap_or_else(PoisonError::into_inner);
        if renewed.elapsed() < RENEW_EVERY {
            return Ok(());
        }
        // A server that is away is waited for by the next change, not here.
        let said = server
            .ensure()
            .and_then(|()| server.with(|connection| connection.simple(&owned.fence.renewal())));
        if said.is_ok() {
            *renewed = Instant::now();
        }
        Ok(())
    }

    fn note(&self, _number: u64) {}

    fn doubt(&self, why: &str) {
        tracing::error!(code = "store-in-doubt", why, "the store takes nothing more");
    }

    fn close(self: Box<Self>, tx: Tx, _is_in_doubt: bool) {
        let Some(server) = server(&tx) else { return };
        // What fails here ends by itself after a while.
        if let Some(changer) = &server.changer {
            let forget = format!("delete from last_commit where changer = '{}'", changer.name);
            let _ = server.with(|connection| connection.simple(&forget));
        }
        if let Some(owned) = &self.owned {
            let _ = server.with(|connection| connection.simple(&owned.fence.farewell()));
        }
    }
}
