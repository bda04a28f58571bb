//! Spans of study dates that an archive is asked for at a time.

use chrono::{Days, NaiveDate};
use serde::Serialize;
use std::fmt;

/// Some days, or one hour of a day. Both ends belong to it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
pub struct Window {
    /// First day.
    pub from: NaiveDate,
    /// Last day.
    pub to: NaiveDate,
    /// Of a single day, this hour.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub hour: Option<u8>,
}

/// The windows from one day to another, the oldest first: an exam is then compared with those before
/// it as soon as it comes.
pub fn windows(from: NaiveDate, to: NaiveDate, days: u64) -> impl Iterator<Item = Window> {
    let mut next = Some(from);
    std::iter::from_fn(move || {
        let from = next.filter(|day| *day <= to)?;
        let after = from.checked_add_days(Days::new(days.max(1)));
        next = after;
        let last = after.and_then(|day| day.pred_opt()).unwrap_or(to).min(to);
        Some(Window {
            from,
            to: last,
            hour: None,
        })
    })
}

impl Window {
    /// Its days.
    pub fn days(&self) -> impl Iterator<Item = NaiveDate> {
        let to = self.to;
        self.from.iter_days().take_while(move |day| *day <= to)
    }

    /// Smaller windows that make it up: days, or the hours of a day; none for an hour.
    #[must_use]
    pub fn split(&self) -> Vec<Window> {
        let of = |day, hour| Window {
            from: day,
            to: day,
            hour,
        };
        if self.from < self.to {
            return self.days().map(|day| of(day, None)).collect();
        }
        match self.hour {
            None => (0..24).map(|hour| of(self.from, Some(hour))).collect(),
            Some(_) => Vec::new(),
        }
    }

    /// Study Date to match (PS3.4 C.2.2.2.5).
    #[must_use]
    pub fn dates(&self) -> String {
        let (from, to) = (self.from.format("%Y%m%d"), self.to.format("%Y%m%d"));
        if self.from == self.to {
            from.to_string()
        } else {
            format!("{from}-{to}")
        }
    }

    /// Study Time to match, if it is an hour. A leap second has number 60 (PS3.5 table 6.2-1, TM).
    #[must_use]
    pub fn times(&self) -> Option<String> {
        let hour = self.hour?;
        Some(format!("{hour:02}0000-{hour:02}5960.999999"))
    }
}

impl fmt::Display for Window {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.from)?;
        if self.from < self.to {
            write!(f, " to {}", self.to)?;
        }
        match self.hour {
            Some(hour) => write!(f, " {hour:02}:00"),
            None => Ok(()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn day(text: &str) -> NaiveDate {
        text.parse().unwrap()
    }

    #[test]
    fn windows_cover_every_day_once_whatever_their_size() {
        let (from, to) = (day("2024-02-27"), day("2024-03-02"));
        for size in 1..=9 {
            let days: Vec<NaiveDate> = windows(from, to, size)
                .flat_map(|window| window.days().collect::<Vec<_>>())
                .collect();
            let wanted: Vec<NaiveDate> = from.iter_days().take(5).collect();
            assert_eq!(days, wanted, "{size}");
        }
        assert_eq!(windows(to, from, 1).count(), 0);
        assert_eq!(windows(NaiveDate::MAX, NaiveDate::MAX, 7).count(), 1);
    }

    #[test]
    fn a_window_falls_into_days_and_a_day_into_hours() {
        let window = windows(day("2024-02-28"), day("2024-03-01"), 7)
            .next()
            .unwrap();
        assert_eq!(window.dates(), "20240228-20240301");
        let days = window.split();
        assert_eq!(days.len(), 3);
        assert_eq!(
            (days[1].dates().as_str(), days[1].times()),
            ("20240229", None)
        );
        let hours = days[1].split();
        assert_eq!(hours.len(), 24);
        assert_eq!(hours[23].times().as_deref(), Some("230000-235960.999999"));
        assert!(hours[0].split().is_empty());
    }
}
