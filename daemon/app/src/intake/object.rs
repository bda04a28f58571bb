//! An object as whatever brought it hands it over.

use chrono::Utc;
use sheathline_model::domain::Source;
use sheathline_store::facts::{self, ObjectFacts};
use sheathline_store::objects::{Incoming, Kept};
use sheathline_store::{StoreError, Tx, archives};

/// One object.
#[derive(Debug)]
pub(crate) struct Object {
    /// A data set in `syntax`, or a whole file (PS3.10).
    pub bytes: Vec<u8>,
    /// Transfer syntax of the data set; `None`: it is a file, which says so itself.
    pub syntax: Option<&'static str>,
    /// Issuer for patient ids that come without one; empty for none.
    pub default_issuer: String,
    /// As what it is known before it is read.
    pub name: Name,
    /// What holds for it as the history of an archive, if it is that.
    pub history: Option<History>,
    /// What is told if the store does not take it.
    pub telling: Telling,
}

/// As what an object is known before it is read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Name {
    /// As nothing.
    None,
    /// By its SOP Instance UID.
    Instance(String),
    /// A file by its inode: its name may be the name of a patient.
    Inode(u64),
}

/// An object of the history of an archive.
#[derive(Debug, Clone)]
pub(crate) struct History {
    /// The SOP Instance UID it was asked for by; noted in the commit that holds it.
    pub asked: String,
    /// As long as it comes from nowhere else, results of its exam are not delivered if that was more
    /// than so many days old; `None`: they are.
    pub current_days: Option<u32>,
}

/// What is told of an object that the store does not take. Whoever tries the same again by itself must
/// not flood log and trail.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(crate) enum Telling {
    /// Log, trail and number.
    #[default]
    All,
    /// It was told before, and is counted again: an alert must last as long as its reason.
    Number,
    /// It was told and counted a moment ago.
    Nothing,
}

/// An object compressed and hashed for the store.
pub(super) struct Packed {
    object: Incoming,
    asked: Option<String>,
}

impl Packed {
    pub(super) fn new(object: &Object, source: &Source) -> Result<Packed, StoreError> {
        let Object {
            bytes,
            syntax,
            default_issuer,
            history,
            ..
        } = object;
        let incoming = Incoming::new(bytes, *syntax, source.clone(), default_issuer, Utc::now())?;
        Ok(match history {
            Some(History {
                asked,
                current_days,
            }) => Packed {
                object: incoming.quiet_after(*current_days),
                asked: Some(asked.clone()),
            },
            None => Packed {
                object: incoming,
                asked: None,
            },
        })
    }

    /// Without what is known of it as history.
    pub(super) fn into_incoming(self) -> Incoming {
        self.object
    }

    pub(super) fn keep(&self, tx: &Tx) -> Result<(Kept, Option<ObjectFacts>), StoreError> {
        match &self.asked {
            Some(asked) => archives::keep(tx, &self.object, asked),
            None => facts::keep(tx, &self.object),
        }
    }
}
