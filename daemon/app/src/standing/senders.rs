//! Whether the reports of a sender are as they always were.

use super::{Need, time};
use crate::health::needs::Needed;
use chrono::{DateTime, Utc};
use serde::Serialize;
use sheathline_model::legible::short;
use sheathline_model::watch::Brought;
use sheathline_store::watched::{self, Since, Watched};
use sheathline_store::{Store, StoreError};

/// Letters of a name that are shown.
const NAME: usize = 80;

/// What the last reports of one sender brought.
#[derive(Debug, Serialize)]
pub(crate) struct SenderRow {
    /// `dicom:` and the calling AE title, `folder` or `web`.
    pub(crate) sender: String,
    /// `MAKER|MODEL|SERIAL` by the header; empty where it names none.
    pub(crate) machine: String,
    /// The last reports, so many.
    pub(crate) reports: usize,
    /// Of those, how many had sheath values.
    pub(crate) with_values: usize,
    /// Since when they have none, where that is no chance.
    pub(crate) values_stopped: Option<Worse>,
    /// Since when they hold more codes that nobody explains.
    pub(crate) unexplained_grew: Option<Worse>,
}

/// A change for the worse.
#[derive(Debug, Serialize)]
pub(crate) struct Worse {
    /// When the first report of it came.
    since: Option<DateTime<Utc>>,
    /// Reports since.
    pub(crate) reports: usize,
    /// Reports known before.
    before: usize,
    /// Of those, how many had values; or the most unexplained codes that one of them held.
    then: usize,
}

/// Every sender that had sheath values once.
pub(crate) fn of(store: &Store) -> Result<Vec<SenderRow>, StoreError> {
    store.read(|view| {
        let worse = |since: Option<Since>| -> Result<Option<Worse>, StoreError> {
            match since {
                None => Ok(None),
                Some(since) => Ok(Some(Worse {
                    since: watched::began(view, since)?,
                    reports: since.reports,
                    before: since.before,
                    then: since.then,
                })),
            }
        };
        let row = |Watched { sender, window }: Watched| {
            let reports = window.reports();
            let values = reports.iter().filter(|one| one.brought == Brought::Values);
            Ok(SenderRow {
                sender: sender.source,
                machine: sender.machine,
                reports: reports.len(),
                with_values: values.count(),
                values_stopped: worse(window.stopped())?,
                unexplained_grew: worse(window.grew())?,
            })
        };
        watched::all(view)?.into_iter().map(row).collect()
    })
}

impl SenderRow {
    fn name(&self) -> String {
        match self.machine.as_str() {
            "" => short(&self.sender, NAME),
            machine => format!("{} ({})", short(&self.sender, NAME), short(machine, NAME)),
        }
    }

    /// What somebody has to see to.
    pub(crate) fn needs(&self) -> impl Iterator<Item = Need> {
        let name = self.name();
        let stopped = self.values_stopped.as_ref().map(|one| {
            let what = format!(
                "{name}: the last {} reports hold no sheath value, since {}; {} of the {} before did. \
                 `unmapped` lists codes that nobody explains",
                one.reports,
                time(one.since),
                one.then,
                one.before
            );
            Need::of(Needed::ValuesStopped, what)
        });
        let grew = self.unexplained_grew.as_ref().map(|one| {
            let what = format!(
                "{name}: the last {} reports each hold more codes that nobody explains than any before, \
                 since {}; `unmapped` lists them",
                one.reports,
                time(one.since)
            );
            Need::of(Needed::UnexplainedGrew, what)
        });
        stopped.into_iter().chain(grew)
    }

    /// Name and how it is, for a person.
    pub(crate) fn line(&self) -> (String, String) {
        let mut line = format!(
            "{} of the last {} reports with values",
            self.with_values, self.reports
        );
        for (worse, what) in [
            (&self.values_stopped, "NO VALUES in the last"),
            (&self.unexplained_grew, "MORE UNEXPLAINED CODES in the last"),
        ] {
            if let Some(one) = worse {
                line += &format!("; {what} {}, since {}", one.reports, time(one.since));
            }
        }
        (format!("from {}", self.name()), line)
    }
}
