//! PDUs on a socket: bounded in size before they are read, and in time.
//!
//! The header is looked at first, so that an HTTP request is not taken for a PDU of 1.4 GB, and no
//! byte beyond the limit is ever buffered. `dicom-ul` then reads the complete PDU.

use dicom_ul::pdu::{Pdu, read_pdu, write_pdu};
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt, BufReader};
use tokio::time::timeout;

/// What PDUs travel on: a socket, or TLS on one.
pub trait Stream: AsyncRead + AsyncWrite + Unpin + Send + 'static {}

impl<S: AsyncRead + AsyncWrite + Unpin + Send + 'static> Stream for S {}

/// How long a closed association may still be read from, so that the peer gets our last PDU: a
/// socket closed over unread bytes sends a reset, which would overtake it.
const LINGER: Duration = Duration::from_secs(1);

/// How much is read for that purpose. A peer that goes on sending gets the reset.
const LINGER_BYTES: u64 = 1 << 20;

/// Why no PDU came, or none could be sent.
#[derive(Debug, thiserror::Error)]
pub enum WireError {
    /// The peer is gone.
    #[error("the peer closed the connection")]
    Closed,
    /// Silence.
    #[error("nothing came within {0:?}")]
    TimedOut(Duration),
    /// It takes nothing of what it is sent.
    #[error("the peer did not read what it was sent within {0:?}")]
    NotRead(Duration),
    /// More than a PDU may have.
    #[error("a PDU announces {0} bytes, which is over the limit")]
    TooLarge(u32),
    /// The first byte says so.
    #[error("type {0:#04x} is none of a PDU; perhaps this is not a DICOM peer")]
    NotAPdu(u8),
    /// Its lengths do not fit each other.
    #[error("a PDU of type {0:#04x} is malformed")]
    Malformed(u8),
    /// What the system says.
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
pub struct Wire<S> {
    stream: BufReader<S>,
    pdu_bytes_max: u32,
    write_limit: Duration,
    buffer: Vec<u8>,
}

impl<S: Stream> Wire<S> {
    /// Takes over a connection; PDUs may have so many bytes after their header, and the peer has
    /// so long to read each of ours.
    pub fn new(stream: S, pdu_bytes_max: u32, write_limit: Duration) -> Self {
        Wire {
            stream: BufReader::new(stream),
            pdu_bytes_max,
            write_limit,
            buffer: Vec::new(),
        }
    }

    /// The next PDU, complete within `limit`.
    ///
    /// Not to be called again after it was dropped half-way or failed.
    pub async fn receive(&mut self, limit: Duration) -> Result<Pdu, WireError> {
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
    pub async fn send(&mut self, pdu: &Pdu) -> Result<(), WireError> {
        let mut bytes = Vec::with_capacity(512);
        write_pdu(&mut bytes, pdu).map_err(|_| WireError::Malformed(0))?;
        self.send_bytes(&bytes).await
    }

    /// Sends the bytes of a PDU in one write.
    pub async fn send_bytes(&mut self, bytes: &[u8]) -> Result<(), WireError> {
        let stream = self.stream.get_mut();
        let sent = timeout(self.write_limit, async {
            stream.write_all(bytes).await?;
            // TLS may hold back what it has encrypted.
            stream.flush().await
        });
        match sent.await {
            Ok(sent) => Ok(sent?),
            Err(_) => Err(WireError::NotRead(self.write_limit)),
        }
    }

    /// Ends the connection so that what was sent last arrives.
    pub async fn close(self) {
        linger(self.stream).await;
    }
}

/// Ends a connection so that what was sent last arrives.
pub async fn linger(mut stream: impl AsyncRead + AsyncWrite + Unpin) {
    let _ = timeout(LINGER, async {
        stream.shutdown().await?;
        let mut rest = stream.take(LINGER_BYTES);
        tokio::io::copy(&mut rest, &mut tokio::io::sink()).await
    })
    .await;
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io;
    use std::pin::Pin;
    use std::task::{Context, Poll};
    use tokio::io::ReadBuf;

    /// Counts writes, and takes none at all where it is `stuck`.
    #[derive(Default)]
    struct Sink {
        writes: Vec<usize>,
        stuck: bool,
    }

    impl AsyncRead for Sink {
        fn poll_read(
            self: Pin<&mut Self>,
            _: &mut Context<'_>,
            _: &mut ReadBuf<'_>,
        ) -> Poll<io::Result<()>> {
            Poll::Ready(Ok(()))
        }
    }

    impl AsyncWrite for Sink {
        fn poll_write(
            mut self: Pin<&mut Self>,
            _: &mut Context<'_>,
            bytes: &[u8],
        ) -> Poll<io::Result<usize>> {
            if self.stuck {
                return Poll::Pending;
            }
            self.writes.push(bytes.len());
            Poll::Ready(Ok(bytes.len()))
        }

        fn poll_flush(self: Pin<&mut Self>, _: &mut Context<'_>) -> Poll<io::Result<()>> {
            Poll::Ready(Ok(()))
        }

        fn poll_shutdown(self: Pin<&mut Self>, _: &mut Context<'_>) -> Poll<io::Result<()>> {
            Poll::Ready(Ok(()))
        }
    }

    #[tokio::test]
    async fn a_pdu_is_one_write() {
        let mut wire = Wire::new(Sink::default(), 1000, Duration::from_secs(1));
        wire.send(&Pdu::ReleaseRP).await.expect("sent");
        assert_eq!(wire.stream.get_ref().writes, [10]);
    }

    #[tokio::test]
    async fn a_peer_that_reads_nothing_is_given_up() {
        let stuck = Sink {
            stuck: true,
            ..Sink::default()
        };
        let mut wire = Wire::new(stuck, 1000, Duration::from_millis(1));
        let sent = wire.send(&Pdu::ReleaseRP).await;
        assert!(matches!(sent, Err(WireError::NotRead(_))), "{sent:?}");
    }
}
