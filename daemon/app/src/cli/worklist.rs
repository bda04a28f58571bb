//! `worklist`: rises that nobody has acknowledged, exams that could not be compared, first exams, exams
//! without a label.

use super::args::WorklistArgs;
use super::{Failure, context, print};
use crate::lines::recent;
use chrono::{Local, Utc};
use serde::Serialize;
use sheathline_model::domain::written_name;
use sheathline_model::pages::today;
use sheathline_model::worklist::{Line, List, Rise};
use sheathline_store::exam_lines::{self, Filter, Pages, Period};

/// Lines of each list that are shown; what is more is counted.
const LINES_MAX: u32 = 1000;

/// One line of `worklist --json`.
#[derive(Serialize)]
struct Listed<'a> {
    /// `rises`, `not_compared`, `first_exams` or `unlabelled`.
    list: &'static str,
    /// How many lines the list has in all.
    total: u64,
    #[serde(flatten)]
    line: &'a Line,
}

/// `worklist`.
pub(super) fn worklist(args: &WorklistArgs) -> Result<(), Failure> {
    let config = context::config(&args.config.config)?;
    let store = context::guest(&config)?;
    let now = Local::now();
    let (first, since) = recent(now);
    args.period.check()?;
    let (from, to) = (args.period.from.or(args.day), args.period.to.or(args.day));
    let period = match (from, to) {
        _ if args.all => Period::All,
        (None, None) => Period::Came(since),
        (from, to) => Period::Done(from, to),
    };
    let filter = Filter {
        period,
        operator: args.operator.clone(),
        device: args.device.clone(),
        location: args.location.clone(),
    };
    let pages = Pages::first(LINES_MAX);
    let today = store.read(|view| exam_lines::today(view, &filter, &pages))?;
    let lists = [
        ("rises", "rises that nobody has acknowledged", &today.rises),
        (
            "not_compared",
            "exams that could not be compared",
            &today.not_compared,
        ),
        (
            "first_exams",
            "first exams, with nothing earlier to compare with",
            &today.first_exams,
        ),
        ("unlabelled", "exams without a label", &today.unlabelled),
    ];
    if args.json {
        for (word, _, list) in lists {
            for line in &list.lines {
                let total = list.total;
                print::json(&Listed {
                    list: word,
                    total,
                    line,
                })?;
            }
        }
        return Ok(());
    }
    let days = today::Filter {
        period: match period {
            Period::Came(_) => today::Period::Recent(first),
            Period::Done(from, to) => today::Period::Done(from, to),
            Period::All => today::Period::All,
        },
        operator: String::new(),
        device: String::new(),
        location: String::new(),
    };
    let days = days.days(now.date_naive());
    for (word, title, list) in lists {
        show(title, list);
        if word == "rises" {
            print::line(format_args!("of {days}:"));
        }
    }
    Ok(())
}

fn show(title: &str, list: &List) {
    print::line(format_args!("{title}: {}", list.total));
    for line in &list.lines {
        print::line(format_args!("  {}", words(line)));
    }
    if list.more() > 0 {
        print::line(format_args!("  and {} more", list.more()));
    }
    match list.older {
        0 => {}
        many if many > u64::from(List::OLDER_MAX) => print::line(format_args!(
            "  and more than {} older: --all",
            List::OLDER_MAX
        )),
        many => print::line(format_args!("  and {many} older: --all")),
    }
}

/// A line as it is read: whose, when, what was found, what waits.
fn words(line: &Line) -> String {
    let born = line.birth_date;
    let born = born.map_or("birth date unknown".to_owned(), |day| format!("born {day}"));
    let mut said = format!(
        "{} {}|{}, {born}, {}: {}",
        line.exam_id,
        line.patient.issuer,
        line.patient.id,
        line.performed_at.local.format("%Y-%m-%d %H:%M"),
        line.status.word()
    );
    if line.flagged {
        said.push_str(", flagged");
    }
    if let Some(eye) = &line.eye_word {
        said.push_str(&format!(", {}", eye.replace('_', " ")));
    }
    let numbers = [
        ("measured", line.measured_mm, false),
        ("expected", line.expected_mm, false),
        ("change", line.change_mm, true),
    ];
    for (name, mm, has_sign) in numbers {
        match mm {
            Some(mm) if has_sign => said.push_str(&format!(", {name} {mm:+.2} mm")),
            Some(mm) => said.push_str(&format!(", {name} {mm:.2} mm")),
            None => {}
        }
    }
    if let Some(why) = line.why.as_ref().filter(|_| line.uncompared().is_some()) {
        said.push_str(&format!(". {}", why.trim_end_matches('.')));
    }
    if let Some(operator) = &line.operator {
        said.push_str(&format!(", by {}", written_name(operator)));
    }
    if let Some(rise) = line.rise.as_ref().filter(|rise| rise.waits()) {
        let since = line.rise_since.map(|since| Utc::now() - since);
        let minutes = since.map_or(0, |time| time.num_minutes().max(0));
        let what = match rise {
            Rise::Withdrawn => "withdrawn",
            _ => "new",
        };
        said.push_str(&format!("; {what} for {minutes} min"));
        if let Some(worse) = &line.worse {
            said.push_str(&format!(", {}", worse.sentence()));
        }
    }
    said
}
