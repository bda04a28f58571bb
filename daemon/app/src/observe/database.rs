//! Whether the server behind the store answers, and what it says of itself; looked at again and again.

use super::Metrics;
use chrono::{DateTime, Utc};
use sheathline_store::postgres::probe::{self, Facts};
use sheathline_store::{Place, Store, StoreError};
use std::sync::mpsc::{RecvTimeoutError, Sender, channel};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::Duration;

/// Between two looks.
const LOOK_EVERY: Duration = Duration::from_secs(5);

/// How the server was at the last look. One line in the log begins an episode, one ends it.
#[derive(Debug, Default)]
pub struct DatabaseState(Mutex<Seen>);

#[derive(Debug, Default)]
struct Seen {
    away_since: Option<DateTime<Utc>>,
    takes_no_changes: bool,
}

impl DatabaseState {
    /// Since when the server does not answer, if it does not.
    #[must_use]
    pub fn away_since(&self) -> Option<DateTime<Utc>> {
        self.seen().away_since
    }

    /// Whether the server follows another one, so that nothing can be stored.
    #[must_use]
    pub fn takes_no_changes(&self) -> bool {
        self.seen().takes_no_changes
    }

    /// What a look at `server` brought.
    fn looked(&self, server: &str, found: &Result<Option<Facts>, StoreError>, now: DateTime<Utc>) {
        let mut seen = self.seen();
        match found {
            Err(error) => {
                if seen.away_since.is_none() {
                    seen.away_since = Some(now);
                    tracing::error!(
                        code = "database-away",
                        server,
                        %error,
                        "the database does not answer; this line comes once"
                    );
                }
            }
            Ok(facts) => {
                if let Some(since) = seen.away_since.take() {
                    let seconds = (now - since).num_seconds();
                    tracing::info!(code = "database-back", server, away_seconds = seconds);
                }
                let standby = facts.as_ref().is_some_and(|facts| facts.in_recovery);
                if standby && !seen.takes_no_changes {
                    tracing::error!(
                        code = "database-read-only",
                        server,
                        "the server is a standby that takes no changes; name the primary in [store] url"
                    );
                }
                seen.takes_no_changes = standby;
            }
        }
    }

    fn seen(&self) -> std::sync::MutexGuard<'_, Seen> {
        // It is changed in whole steps.
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Looks at the server while it lives.
#[derive(Debug)]
pub struct Watch {
    /// Ends the looks when it goes.
    stop: Option<Sender<()>>,
    thread: Option<JoinHandle<()>>,
}

impl Watch {
    /// Begins to look at the server of a store; `None` where the store is a file.
    ///
    /// # Errors
    /// The system gives no thread.
    pub fn start(
        store: &Store,
        state: &Arc<DatabaseState>,
        metrics: &Arc<Metrics>,
    ) -> std::io::Result<Option<Watch>> {
        let Place::Server(server) = store.place() else {
            return Ok(None);
        };
        let (server, store) = (server.clone(), store.clone());
        let (state, metrics) = (Arc::clone(state), Arc::clone(metrics));
        let (stop, stopped) = channel::<()>();
        let thread = std::thread::Builder::new()
            .name("database".to_owned())
            .spawn(move || {
                loop {
                    let found = probe::facts(&store);
                    let now = Utc::now();
                    state.looked(&server, &found, now);
                    metrics.database(
                        &server,
                        found.as_ref().ok().and_then(Option::as_ref),
                        state.away_since(),
                        now,
                    );
                    if stopped.recv_timeout(LOOK_EVERY) != Err(RecvTimeoutError::Timeout) {
                        return;
                    }
                }
            })?;
        Ok(Some(Watch {
            stop: Some(stop),
            thread: Some(thread),
        }))
    }
}

impl Drop for Watch {
    fn drop(&mut self) {
        self.stop = None;
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use sheathline_store::postgres::probe::Standbys;

    #[test]
    fn an_outage_begins_once_and_ends() {
        let state = DatabaseState::default();
        let at =
            |seconds: i64| DateTime::from_timestamp(1_700_000_000 + seconds, 0).expect("a time");
        let facts = |in_recovery| {
            Ok(Some(Facts {
                version: "15".to_owned(),
                synchronous_commit: "on".to_owned(),
                in_recovery,
                encryption: None,
                bytes: 0,
                standbys: Standbys::OfAnother,
            }))
        };
        state.looked("s", &facts(false), at(0));
        assert_eq!(state.away_since(), None);
        state.looked("s", &Err(StoreError::Busy), at(1));
        state.looked("s", &Err(StoreError::Busy), at(6));
        assert_eq!(state.away_since(), Some(at(1)), "since the first");
        state.looked("s", &facts(true), at(11));
        assert_eq!(state.away_since(), None);
        assert!(state.takes_no_changes());
        state.looked("s", &facts(false), at(16));
        assert!(!state.takes_no_changes());
    }
}
