//! A patient's exams as a table that says what their pages say.

use super::print;
use sheathline_model::domain::Eye;
use sheathline_model::render::text;
use sheathline_model::results::Figures;
use sheathline_model::results::{Content, Printed, change, seen};
use sheathline_store::results::ResultRow;

/// One line for each exam, with the numbers of the comparison that decided its status; below it what its
/// page says of the course and of doubts.
pub(super) fn table(exams: &[(ResultRow, Content)]) {
    line([
        "day and time",
        "exam",
        "right",
        "left",
        "of",
        "expected",
        "interval",
        "change",
        "to flag",
        "status",
        "basis",
        "label",
    ]);
    for (row, content) in exams {
        let assessment = &content.assessment;
        let eye = |eye: Eye| {
            let row = assessment.rows.of(eye);
            row.map_or("-".to_owned(), |row| Printed::of(row).measured)
        };
        let decided = assessment.decided();
        let by = assessment.decided_by.or(decided.map(|(by, _)| by));
        let number = |text: Option<String>| text.unwrap_or_else(|| "-".to_owned());
        let Figures {
            expected,
            interval,
            change,
            needed,
        } = Figures::of(content);
        let flag = if assessment.flagged { "*" } else { "" };
        let at = content.exam.performed_at;
        let day = match at.time() {
            Some(time) => format!("{} {}", at.date(), time.format("%H:%M")),
            None => at.date().to_string(),
        };
        let cells = [
            day,
            row.exam_id.clone(),
            eye(Eye::Right),
            eye(Eye::Left),
            number(by.map(|by| by.word().replace('_', " "))),
            number(expected),
            number(interval),
            number(change),
            number(needed),
            format!("{}{flag}", assessment.status.word()),
            content.basis().word().to_owned(),
            label(content),
        ];
        line(cells.each_ref().map(String::as_str));
        for one in text::in_a_list(content) {
            print::line(format_args!("  {one}"));
        }
    }
    if exams.iter().any(|(_, content)| content.assessment.flagged) {
        print::line(
            "* flagged; a status without a flag does not mean that the pressure is not raised",
        );
    }
}

fn line(cells: [&str; 12]) {
    let [
        at,
        exam,
        right,
        left,
        of,
        expected,
        interval,
        change,
        limit,
        status,
        basis,
        label,
    ] = cells;
    print::line(format_args!(
        "{at:<16} {exam:<17} {right:>5} {left:>5} {of:<11} {expected:>8} {interval:>12} {change:>6} \
         {limit:>7} {status:<20} {basis:<11} {label}"
    ));
}

/// The label, how the exam was measured where that was not by ultrasound, and a doubt about its date.
fn label(content: &Content) -> String {
    let label = content.exam.label;
    let mut said = label.map_or("none", |label| label.word()).to_owned();
    let modality = content.exam.modality;
    if modality.is_foreign() {
        said = format!("{said}; by {}", modality.title());
    }
    if content.is_preliminary() {
        said = format!("{said}; preliminary");
    }
    if content.is_date_doubted() {
        said = format!("{said}; dated after it was received");
    }
    said
}

/// What became known since the newest version that no reader of it would see: it made no other one.
pub(super) fn origin(told: &Content, now: &Content) {
    if seen(told).ok() != seen(now).ok() {
        return;
    }
    // A stored content has rounded numbers.
    if told.key().ok() == now.key().ok() {
        return;
    }
    print::line("");
    print::line(
        "Known since, and nothing above reads otherwise for it, so there is no other version:",
    );
    for why in change::why(Some(told), now) {
        print::line(format_args!("  {why}"));
    }
}
