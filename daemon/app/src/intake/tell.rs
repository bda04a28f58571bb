//! Who is told what became of an object: the number, the audit trail, the log.

use super::{Intake, Kept, Name, Object, Telling, Unfit};
use crate::observe;
use crate::observe::audit::message::Outcome;
use crate::observe::audit::{Event, Facts};
use crate::observe::metrics::Arrival;
use sha2::{Digest, Sha256};
use sheathline_model::domain::Source;
use sheathline_store::facts::ObjectFacts;
use std::time::Instant;

/// What is known of an object beside its bytes.
pub(super) struct About {
    name: Name,
    telling: Telling,
    bytes: usize,
    began: Instant,
}

impl About {
    pub(super) fn of(object: &Object) -> Self {
        About {
            telling: object.telling,
            bytes: object.bytes.len(),
            ..About::named(&object.name)
        }
    }

    pub(super) fn named(name: &Name) -> Self {
        About {
            name: name.clone(),
            telling: Telling::All,
            bytes: 0,
            began: Instant::now(),
        }
    }
}

impl Intake<'_> {
    pub(super) fn tell(&self, kept: &Kept, about: &About, source: &Source) {
        let counted = match kept {
            Kept::New(_) => Some(Arrival::Kept),
            Kept::Same(_) => Some(Arrival::Repeat),
            Kept::Spooled(_) => Some(Arrival::Spooled),
            Kept::Refused(_) => Some(Arrival::Refused),
            Kept::Failed(..) => (about.telling != Telling::Nothing).then_some(Arrival::Failed),
        };
        if let Some(arrival) = counted {
            self.observed.metrics.arrived(source, arrival);
        }
        match kept {
            Kept::New(_) | Kept::Same(_) | Kept::Spooled(_) => {}
            Kept::Refused(unfit) => self.tell_not_kept(Outcome::Minor(unfit.says()), about, source),
            Kept::Failed(..) if about.telling == Telling::All => {
                let outcome = Outcome::Serious("the store did not take it");
                self.tell_not_kept(outcome, about, source);
            }
            Kept::Failed(..) => return,
        }
        log(kept, about, source);
    }

    /// Tells of an object whose way was broken off, of which the log has a line already.
    pub(crate) fn broken_off(&self, name: &Name, source: &Source, unfit: Unfit) {
        self.observed.metrics.arrived(source, Arrival::Refused);
        let about = About::named(name);
        self.tell_not_kept(Outcome::Minor(unfit.says()), &about, source);
    }

    /// Tells of an object that could not be read where it lies, of which the log has a line already.
    pub(crate) fn unreadable(&self, name: &Name, source: &Source, telling: Telling) {
        if telling != Telling::Nothing {
            self.observed.metrics.arrived(source, Arrival::Failed);
        }
        if telling == Telling::All {
            let outcome = Outcome::Serious("the file cannot be read");
            self.tell_not_kept(outcome, &About::named(name), source);
        }
    }

    fn tell_not_kept(&self, outcome: Outcome, about: &About, source: &Source) {
        self.observed.note(|| Event::Received {
            source: source.clone(),
            is_repeat: false,
            outcome,
            facts: Facts {
                instance: match &about.name {
                    Name::Instance(uid) => Some(uid.clone()),
                    Name::None | Name::Inode(_) => None,
                },
                ..Facts::default()
            },
        });
    }

    pub(super) fn tell_repeated(&self, source: &Source, object: &ObjectFacts) {
        self.observed.note(|| Event::Received {
            source: source.clone(),
            is_repeat: true,
            outcome: Outcome::Success,
            facts: observe::facts(object),
        });
    }
}

/// One line of an object. Codes differ by source where these are counted under names of their own.
fn log(kept: &Kept, about: &About, source: &Source) {
    let (kind, from) = (source.kind(), source.peer());
    let (object, inode) = match &about.name {
        Name::None => (None, None),
        Name::Instance(uid) => (Some(short_hash(uid)), None),
        Name::Inode(inode) => (None, Some(*inode)),
    };
    let bytes = about.bytes;
    let took_ms = u64::try_from(about.began.elapsed().as_millis()).unwrap_or(u64::MAX);
    let status = kept.status().hex();
    match (kept, source) {
        (Kept::New(id), _) => {
            tracing::debug!(code = "object-kept", source = kind, from, object, inode, %id, bytes, took_ms);
        }
        (Kept::Same(id), _) => {
            tracing::debug!(code = "object-repeated", source = kind, from, object, inode, %id, bytes, took_ms);
        }
        (Kept::Spooled(number), _) => {
            tracing::debug!(
                code = "object-spooled",
                source = kind,
                from,
                object,
                inode,
                number,
                bytes,
                took_ms
            );
        }
        (Kept::Refused(unfit), Source::Folder) => {
            tracing::warn!(code = "folder-failed", inode, why = unfit.code(), "{unfit}");
        }
        (Kept::Refused(unfit), _) => {
            tracing::warn!(
                code = "object-refused",
                source = kind,
                from,
                object,
                status,
                why = unfit.code(),
                "{unfit}"
            );
        }
        (Kept::Failed(_, error), Source::Folder) => {
            tracing::error!(code = "folder-not-kept", inode, %error, "the file stays");
        }
        (Kept::Failed(_, error), Source::Web(_)) => {
            tracing::error!(code = "web-not-kept", source = kind, from, object, status, %error);
        }
        (Kept::Failed(_, error), _) => {
            tracing::error!(code = "object-not-kept", source = kind, from, object, status, %error);
        }
    }
}

/// Stands for a UID in the log: enough to find two lines of one object, not enough to find the
/// patient.
fn short_hash(uid: &str) -> String {
    let hash = Sha256::digest(uid);
    let bytes = hash.iter().take(4);
    bytes.fold(String::new(), |hex, byte| format!("{hex}{byte:02x}"))
}
