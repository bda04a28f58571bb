//! What the store remembers of a spool: the objects that it took last, one row of `meta` a spool.
//!
//! The row is written in the transaction that keeps the objects, and the next ones are not forwarded
//! before these are out of the spool. So after a kill, or a commit of which nobody heard, what is in the
//! store and still in the spool stands in the row. Each object stands there with its number and a hash of what it is:
//! in a spool that was restored or copied a number may stand for another object, which is then forwarded.

use super::rows::Waiting;
use crate::objects::{Kept, ObjectId};
use crate::view::{Tx, View};
use crate::{StoreError, meta};
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;

/// Names in `meta` begin with this; what tells the spool from others follows.
const PREFIX: &str = "spool:";

/// Bytes of a hash that are written.
const HASH_BYTES: usize = 12;

/// The objects taken last, by their number in the spool.
#[derive(Debug, Default)]
pub(super) struct Mark(BTreeMap<i64, (String, Kept)>);

impl Mark {
    /// What is noted of a spool. What cannot be read is as if it were not there: at worst an object
    /// counts as a repeat, and none is passed over.
    pub(super) fn of(view: &View, spool: &str) -> Result<Mark, StoreError> {
        let noted = meta::get(view, &format!("{PREFIX}{spool}"))?;
        let noted = noted.unwrap_or_default();
        Ok(Mark(noted.split(' ').filter_map(parsed).collect()))
    }

    /// What became of an object, if it was taken.
    pub(super) fn taken(&self, waiting: &Waiting) -> Option<Kept> {
        let (hash, kept) = self.0.get(&waiting.number)?;
        (*hash == hash_of(waiting)).then_some(*kept)
    }

    pub(super) fn add(&mut self, waiting: &Waiting, kept: Kept) {
        self.0.insert(waiting.number, (hash_of(waiting), kept));
    }

    /// Notes it instead of what was noted before.
    pub(super) fn note(&self, tx: &Tx, spool: &str) -> Result<(), StoreError> {
        let words = self.0.iter().map(|(number, (hash, kept))| match kept {
            Kept::New(id) => format!("{number}:{hash}:new:{}", id.0),
            Kept::Repeat(id) => format!("{number}:{hash}:repeat:{}", id.0),
        });
        let words: Vec<String> = words.collect();
        meta::set(tx, &format!("{PREFIX}{spool}"), &words.join(" "))
    }
}

fn parsed(word: &str) -> Option<(i64, (String, Kept))> {
    let mut parts = word.split(':');
    let number = parts.next()?.parse().ok()?;
    let hash = parts.next()?.to_owned();
    let of: fn(ObjectId) -> Kept = match parts.next()? {
        "new" => Kept::New,
        "repeat" => Kept::Repeat,
        _ => return None,
    };
    let id = parts.next()?.parse().ok()?;
    Some((number, (hash, of(ObjectId(id)))))
}

/// Says which reception of which object it is.
fn hash_of(Waiting { number, object }: &Waiting) -> String {
    let syntax = object.transfer_syntax.as_deref().unwrap_or_default();
    let hash = Sha256::new()
        .chain_update(number.to_be_bytes())
        .chain_update(object.body_sha256)
        .chain_update(&object.received_at)
        .chain_update([0])
        .chain_update(syntax)
        .chain_update([0])
        .chain_update(object.source.to_string())
        .finalize();
    let bytes = hash.iter().take(HASH_BYTES);
    bytes.fold(String::new(), |hex, byte| format!("{hex}{byte:02x}"))
}
