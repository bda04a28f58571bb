//! Accepts connections for HL7, under rules that can change meanwhile.

use super::super::ReceiveError;
use super::super::accept::Port;
use super::super::doors::{Change, Door, Doors, Opened};
use super::super::places::Places;
use super::super::tls::Tls;
use super::{Shared, connection, not_allowed, panicked};
use crate::config::Hl7Settings;
use crate::observe::Observed;
use crate::store::Store;
use std::sync::Arc;
use tokio::sync::watch;

/// Table of our TLS settings.
const TLS_TABLE: &str = "receive.hl7.tls";

/// The HL7 side of the daemon, listening but not yet accepting.
#[derive(Debug)]
pub struct Hl7Listener {
    live: Hl7Live,
    opened: Opened,
}

/// Changes what holds, while the listener runs.
#[derive(Debug, Clone)]
pub struct Hl7Live {
    now: watch::Sender<Arc<Shared>>,
    doors: Doors,
}

/// Settings that can be put in force, with every port that they need beyond those that are open.
#[derive(Debug)]
pub struct Prepared {
    settings: Hl7Settings,
    tls: Option<Arc<Tls>>,
    doors: Change,
}

impl Hl7Live {
    /// Reads the files and opens the ports that the settings name, and changes nothing.
    ///
    /// # Errors
    /// An address is taken or not ours, or TLS lacks one of its files.
    pub async fn prepare(&self, settings: Hl7Settings) -> Result<Prepared, ReceiveError> {
        Ok(Prepared {
            tls: Tls::asked_for(TLS_TABLE, &settings.tls)?,
            doors: self.doors.prepare(&settings.listen, &settings.tls).await?,
            settings,
        })
    }

    /// Puts settings in force, for open connections with their next message. Ports that are not named
    /// any more are closed; messages under way there are finished.
    pub fn apply(&self, prepared: Prepared) {
        let Prepared {
            settings,
            tls,
            doors,
        } = prepared;
        self.now.send_modify(|now| {
            let now = Arc::make_mut(now);
            now.settings = settings;
            now.tls = tls;
        });
        self.doors.apply(doors);
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
        let (doors, opened) = Doors::new();
        let now = watch::Sender::new(Arc::new(shared));
        let live = Hl7Live { now, doors };
        live.apply(live.prepare(settings).await?);
        Ok(Hl7Listener { live, opened })
    }

    /// For changes while it runs.
    #[must_use]
    pub fn live(&self) -> Hl7Live {
        self.live.clone()
    }

    /// Accepts and serves until `stop` becomes true or its sender is gone.
    pub async fn run(self, stop: watch::Receiver<bool>) {
        let Hl7Live { now, doors } = self.live;
        let accept = |door| accept(door, now.clone());
        doors.run(self.opened, stop, panicked, accept).await;
    }
}

/// Accepts at one port until it is closed, then waits for what it serves.
async fn accept(door: Door, now: watch::Sender<Arc<Shared>>) {
    let Door {
        listener,
        tls,
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
