//! The numbers of a department as a report: words, tables and pictures, for a terminal and for a page.

mod page;
mod picture;
mod sections;

use super::Statistics;
use crate::legible;
use chrono::NaiveDate;

pub use page::page;
pub(crate) use page::{OWN_STYLE, part};

/// What stands first, wherever the report is shown.
pub const PURPOSE: &str = "For the quality of measurement, not for judging persons: numbers are \
    small, patients are not shared out evenly, and a difference has many causes beside the person who \
    measured. Operators and devices are named as reports name them.";

/// What the report rests on and what it cannot say.
pub const LIMITS: &str = "Not a medical device and no part of any result: nothing here changes a \
    status or a flag. Every number rests on what is stored and labelled; exams labelled well are \
    those that people labelled so.";

/// Characters of a cell that a terminal shows.
const WIDEST: usize = 64;

/// Characters of a sentence that a terminal shows: many times what ours have without a name.
const LONGEST: usize = 4000;

/// A report, section after section.
#[derive(Debug, Clone, PartialEq)]
pub struct Report {
    /// First line.
    pub title: String,
    /// What was looked at, and what stands out.
    pub lead: Vec<String>,
    /// What follows.
    pub sections: Vec<Section>,
}

/// One matter.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Section {
    /// Its heading.
    pub title: &'static str,
    /// What the numbers mean and do not mean.
    pub words: Vec<String>,
    /// The numbers; none when there is nothing to show.
    pub table: Option<Table>,
    /// The same as pictures.
    pub pictures: Vec<Picture>,
}

/// Rows under a head. The first cell of a row names it.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Table {
    /// Names of the columns.
    pub head: Vec<&'static str>,
    /// The rows, as wide as the head.
    pub rows: Vec<Vec<String>>,
}

/// One picture of a page.
#[derive(Debug, Clone, PartialEq)]
pub struct Picture {
    /// What it shows.
    pub title: String,
    /// The same in sentences, for readers who cannot see it.
    pub description: String,
    /// An SVG document without a name.
    svg: String,
}

impl Report {
    /// The report of some numbers; `today` is printed, nothing else.
    #[must_use]
    pub fn of(found: &Statistics, today: NaiveDate) -> Report {
        let period = match (found.seen.period.from, found.seen.period.to) {
            (None, None) => "all exams".to_owned(),
            (Some(from), None) => format!("exams from {from}"),
            (None, Some(to)) => format!("exams to {to}"),
            (Some(from), Some(to)) => format!("exams of {from} to {to}"),
        };
        Report {
            title: format!("Measurement in the department: {period}"),
            lead: sections::lead(found, today),
            sections: vec![
                sections::charts(found),
                sections::repeatability(found),
                sections::offsets(found),
                sections::components(found),
                sections::learning(found),
                sections::technique(found),
                sections::compared(found),
                sections::promise(found),
                sections::flags(found),
                sections::recovery(found),
                sections::growth(found),
                sections::turnaround(found),
                sections::reference(found),
            ],
        }
    }

    /// The report for a terminal.
    #[must_use]
    pub fn text(&self) -> String {
        let mut lines = vec![self.title.clone(), String::new(), PURPOSE.to_owned()];
        lines.extend(self.lead.iter().cloned());
        for section in &self.sections {
            lines.push(String::new());
            lines.push(section.title.to_uppercase());
            lines.extend(section.words.iter().cloned());
            lines.extend(section.table.iter().flat_map(Table::lines));
        }
        lines.push(String::new());
        lines.push(LIMITS.to_owned());
        let shown = |line: &String| legible::short(line, LONGEST);
        let lines: Vec<String> = lines.iter().map(shown).collect();
        lines.join("\n")
    }
}

impl Table {
    /// Columns side by side. A name may be of any length, a line of a terminal not.
    fn lines(&self) -> Vec<String> {
        let shown = |cell: &String| legible::short(cell, WIDEST);
        let shown = self.rows.iter().map(|row| row.iter().map(shown).collect());
        let rows: Vec<Vec<String>> = shown.collect();
        let width = |column: usize| {
            let head = self.head.get(column).map_or(0, |head| head.chars().count());
            let cells = rows.iter().filter_map(|row| row.get(column));
            cells
                .map(|cell| cell.chars().count())
                .fold(head, usize::max)
        };
        let widths: Vec<usize> = (0..self.head.len()).map(width).collect();
        let line = |cells: &mut dyn Iterator<Item = &str>| {
            let cells = cells.zip(&widths);
            let cells: Vec<String> = cells
                .map(|(cell, width)| {
                    // The width of a format goes to 65,535 only.
                    let blanks = width.saturating_sub(cell.chars().count());
                    format!("{cell}{}", " ".repeat(blanks))
                })
                .collect();
            cells.join("  ").trim_end().to_owned()
        };
        let mut lines = vec![line(&mut self.head.iter().copied())];
        lines.extend(
            rows.iter()
                .map(|row| line(&mut row.iter().map(String::as_str))),
        );
        lines
    }
}
