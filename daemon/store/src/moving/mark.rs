//! What a store says of a move: that it is still coming from elsewhere, or that it went.

use crate::{StoreError, Tx, View, meta};
use serde::{Deserialize, Serialize, de::DeserializeOwned};

/// Name under which a store that is not whole yet says so.
pub(super) const COMING: &str = "moving_from";

/// Name under which a store that went says where to.
pub(super) const GONE: &str = "moved_to";

/// A store that is being filled. It is none until this is taken away.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(super) struct Coming {
    /// Where it comes from.
    pub(super) from: String,
    /// The commits that the store there knew of: with another number what was copied is old.
    pub(super) commits: u64,
    pub(super) how: How,
}

/// How far it is.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub(super) enum How {
    /// Rows are being copied.
    Copying {
        /// The table under way.
        table: String,
        /// Key of the last row that is here, each value in words of [`super::rows::Cell::word`].
        after: Vec<String>,
    },
    /// All of it is here, and was compared.
    Compared,
    /// It was compared, and is not the same.
    Different,
}

/// A store that went.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(super) struct Gone {
    /// Where to.
    pub(super) to: String,
    /// When, as a person reads it.
    pub(super) at: String,
}

fn read<T: DeserializeOwned>(view: &View, name: &str) -> Result<Option<T>, StoreError> {
    let Some(text) = meta::get(view, name)? else {
        return Ok(None);
    };
    serde_json::from_str(&text)
        .map(Some)
        .map_err(|_| StoreError::Damaged {
            what: format!("what it says under {name}"),
        })
}

fn write<T: Serialize>(tx: &Tx, name: &str, mark: &T) -> Result<(), StoreError> {
    let text = serde_json::to_string(mark).map_err(|error| StoreError::Work(error.to_string()))?;
    meta::set(tx, name, &text)
}

pub(super) fn coming(view: &View) -> Result<Option<Coming>, StoreError> {
    read(view, COMING)
}

pub(super) fn gone(view: &View) -> Result<Option<Gone>, StoreError> {
    read(view, GONE)
}

pub(super) fn set_coming(tx: &Tx, mark: &Coming) -> Result<(), StoreError> {
    write(tx, COMING, mark)
}

pub(super) fn set_gone(tx: &Tx, mark: &Gone) -> Result<(), StoreError> {
    write(tx, GONE, mark)
}

/// Takes away that it is still coming.
pub(super) fn has_come(tx: &Tx) -> Result<(), StoreError> {
    meta::clear(tx, COMING)
}

/// Takes away that it went: a copy put back on purpose.
pub(crate) fn has_come_back(tx: &Tx) -> Result<(), StoreError> {
    meta::clear(tx, GONE)
}

/// Refuses a store that is not whole yet.
///
/// # Errors
/// [`StoreError::Coming`].
pub(crate) fn refuse_coming(view: &View, place: &str) -> Result<(), StoreError> {
    coming(view)?.map_or(Ok(()), |mark| {
        Err(StoreError::Coming {
            place: place.to_owned(),
            from: mark.from,
        })
    })
}

/// Whether a store says neither: one short question, for whoever asks often.
pub(crate) fn is_here(view: &View) -> Result<bool, StoreError> {
    let marked = view
        .prepare("select 1 from meta where name = ?1 or name = ?2")
        .exists([COMING, GONE])?;
    Ok(!marked)
}

/// Refuses a store that is not whole yet, and one that went.
///
/// # Errors
/// [`StoreError::Coming`], [`StoreError::Moved`].
pub(crate) fn refuse(view: &View, place: &str) -> Result<(), StoreError> {
    refuse_coming(view, place)?;
    gone(view)?.map_or(Ok(()), |mark| {
        Err(StoreError::Moved {
            place: place.to_owned(),
            to: mark.to,
            at: mark.at,
        })
    })
}
