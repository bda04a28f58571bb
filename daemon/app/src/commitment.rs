//! Storage Commitment, push model (PS3.4 annex J): a sender asks whether its objects are held, and is told
//! over the same association, or over one of ours. What was asked is in the store before it is answered.

mod report;
mod reporter;
mod request;

pub(crate) use report::{Report, report};
pub(crate) use reporter::Reporter;
pub(crate) use request::{Unusable, read};

use chrono::{DateTime, Utc};
use std::time::Duration;

/// The one instance of the class that is asked (PS3.4 J.3.5).
pub(crate) const INSTANCE: &str = "1.2.840.10008.1.20.1.1";

/// N-ACTION: request storage commitment (PS3.4 table J.3-1).
pub(crate) const ACTION: u16 = 1;

/// How long a request is left to the association that it came by.
pub(crate) const LEFT_TO_ITS_ASSOCIATION: Duration = Duration::from_secs(15);

/// How long it is waited for objects that came before a request to be read: by its association, before that
/// goes on, and between two looks later.
pub(crate) const WAIT_FOR_READING: Duration = Duration::from_secs(5);

/// A time after another.
pub(crate) fn after(now: DateTime<Utc>, wait: Duration) -> DateTime<Utc> {
    let wait = chrono::TimeDelta::from_std(wait).unwrap_or_default();
    now.checked_add_signed(wait).unwrap_or(now)
}
