//! Numbers of the audit trail on its way to a syslog server; there are none where none is named.

use super::Metrics;
use prometheus_client::encoding::EncodeLabelSet;
use prometheus_client::metrics::counter::Counter;
use prometheus_client::metrics::family::Family;
use prometheus_client::metrics::gauge::Gauge;
use prometheus_client::registry::{Registry, Unit};

#[derive(Debug, Clone, PartialEq, Eq, Hash, EncodeLabelSet)]
struct Server {
    server: String,
}

#[derive(Debug, Default)]
pub(super) struct AuditSent {
    sent: Family<Server, Counter>,
    reached: Family<Server, Gauge>,
    waiting: Family<Server, Gauge>,
}

fn server(name: &str) -> Server {
    Server {
        server: name.to_owned(),
    }
}

impl AuditSent {
    /// Name and meaning of each, as in [`Metrics`].
    pub(super) fn register(&self, all: &mut Registry) {
        all.register(
            "audit_messages_sent",
            "Audit messages that the syslog server took",
            self.sent.clone(),
        );
        all.register(
            "audit_syslog_reached",
            "0 while the syslog server is down; audit messages wait",
            self.reached.clone(),
        );
        all.register_with_unit(
            "audit_syslog_waiting",
            "Audit messages that wait for the syslog server",
            Unit::Bytes,
            self.waiting.clone(),
        );
    }
}

impl Metrics {
    /// So many audit messages were taken by the syslog server of this name.
    pub fn audit_sent(&self, name: &str, messages: usize) {
        let sent = self.audit_sent.sent.get_or_create(&server(name));
        sent.inc_by(messages as u64);
    }

    /// Whether that server was reached, and how many bytes wait for it.
    pub fn audit_waits(&self, name: &str, is_up: bool, bytes: u64) {
        let label = server(name);
        let _ = self.audit_sent.sent.get_or_create(&label);
        let reached = self.audit_sent.reached.get_or_create(&label);
        reached.set(is_up.into());
        let waiting = self.audit_sent.waiting.get_or_create(&label);
        waiting.set(i64::try_from(bytes).unwrap_or(i64::MAX));
    }
}
