//! The ports of one service, which can change while others stay open.
//!
//! A reload opens what is new before it closes what is old; an address that stays keeps its socket and
//! its connections, also where it passes to TLS or from it.

use super::accept::note_panic;
use super::end::End;
use std::collections::BTreeMap;
use std::io::ErrorKind;
use std::net::SocketAddr;
use std::sync::{Arc, Mutex, MutexGuard, OnceLock, PoisonError};
use std::time::Duration;
use tokio::net::TcpListener;
use tokio::sync::{mpsc, watch};
use tokio::task::JoinSet;
use tokio::time::sleep;

/// An address cannot be listened on.
#[derive(Debug, thiserror::Error)]
#[error("cannot listen on {address}: {source}")]
pub struct ListenError {
    /// The address.
    pub address: SocketAddr,
    /// What the system says.
    pub source: std::io::Error,
}

/// A port as the settings name it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Name {
    address: SocketAddr,
    tls: bool,
}

/// Which open port of a service.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct DoorId(u64);

/// Ports in force, each with whether TLS is spoken there and nothing else.
pub(super) type Modes = BTreeMap<DoorId, bool>;

/// An open port. `R` is what holds for connections.
#[derive(Debug)]
pub(super) struct Door<R> {
    pub(super) id: DoorId,
    /// Where connections come from.
    pub(super) listener: TcpListener,
    /// When it is to be closed.
    pub(super) end: End,
    /// What held last, once it is closed by a reload.
    pub(super) last: Arc<OnceLock<R>>,
}

/// Keeps a port open until it is dropped.
#[derive(Debug)]
struct Handle<R> {
    id: DoorId,
    name: Name,
    /// The address in use; differs from the name where that says port 0.
    address: SocketAddr,
    last: Arc<OnceLock<R>>,
    _close: watch::Sender<bool>,
}

/// The ports that are open.
#[derive(Debug)]
pub(super) struct Doors<R> {
    open: Arc<Mutex<Vec<Handle<R>>>>,
    /// Takes a few doors a reload, so it needs no bound.
    new: mpsc::UnboundedSender<New<R>>,
}

impl<R> Clone for Doors<R> {
    fn clone(&self) -> Self {
        Doors {
            open: Arc::clone(&self.open),
            new: self.new.clone(),
        }
    }
}

#[derive(Debug)]
struct New<R> {
    id: DoorId,
    listener: TcpListener,
    close: watch::Receiver<bool>,
    last: Arc<OnceLock<R>>,
}

/// Ports that were opened and are not accepted at yet.
#[derive(Debug)]
pub(super) struct Opened<R>(mpsc::UnboundedReceiver<New<R>>);

/// Ports that can take the place of those that are open.
#[derive(Debug)]
pub(super) struct Change {
    kept: Vec<(DoorId, Name)>,
    new: Vec<(DoorId, Name, SocketAddr, TcpListener)>,
}

impl Change {
    /// The ports that are then in force.
    pub(super) fn modes(&self) -> Modes {
        let kept = self.kept.iter().map(|(id, name)| (*id, name.tls));
        let new = self.new.iter().map(|(id, name, ..)| (*id, name.tls));
        kept.chain(new).collect()
    }
}

/// How often an address that is taken is tried, and the pause between: one that was left a moment ago
/// is still finishing what had begun there.
const TRIES: u32 = 4;
const AGAIN: Duration = Duration::from_millis(150);

async fn bind(address: SocketAddr) -> std::io::Result<TcpListener> {
    let mut tries = 1;
    loop {
        match TcpListener::bind(address).await {
            Err(error) if error.kind() == ErrorKind::AddrInUse && tries < TRIES => {
                tries += 1;
                sleep(AGAIN).await;
            }
            bound => return bound,
        }
    }
}

impl<R: Clone + Send + Sync + 'static> Doors<R> {
    /// None yet.
    pub(super) fn new() -> (Doors<R>, Opened<R>) {
        let (new, opened) = mpsc::unbounded_channel();
        let open = Arc::default();
        (Doors { open, new }, Opened(opened))
    }

    /// Opens the ports that are wanted beyond those that are open, all or none, and changes nothing.
    ///
    /// # Errors
    /// An address is taken or not ours.
    pub(super) async fn prepare(
        &self,
        plain: &[SocketAddr],
        tls: &[SocketAddr],
    ) -> Result<Change, ListenError> {
        let name = |tls| move |&address: &SocketAddr| Name { address, tls };
        let wanted = plain.iter().map(name(false));
        let wanted = wanted.chain(tls.iter().map(name(true)));
        let mut there: Vec<(DoorId, Name)> = self
            .open()
            .iter()
            .map(|door| (door.id, door.name))
            .collect();
        let (mut kept, mut new) = (Vec::new(), Vec::new());
        for name in wanted {
            // Where the system chooses the port, another address is meant.
            let is_it = |there: &Name| {
                *there == name || there.address == name.address && name.address.port() != 0
            };
            if let Some(at) = there.iter().position(|(_, name)| is_it(name)) {
                kept.push((there.swap_remove(at).0, name));
                continue;
            }
            let address = name.address;
            let failed = |source| ListenError { address, source };
            let listener = bind(address).await.map_err(failed)?;
            let in_use = listener.local_addr().map_err(failed)?;
            new.push((next_id(), name, in_use, listener));
        }
        Ok(Change { kept, new })
    }

    /// Ports that are not wanted any more are closed, and serve what had begun there as `last` says; new
    /// ones are accepted at. Returns what is new: those, and what passed to TLS or from it.
    pub(super) fn apply(&self, change: Change, last: &R) -> Vec<(SocketAddr, bool)> {
        let mut open = self.open();
        let mut news = Vec::new();
        open.retain_mut(|door| {
            let Some((_, name)) = change.kept.iter().find(|(id, _)| *id == door.id) else {
                // Nobody else sets it, and a door is closed once.
                let _ = door.last.set(last.clone());
                return false;
            };
            if door.name.tls != name.tls {
                news.push((door.address, name.tls));
            }
            door.name = *name;
            true
        });
        for (id, name, address, listener) in change.new {
            let (_close, close) = watch::channel(false);
            let last = Arc::new(OnceLock::new());
            let door = New {
                id,
                listener,
                close,
                last: Arc::clone(&last),
            };
            news.push((address, name.tls));
            // Without anybody who accepts, the program is about to end.
            let _ = self.new.send(door);
            open.push(Handle {
                id,
                name,
                address,
                last,
                _close,
            });
        }
        news
    }

    /// Has `accept` accept at every port until `stop` becomes true or its sender is gone, then closes
    /// all of them.
    pub(super) async fn run<A: Future<Output = ()> + Send + 'static>(
        self,
        mut opened: Opened<R>,
        mut stop: watch::Receiver<bool>,
        panicked: fn(),
        accept: impl Fn(Door<R>) -> A,
    ) {
        let mut serving: JoinSet<()> = JoinSet::new();
        let end = stop.clone();
        loop {
            tokio::select! {
                _ = stop.wait_for(|stop| *stop) => break,
                Some(new) = opened.0.recv() => {
                    let New { id, listener, close, last } = new;
                    let end = End::new(close, end.clone());
                    serving.spawn(accept(Door { id, listener, end, last }));
                }
                Some(ended) = serving.join_next() => note_panic(ended, panicked),
            }
        }
        self.open().clear();
        while let Some(ended) = serving.join_next().await {
            note_panic(ended, panicked);
        }
    }

    /// Every address in use, and whether TLS is spoken there.
    pub(super) fn addresses(&self) -> Vec<(SocketAddr, bool)> {
        let open = self.open();
        open.iter()
            .map(|door| (door.address, door.name.tls))
            .collect()
    }

    fn open(&self) -> MutexGuard<'_, Vec<Handle<R>>> {
        // It is whole between any two operations.
        self.open.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

fn next_id() -> DoorId {
    use std::sync::atomic::{AtomicU64, Ordering};
    static NEXT: AtomicU64 = AtomicU64::new(0);
    DoorId(NEXT.fetch_add(1, Ordering::Relaxed))
}
