//! Whose a connection is that a load balancer passes on.

use super::proxy::{self, Origin, ProxyError};
use crate::dicom::refusal::Refusal;
use std::net::IpAddr;
use std::time::Duration;
use tokio::io::AsyncReadExt;
use tokio::net::TcpStream;
use tokio::time::timeout;

/// What comes of the header of a connection.
#[derive(Debug)]
pub(super) enum Passed {
    /// It is from this address.
    From(IpAddr),
    /// It ends here: the balancer looked whether we are there.
    Check,
    /// It ends here, with more for the log.
    Refused(Refusal, IpAddr, String),
}

/// Reads the header of a connection of the balancer `from`; `allows` says which addresses may connect.
pub(super) async fn origin(
    stream: &mut TcpStream,
    from: IpAddr,
    limit: Duration,
    allows: impl Fn(IpAddr) -> bool,
) -> Passed {
    let refused =
        |refusal, address, detail: &str| Passed::Refused(refusal, address, detail.to_owned());
    match timeout(limit, header(stream)).await {
        Ok(Ok(Origin::Address(address))) if allows(address) => Passed::From(address),
        Ok(Ok(Origin::Address(address))) => {
            let through = format!("through {from}");
            refused(Refusal::Address, address, &through)
        }
        Ok(Ok(Origin::Local)) if allows(from) => Passed::From(from),
        Ok(Ok(Origin::Local)) | Ok(Err(HeaderError::Gone)) => Passed::Check,
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
