//! Storage Commitment over the association of the requester: a request kept, then answered, then reported
//! on while the association is open (PS3.4 annex J).

use super::shared::Shared;
use crate::commitment::{
    self, ACTION, INSTANCE, LEFT_TO_ITS_ASSOCIATION, Report, Unusable, WAIT_FOR_READING, after,
};
use crate::intake::Reception;
use chrono::Utc;
use dicom_dictionary_std::uids;
use sheathline_net::dicom::dimse::{Command, Status};
use sheathline_store::StoreError;
use sheathline_store::commitments::{self, Open, Received};
use std::collections::BTreeMap;
use std::time::Duration;
use tokio::time::{Instant, sleep};

/// How often it is looked whether there is something to report.
const LOOK_EVERY: Duration = Duration::from_millis(100);

/// Reports of one association that may wait for their answer.
const TOLD_MAX: usize = 64;

/// What one association reported and was not answered yet: Transaction UIDs by Message ID.
#[derive(Debug, Default)]
pub(super) struct Committing {
    messages: u16,
    told: BTreeMap<u16, String>,
}

impl Committing {
    /// A report is sent: the Message ID for it.
    pub(super) fn tell(&mut self, transaction: String) -> u16 {
        self.messages = self.messages.wrapping_add(1);
        if self.told.len() >= TOLD_MAX {
            // Whoever answers none of them is told over an association of ours.
            self.told.pop_first();
        }
        self.told.insert(self.messages, transaction);
        self.messages
    }

    /// An answer came: what it is to.
    pub(super) fn answered(&mut self, message: u16) -> Option<String> {
        self.told.remove(&message)
    }
}

/// Keeps a request: what the requester is told, and the request if there is something to report on.
/// `Success` means that it is on stable storage.
pub(super) async fn asked(
    shared: &Shared,
    calling: &str,
    of: &Command,
    data_set: Option<Vec<u8>>,
    syntax: &'static str,
) -> (Status, Option<Open>) {
    // PS3.7 10.1.4.1.10.
    if of.sop_class_uid.as_deref() != Some(uids::STORAGE_COMMITMENT_PUSH_MODEL) {
        return (Status::ClassNotSupported, None);
    }
    if of.sop_instance_uid.as_deref() != Some(INSTANCE) {
        return (Status::NoSuchInstance, None);
    }
    if of.action_type != Some(ACTION) {
        return (Status::NoSuchAction, None);
    }
    let read = tokio::task::spawn_blocking(move || commitment::read(data_set.as_deref(), syntax));
    let asked = match read.await.unwrap_or(Err(Unusable::Malformed)) {
        Ok(asked) => asked,
        Err(why) => {
            tracing::warn!(code = "commitment-refused", calling, "{why}");
            return (why.status(), None);
        }
    };
    let now = Utc::now();
    let open = Open {
        sender: calling.to_owned(),
        transaction: asked.transaction,
        since: now,
        due: after(now, LEFT_TO_ITS_ASSOCIATION),
        tries: 0,
    };
    let (kept, references) = (open.clone(), asked.references);
    let objects = references.len();
    let received = shared
        .reception
        .store()
        .write_async(move |tx| commitments::receive(tx, &kept, &references))
        .await;
    let transaction = &open.transaction;
    match received {
        Ok(Received::New) => {
            tracing::info!(code = "commitment-asked", calling, transaction, objects);
            (Status::Success, Some(open))
        }
        Ok(Received::Same) => {
            tracing::info!(code = "commitment-repeated", calling, transaction, objects);
            (Status::Success, Some(open))
        }
        Ok(Received::Other) => {
            let why = "its Transaction UID is that of an open request that names other objects";
            tracing::warn!(code = "commitment-refused", calling, "{why}");
            (Status::InvalidRequest, None)
        }
        Ok(Received::TooMany) => {
            let why = "this sender has as many requests open as it may have";
            tracing::warn!(code = "commitment-refused", calling, "{why}");
            (Status::TooManyReferences, None)
        }
        Err(error) => {
            tracing::error!(code = "commitment-not-kept", calling, %error);
            (Status::NotAsked, None)
        }
    }
}

/// What there is to report on a request, if that is known soon.
pub(super) async fn known_soon(reception: &Reception, open: &Open) -> Option<Report> {
    let until = Instant::now() + WAIT_FOR_READING;
    loop {
        let (reception, open) = (reception.clone(), open.clone());
        let look = tokio::task::spawn_blocking(move || commitment::report(&reception, &open));
        match look.await.unwrap_or(Err(StoreError::Panicked)) {
            Ok(Some(report)) => return Some(report),
            Ok(None) if Instant::now() < until => sleep(LOOK_EVERY).await,
            // It is told over an association of ours.
            Ok(None) | Err(_) => return None,
        }
    }
}

/// The requester has answered a report.
pub(super) async fn told(shared: &Shared, calling: &str, transaction: String, status: u16) {
    if status != 0 {
        let status = format!("{status:04X}H");
        tracing::warn!(
            code = "commitment-not-reported",
            sender = calling,
            transaction,
            status,
            "the requester refused the report over its own association; it is told over one of ours"
        );
        return;
    }
    let (sender, named) = (calling.to_owned(), transaction.clone());
    let ended = shared
        .reception
        .store()
        .write_async(move |tx| commitments::end(tx, &sender, &named))
        .await;
    match ended {
        Ok(()) => tracing::info!(code = "commitment-reported", sender = calling, transaction),
        Err(error) => {
            tracing::warn!(code = "commitment-not-noted", %error, "will be tried again");
        }
    }
}
