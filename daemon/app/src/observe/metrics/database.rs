//! Numbers of the server behind the store; there are none where the store is a file.

use super::Metrics;
use chrono::{DateTime, Utc};
use prometheus_client::encoding::EncodeLabelSet;
use prometheus_client::metrics::family::Family;
use prometheus_client::metrics::gauge::Gauge;
use prometheus_client::registry::{Registry, Unit};
use sheathline_store::postgres::probe::{Facts, Standbys};

#[derive(Debug, Clone, PartialEq, Eq, Hash, EncodeLabelSet)]
struct Server {
    server: String,
}

#[derive(Debug, Default)]
pub(super) struct Database {
    reached: Family<Server, Gauge>,
    away: Family<Server, Gauge>,
    takes_changes: Family<Server, Gauge>,
    encrypted: Family<Server, Gauge>,
    size: Family<Server, Gauge>,
    standbys: Family<Server, Gauge>,
    synchronous: Family<Server, Gauge>,
    lag: Family<Server, Gauge>,
}

impl Database {
    /// Name and meaning of each, as in [`Metrics`].
    pub(super) fn register(&self, all: &mut Registry) {
        all.register(
            "database_reached",
            "0 while the server behind the store does not answer",
            self.reached.clone(),
        );
        all.register_with_unit(
            "database_away",
            "Since the server behind the store was reached last; 0 while it is reached",
            Unit::Seconds,
            self.away.clone(),
        );
        all.register(
            "database_takes_changes",
            "0 where the server is a standby that takes no changes",
            self.takes_changes.clone(),
        );
        all.register(
            "database_encrypted",
            "Whether the connection to the server is encrypted",
            self.encrypted.clone(),
        );
        all.register_with_unit(
            "database_size",
            "The database on the disk of its server",
            Unit::Bytes,
            self.size.clone(),
        );
        all.register(
            "database_standbys",
            "Servers that follow, as far as the server tells",
            self.standbys.clone(),
        );
        all.register(
            "database_standbys_synchronous",
            "Of those, how many a commit waits for; absent where the server does not tell",
            self.synchronous.clone(),
        );
        all.register_with_unit(
            "database_standby_lag",
            "How far the last of those lies behind; absent where the server does not tell",
            Unit::Bytes,
            self.lag.clone(),
        );
    }
}

fn number(count: u64) -> i64 {
    i64::try_from(count).unwrap_or(i64::MAX)
}

impl Metrics {
    /// What a look at the server brought; without facts it did not answer.
    pub fn database(
        &self,
        server: &str,
        facts: Option<&Facts>,
        away_since: Option<DateTime<Utc>>,
        now: DateTime<Utc>,
    ) {
        let all = &self.database;
        let label = Server {
            server: server.to_owned(),
        };
        let set = |family: &Family<Server, Gauge>, value| {
            family.get_or_create(&label).set(value);
        };
        set(&all.reached, facts.is_some().into());
        let away = away_since.map_or(0, |since| (now - since).num_seconds().max(0));
        set(&all.away, away);
        let Some(facts) = facts else { return };
        set(&all.takes_changes, (!facts.in_recovery).into());
        set(&all.encrypted, facts.encryption.is_some().into());
        set(&all.size, number(facts.bytes));
        match &facts.standbys {
            Standbys::All { standbys } => {
                let sync = standbys.iter();
                let sync = sync.filter(|one| matches!(one.sync_state.as_str(), "sync" | "quorum"));
                set(&all.standbys, number(standbys.len() as u64));
                set(&all.synchronous, number(sync.count() as u64));
                let lag = standbys.iter().filter_map(|one| one.lag_bytes).max();
                set(&all.lag, number(lag.unwrap_or_default()));
            }
            Standbys::Number { number: count } => set(&all.standbys, number(*count)),
            Standbys::OfAnother => {}
        }
    }
}
