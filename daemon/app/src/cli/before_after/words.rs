//! What `template try` prints for people.

use crate::cli::print;
use sheathline_model::reading::trial::{Change, Changed, Count, Tally, Told};

/// Lines about single values, as many as are told.
pub(super) struct Details {
    lines: Vec<String>,
    most: usize,
    count: usize,
}

impl Details {
    pub(super) fn new(most: usize) -> Details {
        Details {
            lines: Vec::new(),
            most,
            count: 0,
        }
    }

    pub(super) fn add(&mut self, line: impl FnOnce() -> String) {
        self.count += 1;
        if self.lines.len() < self.most {
            self.lines.push(line());
        }
    }

    pub(super) fn tell(&self, heading: &str) {
        if self.count == 0 {
            return;
        }
        print::line("");
        print::line(format_args!("{heading}:"));
        for line in &self.lines {
            print::line(format_args!("  {line}"));
        }
        let more = self.count - self.lines.len();
        if more > 0 {
            print::line(format_args!("  and {more} more; --json tells all"));
        }
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

/// One value that differs, on a line.
pub(super) fn told(name: &str, value: &Changed) -> String {
    let side = |told: Option<&Told>| {
        let Some(told) = told else {
            return "not read".to_owned();
        };
        let width = told
            .value_mm
            .map_or("no value".to_owned(), |width| width.to_string());
        let blocked: Vec<&str> = told.blocked_by.iter().map(|code| code.word()).collect();
        let used = match (told.usable, blocked.as_slice()) {
            (true, _) => String::new(),
            (false, []) => ", not used".to_owned(),
            (false, blocked) => format!(", not used: {}", blocked.join(", ")),
        };
        let sent = [&told.value_as_sent, &told.unit_as_sent];
        let sent: Vec<&str> = sent.into_iter().flatten().map(String::as_str).collect();
        let quantity = serde_json::to_value(told.quantity).unwrap_or_default();
        let quantity = quantity.as_str().unwrap_or_default().replace('_', " ");
        format!(
            "{quantity} {} {width} (sent as {}){used}",
            told.eye.word(),
            sent.join(" ")
        )
    };
    format!(
        "{name} {}: {} -> {}",
        value.place,
        side(value.before.as_ref()),
        side(value.after.as_ref())
    )
}
