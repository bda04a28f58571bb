//! The tables of the page: the rows of the answer, and the baseline.

use crate::assess::{Comparison, DecidedBy, Row, Status};
use crate::domain::Millimetres;
use crate::domain::time::written;
use crate::results::numbers::{Expected, Printed};
use crate::results::{Content, phrases};
use maud::{Markup, html};

/// Columns of the answer's rows, each with what it holds of a row.
pub(in crate::render) type Column = (&'static str, fn(&Comparison, &Expected) -> String);

pub(in crate::render) const COLUMNS: [Column; 8] = [
    ("expected mm", |_, row| row.mm.clone()),
    ("interval mm", |_, row| row.interval.clone()),
    ("change mm", |_, row| row.change.clone()),
    ("change %", |_, row| row.percent.clone()),
    ("needed mm", |_, row| row.needed.clone()),
    ("SD mm", |c, _| format!("{:.3}", c.sd_mm)),
    ("z", |c, _| format!("{:+.2}", c.z)),
    ("chance %", |c, _| {
        phrases::percent(c.probability_high).replace("less than", "<")
    }),
];

/// Cells of a row, in the order of [`COLUMNS`]; nothing was expected of a row without any.
pub(in crate::render) fn cells(row: &Row) -> Vec<(&'static str, String)> {
    let printed = Printed::of(row).expected;
    let beside = row.expected().zip(printed);
    let of = |of: fn(&Comparison, &Expected) -> String| match &beside {
        Some((c, printed)) => of(c, printed),
        None => "none".to_owned(),
    };
    COLUMNS
        .iter()
        .map(|(name, cell)| (*name, of(*cell)))
        .collect()
}

/// What a row says, and whether it is the one that decided.
pub(in crate::render) fn status_cell(content: &Content, row: &Row) -> String {
    let assessment = &content.assessment;
    let decided = assessment
        .decided()
        .filter(|(by, _)| *by != DecidedBy::SinceEvent);
    let alone = phrases::named_rows(content).count() == 1;
    let quiet = assessment.status == Status::WithinExpected;
    let decides = decided.is_some_and(|(_, decided)| std::ptr::eq(decided, row));
    let decides = decides && !alone && !quiet;
    if decides {
        format!("{} (decides)", phrases::row_status(row))
    } else {
        phrases::row_status(row)
    }
}

/// What stands below the table of the rows.
pub(in crate::render) const CHANCE: &str = "Chance: of a value at least this high if nothing has \
    changed; not the probability of raised pressure. Needed: the change needed for a flag; half of \
    such exams miss a true rise of that size.";

/// Right eye, left eye, both.
pub(crate) fn rows(content: &Content) -> Markup {
    let mut rows: Vec<_> = phrases::named_rows(content).collect();
    if rows.iter().all(|(_, row)| row.expected().is_none()) {
        // Nothing to put beside the measured values, which stand above.
        return html! {};
    }
    // Both eyes last: it is the mean of what stands above it.
    if rows.len() > 1 {
        rows.rotate_left(1);
    }
    html! {
        section {
            h2 { "Each eye" }
            table.rows role="table" {
                thead role="rowgroup" {
                    tr role="row" {
                        th scope="col" role="columnheader" { "eye" }
                        th scope="col" role="columnheader" { "status" }
                        th scope="col" role="columnheader" { "measured mm" }
                        @for (name, _) in COLUMNS { th scope="col" role="columnheader" { (name) } }
                    }
                }
                tbody role="rowgroup" {
                    @for (name, row) in rows {
                        @let out = row.comparison.is_some_and(|c| c.status != Status::WithinExpected);
                        tr.out[out] role="row" {
                            th scope="row" role="rowheader" { (name) }
                            td role="cell" data-label="status" {
                                (status_cell(content, row))
                            }
                            td role="cell" data-label="measured mm" { (Printed::of(row).measured) }
                            @for (name, cell) in cells(row) { td role="cell" data-label=(name) { (cell) } }
                        }
                    }
                }
            }
            p { (CHANCE) }
        }
    }
}

fn mm(values: &[Millimetres]) -> String {
    let texts: Vec<String> = values.iter().copied().map(phrases::millimetres).collect();
    if texts.is_empty() {
        "none".to_owned()
    } else {
        texts.join(" ")
    }
}

/// The exams the comparison rests on.
pub(crate) fn baseline(content: &Content) -> Markup {
    html! {
        section {
            h2 { "Baseline exams used" }
            @if content.baseline.is_empty() {
                p { "None." }
            } @else {
                table.earlier role="table" {
                    thead role="rowgroup" {
                        tr role="row" {
                            @for name in ["date and time", "right mm", "left mm", "operator", "label"] {
                                th scope="col" role="columnheader" { (name) }
                            }
                        }
                    }
                    tbody role="rowgroup" {
                        @for exam in &content.baseline {
                            tr role="row" {
                                th scope="row" role="rowheader" { (written(exam.date, exam.time)) }
                                td role="cell" data-label="right mm" { (mm(&exam.right_mm)) }
                                td role="cell" data-label="left mm" { (mm(&exam.left_mm)) }
                                td role="cell" data-label="operator" {
                                    bdi { (phrases::operator(exam.operator.as_deref())) }
                                }
                                td role="cell" data-label="label" {
                                    @match exam.label {
                                        Some(label) => (label.word().replace('_', " ")),
                                        None => "none",
                                    }
                                }
                            }
                        }
                    }
                }
            }
            @if let Some(last) = phrases::last_baseline(content) { p { (last) } }
        }
    }
}
