//! The report as one page: nothing is loaded, nothing runs, and it prints on paper.

use super::{LIMITS, PURPOSE, Picture, Report, Section, Table};
use crate::legible;
use crate::render::html::head;
use crate::render::trend::describe;
use maud::{DOCTYPE, Markup, PreEscaped, html};

/// What this page needs beside the style of results.
pub(crate) const OWN_STYLE: &str = include_str!("page.css");

/// The page.
#[must_use]
pub fn page(report: &Report) -> String {
    let page = html! {
        (DOCTYPE)
        html lang="en" {
            (head(&report.title, OWN_STYLE))
            body {
                main.department {
                    header {
                        p.kind { "Optic nerve sheath: quality of measurement" }
                        h1 { (report.title) }
                    }
                    section.statement aria-label="What this is" {
                        p.flag { (PURPOSE) }
                        @for line in &report.lead { p { (line) } }
                    }
                    @for (number, section) in report.sections.iter().enumerate() {
                        (part(section, number))
                    }
                    footer { p.notice { (LIMITS) } }
                }
            }
        }
    };
    legible::lines(&page.into_string())
}

pub(crate) fn part(section: &Section, number: usize) -> Markup {
    html! {
        section {
            h2 id={ "part-" (number) } { (section.title) }
            @for line in &section.words { p { (line) } }
            @for (at, picture) in section.pictures.iter().enumerate() {
                figure { (drawn(picture, &format!("picture-{number}-{at}"))) }
            }
            @match &section.table {
                Some(table) => (rows(table)),
                None if section.pictures.is_empty() => p { strong { "No exam of this period shows it." } },
                None => {}
            }
        }
    }
}

fn drawn(picture: &Picture, id: &str) -> Markup {
    let svg = describe(&picture.svg, id, &picture.title, &picture.description);
    // HTML knows the element without its namespace.
    let svg = svg.replacen(" xmlns=\"http://www.w3.org/2000/svg\"", "", 1);
    html! {
        h3 { bdi { (picture.title) } }
        // By keyboard too, where it is wider than the screen. The picture escapes its own texts.
        div.scroll tabindex="0" role="region" aria-label=(picture.title) { (PreEscaped(svg)) }
    }
}

fn rows(table: &Table) -> Markup {
    html! {
        table {
            thead { tr { @for name in &table.head { th scope="col" { (name) } } } }
            tbody {
                @for row in &table.rows {
                    tr {
                        @for (at, (cell, name)) in row.iter().zip(&table.head).enumerate() {
                            @if at == 0 { th scope="row" { bdi { (cell) } } }
                            @else { td.nil[cell == "-"] data-label=(name) { (cell) } }
                        }
                    }
                }
            }
        }
    }
}
