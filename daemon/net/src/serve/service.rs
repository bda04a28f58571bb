//! A protocol that is served at ports of its own, under rules and at addresses that can change
//! meanwhile.

use super::accept::may_connect;
use super::connection::{Common, accept};
use super::doors::{Change, Doors, ListenError, Modes, Opened};
use super::end::End;
use super::places::Places;
use super::tls::{Offer, Sha256Hex, TlsError, TlsSettings};
use crate::dicom::refusal::Refusal;
use crate::shares::{Pulse, Shares};
use ipnet::IpNet;
use std::fmt::Debug;
use std::io;
use std::net::{IpAddr, SocketAddr};
use std::sync::Arc;
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::sync::watch;
use tokio::sync::watch::error::RecvError;

/// A protocol, with what holds for it.
pub trait Service: Clone + Debug + Send + Sync + 'static {
    /// What can change while it is served.
    type Settings: Debug + Send;

    /// Its ports.
    fn ports(settings: &Self::Settings) -> Ports<'_>;

    /// From now on these hold.
    fn put(&mut self, settings: Self::Settings);

    /// Networks that may connect; empty means all.
    fn addresses_allowed(&self) -> &[IpNet];

    /// Load balancers that say in a PROXY header for whom they connect.
    fn balancers(&self) -> &[IpNet] {
        &[]
    }

    /// Open connections at one time.
    fn max_connections(&self) -> usize;

    /// Of these, how many one peer may have.
    fn max_connections_of_peer(&self) -> usize {
        usize::MAX
    }

    /// How long a connection may take to say what it wants.
    fn request_limit(&self) -> Duration;

    /// How long a peer may take nothing of what it is sent.
    fn write_limit(&self) -> Duration;

    /// Serves one connection until it ends by itself or `end` tells it to. While the peer waits for us,
    /// its pulse says so.
    fn serve(
        stream: impl AsyncRead + AsyncWrite + Unpin + Send + 'static,
        peer: Peer,
        now: Now<Self>,
        end: End,
    ) -> impl Future<Output = ()> + Send;

    /// Tells of a connection that is not served, or no more.
    fn refused(&self, peer: IpAddr, why: Refusal, detail: &str);

    /// Tells the log of a port.
    fn tell(&self, event: Happened<'_>);

    /// Tells the log that serving a connection panicked.
    fn panicked();

    /// Tells the log that the system gives no connection.
    fn accept_failed(error: &io::Error) {
        tracing::warn!(code = "accept-failed", %error);
    }

    /// Whether this address may connect.
    fn allows(&self, peer: IpAddr) -> bool {
        may_connect(self.addresses_allowed(), peer)
    }
}

/// Where a service is to be had.
#[derive(Debug, Clone, Copy)]
pub struct Ports<'a> {
    /// Addresses without TLS.
    pub plain: &'a [SocketAddr],
    /// Those with it, and the table of the configuration that names them.
    pub tls: Option<(&'static str, &'a TlsSettings)>,
}

/// Who is at the other end of a connection.
#[derive(Debug, Clone)]
pub struct Peer {
    /// Its own address, also behind a load balancer.
    pub address: IpAddr,
    /// Whether it speaks TLS with us.
    pub tls: bool,
    /// The certificate it showed and we checked.
    pub certificate: Option<Sha256Hex>,
    /// How lively its connection is.
    pub pulse: Pulse,
}

/// What happens at the ports.
#[derive(Debug, Clone, Copy)]
pub enum Happened<'a> {
    /// A port is open; whether for TLS.
    Listening(&'a str, bool),
    /// A port is closed, and so many connections were cut off.
    Ended(&'a str, usize),
}

/// What holds, put in force in one step.
#[derive(Debug, Clone)]
pub(super) struct InForce<S> {
    pub(super) service: Arc<S>,
    pub(super) tls: Offer,
    pub(super) modes: Arc<Modes>,
}

/// What holds for one connection.
#[derive(Debug, Clone)]
pub struct Now<S> {
    at_accept: Arc<S>,
    newest: watch::Receiver<InForce<S>>,
}

impl<S: Service> Now<S> {
    pub(super) fn new(at_accept: Arc<S>, newest: watch::Receiver<InForce<S>>) -> Self {
        Now { at_accept, newest }
    }

    /// What held when the connection was accepted, for a protocol that keeps to it.
    #[must_use]
    pub fn at_accept(&self) -> &Arc<S> {
        &self.at_accept
    }

    /// What holds now, for a protocol that asks before each message or request.
    #[must_use]
    pub fn newest(&self) -> Arc<S> {
        Arc::clone(&self.newest.borrow().service)
    }

    /// Returns once something else holds.
    ///
    /// # Errors
    /// Nothing will change any more.
    pub async fn changed(&mut self) -> Result<(), RecvError> {
        self.newest.changed().await
    }
}

/// Ports cannot be had.
#[derive(Debug, thiserror::Error)]
pub enum ServeError {
    /// An address cannot be listened on.
    #[error(transparent)]
    Listen(#[from] ListenError),
    /// The files of a TLS port that is open and good serve no more.
    #[error(transparent)]
    Tls(#[from] TlsError),
}

/// A protocol whose ports are open and not yet accepted at.
#[derive(Debug)]
pub struct Served<S: Service> {
    live: Live<S>,
    opened: Opened<InForce<S>>,
}

/// Changes what holds, while it is served.
#[derive(Debug, Clone)]
pub struct Live<S: Service> {
    now: watch::Sender<InForce<S>>,
    doors: Doors<InForce<S>>,
}

/// Settings that can be put in force, with every port that they need beyond those that are open.
#[derive(Debug)]
pub struct Prepared<S: Service> {
    settings: S::Settings,
    /// Table of the TLS settings, where there is one.
    table: &'static str,
    tls: Offer,
    doors: Change,
}

impl<S: Service> Live<S> {
    /// Reads the files and opens the ports that the settings name, and changes nothing.
    ///
    /// Where the files for TLS do not serve, its ports are not among them.
    ///
    /// # Errors
    /// An address is taken or not ours, or the files of a TLS port that is open and good serve no
    /// more.
    pub async fn prepare(&self, settings: S::Settings) -> Result<Prepared<S>, ServeError> {
        let Ports { plain, tls } = S::ports(&settings);
        let (table, offer, over_tls) = match tls {
            None => ("", Offer::NotAsked, &[][..]),
            Some((table, of_it)) => {
                let offer = self.now.borrow().tls.renewed(table, of_it)?;
                let is_ready = offer.ready().is_some();
                (
                    table,
                    offer,
                    if is_ready {
                        of_it.listen.as_slice()
                    } else {
                        &[]
                    },
                )
            }
        };
        Ok(Prepared {
            table,
            tls: offer,
            doors: self.doors.prepare(plain, over_tls).await?,
            settings,
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

    /// Every address in use, and whether TLS is spoken there.
    #[must_use]
    pub fn addresses(&self) -> Vec<(SocketAddr, bool)> {
        self.doors.addresses()
    }

    /// Whether any port is open.
    #[must_use]
    pub fn is_open(&self) -> bool {
        !self.addresses().is_empty()
    }

    /// Puts settings in force, all in one step: a connection is served under those that held when it
    /// was accepted, or asks for the newest. Ports that are not named any more are closed; what had
    /// begun there is served.
    pub fn apply(&self, prepared: Prepared<S>) {
        self.tell(self.put(prepared));
    }

    /// Tells the log of the ports that are open: whoever waits for that may rely on what stands by then.
    pub fn tell_open(&self) {
        self.tell(self.addresses());
    }

    fn tell(&self, ports: Vec<(SocketAddr, bool)>) {
        let service = Arc::clone(&self.now.borrow().service);
        for (address, tls) in ports {
            service.tell(Happened::Listening(&address.to_string(), tls));
        }
    }

    fn put(&self, prepared: Prepared<S>) -> Vec<(SocketAddr, bool)> {
        let Prepared {
            settings,
            table,
            tls,
            doors,
        } = prepared;
        let last = self.now.borrow().clone();
        tls.tell(table, &last.tls);
        self.now.send_modify(|now| {
            Arc::make_mut(&mut now.service).put(settings);
            now.tls = tls;
            now.modes = Arc::new(doors.modes());
        });
        self.doors.apply(doors, &last)
    }
}

impl<S: Service> Served<S> {
    /// Listens on the addresses of the settings, all or none; there need not be any. Where the files
    /// for TLS do not serve, its ports are closed until they do.
    ///
    /// # Errors
    /// An address is taken or not ours.
    pub async fn bind(service: S, settings: S::Settings) -> Result<Self, ServeError> {
        let (doors, opened) = Doors::new();
        let live = Live {
            now: watch::Sender::new(InForce {
                service: Arc::new(service),
                tls: Offer::default(),
                modes: Arc::default(),
            }),
            doors,
        };
        live.put(live.prepare(settings).await?);
        Ok(Served { live, opened })
    }

    /// For changes while it runs.
    #[must_use]
    pub fn live(&self) -> Live<S> {
        self.live.clone()
    }

    /// Every address in use, and whether TLS is spoken there; those without it first.
    #[must_use]
    pub fn addresses(&self) -> Vec<(SocketAddr, bool)> {
        self.live.doors.addresses()
    }

    /// Accepts and serves until `stop` becomes true or its sender is gone. Then it takes nothing new,
    /// lets each connection finish what it is at, and returns.
    ///
    /// That its ports are open is told by [`Live::tell_open`].
    pub async fn run(self, stop: watch::Receiver<bool>) {
        let Live { now, doors } = self.live;
        let common = Arc::new(Common {
            now,
            places: Shares::default(),
            of_peer: Places::default(),
        });
        let accept = move |door| accept(door, Arc::clone(&common));
        doors.run(self.opened, stop, S::panicked, accept).await;
    }
}
