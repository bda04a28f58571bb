//! Numbers of the spool; all are 0 where none is.

use super::{Metrics, Seconds};
use chrono::{DateTime, Utc};
use prometheus_client::metrics::counter::Counter;
use prometheus_client::metrics::gauge::Gauge;
use prometheus_client::registry::{Registry, Unit};
use sheathline_store::spool::Standing;

#[derive(Debug, Default)]
pub(super) struct Spool {
    waiting: Gauge,
    bytes: Gauge,
    oldest: Seconds,
    aside: Gauge,
    held_up: Gauge,
    forwarded: Counter,
}

impl Spool {
    /// Name and meaning of each, as in [`Metrics`].
    pub(super) fn register(&self, all: &mut Registry) {
        all.register(
            "spool_waiting",
            "Objects in the spool that are not forwarded to the store yet",
            self.waiting.clone(),
        );
        all.register_with_unit(
            "spool_size",
            "Compressed objects in the spool, with those that are set aside",
            Unit::Bytes,
            self.bytes.clone(),
        );
        all.register_with_unit(
            "spool_oldest",
            "For how long the oldest object in the spool has waited; 0 if none does",
            Unit::Seconds,
            self.oldest.clone(),
        );
        all.register(
            "spool_aside",
            "Objects that the store does not take, set aside in the spool",
            self.aside.clone(),
        );
        all.register(
            "spool_held_up",
            "1 while nothing can be forwarded to the store",
            self.held_up.clone(),
        );
        all.register(
            "spool_forwarded",
            "Objects that were forwarded to the store since the start",
            self.forwarded.clone(),
        );
    }
}

impl Metrics {
    /// So many objects are in the store and out of the spool.
    pub fn forwarded(&self, objects: usize) {
        self.spool.forwarded.inc_by(objects as u64);
    }

    /// How the spool stands.
    pub fn spool(&self, standing: &Standing, now: DateTime<Utc>) {
        let number = |number: u64| i64::try_from(number).unwrap_or(i64::MAX);
        let spool = &self.spool;
        spool.waiting.set(number(standing.waiting.objects));
        let bytes = standing.waiting.bytes.saturating_add(standing.aside.bytes);
        spool.bytes.set(number(bytes));
        let age = standing.oldest.map(|since| now - since);
        let age = age.and_then(|age| age.to_std().ok()).unwrap_or_default();
        spool.oldest.set(age.as_secs_f64());
        spool.aside.set(number(standing.aside.objects));
        spool.held_up.set(standing.trouble.is_some().into());
    }
}
