//! A connection before its association: whose it is, and TLS where the port is for it.

use super::association;
use super::shared::{Peer, Shared, Titles};
use super::tls::{Tls, TlsRefusal};
use sheathline_net::dicom::refusal::Refusal;
use sheathline_net::dicom::wire;
use sheathline_net::serve::proxy::{self, Origin, ProxyError};
use sheathline_net::shares::{Party, Share, Watched};
use std::net::IpAddr;
use std::sync::Arc;
use std::time::Duration;
use tokio::io::AsyncReadExt;
use tokio::net::TcpStream;
use tokio::sync::watch;
use tokio::time::timeout;

/// Serves one connection until it ends. `from` is the address at its other end, `room` its place.
pub(super) async fn serve(
    mut stream: TcpStream,
    from: IpAddr,
    room: &Share,
    tls: Option<Arc<Tls>>,
    shared: Arc<Shared>,
    mut stop: watch::Receiver<bool>,
) {
    // An answer is one small write; held back by Nagle's algorithm it would cost 40 ms.
    // Where the system refuses the option, things only get slower.
    let _ = stream.set_nodelay(true);
    let address = tokio::select! {
        biased;
        // A stop signal that was dropped is one as well.
        _ = stop.wait_for(|stop| *stop) => return,
        address = origin(&mut stream, from, &shared) => match address {
            Some(address) => address,
            None => return,
        },
    };
    let place = match shared.connection_of(address) {
        Ok(place) => place,
        Err(refusal) => return shared.refused(refusal, address, &Titles::default(), ""),
    };
    room.belongs_to(Party::of(address));
    let limit = Duration::from_secs(shared.settings.write_timeout_s);
    let plain = Peer {
        address,
        certificate: None,
    };
    match tls {
        None => {
            let stream = Watched::new(stream, room.pulse(), limit);
            association::serve(stream, plain, room.pulse(), shared, stop).await;
        }
        Some(tls) => {
            let accepted = tokio::select! {
                biased;
                _ = stop.wait_for(|stop| *stop) => return,
                accepted = tls.accept(stream, Party::of(address)) => accepted,
            };
            match accepted {
                Ok((stream, certificate)) => {
                    let peer = Peer {
                        certificate,
                        ..plain
                    };
                    let stream = Watched::new(stream, room.pulse(), limit);
                    association::serve(stream, peer, room.pulse(), shared, stop).await;
                }
                Err(TlsRefusal::Gone) => {
                    tracing::debug!(code = "connection-closed", peer = %address, "asked for nothing");
                }
                Err(TlsRefusal::Refused(refusal, detail, stream)) => {
                    shared.refused(refusal, address, &Titles::default(), &detail);
                    if let Some(stream) = stream {
                        wire::linger(stream).await;
                    }
                }
            }
        }
    }
    drop(place);
}

/// The address that counts; `None` if the connection ends here.
async fn origin(stream: &mut TcpStream, from: IpAddr, shared: &Shared) -> Option<IpAddr> {
    let refused = |refusal, address, detail: &str| {
        shared.refused(refusal, address, &Titles::default(), detail);
        None
    };
    if !shared.is_balancer(from) {
        // The listener has asked already whether it may connect.
        return Some(from);
    }
    match timeout(shared.association_limit(), header(stream)).await {
        Ok(Ok(Origin::Address(address))) if shared.allows(address) => Some(address),
        Ok(Ok(Origin::Address(address))) => {
            let through = format!("through {from}");
            refused(Refusal::Address, address, &through)
        }
        Ok(Ok(Origin::Local)) if shared.allows(from) => Some(from),
        Ok(Ok(Origin::Local)) | Ok(Err(HeaderError::Gone)) => {
            tracing::debug!(code = "health-check", peer = %from);
            None
        }
        Ok(Err(HeaderError::Proxy(error @ ProxyError::Signature))) => {
            refused(Refusal::ProxyMissing, from, &error.to_string())
        }
        Ok(Err(HeaderError::Proxy(error))) => {
            refused(Refusal::ProxyMalformed, from, &error.to_string())
        }
        Ok(Err(HeaderError::Cut)) => {
            refused(Refusal::ProxyMalformed, from, "it ends in the middle")
        }
        Err(_) => refused(Refusal::ProxyMissing, from, "it did not come in time"),
    }
}

enum HeaderError {
    /// Connected and closed again, as simple health checks do.
    Gone,
    /// Ended inside the header.
    Cut,
    Proxy(ProxyError),
}

async fn header(stream: &mut TcpStream) -> Result<Origin, HeaderError> {
    let mut fixed = [0; proxy::FIXED_BYTES];
    let mut have = 0;
    // Byte by byte as they come: who sends no header may never send sixteen bytes.
    while let Some(rest) = fixed.get_mut(have..).filter(|rest| !rest.is_empty()) {
        match stream.read(rest).await {
            Ok(0) | Err(_) if have == 0 => return Err(HeaderError::Gone),
            Ok(0) | Err(_) => return Err(HeaderError::Cut),
            Ok(more) => have += more,
        }
        if !proxy::may_begin(fixed.get(..have).unwrap_or_default()) {
            return Err(HeaderError::Proxy(ProxyError::Signature));
        }
    }
    let bytes = proxy::rest_bytes(&fixed).map_err(HeaderError::Proxy)?;
    let mut rest = vec![0; bytes];
    let whole = stream.read_exact(&mut rest).await;
    whole.map_err(|_| HeaderError::Cut)?;
    proxy::origin(&fixed, &rest).map_err(HeaderError::Proxy)
}
