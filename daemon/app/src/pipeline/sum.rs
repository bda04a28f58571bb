//! What became of everything received.

use sheathline_model::domain::Disposition;
use sheathline_store::readings::{self, StoredDisposition};
use sheathline_store::{StoreError, View};

/// What became of everything received. The parts add up to the whole.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, serde::Serialize)]
pub struct Sum {
    /// Times an object was received.
    pub received: u32,
    /// Objects whose sheath values are in results.
    pub in_results: u32,
    /// Well-formed objects without sheath values.
    pub no_sheath_measurement: u32,
    /// Objects kept because they cannot be understood or trusted.
    pub quarantined: u32,
    /// Times something came that was here already.
    pub repeats: u32,
    /// Objects that wait to be read.
    pub waiting: u32,
}

/// Adds up what became of everything received.
///
/// # Errors
///
/// When the store cannot be read.
pub fn sum(conn: &View) -> Result<Sum, StoreError> {
    let counts = readings::counts(conn)?;
    let of = |d: StoredDisposition| counts.read.get(&d).copied().unwrap_or(0);
    let accepted = of(Disposition::Accepted.into()) + of(Disposition::AcceptedWithRemarks.into());
    let mut sum = Sum {
        received: 0,
        in_results: accepted,
        no_sheath_measurement: of(Disposition::NoSheathMeasurement.into()),
        quarantined: of(Disposition::Quarantined.into()),
        repeats: counts.repeats + of(StoredDisposition::Repeat),
        waiting: counts.unread,
    };
    let read: u32 = counts.read.values().sum();
    sum.received = read + counts.unread + counts.repeats;
    Ok(sum)
}

impl std::fmt::Display for Sum {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(
            f,
            "received {} = in results {} + without sheath values {} + in quarantine {} + repeats {}",
            self.received,
            self.in_results,
            self.no_sheath_measurement,
            self.quarantined,
            self.repeats
        )?;
        match self.waiting {
            0 => Ok(()),
            waiting => write!(f, " + waiting {waiting}"),
        }
    }
}
