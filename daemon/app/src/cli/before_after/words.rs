//! What `template try` prints for people.

use crate::cli::print;
use crate::trial::Details;
use sheathline_model::reading::trial::{Change, Count, Tally};

/// Lines about single values.
pub(super) fn tell(details: &Details, heading: &str) {
    if details.count == 0 {
        return;
    }
    print::line("");
    print::line(format_args!("{heading}:"));
    for line in &details.lines {
        print::line(format_args!("  {line}"));
    }
    let more = details.count - details.lines.len();
    if more > 0 {
        print::line(format_args!("  and {more} more; --json tells all"));
    }
}

/// The reports of one sender and device.
pub(super) fn show(sender: &str, device: &str, tally: &Tally) {
    let beside = if device.is_empty() { "" } else { ", " };
    let heading = format!("{sender}{beside}{device}");
    print::line("");
    print::line(format_args!("{heading:<40} before   after"));
    let rows = |count: &Count| {
        [
            ("values read", count.values),
            ("usable", count.usable),
            ("of the right eye", count.right),
            ("of the left eye", count.left),
            ("reports without a usable value", count.without),
            ("codes that nobody explains", count.unexplained),
        ]
    };
    let line = |name: &str, before: usize, after: usize| {
        print::line(format_args!("  {name:<38} {before:>6}  {after:>6}"));
    };
    line("reports", tally.reports, tally.reports);
    for ((name, before), (_, after)) in rows(&tally.before).into_iter().zip(rows(&tally.after)) {
        line(name, before, after);
    }
    print::line(format_args!(
        "  values gained {}, lost {}, of another side {}, of another width {}, another quantity {}",
        tally.count(Change::Gained),
        tally.count(Change::Lost),
        tally.count(Change::Side),
        tally.count(Change::Width),
        tally.count(Change::Quantity)
    ));
    for (name, remarks) in [
        ("doubts new", &tally.remarks_new),
        ("doubts gone", &tally.remarks_gone),
    ] {
        if !remarks.is_empty() {
            let each = remarks
                .iter()
                .map(|(code, count)| format!("{code} {count}"));
            let each: Vec<String> = each.collect();
            print::line(format_args!("  {name}: {}", each.join(", ")));
        }
    }
    if !tally.read_by.is_empty() {
        let by: Vec<&str> = tally.read_by.iter().map(String::as_str).collect();
        print::line(format_args!("  read by {}", by.join(", ")));
    }
}
