//! A stored result with what its forms for other systems need.

use crate::decoding::{self, Effort};
use crate::known::{content_of, sound_before};
use sheathline_model::domain::PatientKey;
use sheathline_model::forms::Context;
use sheathline_model::results::{Content, Envelope, Replaced, cautions, envelope, seen};
use sheathline_model::sr::{self, Limits, Origin};
use sheathline_store::objects;
use sheathline_store::readings::{self, StoredDisposition};
use sheathline_store::results::{self, ResultRow};
use sheathline_store::{Store, StoreError, View};
use std::collections::BTreeSet;

/// One result with what its forms need.
pub struct Parcel {
    /// The result.
    pub result: Envelope,
    /// Its sources and the version before it.
    pub context: Context,
    /// Results of the same patient that stood when this one was made, for the picture.
    pub others: Vec<Content>,
}

/// A row as it is published, with what it takes back of the version before it.
///
/// # Errors
///
/// When the row is damaged, or the store cannot be read.
pub fn envelope(conn: &View, row: &ResultRow) -> Result<Envelope, StoreError> {
    let content = content_of(row)?;
    let before = match row.supersedes {
        Some(_) => sound_before(conn, row)?,
        None => None,
    };
    let replaces =
        before.and_then(|(version, before)| Replaced::of(version, &before, &content, &row.why));
    Ok(Envelope {
        schema: envelope::schema_of(&content).to_owned(),
        software: concat!("sheathline ", env!("CARGO_PKG_VERSION")).to_owned(),
        version: row.version,
        key: row.key.clone(),
        seen_key: seen(&content)
            .map_err(|error| StoreError::Work(error.to_string()))?
            .key(),
        supersedes: row.supersedes,
        why: row.why.clone(),
        replaces,
        created_at: row
            .created_at
            .to_rfc3339_opts(chrono::SecondsFormat::Secs, true),
        notice: cautions::NOT_A_DEVICE.to_owned(),
        content,
    })
}

/// A result as it is brought to a destination: the same whenever this is asked, as long as the
/// program is the same and the bytes of its sources are kept.
///
/// # Errors
///
/// When the store cannot be read, or the result is damaged.
pub fn parcel(store: &Store, number: i64, row: &ResultRow) -> Result<Parcel, StoreError> {
    let result = store.read(|conn| envelope(conn, row))?;
    // As they were joined when it was made, whatever was said since.
    let joined = result.content.joined.iter();
    let mut ids: BTreeSet<&PatientKey> = joined.flat_map(|one| [&one.from, &one.into]).collect();
    ids.insert(&row.patient);
    let others = store.read(|conn| {
        let of = |key| results::beside(conn, number, key);
        ids.into_iter().map(of).collect::<Result<Vec<_>, _>>()
    })?;
    Ok(Parcel {
        context: context(store, row)?,
        // A damaged one is not in the picture.
        others: others
            .iter()
            .flatten()
            .filter_map(|row| content_of(row).ok())
            .collect(),
        result,
    })
}

/// The objects that a result rests on, and the version before it.
///
/// An object whose bytes are dropped or damaged is left out, and so is a damaged version.
///
/// # Errors
///
/// When the store cannot be read, or the result is damaged.
pub fn context(store: &Store, row: &ResultRow) -> Result<Context, StoreError> {
    let content = content_of(row)?;
    let study = &content.exam.study_instance_uid;
    let (sources, before) = store.read(|conn| {
        let mut sources: Vec<Origin> = Vec::new();
        for stored in readings::by_study(conn, study)? {
            let uid = &stored.reading.sop_instance_uid;
            let is_named = content
                .reports
                .iter()
                .any(|one| Some(&one.sop_instance_uid) == uid.as_ref());
            if !is_named || stored.disposition == StoredDisposition::Repeat {
                continue;
            }
            let bytes = match objects::body(conn, stored.id) {
                Err(StoreError::Damaged { .. } | StoreError::Dropped { .. }) => continue,
                bytes => bytes?,
            };
            let syntax = objects::transfer_syntax(conn, stored.id)?;
            let _turn = decoding::own_turn(Effort::of(&bytes, syntax.as_deref()));
            sources.extend(sr::origin(&bytes, syntax.as_deref(), &Limits::default()).ok());
        }
        let before = match row.supersedes {
            Some(version) => results::version(conn, &row.exam_id, version)?,
            None => None,
        };
        let before = before.and_then(|row| envelope(conn, &row).ok());
        Ok((sources, before))
    })?;
    Ok(Context {
        sources,
        previous: before.map(Box::new),
        reminder: false,
    })
}
