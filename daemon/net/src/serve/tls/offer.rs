//! What TLS at the ports of one table comes to, and the handshakes there.

use super::{Loaded, Sha256Hex, TlsError, TlsSettings, day, load};
use crate::dicom::refusal::Refusal;
use crate::serve::proxy;
use crate::shares::{Party, Room, Shares};
use sha2::{Digest, Sha256};
use std::sync::Arc;
use std::time::{Duration, SystemTime};
use tokio::net::TcpStream;
use tokio::time::{Instant, timeout_at};
use tokio_rustls::TlsAcceptor;
use tokio_rustls::server::TlsStream;

/// Why a connection did not become one over TLS.
pub(crate) enum TlsRefusal {
    /// The peer connected and closed, as health checks do.
    Gone,
    /// With more for the log; where the peer may be told why, its connection.
    Refused(Refusal, String, Option<TcpStream>),
}

/// Does the handshakes of one or more ports.
pub(crate) struct Tls {
    acceptor: TlsAcceptor,
    handshakes: Shares,
    max_handshakes: usize,
    limit: Duration,
    /// End of our own certificate.
    expires: SystemTime,
}

/// What TLS at the ports of one table comes to.
#[derive(Debug, Clone, Default)]
pub(crate) enum Offer {
    /// No address asks for it.
    #[default]
    NotAsked,
    /// It can be had.
    Ready(Arc<Tls>),
    /// Its files do not serve. The ports are closed until they do; all others stay open.
    Closed(Arc<TlsError>),
}

impl Offer {
    /// What can take the place of this: what the settings in `table` come to now. Files that do not
    /// serve close a port, but for one whose certificate still holds: that one stays as it was.
    ///
    /// # Errors
    /// The port is open and good, and the files do not serve.
    pub(crate) fn renewed(
        &self,
        table: &'static str,
        settings: &TlsSettings,
    ) -> Result<Offer, TlsError> {
        if settings.listen.is_empty() {
            return Ok(Offer::NotAsked);
        }
        match Tls::new(table, settings) {
            Ok(tls) => Ok(Offer::Ready(Arc::new(tls))),
            Err(why) if matches!(self, Offer::Ready(_)) && !self.is_due() => Err(why),
            Err(why) => Ok(Offer::Closed(Arc::new(why))),
        }
    }

    /// Tells the log that this closes the ports of `table`, unless it is told already.
    pub(crate) fn tell(&self, table: &'static str, before: &Offer) {
        let Some(why) = self.closed().map(|why| why.to_string()) else {
            return;
        };
        if before
            .closed()
            .is_none_or(|before| before.to_string() != why)
        {
            tracing::error!(
                code = "tls-port-closed",
                table,
                "{why}. The others stay open; this one opens once the files serve"
            );
        }
    }

    /// Whether the files are to be looked at again: they did not serve, or the certificate has ended.
    pub(crate) fn is_due(&self) -> bool {
        match self {
            Offer::NotAsked => false,
            Offer::Ready(tls) => tls.expires < SystemTime::now(),
            Offer::Closed(_) => true,
        }
    }

    /// Why the ports are closed, if they are.
    pub(crate) fn closed(&self) -> Option<&Arc<TlsError>> {
        match self {
            Offer::Closed(why) => Some(why),
            Offer::NotAsked | Offer::Ready(_) => None,
        }
    }

    /// Who does the handshakes, while the ports are open.
    pub(crate) fn ready(&self) -> Option<&Arc<Tls>> {
        match self {
            Offer::Ready(tls) => Some(tls),
            Offer::NotAsked | Offer::Closed(_) => None,
        }
    }
}

impl Tls {
    /// Loads what the settings name, and says in the log what is to be put right.
    fn new(table: &'static str, settings: &TlsSettings) -> Result<Self, TlsError> {
        let Loaded {
            config,
            expires,
            warnings,
        } = load(table, settings, SystemTime::now())?;
        for warning in warnings {
            tracing::warn!(code = "tls-files", "{warning}");
        }
        tracing::info!(code = "tls-ready", table, certificate_ends = day(expires));
        Ok(Tls {
            acceptor: TlsAcceptor::from(Arc::new(config)),
            handshakes: Shares::default(),
            max_handshakes: settings.max_handshakes.clamp(1, 10_000),
            limit: Duration::from_secs(settings.handshake_timeout_s),
            expires,
        })
    }

    /// The connection once its handshake is done, with the certificate the peer showed.
    pub(crate) async fn accept(
        &self,
        stream: TcpStream,
        party: Party,
    ) -> Result<(TlsStream<TcpStream>, Option<Sha256Hex>), TlsRefusal> {
        let deadline = Instant::now() + self.limit;
        let refused = |refusal, detail: &str, stream| {
            Err(TlsRefusal::Refused(refusal, detail.to_owned(), stream))
        };
        let slow = |what| refused(Refusal::HandshakeSlow, what, None);
        // Who sends nothing takes no place among the handshakes.
        let mut first = [0];
        match timeout_at(deadline, stream.peek(&mut first)).await {
            Ok(Ok(0) | Err(_)) => return Err(TlsRefusal::Gone),
            Ok(Ok(_)) => {}
            Err(_) => return slow("nothing came"),
        }
        match first {
            // A handshake record (RFC 8446 5.1).
            [0x16] => {}
            [proxy::FIRST_BYTE] => {
                return refused(Refusal::ProxyUnexpected, "", None);
            }
            [other] => {
                let detail = format!("it begins with {other:#04x}");
                return refused(Refusal::PlainOnTls, &detail, None);
            }
        }
        let room = Room::places(self.max_handshakes);
        let Some(place) = self.handshakes.place(party, room) else {
            return refused(Refusal::Handshakes, "", None);
        };
        let accepted = timeout_at(deadline, self.acceptor.accept(stream).into_fallible());
        let accepted = tokio::select! {
            accepted = accepted => accepted,
            () = place.taken_back() => {
                return refused(Refusal::Displaced, "of the TLS handshakes", None);
            }
        };
        match accepted {
            Ok(Ok(stream)) => {
                let (_, session) = stream.get_ref();
                let shown = session.peer_certificates().and_then(<[_]>::first);
                let fingerprint = shown.map(|shown| Sha256Hex(Sha256::digest(shown).into()));
                Ok((stream, fingerprint))
            }
            // What the peer sends of a certificate or an alert may be in the words.
            Ok(Err((error, stream))) => {
                let error = error.to_string().escape_default().to_string();
                refused(Refusal::HandshakeFailed, &error, Some(stream))
            }
            Err(_) => slow("it did not end"),
        }
    }
}

impl std::fmt::Debug for Tls {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Tls")
    }
}
