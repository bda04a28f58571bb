//! Who shares the store, and how much of the work is this daemon's.

use prometheus_client::metrics::gauge::Gauge;
use prometheus_client::registry::Registry;

/// All are 0 where nobody shares the store.
#[derive(Debug, Default)]
pub(super) struct Members {
    alive: Gauge,
    duties: Gauge,
    other_rules: Gauge,
}

impl Members {
    pub(super) fn register(&self, registry: &mut Registry) {
        registry.register(
            "members",
            "Daemons that share the store and are alive; 0: this one is none of them now, or does not share",
            self.alive.clone(),
        );
        registry.register(
            "duties",
            "Duties that this daemon holds among those that share the store",
            self.duties.clone(),
        );
        registry.register(
            "members_of_other_rules",
            "Hosts of daemons that share the store and work by another version, other parameters or dictionaries",
            self.other_rules.clone(),
        );
    }

    pub(super) fn are(&self, alive: usize, duties: usize) {
        self.alive.set(number(alive));
        self.duties.set(number(duties));
    }

    pub(super) fn differ(&self, others: usize) {
        self.other_rules.set(number(others));
    }
}

fn number(count: usize) -> i64 {
    i64::try_from(count).unwrap_or(i64::MAX)
}
