//! Who shares the store, and how much of the work is this daemon's.

use prometheus_client::metrics::gauge::Gauge;
use prometheus_client::registry::Registry;

/// Both are 0 where nobody shares the store.
#[derive(Debug, Default)]
pub(super) struct Members {
    alive: Gauge,
    duties: Gauge,
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
    }

    pub(super) fn are(&self, alive: usize, duties: usize) {
        let number = |count: usize| i64::try_from(count).unwrap_or(i64::MAX);
        self.alive.set(number(alive));
        self.duties.set(number(duties));
    }
}
