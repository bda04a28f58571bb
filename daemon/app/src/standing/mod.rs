//! How the service stands, from the store and the configuration alone: what waits, what was sent where,
//! what senders brought, which certificates end when, and what needs somebody. Shown by `status` and by
//! the page of the service.

pub(crate) mod certificates;
pub(crate) mod database;
mod deliveries;
mod dropped;
mod members;
mod senders;
mod silence;

pub(crate) use deliveries::Deliveries;
pub(crate) use dropped::DroppedRow;
pub(crate) use members::Members;
pub(crate) use senders::SenderRow;

use crate::config::Config;
use crate::health::needs::Needed;
use chrono::{DateTime, SecondsFormat, Utc};
use serde::Serialize;
use sheathline_store::backlog::{self, Waiting};
use sheathline_store::heard::{self, Heard};
use sheathline_store::overview::Overview;
use sheathline_store::trouble::{self, Trouble};
use sheathline_store::{Store, StoreError, View, bodies};
use std::collections::BTreeMap;

/// How the service stands.
#[derive(Debug, Serialize)]
pub(crate) struct Standing {
    pub(crate) last_received: Option<DateTime<Utc>>,
    pub(crate) quarantined_by_reason: BTreeMap<String, u64>,
    pub(crate) exams_by_status: BTreeMap<String, u64>,
    pub(crate) last_published: Option<DateTime<Utc>>,
    /// Whether old bodies stay because the clock cannot be right.
    pub(crate) bodies_kept_by_clock: bool,
    pub(crate) waiting: Vec<Stage>,
    /// Nothing can be written into the outbox, as the daemon says or said last.
    pub(crate) outbox_unwritable: Option<Lasting>,
    /// Single results cannot be written.
    pub(crate) results_not_written: Option<Lasting>,
    /// Patients that the issuers of the configuration would split, as the daemon found at its start.
    pub(crate) patients_apart: Option<Lasting>,
    pub(crate) deliveries: Vec<Deliveries>,
    /// What the last reports of each sender brought that had sheath values once.
    pub(crate) senders: Vec<SenderRow>,
    /// What was answered with success and not kept, since `other_classes` says so.
    pub(crate) dropped: Vec<DroppedRow>,
    /// The daemons that share the store, where it is on a server.
    pub(crate) members: Option<Members>,
    /// What does not pass by itself.
    pub(crate) needs: Vec<Need>,
}

/// Something that a person has to see to.
#[derive(Debug, Serialize)]
pub(crate) struct Need {
    pub(crate) code: &'static str,
    pub(crate) what: String,
}

impl Need {
    pub(crate) fn of(needed: Needed, what: String) -> Self {
        Need {
            code: needed.code(),
            what,
        }
    }
}

/// What is wrong, and since when.
#[derive(Debug, Serialize)]
pub(crate) struct Lasting {
    pub(crate) since: DateTime<Utc>,
    pub(crate) what: String,
}

#[derive(Debug, Serialize)]
pub(crate) struct Stage {
    pub(crate) what: &'static str,
    pub(crate) count: u64,
    pub(crate) oldest: Option<DateTime<Utc>>,
}

/// Gathers how the service stands; `look` is [`sheathline_store::overview::overview`], or [`sheathline_store::overview::quick`] where it is
/// asked for again and again.
///
/// # Errors
/// The store cannot be read.
pub(crate) fn of(
    config: &Config,
    store: &Store,
    look: fn(&View) -> Result<Overview, StoreError>,
) -> Result<Standing, StoreError> {
    let overview = store.read(look)?;
    let backlog = store.read(backlog::backlog)?;
    let (outbox_unwritable, results_not_written, patients_apart) = store.read(|view| {
        Ok((
            lasting(view, trouble::OUTBOX)?,
            lasting(view, trouble::RESULTS)?,
            lasting(view, trouble::ISSUERS)?,
        ))
    })?;
    let deliveries = deliveries::of(config, store)?;
    let senders = senders::of(store)?;
    let heard = store.read(heard::all)?;
    let ahead = store
        .read(|conn| bodies::ahead(conn, Utc::now()))?
        .is_some();
    let members = members::of(config, store)?;
    let of_members = members.iter().flat_map(|all| all.needs(Utc::now()));
    let needs = needs(
        config,
        outbox_unwritable.as_ref(),
        results_not_written.as_ref(),
        &deliveries,
        &senders,
        &heard,
    );
    let needs = needs.into_iter().chain(of_members).collect();
    Ok(Standing {
        last_received: overview.last_received,
        quarantined_by_reason: overview.quarantined,
        exams_by_status: overview.exams,
        last_published: overview.last_published,
        bodies_kept_by_clock: config.store.keep_bodies_days > 0 && ahead,
        waiting: vec![
            Stage::of("objects to read", backlog.objects),
            Stage::of("patients to assess", backlog.patients),
            Stage::of("results to publish", backlog.results),
        ],
        members,
        needs,
        outbox_unwritable,
        results_not_written,
        patients_apart,
        deliveries,
        senders,
        dropped: dropped::of(store)?,
    })
}

fn lasting(view: &View, of: &str) -> Result<Option<Lasting>, StoreError> {
    let found = trouble::of(view, of)?;
    Ok(found.map(|Trouble { since, what, .. }| Lasting { since, what }))
}

impl Stage {
    fn of(what: &'static str, Waiting { count, oldest }: Waiting) -> Stage {
        Stage {
            what,
            count,
            oldest,
        }
    }
}

/// What somebody has to see to, beside what the daemon says when it is asked.
fn needs(
    config: &Config,
    outbox: Option<&Lasting>,
    results: Option<&Lasting>,
    deliveries: &[Deliveries],
    senders: &[SenderRow],
    heard: &[Heard],
) -> Vec<Need> {
    let lasting = |needed, one: &Lasting, way_out| {
        let since = time(Some(one.since));
        Need::of(needed, format!("{}, since {since}{way_out}", one.what))
    };
    let outbox = outbox.map(|one| lasting(Needed::OutboxUnwritable, one, ""));
    let results = results.map(|one| {
        let way_out = "; result-not-written in the log says why";
        lasting(Needed::ResultsNotWritten, one, way_out)
    });
    let unencrypted = config.store.unencrypted();
    let unencrypted = unencrypted.map(|what| Need::of(Needed::StoreNotEncrypted, what));
    let now = Utc::now();
    let deliveries = deliveries.iter().flat_map(|one| one.needs(now));
    outbox
        .into_iter()
        .chain(results)
        .chain(deliveries)
        .chain(senders.iter().flat_map(SenderRow::needs))
        .chain(silence::needs(config, heard, now))
        .chain(unencrypted)
        .collect()
}

/// A time for people.
pub(crate) fn time(at: Option<DateTime<Utc>>) -> String {
    at.map_or("never".to_owned(), |at| {
        at.to_rfc3339_opts(SecondsFormat::Secs, true)
    })
}
