//! What the daemon tells about itself: numbers, health, and who touched whose data.
//!
//! Numbers and health name no patient; the audit trail does, and nothing else outside the store and
//! the outbox. A failure is one line of log with a stable `code`; [`failures`] counts these lines,
//! so that line and number cannot drift apart.

pub mod endpoint;
pub mod failures;
pub mod health;
pub mod metrics;

pub use health::Health;
pub use metrics::Metrics;

use std::sync::Arc;

/// What a stage tells what it did. The default counts for nobody.
#[derive(Debug, Clone, Default)]
pub struct Observed {
    /// The numbers.
    pub metrics: Arc<Metrics>,
}
