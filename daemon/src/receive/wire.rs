//! PDUs on a socket: bounded in size before they are read, and in time.
//!
//! The header is looked at first, so that an HTTP request is not taken for a PDU of 1.4 GB, and no
//! byte beyond the limit is ever buffered. `dicom-ul` then reads the complete PDU.

use dicom_ul::pdu::{Pdu, read_pdu, write_pdu};
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt, BufReader};
use tokio::net::TcpStream;
use tokio::time::timeout;

/// How long a closed association may still be read from, so that the peer gets our last PDU: a
/// socket closed over unread bytes sends a reset, which would overtake it.
const LINGER: Duration = Duration::from_secs(1);

/// How much is read for that purpose. A peer that goes on sending gets the reset.
const LINGER_BYTES: u64 = 1 << 20;

/// Why no PDU came, or none could be sent.
#[derive(Debug, thiserror::Error)]
pub(super) enum WireError {
    #[error("the peer closed the connection")]
    Closed,
    #[error("nothing came or could be sent within {0:?}")]
    TimedOut(Duration),
    #[error("a PDU announces {0} bytes, which is over the limit")]
    TooLarge(u32),
    #[error("type {0:#04x} is none of a PDU; perhaps this is not a DICOM peer")]
    NotAPdu(u8),
    #[error("a PDU of type {0:#04x} is malformed")]
    Malformed(u8),
    #[error("the connection failed: {0}")]
    Failed(std::io::ErrorKind),
}

impl From<std::io::Error> for WireError {
    fn from(error: std::io::Error) -> Self {
        match error.kind() {
            std::io::ErrorKind::UnexpectedEof => WireError::Closed,
            kind => WireError::Failed(kind),
        }
    }
}

/// One connection.
#[derive(Debug)]
pub(super) struct Wire {
    stream: BufReader<TcpStream>,
    pdu_bytes_max: u32,
    buffer: Vec<u8>,
}

impl Wire {
    /// Takes over a socket; PDUs may have so many bytes after their header.
    pub(super) fn new(stream: TcpStream, pdu_bytes_max: u32) -> Self {
        // An answer is one small write; held back by Nagle's algorithm it would cost 40 ms.
        // Where the system refuses the option, things only get slower.
        let _ = stream.set_nodelay(true);
        Wire {
            stream: BufReader::new(stream),
            pdu_bytes_max,
            buffer: Vec::new(),
        }
    }

    /// The next PDU, complete within `limit`.
    ///
    /// Not to be called again after it was dropped half-way or failed.
    pub(super) async fn receive(&mut self, limit: Duration) -> Result<Pdu, WireError> {
        match timeout(limit, self.read()).await {
            Ok(read) => read,
            Err(_) => Err(WireError::TimedOut(limit)),
        }
    }

    async fn read(&mut self) -> Result<Pdu, WireError> {
        let mut header = [0; 6];
        // The type alone first: a peer that speaks something else may not send six bytes.
        let (first, others) = header.split_at_mut(1);
        self.stream.read_exact(first).await?;
        let kind = first.first().copied().unwrap_or_default();
        if !(0x01..=0x07).contains(&kind) {
            return Err(WireError::NotAPdu(kind));
        }
        self.stream.read_exact(others).await?;
        let [_, _, length @ ..] = header;
        let length = u32::from_be_bytes(length);
        if length > self.pdu_bytes_max {
            return Err(WireError::TooLarge(length));
        }
        self.buffer.clear();
        self.buffer.extend_from_slice(&header);
        let wanted = u64::from(length);
        let got = (&mut self.stream)
            .take(wanted)
            .read_to_end(&mut self.buffer)
            .await?;
        if (got as u64) < wanted {
            return Err(WireError::Closed);
        }
        match read_pdu(self.buffer.as_slice(), self.pdu_bytes_max, true) {
            Ok(Some(pdu)) => Ok(pdu),
            Ok(None) | Err(_) => Err(WireError::Malformed(kind)),
        }
    }

    /// Sends a PDU in one write.
    pub(super) async fn send(&mut self, pdu: &Pdu, limit: Duration) -> Result<(), WireError> {
        let mut bytes = Vec::with_capacity(512);
        write_pdu(&mut bytes, pdu).map_err(|_| WireError::Malformed(0))?;
        match timeout(limit, self.stream.get_mut().write_all(&bytes)).await {
            Ok(sent) => Ok(sent?),
            Err(_) => Err(WireError::TimedOut(limit)),
        }
    }

    /// Ends the connection so that what was sent last arrives.
    pub(super) async fn close(mut self) {
        let _ = timeout(LINGER, async {
            self.stream.get_mut().shutdown().await?;
            let mut rest = self.stream.take(LINGER_BYTES);
            tokio::io::copy(&mut rest, &mut tokio::io::sink()).await
        })
        .await;
    }
}
