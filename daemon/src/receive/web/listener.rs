//! Accepts connections over HTTP, under rules that can change meanwhile.

use super::super::ReceiveError;
use super::super::accept::Port;
use super::super::doors::{Change, Door, Doors, Opened};
use super::super::places::Places;
use super::super::tls::Tls;
use super::{MEMORY_KIB, NOT_ALLOWED, Shared, connection, panicked};
use crate::config::{DicomSettings, WebSettings};
use crate::observe::Observed;
use crate::store::Store;
use std::sync::Arc;
use tokio::sync::{Semaphore, watch};

/// Table of our TLS settings.
const TLS_TABLE: &str = "receive.web.tls";

/// The HTTP side of receiving, listening but not yet accepting.
#[derive(Debug)]
pub struct WebListener {
    live: WebLive,
    opened: Opened,
}

/// Changes what holds, while the listener runs.
#[derive(Debug, Clone)]
pub struct WebLive {
    now: watch::Sender<Arc<Shared>>,
    doors: Doors,
}

/// Settings that can be put in force, with every port that they need beyond those that are open.
#[derive(Debug)]
pub struct Prepared {
    settings: WebSettings,
    dicom: DicomSettings,
    tls: Option<Arc<Tls>>,
    doors: Change,
}

impl WebLive {
    /// Reads the files and opens the ports that the settings name, and changes nothing.
    ///
    /// # Errors
    /// An address is taken or not ours, or TLS lacks one of its files.
    pub async fn prepare(
        &self,
        settings: WebSettings,
        dicom: DicomSettings,
    ) -> Result<Prepared, ReceiveError> {
        Ok(Prepared {
            tls: Tls::asked_for(TLS_TABLE, &settings.tls)?,
            doors: self.doors.prepare(&settings.listen, &settings.tls).await?,
            settings,
            dicom,
        })
    }

    /// Puts settings in force, for open connections with their next request. Ports that are not named
    /// any more are closed; requests under way there are finished.
    pub fn apply(&self, prepared: Prepared) {
        let Prepared {
            settings,
            dicom,
            tls,
            doors,
        } = prepared;
        self.now.send_modify(|now| {
            let now = Arc::make_mut(now);
            now.settings = settings;
            now.dicom = dicom;
            now.tls = tls;
        });
        self.doors.apply(doors);
    }
}

impl WebListener {
    /// Listens on the addresses of the settings, all or none; there need not be any.
    ///
    /// # Errors
    /// An address is taken or not ours, or TLS lacks one of its files.
    pub async fn bind(
        settings: WebSettings,
        dicom: DicomSettings,
        store: Store,
        observed: Observed,
    ) -> Result<WebListener, ReceiveError> {
        let shared = Shared {
            settings: settings.clone(),
            dicom: dicom.clone(),
            tls: None,
            store,
            observed,
            connections: Places::default(),
            memory: Arc::new(Semaphore::new(MEMORY_KIB)),
        };
        let (doors, opened) = Doors::new();
        let now = watch::Sender::new(Arc::new(shared));
        let live = WebLive { now, doors };
        live.apply(live.prepare(settings, dicom).await?);
        Ok(WebListener { live, opened })
    }

    /// For changes while it runs.
    #[must_use]
    pub fn live(&self) -> WebLive {
        self.live.clone()
    }

    /// Accepts and serves until `stop` becomes true or its sender is gone.
    pub async fn run(self, stop: watch::Receiver<bool>) {
        let WebLive { now, doors } = self.live;
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
    tracing::info!(code = "web-listening", address, tls);
    let mut port = Port::new(listener, panicked);
    while let Some((stream, peer)) = port.next(&mut close).await {
        let shared = Arc::clone(&now.borrow());
        if !shared.allows(peer) {
            tracing::warn!(code = "web-address", %peer, "{NOT_ALLOWED}");
            continue;
        }
        let limit = shared.settings.max_connections;
        let Some(room) = shared.connections.take((), limit) else {
            tracing::warn!(code = "web-connections", %peer, "too many connections; closed");
            continue;
        };
        // A port for TLS never serves without it.
        let tls = match (tls, &shared.tls) {
            (false, _) => None,
            (true, Some(tls)) => Some(Arc::clone(tls)),
            (true, None) => continue,
        };
        let (now, close) = (now.subscribe(), close.clone());
        port.serving.spawn(async move {
            let _room = room;
            connection(stream, peer, tls, now, close).await;
        });
    }
    let cut = port.finish().await;
    tracing::info!(code = "web-listening-ended", address, cut);
}
