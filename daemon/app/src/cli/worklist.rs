//! `worklist`: rises that nobody has acknowledged, exams that could not be compared, exams without a
//! label.

use super::args::WorklistArgs;
use super::{Failure, context, print};
use chrono::Utc;
use serde::Serialize;
use sheathline_model::domain::written_name;
use sheathline_model::worklist::{Line, List, Rise};
use sheathline_store::exam_lines::{self, Filter};

/// Lines of each list that are shown; what is more is counted.
const LINES_MAX: u32 = 1000;

/// One line of `worklist --json`.
#[derive(Serialize)]
struct Listed<'a> {
    /// `rises`, `not_compared` or `unlabelled`.
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
    let filter = Filter {
        from: args.day,
        to: args.day,
        operator: args.operator.clone(),
        device: args.device.clone(),
        location: None,
    };
    let today = store.read(|view| exam_lines::today(view, &filter, LINES_MAX))?;
    let lists = [
        ("rises", "rises that nobody has acknowledged", &today.rises),
        (
            "not_compared",
            "exams that could not be compared",
            &today.not_compared,
        ),
        ("unlabelled", "exams without a label", &today.unlabelled),
    ];
    for (word, title, list) in lists {
        if args.json {
            for line in &list.lines {
                let total = list.total;
                print::json(&Listed {
                    list: word,
                    total,
                    line,
                })?;
            }
        } else {
            show(title, list);
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
