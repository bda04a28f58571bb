//! What the pages answer, and how many sign-ins are refused.

use prometheus_client::encoding::EncodeLabelSet;
use prometheus_client::metrics::counter::Counter;
use prometheus_client::metrics::family::Family;
use prometheus_client::registry::Registry;

/// First parts of paths that are counted apart; anything else a stranger may ask for is one.
const NAMES: [&str; 13] = [
    "today",
    "exam",
    "patient",
    "measure",
    "bring-in",
    "second",
    "codes",
    "department",
    "service",
    "deeds",
    "sign-in",
    "sign-out",
    "break-glass",
];

/// Everything else.
const OTHER: &str = "other";

#[derive(Debug, Clone, PartialEq, Eq, Hash, EncodeLabelSet)]
struct Page {
    page: &'static str,
    status: &'static str,
}

/// The counters.
#[derive(Debug, Default)]
pub(super) struct Pages {
    answered: Family<Page, Counter>,
    refused: Counter,
}

impl Pages {
    pub(super) fn register(&self, all: &mut Registry) {
        all.register(
            "page_requests",
            "Requests for pages, by page and class of status",
            self.answered.clone(),
        );
        all.register(
            "sign_ins_refused",
            "Sign-ins to the pages that were refused",
            self.refused.clone(),
        );
    }

    /// A request was answered. Of a path only its first part, and only if it is a page.
    pub(super) fn answered(&self, path: &str, status: u16) {
        let first = path.split('/').nth(1).unwrap_or_default();
        let named = NAMES.into_iter().find(|name| *name == first);
        let status = match status / 100 {
            2 => "2xx",
            3 => "3xx",
            4 => "4xx",
            _ => "5xx",
        };
        let page = named.unwrap_or(OTHER);
        self.answered.get_or_create(&Page { page, status }).inc();
    }

    /// A sign-in was refused.
    pub(super) fn refused(&self) {
        self.refused.inc();
    }
}
