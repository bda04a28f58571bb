//! Department: the department's own errors and habits, flags by operator, recovery, growth, and what its
//! data say of the parameters. The same report as by command, with a period, for screen and paper.

use super::layout::{cell, field, heads, text};
use crate::department::Calibration;
use crate::department::report::{LIMITS, PURPOSE, Report, part};
use crate::legible;
use crate::render::csv;
use maud::{Markup, html};

/// The page.
#[derive(Debug, Clone)]
pub struct View {
    /// First day asked for, as typed; empty: any.
    pub from: String,
    /// Last day asked for, as typed; empty: any.
    pub to: String,
    /// What is wrong with them; nothing is shown then.
    pub wrong: Option<String>,
    /// What was found.
    pub found: Option<Found>,
}

/// What was found.
#[derive(Debug, Clone)]
pub struct Found {
    /// The report.
    pub report: Report,
    /// What the data of all days say of the parameters; `None` where there is nothing to say it from.
    pub calibration: Option<Calibration>,
}

/// The body of the page.
#[must_use]
pub fn html(view: &View) -> Markup {
    let title = view
        .found
        .as_ref()
        .map_or("Department", |found| &found.report.title);
    html! {
        div.department {
            h1 { (title) }
            (form(view))
            @if let Some(found) = &view.found {
                section.statement aria-label="What this is" {
                    p.flag { (PURPOSE) }
                    @for line in &found.report.lead { p { (text(line)) } }
                }
                (contents(found))
                @for (number, section) in found.report.sections.iter().enumerate() {
                    (part(section, number))
                }
                @if let Some(calibration) = &found.calibration { (thresholds(calibration)) }
                footer { p.notice { (LIMITS) } }
            }
        }
    }
}

/// The page is long: its parts, to jump to.
fn contents(found: &Found) -> Markup {
    html! {
        nav.contents.no-print aria-label="Parts of this page" {
            ul {
                @for (number, section) in found.report.sections.iter().enumerate() {
                    li { a href={ "#part-" (number) } { (section.title) } }
                }
                @if found.calibration.is_some() { li { a href="#thresholds" { "Thresholds" } } }
            }
        }
    }
}

fn form(view: &View) -> Markup {
    let day = |id: &str, label: &str, value: &str| {
        let input = html! { input type="date" id=(id) name=(id) value=(value); };
        field(id, label, None, &input)
    };
    html! {
        form method="get" action="/department" {
            @if let Some(wrong) = &view.wrong { p.wrong role="alert" { (text(wrong)) } }
            div.fields {
                (day("from", "Exams from", &view.from))
                (day("to", "To, included", &view.to))
            }
            p.actions {
                button.first-choice type="submit" { "Show" }
                " "
                button type="submit" formaction="/department/table.csv" { "Download as CSV" }
            }
        }
    }
}

fn thresholds(found: &Calibration) -> Markup {
    html! {
        section aria-labelledby="thresholds" {
            h2 #thresholds { "Thresholds: what the data say of the parameters" }
            p {
                "From " (found.pairs) " pairs of consecutive stable exams of " (found.patients)
                " patients, of all days. How large a change must be for a flag follows from these errors. \
                 Nothing is changed here: present values count as 50 pairs, and a person decides. "
                code { "sheathline calibrate" } " writes the lines for the configuration, "
                code { "simulate" } " shows what a change promises."
            }
            table role="table" {
                (heads(&["parameter, mm", "now", "proposed", "standard error", "share of the data"]))
                tbody role="rowgroup" {
                    @for one in &found.proposals {
                        tr role="row" {
                            th scope="row" role="rowheader" { (one.name) }
                            (cell("now", &html! { (format!("{:.3}", one.now)) }))
                            (cell("proposed", &html! { (format!("{:.3}", one.proposed)) }))
                            (cell("standard error", &html! {
                                @match one.standard_error {
                                    Some(error) => (format!("{error:.3}")),
                                    None => "-",
                                }
                            }))
                            (cell("share of the data", &html! {
                                (format!("{:.0} %", 100.0 * one.data_share))
                            }))
                        }
                    }
                }
            }
        }
    }
}

/// The tables as one: a line for each cell (RFC 4180); no cell begins a formula.
#[must_use]
pub fn table(found: &Found) -> String {
    let mut text = line(["section", "row", "column", "value"]);
    for section in &found.report.sections {
        if let Some(table) = &section.table {
            for row in &table.rows {
                let name = row.first().map_or("", String::as_str);
                for (column, value) in table.head.iter().zip(row).skip(1) {
                    text += &line([section.title, name, column, value]);
                }
            }
        }
    }
    for one in found.calibration.iter().flat_map(|found| &found.proposals) {
        for (column, value) in [("now", one.now), ("proposed", one.proposed)] {
            text += &line(["Thresholds", one.name, column, &format!("{value:.3}")]);
        }
    }
    text
}

fn line(cells: [&str; 4]) -> String {
    csv::line(&cells.map(legible::line))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::department::report::{Section, Table};

    fn found() -> Found {
        Found {
            report: Report {
                title: "Measurement in the department: all exams".to_owned(),
                lead: vec!["3 exams".to_owned()],
                sections: vec![Section {
                    title: "Flags by operator",
                    words: Vec::new(),
                    table: Some(Table {
                        head: vec!["operator", "exams", "flagged"],
                        rows: vec![vec![
                            "=HYPERLINK(\"x\")".to_owned(),
                            "4".to_owned(),
                            "1 of 4".to_owned(),
                        ]],
                    }),
                    pictures: Vec::new(),
                }],
            },
            calibration: None,
        }
    }

    #[test]
    fn the_page_asks_for_a_period_and_shows_each_section() {
        let view = View {
            from: "2024-01-01".to_owned(),
            to: String::new(),
            wrong: None,
            found: Some(found()),
        };
        let page = html(&view).into_string();
        assert!(page.contains("name=\"from\" value=\"2024-01-01\""));
        assert!(page.contains("Flags by operator") && page.contains("1 of 4"));
        assert_eq!(page.matches("<h1").count(), 1);
    }

    /// OWASP, "CSV Injection".
    #[test]
    fn a_name_begins_no_formula_in_the_table() {
        let csv = table(&found());
        assert_eq!(
            csv,
            "section,row,column,value\r\n\
             Flags by operator,\"'=HYPERLINK(\"\"x\"\")\",exams,4\r\n\
             Flags by operator,\"'=HYPERLINK(\"\"x\"\")\",flagged,1 of 4\r\n"
        );
    }
}
