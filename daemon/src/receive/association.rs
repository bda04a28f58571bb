//! One association from its request to its end.

use super::dimse::{Operation, Status};
use super::message::{Assembler, Fragment, Message};
use super::negotiate::{self, Answer, Context, PDU_BYTES_MAX};
use super::wire::{Wire, WireError};
use crate::config::DicomSettings;
use crate::store::objects::{self, Incoming, Kept};
use crate::store::{Store, StoreError};
use dicom_ul::pdu::{AbortRQServiceProviderReason, AbortRQSource, PDataValue, PDataValueType, Pdu};
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::net::IpAddr;
use std::sync::Arc;
use std::time::Duration;
use tokio::net::TcpStream;
use tokio::sync::{OwnedSemaphorePermit, Semaphore, watch};
use tokio::time::Instant;

/// An object from here on is compressed and hashed aside, so that it does not hold up the other
/// associations of the same thread: some milliseconds of work.
const LARGE_BYTES: usize = 256 << 10;

/// What all associations share.
#[derive(Debug)]
pub(super) struct Shared {
    pub(super) settings: DicomSettings,
    pub(super) store: Store,
    /// One permit per association.
    pub(super) associations: Arc<Semaphore>,
    /// One permit per KiB of data sets that are being received or stored.
    pub(super) memory: Arc<Semaphore>,
}

impl Shared {
    pub(super) fn new(settings: DicomSettings, store: Store) -> Self {
        let associations = settings.max_associations.clamp(1, 10_000);
        // Four of the largest objects at once, and never less than 256 MiB: thousands of reports.
        let memory = (settings.max_object_bytes.saturating_mul(4) >> 10).clamp(256 << 10, 1 << 28);
        Shared {
            associations: Arc::new(Semaphore::new(associations)),
            memory: Arc::new(Semaphore::new(usize::try_from(memory).unwrap_or(256 << 10))),
            settings,
            store,
        }
    }
}

/// Why an association ends.
#[derive(Debug)]
enum End {
    /// Released or aborted by the peer.
    Peer(&'static str),
    /// The connection is of no more use.
    Lost(WireError),
    /// We abort it, with what PS3.8 table 9-26 says and what the log says.
    Abort(AbortRQSource, String),
    /// We abort it since the program stops.
    Stop,
}

impl From<WireError> for End {
    fn from(error: WireError) -> Self {
        use AbortRQServiceProviderReason as Reason;
        let reason = match error {
            WireError::NotAPdu(_) => Reason::UnrecognizedPdu,
            WireError::TooLarge(_) | WireError::Malformed(_) => Reason::InvalidPduParameter,
            WireError::TimedOut(_) => Reason::ReasonNotSpecified,
            WireError::Closed | WireError::Failed(_) => return End::Lost(error),
        };
        End::Abort(AbortRQSource::ServiceProvider(reason), error.to_string())
    }
}

/// Serves one connection until it ends.
pub(super) async fn serve(
    stream: TcpStream,
    peer: IpAddr,
    shared: Arc<Shared>,
    mut stop: watch::Receiver<bool>,
) {
    let mut wire = Wire::new(stream, PDU_BYTES_MAX);
    let limit = Duration::from_secs(shared.settings.association_timeout_s);
    // The slots are for associations: a connection that asks for nothing takes none.
    let request = tokio::select! {
        biased;
        _ = stop.wait_for(|stop| *stop) => return,
        request = wire.receive(limit) => request,
    };
    let (request, _slot) = match request {
        Ok(Pdu::AssociationRQ(request)) => {
            match Arc::clone(&shared.associations).try_acquire_owned() {
                Ok(slot) => (request, slot),
                Err(_) => {
                    tracing::warn!(code = "association-limit", %peer, "told to try again later");
                    let _ = wire.send(&negotiate::busy(), limit).await;
                    return wire.close().await;
                }
            }
        }
        Ok(_) => {
            return end(
                wire,
                peer,
                "",
                unexpected("a PDU before the association"),
                limit,
            )
            .await;
        }
        // Load balancers connect and close to see whether we are there.
        Err(WireError::Closed) => {
            return tracing::debug!(code = "connection-closed", %peer, "asked for nothing");
        }
        Err(error) => return end(wire, peer, "", error.into(), limit).await,
    };
    let (pdu, contexts, calling, peer_pdu_max) = match negotiate::answer(request, &shared.settings)
    {
        Answer::Accept {
            pdu,
            contexts,
            calling,
            peer_pdu_max,
        } => (pdu, contexts, calling, peer_pdu_max),
        Answer::Refuse { pdu, why } => {
            tracing::warn!(code = "association-refused", %peer, why);
            let _ = wire.send(&pdu, limit).await;
            return wire.close().await;
        }
    };
    if let Err(error) = wire.send(&pdu, limit).await {
        return end(wire, peer, &calling, error.into(), limit).await;
    }
    tracing::debug!(code = "association-opened", %peer, calling, contexts = contexts.len());
    let assembler = Assembler::new(shared.settings.max_object_bytes);
    let mut association = Association {
        wire,
        shared,
        contexts,
        calling,
        peer_pdu_max,
        assembler,
        memory: None,
    };
    let why = association.talk(stop).await;
    let Association { wire, calling, .. } = association;
    end(wire, peer, &calling, why, limit).await;
}

async fn end(mut wire: Wire, peer: IpAddr, calling: &str, why: End, limit: Duration) {
    match why {
        End::Peer(how) => tracing::debug!(code = "association-ended", %peer, calling, how),
        End::Lost(error) => {
            return tracing::warn!(code = "association-lost", %peer, calling, %error);
        }
        End::Abort(source, why) => {
            tracing::warn!(code = "association-aborted", %peer, calling, why);
            let _ = wire.send(&Pdu::AbortRQ { source }, limit).await;
        }
        End::Stop => {
            tracing::info!(code = "association-stopped", %peer, calling);
            let source = AbortRQSource::ServiceUser;
            let _ = wire.send(&Pdu::AbortRQ { source }, limit).await;
        }
    }
    wire.close().await;
}

fn unexpected(what: &str) -> End {
    let reason = AbortRQServiceProviderReason::UnexpectedPdu;
    End::Abort(AbortRQSource::ServiceProvider(reason), what.to_owned())
}

struct Association {
    wire: Wire,
    shared: Arc<Shared>,
    contexts: BTreeMap<u8, Context>,
    calling: String,
    peer_pdu_max: u32,
    assembler: Assembler,
    /// The part of the shared memory that the data set being received takes.
    memory: Option<OwnedSemaphorePermit>,
}

impl Association {
    /// Answers requests until there is a reason to end.
    async fn talk(&mut self, mut stop: watch::Receiver<bool>) -> End {
        let idle = Duration::from_secs(self.shared.settings.idle_timeout_s);
        let whole = Duration::from_secs(self.shared.settings.message_timeout_s);
        let mut deadline = Instant::now() + whole;
        loop {
            let received = if self.assembler.is_between_messages() {
                deadline = Instant::now() + idle + whole;
                tokio::select! {
                    biased;
                    // A stop signal that was dropped is one as well.
                    _ = stop.wait_for(|stop| *stop) => return End::Stop,
                    received = self.wire.receive(idle) => received,
                }
            } else {
                let left = deadline.saturating_duration_since(Instant::now());
                self.wire.receive(idle.min(left)).await
            };
            let values = match received {
                Ok(Pdu::PData { data }) => data,
                Ok(Pdu::ReleaseRQ) => {
                    return match self.wire.send(&Pdu::ReleaseRP, idle).await {
                        Ok(()) => End::Peer("released"),
                        Err(error) => error.into(),
                    };
                }
                Ok(Pdu::AbortRQ { .. }) => return End::Peer("aborted by the peer"),
                Ok(_) => return unexpected("a PDU that has no place inside an association"),
                Err(error) => return error.into(),
            };
            for value in values {
                if let Err(end) = self.take(&value, idle).await {
                    return end;
                }
            }
        }
    }

    async fn take(&mut self, value: &PDataValue, limit: Duration) -> Result<(), End> {
        let fragment = Fragment {
            context: value.presentation_context_id,
            is_command: value.value_type == PDataValueType::Command,
            is_last: value.is_last,
            bytes: &value.data,
        };
        if !fragment.is_command && !self.reserve(fragment.bytes.len()) {
            self.assembler.give_up_data();
        }
        let whole = self
            .assembler
            .feed(fragment)
            .map_err(|fault| End::Abort(AbortRQSource::ServiceUser, fault.to_string()))?;
        let Some(message) = whole else {
            return Ok(());
        };
        let done = self.answer(message, limit).await;
        self.memory = None;
        done
    }

    /// Sets memory aside for so many more bytes of the data set; `false` if there is none.
    fn reserve(&mut self, more: usize) -> bool {
        let held = self
            .memory
            .as_ref()
            .map_or(0, OwnedSemaphorePermit::num_permits);
        let wanted = (self.assembler.held_bytes() + more).div_ceil(1024);
        let Some(missing) = wanted.checked_sub(held).filter(|missing| *missing > 0) else {
            return true;
        };
        let Ok(missing) = u32::try_from(missing) else {
            return false;
        };
        match Arc::clone(&self.shared.memory).try_acquire_many_owned(missing) {
            Ok(permit) => {
                match &mut self.memory {
                    Some(held) => held.merge(permit),
                    none => *none = Some(permit),
                }
                true
            }
            Err(_) => false,
        }
    }

    async fn answer(&mut self, message: Message, limit: Duration) -> Result<(), End> {
        let Message {
            context,
            command,
            data_set,
        } = message;
        let Some(accepted) = self.contexts.get(&context).copied() else {
            let why = "a message in a presentation context that was not accepted";
            return Err(unexpected(why));
        };
        let status = match command.operation {
            Operation::Cancel => return Ok(()),
            Operation::Response(_) => return Err(unexpected("an answer that nobody asked for")),
            Operation::Other(operation) => {
                tracing::warn!(
                    code = "operation-unknown",
                    calling = self.calling,
                    operation
                );
                Status::UnrecognisedOperation
            }
            Operation::Echo => Status::Success,
            Operation::Store if command.sop_class_uid.as_deref() != Some(accepted.class) => {
                Status::ClassNotSupported
            }
            Operation::Store => match (&command.sop_instance_uid, data_set) {
                (None, _) => Status::InvalidInstance,
                (_, None) if !command.has_data_set => {
                    Status::ProcessingFailure("the request carries no data set")
                }
                (_, None) => Status::OutOfResources("too many large objects; send it again later"),
                (Some(uid), Some(bytes)) => self.store(uid, bytes, accepted.syntax).await,
            },
        };
        if status != Status::Success {
            tracing::warn!(
                code = "request-failed",
                calling = self.calling,
                status = format!("{:04X}H", status.code())
            );
        }
        let data = command.answer(status);
        // A peer states what it takes after the PDU header: the item has six bytes of its own.
        if data.len() as u64 + 6 > u64::from(self.peer_pdu_max) {
            let why = "the peer's PDU limit is too small for any answer";
            return Err(End::Abort(AbortRQSource::ServiceUser, why.to_owned()));
        }
        let value = PDataValue {
            presentation_context_id: context,
            value_type: PDataValueType::Command,
            is_last: true,
            data,
        };
        Ok(self
            .wire
            .send(&Pdu::PData { data: vec![value] }, limit)
            .await?)
    }

    /// Keeps an object. `Success` means that it is on stable storage.
    async fn store(&self, uid: &str, bytes: Vec<u8>, syntax: &'static str) -> Status {
        let started = Instant::now();
        let object = short_hash(uid);
        let length = bytes.len();
        match self.keep(bytes, syntax).await {
            Ok(kept) => {
                let took_ms = u64::try_from(started.elapsed().as_millis()).unwrap_or(u64::MAX);
                let (code, id) = match kept {
                    Kept::New(id) => ("object-kept", id),
                    Kept::Repeat(id) => ("object-repeated", id),
                };
                tracing::debug!(code, calling = self.calling, object, %id, bytes = length, took_ms);
                Status::Success
            }
            Err(error) => {
                tracing::error!(code = "object-not-kept", calling = self.calling, object, %error);
                Status::OutOfResources(match error {
                    StoreError::Full => "no space left; keep the object and send it again",
                    StoreError::Busy => "the store is busy; keep the object and send it again",
                    _ => "not stored, see the receiver's log; keep the object",
                })
            }
        }
    }

    async fn keep(&self, bytes: Vec<u8>, syntax: &'static str) -> Result<Kept, StoreError> {
        let source = format!("dicom:{}", self.calling);
        let issuer = self.shared.settings.default_issuer.clone();
        let is_large = bytes.len() > LARGE_BYTES;
        let pack = move || Incoming::new(&bytes, Some(syntax), source, &issuer, chrono::Utc::now());
        let object = if is_large {
            tokio::task::spawn_blocking(pack)
                .await
                .unwrap_or(Err(StoreError::Panicked))?
        } else {
            pack()?
        };
        self.shared
            .store
            .write_async(move |tx| objects::keep(tx, &object))
            .await
    }
}

/// Stands for a UID in the log: enough to find two lines of one object, not enough to find the
/// patient.
fn short_hash(uid: &str) -> String {
    let hash = Sha256::digest(uid);
    hash.iter()
        .take(4)
        .map(|byte| format!("{byte:02x}"))
        .collect()
}
