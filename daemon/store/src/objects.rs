//! Objects as received, byte for byte, pictures without their pixels unless these are wanted; what was
//! read from them is in [`readings`](super::readings).

use super::error::Kind;
use super::members::{BUCKETS, Duty, Membership};
use super::{StoreError, meta, stamp};
pub use crate::object_id::ObjectId;
use crate::session::{Values, values};
use crate::view::{Tx, View};
use chrono::{DateTime, Utc};
use flate2::Compression;
use flate2::read::ZlibDecoder;
use flate2::write::ZlibEncoder;
use sha2::{Digest, Sha256};
use sheathline_model::domain::Source;
use std::io::{Read, Write};

/// Name in `meta` of the numbers still to be read again, as `first last`.
const READ_AGAIN: &str = "read_again";

/// An object on its way into the store, compressed and hashed by the thread that received it.
pub struct Incoming {
    pub(crate) body: Vec<u8>,
    pub(crate) body_bytes: i64,
    pub(crate) body_sha256: [u8; 32],
    pub(crate) transfer_syntax: Option<String>,
    pub(crate) source: Source,
    pub(crate) default_issuer: String,
    pub(crate) received_at: String,
    pub(crate) current_days: Option<u32>,
}

impl Incoming {
    /// Prepares `bytes`: a data set in `transfer_syntax`, or a whole Part 10 file if `None`.
    ///
    /// # Errors
    /// The bytes cannot be compressed.
    pub fn new(
        bytes: &[u8],
        transfer_syntax: Option<&str>,
        source: impl Into<Source>,
        default_issuer: &str,
        received_at: DateTime<Utc>,
    ) -> Result<Self, StoreError> {
        Ok(Incoming {
            body: packed(bytes)?,
            body_bytes: i64::try_from(bytes.len()).unwrap_or(i64::MAX),
            body_sha256: Sha256::digest(bytes).into(),
            transfer_syntax: transfer_syntax.map(str::to_owned),
            source: source.into(),
            default_issuer: default_issuer.to_owned(),
            received_at: stamp::text(received_at),
            current_days: None,
        })
    }

    /// As history of an archive: as long as it comes from nowhere else, results of its exam are not
    /// delivered if that was more than so many days old. `None`: they are.
    #[must_use]
    pub fn quiet_after(mut self, days: Option<u32>) -> Self {
        self.current_days = days;
        self
    }
}

impl Incoming {
    /// Whether its bytes are still those that were received.
    pub(crate) fn is_whole(&self) -> bool {
        let bytes = u64::try_from(self.body_bytes);
        bytes.is_ok_and(|bytes| unpacked(&self.body, bytes, &self.body_sha256).is_ok())
    }
}

/// Length of what [`first`] says.
pub const FIRST_CHARS: usize = 32;

/// What tells this store and its copies from all others, in hexadecimal: made of the first object ever
/// kept, which never goes. `None` while there is none. Says nothing of the object.
///
/// # Errors
/// The store cannot be read.
pub fn first(view: &View) -> Result<Option<String>, StoreError> {
    let first: Option<(Vec<u8>, String)> = view
        .prepare(
            "select body_sha256, received_at from object where id = (select min(id) from object)",
        )
        .first((), |row| Ok((row.get(0)?, row.get(1)?)))?;
    Ok(first.map(|(sha256, received_at)| {
        let hash = Sha256::new()
            .chain_update(sha256)
            .chain_update(received_at)
            .finalize();
        let bytes = hash.iter().take(FIRST_CHARS / 2);
        bytes.fold(String::new(), |hex, byte| format!("{hex}{byte:02x}"))
    }))
}

fn packed(bytes: &[u8]) -> Result<Vec<u8>, StoreError> {
    let cannot = |_| StoreError::Work("an object could not be compressed".to_owned());
    let mut zlib = ZlibEncoder::new(Vec::new(), Compression::fast());
    zlib.write_all(bytes).map_err(cannot)?;
    zlib.finish().map_err(cannot)
}

/// A body to be kept in the place of the one received: the same object without its pixels.
pub struct Slim {
    body: Vec<u8>,
    bytes: i64,
    sha256: [u8; 32],
}

impl Slim {
    /// Prepares `bytes`, in the form the object was received in.
    ///
    /// # Errors
    /// The bytes cannot be compressed.
    pub fn new(bytes: &[u8]) -> Result<Self, StoreError> {
        Ok(Slim {
            body: packed(bytes)?,
            bytes: i64::try_from(bytes.len()).unwrap_or(i64::MAX),
            sha256: Sha256::digest(bytes).into(),
        })
    }
}

/// Puts a slim body in the place of the one received. Length and hash of what was received stay.
///
/// # Errors
/// There is no such object, or the store cannot be written.
pub fn slim_down(tx: &Tx, id: ObjectId, slim: &Slim) -> Result<(), StoreError> {
    let changed = tx
        .prepare("update object set body = ?2, kept_bytes = ?3, kept_sha256 = ?4 where id = ?1")
        .execute(values![id, slim.body, slim.bytes, slim.sha256])?;
    match changed {
        1 => Ok(()),
        _ => Err(StoreError::Work(format!("there is no object {id}"))),
    }
}

/// What [`keep`] found.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kept {
    /// Not seen before.
    New(ObjectId),
    /// The same bytes are here already; the repeat was counted.
    Repeat(ObjectId),
}

/// Keeps an object, or counts it as a repeat of the same bytes. Where those bytes were dropped or
/// damaged, they are there again, and are read again. So is history that now comes by itself: its
/// results may count for more.
///
/// # Errors
/// The store cannot be written.
pub fn keep(tx: &Tx, object: &Incoming) -> Result<Kept, StoreError> {
    // Nothing comes between the look and the change: only one transaction changes the store at a time.
    let known: Option<(ObjectId, bool)> = tx
        .prepare(
            "select id, case when missing is null then 0 else 1 end from object
             where body_sha256 = ?1 and transfer_syntax is not distinct from ?2",
        )
        .first(values![object.body_sha256, object.transfer_syntax], |row| {
            Ok((row.get(0)?, row.get(1)?))
        })?;
    let Some((id, is_missing)) = known else {
        let insert = tx.prepare(
            "insert into object (body, body_bytes, body_sha256, transfer_syntax, source,
                                 default_issuer, received_at, quiet_after_days)
             values (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8) returning id",
        );
        let values = values![
            object.body,
            object.body_bytes,
            object.body_sha256,
            object.transfer_syntax,
            object.source.to_string(),
            object.default_issuer,
            object.received_at,
            object.current_days,
        ];
        return Ok(Kept::New(insert.one(values, |row| row.get(0))?));
    };
    tx.prepare(
        "update object set repeats = repeats + 1,
                state = case when quiet_after_days is not null and cast(?2 as bigint) is null
                             then 'received' else state end,
                quiet_after_days = case when quiet_after_days is null then null
                                        when quiet_after_days > cast(?2 as bigint)
                                        then quiet_after_days
                                        else cast(?2 as bigint) end
         where id = ?1",
    )
    .execute(values![id, object.current_days])?;
    if is_missing {
        tx.prepare(
            "update object set body = ?2, kept_bytes = null, kept_sha256 = null,
                    state = 'received', missing = null, missing_since = null
             where id = ?1",
        )
        .execute(values![id, object.body])?;
    }
    Ok(Kept::Repeat(id))
}

/// An object that waits to be read, without its bytes; those come from [`body`].
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Unread {
    /// Its number.
    pub id: ObjectId,
    /// Transfer syntax of the data set; `None`: the bytes are a Part 10 file.
    pub transfer_syntax: Option<String>,
    /// Where it came from.
    pub source: Source,
    /// Issuer for patient ids that come without one; empty for none.
    pub default_issuer: String,
    /// Content hash of the object as received, when its pixels were taken out since.
    pub content_sha256: Option<String>,
}

/// The objects that wait to be read, oldest first, at most `limit`.
///
/// # Errors
/// The store cannot be read.
pub fn next_unread(view: &View, limit: u32) -> Result<Vec<Unread>, StoreError> {
    unread(view, "state = 'received' order by id limit ?1", [limit])
}

/// The same, of those alone whose [`bucket`] this member holds.
///
/// # Errors
/// The store cannot be read.
pub fn next_unread_of(
    view: &View,
    member: &Membership,
    limit: u32,
) -> Result<Vec<Unread>, StoreError> {
    // The names of duties are those that `Duty` makes.
    unread(
        view,
        "state = 'received' and exists (
             select 1 from duty
             where name = 'bucket ' || cast(object.id % 256 as text) and member = ?1)
         order by id limit ?2",
        values![member.id, limit],
    )
}

/// The duty that reading an object belongs to.
#[must_use]
pub fn bucket(id: ObjectId) -> Duty {
    let rest = id.0.rem_euclid(i64::from(BUCKETS));
    Duty::Bucket(u8::try_from(rest).unwrap_or(0))
}

fn unread(view: &View, which: &str, values: impl Values) -> Result<Vec<Unread>, StoreError> {
    let statement = view.prepare(format!(
        "select id, transfer_syntax, source, default_issuer,
                case when kept_sha256 is not null then content_sha256 end
         from object where {which}"
    ));
    let mut unread = Vec::new();
    statement.each(values, |row| {
        unread.push(Unread {
            id: row.get(0)?,
            transfer_syntax: row.get(1)?,
            source: stamp::source(row, 2)?,
            default_issuer: row.get(3)?,
            content_sha256: row.get(4)?,
        });
        Ok(())
    })?;
    Ok(unread)
}

/// Objects to be read once more because the rules changed, oldest first, at most `limit`; `None`
/// when that is over. New ones come first: see [`next_unread`].
///
/// # Errors
/// The store cannot be read.
pub fn next_again(view: &View, limit: u32) -> Result<Option<Vec<Unread>>, StoreError> {
    let which = "id between ?1 and ?2 and missing is null order by id limit ?3";
    again(view)?
        .map(|(next, last)| unread(view, which, values![next, last, limit]))
        .transpose()
}

/// Objects whose bytes are there, oldest first, at most `limit` after one; repeats of a content are
/// left out. For whoever looks at what they say and changes nothing.
///
/// # Errors
/// The store cannot be read.
pub fn with_bytes(
    view: &View,
    after: Option<ObjectId>,
    limit: u32,
) -> Result<Vec<Unread>, StoreError> {
    let after = after.map_or(0, |id| id.0);
    unread(
        view,
        "id > ?1 and missing is null and coalesce(disposition, '') <> 'repeat' order by id limit ?2",
        values![after, limit],
    )
}

/// First and last number of what is still to be read again.
fn again(view: &View) -> Result<Option<(i64, i64)>, StoreError> {
    let range = meta::get(view, READ_AGAIN)?;
    Ok(range.and_then(|range| {
        let (next, last) = range.split_once(' ')?;
        Some((next.parse().ok()?, last.parse().ok()?))
    }))
}

/// Sends every object back to be read again, for new rules. Costs nothing now: it is done in small
/// steps, behind objects that were never read. Objects without bytes keep their reading.
///
/// What was read before stays in use until the new reading replaces it: results must not shrink
/// and grow again while the store is being read.
///
/// # Errors
/// The store cannot be written.
pub fn read_all_again(tx: &Tx) -> Result<(), StoreError> {
    let last: i64 = tx
        .prepare("select coalesce(max(id), 0) from object")
        .one((), |r| r.get(0))?;
    meta::set(tx, READ_AGAIN, &format!("1 {last}"))
}

/// Notes how far reading again has come; `None` when nothing was left. Belongs in the transaction
/// that stores the readings.
///
/// # Errors
/// The store cannot be written.
pub fn note_read_again(tx: &Tx, up_to: Option<ObjectId>) -> Result<(), StoreError> {
    match (again(tx)?, up_to) {
        (Some((next, last)), Some(up_to)) => {
            let next = next.max(up_to.0.saturating_add(1));
            meta::set(tx, READ_AGAIN, &format!("{next} {last}"))
        }
        (Some(_), None) => meta::clear(tx, READ_AGAIN),
        (None, _) => Ok(()),
    }
}

/// Why the bytes of an object are not there.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Missing {
    /// Dropped on purpose, once they were old.
    Dropped,
    /// Found damaged.
    Damaged,
}

impl Missing {
    /// The word in the store and in JSON.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Missing::Dropped => "dropped",
            Missing::Damaged => "damaged",
        }
    }

    pub(super) fn from_word(word: &str) -> Result<Self, StoreError> {
        [Missing::Dropped, Missing::Damaged]
            .into_iter()
            .find(|one| one.word() == word)
            .ok_or_else(|| StoreError::Damaged {
                what: "an unknown word for missing bytes".to_owned(),
            })
    }
}

/// The bytes of an object as received, or without its pixels if they were taken out, checked
/// against their hash.
///
/// # Errors
/// There is no such object, its bytes were dropped, or they are not what was received.
pub fn body(view: &View, id: ObjectId) -> Result<Vec<u8>, StoreError> {
    let row = view
        .prepare(
            "select body, coalesce(kept_bytes, body_bytes), coalesce(kept_sha256, body_sha256),
                    missing, missing_since
             from object where id = ?1",
        )
        .first([id], |row| {
            let packed: Vec<u8> = row.get(0)?;
            let (bytes, sha256): (i64, Vec<u8>) = (row.get(1)?, row.get(2)?);
            let missing: (Option<String>, Option<String>) = (row.get(3)?, row.get(4)?);
            Ok((packed, bytes, sha256, missing))
        });
    let damaged = |how: &str| StoreError::Damaged {
        what: format!("object {id}: {how}"),
    };
    let (packed, bytes, sha256, missing) = match row {
        // A flipped byte in the head of a row makes its columns something else.
        Err(StoreError::Refused(refusal)) if refusal.kind() == Kind::Unfit => {
            return Err(damaged("its row is not what was stored"));
        }
        row => row?.ok_or_else(|| StoreError::Work(format!("there is no object {id}")))?,
    };
    if let (Some("dropped"), since) = (missing.0.as_deref(), missing.1) {
        let since = since.as_deref().and_then(|at| at.get(..10));
        return Err(StoreError::Dropped {
            object: id,
            on: since.unwrap_or("an unknown day").to_owned(),
        });
    }
    let bytes = u64::try_from(bytes).map_err(|_| damaged("its length is negative"))?;
    unpacked(&packed, bytes, &sha256).map_err(damaged)
}

/// The bytes that were packed, or how they are not those.
fn unpacked(packed: &[u8], bytes: u64, sha256: &[u8]) -> Result<Vec<u8>, &'static str> {
    let mut body = Vec::new();
    // One byte more than it should be: enough to notice, and no bomb.
    ZlibDecoder::new(packed)
        .take(bytes.saturating_add(1))
        .read_to_end(&mut body)
        .map_err(|_| "its bytes cannot be unpacked")?;
    if body.len() as u64 != bytes || Sha256::digest(&body).as_slice() != sha256 {
        return Err("its bytes do not have the hash they were stored with");
    }
    Ok(body)
}

/// Whether the bytes are here as they were received: neither dropped nor slimmed down.
///
/// # Errors
/// The store cannot be read.
pub fn is_whole(view: &View, id: ObjectId) -> Result<bool, StoreError> {
    let whole = view
        .prepare(
            "select case when missing is null and kept_sha256 is null then 1 else 0 end
             from object where id = ?1",
        )
        .first([id], |row| row.get(0))?;
    Ok(whole.unwrap_or(false))
}

/// The transfer syntax of an object; `None` when its bytes are a file that says so itself.
///
/// # Errors
/// There is no such object.
pub fn transfer_syntax(view: &View, id: ObjectId) -> Result<Option<String>, StoreError> {
    view.prepare("select transfer_syntax from object where id = ?1")
        .one([id], |row| row.get(0))
}

/// Notes that the bytes of an object are damaged. A reading made of them before stays in use.
/// Returns whether there is one.
///
/// # Errors
/// The store cannot be written.
pub fn note_damaged(tx: &Tx, id: ObjectId, now: DateTime<Utc>) -> Result<bool, StoreError> {
    let read = tx
        .prepare(
            "update object set missing = 'damaged', missing_since = ?2,
                    state = case when reading is null then state else 'read' end
             where id = ?1 returning case when reading is null then 0 else 1 end",
        )
        .first(values![id, stamp::text(now)], |row| row.get(0))?;
    Ok(read.unwrap_or(false))
}

/// Drops the bytes of at most `limit` objects that were received before `before`, were read and
/// are not in quarantine; oldest first. Hash, length and reading stay. Returns how many.
///
/// Those of a patient with a result on its way to a destination are kept until it has arrived: a
/// delivery that is repeated must be the same bytes, and its forms are made from these.
///
/// # Errors
/// The store cannot be written.
pub fn drop_bodies(
    tx: &Tx,
    before: DateTime<Utc>,
    limit: u32,
    now: DateTime<Utc>,
) -> Result<usize, StoreError> {
    tx.prepare(
        "update object set body = ?4, missing = 'dropped', missing_since = ?3
             where id in (select id from object
                          where state = 'read' and missing is null
                            and disposition <> 'quarantined' and received_at < ?1
                            and not exists (
                                select 1 from result
                                join delivery on delivery.result_id = result.id
                                where result.patient_id = object.patient_id
                                  and result.patient_issuer = object.patient_issuer
                                  and delivery.state = 'waiting')
                          order by received_at, id limit ?2)",
    )
    .execute(values![
        stamp::text(before),
        limit,
        stamp::text(now),
        [0_u8; 0]
    ])
}

/// Whether any object was received before `before` whose bytes may go.
pub(super) fn has_droppable(view: &View, before: DateTime<Utc>) -> Result<bool, StoreError> {
    view.prepare(
        "select id from object
             where state = 'read' and missing is null
               and disposition <> 'quarantined' and received_at < ?1
             limit 1",
    )
    .exists([stamp::text(before)])
}

/// How many objects have no bytes: those cannot be read again.
///
/// # Errors
/// The store cannot be read.
pub fn count_missing(view: &View) -> Result<u32, StoreError> {
    view.prepare("select count(*) from object where missing is not null")
        .one((), |row| row.get(0))
}
