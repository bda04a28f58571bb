//! How long results take: from the exam, and from the first report's arrival.

use super::enough::Enough;
use super::interval::{Quantile, needed_for, quantile};
use crate::domain::Moment;
use chrono::{DateTime, NaiveTime, Utc};
use serde::Serialize;

/// An exam whose first report comes so many days after it was brought in later, by hand or from an
/// archive; how long that took says nothing of the service. A weekend and a holiday stay below it.
pub const BACKFILL_DAYS: i64 = 7;

/// When things happened, by the clock of this service.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Times {
    /// The first report of the exam came.
    pub received: Option<DateTime<Utc>>,
    /// The first version of its result was made.
    pub made: Option<DateTime<Utc>>,
}

/// How long results took.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Turnaround {
    /// Exams looked at.
    pub exams: usize,
    /// Left out of both: they came [`BACKFILL_DAYS`] days after the exam or later.
    pub brought_in_later: usize,
    /// Left out of both: no result or no report yet.
    pub without_result: usize,
    /// From the exam to its result: two clocks, so only where the report says how far its clock is
    /// from UTC.
    pub from_exam: Taken,
    /// From the arrival of the first report to the result: our own clock.
    pub from_arrival: Taken,
}

/// How long one way took.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Taken {
    /// Exams counted.
    pub exams: usize,
    /// Left out: the report does not say how far its clock is from UTC.
    pub without_offset: usize,
    /// Left out: midnight to the second, which stands for a time that nobody gave.
    pub without_time: usize,
    /// Left out: the end lies before the start, so a clock was wrong.
    pub clock_wrong: usize,
    /// Half took no longer, minutes.
    pub median_minutes: Enough<Quantile>,
    /// Nine in ten took no longer, minutes.
    pub ninth_tenth_minutes: Enough<Quantile>,
}

/// One way, exam after exam.
#[derive(Debug, Clone, Default)]
struct Way {
    minutes: Vec<f64>,
    without_offset: usize,
    without_time: usize,
    clock_wrong: usize,
}

/// Counts exam after exam: eight bytes for each way.
#[derive(Debug, Clone, Default)]
pub(super) struct Clock {
    exams: usize,
    brought_in_later: usize,
    without_result: usize,
    from_exam: Way,
    from_arrival: Way,
}

impl Clock {
    pub(super) fn add(&mut self, at: Option<Moment>, times: Times) {
        self.exams += 1;
        let (Some(at), Some(received), Some(made)) = (at, times.received, times.made) else {
            self.without_result += 1;
            return;
        };
        // Days of the exam's own clock and of UTC differ by one at most.
        if (received.date_naive() - at.date()).num_days() > BACKFILL_DAYS {
            self.brought_in_later += 1;
            return;
        }
        self.from_arrival.add(received, made);
        match utc(at) {
            _ if at.local.time() == NaiveTime::MIN => self.from_exam.without_time += 1,
            None => self.from_exam.without_offset += 1,
            Some(at) => self.from_exam.add(at, made),
        }
    }

    pub(super) fn finish(self) -> Turnaround {
        Turnaround {
            exams: self.exams,
            brought_in_later: self.brought_in_later,
            without_result: self.without_result,
            from_exam: self.from_exam.finish(),
            from_arrival: self.from_arrival.finish(),
        }
    }
}

impl Way {
    fn add(&mut self, from: DateTime<Utc>, to: DateTime<Utc>) {
        match (to - from).num_milliseconds() {
            negative if negative < 0 => self.clock_wrong += 1,
            taken => self.minutes.push(taken as f64 / 60_000.0),
        }
    }

    fn finish(mut self) -> Taken {
        self.minutes.sort_by(f64::total_cmp);
        let exams = self.minutes.len();
        let of = |share| Enough::of(exams, needed_for(share), || quantile(&self.minutes, share));
        Taken {
            exams,
            without_offset: self.without_offset,
            without_time: self.without_time,
            clock_wrong: self.clock_wrong,
            median_minutes: of(0.5),
            ninth_tenth_minutes: of(0.9),
        }
    }
}

/// The instant of a moment, if it says how far its clock is from UTC.
fn utc(at: Moment) -> Option<DateTime<Utc>> {
    let offset = chrono::TimeDelta::try_seconds(at.offset_s?.into())?;
    Some(at.local.checked_sub_signed(offset)?.and_utc())
}
