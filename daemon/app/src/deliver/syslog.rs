//! The audit trail on its way to a syslog server, over TLS (RFC 5425).
//!
//! The file of the trail is the queue, and `meta` of the store says how far it was sent. Syslog has no
//! acknowledgement, so a batch counts as taken when the server, after our end of the connection, ended
//! it in order from its side: by then it has read everything. Whatever else happens, the batch is sent
//! again, the same bytes.

mod file;

use crate::observe::Observed;
use crate::observe::audit::syslog::framed;
use crate::routes::retry::Retry;
use file::{Batch, Cursor, Queue};
use sheathline_net::connect::node::TlsFiles;
use sheathline_net::connect::{Code, Failure, Word};
use sheathline_net::connect::{Goal, connect};
use sheathline_store::{Store, StoreError, meta};
use std::io::{self, Write};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

/// Name in `meta` of the place up to which the trail was sent.
const SENT: &str = "audit_sent";

/// Between two looks at the file.
const LOOK: Duration = Duration::from_secs(1);

/// How long the last messages may take when the program ends; what is left is sent by the next start.
const LAST: Duration = Duration::from_secs(3);

/// Between two looks whether the thread has ended.
const STEP: Duration = Duration::from_millis(20);

/// A server that is down is asked at first after a second, then ever more seldom, without end.
const RETRY: Retry = Retry {
    first: Duration::from_secs(1),
    longest: Duration::from_secs(60),
    give_up: None,
};

/// The server.
#[derive(Debug, Clone)]
pub struct Server {
    /// Host name or address.
    pub host: String,
    /// TCP port.
    pub port: u16,
    /// Read for each connection.
    pub tls: TlsFiles,
    /// Longest wait for one step.
    pub timeout: Duration,
}

/// A thread that sends.
#[derive(Debug)]
pub struct Forwarder {
    stop: Sender<()>,
    thread: JoinHandle<()>,
}

impl Forwarder {
    /// Sends what is written to the trail from now on, or from where it was left.
    ///
    /// # Errors
    /// The store fails, the file cannot be read, or the system gives no thread.
    pub fn start(
        server: Server,
        trail: &Path,
        store: &Store,
        observed: &Observed,
    ) -> Result<Self, StartError> {
        let cursor = match store.read(|conn| meta::get(conn, SENT))? {
            Some(text) => text.parse().unwrap_or_default(),
            None => {
                let end = Cursor::end_of(trail)?;
                note(store, end)?;
                end
            }
        };
        let sending = Sending {
            name: format!("{}:{}", server.host, server.port),
            us: rustix::system::uname().nodename().to_string_lossy().into(),
            queue: Queue::new(trail.to_owned(), cursor),
            server,
            store: store.clone(),
            observed: observed.clone(),
            failures: 0,
        };
        let (stop, stopped) = channel();
        let thread = std::thread::Builder::new()
            .name("audit to syslog".into())
            .spawn(move || run(sending, &stopped))?;
        Ok(Forwarder { stop, thread })
    }

    /// Sends what is there, as far as there is time, and ends.
    pub fn finish(self) {
        let told = Instant::now();
        drop(self.stop);
        while !self.thread.is_finished() && told.elapsed() < LAST {
            std::thread::sleep(STEP);
        }
    }
}

/// The audit trail cannot be sent.
#[derive(Debug, thiserror::Error)]
pub enum StartError {
    /// The trail cannot be read, or the system gives no thread.
    #[error("the audit trail cannot be sent: {0}; [observe.syslog] names the server")]
    System(#[from] io::Error),
    /// The store cannot be read or written.
    #[error(transparent)]
    Store(#[from] StoreError),
}

fn note(store: &Store, cursor: Cursor) -> Result<(), StoreError> {
    store.write(move |tx| meta::set(tx, SENT, &cursor.to_string()))
}

struct Sending {
    /// For log and metrics.
    name: String,
    /// HOSTNAME of the messages.
    us: String,
    server: Server,
    queue: Queue,
    store: Store,
    observed: Observed,
    failures: u32,
}

/// Until the sender of `stop` is gone; then once more.
fn run(mut sending: Sending, stop: &Receiver<()>) {
    crate::nice::give_way();
    loop {
        // What waits must not be lost by one line of it.
        let wait = catch_unwind(AssertUnwindSafe(|| sending.step())).unwrap_or_else(|_| {
            tracing::error!(
                code = "audit-syslog-panicked",
                "will be tried again; please report it"
            );
            RETRY.longest
        });
        match stop.recv_timeout(wait) {
            Err(RecvTimeoutError::Timeout) => {}
            Ok(()) | Err(RecvTimeoutError::Disconnected) => break,
        }
    }
    if sending.failures == 0 {
        while sending.step().is_zero() {}
    }
}

impl Sending {
    /// Sends one batch, if there is one. Returns how long nothing is to be done.
    fn step(&mut self) -> Duration {
        let wait = match self.queue.next() {
            Ok(batch) if batch.lines.is_empty() && batch.end == self.queue.cursor() => LOOK,
            Ok(batch) => self.bring(&batch),
            Err(error) => self.is_down(Word::FileUnreadable.into(), &error.to_string()),
        };
        let waiting = self.queue.waiting();
        let metrics = &self.observed.metrics;
        metrics.audit_waits(&self.name, self.failures == 0, waiting);
        wait
    }

    fn bring(&mut self, batch: &Batch) -> Duration {
        let lines = batch.lines.iter();
        let frames: Vec<Vec<u8>> = lines.filter_map(|line| framed(&self.us, line)).collect();
        if !frames.is_empty() {
            if let Err(failure) = self.send(&frames.concat()) {
                return self.is_down(failure.code, &failure.words);
            }
            self.observed.metrics.audit_sent(&self.name, frames.len());
            if std::mem::take(&mut self.failures) > 0 {
                tracing::info!(code = "audit-syslog-up", server = self.name);
            }
        }
        self.queue.move_to(batch.end);
        if let Err(error) = note(&self.store, batch.end) {
            // The next note makes up for it; a start before that sends some again.
            tracing::error!(code = "audit-syslog-not-noted", %error);
        }
        Duration::ZERO
    }

    fn send(&self, bytes: &[u8]) -> Result<(), Failure> {
        let mut stream = connect(&Goal {
            host: &self.server.host,
            port: self.server.port,
            tls: Some(&self.server.tls),
            timeout: self.server.timeout,
        })?;
        stream.step();
        let sent = stream.write_all(bytes).and_then(|()| stream.flush());
        sent.map_err(|error| stream.failure(sheathline_net::connect::Stage::Answer, &error))?;
        stream.finish()
    }

    fn is_down(&mut self, failure: Code, words: &str) -> Duration {
        self.failures = self.failures.saturating_add(1);
        if self.failures == 1 {
            tracing::warn!(
                code = "audit-syslog-down",
                server = self.name,
                failure = failure.to_string(),
                "{words}; audit messages wait; this line comes once"
            );
        }
        // One sender needs no dice.
        RETRY.wait(self.failures, 0.5, None)
    }
}
