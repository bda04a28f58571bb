//! Objects that are answered with success and of which nothing is kept, since the site says so: counted
//! while their association lasts, told at its end. Nothing is dropped silently.

use super::other_classes::shown;
use super::shared::Shared;
use chrono::Utc;
use sheathline_model::domain::Source;
use sheathline_store::dropped;
use std::collections::BTreeMap;
use std::net::IpAddr;

/// Classes that one line names; of the others it says how many there are.
const NAMED: usize = 8;

/// What one association brought of classes that are dropped, by SOP Class UID.
#[derive(Debug, Default)]
pub(super) struct Dropping(BTreeMap<&'static str, u64>);

impl Dropping {
    /// One more object; its bytes were read to the end.
    pub(super) fn note(&mut self, shared: &Shared, source: &Source, class: &'static str) {
        *self.0.entry(class).or_default() += 1;
        shared.observed.metrics.dropped(source, class);
    }

    /// Tells the log and the store, once an association.
    pub(super) async fn tell(self, shared: &Shared, source: Source, peer: IpAddr, calling: &str) {
        let Dropping(counts) = self;
        if counts.is_empty() {
            return;
        }
        let objects: u64 = counts.values().sum();
        let classes = counts
            .iter()
            .map(|(class, count)| format!("{count} of {}", shown(class)));
        let classes = listed(classes);
        tracing::info!(code = "objects-dropped", %peer, calling, objects, classes);
        let now = Utc::now();
        let noted = shared
            .reception
            .store()
            .write_async(move |tx| dropped::add(tx, &source, &counts, now))
            .await;
        if let Err(error) = noted {
            tracing::warn!(code = "dropped-not-counted", calling, objects, %error);
        }
    }
}

/// The first ones, and how many more there are.
pub(super) fn listed(all: impl ExactSizeIterator<Item = String>) -> String {
    let more = all.len().saturating_sub(NAMED);
    let mut text = all.take(NAMED).collect::<Vec<_>>().join(", ");
    if more > 0 {
        text += &format!(" and {more} more");
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_names_some_and_counts_the_rest() {
        let all = |n: usize| listed((0..n).map(|n| n.to_string()));
        assert_eq!(all(2), "0, 1");
        assert_eq!(all(10), "0, 1, 2, 3, 4, 5, 6, 7 and 2 more");
    }
}
