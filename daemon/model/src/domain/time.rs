//! Points in time as a report states them; no "now" here.

use chrono::{DateTime, FixedOffset, NaiveDate, NaiveDateTime, NaiveTime, TimeZone};
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use std::fmt;

/// A date and time as a report states it, with its offset from UTC when given.
///
/// In JSON `2024-05-01T10:12:00`, or `2024-05-01T10:12:00+02:00` with an offset. Second 60 is a leap
/// second (PS3.5 table 6.2-1, TM).
///
/// Ordered by the wall clock, so that moments with and without offset stand in one order; instants
/// could not be compared then. Where clocks are set back an hour of one day may stand in the other
/// order, which changes no comparison: exams of one day never serve each other. An absent offset
/// (0008,0201) is never made up, since the machine that reads may stand in another zone.
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

    /// The time of day there; `None` at midnight without an offset, which is how a study without a time
    /// of its own is told.
    #[must_use]
    pub fn time(self) -> Option<NaiveTime> {
        let time = self.local.time();
        (time != NaiveTime::MIN || self.offset_s.is_some()).then_some(time)
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

/// A day, with the time of day where one is told, as people read it: `2024-05-07 10:00`.
#[must_use]
pub fn written(date: NaiveDate, time: Option<NaiveTime>) -> String {
    match time {
        Some(time) => format!("{date} {}", time.format("%H:%M")),
        None => date.to_string(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn moment(text: &str) -> Moment {
        serde_json::from_value(text.into()).expect(text)
    }

    /// RFC 3339 5.6 and 5.8: offsets, fractions, and 1990-12-31T23:59:60Z as its leap second.
    #[test]
    fn what_is_written_is_read_again() {
        for text in [
            "2024-05-01T10:12:00",
            "2024-05-01T10:12:00.250",
            "2024-05-01T10:12:00+02:00",
            "2024-05-01T10:12:00-03:30",
            "2024-05-01T10:12:00+14:00",
            "2024-05-01T10:12:00+00:00",
            "1990-12-31T23:59:60+00:00",
            "1990-12-31T23:59:60",
            "1990-12-31T23:59:60.500",
            "2024-02-29T00:00:00",
        ] {
            assert_eq!(moment(text).to_string(), text);
        }
        for text in [
            "",
            "2024-05-01",
            "2024-02-30T00:00:00",
            "2024-05-01T10:12:61",
            "10:12",
        ] {
            let read: Result<Moment, _> = serde_json::from_value(text.into());
            assert!(read.is_err(), "{text}");
        }
    }

    /// The day is that of the wall clock where the exam was done, whatever day it is in UTC.
    #[test]
    fn the_day_is_that_of_the_place() {
        for (text, day) in [
            ("2024-05-01T23:30:00-08:00", "2024-05-01"),
            ("2024-05-01T00:30:00+13:00", "2024-05-01"),
            ("2024-12-31T23:59:60", "2024-12-31"),
        ] {
            assert_eq!(moment(text).date().to_string(), day);
        }
    }

    /// Central Europe sets its clocks on at 01:00 UTC of the last Sunday of March and back on that of
    /// October (Directive 2000/84/EC): an hour that is missing or comes twice changes no day.
    #[test]
    fn clocks_that_are_set_change_no_day_and_no_order_of_days() {
        let in_order = [
            "2024-03-30T12:00:00+01:00",
            "2024-03-31T01:59:59+01:00",
            "2024-03-31T03:00:00+02:00",
            "2024-04-01T12:00:00",
            "2024-10-26T12:00:00+02:00",
            "2024-10-27T02:30:00+01:00",
            "2024-10-27T02:30:00+02:00",
            "2024-10-28T12:00:00",
        ];
        let moments: Vec<Moment> = in_order.iter().map(|text| moment(text)).collect();
        assert!(moments.is_sorted());
        assert!(moments.iter().map(|at| at.date()).is_sorted());
        // Twice the same hour: two moments, one day.
        assert_ne!(moments[5], moments[6]);
        assert_eq!(moments[5].date(), moments[6].date());
    }

    proptest::proptest! {
        #[test]
        fn any_moment_comes_back(
            seconds in -62_135_596_800_i64..253_402_300_800,
            nanos in 0_u32..1_000_000,
            offset in proptest::option::of(-12 * 60..=14 * 60),
        ) {
            let at = DateTime::from_timestamp(seconds, nanos * 1000).expect("in range");
            let one = Moment { local: at.naive_utc(), offset_s: offset.map(|minutes| minutes * 60) };
            let text = serde_json::to_string(&one).expect("JSON");
            proptest::prop_assert_eq!(serde_json::from_str::<Moment>(&text).expect("JSON"), one);
        }
    }
}
