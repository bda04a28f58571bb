//! Accepts connections and lets each be served, within bounds.

use super::accept::{Port, note_panic};
use super::refusal::{Refusal, Refusals};
use super::shared::{Shared, Titles};
use super::tls::Tls;
use super::{ReceiveError, connection};
use crate::backfill::way::HistoryTitle;
use crate::config::DicomSettings;
use crate::observe::Observed;
use crate::store::Store;
use std::net::SocketAddr;
use std::sync::Arc;
use tokio::net::TcpListener;
use tokio::sync::watch;
use tokio::task::JoinSet;

/// Table of our TLS settings.
const TLS_TABLE: &str = "receive.dicom.tls";

/// The DICOM side of the daemon, listening but not yet accepting.
#[derive(Debug)]
pub struct Listener {
    doors: Vec<Door>,
    address: SocketAddr,
    now: watch::Sender<Arc<Shared>>,
}

/// Changes what holds for connections to come, while the listener runs.
#[derive(Debug, Clone)]
pub struct Live {
    now: watch::Sender<Arc<Shared>>,
}

/// Settings that can be put in force.
#[derive(Debug)]
pub struct Prepared {
    settings: DicomSettings,
    titles: Vec<HistoryTitle>,
    tls: Option<Arc<Tls>>,
}

impl Live {
    /// Reads what the settings name, and changes nothing.
    ///
    /// # Errors
    /// TLS lacks one of its files.
    pub fn prepare(
        &self,
        settings: DicomSettings,
        titles: Vec<HistoryTitle>,
    ) -> Result<Prepared, ReceiveError> {
        Ok(Prepared {
            tls: Tls::asked_for(TLS_TABLE, &settings.tls)?,
            settings,
            titles,
        })
    }

    /// Puts settings in force for every connection to come. Addresses to listen on, and the room
    /// that `max_associations` and `max_object_bytes` give, stay as they were.
    pub fn apply(&self, prepared: Prepared) {
        let Prepared {
            settings,
            titles,
            tls,
        } = prepared;
        self.now.send_modify(|now| {
            let now = Arc::make_mut(now);
            now.settings = settings;
            now.titles = titles.into();
            now.tls = tls;
        });
    }
}

/// One port.
#[derive(Debug)]
struct Door {
    listener: TcpListener,
    address: SocketAddr,
    tls: bool,
}

impl Door {
    async fn open(address: SocketAddr, tls: bool) -> Result<Door, ReceiveError> {
        let failed = |source| ReceiveError::Listen { address, source };
        let listener = TcpListener::bind(address).await.map_err(failed)?;
        let address = listener.local_addr().map_err(failed)?;
        Ok(Door {
            listener,
            address,
            tls,
        })
    }
}

impl Listener {
    /// Listens on the addresses of the settings, all or none.
    ///
    /// # Errors
    /// An address is taken or not ours, there is none, or TLS lacks one of its files.
    pub async fn bind(settings: DicomSettings, store: Store) -> Result<Listener, ReceiveError> {
        let mut doors = Vec::new();
        for address in &settings.listen {
            doors.push(Door::open(*address, false).await?);
        }
        let tls = Tls::asked_for(TLS_TABLE, &settings.tls)?;
        for address in &settings.tls.listen {
            doors.push(Door::open(*address, true).await?);
        }
        let address = doors.first().ok_or(ReceiveError::Nowhere)?.address;
        Ok(Listener {
            doors,
            address,
            now: watch::Sender::new(Arc::new(Shared::new(settings, tls, store))),
        })
    }

    /// For changes while it runs.
    #[must_use]
    pub fn live(&self) -> Live {
        let now = self.now.clone();
        Live { now }
    }

    /// What happens is told there.
    #[must_use]
    pub fn observed_by(self, observed: Observed) -> Self {
        self.now
            .send_modify(|now| Arc::make_mut(now).observed = observed);
        self
    }

    /// Takes the history of archives under these AE titles.
    #[must_use]
    pub fn taking_history(self, titles: Vec<HistoryTitle>) -> Self {
        self.now
            .send_modify(|now| Arc::make_mut(now).titles = titles.into());
        self
    }

    /// The first address in use; differs from the settings where they say port 0.
    #[must_use]
    pub fn address(&self) -> SocketAddr {
        self.address
    }

    /// Every address in use, and whether TLS is spoken there.
    pub fn addresses(&self) -> impl Iterator<Item = (SocketAddr, bool)> + '_ {
        let doors = self.doors.iter();
        doors.map(|door| (door.address, door.tls))
    }

    /// How often peers were refused, by reason; it counts on while the listener runs.
    #[must_use]
    pub fn refusals(&self) -> Arc<Refusals> {
        self.now.borrow().refusals()
    }

    /// Accepts and serves until `stop` becomes true or its sender is gone. Then takes nothing new,
    /// lets each association finish the object it is receiving, and returns.
    pub async fn run(self, stop: watch::Receiver<bool>) {
        let Listener { doors, now, .. } = self;
        for Door { address, tls, .. } in &doors {
            let ae_title = &now.borrow().settings.ae_title;
            tracing::info!(code = "listening", %address, tls, ae_title);
        }
        let mut open: JoinSet<()> = doors
            .into_iter()
            .map(|door| accept(door, now.subscribe(), stop.clone()))
            .collect();
        while let Some(ended) = open.join_next().await {
            note_panic(ended, panicked);
        }
    }
}

/// Accepts at one port until the stop, then waits for what it serves.
async fn accept(door: Door, now: watch::Receiver<Arc<Shared>>, mut stop: watch::Receiver<bool>) {
    let Door {
        listener,
        address,
        tls,
    } = door;
    let mut port = Port::new(listener, panicked);
    while let Some((stream, peer)) = port.next(&mut stop).await {
        let shared = Arc::clone(&now.borrow());
        let room = match shared.allows(peer) || shared.is_balancer(peer) {
            true => shared.connection(),
            false => Err(Refusal::Address),
        };
        match room {
            Ok(room) => {
                let tls = shared.tls.clone().filter(|_| tls);
                let served = connection::serve(stream, peer, tls, shared, stop.clone());
                port.serving.spawn(async move {
                    served.await;
                    drop(room);
                });
            }
            Err(refusal) => shared.refused(refusal, peer, &Titles::default(), ""),
        }
    }
    let cut = port.finish().await;
    tracing::info!(code = "listening-ended", %address, cut);
}

fn panicked() {
    tracing::error!(
        code = "association-panicked",
        "this is a defect of the program"
    );
}
