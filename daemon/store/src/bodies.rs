//! Which old bodies may go now, where the clock cannot be trusted alone.
//!
//! A clock that is years ahead makes everything old. Two things stand against it: nothing goes while
//! the clock is far beyond the newest object, and whatever the clock says, only a share of all bodies
//! goes in a day.

use super::{StoreError, meta, objects, stamp};
use crate::view::{Tx, View};
use chrono::{DateTime, Duration, Utc};

/// How far the clock may be beyond the newest object. A site that receives nothing for a month has no
/// need of room; one whose clock is wrong would lose everything.
const BEYOND_NEWEST: Duration = Duration::days(30);

/// How long a share lasts.
const DAY: Duration = Duration::hours(24);

/// One of so many objects may lose its bytes in a day: three weeks until all of a store would have
/// gone, time in which somebody sees what the log says each day.
const DAYS_FOR_ALL: u32 = 20;

/// A short time of keeping needs a larger share: this many times what comes in a day.
const TIMES_A_DAY: u32 = 3;

/// What was dropped since when; remembered in `meta`, so that a new start begins no new day.
const DROPPED: &str = "bodies_dropped";

/// What dropping some bodies came to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Dropped {
    /// So many; there may be more.
    Some(usize),
    /// None is old enough.
    None,
    /// There are more, and the share of this day is used up.
    EnoughToday,
    /// There are some, and the clock cannot be right.
    ClockAhead {
        /// When the newest object came, by this clock.
        newest: DateTime<Utc>,
    },
}

impl Dropped {
    /// What is wrong where the clock is ahead, and what to do.
    pub const CLOCK: &str = "old bodies are kept: the clock is more than 30 days beyond the newest \
        object. If the clock is wrong, set it right; if nothing came for so long, they go once \
        something comes.";
}

/// What went in the day that began at `since`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Day {
    since: DateTime<Utc>,
    dropped: u32,
}

impl Day {
    /// The day that it is `now`, after the one that is remembered. A clock that was set back begins
    /// a day with nothing left: the share of this one may have gone before.
    fn at(now: DateTime<Utc>, last: Option<Day>, share: u32) -> Day {
        match last {
            Some(last) if now < last.since => Day {
                since: now,
                dropped: share,
            },
            Some(last) if now < last.since + DAY => last,
            _ => Day {
                since: now,
                dropped: 0,
            },
        }
    }

    fn text(self) -> String {
        format!("{} {}", stamp::text(self.since), self.dropped)
    }

    fn parse(text: &str) -> Option<Day> {
        let (since, dropped) = text.split_once(' ')?;
        Some(Day {
            since: stamp::time(since).ok()?,
            dropped: dropped.parse().ok()?,
        })
    }
}

/// How many of `objects` may go in a day, where they are kept for `days`.
fn share(objects: u32, days: u32) -> u32 {
    let usual = objects.div_ceil(DAYS_FOR_ALL);
    let short = u64::from(objects) * u64::from(TIMES_A_DAY);
    let short = short.div_ceil(u64::from(days.max(1)));
    usual
        .max(u32::try_from(short).unwrap_or(u32::MAX))
        .clamp(1, objects.max(1))
}

/// Drops the bytes of at most `limit` objects that were received more than `days` ago, as far as
/// clock and share allow.
///
/// # Errors
/// The store cannot be read or written.
pub fn drop_some(
    tx: &Tx,
    days: u32,
    limit: u32,
    now: DateTime<Utc>,
) -> Result<Dropped, StoreError> {
    let before = now - Duration::days(days.into());
    if !objects::has_droppable(tx, before)? {
        return Ok(Dropped::None);
    }
    if let Some(newest) = ahead(tx, now)? {
        return Ok(Dropped::ClockAhead { newest });
    }
    let objects: u32 = tx
        .prepare("select coalesce(max(id), 0) from object")
        .one((), |row| row.get(0))?;
    let share = share(objects, days);
    let last = meta::get(tx, DROPPED)?.and_then(|text| Day::parse(&text));
    let mut day = Day::at(now, last, share);
    let left = share.saturating_sub(day.dropped).min(limit);
    let dropped = match left {
        0 => 0,
        left => objects::drop_bodies(tx, before, left, now)?,
    };
    day.dropped = day
        .dropped
        .saturating_add(u32::try_from(dropped).unwrap_or(u32::MAX));
    if last != Some(day) {
        meta::set(tx, DROPPED, &day.text())?;
    }
    Ok(match (left, dropped) {
        (0, _) => Dropped::EnoughToday,
        (_, 0) => Dropped::None,
        (_, some) => Dropped::Some(some),
    })
}

/// When the newest object came, where the clock is too far beyond that to be believed.
///
/// # Errors
/// The store cannot be read.
pub fn ahead(view: &View, now: DateTime<Utc>) -> Result<Option<DateTime<Utc>>, StoreError> {
    // The last that came, not the latest time: after a clock was set right that is the true one.
    let newest: Option<String> = view
        .prepare("select received_at from object order by id desc limit 1")
        .first((), |row| row.get(0))?;
    let newest = newest.map(|text| stamp::time(&text)).transpose()?;
    Ok(newest.filter(|newest| now - *newest > BEYOND_NEWEST))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(text: &str) -> DateTime<Utc> {
        text.parse().expect("a time")
    }

    #[test]
    fn a_share_is_small_and_keeps_pace_with_what_comes() {
        // One of twenty; never none; never more than there are.
        assert_eq!(share(1000, 365), 50);
        assert_eq!(share(3, 365), 1);
        assert_eq!(share(0, 365), 1);
        assert_eq!(share(u32::MAX, 1), u32::MAX);
        for days in 1..400 {
            // So many a day, kept for so many days, then as many again wait to go.
            let (a_day, kept) = (10, days + 1);
            assert!(share(a_day * kept, days) >= a_day, "{days}");
        }
    }

    #[test]
    fn a_day_lasts_over_starts_and_jumps() {
        let noon = at("2026-03-01T12:00:00Z");
        let first = Day::at(noon, None, 50);
        assert_eq!(first.dropped, 0);
        let used = Day {
            dropped: 50,
            ..first
        };
        assert_eq!(Day::parse(&used.text()), Some(used));
        // A new start an hour later, and one that is a minute short of a day.
        for later in [Duration::hours(1), DAY - Duration::minutes(1)] {
            assert_eq!(Day::at(noon + later, Some(used), 50), used);
        }
        assert_eq!(Day::at(noon + DAY, Some(used), 50).dropped, 0);
        // Ten years ahead and back again: one share there, none here until a day has passed.
        let ahead = Day::at(at("2036-03-01T12:00:00Z"), Some(used), 50);
        assert_eq!(ahead.dropped, 0);
        let back = Day::at(noon, Some(ahead), 50);
        assert_eq!((back.since, back.dropped), (noon, 50));
        assert_eq!(Day::at(noon + DAY, Some(back), 50).dropped, 0);
    }
}
