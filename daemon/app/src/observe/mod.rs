//! What the daemon tells about itself: numbers, health, and who touched whose data.
//!
//! Numbers and health name no patient; the audit trail does, and nothing else outside the store and
//! the outbox. A failure is one line of log with a stable `code`; [`failures`] counts these lines,
//! so that line and number cannot drift apart.

pub mod audit;
pub mod database;
pub mod failures;
pub mod metrics;
pub mod outbox;
pub mod refused;

pub use audit::Trail;
pub use metrics::Metrics;

use audit::{Event, Facts};
use database::DatabaseState;
use outbox::OutboxState;
use refused::Refusing;
use sheathline_model::identity::Statement;
use sheathline_store::facts::ObjectFacts;
use sheathline_store::identity::Recorded;
use std::sync::Arc;

/// What a stage tells what it did. The default counts for nobody.
#[derive(Debug, Clone, Default)]
pub struct Observed {
    /// The numbers.
    pub metrics: Arc<Metrics>,
    /// The audit trail, if there is one.
    pub trail: Option<Trail>,
    /// Refusals that are told together.
    pub refusing: Refusing,
    /// Whether results can be written.
    pub outbox: Arc<OutboxState>,
    /// Whether the server behind the store answers.
    pub database: Arc<DatabaseState>,
}

impl Observed {
    /// Notes an event in the audit trail, if there is one.
    pub fn note(&self, event: impl FnOnce() -> Event) {
        if let Some(trail) = &self.trail {
            trail.note(&event());
        }
    }
}

/// A statement of which ids are one patient's.
pub(crate) fn identity(recorded: &Recorded) -> Event {
    let Statement { pair, source, .. } = &recorded.statement;
    Event::Identity {
        source: source.clone(),
        message: recorded.message.clone(),
        from: pair.from.clone(),
        into: pair.into.clone(),
    }
}

/// What the audit trail tells of a stored object.
pub(crate) fn facts(object: &ObjectFacts) -> Facts {
    Facts {
        patient: object.patient.clone(),
        study: object.study.clone(),
        instance: object.instance.clone(),
        number: Some(object.id.to_string()),
    }
}
