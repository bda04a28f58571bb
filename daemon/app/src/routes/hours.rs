//! Hours of the day in which an archive may be asked.

use chrono::{NaiveTime, TimeDelta};
use serde::Serialize;
use std::fmt;
use std::time::Duration;

/// From one time of the day to another; past midnight if the second is the earlier one.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Hours {
    from: NaiveTime,
    to: NaiveTime,
}

impl Hours {
    /// Reads `22:00-06:00`. Equal times are no hours at all, so they are refused.
    #[must_use]
    pub fn parse(text: &str) -> Option<Hours> {
        let (from, to) = text.split_once('-')?;
        let time = |text: &str| NaiveTime::parse_from_str(text.trim(), "%H:%M").ok();
        let hours = Hours {
            from: time(from)?,
            to: time(to)?,
        };
        (hours.from != hours.to).then_some(hours)
    }

    /// How long until they begin; nothing while they last. The end does not belong to them.
    #[must_use]
    pub fn wait(&self, now: NaiveTime) -> Duration {
        let inside = if self.from < self.to {
            self.from <= now && now < self.to
        } else {
            self.from <= now || now < self.to
        };
        if inside {
            return Duration::ZERO;
        }
        let until = self.from - now;
        let until = if until < TimeDelta::zero() {
            until + TimeDelta::days(1)
        } else {
            until
        };
        until.to_std().unwrap_or(Duration::ZERO)
    }
}

impl fmt::Display for Hours {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (from, to) = (self.from.format("%H:%M"), self.to.format("%H:%M"));
        write!(f, "{from}-{to}")
    }
}

impl Serialize for Hours {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(text: &str) -> NaiveTime {
        NaiveTime::parse_from_str(text, "%H:%M").unwrap()
    }

    #[test]
    fn nights_and_days() {
        const MINUTE: u64 = 60;
        for (hours, now, minutes) in [
            ("22:00-06:00", "21:59", 1),
            ("22:00-06:00", "22:00", 0),
            ("22:00-06:00", "23:59", 0),
            ("22:00-06:00", "00:00", 0),
            ("22:00-06:00", "05:59", 0),
            ("22:00-06:00", "06:00", 16 * 60),
            ("08:30-09:00", "08:29", 1),
            ("08:30-09:00", "08:59", 0),
            ("08:30-09:00", "09:00", 23 * 60 + 30),
            ("00:00-23:59", "23:59", 1),
        ] {
            let wait = Hours::parse(hours).unwrap().wait(at(now));
            assert_eq!(wait.as_secs(), minutes * MINUTE, "{hours} at {now}");
        }
    }

    #[test]
    fn what_is_no_pair_of_times_is_none() {
        for text in ["", "22:00", "22-06", "22:00-24:00", "07:00-07:00", "a-b"] {
            assert_eq!(Hours::parse(text), None, "{text}");
        }
        assert_eq!(
            Hours::parse("7:05-9:00").unwrap().to_string(),
            "07:05-09:00"
        );
    }
}
