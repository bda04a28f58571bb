//! Numbers of reports, by sender.

use super::{Metrics, OTHER};
use prometheus_client::encoding::EncodeLabelSet;
use prometheus_client::metrics::counter::Counter;
use prometheus_client::metrics::family::Family;
use prometheus_client::metrics::gauge::Gauge;
use prometheus_client::registry::Registry;
use sheathline_model::domain::Source;
use sheathline_model::watch::Sender;
use sheathline_store::readings::StoredDisposition;
use sheathline_store::watched::Watched;
use std::collections::BTreeSet;
use std::sync::{Mutex, PoisonError};

/// Senders that are told apart: anybody who may connect can make a name.
const SENDERS_MAX: usize = 64;

#[derive(Debug, Clone, PartialEq, Eq, Hash, EncodeLabelSet)]
struct Sent {
    sender: String,
    disposition: &'static str,
}

#[derive(Debug, Clone, PartialEq, Eq, Hash, EncodeLabelSet)]
struct By {
    sender: String,
}

#[derive(Debug, Clone, PartialEq, Eq, Hash, EncodeLabelSet)]
struct Machine {
    sender: String,
    machine: String,
}

#[derive(Debug, Default)]
pub(super) struct Senders {
    sent: Family<Sent, Counter>,
    left_unread: Family<By, Counter>,
    unexplained: Family<By, Counter>,
    stopped: Family<Machine, Gauge>,
    grew: Family<Machine, Gauge>,
    /// The labels of the first three.
    names: Mutex<BTreeSet<String>>,
}

impl Senders {
    /// Name and meaning of each, as in [`super::Metrics`].
    pub(super) fn register(&self, all: &mut Registry) {
        all.register(
            "sender_objects_read",
            "Objects read for the first time, by sender and by what they are",
            self.sent.clone(),
        );
        all.register(
            "sender_left_unread",
            "Reports from which something at the eye was left unread",
            self.left_unread.clone(),
        );
        all.register(
            "sender_unexplained_codes",
            "Codes that nobody explains, each once a report",
            self.unexplained.clone(),
        );
        all.register(
            "sender_values_stopped",
            "1 while the last reports of a sender and machine hold no sheath value and those before did",
            self.stopped.clone(),
        );
        all.register(
            "sender_unexplained_grew",
            "1 while the last reports hold more codes that nobody explains than any before",
            self.grew.clone(),
        );
    }

    /// The name that a source is counted under.
    fn name(&self, source: &Source) -> String {
        let mut known = self.names.lock().unwrap_or_else(PoisonError::into_inner);
        let name = Sender::source(source);
        let name = if known.contains(&name) || known.len() < SENDERS_MAX {
            name
        } else {
            OTHER.to_owned()
        };
        known.insert(name.clone());
        name
    }

    /// What the store knows of senders that had sheath values once.
    pub(super) fn set(&self, watched: &[Watched]) {
        self.stopped.clear();
        self.grew.clear();
        for Watched { sender, window } in watched {
            let label = Machine {
                sender: sender.source.clone(),
                machine: sender.machine.clone(),
            };
            let stopped = window.stopped().is_some();
            self.stopped.get_or_create(&label).set(stopped.into());
            let grew = window.grew().is_some();
            self.grew.get_or_create(&label).set(grew.into());
        }
    }
}

impl Metrics {
    /// An object was read for the first time.
    pub fn sent(
        &self,
        source: &Source,
        disposition: StoredDisposition,
        left_unread: bool,
        unexplained: usize,
    ) {
        let sender = self.senders.name(source);
        let disposition = disposition.word();
        let label = Sent {
            sender: sender.clone(),
            disposition,
        };
        self.senders.sent.get_or_create(&label).inc();
        let label = By { sender };
        let left = self.senders.left_unread.get_or_create(&label);
        left.inc_by(left_unread.into());
        let codes = self.senders.unexplained.get_or_create(&label);
        codes.inc_by(unexplained as u64);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use chrono::Utc;
    use sheathline_model::domain::Disposition;
    use sheathline_model::watch::{Brought, Report, Window};

    fn text(metrics: &Metrics, watched: Option<&[Watched]>) -> String {
        let text = metrics.text(None, None, watched, None, true, Utc::now());
        text.expect("text")
    }

    #[test]
    fn senders_are_counted_and_strangers_cannot_make_names_without_end() {
        let metrics = Metrics::default();
        let accepted = StoredDisposition::As(Disposition::AcceptedWithRemarks);
        metrics.sent(&Source::from("dicom:CART1"), accepted, true, 2);
        metrics.sent(&Source::from("dicom:CART1"), accepted, false, 1);
        metrics.sent(&Source::from("web:192.0.2.7"), accepted, false, 0);
        let told = text(&metrics, None);
        for line in [
            "sheathline_sender_objects_read_total{sender=\"dicom:CART1\",disposition=\"accepted_with_remarks\"} 2",
            "sheathline_sender_left_unread_total{sender=\"dicom:CART1\"} 1",
            "sheathline_sender_unexplained_codes_total{sender=\"dicom:CART1\"} 3",
            "sheathline_sender_left_unread_total{sender=\"web\"} 0",
        ] {
            assert!(told.contains(line), "{line} in {told}");
        }
        assert!(!told.contains("192.0.2.7"));
        for n in 0..1000 {
            metrics.sent(&Source::Dicom(format!("X{n}")), accepted, true, 1);
        }
        let told = text(&metrics, None);
        let names = told.matches("sheathline_sender_left_unread_total{").count();
        assert_eq!(names, SENDERS_MAX + 1);
        assert!(told.contains("sheathline_sender_left_unread_total{sender=\"other\"} 938"));
    }

    #[test]
    fn what_the_store_knows_of_a_sender_is_a_gauge() {
        let window = |reports: &str| {
            let mut window = Window::default();
            for (object, letter) in (0..).zip(reports.chars()) {
                let (brought, codes) = match letter {
                    'v' => (Brought::Values, 0),
                    _ => (Brought::Unexplained, 1),
                };
                window.note(
                    object,
                    Some(Report {
                        object,
                        brought,
                        codes,
                    }),
                );
            }
            window
        };
        let watched = |name: &str, reports: &str| Watched {
            sender: Sender {
                source: format!("dicom:{name}"),
                machine: "Tarnholt|Lumen 4|1".to_owned(),
            },
            window: window(reports),
        };
        let metrics = Metrics::default();
        let all = [
            watched("CART1", "vvvvvvvvvvuuuuu"),
            watched("CART2", "vvvvvvvvvvu"),
        ];
        let told = text(&metrics, Some(&all));
        for (name, value) in [("CART1", 1), ("CART2", 0)] {
            for gauge in ["values_stopped", "unexplained_grew"] {
                let line = format!(
                    "sheathline_sender_{gauge}{{sender=\"dicom:{name}\",machine=\"Tarnholt|Lumen 4|1\"}} {value}"
                );
                assert!(told.contains(&line), "{line} in {told}");
            }
        }
    }
}
