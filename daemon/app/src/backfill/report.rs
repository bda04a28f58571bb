//! What a run is asked, and what it tells whoever watches.

use super::window::Window;
use chrono::NaiveDate;
use serde::Serialize;
use sheathline_net::connect::{Code, Failure};
use sheathline_store::StoreError;

/// What is asked for.
#[derive(Debug, Clone)]
pub struct Asked {
    /// First study date.
    pub from: NaiveDate,
    /// Last study date.
    pub to: NaiveDate,
    /// Only count.
    pub dry_run: bool,
    /// Also days that are finished and objects that are stored.
    pub again: bool,
    /// Who wants it, as the system knows them.
    pub user: String,
}

/// What came of a window, or of all.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize)]
pub struct Counts {
    /// Studies that may hold reports.
    pub studies: u64,
    /// Series of reports.
    pub series: u64,
    /// Reports.
    pub objects: u64,
    /// Of these, stored before.
    pub stored_before: u64,
    /// Of these, got now.
    pub fetched: u64,
    /// Bytes of those got over our own connection.
    pub bytes: u64,
    /// Of these, named by the archive and not to be had.
    pub missing: u64,
    /// Questions that were not answered to their end.
    pub incomplete: u64,
}

impl Counts {
    pub(super) fn add(&mut self, other: &Counts) {
        self.studies += other.studies;
        self.series += other.series;
        self.objects += other.objects;
        self.stored_before += other.stored_before;
        self.fetched += other.fetched;
        self.bytes += other.bytes;
        self.missing += other.missing;
        self.incomplete += other.incomplete;
    }
}

/// What happened, for whoever watches. UIDs and numbers only.
#[derive(Debug, Serialize)]
#[serde(tag = "event", rename_all = "snake_case")]
pub enum Event<'a> {
    /// A window is through.
    Window {
        /// Which.
        window: Window,
        /// Whether it was finished before and not asked for.
        finished_before: bool,
        /// What came of it.
        #[serde(flatten)]
        counts: Counts,
    },
    /// An object that the archive names and does not deliver.
    Missing {
        /// Study Instance UID.
        study: &'a str,
        /// Series Instance UID.
        series: &'a str,
        /// SOP Instance UID.
        instance: &'a str,
        /// What the reason is.
        code: Code,
        /// The reason, in words.
        words: &'a str,
    },
    /// A question that was not answered to its end.
    Incomplete {
        /// In this window.
        window: Window,
        /// Of this study, if it was about one.
        study: Option<&'a str>,
        /// Why.
        words: &'a str,
    },
    /// Nothing is asked until the hours begin.
    Waiting {
        /// For so long.
        seconds: u64,
    },
    /// The connection was lost and is made anew.
    Again {
        /// What it is.
        code: Code,
        /// Why, in words.
        words: &'a str,
    },
}

/// Why it ended before the last window. Everything before that is stored.
#[derive(Debug, thiserror::Error)]
pub enum Stop {
    /// The archive is away, or refuses.
    #[error("{0} ({code})", code = .0.code)]
    Archive(Failure),
    /// The store takes nothing.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// Nobody could be told of the question, so it was not asked.
    #[error("the audit trail cannot be written; [observe] audit names it")]
    Trail,
}
