//! Where things stand: pure arithmetic from dates and millimetres to pixels.

use chrono::{Datelike, NaiveDate};

/// Something with a place on the time axis.
#[derive(Debug, Clone, Copy)]
pub(super) struct Stop {
    /// Days since a fixed day.
    pub(super) day: f64,
    /// Room it needs to either side, pixels.
    pub(super) half: f64,
}

/// The time axis. Distances are in proportion to time, except that neighbours that would cover
/// each other are moved apart; between two stops time runs evenly.
#[derive(Debug)]
pub(super) struct TimeAxis {
    days: Vec<f64>,
    /// Pixel of each stop, in the order given.
    pub(super) xs: Vec<f64>,
    /// Whether neighbours had to be moved apart.
    pub(super) stretched: bool,
}

/// A day is never wider than this, so that two exams a week apart do not look like years; in a course
/// that is shorter than a week an hour is not.
const WIDEST_DAY: f64 = 4.0;
const WIDEST_HOUR: f64 = 60.0;

/// Days under which a course is one of hours.
const HOURS_UNDER_DAYS: f64 = 7.0;

/// Whether a course from one day to another is one of hours.
pub(super) fn is_of_hours(first: f64, last: f64) -> bool {
    last - first < HOURS_UNDER_DAYS
}

impl TimeAxis {
    /// Sets stops, sorted by day, between two pixels.
    pub(super) fn new(stops: &[Stop], from: f64, to: f64) -> Self {
        let pairs: Vec<(Stop, Stop)> = stops
            .iter()
            .copied()
            .zip(stops.iter().copied().skip(1))
            .collect();
        let room: Vec<f64> = pairs.iter().map(|(a, b)| a.half + b.half).collect();
        let days: Vec<f64> = pairs.iter().map(|(a, b)| b.day - a.day).collect();
        let ends = stops.first().zip(stops.last());
        let widest = match ends {
            Some((first, last)) if is_of_hours(first.day, last.day) => 24.0 * WIDEST_HOUR,
            _ => WIDEST_DAY,
        };
        let (per_day, total) = fit(&days, &room, to - from, widest);
        let squeeze = ((to - from) / total.max(1.0)).min(1.0);
        let mut x = (from + to - total * squeeze) / 2.0;
        let mut xs = Vec::with_capacity(stops.len());
        let mut stretched = false;
        if !stops.is_empty() {
            xs.push(x);
        }
        for (days, room) in days.iter().zip(&room) {
            stretched |= days * per_day < *room - 1.0;
            x += (days * per_day).max(*room) * squeeze;
            xs.push(x);
        }
        TimeAxis {
            days: stops.iter().map(|stop| stop.day).collect(),
            xs,
            // Two stops have one distance: nothing to be out of proportion with.
            stretched: stretched && stops.len() > 2,
        }
    }

    /// Pixel of a day between the first and the last stop.
    pub(super) fn x(&self, day: f64) -> Option<f64> {
        let known = || self.days.iter().zip(&self.xs);
        let (before, at) = known().rfind(|(d, _)| **d <= day)?;
        match known().find(|(d, _)| **d > day) {
            None if *before < day => None,
            None => Some(*at),
            Some((after, next)) => Some(at + (next - at) * (day - before) / (after - before)),
        }
    }
}

/// Pixels for a day and in all, such that every distance has its room and the whole fits.
fn fit(days: &[f64], room: &[f64], width: f64, widest: f64) -> (f64, f64) {
    let mut per_day = widest;
    // Each round holds at least one more distance at its least room, so this ends.
    for _ in 0..=days.len() {
        let (mut held, mut free) = (0.0, 0.0);
        for (days, room) in days.iter().zip(room) {
            if days * per_day < *room {
                held += room;
            } else {
                free += days;
            }
        }
        let next = if free > 0.0 {
            ((width - held) / free).clamp(0.0, per_day)
        } else {
            per_day
        };
        if next >= per_day {
            break;
        }
        per_day = next;
    }
    let total = days
        .iter()
        .zip(room)
        .map(|(d, r)| (d * per_day).max(*r))
        .sum();
    (per_day, total)
}

/// Moves sorted middles of labels apart to at least `width`, between two pixels, each as near to
/// its wish as the order allows.
pub(super) fn apart(wishes: &[f64], width: f64, from: f64, to: f64) -> Vec<f64> {
    let (low, high) = (from + width / 2.0, to - width / 2.0);
    // Groups of touching labels: (sum of wished starts, count).
    let mut groups: Vec<(f64, f64)> = Vec::new();
    for (index, wish) in wishes.iter().enumerate() {
        let mut group = (wish.clamp(low, high.max(low)) - index as f64 * width, 1.0);
        while let Some((sum, count)) = groups.last().copied() {
            if sum / count < group.0 / group.1 {
                break;
            }
            groups.pop();
            group = (group.0 + sum, group.1 + count);
        }
        groups.push(group);
    }
    let starts = groups
        .iter()
        .flat_map(|(sum, count)| std::iter::repeat_n(sum / count, *count as usize));
    let last = wishes.len().saturating_sub(1) as f64;
    let highest = (high - last * width).max(low);
    starts
        .enumerate()
        .map(|(index, start)| start.clamp(low, highest) + index as f64 * width)
        .collect()
}

/// The axis of millimetres.
#[derive(Debug)]
pub(super) struct WidthAxis {
    low: f64,
    high: f64,
    step: f64,
    top: f64,
    bottom: f64,
}

impl WidthAxis {
    /// An axis that holds all values, at least 2 mm long so that noise does not look large.
    pub(super) fn new(values: impl Iterator<Item = f64>, top: f64, bottom: f64) -> Self {
        const SHORTEST: f64 = 2.0;
        const MOST_TICKS: f64 = 9.0;
        let (low, high) = values.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| {
            (low.min(v), high.max(v))
        });
        let (low, high) = if low <= high { (low, high) } else { (4.0, 6.0) };
        let short = (SHORTEST - (high - low)).max(0.4) / 2.0;
        let floor = if low < 0.0 { low } else { 0.0 };
        let (low, high) = ((low - short).max(floor), high + short);
        let step = [0.5, 1.0, 2.0, 5.0, 10.0]
            .into_iter()
            .find(|step| (high - low) / step <= MOST_TICKS)
            .unwrap_or_else(|| ((high - low) / MOST_TICKS).ceil());
        WidthAxis {
            low: (low / step).floor() * step,
            high: (high / step).ceil() * step,
            step,
            top,
            bottom,
        }
    }

    pub(super) fn y(&self, mm: f64) -> f64 {
        let share = (mm - self.low) / (self.high - self.low);
        self.bottom - share * (self.bottom - self.top)
    }

    /// Values with a line, from below.
    pub(super) fn ticks(&self) -> impl Iterator<Item = f64> {
        let count = ((self.high - self.low) / self.step).round() as usize;
        (0..=count).map(|index| self.low + index as f64 * self.step)
    }

    /// Decimals that tell the ticks apart.
    pub(super) fn decimals(&self) -> usize {
        usize::from(self.step < 1.0)
    }
}

/// First days of months or years between two dates, with their labels; about a dozen at most.
pub(super) fn calendar(first: NaiveDate, last: NaiveDate) -> Vec<(NaiveDate, String)> {
    const MOST: i64 = 12;
    let month = |date: NaiveDate| i64::from(date.year()) * 12 + i64::from(date.month0());
    let (from, to) = (month(first) + 1, month(last));
    let step = [1, 3, 6, 12, 24, 60, 120, 600]
        .into_iter()
        .find(|step| (to - from) / step <= MOST)
        .unwrap_or((to - from) / MOST + 1);
    let start = from.div_euclid(step) * step;
    (start..=to)
        .step_by(step as usize)
        .filter(|month| *month >= from)
        .filter_map(|month| {
            let year = i32::try_from(month.div_euclid(12)).ok()?;
            let date = NaiveDate::from_ymd_opt(year, month.rem_euclid(12) as u32 + 1, 1)?;
            let form = if step < 12 { "%Y-%m" } else { "%Y" };
            Some((date, date.format(form).to_string()))
        })
        .collect()
}

/// Hours of the clock between two days, each with its label; about a dozen at most. Midnight is told by
/// its day.
pub(super) fn clock(first: f64, last: f64) -> Vec<(f64, String)> {
    const MOST: f64 = 12.0;
    let (from, to) = (first * 24.0, last * 24.0);
    let step = [1.0, 2.0, 3.0, 6.0, 12.0]
        .into_iter()
        .find(|step| (to - from) / step <= MOST)
        .unwrap_or(24.0);
    let start = (from / step).ceil() * step;
    let count = ((to - start) / step).floor().max(-1.0) as i64;
    (0..=count)
        .filter_map(|at| {
            let hours = start + at as f64 * step;
            let (day, hour) = ((hours / 24.0).floor(), hours.rem_euclid(24.0));
            let date = NaiveDate::from_num_days_from_ce_opt(day as i32)?;
            let text = if hour < 0.5 {
                date.format("%m-%d").to_string()
            } else {
                format!("{hour:02.0}:00")
            };
            Some((hours / 24.0, text))
        })
        .collect()
}

/// A label that hangs on a vertical line like a flag on its pole.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Flag {
    pub(super) left: f64,
    pub(super) right: f64,
    /// From above.
    pub(super) row: usize,
}

/// Hangs labels, given as (pole, width) sorted by pole, to the right of their poles, or to the
/// left where the right would pass `edge`. Rows are such that no two touch and, as far as all
/// hang to one side, no pole crosses a label.
pub(super) fn flags(poles: &[(f64, f64)], edge: f64) -> Vec<Flag> {
    const AIR: f64 = 10.0;
    let turned = |(pole, width): (f64, f64)| pole + width > edge;
    let mut placed: Vec<(usize, Flag)> = Vec::new();
    let all = || poles.iter().copied().enumerate();
    // Each goes below those its own side has put up before, so its pole starts below them.
    let order = all()
        .filter(|(_, pole)| !turned(*pole))
        .chain(all().rev().filter(|(_, pole)| turned(*pole)));
    for (index, (pole, width)) in order {
        let left = if turned((pole, width)) {
            pole - width
        } else {
            pole
        };
        let right = left + width;
        let touching = placed
            .iter()
            .filter(|(_, flag)| flag.left < right + AIR && left < flag.right + AIR);
        let row = touching.map(|(_, flag)| flag.row + 1).max().unwrap_or(0);
        placed.push((index, Flag { left, right, row }));
    }
    placed.sort_by_key(|(index, _)| *index);
    placed.into_iter().map(|(_, flag)| flag).collect()
}
