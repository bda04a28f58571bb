//! From a name to an open connection: looking up, connecting, TLS, each told apart when it fails.

pub mod code;
pub mod ends;
pub mod failure;
pub mod node;
pub mod tls;

pub use code::{Code, Word};
pub use failure::{Failure, Stage};

use node::{DicomNode, TlsFiles};
use rustix::net::sockopt::set_tcp_quickack;
use std::io::{self, ErrorKind, Read, Write};
use std::net::{IpAddr, Shutdown, SocketAddr, TcpStream, ToSocketAddrs};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc;
use std::thread;
use std::time::{Duration, Instant};
use tls::CERTIFICATE_WANTED;
use tokio_rustls::rustls::pki_types::ServerName;
use tokio_rustls::rustls::{ClientConnection, Error as RustlsError, StreamOwned};

/// How long a reset that follows an end may be on its way.
const RESET: Duration = Duration::from_millis(100);

/// Reads the files for TLS, if there is to be any, as every connection does.
///
/// # Errors
/// One of them is missing, is something else, or does not fit the others.
pub fn check_tls(files: Option<&TlsFiles>) -> Result<(), Failure> {
    files.map(tls::client).transpose()?;
    Ok(())
}

/// Where to connect.
#[derive(Debug, Clone, Copy)]
pub struct Goal<'a> {
    /// Host name or address; an IPv6 address with or without brackets.
    pub host: &'a str,
    /// TCP port.
    pub port: u16,
    /// Without it the connection is not encrypted.
    pub tls: Option<&'a TlsFiles>,
    /// Longest wait for one step.
    pub timeout: Duration,
}

impl<'a> Goal<'a> {
    /// Where an application entity is.
    #[must_use]
    pub fn of(node: &'a DicomNode, timeout: Duration) -> Self {
        Goal {
            host: &node.host,
            port: node.port,
            tls: node.tls.as_ref(),
            timeout,
        }
    }
}

/// An open connection that blocks, plain or over TLS.
///
/// Everything between two calls of [`Stream::step`] together takes at most the goal's timeout; a
/// peer cannot stretch it by sending byte after byte.
pub struct Stream {
    line: Line,
    timeout: Duration,
    /// Whether the peer asked for a certificate that we have not.
    asked: Arc<AtomicBool>,
}

enum Line {
    Plain(Socket),
    Tls(Box<StreamOwned<ClientConnection, Socket>>),
}

/// A socket with a moment at which waiting ends.
struct Socket {
    tcp: TcpStream,
    deadline: Instant,
}

/// Goes the whole way to an open connection.
///
/// # Errors
/// The first stage that fails: files, name, connection, TLS. None of them lasts, since each can be
/// put right without touching the result.
pub fn connect(goal: &Goal<'_>) -> Result<Stream, Failure> {
    let client = goal.tls.map(tls::client).transpose()?;
    let host = goal.host.trim_start_matches('[').trim_end_matches(']');
    let addresses = look_up(host, goal.port, goal.timeout)?;
    let tcp = open(&addresses, goal.timeout)?;
    let mut socket = Socket {
        tcp,
        deadline: Instant::now() + goal.timeout,
    };
    let Some(client) = client else {
        return Ok(Stream {
            line: Line::Plain(socket),
            timeout: goal.timeout,
            asked: Arc::default(),
        });
    };
    let name = ServerName::try_from(host.to_owned()).map_err(|_| {
        let words = format!("{host:?} is no name that a certificate can be for");
        Failure::new(Stage::Tls, Word::TlsName, words)
    })?;
    let refused = |error: &RustlsError| shaken(error, client.asked.load(Ordering::Relaxed));
    let mut session =
        ClientConnection::new(client.config, name).map_err(|error| refused(&error))?;
    while session.is_handshaking() {
        if let Err(error) = session.complete_io(&mut socket) {
            let error = last_words(&mut session, &mut socket, error);
            return Err(match inner(&error) {
                Some(error) => refused(error),
                None if client.asked.load(Ordering::Relaxed) && closed(error.kind()) => wanted(),
                None => handshake(&error),
            });
        }
    }
    Ok(Stream {
        line: Line::Tls(Box::new(StreamOwned::new(session, socket))),
        timeout: goal.timeout,
        asked: client.asked,
    })
}

impl Stream {
    /// Begins a step: waiting ends when the timeout is over from now.
    pub fn step(&mut self) {
        let deadline = Instant::now() + self.timeout;
        match &mut self.line {
            Line::Plain(socket) => socket.deadline = deadline,
            Line::Tls(session) => session.sock.deadline = deadline,
        }
    }

    /// The stages that are behind an open connection, for an echo.
    #[must_use]
    pub fn stages(&self) -> Vec<Stage> {
        match self.line {
            Line::Plain(_) => vec![Stage::Name, Stage::Connect],
            Line::Tls(_) => vec![Stage::Files, Stage::Name, Stage::Connect, Stage::Tls],
        }
    }

    /// What an error of reading or writing at `stage` means. Codes are the stage and `timeout`,
    /// `closed` or `failed`: `answer-timeout`.
    #[must_use]
    pub fn failure(&self, stage: Stage, error: &io::Error) -> Failure {
        // In TLS 1.3 the receiver judges our certificate after our handshake has ended.
        let asked = self.asked.load(Ordering::Relaxed);
        if let Some(error) = inner(error) {
            return shaken(error, asked);
        }
        let (timeout, cut, broken) = match stage {
            Stage::Association => (
                Word::AssociationTimeout,
                Word::AssociationClosed,
                Word::AssociationFailed,
            ),
            _ => (Word::AnswerTimeout, Word::AnswerClosed, Word::AnswerFailed),
        };
        match error.kind() {
            ErrorKind::TimedOut => Failure::new(
                stage,
                timeout,
                format!("nothing complete came within {:?}", self.timeout),
            ),
            kind if closed(kind) && asked => wanted(),
            kind if closed(kind) => {
                Failure::new(stage, cut, "the receiver closed the connection".to_owned())
            }
            _ => Failure::new(stage, broken, error.to_string()),
        }
    }

    /// Says goodbye and waits for the peer's end. Where that comes in order, the peer has read all that
    /// it was sent: whoever closes with something unread, or is gone, answers with a reset.
    ///
    /// # Errors
    /// The end did not come, or not in order.
    pub fn finish(mut self) -> Result<(), Failure> {
        self.step();
        let ended = self.end();
        ended.map_err(|error| self.failure(Stage::Answer, &error))
    }

    fn end(&mut self) -> io::Result<()> {
        if let Line::Tls(session) = &mut self.line {
            session.conn.send_close_notify();
        }
        self.flush()?;
        self.socket().tcp.shutdown(Shutdown::Write)?;
        let mut unasked = [0; 256];
        loop {
            match self.read(&mut unasked) {
                Ok(0) => break,
                Ok(_) => {}
                // The end of the connection without the one of TLS.
                Err(error) if error.kind() == ErrorKind::UnexpectedEof => break,
                Err(error) => return Err(error),
            }
        }
        // The peer may have ended before our last bytes came; its reset is then on the way.
        thread::sleep(RESET);
        match self.socket().tcp.take_error()? {
            None => Ok(()),
            Some(error) => Err(error),
        }
    }

    fn socket(&self) -> &Socket {
        match &self.line {
            Line::Plain(socket) => socket,
            Line::Tls(session) => &session.sock,
        }
    }

    /// Says goodbye, so that the peer does not take the end for a cut.
    pub fn close(mut self) {
        if let Line::Tls(session) = &mut self.line {
            session.conn.send_close_notify();
        }
        let _ = self.flush();
        let _ = self.socket().tcp.shutdown(Shutdown::Write);
    }
}

impl Read for Stream {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        match &mut self.line {
            Line::Plain(socket) => socket.read(into),
            Line::Tls(session) => session.read(into),
        }
    }
}

impl Write for Stream {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        match &mut self.line {
            Line::Plain(socket) => socket.write(bytes),
            Line::Tls(session) => {
                let written = session.write(bytes);
                written.map_err(|error| last_words(&mut session.conn, &mut session.sock, error))
            }
        }
    }

    fn flush(&mut self) -> io::Result<()> {
        match &mut self.line {
            Line::Plain(socket) => socket.flush(),
            Line::Tls(session) => {
                let flushed = session.flush();
                flushed.map_err(|error| last_words(&mut session.conn, &mut session.sock, error))
            }
        }
    }
}

impl std::fmt::Debug for Stream {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Stream")
    }
}

/// A peer that closes while we write may have said why before.
fn last_words(session: &mut ClientConnection, socket: &mut Socket, error: io::Error) -> io::Error {
    if closed(error.kind())
        && session.read_tls(socket).is_ok()
        && let Err(said) = session.process_new_packets()
    {
        return io::Error::new(ErrorKind::InvalidData, said);
    }
    error
}

impl Socket {
    fn left(&self) -> io::Result<Option<Duration>> {
        let left = self.deadline.saturating_duration_since(Instant::now());
        if left.is_zero() {
            Err(ErrorKind::TimedOut.into())
        } else {
            Ok(Some(left))
        }
    }
}

/// A socket whose timeout runs out says that it would block.
fn timed_out(error: io::Error) -> io::Error {
    match error.kind() {
        ErrorKind::WouldBlock => ErrorKind::TimedOut.into(),
        _ => error,
    }
}

impl Read for Socket {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        self.tcp.set_read_timeout(self.left()?)?;
        // A peer that sends an answer in two pieces waits for our word on the first, and the system
        // would hold that back by 40 ms. It forgets what it was told, and without it is only slower.
        let _ = set_tcp_quickack(&self.tcp, true);
        self.tcp.read(into).map_err(timed_out)
    }
}

impl Write for Socket {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.tcp.set_write_timeout(self.left()?)?;
        self.tcp.write(bytes).map_err(timed_out)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.tcp.flush()
    }
}

/// The addresses of a name. The system's own lookup knows no timeout, so it is waited for from
/// outside.
fn look_up(host: &str, port: u16, timeout: Duration) -> Result<Vec<SocketAddr>, Failure> {
    if let Ok(address) = host.parse::<IpAddr>() {
        return Ok(vec![SocketAddr::new(address, port)]);
    }
    let (found, waiting) = mpsc::sync_channel(1);
    let name = host.to_owned();
    thread::spawn(move || {
        let addresses = (name, port).to_socket_addrs();
        let _ = found.send(addresses.map(Vec::from_iter));
    });
    let unknown = |why: String| {
        let words = format!("the name {host:?} leads to no address: {why}");
        Failure::new(Stage::Name, Word::NameUnknown, words)
    };
    match waiting.recv_timeout(timeout) {
        Ok(Ok(addresses)) if addresses.is_empty() => Err(unknown("none is known".to_owned())),
        Ok(Ok(addresses)) => Ok(addresses),
        Ok(Err(error)) => Err(unknown(error.to_string())),
        Err(_) => {
            let words = format!("no answer about the name {host:?} within {timeout:?}");
            Err(Failure::new(Stage::Name, Word::NameTimeout, words))
        }
    }
}

/// A connection to the first address that takes one. Each gets its share of the time.
fn open(addresses: &[SocketAddr], timeout: Duration) -> Result<TcpStream, Failure> {
    let deadline = Instant::now() + timeout;
    let mut failures = Vec::new();
    for (tried, address) in (0_u32..).zip(addresses) {
        let others = u32::try_from(addresses.len())
            .unwrap_or(u32::MAX)
            .saturating_sub(tried)
            .max(1);
        let share = deadline.saturating_duration_since(Instant::now()) / others;
        // Zero is no wait that a socket knows.
        let opened = TcpStream::connect_timeout(address, share.max(Duration::from_millis(1)));
        match opened {
            Ok(tcp) => {
                // An answer is waited for after each message, so nothing is gained by collecting.
                let _ = tcp.set_nodelay(true);
                return Ok(tcp);
            }
            Err(error) => failures.push((address, error)),
        }
    }
    let code = match failures.last().map(|(_, error)| error.kind()) {
        Some(ErrorKind::ConnectionRefused) => Word::ConnectRefused,
        Some(ErrorKind::TimedOut | ErrorKind::WouldBlock) => Word::ConnectTimeout,
        Some(ErrorKind::HostUnreachable | ErrorKind::NetworkUnreachable) => {
            Word::ConnectUnreachable
        }
        _ => Word::ConnectFailed,
    };
    let words: Vec<String> = failures
        .iter()
        .map(|(address, error)| format!("{address}: {error}"))
        .collect();
    Err(Failure::new(Stage::Connect, code, words.join("; ")))
}

fn wanted() -> Failure {
    let (code, words) = CERTIFICATE_WANTED;
    Failure::new(Stage::Tls, code, words.to_owned())
}

fn shaken(error: &RustlsError, asked: bool) -> Failure {
    let (code, advice) = tls::refusal(error, asked);
    // Names out of a certificate may be in the words.
    let words = error.to_string().escape_default().to_string();
    let words = match advice {
        "" => words,
        advice => format!("{advice} ({words})"),
    };
    Failure::new(Stage::Tls, code, words)
}

fn handshake(error: &io::Error) -> Failure {
    let (code, words) = match error.kind() {
        ErrorKind::TimedOut => (
            Word::TlsTimeout,
            "the handshake did not end in time".to_owned(),
        ),
        kind if closed(kind) => (
            Word::TlsClosed,
            "the receiver closed the connection in the handshake; does it speak TLS on this port?"
                .to_owned(),
        ),
        _ => (Word::TlsFailed, error.to_string()),
    };
    Failure::new(Stage::Tls, code, words)
}

fn inner(error: &io::Error) -> Option<&RustlsError> {
    error.get_ref()?.downcast_ref()
}

fn closed(kind: ErrorKind) -> bool {
    matches!(
        kind,
        ErrorKind::UnexpectedEof
            | ErrorKind::ConnectionReset
            | ErrorKind::ConnectionAborted
            | ErrorKind::BrokenPipe
            | ErrorKind::WriteZero
    )
}

#[cfg(test)]
mod tests;
