//! What every port does: connections one after the other until it is closed, then an end to each.

use super::end::End;
use ipnet::IpNet;
use std::io;
use std::net::{IpAddr, SocketAddr};
use std::time::Duration;
use tokio::net::{TcpListener, TcpStream};
use tokio::task::{JoinError, JoinSet};
use tokio::time::{Instant, sleep, sleep_until};

/// How long connections have to finish their current object or message when the program stops.
const STOP_LIMIT: Duration = Duration::from_secs(10);

/// Pause after a failed accept. Out of descriptors it fails at once, again and again.
const ACCEPT_PAUSE: Duration = Duration::from_millis(100);

/// How long a port that is closed by a reload waits for connections that had begun: a round trip.
const LAST_CALL: Duration = Duration::from_millis(250);

/// Whether an address may connect; no networks are all of them.
pub fn may_connect(allowed: &[IpNet], address: IpAddr) -> bool {
    allowed.is_empty() || allowed.iter().any(|network| network.contains(&address))
}

/// One port and the connections that are served there.
pub(super) struct Port {
    listener: TcpListener,
    serving: JoinSet<()>,
    failing: bool,
    tells: Tells,
}

/// Who is told what goes wrong.
#[derive(Clone, Copy)]
pub(super) struct Tells {
    /// A connection panicked.
    pub(super) panicked: fn(),
    /// The system gives no connection; told once as long as it lasts.
    pub(super) accept_failed: fn(&io::Error),
}

impl Port {
    pub(super) fn new(listener: TcpListener, tells: Tells) -> Self {
        Port {
            listener,
            serving: JoinSet::new(),
            failing: false,
            tells,
        }
    }

    /// The next connection and its peer; `None` once the port is to be closed.
    pub(super) async fn next(&mut self, end: &End) -> Option<(TcpStream, IpAddr)> {
        loop {
            let accepted = tokio::select! {
                () = end.port_closes() => return None,
                Some(ended) = self.serving.join_next() => {
                    note_panic(ended, self.tells.panicked);
                    continue;
                }
                accepted = self.listener.accept() => accepted,
            };
            match accepted {
                Ok(accepted) => {
                    self.failing = false;
                    return Some(of(accepted));
                }
                Err(error) => self.failed(&error).await,
            }
        }
    }

    async fn failed(&mut self, error: &io::Error) {
        // Once, not ten times a second for as long as it lasts.
        if !std::mem::replace(&mut self.failing, true) {
            (self.tells.accept_failed)(error);
        }
        sleep(ACCEPT_PAUSE).await;
    }

    /// Serves a connection beside the others.
    pub(super) fn serve(&mut self, served: impl Future<Output = ()> + Send + 'static) {
        self.serving.spawn(served);
    }

    /// From now on the port begins nothing new. A peer counts as connected before anybody accepts, so a
    /// socket that is simply closed resets peers that had begun.
    pub(super) fn last_call(&self) -> LastCall {
        begin_nothing(&self.listener);
        LastCall(Instant::now() + LAST_CALL)
    }

    /// The next connection that had begun before the last call; `None` once there is no other.
    pub(super) async fn next_begun(&mut self, last: &LastCall) -> Option<(TcpStream, IpAddr)> {
        loop {
            tokio::select! {
                // Whoever is there comes first.
                biased;
                accepted = self.listener.accept() => match accepted {
                    Ok(accepted) => return Some(of(accepted)),
                    // One that is gone again, most likely; the end comes all the same.
                    Err(error) => self.failed(&error).await,
                },
                () = sleep_until(last.0) => return None,
            }
        }
    }

    /// Takes nothing new; what is served goes on.
    pub(super) fn close(self) -> Serving {
        Serving {
            serving: self.serving,
            panicked: self.tells.panicked,
        }
    }
}

/// When a port that is to be closed stops looking for connections that had begun.
pub(super) struct LastCall(Instant);

/// Has the system drop what would begin a connection (SYN without ACK, RFC 9293 3.1), so that between
/// the last accept and the end of the socket nobody can be connected and then reset. Their next attempt,
/// a second later, finds the port closed.
#[cfg(target_os = "linux")]
fn begin_nothing(listener: &TcpListener) {
    use socket2::{SockFilter, SockRef};
    // A classic BPF program over the TCP header: load byte 13, the flags; keep SYN and ACK; if that is
    // SYN alone take nothing of the segment, else all of it.
    let program = [
        SockFilter::new(0x30, 0, 0, 13),
        SockFilter::new(0x54, 0, 0, 0x12),
        SockFilter::new(0x15, 0, 1, 0x02),
        SockFilter::new(0x06, 0, 0, 0),
        SockFilter::new(0x06, 0, 0, u32::MAX),
    ];
    if let Err(error) = SockRef::from(listener).attach_filter(&program) {
        // A moment of some microseconds is left in which a peer can be reset.
        tracing::debug!(code = "listen-filter", %error);
    }
}

#[cfg(not(target_os = "linux"))]
fn begin_nothing(_: &TcpListener) {}

/// Connections of a port that is closed.
pub(super) struct Serving {
    serving: JoinSet<()>,
    panicked: fn(),
}

impl Serving {
    /// Waits for them: as long as they take, or ten seconds once the program stops. Returns how many
    /// were cut off.
    pub(super) async fn finish(mut self, end: &End) -> usize {
        let late = async {
            end.program_stops().await;
            sleep(STOP_LIMIT).await;
        };
        let mut late = std::pin::pin!(late);
        loop {
            tokio::select! {
                ended = self.serving.join_next() => match ended {
                    Some(ended) => note_panic(ended, self.panicked),
                    None => return 0,
                },
                () = &mut late => break,
            }
        }
        let cut = self.serving.len();
        self.serving.shutdown().await;
        cut
    }
}

/// Over IPv6 an IPv4 peer comes in other clothes.
fn of((stream, peer): (TcpStream, SocketAddr)) -> (TcpStream, IpAddr) {
    (stream, peer.ip().to_canonical())
}

/// Has a panic told; any other end is none of the log's business.
pub(super) fn note_panic(ended: Result<(), JoinError>, panicked: fn()) {
    if ended.is_err_and(|error| error.is_panic()) {
        panicked();
    }
}
