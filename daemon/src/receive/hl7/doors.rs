//! The ports for HL7, which can change while others stay open.
//!
//! A reload opens what is new before it closes what is old; an address that stays keeps its socket and
//! its connections.

use super::super::ReceiveError;
use super::super::accept::{Port, note_panic};
use super::super::places::Places;
use super::super::tls::Tls;
use super::{Shared, connection, not_allowed, panicked};
use crate::config::Hl7Settings;
use crate::observe::Observed;
use crate::store::Store;
use std::net::SocketAddr;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use tokio::net::TcpListener;
use tokio::sync::{mpsc, watch};
use tokio::task::JoinSet;

/// Table of our TLS settings.
const TLS_TABLE: &str = "receive.hl7.tls";

/// A port as the settings name it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Name {
    address: SocketAddr,
    tls: bool,
}

/// An open port.
#[derive(Debug)]
struct Door {
    name: Name,
    listener: TcpListener,
    /// Its sender is gone once it is to be closed.
    close: watch::Receiver<bool>,
}

/// Keeps a port open until it is dropped.
#[derive(Debug)]
struct Handle {
    name: Name,
    _close: watch::Sender<bool>,
}

/// The HL7 side of the daemon, listening but not yet accepting.
#[derive(Debug)]
pub struct Hl7Listener {
    live: Hl7Live,
    doors: mpsc::UnboundedReceiver<Door>,
}

/// Changes what holds, while the listener runs.
#[derive(Debug, Clone)]
pub struct Hl7Live {
    now: watch::Sender<Arc<Shared>>,
    open: Arc<Mutex<Vec<Handle>>>,
    /// Takes a few doors a reload, so it needs no bound.
    new: mpsc::UnboundedSender<Door>,
}

/// Settings that can be put in force, with every port that they need beyond those that are open.
#[derive(Debug)]
pub struct Prepared {
    settings: Hl7Settings,
    tls: Option<Arc<Tls>>,
    kept: Vec<Name>,
    new: Vec<(Name, TcpListener)>,
}

impl Hl7Live {
    /// Reads the files and opens the ports that the settings name, and changes nothing.
    ///
    /// # Errors
    /// An address is taken or not ours, or TLS lacks one of its files.
    pub async fn prepare(&self, settings: Hl7Settings) -> Result<Prepared, ReceiveError> {
        let tls = match settings.tls.listen.is_empty() {
            true => None,
            false => Some(Arc::new(Tls::new(TLS_TABLE, &settings.tls)?)),
        };
        let name = |tls| {
            move |address: &SocketAddr| Name {
                address: *address,
                tls,
            }
        };
        let plain = settings.listen.iter().map(name(false));
        let wanted = plain.chain(settings.tls.listen.iter().map(name(true)));
        let (mut kept, mut new) = (Vec::new(), Vec::new());
        for name in wanted {
            if self.has(name) {
                kept.push(name);
                continue;
            }
            let Name { address, .. } = name;
            let bound = TcpListener::bind(address).await;
            let listener = bound.map_err(|source| ReceiveError::Listen { address, source })?;
            new.push((name, listener));
        }
        Ok(Prepared {
            settings,
            tls,
            kept,
            new,
        })
    }

    /// Puts settings in force, for open connections with their next message. Ports that are not named
    /// any more are closed; messages under way there are finished.
    pub fn apply(&self, prepared: Prepared) {
        let Prepared {
            settings,
            tls,
            kept,
            new,
        } = prepared;
        self.now.send_modify(|now| {
            let now = Arc::make_mut(now);
            now.settings = settings;
            now.tls = tls;
        });
        let mut open = self.open();
        open.retain(|door| kept.contains(&door.name));
        for (name, listener) in new {
            let (close, closed) = watch::channel(false);
            let door = Door {
                name,
                listener,
                close: closed,
            };
            // Without a listener that runs, the program is about to end.
            let _ = self.new.send(door);
            let _close = close;
            open.push(Handle { name, _close });
        }
    }

    fn has(&self, name: Name) -> bool {
        self.open().iter().any(|door| door.name == name)
    }

    fn open(&self) -> MutexGuard<'_, Vec<Handle>> {
        // It is whole between any two operations.
        self.open.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Hl7Listener {
    /// Listens on the addresses of the settings, all or none; there need not be any.
    ///
    /// # Errors
    /// An address is taken or not ours, or TLS lacks one of its files.
    pub async fn bind(
        settings: Hl7Settings,
        store: Store,
        observed: Observed,
    ) -> Result<Hl7Listener, ReceiveError> {
        let shared = Shared {
            settings: settings.clone(),
            tls: None,
            store,
            observed,
            connections: Places::default(),
        };
        let (new, doors) = mpsc::unbounded_channel();
        let live = Hl7Live {
            now: watch::Sender::new(Arc::new(shared)),
            open: Arc::default(),
            new,
        };
        live.apply(live.prepare(settings).await?);
        Ok(Hl7Listener { live, doors })
    }

    /// For changes while it runs.
    #[must_use]
    pub fn live(&self) -> Hl7Live {
        self.live.clone()
    }

    /// Accepts and serves until `stop` becomes true or its sender is gone.
    pub async fn run(self, mut stop: watch::Receiver<bool>) {
        let Hl7Listener { live, mut doors } = self;
        let mut open: JoinSet<()> = JoinSet::new();
        loop {
            tokio::select! {
                _ = stop.wait_for(|stop| *stop) => break,
                Some(door) = doors.recv() => {
                    open.spawn(accept(door, live.now.clone()));
                }
                Some(ended) = open.join_next() => note_panic(ended, panicked),
            }
        }
        live.open().clear();
        while let Some(ended) = open.join_next().await {
            note_panic(ended, panicked);
        }
    }
}

/// Accepts at one port until it is closed, then waits for what it serves.
async fn accept(door: Door, now: watch::Sender<Arc<Shared>>) {
    let Door {
        name: Name { tls, .. },
        listener,
        mut close,
    } = door;
    let address = listener.local_addr().ok();
    let address = address.map(|address| address.to_string());
    tracing::info!(code = "hl7-listening", address, tls);
    let mut port = Port::new(listener, panicked);
    while let Some((stream, peer)) = port.next(&mut close).await {
        let shared = Arc::clone(&now.borrow());
        if !shared.allows(peer) {
            not_allowed(peer);
            continue;
        }
        let limit = shared.settings.max_connections;
        let Some(room) = shared.connections.take((), limit) else {
            tracing::warn!(code = "hl7-connections", %peer, "too many connections; closed");
            continue;
        };
        // A port for TLS never serves without it.
        let tls = match (tls, &shared.tls) {
            (false, _) => None,
            (true, Some(tls)) => Some(Arc::clone(tls)),
            (true, None) => continue,
        };
        let (now, mut close) = (now.subscribe(), close.clone());
        port.serving.spawn(async move {
            let _room = room;
            connection(stream, peer, tls, now, &mut close).await;
        });
    }
    let cut = port.finish().await;
    tracing::info!(code = "hl7-listening-ended", address, cut);
}
