//! What the last reports of each sender brought, so that it is known after a restart too.
//!
//! One row of `meta` a sender, written in the commit that stores a reading. A sender is watched from its
//! first report with sheath values on, so whoever sends none fills no row.

use super::objects::ObjectId;
use super::{StoreError, meta, stamp};
use crate::view::{Tx, View};
use chrono::{DateTime, Utc};
pub use sheathline_model::watch::Since;
use sheathline_model::watch::{Brought, Report, Sender, Window};

/// Names in `meta` begin with this; the source follows, and the machine behind a line end.
const PREFIX: &str = "watched:";

/// The first name that does not begin so.
const BEHIND: &str = "watched;";

/// Senders that are watched. For one more the one goes that sent nothing for longest.
pub const SENDERS: usize = 64;

/// One sender.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Watched {
    /// Who sends.
    pub sender: Sender,
    /// What its last reports brought.
    pub window: Window,
}

/// What a report began.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Began {
    /// Since when the reports of the sender have no sheath values, if nobody knew before.
    pub stopped: Option<Since>,
    /// Since when they hold more unexplained codes, likewise.
    pub grew: Option<Since>,
}

fn name(sender: &Sender) -> String {
    format!("{PREFIX}{}\n{}", sender.source, sender.machine)
}

/// Notes what a reading brought; `None` where it says nothing.
///
/// # Errors
/// The store cannot be written.
pub fn note(
    tx: &Tx,
    sender: &Sender,
    object: ObjectId,
    report: Option<Report>,
) -> Result<Began, StoreError> {
    let name = name(sender);
    let before = meta::get(tx, &name)?;
    let mut window: Window = match &before {
        // A damaged one begins anew.
        Some(text) => text.parse().unwrap_or_default(),
        None if report.is_some_and(|one| one.brought == Brought::Values) => {
            make_room(tx)?;
            Window::default()
        }
        None => return Ok(Began::default()),
    };
    let was = (window.stopped(), window.grew());
    window.note(object.0, report);
    let text = window.to_string();
    if before.as_deref() != Some(&text) {
        meta::set(tx, &name, &text)?;
    }
    Ok(Began {
        stopped: window.stopped().filter(|_| was.0.is_none()),
        grew: window.grew().filter(|_| was.1.is_none()),
    })
}

/// Takes the sender out that sent nothing for longest, where there are as many as can be.
fn make_room(tx: &Tx) -> Result<(), StoreError> {
    let all = all(tx)?;
    if all.len() < SENDERS {
        return Ok(());
    }
    let newest = |one: &&Watched| one.window.reports().last().map(|last| last.object);
    match all.iter().min_by_key(newest) {
        Some(oldest) => meta::clear(tx, &name(&oldest.sender)),
        None => Ok(()),
    }
}

/// All senders that are watched, by name.
///
/// # Errors
/// The store cannot be read.
pub fn all(view: &View) -> Result<Vec<Watched>, StoreError> {
    let statement =
        view.prepare("select name, value from meta where name >= ?1 and name < ?2 order by name");
    let rows = statement.all([PREFIX, BEHIND], |row| {
        Ok((row.get::<String>(0)?, row.get::<String>(1)?))
    })?;
    let watched = |(name, value): (String, String)| {
        let (source, machine) = name.strip_prefix(PREFIX)?.split_once('\n')?;
        Some(Watched {
            sender: Sender {
                source: source.to_owned(),
                machine: machine.to_owned(),
            },
            window: value.parse().unwrap_or_default(),
        })
    };
    Ok(rows.into_iter().filter_map(watched).collect())
}

/// When the first report of a state came.
///
/// # Errors
/// The store cannot be read.
pub fn began(view: &View, since: Since) -> Result<Option<DateTime<Utc>>, StoreError> {
    let text: Option<String> = view
        .prepare("select received_at from object where id = ?1")
        .first([since.object], |row| row.get(0))?;
    text.map(|text| stamp::time(&text)).transpose()
}
