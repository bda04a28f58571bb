//! Requests for Storage Commitment (PS3.4 annex J) of which the requester has no report yet.
//!
//! Two rows of `meta` a request, by the AE title that asked and its Transaction UID: when it came, when it
//! is looked at next and how often that was tried; and what it names. Written in one commit before the
//! request is answered; taken out when the requester has taken the report. Killed in between, it is
//! reported again.

use super::objects::{self, Missing};
use super::{StoreError, backlog, meta, readings, stamp};
use crate::view::{Tx, View};
use chrono::{DateTime, Utc};

/// Names in `meta` of the first row begin with this; AE title and Transaction UID follow.
const PREFIX: &str = "commitment:";

/// The first name that does not begin so.
const BEHIND: &str = "commitment;";

/// Names of the second row begin with this.
const NAMED: &str = "commitment-of:";

/// Requests of one sender that may be open: each takes up to 130 bytes an object on disk.
pub const OPEN_MAX: usize = 64;

/// Objects that one request may name.
pub const REFERENCES_MAX: usize = 10_000;

/// One object that a request names.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Reference {
    /// SOP Class UID.
    pub class: String,
    /// SOP Instance UID.
    pub instance: String,
}

/// A request that waits for its report.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Open {
    /// The calling AE title that asked.
    pub sender: String,
    /// Transaction UID.
    pub transaction: String,
    /// When it was received.
    pub since: DateTime<Utc>,
    /// When it is looked at next.
    pub due: DateTime<Utc>,
    /// How often somebody tried to report on it over an association of ours.
    pub tries: u32,
}

impl Open {
    fn text(&self) -> String {
        let Open {
            since, due, tries, ..
        } = self;
        format!("{} {} {tries}", stamp::text(*since), stamp::text(*due))
    }
}

/// What became of a request.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Received {
    /// It is kept.
    New,
    /// It is here already, naming the same.
    Same,
    /// Its Transaction UID is that of an open one that names something else.
    Other,
    /// The sender has as many open as it may have.
    TooMany,
}

fn named(prefix: &str, sender: &str, transaction: &str) -> String {
    // No UID has a blank; an AE title may.
    format!("{prefix}{sender} {transaction}")
}

/// Keeps a request.
///
/// # Errors
/// The store cannot be written.
pub fn receive(tx: &Tx, open: &Open, references: &[Reference]) -> Result<Received, StoreError> {
    let name = |prefix| named(prefix, &open.sender, &open.transaction);
    let lines = references
        .iter()
        .map(|one| format!("{} {}", one.class, one.instance));
    let lines = lines.collect::<Vec<_>>().join("\n");
    if meta::get(tx, &name(PREFIX))?.is_some() {
        let same = meta::get(tx, &name(NAMED))?.as_deref() == Some(&lines);
        return Ok(if same {
            Received::Same
        } else {
            Received::Other
        });
    }
    let own = all(tx)?.into_iter().filter(|one| one.sender == open.sender);
    if own.count() >= OPEN_MAX {
        return Ok(Received::TooMany);
    }
    meta::set(tx, &name(PREFIX), &open.text())?;
    meta::set(tx, &name(NAMED), &lines)?;
    Ok(Received::New)
}

/// Every request that waits for its report.
///
/// # Errors
/// The store cannot be read.
pub fn all(view: &View) -> Result<Vec<Open>, StoreError> {
    let statement =
        view.prepare("select name, value from meta where name >= ?1 and name < ?2 order by name");
    let rows = statement.all([PREFIX, BEHIND], |row| {
        Ok((row.get::<String>(0)?, row.get::<String>(1)?))
    })?;
    let open = |(name, value): (String, String)| {
        let (sender, transaction) = name.strip_prefix(PREFIX)?.rsplit_once(' ')?;
        let mut words = value.split(' ');
        Some(Open {
            sender: sender.to_owned(),
            transaction: transaction.to_owned(),
            since: stamp::time(words.next()?).ok()?,
            due: stamp::time(words.next()?).ok()?,
            tries: words.next()?.parse().ok()?,
        })
    };
    Ok(rows.into_iter().filter_map(open).collect())
}

/// What a request names, in its order.
///
/// # Errors
/// The store cannot be read.
pub fn references(view: &View, of: &Open) -> Result<Vec<Reference>, StoreError> {
    let lines = meta::get(view, &named(NAMED, &of.sender, &of.transaction))?;
    let reference = |line: &str| {
        let (class, instance) = line.split_once(' ')?;
        Some(Reference {
            class: class.to_owned(),
            instance: instance.to_owned(),
        })
    };
    Ok(lines
        .unwrap_or_default()
        .lines()
        .filter_map(reference)
        .collect())
}

/// Takes a request to report on it: nobody else does until it is due again. `None` if it is not as it
/// was, since somebody else took it or reported.
///
/// # Errors
/// The store cannot be written.
pub fn take(
    tx: &Tx,
    open: &Open,
    due: DateTime<Utc>,
    tries: u32,
) -> Result<Option<Open>, StoreError> {
    let name = named(PREFIX, &open.sender, &open.transaction);
    if meta::get(tx, &name)?.as_deref() != Some(&open.text()) {
        return Ok(None);
    }
    let taken = Open {
        due,
        tries,
        ..open.clone()
    };
    meta::set(tx, &name, &taken.text())?;
    Ok(Some(taken))
}

/// Takes a request out: it was reported on, or given up.
///
/// # Errors
/// The store cannot be written.
pub fn end(tx: &Tx, sender: &str, transaction: &str) -> Result<(), StoreError> {
    meta::clear(tx, &named(PREFIX, sender, transaction))?;
    meta::clear(tx, &named(NAMED, sender, transaction))
}

/// Whether an object is held for whoever sent it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Held {
    /// Byte for byte as it came, checked against its hash.
    Whole,
    /// Not here, or not as it came any more: old, or without its pixels.
    Absent,
    /// Here with another class.
    OtherClass,
    /// Here, and damaged.
    Damaged,
}

/// Whether an object is held; read for it.
///
/// # Errors
/// The store cannot be read.
pub fn held(view: &View, reference: &Reference) -> Result<Held, StoreError> {
    let found = match readings::by_sop_instance(view, &reference.instance) {
        Err(StoreError::ReadingDamaged { .. }) => return Ok(Held::Damaged),
        found => found?,
    };
    if found.is_empty() {
        return Ok(Held::Absent);
    }
    let class = Some(reference.class.as_str());
    let mut of_class = found
        .iter()
        .filter(|one| one.reading.sop_class_uid.as_deref() == class)
        .peekable();
    if of_class.peek().is_none() {
        return Ok(Held::OtherClass);
    }
    // Of two contents under one name the sender may mean either.
    for one in of_class {
        match one.missing {
            Some((Missing::Damaged, _)) => return Ok(Held::Damaged),
            Some((Missing::Dropped, _)) => return Ok(Held::Absent),
            None => {}
        }
        if !objects::is_whole(view, one.id)? {
            return Ok(Held::Absent);
        }
        match objects::body(view, one.id) {
            Ok(_) => {}
            Err(StoreError::Dropped { .. }) => return Ok(Held::Absent),
            Err(StoreError::Damaged { .. }) => return Ok(Held::Damaged),
            Err(error) => return Err(error),
        }
    }
    Ok(Held::Whole)
}

/// Whether objects that came before a request are still to be read: which they are is not known yet.
///
/// # Errors
/// The store cannot be read.
pub fn may_be_unread(view: &View, open: &Open) -> Result<bool, StoreError> {
    let oldest = backlog::backlog(view)?.objects.oldest;
    Ok(oldest.is_some_and(|at| at <= open.since))
}
