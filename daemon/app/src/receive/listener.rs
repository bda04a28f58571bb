//! Accepts connections and lets each be served, within bounds.

use super::shared::{Shared, Titles};
use super::tls::{Offer, TlsError};
use super::{ReceiveError, connection};
use crate::config::DicomSettings;
use crate::observe::Observed;
use crate::routes::archive::HistoryTitle;
use sheathline_net::dicom::refusal::{Refusal, Refusals};
use sheathline_net::serve::accept::{Port, note_panic};
use sheathline_net::serve::doors::ListenError;
use sheathline_store::Store;
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;
use tokio::net::TcpListener;
use tokio::sync::watch;
use tokio::task::JoinSet;
use tokio::time::sleep;

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
    tls: Offer,
}

impl Live {
    /// Reads what the settings name, and changes nothing.
    ///
    /// # Errors
    /// The files of a TLS port that is open and good serve no more.
    pub fn prepare(
        &self,
        settings: DicomSettings,
        titles: Vec<HistoryTitle>,
    ) -> Result<Prepared, ReceiveError> {
        Ok(Prepared {
            tls: self.now.borrow().tls.renewed(TLS_TABLE, &settings.tls)?,
            settings,
            titles,
        })
    }

    /// Whether the files for TLS are to be looked at again.
    #[must_use]
    pub fn is_due(&self) -> bool {
        self.now.borrow().tls.is_due()
    }

    /// Why the ports for TLS are closed, if they are.
    #[must_use]
    pub fn closed(&self) -> Option<Arc<TlsError>> {
        self.now.borrow().tls.closed().cloned()
    }

    /// Whether any port is open, or opens with the next thing it does.
    #[must_use]
    pub fn is_open(&self) -> bool {
        let now = self.now.borrow();
        !now.settings.listen.is_empty() || now.tls.ready().is_some()
    }

    /// Puts settings in force for every connection to come. Addresses to listen on, and the room
    /// that `max_associations` and `max_object_bytes` give, stay as they were.
    pub fn apply(&self, prepared: Prepared) {
        let Prepared {
            settings,
            titles,
            tls,
        } = prepared;
        tls.tell(TLS_TABLE, &self.now.borrow().tls);
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
    /// None while its files for TLS do not serve.
    listener: Option<TcpListener>,
    address: SocketAddr,
    tls: bool,
}

impl Door {
    async fn open(address: SocketAddr, tls: bool) -> Result<Door, ReceiveError> {
        let failed = |source| ReceiveError::Listen(ListenError { address, source });
        let listener = TcpListener::bind(address).await.map_err(failed)?;
        let address = listener.local_addr().map_err(failed)?;
        Ok(Door {
            listener: Some(listener),
            address,
            tls,
        })
    }

    fn tell_open(&self, now: &watch::Receiver<Arc<Shared>>) {
        let (address, tls) = (self.address, self.tls);
        let ae_title = &now.borrow().settings.ae_title;
        tracing::info!(code = "listening", %address, tls, ae_title);
    }
}

impl Listener {
    /// Listens on the addresses of the settings, all or none. Where the files for TLS do not serve,
    /// its ports are closed until they do.
    ///
    /// # Errors
    /// An address is taken or not ours, or there is none.
    pub async fn bind(settings: DicomSettings, store: Store) -> Result<Listener, ReceiveError> {
        let mut doors = Vec::new();
        for address in &settings.listen {
            doors.push(Door::open(*address, false).await?);
        }
        let tls = Offer::default().renewed(TLS_TABLE, &settings.tls)?;
        tls.tell(TLS_TABLE, &Offer::default());
        for address in &settings.tls.listen {
            doors.push(match tls.ready() {
                Some(_) => Door::open(*address, true).await?,
                None => Door {
                    listener: None,
                    address: *address,
                    tls: true,
                },
            });
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
        let doors = self.doors.iter().filter(|door| door.listener.is_some());
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
        for door in doors.iter().filter(|door| door.listener.is_some()) {
            door.tell_open(&now.subscribe());
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

/// How long until an address that was not ours to take is tried again.
const OPEN_AGAIN: Duration = Duration::from_secs(1);

/// Accepts at one port until the stop, then waits for what it serves. A port for TLS is closed while
/// its files do not serve.
async fn accept(
    mut door: Door,
    mut now: watch::Receiver<Arc<Shared>>,
    mut stop: watch::Receiver<bool>,
) {
    let mut port = Port::new(door.listener.take(), panicked);
    let mut told = false;
    loop {
        let is_open = port.is_open();
        let turns = |now: &Arc<Shared>| door.tls && now.tls.ready().is_some() != is_open;
        let next = tokio::select! {
            biased;
            // The guard must not live on into what follows.
            true = async { now.wait_for(turns).await.is_ok() } => {
                if is_open {
                    port.close();
                    tracing::info!(code = "listening-ended", address = %door.address, cut = 0);
                    continue;
                }
                match TcpListener::bind(door.address).await {
                    Ok(listener) => {
                        told = false;
                        port.open(listener);
                        door.tell_open(&now);
                    }
                    Err(error) => {
                        if !std::mem::replace(&mut told, true) {
                            tracing::error!(code = "listen-failed", address = %door.address, %error);
                        }
                        sleep(OPEN_AGAIN).await;
                    }
                }
                continue;
            }
            next = port.next(&mut stop) => next,
        };
        let Some((stream, peer)) = next else { break };
        let shared = Arc::clone(&now.borrow());
        let room = match shared.allows(peer) || shared.is_balancer(peer) {
            true => shared.connection(peer),
            false => Err(Refusal::Address),
        };
        match room {
            Ok(room) => {
                let tls = match (door.tls, shared.tls.ready()) {
                    (false, _) => None,
                    (true, Some(tls)) => Some(Arc::clone(tls)),
                    // A port for TLS never serves without it.
                    (true, None) => continue,
                };
                let stop = stop.clone();
                port.serving.spawn(async move {
                    let rules = Arc::clone(&shared);
                    tokio::select! {
                        () = connection::serve(stream, peer, &room, tls, shared, stop) => {}
                        () = room.taken_back() => {
                            rules.refused(Refusal::Displaced, peer, &Titles::default(), "");
                        }
                    }
                });
            }
            Err(refusal) => shared.refused(refusal, peer, &Titles::default(), ""),
        }
    }
    let was_open = port.is_open();
    let cut = port.finish().await;
    if was_open || cut > 0 {
        tracing::info!(code = "listening-ended", address = %door.address, cut);
    }
}

fn panicked() {
    tracing::error!(
        code = "association-panicked",
        "internal error; please report it"
    );
}
