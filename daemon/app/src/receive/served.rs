//! A protocol that is served at ports of its own, under rules that can change meanwhile.

use super::ReceiveError;
use super::tls::{Offer, Tls, TlsError, TlsRefusal};
use crate::config::TlsSettings;
use crate::observe::Observed;
use crate::observe::refused::{Reason, Refused};
use ipnet::IpNet;
use sheathline_net::serve::accept::{Port, may_connect};
use sheathline_net::serve::doors::{Change, Door, Doors, Opened};
use sheathline_net::shares::{Party, Pulse, Room, Shares, Watched};
use std::fmt::Debug;
use std::net::{IpAddr, SocketAddr};
use std::sync::Arc;
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::TcpStream;
use tokio::sync::watch;

/// What holds now; a connection asks for it anew before each message or request.
pub type Now<S> = watch::Receiver<Arc<S>>;

/// A protocol, with what holds for it.
pub trait Service: Clone + Debug + Send + Sync + 'static {
    /// What can change while it is served.
    type Settings: Debug + Send;

    /// Table of its TLS settings.
    const TLS_TABLE: &'static str;

    /// Addresses without TLS, and the settings of those with it.
    fn ports(settings: &Self::Settings) -> (&[SocketAddr], &TlsSettings);

    /// From now on these hold.
    fn put(&mut self, settings: Self::Settings);

    /// Networks that may connect; empty means all.
    fn addresses_allowed(&self) -> &[IpNet];

    /// Open connections at one time.
    fn max_connections(&self) -> usize;

    /// How long a peer may take nothing of what it is sent.
    fn write_limit(&self) -> Duration;

    /// Serves one connection until it ends, or until `stop` becomes true or its sender is gone. While the
    /// peer waits for us, `pulse` says so.
    fn serve(
        stream: impl AsyncRead + AsyncWrite + Unpin + Send + 'static,
        pulse: Pulse,
        peer: IpAddr,
        now: Now<Self>,
        stop: watch::Receiver<bool>,
    ) -> impl Future<Output = ()> + Send;

    /// Why an address is refused that may not connect.
    const NOT_ALLOWED: Reason;

    /// Why a connection is refused where there are too many.
    const FULL: Reason;

    /// Why a connection is closed where there are too many and another takes its place.
    const DISPLACED: Reason;

    /// Who is told what happens.
    fn observed(&self) -> &Observed;

    /// Tells the log.
    fn tell(event: Happened<'_>);

    /// Whether this address may connect.
    fn allows(&self, peer: IpAddr) -> bool {
        may_connect(self.addresses_allowed(), peer)
    }
}

/// What happens at the ports.
#[derive(Debug, Clone, Copy)]
pub enum Happened<'a> {
    /// A port is open; whether for TLS.
    Listening(&'a str, bool),
    /// A port is closed, and so many connections were cut off.
    Ended(&'a str, usize),
    /// A connection panicked.
    Panicked,
}

/// A protocol whose ports are open and not yet accepted at.
#[derive(Debug)]
pub struct Served<S: Service> {
    live: Live<S>,
    opened: Opened,
}

/// Changes what holds, while it is served.
#[derive(Debug, Clone)]
pub struct Live<S: Service> {
    now: watch::Sender<Arc<S>>,
    tls: watch::Sender<Offer>,
    doors: Doors,
}

/// Settings that can be put in force, with every port that they need beyond those that are open.
#[derive(Debug)]
pub struct Prepared<S: Service> {
    settings: S::Settings,
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
    pub async fn prepare(&self, settings: S::Settings) -> Result<Prepared<S>, ReceiveError> {
        let (plain, over_tls) = S::ports(&settings);
        let tls = self.tls.borrow().renewed(S::TLS_TABLE, over_tls)?;
        let over_tls = match tls.ready() {
            Some(_) => over_tls.listen.as_slice(),
            None => &[],
        };
        Ok(Prepared {
            tls,
            doors: self.doors.prepare(plain, over_tls).await?,
            settings,
        })
    }

    /// Whether the files for TLS are to be looked at again.
    #[must_use]
    pub fn is_due(&self) -> bool {
        self.tls.borrow().is_due()
    }

    /// Why the ports for TLS are closed, if they are.
    #[must_use]
    pub fn closed(&self) -> Option<Arc<TlsError>> {
        self.tls.borrow().closed().cloned()
    }

    /// Whether any port is open.
    #[must_use]
    pub fn is_open(&self) -> bool {
        self.doors.are_open()
    }

    /// Puts settings in force, for open connections with their next message or request. Ports that are
    /// not named any more are closed; what is under way there is finished.
    pub fn apply(&self, prepared: Prepared<S>) {
        let Prepared {
            settings,
            tls,
            doors,
        } = prepared;
        tls.tell(S::TLS_TABLE, &self.tls.borrow());
        self.tls.send_replace(tls);
        self.now.send_modify(|now| Arc::make_mut(now).put(settings));
        self.doors.apply(doors);
    }
}

impl<S: Service> Served<S> {
    /// Listens on the addresses of the settings, all or none; there need not be any. Where the files
    /// for TLS do not serve, its ports are closed until they do.
    ///
    /// # Errors
    /// An address is taken or not ours.
    pub async fn bind(service: S, settings: S::Settings) -> Result<Self, ReceiveError> {
        let (doors, opened) = Doors::new();
        let live = Live {
            now: watch::Sender::new(Arc::new(service)),
            tls: watch::Sender::default(),
            doors,
        };
        live.apply(live.prepare(settings).await?);
        Ok(Served { live, opened })
    }

    /// For changes while it runs.
    #[must_use]
    pub fn live(&self) -> Live<S> {
        self.live.clone()
    }

    /// Accepts and serves until `stop` becomes true or its sender is gone.
    pub async fn run(self, stop: watch::Receiver<bool>) {
        let Live { now, tls, doors } = self.live;
        let places = Shares::default();
        let accept = |door| accept(door, now.clone(), tls.clone(), places.clone());
        doors.run(self.opened, stop, panicked::<S>, accept).await;
    }
}

fn panicked<S: Service>() {
    S::tell(Happened::Panicked);
}

/// Accepts at one port until it is closed, then waits for what it serves.
async fn accept<S: Service>(
    door: Door,
    now: watch::Sender<Arc<S>>,
    tls: watch::Sender<Offer>,
    places: Shares,
) {
    let address = door.listener.local_addr();
    let address = address.map_or_else(|_| String::new(), |address| address.to_string());
    S::tell(Happened::Listening(&address, door.tls));
    let mut close = door.close;
    let mut port = Port::new(Some(door.listener), panicked::<S>);
    while let Some((stream, peer)) = port.next(&mut close).await {
        let rules = Arc::clone(&now.borrow());
        if !rules.allows(peer) {
            let refused = Refused::at(S::NOT_ALLOWED, peer);
            rules.observed().refused(&refused);
            continue;
        }
        let room = Room::places(rules.max_connections());
        let Some(place) = places.place(Party::of(peer), room) else {
            rules.observed().refused(&Refused::at(S::FULL, peer));
            continue;
        };
        // A port for TLS never serves without it.
        let over = match (door.tls, tls.borrow().ready()) {
            (false, _) => None,
            (true, Some(tls)) => Some(Arc::clone(tls)),
            (true, None) => continue,
        };
        let pulse = place.pulse();
        let served = connection::<S>(stream, peer, pulse, over, now.subscribe(), close.clone());
        port.serving.spawn(async move {
            tokio::select! {
                () = served => {}
                () = place.taken_back() => {
                    rules.observed().refused(&Refused::at(S::DISPLACED, peer));
                }
            }
        });
    }
    let cut = port.finish().await;
    S::tell(Happened::Ended(&address, cut));
}

async fn connection<S: Service>(
    stream: TcpStream,
    peer: IpAddr,
    pulse: Pulse,
    tls: Option<Arc<Tls>>,
    now: Now<S>,
    mut stop: watch::Receiver<bool>,
) {
    let observed = now.borrow().observed().clone();
    let limit = now.borrow().write_limit();
    // An answer is a small write or two; held back by Nagle's algorithm it would cost 40 ms.
    let _ = stream.set_nodelay(true);
    let Some(tls) = tls else {
        let stream = Watched::new(stream, pulse.clone(), limit);
        return S::serve(stream, pulse, peer, now, stop).await;
    };
    let accepted = tokio::select! {
        biased;
        _ = stop.wait_for(|stop| *stop) => return,
        accepted = tls.accept(stream, Party::of(peer)) => accepted,
    };
    match accepted {
        Ok((stream, _)) => {
            let stream = Watched::new(stream, pulse.clone(), limit);
            S::serve(stream, pulse, peer, now, stop).await;
        }
        Err(TlsRefusal::Gone) => {}
        Err(TlsRefusal::Refused(refusal, detail, _)) => {
            let reason = Reason::new(refusal.code(), refusal.why());
            let refused = Refused {
                detail: &detail,
                ..Refused::at(reason, peer)
            };
            observed.refused(&refused);
        }
    }
}
