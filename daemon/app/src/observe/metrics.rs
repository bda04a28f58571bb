//! The one list of metrics.
//!
//! Names and units follow the conventions of Prometheus (prometheus.io, "Metric and label naming"),
//! the text is OpenMetrics 1.0. Every label takes its values from a table of the program, or is the name
//! of a destination of the configuration or of a sender and its machine: no address and no UID becomes one.
//! Senders can make names and receivers codes of failures; so many, and no more.

mod audit_sent;
mod classes;
mod database;
mod deliveries;
mod members;
mod pages;
mod senders;
mod spool;

use audit_sent::AuditSent;
use classes::Classes;
use database::Database;
use deliveries::Deliveries;
use members::Members;
use pages::Pages;
use senders::Senders;
use spool::Spool;

use super::failures::{CODES, OTHER};
use chrono::{DateTime, Utc};
use prometheus_client::collector::Collector;
use prometheus_client::encoding::{DescriptorEncoder, EncodeLabelSet, EncodeMetric};
use prometheus_client::metrics::MetricType;
use prometheus_client::metrics::counter::{ConstCounter, Counter};
use prometheus_client::metrics::family::Family;
use prometheus_client::metrics::gauge::Gauge;
use prometheus_client::metrics::histogram::{Histogram, exponential_buckets};
use prometheus_client::metrics::info::Info;
use prometheus_client::registry::{Registry, Unit};
use sheathline_model::assess::Status as ExamStatus;
use sheathline_model::domain::Source;
use sheathline_net::dicom::dimse::Status;
use sheathline_net::dicom::refusal::{Refusal, Refusals};
use sheathline_store::backlog::{Backlog, Waiting};
use sheathline_store::deliveries::Backlog as Undelivered;
use sheathline_store::readings::StoredDisposition;
use sheathline_store::watched::Watched;
use std::collections::BTreeSet;
use std::sync::atomic::AtomicU64;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

/// Reasons for quarantine that are told apart; a site's templates cannot make more labels.
const REASONS_MAX: usize = 100;

/// What became of an object on its arrival.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Arrival {
    /// Kept.
    Kept,
    /// Here already.
    Repeat,
    /// In the spool; as kept or as a repeat it is counted when it is forwarded.
    Spooled,
    /// Not kept, since it is not what a sender may send.
    Refused,
    /// Not kept, since the store did not take it, or since it cannot be read where it lies.
    Failed,
}

#[derive(Debug, Clone, PartialEq, Eq, Hash, EncodeLabelSet)]
struct Arrived {
    source: &'static str,
    outcome: &'static str,
}

#[derive(Debug, Clone, PartialEq, Eq, Hash, EncodeLabelSet)]
struct Answered {
    status: String,
}

#[derive(Debug, Clone, PartialEq, Eq, Hash, EncodeLabelSet)]
struct Read {
    disposition: &'static str,
}

#[derive(Debug, Clone, PartialEq, Eq, Hash, EncodeLabelSet)]
struct Reason {
    reason: String,
}

#[derive(Debug, Clone, PartialEq, Eq, Hash, EncodeLabelSet)]
struct Assessed {
    status: &'static str,
}

#[derive(Debug, Clone, PartialEq, Eq, Hash, EncodeLabelSet)]
struct Stage {
    stage: &'static str,
}

#[derive(Debug, Clone, PartialEq, Eq, Hash, EncodeLabelSet)]
struct Failed {
    code: &'static str,
}

type Seconds = Gauge<f64, AtomicU64>;

/// All numbers of a process.
#[derive(Debug)]
pub struct Metrics {
    registry: Registry,
    refusals: Arc<Refusals>,
    associations: Counter,
    associations_open: Gauge,
    arrived: Family<Arrived, Counter>,
    answered: Family<Answered, Counter>,
    answer_seconds: Histogram,
    read: Family<Read, Counter>,
    quarantined: Family<Reason, Counter>,
    /// The labels of `quarantined`.
    reasons: Mutex<BTreeSet<String>>,
    assessed: Family<Assessed, Counter>,
    assessment_seconds: Histogram,
    published: Counter,
    deliveries: Deliveries,
    classes: Classes,
    senders: Senders,
    audit_sent: AuditSent,
    members: Members,
    database: Database,
    pages: Pages,
    spool: Spool,
    commit_seconds: Histogram,
    waiting: Family<Stage, Gauge>,
    oldest_seconds: Family<Stage, Seconds>,
    /// Absent where the store is on a server, which does not tell it.
    free_bytes: Family<Vec<(&'static str, &'static str)>, Gauge>,
    ready: Gauge,
    failures: Family<Failed, Counter>,
}

/// 0.25 ms to 8 s, each twice the one before.
fn latency() -> Histogram {
    Histogram::new(exponential_buckets(0.000_25, 2.0, 16))
}

impl Default for Metrics {
    fn default() -> Self {
        let mut metrics = Metrics {
            registry: Registry::with_prefix("sheathline"),
            refusals: Arc::default(),
            associations: Counter::default(),
            associations_open: Gauge::default(),
            arrived: Family::default(),
            answered: Family::default(),
            answer_seconds: latency(),
            read: Family::default(),
            quarantined: Family::default(),
            reasons: Mutex::default(),
            assessed: Family::default(),
            assessment_seconds: latency(),
            published: Counter::default(),
            deliveries: Deliveries::default(),
            classes: Classes::default(),
            senders: Senders::default(),
            audit_sent: AuditSent::default(),
            members: Members::default(),
            database: Database::default(),
            pages: Pages::default(),
            spool: Spool::default(),
            commit_seconds: latency(),
            waiting: Family::default(),
            oldest_seconds: Family::default(),
            free_bytes: Family::default(),
            ready: Gauge::default(),
            failures: Family::default(),
        };
        metrics.register();
        metrics.deliveries.register(&mut metrics.registry);
        metrics.classes.register(&mut metrics.registry);
        metrics.senders.register(&mut metrics.registry);
        metrics.audit_sent.register(&mut metrics.registry);
        metrics.members.register(&mut metrics.registry);
        metrics.database.register(&mut metrics.registry);
        metrics.pages.register(&mut metrics.registry);
        metrics.spool.register(&mut metrics.registry);
        metrics.begin_at_zero();
        metrics
    }
}

impl Metrics {
    /// Name and meaning of each. The encoder adds `_total` and the unit.
    fn register(&mut self) {
        let all = &mut self.registry;
        let build = Info::new(vec![("version", env!("CARGO_PKG_VERSION"))]);
        all.register("build", "The running program", build);
        all.register(
            "associations",
            "Associations accepted",
            self.associations.clone(),
        );
        all.register(
            "associations_open",
            "Associations open now",
            self.associations_open.clone(),
        );
        all.register_collector(Box::new(RefusedPeers(Arc::clone(&self.refusals))));
        all.register(
            "objects_received",
            "Objects that arrived, by what became of them",
            self.arrived.clone(),
        );
        all.register(
            "store_responses",
            "Answers to C-STORE, by status (PS3.7 annex C)",
            self.answered.clone(),
        );
        all.register_with_unit(
            "store_response",
            "From the last byte of an object to its answer",
            Unit::Seconds,
            self.answer_seconds.clone(),
        );
        all.register(
            "objects_read",
            "Stored objects that were read, once or again, by what they are",
            self.read.clone(),
        );
        all.register(
            "objects_quarantined",
            "Objects put into quarantine, by the code of their remark",
            self.quarantined.clone(),
        );
        all.register(
            "exams_assessed",
            "Versions of results, by status",
            self.assessed.clone(),
        );
        all.register_with_unit(
            "assessment",
            "Assessing all exams of one patient",
            Unit::Seconds,
            self.assessment_seconds.clone(),
        );
        all.register(
            "results_published",
            "Results written to the outbox",
            self.published.clone(),
        );
        all.register_with_unit(
            "store_commit",
            "One commit of the store with its sync",
            Unit::Seconds,
            self.commit_seconds.clone(),
        );
        all.register(
            "queue_waiting",
            "What waits: objects to be read, patients to be assessed, results to be published",
            self.waiting.clone(),
        );
        all.register_with_unit(
            "queue_oldest",
            "For how long the oldest of them has waited; 0 if none does",
            Unit::Seconds,
            self.oldest_seconds.clone(),
        );
        all.register_with_unit(
            "store_free",
            "Room left on the disk of the store",
            Unit::Bytes,
            self.free_bytes.clone(),
        );
        all.register("ready", "1 if /readyz answers 200", self.ready.clone());
        all.register(
            "failures",
            "Warnings and errors of the log, by their code",
            self.failures.clone(),
        );
    }

    /// What never happened is 0 and not absent, or the first failure would be no increase.
    fn begin_at_zero(&self) {
        for code in all_codes() {
            let _ = self.failures.get_or_create(&Failed { code });
        }
        for disposition in StoredDisposition::ALL {
            let disposition = disposition.word();
            let _ = self.read.get_or_create(&Read { disposition });
        }
        for status in ExamStatus::ALL {
            let status = status.word();
            let _ = self.assessed.get_or_create(&Assessed { status });
        }
        // Files that are named on the command line come to a process whose numbers nobody reads.
        let nobody = String::new;
        for source in [
            Source::Dicom(nobody()),
            Source::Folder,
            Source::Archive(nobody()),
            Source::Web(nobody()),
            Source::Entered,
            Source::Table,
        ] {
            for outcome in [
                Arrival::Kept,
                Arrival::Repeat,
                Arrival::Spooled,
                Arrival::Refused,
                Arrival::Failed,
            ] {
                let _ = self.arrived.get_or_create(&arrived(&source, outcome));
            }
        }
    }

    /// Where refused peers are counted.
    #[must_use]
    pub fn refusals(&self) -> Arc<Refusals> {
        Arc::clone(&self.refusals)
    }

    /// So many daemons that share the store are alive, and this one holds so many duties.
    pub fn membership(&self, alive: usize, duties: usize) {
        self.members.are(alive, duties);
    }

    /// So many of those that share the store work by other rules.
    pub fn other_rules(&self, others: usize) {
        self.members.differ(others);
    }

    /// A request for a page was answered. Its path becomes no label, only the page it leads to.
    pub fn page(&self, path: &str, status: u16) {
        self.pages.answered(path, status);
    }

    /// A sign-in to the pages was refused.
    pub fn sign_in_refused(&self) {
        self.pages.refused();
    }

    /// An association was accepted; it is open until the value is dropped.
    #[must_use]
    pub fn associated(&self) -> Open {
        self.associations.inc();
        self.associations_open.inc();
        Open(self.associations_open.clone())
    }

    /// An object arrived.
    pub fn arrived(&self, source: &Source, outcome: Arrival) {
        self.arrived.get_or_create(&arrived(source, outcome)).inc();
    }

    /// A C-STORE was answered.
    pub fn answered(&self, status: Status, took: Duration) {
        let status = status.hex();
        self.answered.get_or_create(&Answered { status }).inc();
        self.answer_seconds.observe(took.as_secs_f64());
    }

    /// An object was read.
    pub fn read(&self, disposition: StoredDisposition) {
        let disposition = disposition.word();
        self.read.get_or_create(&Read { disposition }).inc();
    }

    /// An object was put into quarantine, for the reason with this code.
    pub fn quarantined(&self, reason: &str) {
        let mut known = self.reasons.lock().unwrap_or_else(PoisonError::into_inner);
        let reason = if known.contains(reason) || known.len() < REASONS_MAX {
            reason.to_owned()
        } else {
            OTHER.to_owned()
        };
        known.insert(reason.clone());
        self.quarantined.get_or_create(&Reason { reason }).inc();
    }

    /// An exam has a new version of its result.
    pub fn assessed(&self, status: ExamStatus) {
        let status = status.word();
        self.assessed.get_or_create(&Assessed { status }).inc();
    }

    /// The exams of one patient were assessed.
    pub fn assessed_patient(&self, took: Duration) {
        self.assessment_seconds.observe(took.as_secs_f64());
    }

    /// Results were written to the outbox.
    pub fn published(&self, results: usize) {
        self.published.inc_by(results as u64);
    }

    /// The store has committed.
    pub fn committed(&self, took: Duration) {
        self.commit_seconds.observe(took.as_secs_f64());
    }

    /// A failure was logged.
    pub fn failed(&self, code: &str) {
        let code = all_codes().find(|known| *known == code).unwrap_or(OTHER);
        self.failures.get_or_create(&Failed { code }).inc();
    }

    /// How often failures with this code were logged.
    #[must_use]
    pub fn failures(&self, code: &'static str) -> u64 {
        self.failures.get_or_create(&Failed { code }).get()
    }

    /// Everything as text, with what is only known when somebody asks. `backlog`, `deliveries` and
    /// `watched` are absent when the store cannot be read; the numbers then stay as they were.
    ///
    /// # Errors
    /// Never in practice: text is written to memory.
    pub fn text(
        &self,
        backlog: Option<&Backlog>,
        deliveries: Option<&[Undelivered]>,
        watched: Option<&[Watched]>,
        free_bytes: Option<u64>,
        is_ready: bool,
        now: DateTime<Utc>,
    ) -> Result<String, std::fmt::Error> {
        if let Some(backlog) = backlog {
            let stages = [
                ("read", &backlog.objects),
                ("assess", &backlog.patients),
                ("publish", &backlog.results),
            ];
            for (stage, waiting) in stages {
                let label = Stage { stage };
                let count = i64::try_from(waiting.count).unwrap_or(i64::MAX);
                self.waiting.get_or_create(&label).set(count);
                let age = age_seconds(waiting, now);
                self.oldest_seconds.get_or_create(&label).set(age);
            }
        }
        if let Some(deliveries) = deliveries {
            self.deliveries.set(deliveries, now);
        }
        if let Some(watched) = watched {
            self.senders.set(watched);
        }
        if let Some(free) = free_bytes {
            let free = i64::try_from(free).unwrap_or(i64::MAX);
            self.free_bytes.get_or_create(&Vec::new()).set(free);
        }
        self.ready.set(is_ready.into());
        let mut text = String::new();
        prometheus_client::encoding::text::encode(&mut text, &self.registry)?;
        Ok(text)
    }
}

/// An association that is open.
#[derive(Debug)]
pub struct Open(Gauge);

impl Drop for Open {
    fn drop(&mut self) {
        self.0.dec();
    }
}

fn arrived(source: &Source, outcome: Arrival) -> Arrived {
    Arrived {
        source: source.kind(),
        outcome: match outcome {
            Arrival::Kept => "kept",
            Arrival::Repeat => "repeat",
            Arrival::Spooled => "spooled",
            Arrival::Refused => "refused",
            Arrival::Failed => "failed",
        },
    }
}

fn all_codes() -> impl Iterator<Item = &'static str> {
    let refusals = Refusal::ALL.iter().map(|refusal| refusal.code());
    CODES.iter().map(|row| row.code).chain(refusals)
}

/// A clock that was set back makes nothing wait for less than no time.
fn age_seconds(waiting: &Waiting, now: DateTime<Utc>) -> f64 {
    let age = waiting.oldest.map(|since| now - since);
    age.and_then(|age| age.to_std().ok())
        .unwrap_or_default()
        .as_secs_f64()
}

/// The table of refusals as a metric.
#[derive(Debug)]
struct RefusedPeers(Arc<Refusals>);

impl Collector for RefusedPeers {
    fn encode(&self, mut encoder: DescriptorEncoder<'_>) -> Result<(), std::fmt::Error> {
        let mut metric = encoder.encode_descriptor(
            "peers_refused",
            "Peers refused, by reason",
            None,
            MetricType::Counter,
        )?;
        for (refusal, count) in self.0.counts() {
            let labels = [("reason", refusal.code())];
            ConstCounter::new(count).encode(metric.encode_family(&labels)?)?;
        }
        Ok(())
    }
}
