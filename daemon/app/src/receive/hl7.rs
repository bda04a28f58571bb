//! Merges of patient ids from other systems: HL7 v2 over MLLP.
//!
//! A message is answered with `AA` once what it states is on stable storage. The same message again
//! states the same and is answered in the same way. Original acknowledgement mode; one message after
//! the other on a connection.

mod adt;
mod answer;
#[cfg(any(test, fuzzing))]
pub mod rehearse;

use crate::config::Hl7Settings;
use crate::observe::refused::{Reason, Refused, TurnedAway};
use crate::observe::{self, Observed};
use adt::Arrival;
use answer::Problem;
use chrono::{DateTime, Local, NaiveDateTime, Utc};
use ipnet::IpNet;
use sheathline_net::dicom::refusal::Refusal;
use sheathline_net::hl7::Message;
use sheathline_net::mllp::{Blocks, framed};
use sheathline_net::serve::{End, Happened, Now, Peer, Ports, Service};
use sheathline_store::identity::{self, Recorded};
use sheathline_store::{Store, StoreError};
use std::net::IpAddr;
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};
use tokio::sync::Notify;
use tokio::time::{Instant, timeout, timeout_at};

const CUT: Reason = Reason::of_content("hl7-cut", "the connection ended inside a message");
const NOT_ALLOWED: Reason = Reason::new("hl7-address", "this address may not connect");
const FULL: Reason = Reason::new("hl7-connections", "too many connections; closed");
const DISPLACED: Reason = Reason::of_content("hl7-displaced", "closed to make room for another");
const SLOW: Reason = Reason::of_content("hl7-slow", "a message or its answer took too long");
const MALFORMED: Reason = Reason::of_content("hl7-malformed", "this is no message; closed");
const NOT_TAKEN: Reason = Reason::of_content("hl7-refused", "a message is not taken");

const TURNED_AWAY: TurnedAway = TurnedAway {
    address: NOT_ALLOWED,
    connections: FULL,
    displaced: DISPLACED,
};

/// What holds for messages to come.
#[derive(Debug, Clone)]
pub struct Hl7 {
    settings: Hl7Settings,
    store: Store,
    observed: Observed,
}

impl Hl7 {
    /// Nothing comes before settings are put in force.
    #[must_use]
    pub fn new(store: Store, observed: Observed) -> Self {
        Hl7 {
            settings: Hl7Settings::default(),
            store,
            observed,
        }
    }
}

impl Service for Hl7 {
    type Settings = Hl7Settings;

    fn ports(settings: &Hl7Settings) -> Ports<'_> {
        Ports {
            plain: &settings.listen,
            tls: Some(("receive.hl7.tls", &settings.tls)),
        }
    }

    fn put(&mut self, settings: Hl7Settings) {
        self.settings = settings;
    }

    fn addresses_allowed(&self) -> &[IpNet] {
        &self.settings.addresses_allowed
    }

    fn balancers(&self) -> &[IpNet] {
        &self.settings.proxy_from
    }

    fn max_connections(&self) -> usize {
        self.settings.max_connections
    }

    fn request_limit(&self) -> Duration {
        Duration::from_secs(self.settings.message_timeout_s)
    }

    fn write_limit(&self) -> Duration {
        Duration::from_secs(self.settings.write_timeout_s)
    }

    /// Takes messages until the peer ends, is too slow, sends something else, or the program stops.
    /// Where its port is closed a connection ends between two messages, but not before the first: who has
    /// just connected is answered.
    async fn serve(
        mut stream: impl AsyncRead + AsyncWrite + Unpin + Send + 'static,
        peer: Peer,
        mut now: Now<Self>,
        end: End,
    ) {
        let Peer {
            address: peer,
            pulse,
            ..
        } = peer;
        let seconds = Duration::from_secs;
        let mut shared = now.newest();
        let is_answered = Notify::new();
        // The one rule that stays as it was when the connection came.
        let mut blocks = Blocks::new(shared.settings.max_message_bytes);
        let mut buffer = vec![0; 8192];
        // Until the next message begins, or the one that has begun ends.
        let mut deadline = Instant::now() + seconds(shared.settings.idle_timeout_s);
        loop {
            let is_inside = blocks.is_inside();
            let read = tokio::select! {
                biased;
                () = end.after(&is_answered), if !is_inside => return,
                Ok(()) = now.changed(), if !is_inside => {
                    shared = now.newest();
                    if !shared.allows(peer) {
                        let refused = Refused::at(NOT_ALLOWED, peer);
                        return shared.observed.refused(&refused);
                    }
                    continue;
                }
                read = timeout_at(deadline, stream.read(&mut buffer)) => read,
            };
            let mut bytes = match read {
                Ok(Ok(0)) if is_inside => {
                    return shared.observed.refused(&Refused::at(CUT, peer));
                }
                Ok(Ok(0) | Err(_)) => return,
                Ok(Ok(read)) => buffer.get(..read).unwrap_or_default(),
                Err(_) if is_inside => {
                    return shared.observed.refused(&Refused::at(SLOW, peer));
                }
                Err(_) => return,
            };
            let mut is_same = is_inside;
            while !bytes.is_empty() {
                let answer = match blocks.take(&mut bytes) {
                    Ok(None) => break,
                    Ok(Some(message)) => {
                        is_same = false;
                        let _busy = pulse.busy();
                        taken(&message, peer, &shared).await
                    }
                    Err(error) => {
                        return shared.observed.refused(&Refused {
                            detail: &error.to_string(),
                            ..Refused::at(MALFORMED, peer)
                        });
                    }
                };
                let Some(answer) = answer else {
                    return shared.observed.refused(&Refused {
                        detail: "a block without a message header",
                        ..Refused::at(MALFORMED, peer)
                    });
                };
                let sent = async {
                    stream.write_all(&framed(answer.as_bytes())).await?;
                    stream.flush().await
                };
                match timeout(seconds(shared.settings.write_timeout_s), sent).await {
                    Ok(Ok(())) => is_answered.notify_one(),
                    Ok(Err(_)) => return,
                    Err(_) => {
                        return shared.observed.refused(&Refused {
                            detail: "an answer was not read",
                            ..Refused::at(SLOW, peer)
                        });
                    }
                }
            }
            let settings = &shared.settings;
            match (is_same, blocks.is_inside()) {
                (true, true) => {}
                (false, true) => deadline = Instant::now() + seconds(settings.message_timeout_s),
                (_, false) => deadline = Instant::now() + seconds(settings.idle_timeout_s),
            }
        }
    }

    fn refused(&self, peer: IpAddr, why: Refusal, detail: &str) {
        self.observed.turned_away(&TURNED_AWAY, peer, why, detail);
    }

    fn tell(&self, event: Happened<'_>) {
        match event {
            Happened::Listening(address, tls) => {
                tracing::info!(code = "hl7-listening", address, tls);
            }
            Happened::Ended(address, cut) => {
                tracing::info!(code = "hl7-listening-ended", address, cut);
            }
        }
    }

    fn panicked() {
        tracing::error!(code = "hl7-panicked", "internal error; please report it");
    }
}

/// Keeps what a message states. Returns the acknowledgement; `None` if there is nothing to
/// acknowledge.
async fn taken(bytes: &[u8], peer: IpAddr, shared: &Hl7) -> Option<String> {
    let message = Message::of(bytes).ok()?;
    let now = Utc::now();
    let refused = match keep(&message, peer, shared, now).await {
        Ok(()) => None,
        Err(refused) => {
            let (error, _) = refused.problem.code();
            let answer::Refused { place, says, .. } = &refused;
            shared.observed.refused(&Refused {
                answer: refused.code,
                detail: &format!("{error} {place}: {says}"),
                apart: true,
                ..Refused::at(NOT_TAKEN, peer)
            });
            Some(refused)
        }
    };
    Some(answer::ack(&message, refused.as_ref(), now))
}

async fn keep(
    message: &Message<'_>,
    peer: IpAddr,
    shared: &Hl7,
    now: DateTime<Utc>,
) -> Result<(), answer::Refused> {
    let control = message.header().field(10);
    let place = "MSH^1^10";
    if control.is_empty() {
        let says = "the message has no control id";
        return Err(answer::Refused::error(Problem::FieldMissing, place, says));
    }
    let control = control
        .text()
        .map_err(|error| answer::Refused::error(Problem::DataType, place, error.to_string()))?;
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
    let count = all.len();
    let kept = shared.store.write_async(move |tx| {
        let mut repeats = Vec::new();
        for one in &all {
            if !identity::state(tx, one, now)? {
                repeats.push(observe::identity(one));
            }
        }
        Ok::<_, StoreError>(repeats)
    });
    let repeats = kept.await.map_err(|error| {
        tracing::error!(code = "hl7-not-kept", %peer, %error);
        let says = "it could not be stored; send it again later";
        answer::Refused::reject(Problem::Internal, "", says)
    })?;
    let new = count - repeats.len();
    // What is new the pipeline tells, out of the store.
    for event in repeats {
        shared.observed.note(|| event);
    }
    tracing::info!(code = "hl7-taken", %peer, statements = count, new);
    Ok(())
}

/// A time that names no zone is one of this machine's zone; of an hour that comes twice the first.
fn local(at: NaiveDateTime) -> Option<DateTime<Utc>> {
    let at = at.and_local_timezone(Local).earliest()?;
    Some(at.with_timezone(&Utc))
}
