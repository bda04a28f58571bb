//! Counts failures by the `code` of their log line.

mod table;

pub use table::CODES;

use super::Metrics;
use std::sync::Arc;
use tracing::field::{Field, Visit};
use tracing::{Event, Level, Subscriber};
use tracing_subscriber::Layer;
use tracing_subscriber::layer::Context;

/// Counts every warning and error, also those that the log level leaves out of the log.
pub struct CountFailures(pub Arc<Metrics>);

impl<S: Subscriber> Layer<S> for CountFailures {
    fn on_event(&self, event: &Event<'_>, _: Context<'_, S>) {
        if *event.metadata().level() > Level::WARN {
            return;
        }
        let mut code = Code::default();
        event.record(&mut code);
        // What such a line sums up was counted one by one.
        if !code.repeats {
            self.0.failed(code.code.as_deref().unwrap_or(OTHER));
        }
    }
}

/// Stands for events without a code of ours, those of libraries.
pub const OTHER: &str = "other";

#[derive(Default)]
struct Code {
    code: Option<String>,
    repeats: bool,
}

impl Visit for Code {
    fn record_str(&mut self, field: &Field, value: &str) {
        if field.name() == "code" {
            self.code = Some(value.to_owned());
        }
    }

    fn record_u64(&mut self, field: &Field, _: u64) {
        self.repeats |= field.name() == "repeats";
    }

    fn record_debug(&mut self, _: &Field, _: &dyn std::fmt::Debug) {}
}

/// How soon somebody has to look; agrees with `config/alerts.yml`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Urgency {
    /// At once: reports or results wait, or are lost.
    Page,
    /// In working hours.
    Look,
}

impl Urgency {
    /// As the manual writes it.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Urgency::Page => "page",
            Urgency::Look => "look",
        }
    }
}

/// What there is to say of a code.
#[derive(Debug, Clone, Copy)]
pub struct Row {
    /// The word in log and metrics; it stays the same from version to version.
    pub code: &'static str,
    /// How soon somebody has to look.
    pub urgency: Urgency,
    /// What happened.
    pub meaning: &'static str,
    /// What to do.
    pub action: &'static str,
}

#[cfg(test)]
mod tests;
