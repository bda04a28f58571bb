//! The tables of the page: the rows of the answer, and the baseline.

use crate::assess::{Comparison, Status};
use crate::domain::Millimetres;
use crate::render::{Content, phrases};
use maud::{Markup, html};

/// What the leading row is about.
pub(in crate::render) fn leading_name(content: &Content) -> String {
    phrases::named_rows(content)
        .find(|(_, row)| row.comparison.is_some())
        .map_or(String::new(), |(name, _)| name.to_lowercase())
}

/// Columns of the answer's rows, each with what it holds of a comparison.
pub(in crate::render) type Column = (&'static str, fn(&Comparison) -> String);

pub(in crate::render) const COLUMNS: [Column; 8] = [
    ("expected mm", |c| format!("{:.2}", c.expected_mm)),
    ("interval mm", |c| {
        format!("{:.2} to {:.2}", c.lower_mm, c.upper_mm)
    }),
    ("change mm", |c| format!("{:+.2}", c.change_mm)),
    ("change %", |c| format!("{:+.1}", c.change_percent)),
    ("smallest change mm", |c| {
        format!("{:.2}", c.smallest_change_mm)
    }),
    ("SD mm", |c| format!("{:.3}", c.sd_mm)),
    ("z", |c| format!("{:+.2}", c.z)),
    ("chance %", |c| {
        phrases::percent(c.probability_high).replace("less than", "<")
    }),
];

/// What stands below the table of the rows.
pub(in crate::render) const CHANCE: &str = "Chance: of a value at least this high if nothing has \
    changed; not the probability of raised pressure. The smallest change is half the interval.";

/// Right eye, left eye, both.
pub(super) fn rows(content: &Content) -> Markup {
    let mut rows: Vec<_> = phrases::named_rows(content).collect();
    if content.assessment.rows.leading().is_none() {
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
                                @match row.comparison {
                                    Some(c) => (phrases::status(c.status)),
                                    None => "not compared",
                                }
                            }
                            td role="cell" data-label="measured mm" { (format!("{:.2}", row.measured_mm)) }
                            @if let Some(c) = row.comparison {
                                @for (name, of) in COLUMNS { td role="cell" data-label=(name) { (of(&c)) } }
                            } @else {
                                @for (name, _) in COLUMNS { td role="cell" data-label=(name) { "none" } }
                            }
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
    match texts.is_empty() {
        true => "none".to_owned(),
        false => texts.join(" "),
    }
}

/// The exams the comparison rests on.
pub(super) fn baseline(content: &Content) -> Markup {
    html! {
        section {
            h2 { "Baseline exams used" }
            @if content.baseline.is_empty() {
                p { "None." }
            } @else {
                table.earlier role="table" {
                    thead role="rowgroup" {
                        tr role="row" {
                            @for name in ["date", "right mm", "left mm", "operator", "label"] {
                                th scope="col" role="columnheader" { (name) }
                            }
                        }
                    }
                    tbody role="rowgroup" {
                        @for exam in &content.baseline {
                            tr role="row" {
                                th scope="row" role="rowheader" { (exam.date) }
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
            @if let Some(years) = content.assessment.gap_years {
                p { "The last of them lies " (format!("{years:.2}")) " years before this exam." }
            }
        }
    }
}
