//! One object that arrived over an association: judged as its sender wants it, then kept.

use super::negotiate::Context;
use super::shared::Shared;
use crate::config::{Malformed, SenderSettings};
use crate::decoding::{self, Effort};
use crate::intake::{History, Name, Object, Telling, Unfit};
use crate::routes::archive::HistoryTitle;
use sheathline_model::domain::Source;
use sheathline_model::sr;
use sheathline_net::dicom::dimse::Status;
use sheathline_net::shares::Party;
use sheathline_store::StoreError;

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

/// Where an object comes from that this title sends, perhaps as the history of an archive.
pub(super) fn source(calling: &str, history: Option<&HistoryTitle>) -> Source {
    match history {
        Some(title) => Source::Archive(title.archive.clone()),
        None => Source::Dicom(calling.to_owned()),
    }
}

/// Keeps an object. `Success` means that it is on stable storage.
pub(super) async fn store(shared: &Shared, from: From<'_>, uid: &str, bytes: Vec<u8>) -> Status {
    let (intake, source) = (shared.intake(), source(from.calling, from.history));
    let name = Name::Instance(uid.to_owned());
    let bytes = match judged(bytes, from, uid).await {
        Ok(bytes) => bytes,
        Err(NotTaken::Unfit(unfit)) => return intake.refuse(&name, &source, unfit).status(),
        Err(NotTaken::Panicked) => {
            return intake.fail(&name, &source, StoreError::Panicked).status();
        }
    };
    let default_issuer = match from.history {
        Some(title) => &title.default_issuer,
        None => {
            let own = from.sender.default_issuer.as_ref();
            own.unwrap_or(&shared.settings.default_issuer)
        }
    };
    let object = Object {
        bytes,
        syntax: Some(from.context.syntax),
        default_issuer: default_issuer.clone(),
        name,
        history: from.history.map(|title| History {
            asked: uid.to_owned(),
            current_days: title.current_days,
        }),
        telling: Telling::All,
    };
    intake.keep(object, &source).await.status()
}

/// Why an object did not come as far as the store.
enum NotTaken {
    Unfit(Unfit),
    Panicked,
}

/// Gives the bytes back if they may be kept: what they are said to be, and if the sender wants so, an
/// object that can be read.
async fn judged(bytes: Vec<u8>, from: From<'_>, uid: &str) -> Result<Vec<u8>, NotTaken> {
    let Context { class, syntax, .. } = from.context;
    let named = Unfit::unless_named(&bytes, Some(syntax), Some(class), uid);
    named.map_err(NotTaken::Unfit)?;
    match from.sender.malformed {
        Malformed::Quarantine => Ok(bytes),
        Malformed::Refuse => readable(bytes, from, uid).await,
    }
}

/// Gives the bytes back if they are an object of the class and instance that the request names.
async fn readable(bytes: Vec<u8>, from: From<'_>, uid: &str) -> Result<Vec<u8>, NotTaken> {
    let context = from.context;
    let effort = Effort::of(&bytes, Some(context.syntax));
    let turn = decoding::turn(Some(from.party), effort).await;
    let read = aside(effort != Effort::None, move || {
        let _turn = turn;
        let read = sr::read(&bytes, Some(context.syntax), &sr::Limits::default());
        (bytes, read.map(|document| document.header))
    });
    let (bytes, header) = read.await.ok_or(NotTaken::Panicked)?;
    let malformed = |error: sr::ReadError| NotTaken::Unfit(Unfit::malformed(&error));
    let header = header.map_err(malformed)?;
    if header.sop_class_uid.as_deref() != Some(context.class) {
        return Err(NotTaken::Unfit(Unfit::ClassDiffers));
    }
    if header.sop_instance_uid.as_deref() != Some(uid) {
        return Err(NotTaken::Unfit(Unfit::InstanceDiffers));
    }
    Ok(bytes)
}

/// Runs some milliseconds of work where it holds up nobody, if it is that much; `None` if it
/// panicked.
async fn aside<T: Send + 'static>(
    is_large: bool,
    work: impl FnOnce() -> T + Send + 'static,
) -> Option<T> {
    if is_large {
        tokio::task::spawn_blocking(work).await.ok()
    } else {
        Some(work())
    }
}
