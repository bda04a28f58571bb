//! Numbers of what is not kept, by sender and class.

use super::{Metrics, OTHER};
use prometheus_client::encoding::EncodeLabelSet;
use prometheus_client::metrics::counter::Counter;
use prometheus_client::metrics::family::Family;
use prometheus_client::registry::Registry;
use sheathline_model::domain::Source;
use sheathline_model::watch::Sender;
use std::collections::BTreeSet;
use std::sync::{Mutex, PoisonError};

/// Pairs of sender and class that are told apart in each number: anybody who may connect can make a
/// name and ask for every class.
const PAIRS_MAX: usize = 512;

#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, EncodeLabelSet)]
struct Of {
    sender: String,
    class: &'static str,
}

/// One number, with the labels that it has.
#[derive(Debug, Default)]
struct Bounded {
    family: Family<Of, Counter>,
    known: Mutex<BTreeSet<Of>>,
}

impl Bounded {
    fn add(&self, source: &Source, class: &'static str, more: u64) {
        let mut known = self.known.lock().unwrap_or_else(PoisonError::into_inner);
        let mut of = Of {
            sender: Sender::source(source),
            class,
        };
        if !known.contains(&of) && known.len() >= PAIRS_MAX {
            of = Of {
                sender: OTHER.to_owned(),
                class: OTHER,
            };
        }
        self.family.get_or_create(&of).inc_by(more);
        known.insert(of);
    }
}

#[derive(Debug, Default)]
pub(super) struct Classes {
    dropped: Bounded,
    refused: Bounded,
}

impl Classes {
    /// Name and meaning of each, as in [`super::Metrics`].
    pub(super) fn register(&self, all: &mut Registry) {
        all.register(
            "objects_dropped",
            "Objects answered with success and not kept, as other_classes says, by sender and SOP class",
            self.dropped.family.clone(),
        );
        all.register(
            "contexts_refused",
            "Presentation contexts refused, by sender and SOP class",
            self.refused.family.clone(),
        );
    }
}

impl Metrics {
    /// An object of a class was answered with success and not kept.
    pub fn dropped(&self, source: &Source, class: &'static str) {
        self.classes.dropped.add(source, class, 1);
    }

    /// A presentation context of a class was refused; `class` is a UID of the standard, or a word of ours.
    pub fn context_refused(&self, source: &Source, class: &'static str) {
        self.classes.refused.add(source, class, 1);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use chrono::Utc;

    #[test]
    fn strangers_cannot_make_labels_without_end() {
        let metrics = Metrics::default();
        for n in 0..1000 {
            let source = Source::Dicom(format!("X{n}"));
            metrics.dropped(&source, "1.2");
            metrics.context_refused(&source, "1.2");
        }
        metrics.dropped(&Source::Dicom("X0".to_owned()), "1.2");
        let text = metrics.text(None, None, None, None, true, Utc::now());
        let text = text.expect("text");
        for number in ["objects_dropped", "contexts_refused"] {
            let name = format!("sheathline_{number}_total{{");
            assert_eq!(text.matches(&name).count(), PAIRS_MAX + 1, "{number}");
            let others = format!("{name}sender=\"other\",class=\"other\"}} 488");
            assert!(text.contains(&others), "{others}");
        }
        let twice = "sheathline_objects_dropped_total{sender=\"dicom:X0\",class=\"1.2\"} 2";
        assert!(text.contains(twice));
    }
}
