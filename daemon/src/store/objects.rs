//! Objects as received, byte for byte, pictures without their pixels unless these are wanted; what was
//! read from them is in [`readings`](super::readings).

use super::{StoreError, stamp};
use chrono::{DateTime, Utc};
use flate2::Compression;
use flate2::read::ZlibDecoder;
use flate2::write::ZlibEncoder;
use rusqlite::types::{FromSql, FromSqlResult, ToSqlOutput, ValueRef};
use rusqlite::{Connection, OptionalExtension, ToSql, params};
use sha2::{Digest, Sha256};
use std::fmt;
use std::io::{Read, Write};

/// The store's own number of an object: grows in the order of arrival.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct ObjectId(pub i64);

impl fmt::Display for ObjectId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

impl ToSql for ObjectId {
    fn to_sql(&self) -> rusqlite::Result<ToSqlOutput<'_>> {
        self.0.to_sql()
    }
}

impl FromSql for ObjectId {
    fn column_result(value: ValueRef<'_>) -> FromSqlResult<Self> {
        i64::column_result(value).map(ObjectId)
    }
}

/// An object on its way into the store, compressed and hashed by the thread that received it.
pub struct Incoming {
    body: Vec<u8>,
    body_bytes: i64,
    body_sha256: [u8; 32],
    transfer_syntax: Option<String>,
    source: String,
    default_issuer: String,
    received_at: String,
}

impl Incoming {
    /// Prepares `bytes`: a data set in `transfer_syntax`, or a whole Part 10 file if `None`.
    ///
    /// # Errors
    /// The bytes cannot be compressed.
    pub fn new(
        bytes: &[u8],
        transfer_syntax: Option<&str>,
        source: impl Into<String>,
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
        })
    }
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
pub fn slim_down(conn: &Connection, id: ObjectId, slim: &Slim) -> Result<(), StoreError> {
    let changed = conn
        .prepare_cached(
            "update object set body = ?2, kept_bytes = ?3, kept_sha256 = ?4 where id = ?1",
        )?
        .execute(params![id, slim.body, slim.bytes, slim.sha256])?;
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

/// Keeps an object, or counts it as a repeat of the same bytes.
///
/// # Errors
/// The store cannot be written.
pub fn keep(conn: &Connection, object: &Incoming) -> Result<Kept, StoreError> {
    let (id, repeats): (ObjectId, i64) = conn
        .prepare_cached(
            "insert into object (body, body_bytes, body_sha256, transfer_syntax, source,
                                 default_issuer, received_at)
             values (?1, ?2, ?3, ?4, ?5, ?6, ?7)
             on conflict (body_sha256, ifnull(transfer_syntax, ''))
                do update set repeats = repeats + 1
             returning id, repeats",
        )?
        .query_row(
            params![
                object.body,
                object.body_bytes,
                object.body_sha256,
                object.transfer_syntax,
                object.source,
                object.default_issuer,
                object.received_at,
            ],
            |row| Ok((row.get(0)?, row.get(1)?)),
        )?;
    Ok(if repeats == 0 {
        Kept::New(id)
    } else {
        Kept::Repeat(id)
    })
}

/// An object that waits to be read, without its bytes; those come from [`body`].
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Unread {
    /// Its number.
    pub id: ObjectId,
    /// Transfer syntax of the data set; `None`: the bytes are a Part 10 file.
    pub transfer_syntax: Option<String>,
    /// `dicom:` and the calling AE title, or `folder`.
    pub source: String,
    /// Issuer for patient ids that come without one; empty for none.
    pub default_issuer: String,
    /// When it was received.
    pub received_at: DateTime<Utc>,
    /// Content hash of the object as received, when its pixels were taken out since.
    pub content_sha256: Option<String>,
}

/// The objects that wait to be read, oldest first, at most `limit`.
///
/// # Errors
/// The store cannot be read.
pub fn next_unread(conn: &Connection, limit: u32) -> Result<Vec<Unread>, StoreError> {
    let mut statement = conn.prepare_cached(
        "select id, transfer_syntax, source, default_issuer, received_at,
                case when kept_sha256 is not null then content_sha256 end
         from object where state = 'received' order by id limit ?1",
    )?;
    let mut rows = statement.query([limit])?;
    let mut unread = Vec::new();
    while let Some(row) = rows.next()? {
        unread.push(Unread {
            id: row.get(0)?,
            transfer_syntax: row.get(1)?,
            source: row.get(2)?,
            default_issuer: row.get(3)?,
            received_at: stamp::time(&row.get::<_, String>(4)?)?,
            content_sha256: row.get(5)?,
        });
    }
    Ok(unread)
}

/// The bytes of an object as received, or without its pixels if they were taken out, checked
/// against their hash.
///
/// # Errors
/// There is no such object, or its bytes are not what was received.
pub fn body(conn: &Connection, id: ObjectId) -> Result<Vec<u8>, StoreError> {
    let (packed, bytes, sha256): (Vec<u8>, i64, Vec<u8>) = conn
        .prepare_cached(
            "select body, ifnull(kept_bytes, body_bytes), ifnull(kept_sha256, body_sha256)
             from object where id = ?1",
        )?
        .query_row([id], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)))
        .optional()?
        .ok_or_else(|| StoreError::Work(format!("there is no object {id}")))?;
    let damaged = |how: &str| StoreError::Damaged {
        what: format!("object {id}: {how}"),
    };
    let bytes = u64::try_from(bytes).map_err(|_| damaged("its length is negative"))?;
    let mut body = Vec::new();
    // One byte more than it should be: enough to notice, and no bomb.
    ZlibDecoder::new(packed.as_slice())
        .take(bytes.saturating_add(1))
        .read_to_end(&mut body)
        .map_err(|_| damaged("its bytes cannot be unpacked"))?;
    if Sha256::digest(&body).as_slice() != sha256 {
        return Err(damaged(
            "its bytes do not have the hash they were stored with",
        ));
    }
    Ok(body)
}

/// Compares the bytes of every object with their hash; returns what does not fit, by number.
///
/// # Errors
/// The store cannot be read at all.
pub fn verify_bodies(conn: &Connection) -> Result<Vec<(ObjectId, String)>, StoreError> {
    let ids: Vec<ObjectId> = conn
        .prepare("select id from object order by id")?
        .query_map([], |row| row.get(0))?
        .collect::<Result<_, _>>()?;
    let mut damaged = Vec::new();
    for id in ids {
        match body(conn, id) {
            Ok(_) => {}
            Err(error @ (StoreError::Damaged { .. } | StoreError::Sqlite(_))) => {
                damaged.push((id, error.to_string()));
            }
            Err(other) => return Err(other),
        }
    }
    Ok(damaged)
}
