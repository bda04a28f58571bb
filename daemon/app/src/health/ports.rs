//! Where each service can be reached now, as `/readyz` tells it and `status` shows it.

use serde::{Deserialize, Serialize};
use sheathline_net::serve::{Live, Service};
use std::net::SocketAddr;

/// The ports of one service.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct PortsNow {
    /// Its table of the configuration.
    pub table: String,
    /// Addresses without TLS at which it is listened.
    pub plain: Vec<SocketAddr>,
    /// Those with it.
    pub over_tls: Vec<SocketAddr>,
    /// Why its ports for TLS are closed, if they are. Names no file.
    pub closed: Option<String>,
}

impl PortsNow {
    /// Those of a service that is served.
    pub fn of<S: Service>(table: &str, live: &Live<S>) -> Self {
        let (over_tls, plain): (Vec<_>, Vec<_>) =
            live.addresses().into_iter().partition(|(_, tls)| *tls);
        let bare = |all: Vec<(SocketAddr, bool)>| all.into_iter().map(|(at, _)| at).collect();
        PortsNow {
            table: table.to_owned(),
            plain: bare(plain),
            over_tls: bare(over_tls),
            closed: live.closed().map(|why| why.in_short().to_owned()),
        }
    }

    /// Whether there is anything to tell: somebody asked for it.
    #[must_use]
    pub fn is_asked_for(&self) -> bool {
        !self.plain.is_empty() || !self.over_tls.is_empty() || self.closed.is_some()
    }
}
