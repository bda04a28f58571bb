//! Counts failures by the `code` of their log line.

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

/// The codes of all failures but the refusals, which have
/// [a table of their own](sheathline_net::dicom::refusal::Refusal::ALL). A new one belongs here; a test
/// compares with the sources.
pub const CODES: &[&str] = &[
    "accept-failed",
    "association-aborted",
    "association-lost",
    "association-panicked",
    "audit-lost",
    "audit-no-room",
    "audit-not-written",
    "audit-syslog-down",
    "audit-syslog-gap",
    "audit-syslog-not-noted",
    "audit-syslog-panicked",
    "bodies-clock",
    "bodies-not-dropped",
    "delivery-cut-off",
    "delivery-dead",
    "delivery-not-noted",
    "delivery-panicked",
    "destination-down",
    "destination-unknown",
    "entry-damaged",
    "folder-failed",
    "folder-link",
    "folder-no-reason",
    "folder-not-a-file",
    "folder-not-deleted",
    "folder-not-kept",
    "folder-not-put-away",
    "folder-not-put-back",
    "folder-panicked",
    "folder-unreadable",
    "folder-unreadable-file",
    "folder-without-events",
    "hl7-address",
    "hl7-connections",
    "hl7-cut",
    "hl7-displaced",
    "hl7-malformed",
    "hl7-not-kept",
    "hl7-panicked",
    "hl7-refused",
    "hl7-slow",
    "listen-failed",
    "issuer-changed",
    "issuers-not-compared",
    "merges-unsettled",
    "object-bytes-missing",
    "object-not-kept",
    "object-quarantined",
    "object-refused",
    "observe-failed",
    "observe-panicked",
    "operation-unknown",
    "outbox-not-locked",
    "outbox-unwritable",
    "patient-not-assessed",
    "pipeline-failed",
    "port-open-to-all",
    "reading-damaged",
    "receiver-ended",
    "reload-refused",
    "reload-waits",
    "request-failed",
    "result-damaged",
    "result-not-written",
    "results-not-written",
    "statement-damaged",
    "stopping-early",
    "store-in-doubt",
    "store-verified",
    "supervisor-not-told",
    "tls-files",
    "tls-port-closed",
    "token-file-readable",
    "web-address",
    "web-connections",
    "web-displaced",
    "web-not-kept",
    "web-panicked",
    "web-refused",
    "web-slow",
    "web-token",
];

#[cfg(test)]
mod tests;
