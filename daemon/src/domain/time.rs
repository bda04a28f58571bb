//! Points in time as a report states them; no "now" here.

use chrono::{DateTime, FixedOffset, NaiveDate, NaiveDateTime, TimeZone};
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use std::fmt;

/// A date and time as a report states it, with its offset from UTC when given.
///
/// In JSON `2024-05-01T10:12:00`, or `2024-05-01T10:12:00+02:00` with an offset.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Moment {
    /// Wall clock where the exam was done.
    pub local: NaiveDateTime,
    /// Offset from UTC in seconds, when the report gives one.
    pub offset_s: Option<i32>,
}

impl Moment {
    /// The day on the wall clock where the exam was done.
    #[must_use]
    pub fn date(self) -> NaiveDate {
        self.local.date()
    }
}

impl fmt::Display for Moment {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let local = self.local.format("%Y-%m-%dT%H:%M:%S%.f");
        match self.offset_s.and_then(FixedOffset::east_opt) {
            None => write!(f, "{local}"),
            Some(offset) => write!(f, "{local}{offset}"),
        }
    }
}

impl Serialize for Moment {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Moment {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = String::deserialize(deserializer)?;
        if let Ok(local) = text.parse::<NaiveDateTime>() {
            return Ok(Moment {
                local,
                offset_s: None,
            });
        }
        let at = DateTime::parse_from_rfc3339(&text).map_err(serde::de::Error::custom)?;
        Ok(Moment {
            local: at.naive_local(),
            offset_s: Some(at.offset().local_minus_utc()),
        })
    }
}

impl<Tz: TimeZone> From<DateTime<Tz>> for Moment {
    fn from(at: DateTime<Tz>) -> Self {
        use chrono::Offset;
        Moment {
            local: at.naive_local(),
            offset_s: Some(at.offset().fix().local_minus_utc()),
        }
    }
}
