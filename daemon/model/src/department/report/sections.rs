//! What each section says.

mod course;
mod errors;
mod service;

use super::Picture;
use super::picture::Bar;
use crate::department::charts::{NEEDED, Run};
use crate::department::technique::Share;
use crate::department::{Enough, Interval, Quantile, Statistics};
use chrono::NaiveDate;

pub(super) use course::{flags, growth, recovery};
pub(super) use errors::{charts, components, learning, offsets, repeatability};
pub(super) use service::{compared, promise, reference, technique, turnaround};

/// So many charts are named before everything else.
const MOST_NAMED: usize = 6;

/// What was looked at, and what stands out.
pub(super) fn lead(found: &Statistics, today: NaiveDate) -> Vec<String> {
    let seen = &found.seen;
    let mut lines = vec![format!(
        "{} exams of {} patients, {} of them labelled well; made on {today}. Of these exams {} name no \
         single operator and {} no single device; they count for the department alone. Left out: {} \
         exams whose reports contradict each other about whose they are.",
        seen.exams,
        seen.patients,
        seen.well,
        seen.without_operator,
        seen.without_device,
        seen.nobodys
    )];
    let mut told: Vec<_> = found
        .charts
        .iter()
        .filter_map(|chart| Some((chart, chart.run.yes()?)))
        .collect();
    told.sort_by(|a, b| excess(b.1).total_cmp(&excess(a.1)));
    let (all, expected) = (
        told.len(),
        told.iter()
            .map(|(_, run)| run.signals_by_chance)
            .sum::<f64>(),
    );
    told.retain(|(_, run)| !run.signals.is_empty());
    let words = told.iter().take(MOST_NAMED).map(|(chart, run)| {
        let (signals, chance) = (run.signals.len(), run.signals_by_chance);
        format!("{}: {signals} ({chance:.1} by chance)", chart.of.words())
    });
    let words: Vec<String> = words.collect();
    let others = match told.len().saturating_sub(MOST_NAMED) {
        0 => String::new(),
        more => format!("; and in {more} further charts"),
    };
    lines.push(match (all, words.is_empty()) {
        (0, _) => format!("No control chart yet: one takes {NEEDED} compared exams labelled well."),
        (_, true) => format!(
            "Control charts: {all}, no signal ({expected:.1} by chance). No signal does not prove that \
             nothing changed."
        ),
        (_, false) => format!(
            "Control charts: {all}. Signals in {}{others}. As many as by chance mean nothing; more are a \
             reason to look, not a finding.",
            words.join("; ")
        ),
    });
    lines
}

/// Signals beyond those that chance gives.
fn excess(run: &Run) -> f64 {
    run.signals.len() as f64 - run.signals_by_chance
}

fn range(interval: Interval, decimals: usize) -> String {
    format!(
        "{:.decimals$} to {:.decimals$}",
        interval.low, interval.high
    )
}

/// A number with its interval, or what is missing.
fn number(found: Option<(f64, Interval)>, decimals: usize) -> String {
    match found {
        Some((value, interval)) => format!("{value:.decimals$} ({})", range(interval, decimals)),
        None => "-".to_owned(),
    }
}

fn or_counts<T>(found: &Enough<T>, words: impl FnOnce(&T) -> String) -> String {
    match found {
        Enough::Yes(value) => words(value),
        Enough::No(counts) => counts.to_string(),
    }
}

fn quantile(found: &Enough<Quantile>, decimals: usize) -> String {
    or_counts(found, |one| {
        number(Some((one.value, one.interval)), decimals)
    })
}

fn share(found: &Share) -> String {
    let counts = format!("{} of {}", found.count, found.of);
    let percent = |part: f64| 100.0 * part;
    or_counts(&found.share, |part| {
        let interval = part.interval.times(100.0);
        format!(
            "{counts}: {:.1} % ({})",
            percent(part.share),
            range(interval, 1)
        )
    })
    .replace("not enough", &format!("{counts}: not enough"))
}

/// A picture, unless it would be empty.
fn pictures(picture: Picture, rows: &[Bar]) -> Vec<Picture> {
    let some = rows.iter().any(|row| row.value.is_some());
    some.then_some(picture).into_iter().collect()
}
