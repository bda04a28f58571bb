//! `result.pdf`: the page as a sheet of A4, in the words and the order of `result.html`.
//!
//! The text shrinks a little to fit one sheet; what still does not fit goes on, so that nothing is
//! left out. Letters are placed one after the other from left to right: names in scripts that join
//! or turn their letters are not set well, and what the typeface lacks is an empty box.

mod face;
mod line;
mod place;
mod write;

#[cfg(test)]
mod tests;

use super::html::{borders, lists, tables};
use super::text;
use super::trend::{self, Trend};
use crate::assess::{Status, age_words};
use crate::legible;
use crate::results::numbers::Printed;
use crate::results::statement::Statement;
use crate::results::{Content, Envelope, phrases};
use face::Faces;
use line::{Line, Setter, TEXT};
use place::{COLUMN, MARGIN, PAGE, Pages};

/// Why a page could not be made; no input causes it.
#[derive(Debug, thiserror::Error)]
pub enum PageError {
    /// The typeface in the program is damaged.
    #[error("the typeface in this program cannot be read")]
    Font,
    /// The file could not be written.
    #[error("the PDF could not be written: {0}")]
    Write(String),
}

/// Sizes tried from the largest; the last is used when none fits on one sheet.
const SCALES: [f32; 7] = [1.0, 0.95, 0.9, 0.85, 0.8, 0.75, 0.72];

/// Part of the sheet's width that a picture takes beside text of the largest size, and the parts that
/// are tried where there is more room.
const SHARE: f32 = 0.8;
const WIDER: [f32; 5] = [1.0, 0.9, 0.8, 0.7, 0.65];

/// The sheet of a published result with its pictures.
///
/// # Errors
///
/// When the typeface or the writer fails, which no result causes.
pub fn pdf(result: &Envelope, trends: &[Trend]) -> Result<Vec<u8>, PageError> {
    let faces = Faces::get()?;
    write::write(result, &fitted(result, trends, faces), faces)
}

/// The largest text with which all stands on one sheet, and the picture as large as then has room: its
/// words are the smallest of the sheet.
fn fitted(result: &Envelope, trends: &[Trend], faces: &Faces) -> Pages {
    let mut pages = Pages::new();
    for scale in SCALES {
        let share = SHARE * scale;
        pages = lay_out(result, trends, faces, scale, share);
        if pages.pages.len() > 1 {
            continue;
        }
        let mut wider = WIDER.into_iter().filter(|wider| *wider > share);
        let wider = wider.find_map(|wider| {
            let pages = lay_out(result, trends, faces, scale, wider);
            (pages.pages.len() == 1).then_some(pages)
        });
        return wider.unwrap_or(pages);
    }
    pages
}

fn lay_out(result: &Envelope, trends: &[Trend], faces: &Faces, scale: f32, share: f32) -> Pages {
    let content = &result.content;
    let whole = Setter {
        faces,
        scale,
        width: PAGE.0 - 2.0 * MARGIN,
    };
    let column = Setter {
        faces,
        scale,
        width: COLUMN,
    };
    let mut pages = Pages::new();
    let mut top = heading(&whole, result);
    top.extend(statement(&whole, result));
    top.extend(rows(&whole, content));
    // One exam alone shows no course.
    let shown: Vec<&Trend> = trends
        .iter()
        .filter(|trend| trend.points.len() > 1)
        .collect();
    match shown.as_slice() {
        // Side by side.
        [one, other] => {
            let titles = vec![one.title.clone(), other.title.clone()];
            let mut pair = vec![whole.gap(4.5), whole.rule(2.5)];
            pair.extend(whole.table(&[0.5, 0.5], &[(true, titles)]));
            for line in &mut pair {
                line.with_next = true;
            }
            top.extend(pair);
            top.push(whole.drawings(vec![trend::drawing(one), trend::drawing(other)], 0.49));
        }
        shown => {
            for trend in shown {
                top.extend(whole.heading(&trend.title));
                top.push(whole.drawings(vec![trend::drawing(trend)], share));
            }
        }
    }
    pages.down(top);
    let sections = text::sections(content);
    pages.columns(
        sections
            .iter()
            .flat_map(|(title, lines)| column.section(title, lines))
            .collect(),
    );
    pages.down(provenance(&whole, result));
    pages
}

fn heading(set: &Setter<'_>, result: &Envelope) -> Vec<Line> {
    let content = &result.content;
    let (patient, exam) = (&content.patient, &content.exam);
    let known = |text: &Option<String>, none: &str| text.clone().unwrap_or_else(|| none.to_owned());
    let issuer = match patient.issuer.as_str() {
        "" => "no issuer named",
        issuer => issuer,
    };
    let mut born = patient
        .birth_date
        .map_or("unknown".to_owned(), |date| date.to_string());
    if let Some(age) = content.age_years() {
        born = format!("{born}, age {}", age_words(age));
    }
    if let Some(sex) = patient.sex {
        born = format!("{born}, sex {sex:?}");
    }
    let replaces = result
        .supersedes
        .map_or(String::new(), |old| format!(", replaces version {old}"));
    let label = exam
        .label
        .map_or("none".to_owned(), |label| label.word().replace('_', " "));
    let facts = [
        ("Patient", format!("{} ({issuer})", patient.id)),
        ("Born", born),
        ("Exam", phrases::moment(exam.performed_at)),
        ("Accession", known(&exam.accession, "none")),
        ("Operator", phrases::operator(exam.operator.as_deref())),
        ("Device", phrases::device(&exam.device)),
        ("Imaging", exam.modality.title().to_owned()),
        ("Borders", borders(content).to_owned()),
        ("Label", label),
        ("Result", format!("version {}{replaces}", result.version)),
    ];
    let mut lines = set.text(
        "Optic nerve sheath, compared with the patient's own earlier exams",
        TEXT,
        true,
        0.0,
    );
    lines.push(set.gap(3.0));
    let cells = facts.map(|(name, value)| format!("{name}: {value}"));
    let rows: Vec<(bool, Vec<String>)> = cells
        .chunks(3)
        .map(|cells| {
            (
                false,
                cells.iter().map(|cell| legible::line(cell)).collect(),
            )
        })
        .collect();
    lines.extend(set.table(&[0.34, 0.33, 0.33], &rows));
    lines
}

fn statement(set: &Setter<'_>, result: &Envelope) -> Vec<Line> {
    let said = Statement::of(&result.content, result.replaces.as_ref());
    let line = |text: &str, bold| set.text(&legible::line(text), TEXT, bold, 0.0);
    let mut lines = vec![set.gap(5.0), set.rule(5.0)];
    for first in said.replaces.iter().chain(&said.doubts) {
        lines.extend(line(first, true));
    }
    lines.extend(set.text(&legible::line(&said.title), 2.0 * TEXT, true, 0.0));
    lines.extend(line(&format!("{}.", said.verdict), true));
    for figures in said.figures.chunks(4) {
        let figures = figures
            .iter()
            .map(|(name, number)| format!("{name}: {number}"));
        lines.push(set.gap(3.0));
        lines.extend(set.table(&[0.22, 0.27, 0.24, 0.27], &[(true, figures.collect())]));
    }
    lines.push(set.gap(3.0));
    for first in [&said.next].into_iter().chain(&said.marks) {
        lines.extend(line(first, true));
    }
    lines.push(set.gap(2.0));
    for detail in &said.details {
        lines.extend(line(detail, false));
    }
    lines
}

/// The table of the page: right eye, left eye, both.
fn rows(set: &Setter<'_>, content: &Content) -> Vec<Line> {
    let mut named: Vec<_> = phrases::named_rows(content).collect();
    if named.iter().all(|(_, row)| row.expected().is_none()) {
        return Vec::new();
    }
    if named.len() > 1 {
        named.rotate_left(1);
    }
    let names = ["eye", "status", "measured mm"].into_iter();
    let names = names.chain(tables::COLUMNS.iter().map(|(name, _)| *name));
    let mut table = vec![(false, names.map(str::to_owned).collect::<Vec<_>>())];
    for (name, row) in named {
        let is_out = row
            .comparison
            .is_some_and(|c| c.status != Status::WithinExpected);
        let status = tables::status_cell(content, row);
        let mut cells = vec![name.to_owned(), status, Printed::of(row).measured];
        cells.extend(tables::cells(row).into_iter().map(|(_, cell)| cell));
        table.push((is_out, cells));
    }
    let mut lines = set.heading("Each eye");
    let shares = [
        0.09, 0.19, 0.09, 0.08, 0.12, 0.08, 0.08, 0.09, 0.06, 0.06, 0.06,
    ];
    lines.extend(set.table(&shares, &table));
    lines.extend(set.text(tables::CHANCE, TEXT * 0.9, false, 0.0));
    lines
}

/// Where it all comes from.
fn provenance(set: &Setter<'_>, result: &Envelope) -> Vec<Line> {
    let content = &result.content;
    let mut said = vec![
        format!(
            "{}, {}, written {}; exam {}, key {}; study {}.",
            result.software,
            result.schema,
            result.created_at,
            content.exam.id,
            result.key,
            content.exam.study_instance_uid
        ),
        format!("Version {}: {}.", result.version, result.why.join("; ")),
    ];
    said.extend(content.reports.iter().map(|report| {
        let template = report.template.as_deref().unwrap_or("none");
        let by = if report.dictionaries.is_empty() {
            String::new()
        } else {
            format!(", explained by {}", report.dictionaries.join(", "))
        };
        let replaced = if report.superseded_by.is_empty() {
            String::new()
        } else {
            format!("; replaced by {}", report.superseded_by.join(", "))
        };
        format!(
            "Report {}, template {template}{by}{replaced}.",
            report.sop_instance_uid
        )
    }));
    let differing = lists::differing(content);
    said.push(if differing.is_empty() {
        "Parameters: the defaults of this version.".to_owned()
    } else {
        format!(
            "Parameters that differ from the defaults: {}.",
            differing.join("; ")
        )
    });
    let mut lines = set.heading("Provenance");
    for line in said {
        lines.extend(set.text(&legible::line(&line), TEXT * 0.86, false, 0.0));
    }
    lines.push(set.gap(3.0));
    lines.extend(set.text(&result.notice, TEXT, true, 0.0));
    lines
}
