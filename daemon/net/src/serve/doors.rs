//! The ports of one protocol, which can change while others stay open.
//!
//! A reload opens what is new before it closes what is old; an address that stays keeps its socket and
//! its connections.

use super::accept::note_panic;
use std::net::SocketAddr;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use tokio::net::TcpListener;
use tokio::sync::{mpsc, watch};
use tokio::task::JoinSet;

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

/// An open port.
#[derive(Debug)]
pub struct Door {
    /// Where connections come from.
    pub listener: TcpListener,
    /// Whether TLS is spoken there, and nothing else.
    pub tls: bool,
    /// Its sender is gone once it is to be closed.
    pub close: watch::Receiver<bool>,
}

/// Keeps a port open until it is dropped.
#[derive(Debug)]
struct Handle {
    name: Name,
    _close: watch::Sender<bool>,
}

/// The ports that are open.
#[derive(Debug, Clone)]
pub struct Doors {
    open: Arc<Mutex<Vec<Handle>>>,
    /// Takes a few doors a reload, so it needs no bound.
    new: mpsc::UnboundedSender<Door>,
}

/// Ports that were opened and are not accepted at yet.
#[derive(Debug)]
pub struct Opened(mpsc::UnboundedReceiver<Door>);

/// Ports that can take the place of those that are open.
#[derive(Debug)]
pub struct Change {
    kept: Vec<Name>,
    new: Vec<(Name, TcpListener)>,
}

impl Doors {
    /// None yet.
    pub fn new() -> (Doors, Opened) {
        let (new, opened) = mpsc::unbounded_channel();
        let open = Arc::default();
        (Doors { open, new }, Opened(opened))
    }

    /// Opens the ports that are wanted beyond those that are open, all or none, and changes nothing.
    ///
    /// # Errors
    /// An address is taken or not ours.
    pub async fn prepare(
        &self,
        plain: &[SocketAddr],
        tls: &[SocketAddr],
    ) -> Result<Change, ListenError> {
        let name = |tls| move |&address: &SocketAddr| Name { address, tls };
        let wanted = plain.iter().map(name(false));
        let wanted = wanted.chain(tls.iter().map(name(true)));
        let (mut kept, mut new) = (Vec::new(), Vec::new());
        for name in wanted {
            if self.open().iter().any(|door| door.name == name) {
                kept.push(name);
                continue;
            }
            let Name { address, .. } = name;
            let bound = TcpListener::bind(address).await;
            let listener = bound.map_err(|source| ListenError { address, source })?;
            new.push((name, listener));
        }
        Ok(Change { kept, new })
    }

    /// Ports that are not wanted any more are closed, new ones accepted at.
    pub fn apply(&self, change: Change) {
        let mut open = self.open();
        open.retain(|door| change.kept.contains(&door.name));
        for (name, listener) in change.new {
            let (_close, close) = watch::channel(false);
            let door = Door {
                listener,
                tls: name.tls,
                close,
            };
            // Without anybody who accepts, the program is about to end.
            let _ = self.new.send(door);
            open.push(Handle { name, _close });
        }
    }

    /// Has `accept` accept at every port until `stop` becomes true or its sender is gone, then closes
    /// all of them.
    pub async fn run<A: Future<Output = ()> + Send + 'static>(
        self,
        mut opened: Opened,
        mut stop: watch::Receiver<bool>,
        panicked: fn(),
        accept: impl Fn(Door) -> A,
    ) {
        let mut serving: JoinSet<()> = JoinSet::new();
        loop {
            tokio::select! {
                _ = stop.wait_for(|stop| *stop) => break,
                Some(door) = opened.0.recv() => { serving.spawn(accept(door)); }
                Some(ended) = serving.join_next() => note_panic(ended, panicked),
            }
        }
        self.open().clear();
        while let Some(ended) = serving.join_next().await {
            note_panic(ended, panicked);
        }
    }

    /// Whether there is one.
    pub fn are_open(&self) -> bool {
        !self.open().is_empty()
    }

    fn open(&self) -> MutexGuard<'_, Vec<Handle>> {
        // It is whole between any two operations.
        self.open.lock().unwrap_or_else(PoisonError::into_inner)
    }
}
