//! The spool in `status`.

use super::super::{Failure, opening};
use super::size;
use crate::config::Config;
use crate::health::needs::Needed;
use crate::standing::{Lasting, Need, time};
use chrono::{DateTime, Utc};
use serde::Serialize;
use sheathline_store::Mode;
use sheathline_store::spool::Spool as File;

/// How the spool stands.
#[derive(Debug, Serialize)]
pub(super) struct Spool {
    /// Objects that wait to be forwarded.
    waiting: u64,
    waiting_bytes: u64,
    /// When the oldest of them was received.
    oldest: Option<DateTime<Utc>>,
    /// Objects that the store does not take.
    aside: u64,
    aside_bytes: u64,
    /// Objects that the store has, since the spool was made.
    forwarded: u64,
    /// Until where it takes objects.
    limit_bytes: u64,
    /// Since when nothing can be forwarded, and why.
    held_up: Option<Lasting>,
}

impl Spool {
    /// `None` where there is none, or one that the configuration does not ask for and that is empty.
    pub(super) fn of(config: &Config) -> Result<Option<Spool>, Failure> {
        let spools = config.store.spools();
        let path = config.store.spool_file();
        if !File::was_made(&path) || (!spools && !path.exists()) {
            return Ok(None);
        }
        let spool = opening::spool(config, Mode::Guest)?;
        let standing = spool.standing()?;
        if !spools && standing.waiting.objects == 0 && standing.aside.objects == 0 {
            return Ok(None);
        }
        let held_up = standing.trouble.map(|trouble| Lasting {
            since: trouble.since,
            what: trouble.what,
        });
        Ok(Some(Spool {
            waiting: standing.waiting.objects,
            waiting_bytes: standing.waiting.bytes,
            oldest: standing.oldest,
            aside: standing.aside.objects,
            aside_bytes: standing.aside.bytes,
            forwarded: standing.forwarded,
            limit_bytes: spool.limits().bytes,
            held_up,
        }))
    }

    /// For a person at the terminal.
    pub(super) fn line(&self) -> String {
        let mut line = format!(
            "{} objects wait ({} of {})",
            self.waiting,
            size(Some(self.waiting_bytes + self.aside_bytes)),
            size(Some(self.limit_bytes))
        );
        if self.oldest.is_some() {
            line.push_str(&format!(", since {}", time(self.oldest)));
        }
        line.push_str(&format!(", {} forwarded", self.forwarded));
        if self.aside > 0 {
            line.push_str(&format!(", {} SET ASIDE", self.aside));
        }
        line
    }

    /// Since when nothing can be forwarded, and why.
    pub(super) fn held_up(&self) -> Option<&Lasting> {
        self.held_up.as_ref()
    }

    /// What somebody has to see to.
    pub(super) fn needs(&self) -> Vec<Need> {
        let held_up = self.held_up.as_ref().map(|one| {
            let since = time(Some(one.since));
            let what = format!(
                "nothing is forwarded to the store, since {since}: {}",
                one.what
            );
            Need::of(Needed::SpoolHeldUp, what)
        });
        let aside = (self.aside > 0).then(|| {
            let what = format!(
                "{} objects that were acknowledged are set aside in the spool; spool-set-aside in the \
                 log says why",
                self.aside
            );
            Need::of(Needed::SpoolAside, what)
        });
        held_up.into_iter().chain(aside).collect()
    }
}
