//! What every port does: connections one after the other until the stop, then an end to each.

use ipnet::IpNet;
use std::io;
use std::net::{IpAddr, SocketAddr};
use std::time::Duration;
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::watch;
use tokio::task::{JoinError, JoinSet};
use tokio::time::{sleep, timeout};

/// How long connections have to finish their current object or message when the program stops.
const STOP_LIMIT: Duration = Duration::from_secs(10);

/// Pause after a failed accept. Out of descriptors it fails at once, again and again.
const ACCEPT_PAUSE: Duration = Duration::from_millis(100);

/// Whether an address may connect; no networks are all of them.
pub fn may_connect(allowed: &[IpNet], address: IpAddr) -> bool {
    allowed.is_empty() || allowed.iter().any(|network| network.contains(&address))
}

/// One port and the connections that are served there.
pub struct Port {
    /// None while the port is closed and what was accepted is still served.
    listener: Option<TcpListener>,
    /// The connections; what serves the next one is spawned here.
    pub serving: JoinSet<()>,
    failing: bool,
    /// Tells the log that one of them panicked.
    panicked: fn(),
}

impl Port {
    /// A port; `panicked` is called for each connection whose service panics.
    pub fn new(listener: Option<TcpListener>, panicked: fn()) -> Self {
        Port {
            listener,
            serving: JoinSet::new(),
            failing: false,
            panicked,
        }
    }

    /// Whether it accepts.
    pub fn is_open(&self) -> bool {
        self.listener.is_some()
    }

    /// Accepts there from now on.
    pub fn open(&mut self, listener: TcpListener) {
        self.listener = Some(listener);
    }

    /// Takes nothing new; what is served goes on.
    pub fn close(&mut self) {
        self.listener = None;
    }

    /// The next connection and its peer; `None` once `stop` is true or its sender is gone.
    pub async fn next(&mut self, stop: &mut watch::Receiver<bool>) -> Option<(TcpStream, IpAddr)> {
        loop {
            let accepted = tokio::select! {
                _ = stop.wait_for(|stop| *stop) => return None,
                Some(ended) = self.serving.join_next() => {
                    note_panic(ended, self.panicked);
                    continue;
                }
                accepted = accept(self.listener.as_ref()) => accepted,
            };
            match accepted {
                // Over IPv6 an IPv4 peer comes in other clothes.
                Ok((stream, peer)) => {
                    self.failing = false;
                    return Some((stream, peer.ip().to_canonical()));
                }
                Err(error) => {
                    // Once, not ten times a second for as long as it lasts.
                    if !std::mem::replace(&mut self.failing, true) {
                        tracing::warn!(code = "accept-failed", %error);
                    }
                    sleep(ACCEPT_PAUSE).await;
                }
            }
        }
    }

    /// Takes nothing new and waits for what is served. Returns how many were cut off.
    pub async fn finish(mut self) -> usize {
        drop(self.listener);
        let finished = timeout(STOP_LIMIT, async {
            while let Some(ended) = self.serving.join_next().await {
                note_panic(ended, self.panicked);
            }
        })
        .await;
        let cut = if finished.is_ok() {
            0
        } else {
            self.serving.len()
        };
        self.serving.shutdown().await;
        cut
    }
}

async fn accept(listener: Option<&TcpListener>) -> io::Result<(TcpStream, SocketAddr)> {
    match listener {
        Some(listener) => listener.accept().await,
        None => std::future::pending().await,
    }
}

/// Has a panic told; any other end is none of the log's business.
pub fn note_panic(ended: Result<(), JoinError>, panicked: fn()) {
    if ended.is_err_and(|error| error.is_panic()) {
        panicked();
    }
}
