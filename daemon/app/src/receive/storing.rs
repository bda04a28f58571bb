//! One object that arrived: perhaps judged, then kept.

use super::negotiate::Context;
use super::shared::Shared;
use crate::config::{Malformed, SenderSettings};
use crate::decoding::{self, Effort};
use crate::observe;
use crate::observe::audit::message::Outcome;
use crate::observe::audit::{Event, Facts, Origin};
use crate::observe::metrics::{Arrival, Carrier};
use crate::routes::archive::HistoryTitle;
use sha2::{Digest, Sha256};
use sheathline_model::domain::Source;
use sheathline_model::sr::{self, gate};
use sheathline_net::dicom::dimse::Status;
use sheathline_net::shares::Party;
use sheathline_store::facts::{self, ObjectFacts};
use sheathline_store::objects::{Incoming, Kept};
use sheathline_store::{Store, StoreError, archives};
use tokio::time::Instant;

/// Whom an object comes from, and how.
#[derive(Clone, Copy)]
pub(super) struct From<'a> {
    /// The calling AE title.
    pub(super) calling: &'a str,
    /// What holds for it.
    pub(super) sender: &'a SenderSettings,
    /// The archive whose history it is.
    pub(super) history: Option<&'a HistoryTitle>,
    /// The presentation context.
    pub(super) context: Context,
    /// Whom it counts for.
    pub(super) party: Party,
}

/// Keeps an object. `Success` means that it is on stable storage.
pub(super) async fn store(shared: &Shared, from: From<'_>, uid: &str, bytes: Vec<u8>) -> Status {
    let started = Instant::now();
    let calling = from.calling;
    let source = match from.history {
        Some(_) => Carrier::Archive,
        None => Carrier::Dicom,
    };
    let arrived = |arrival| shared.observed.metrics.arrived(source, arrival);
    let not_kept = |outcome| {
        shared.observed.note(|| Event::Received {
            origin: Origin::Peer(calling.to_owned()),
            is_repeat: false,
            outcome,
            facts: Facts {
                instance: Some(uid.to_owned()),
                ..Facts::default()
            },
        });
    };
    let object = short_hash(uid);
    let length = bytes.len();
    // Kept, it would be found under another name than the one that is acknowledged.
    let differs = differs(&bytes, from.context, uid);
    let fits = match (differs, from.sender.malformed) {
        (Some(why), _) => Err((Status::NotOfItsClass, why)),
        (None, Malformed::Quarantine) => Ok(bytes),
        (None, Malformed::Refuse) => fit(bytes, from, uid).await,
    };
    let bytes = match fits {
        Ok(bytes) => bytes,
        Err((status, why)) => {
            arrived(Arrival::Refused);
            not_kept(match differs {
                Some(_) => {
                    Outcome::Minor("refused: the data set is another than the request names")
                }
                None => Outcome::Minor("refused: not what this sender may send"),
            });
            let said = status.hex();
            tracing::warn!(code = "object-refused", calling, object, status = said, why);
            return status;
        }
    };
    match keep(shared, from, uid, bytes).await {
        Ok((kept, repeated)) => {
            if let Some(facts) = repeated {
                let origin = Origin::Peer(calling.to_owned());
                shared.observed.note(|| observe::repeated(origin, &facts));
            }
            let took_ms = u64::try_from(started.elapsed().as_millis()).unwrap_or(u64::MAX);
            let (code, id, arrival) = match kept {
                Kept::New(id) => ("object-kept", id, Arrival::Kept),
                Kept::Repeat(id) => ("object-repeated", id, Arrival::Repeat),
            };
            arrived(arrival);
            tracing::debug!(code, calling, object, %id, bytes = length, took_ms);
            Status::Success
        }
        Err(error) => {
            arrived(Arrival::Failed);
            not_kept(Outcome::Serious("the store did not take it"));
            let status = status_of(&error, &shared.store);
            let said = status.hex();
            tracing::error!(code = "object-not-kept", calling, object, status = said, %error);
            status
        }
    }
}

/// What a sender is told when the store did not take an object.
pub(crate) fn status_of(error: &StoreError, store: &Store) -> Status {
    match error {
        _ if store.doubt().is_some() => Status::StoreInDoubt,
        StoreError::InDoubt { .. } => Status::StoreInDoubt,
        StoreError::Full => Status::NoSpace,
        StoreError::Busy | StoreError::NotCommitted { .. } | StoreError::Closed => {
            Status::StoreBusy
        }
        _ => Status::NotStored,
    }
}

/// Keeps an object; with what the audit trail tells of it if it was here already.
async fn keep(
    shared: &Shared,
    from: From<'_>,
    uid: &str,
    bytes: Vec<u8>,
) -> Result<(Kept, Option<ObjectFacts>), StoreError> {
    if let Some(title) = from.history {
        let object = history(title, from.context.syntax, bytes).await?;
        let uid = uid.to_owned();
        let keep = move |tx: &_| archives::keep(tx, &object, &uid);
        return shared.store.write_async(keep).await;
    }
    let source = Source::Dicom(from.calling.to_owned());
    // So that compressing and hashing do not hold up the other associations of the same thread.
    let is_large = bytes.len() > decoding::ALWAYS_BYTES;
    let syntax = from.context.syntax;
    let issuer = from.sender.default_issuer.as_ref();
    let issuer = issuer.unwrap_or(&shared.settings.default_issuer).clone();
    let pack = move || Incoming::new(&bytes, Some(syntax), source, &issuer, chrono::Utc::now());
    let object = aside(is_large, pack).await.ok_or(StoreError::Panicked)??;
    shared
        .store
        .write_async(move |tx| facts::keep(tx, &object))
        .await
}

/// An object of the history of an archive, packed for the store.
async fn history(
    title: &HistoryTitle,
    syntax: &'static str,
    bytes: Vec<u8>,
) -> Result<Incoming, StoreError> {
    let title = title.clone();
    let pack = move || {
        let (source, now) = (Source::Archive(title.archive.clone()), chrono::Utc::now());
        let object = Incoming::new(&bytes, Some(syntax), source, &title.default_issuer, now)?;
        Ok(object.quiet_after(title.quiet_after_days))
    };
    aside(true, pack).await.ok_or(StoreError::Panicked)?
}

/// Runs some milliseconds of work where it holds up nobody, if it is that much; `None` if it
/// panicked.
async fn aside<T: Send + 'static>(
    is_large: bool,
    work: impl FnOnce() -> T + Send + 'static,
) -> Option<T> {
    match is_large {
        true => tokio::task::spawn_blocking(work).await.ok(),
        false => Some(work()),
    }
}

/// What of the data set is not what the request names, as a code; what it does not say differs from
/// nothing.
fn differs(bytes: &[u8], context: Context, uid: &str) -> Option<&'static str> {
    let named = gate::named(bytes, Some(context.syntax));
    let differs = |said: Option<String>, named: &str| said.is_some_and(|said| said != named);
    if differs(named.class, context.class) {
        Some("class-differs")
    } else if differs(named.instance, uid) {
        Some("instance-differs")
    } else {
        None
    }
}

/// Gives the bytes back if they are an object of the class and instance that the request names;
/// otherwise the status to answer, and why, as a code.
async fn fit(bytes: Vec<u8>, from: From<'_>, uid: &str) -> Result<Vec<u8>, (Status, &'static str)> {
    let context = from.context;
    let effort = Effort::of(&bytes, Some(context.syntax));
    let turn = decoding::turn(Some(from.party), effort).await;
    let read = aside(effort != Effort::None, move || {
        let _turn = turn;
        let read = sr::read(&bytes, Some(context.syntax), &sr::Limits::default());
        (bytes, read.map(|document| document.header))
    });
    let (bytes, header) = read.await.ok_or((Status::NotStored, "panicked"))?;
    let header = header.map_err(|error| (Status::NotUnderstood, error.code()))?;
    if header.sop_class_uid.as_deref() != Some(context.class) {
        return Err((Status::NotOfItsClass, "class-differs"));
    }
    if header.sop_instance_uid.as_deref() != Some(uid) {
        return Err((Status::NotOfItsClass, "instance-differs"));
    }
    Ok(bytes)
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
