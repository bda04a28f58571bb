//! Numbers of deliveries, by destination.

use super::{Metrics, OTHER, Seconds, age_seconds};
use chrono::{DateTime, Utc};
use prometheus_client::encoding::EncodeLabelSet;
use prometheus_client::metrics::counter::Counter;
use prometheus_client::metrics::family::Family;
use prometheus_client::metrics::gauge::Gauge;
use prometheus_client::registry::{Registry, Unit};
use sheathline_store::backlog::Waiting;
use sheathline_store::deliveries::Backlog;
use std::collections::BTreeSet;
use std::sync::{Mutex, MutexGuard, PoisonError};

/// Codes of failed deliveries that are told apart, of all destinations.
const DELIVERY_CODES_MAX: usize = 100;

#[derive(Debug, Clone, PartialEq, Eq, Hash, EncodeLabelSet)]
struct To {
    destination: String,
}

#[derive(Debug, Clone, PartialEq, Eq, Hash, EncodeLabelSet)]
struct NotDelivered {
    destination: String,
    code: String,
}

#[derive(Debug, Default)]
pub(super) struct Deliveries {
    delivered: Family<To, Counter>,
    not_delivered: Family<NotDelivered, Counter>,
    /// The codes of `not_delivered`.
    codes: Mutex<BTreeSet<String>>,
    died: Family<To, Counter>,
    reached: Family<To, Gauge>,
    to_deliver: Family<To, Gauge>,
    to_deliver_oldest: Family<To, Seconds>,
    dead: Family<To, Gauge>,
    /// The destinations of the configuration.
    destinations: Mutex<BTreeSet<String>>,
}

fn to(destination: &str) -> To {
    To {
        destination: destination.to_owned(),
    }
}

impl Deliveries {
    /// Name and meaning of each, as in [`super::Metrics`].
    pub(super) fn register(&self, all: &mut Registry) {
        all.register(
            "deliveries",
            "Results that a destination took",
            self.delivered.clone(),
        );
        all.register(
            "delivery_failures",
            "Attempts that failed, by code",
            self.not_delivered.clone(),
        );
        all.register(
            "deliveries_died",
            "Results that a destination will not get unless somebody acts",
            self.died.clone(),
        );
        all.register(
            "destination_reached",
            "0 while a destination is down; its results wait",
            self.reached.clone(),
        );
        all.register(
            "deliveries_waiting",
            "Results that wait for a destination",
            self.to_deliver.clone(),
        );
        all.register_with_unit(
            "deliveries_oldest",
            "For how long the oldest of them has waited; 0 if none does",
            Unit::Seconds,
            self.to_deliver_oldest.clone(),
        );
        all.register(
            "deliveries_dead",
            "Results that failed for good at a destination and wait for somebody to act",
            self.dead.clone(),
        );
    }

    /// Names of destinations.
    fn known(&self) -> MutexGuard<'_, BTreeSet<String>> {
        let known = self.destinations.lock();
        known.unwrap_or_else(PoisonError::into_inner)
    }

    /// What waits for destinations: those of the configuration, and those that it names no more.
    pub(super) fn set(&self, backlog: &[Backlog], now: DateTime<Utc>) {
        self.to_deliver.clear();
        self.to_deliver_oldest.clear();
        self.dead.clear();
        for name in self.known().iter() {
            let _ = self.to_deliver.get_or_create(&to(name));
            let _ = self.to_deliver_oldest.get_or_create(&to(name));
            let _ = self.dead.get_or_create(&to(name));
        }
        for one in backlog {
            let to = to(&one.destination);
            let number = |count: u64| i64::try_from(count).unwrap_or(i64::MAX);
            let waiting = Waiting {
                count: one.waiting,
                oldest: one.oldest,
            };
            self.to_deliver.get_or_create(&to).set(number(one.waiting));
            self.dead.get_or_create(&to).set(number(one.dead));
            self.to_deliver_oldest
                .get_or_create(&to)
                .set(age_seconds(&waiting, now));
        }
    }
}

impl Metrics {
    /// There is a destination of this name; it counts as reached until it is not.
    pub fn destination(&self, name: &str) {
        let _ = self.deliveries.delivered.get_or_create(&to(name));
        let _ = self.deliveries.died.get_or_create(&to(name));
        self.deliveries.known().insert(name.to_owned());
        self.reached(name, true);
    }

    /// There is no destination of this name any more; what still waits for it is told on.
    pub fn no_destination(&self, name: &str) {
        let mut known = self.deliveries.known();
        known.remove(name);
        self.deliveries.reached.remove(&to(name));
    }

    /// Whether a destination was reached.
    pub fn reached(&self, destination: &str, is_up: bool) {
        // A worker that finishes may speak of a destination that is gone.
        let known = self.deliveries.known();
        if known.contains(destination) {
            let reached = self.deliveries.reached.get_or_create(&to(destination));
            reached.set(is_up.into());
        }
    }

    /// A destination took a result.
    pub fn delivered(&self, destination: &str) {
        self.deliveries
            .delivered
            .get_or_create(&to(destination))
            .inc();
    }

    /// An attempt failed, with this code.
    pub fn delivery_failed(&self, destination: &str, code: &str) {
        let mut known = self
            .deliveries
            .codes
            .lock()
            .unwrap_or_else(PoisonError::into_inner);
        let code = if known.contains(code) || known.len() < DELIVERY_CODES_MAX {
            code
        } else {
            OTHER
        };
        known.insert(code.to_owned());
        let label = NotDelivered {
            destination: destination.to_owned(),
            code: code.to_owned(),
        };
        self.deliveries.not_delivered.get_or_create(&label).inc();
    }

    /// A delivery failed for good.
    pub fn delivery_died(&self, destination: &str) {
        self.deliveries.died.get_or_create(&to(destination)).inc();
    }
}
