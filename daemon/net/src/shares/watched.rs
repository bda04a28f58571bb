//! A connection whose signs of life are noted, and whose peer has to read what it is sent.

use super::Pulse;
use std::io;
use std::pin::Pin;
use std::task::{Context, Poll, ready};
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::time::{Sleep, sleep};

/// Fails with [`io::ErrorKind::TimedOut`] when nothing that is written is taken for `limit`.
pub struct Watched<S> {
    stream: S,
    pulse: Pulse,
    limit: Duration,
    /// Runs while the peer takes nothing.
    late: Option<Pin<Box<Sleep>>>,
}

impl<S> Watched<S> {
    /// Watches a stream; `limit` is how long the peer may take nothing.
    pub fn new(stream: S, pulse: Pulse, limit: Duration) -> Self {
        Watched {
            stream,
            pulse,
            limit,
            late: None,
        }
    }

    /// What came of a write, or that it waits too long.
    fn written<T>(
        &mut self,
        cx: &mut Context<'_>,
        written: Poll<io::Result<T>>,
    ) -> Poll<io::Result<T>> {
        if written.is_ready() {
            self.late = None;
            self.pulse.beat();
            return written;
        }
        let limit = self.limit;
        let late = self.late.get_or_insert_with(|| Box::pin(sleep(limit)));
        ready!(late.as_mut().poll(cx));
        Poll::Ready(Err(io::ErrorKind::TimedOut.into()))
    }
}

impl<S: AsyncRead + Unpin> AsyncRead for Watched<S> {
    fn poll_read(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        buffer: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        ready!(Pin::new(&mut self.stream).poll_read(cx, buffer))?;
        self.pulse.beat();
        Poll::Ready(Ok(()))
    }
}

impl<S: AsyncWrite + Unpin> AsyncWrite for Watched<S> {
    fn poll_write(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        bytes: &[u8],
    ) -> Poll<io::Result<usize>> {
        let written = Pin::new(&mut self.stream).poll_write(cx, bytes);
        self.written(cx, written)
    }

    fn poll_write_vectored(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        pieces: &[io::IoSlice<'_>],
    ) -> Poll<io::Result<usize>> {
        let written = Pin::new(&mut self.stream).poll_write_vectored(cx, pieces);
        self.written(cx, written)
    }

    fn is_write_vectored(&self) -> bool {
        self.stream.is_write_vectored()
    }

    fn poll_flush(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        let written = Pin::new(&mut self.stream).poll_flush(cx);
        self.written(cx, written)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        let written = Pin::new(&mut self.stream).poll_shutdown(cx);
        self.written(cx, written)
    }
}

#[cfg(test)]
mod tests {
    use super::super::{Party, Shares};
    use super::*;
    use std::net::{IpAddr, Ipv4Addr};
    use tokio::io::{AsyncReadExt, AsyncWriteExt};

    const LIMIT: Duration = Duration::from_millis(400);

    fn watched<S>(stream: S) -> Watched<S> {
        let party = Party::of(IpAddr::V4(Ipv4Addr::LOCALHOST));
        let pulse = Shares::default().nothing(party).pulse();
        Watched::new(stream, pulse, LIMIT)
    }

    #[tokio::test]
    async fn what_is_never_read_fails_in_time() {
        let (ours, _theirs) = tokio::io::duplex(64);
        let mut ours = watched(ours);
        let start = tokio::time::Instant::now();
        let error = ours.write_all(&[0; 65]).await.expect_err("never read");
        assert_eq!(error.kind(), io::ErrorKind::TimedOut);
        assert!(start.elapsed() >= LIMIT);
    }

    #[tokio::test]
    async fn what_is_read_slowly_arrives() {
        let (ours, mut theirs) = tokio::io::duplex(64);
        let mut ours = watched(ours);
        let written = tokio::spawn(async move { ours.write_all(&[7; 300]).await });
        let mut got = Vec::new();
        while got.len() < 300 {
            sleep(LIMIT / 4).await;
            let mut piece = [0; 64];
            let read = theirs.read(&mut piece).await.expect("open");
            got.extend_from_slice(&piece[..read]);
        }
        written.await.expect("no panic").expect("written");
        assert_eq!(got, [7; 300]);
    }
}
