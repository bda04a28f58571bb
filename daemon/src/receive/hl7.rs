//! Merges of patient ids from other systems: HL7 v2 over MLLP.
//!
//! A message is answered with `AA` once what it states is on stable storage. The same message again
//! states the same and is answered in the same way. Original acknowledgement mode; one message after
//! the other on a connection.

mod adt;
mod answer;

use super::ReceiveError;
use super::accept::{Port, note_panic};
use super::tls::{Tls, TlsRefusal};
use crate::config::Hl7Settings;
use crate::hl7::Message;
use crate::mllp::{Blocks, framed};
use crate::observe::Observed;
use crate::store::identities::{self, Recorded};
use crate::store::{Store, StoreError};
use adt::Arrival;
use answer::{Problem, Refused};
use chrono::{DateTime, Local, NaiveDateTime, Utc};
use std::net::{IpAddr, SocketAddr};
use std::sync::Arc;
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{Semaphore, watch};
use tokio::task::JoinSet;
use tokio::time::{Instant, timeout, timeout_at};

/// Table of our TLS settings.
const TLS_TABLE: &str = "receive.hl7.tls";

/// The HL7 side of the daemon, listening but not yet accepting.
#[derive(Debug)]
pub struct Hl7Listener {
    doors: Vec<(TcpListener, Option<Arc<Tls>>)>,
    shared: Shared,
}

#[derive(Debug)]
struct Shared {
    settings: Hl7Settings,
    store: Store,
    observed: Observed,
    connections: Arc<Semaphore>,
}

impl Hl7Listener {
    /// Listens on the addresses of the settings, all or none; `None` if they name none.
    ///
    /// # Errors
    /// An address is taken or not ours, or TLS lacks one of its files.
    pub async fn bind(
        settings: Hl7Settings,
        store: Store,
        observed: Observed,
    ) -> Result<Option<Hl7Listener>, ReceiveError> {
        let mut doors = Vec::new();
        let open = async |address: SocketAddr| {
            let bound = TcpListener::bind(address).await;
            bound.map_err(|source| ReceiveError::Listen { address, source })
        };
        for address in &settings.listen {
            doors.push((open(*address).await?, None));
        }
        if !settings.tls.listen.is_empty() {
            let tls = Arc::new(Tls::new(TLS_TABLE, &settings.tls)?);
            for address in &settings.tls.listen {
                doors.push((open(*address).await?, Some(Arc::clone(&tls))));
            }
        }
        let connections = Arc::new(Semaphore::new(settings.max_connections.clamp(1, 10_000)));
        let shared = Shared {
            settings,
            store,
            observed,
            connections,
        };
        Ok((!doors.is_empty()).then_some(Hl7Listener { doors, shared }))
    }

    /// The addresses in use.
    pub fn addresses(&self) -> impl Iterator<Item = SocketAddr> + '_ {
        let doors = self.doors.iter();
        doors.filter_map(|(listener, _)| listener.local_addr().ok())
    }

    /// Accepts and serves until `stop` becomes true or its sender is gone.
    pub async fn run(self, stop: watch::Receiver<bool>) {
        for address in self.addresses() {
            tracing::info!(code = "hl7-listening", %address);
        }
        let shared = Arc::new(self.shared);
        let mut open: JoinSet<()> = JoinSet::new();
        for (listener, tls) in self.doors {
            open.spawn(accept(listener, tls, Arc::clone(&shared), stop.clone()));
        }
        while let Some(ended) = open.join_next().await {
            note_panic(ended, panicked);
        }
    }
}

async fn accept(
    listener: TcpListener,
    tls: Option<Arc<Tls>>,
    shared: Arc<Shared>,
    mut stop: watch::Receiver<bool>,
) {
    let mut port = Port::new(listener, panicked);
    while let Some((stream, peer)) = port.next(&mut stop).await {
        let allowed = &shared.settings.addresses_allowed;
        if !allowed.is_empty() && !allowed.iter().any(|network| network.contains(&peer)) {
            tracing::warn!(code = "hl7-address", %peer, "this address may not connect");
            continue;
        }
        let Ok(room) = Arc::clone(&shared.connections).try_acquire_owned() else {
            tracing::warn!(code = "hl7-connections", %peer, "too many connections; closed");
            continue;
        };
        let (tls, shared, mut stop) = (tls.clone(), Arc::clone(&shared), stop.clone());
        port.serving.spawn(async move {
            let _room = room;
            connection(stream, peer, tls, &shared, &mut stop).await;
        });
    }
    port.finish().await;
}

fn panicked() {
    tracing::error!(code = "hl7-panicked", "this is a defect of the program");
}

async fn connection(
    stream: TcpStream,
    peer: IpAddr,
    tls: Option<Arc<Tls>>,
    shared: &Shared,
    stop: &mut watch::Receiver<bool>,
) {
    // An answer is one small write; held back by Nagle's algorithm it would cost 40 ms.
    let _ = stream.set_nodelay(true);
    let Some(tls) = tls else {
        return serve(stream, peer, shared, stop).await;
    };
    let accepted = tokio::select! {
        biased;
        _ = stop.wait_for(|stop| *stop) => return,
        accepted = tls.accept(stream) => accepted,
    };
    match accepted {
        Ok((stream, _)) => serve(stream, peer, shared, stop).await,
        Err(TlsRefusal::Gone) => {}
        Err(TlsRefusal::Refused(refusal, detail, _)) => {
            let (code, why) = (refusal.code(), refusal.why());
            tracing::warn!(code, %peer, detail, "{why}");
        }
    }
}

/// Takes messages until the peer ends, is too slow, sends something else, or the program stops.
async fn serve(
    mut stream: impl AsyncRead + AsyncWrite + Unpin,
    peer: IpAddr,
    shared: &Shared,
    stop: &mut watch::Receiver<bool>,
) {
    let settings = &shared.settings;
    let seconds = Duration::from_secs;
    let mut blocks = Blocks::new(settings.max_message_bytes);
    let mut buffer = vec![0; 8192];
    // Until the next message begins, or the one that has begun ends.
    let mut deadline = Instant::now() + seconds(settings.idle_timeout_s);
    loop {
        let is_inside = blocks.is_inside();
        let read = tokio::select! {
            biased;
            _ = stop.wait_for(|stop| *stop), if !is_inside => return,
            read = timeout_at(deadline, stream.read(&mut buffer)) => read,
        };
        let mut bytes = match read {
            Ok(Ok(0)) if is_inside => {
                tracing::warn!(code = "hl7-cut", %peer, "the connection ended inside a message");
                return;
            }
            Ok(Ok(0) | Err(_)) => return,
            Ok(Ok(read)) => buffer.get(..read).unwrap_or_default(),
            Err(_) if is_inside => {
                tracing::warn!(code = "hl7-slow", %peer, "a message did not end in time");
                return;
            }
            Err(_) => return,
        };
        let mut is_same = is_inside;
        while !bytes.is_empty() {
            let answer = match blocks.take(&mut bytes) {
                Ok(None) => break,
                Ok(Some(message)) => {
                    is_same = false;
                    taken(&message, peer, shared).await
                }
                Err(error) => {
                    tracing::warn!(code = "hl7-malformed", %peer, %error, "closed");
                    return;
                }
            };
            let Some(answer) = answer else {
                tracing::warn!(code = "hl7-malformed", %peer, "a block without a message header; closed");
                return;
            };
            let sent = async {
                stream.write_all(&framed(answer.as_bytes())).await?;
                stream.flush().await
            };
            match timeout(seconds(settings.write_timeout_s), sent).await {
                Ok(Ok(())) => {}
                Ok(Err(_)) => return,
                Err(_) => {
                    tracing::warn!(code = "hl7-slow", %peer, "an answer was not read in time");
                    return;
                }
            }
        }
        match (is_same, blocks.is_inside()) {
            (true, true) => {}
            (false, true) => deadline = Instant::now() + seconds(settings.message_timeout_s),
            (_, false) => deadline = Instant::now() + seconds(settings.idle_timeout_s),
        }
    }
}

/// Keeps what a message states. Returns the acknowledgement; `None` if there is nothing to
/// acknowledge.
async fn taken(bytes: &[u8], peer: IpAddr, shared: &Shared) -> Option<String> {
    let message = Message::of(bytes).ok()?;
    let now = Utc::now();
    let refused = match keep(&message, peer, shared, now).await {
        Ok(()) => None,
        Err(refused) => {
            let (error, _) = refused.problem.code();
            let Refused { place, says, .. } = &refused;
            tracing::warn!(code = "hl7-refused", %peer, error, place, "{says}");
            Some(refused)
        }
    };
    Some(answer::ack(&message, refused.as_ref(), now))
}

async fn keep(
    message: &Message<'_>,
    peer: IpAddr,
    shared: &Shared,
    now: DateTime<Utc>,
) -> Result<(), Refused> {
    let control = message.header().field(10);
    let place = "MSH^1^10";
    if control.is_empty() {
        let says = "the message has no control id";
        return Err(Refused::error(Problem::FieldMissing, place, says));
    }
    let control = control
        .text()
        .map_err(|error| Refused::error(Problem::DataType, place, error.to_string()))?;
    let arrival = Arrival {
        source: &format!("hl7:{peer}"),
        now,
        local,
    };
    let all = adt::statements(message, &shared.settings, &arrival)?;
    let all: Vec<Recorded> = all
        .into_iter()
        .map(|statement| Recorded {
            statement,
            message: control.clone(),
            who: String::new(),
            why: String::new(),
        })
        .collect();
    let (events, count) = (
        all.iter().map(Recorded::event).collect::<Vec<_>>(),
        all.len(),
    );
    let kept = shared.store.write_async(move |tx| {
        let (mut new, mut unsettled) = (0, false);
        for one in &all {
            new += usize::from(identities::state(tx, one, now)?);
        }
        for one in &all {
            let person = identities::person(tx, &one.statement.pair.from)?;
            unsettled |= person.unsettled.is_some();
        }
        Ok::<_, StoreError>((new, unsettled))
    });
    let (new, unsettled) = kept.await.map_err(|error| {
        tracing::error!(code = "hl7-not-kept", %peer, %error);
        let says = "it could not be stored; send it again later";
        Refused::reject(Problem::Internal, "", says)
    })?;
    // A repeat is told again: the time before may have ended before it was told.
    for event in events {
        shared.observed.note(|| event);
    }
    tracing::info!(code = "hl7-taken", %peer, statements = count, new);
    if unsettled {
        tracing::warn!(
            code = "merges-unsettled",
            "merges of ids lead in a circle or to several ends; they are not applied"
        );
    }
    Ok(())
}

/// A time that names no zone is one of this machine's zone; of an hour that comes twice the first.
fn local(at: NaiveDateTime) -> Option<DateTime<Utc>> {
    let at = at.and_local_timezone(Local).earliest()?;
    Some(at.with_timezone(&Utc))
}
