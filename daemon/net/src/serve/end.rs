//! When a connection has to end though its peer does not ask for it.

use tokio::sync::{Notify, watch};

/// Two signals: the port is closed, which a reload does, and the program stops.
#[derive(Debug, Clone)]
pub struct End {
    port: watch::Receiver<bool>,
    program: watch::Receiver<bool>,
}

impl End {
    /// Each is given by `true`, or by its sender going.
    pub(crate) fn new(port: watch::Receiver<bool>, program: watch::Receiver<bool>) -> Self {
        End { port, program }
    }

    /// Returns once the port takes nothing new, because of a reload or since the program stops.
    pub async fn port_closes(&self) {
        drop(self.port.clone().wait_for(|closed| *closed).await);
    }

    /// Returns once the program stops.
    pub async fn program_stops(&self) {
        drop(self.program.clone().wait_for(|stopped| *stopped).await);
    }

    /// Returns once the program stops, or the port takes nothing new and `is_served` was told of: who has
    /// just connected is served once.
    pub async fn after(&self, is_served: &Notify) {
        let moved = async {
            self.port_closes().await;
            is_served.notified().await;
        };
        tokio::select! {
            biased;
            () = self.program_stops() => {}
            () = moved => {}
        }
    }
}
