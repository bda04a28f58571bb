//! Accepts connections and lets each be served, within bounds.

use super::ReceiveError;
use super::association::{self, Shared};
use crate::config::DicomSettings;
use crate::store::Store;
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;
use tokio::net::TcpListener;
use tokio::sync::{Semaphore, watch};
use tokio::task::JoinSet;
use tokio::time::{sleep, timeout};

/// How long running associations have to finish their current object when the program stops.
const STOP_LIMIT: Duration = Duration::from_secs(10);

/// Pause after a failed accept. Out of descriptors it fails at once, again and again.
const ACCEPT_PAUSE: Duration = Duration::from_millis(100);

/// The DICOM side of the daemon, listening but not yet accepting.
#[derive(Debug)]
pub struct Listener {
    listener: TcpListener,
    address: SocketAddr,
    shared: Arc<Shared>,
}

impl Listener {
    /// Listens on the address of the settings.
    ///
    /// # Errors
    /// The address is taken or not ours.
    pub async fn bind(settings: DicomSettings, store: Store) -> Result<Listener, ReceiveError> {
        let address = settings.listen;
        let failed = |source| ReceiveError::Listen { address, source };
        let listener = TcpListener::bind(address).await.map_err(failed)?;
        let address = listener.local_addr().map_err(failed)?;
        Ok(Listener {
            listener,
            address,
            shared: Arc::new(Shared::new(settings, store)),
        })
    }

    /// The address in use; differs from the settings where they say port 0.
    #[must_use]
    pub fn address(&self) -> SocketAddr {
        self.address
    }

    /// Accepts and serves until `stop` becomes true or its sender is gone. Then takes nothing new,
    /// lets each association finish the object it is receiving, and returns.
    pub async fn run(self, mut stop: watch::Receiver<bool>) {
        let Listener {
            listener,
            address,
            shared,
        } = self;
        tracing::info!(code = "listening", %address, ae_title = shared.settings.ae_title);
        // Connections that have not asked for an association yet need room as well, or silent
        // peers would keep the others out.
        let room = shared.settings.max_associations.clamp(1, 10_000) * 2 + 256;
        let room = Arc::new(Semaphore::new(room));
        let mut serving = JoinSet::new();
        loop {
            let accepted = tokio::select! {
                _ = stop.wait_for(|stop| *stop) => break,
                Some(ended) = serving.join_next() => {
                    note_panic(ended);
                    continue;
                }
                accepted = listener.accept() => accepted,
            };
            match accepted {
                Ok((stream, peer)) => match Arc::clone(&room).try_acquire_owned() {
                    Ok(place) => {
                        let served = association::serve(
                            stream,
                            peer.ip(),
                            Arc::clone(&shared),
                            stop.clone(),
                        );
                        serving.spawn(async move {
                            served.await;
                            drop(place);
                        });
                    }
                    Err(_) => {
                        tracing::warn!(code = "connection-limit", peer = %peer.ip(), "closed");
                    }
                },
                Err(error) => {
                    tracing::warn!(code = "accept-failed", %error);
                    sleep(ACCEPT_PAUSE).await;
                }
            }
        }
        drop(listener);
        let finished = timeout(STOP_LIMIT, async {
            while let Some(ended) = serving.join_next().await {
                note_panic(ended);
            }
        })
        .await;
        let cut = if finished.is_ok() { 0 } else { serving.len() };
        serving.shutdown().await;
        tracing::info!(code = "listening-ended", %address, cut);
    }
}

fn note_panic(ended: Result<(), tokio::task::JoinError>) {
    if let Err(error) = ended
        && error.is_panic()
    {
        tracing::error!(
            code = "association-panicked",
            "this is a defect of the program"
        );
    }
}
