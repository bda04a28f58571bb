//! What a result says first, for a reader with ten seconds: text, page and PDF print the same.

use super::numbers::{self, Expected, Printed};
use super::{Content, Replaced, phrases};
use crate::assess::{Basis, DecidedBy, Nadir, Notice, Row};
use crate::domain::Remark;

/// Remarks that change how the headline is read, each with the words that stand in it: on the exam
/// or on a report that stands. What the remark says follows below.
const IN_THE_HEADLINE: [(&str, &str); 2] = [
    ("document-preliminary", "PRELIMINARY REPORT"),
    ("values-unread", "VALUES LEFT UNREAD"),
];

/// What a person does about a flag.
const RISE: &str = "Rise found. Measure again, straight across the nerve, if possible by another \
    operator; follow the local protocol.";

/// What the absence of a flag means.
const NO_RISE: &str = "No rise found. This does not exclude raised pressure.";

/// What a missing comparison means.
const NOTHING: &str = "Nothing can be said about a rise.";

/// The statement, piece by piece in the order of reading.
pub(super) struct Statement {
    /// What was taken back or changed of the version before.
    pub(super) replaces: Option<String>,
    /// Doubts about what was measured: they stand before the answer.
    pub(super) doubts: Vec<String>,
    /// `Well above expected, right eye, PROVISIONAL`.
    pub(super) title: String,
    /// What to do next.
    pub(super) step: &'static str,
    /// What the words in capitals mean and what a person can do about it.
    pub(super) marks: Vec<String>,
    /// What was found.
    pub(super) answer: String,
    /// The numbers of the row that decided, each with its name.
    pub(super) figures: Vec<(String, String)>,
    /// What explains it: chance, baseline, the exam before, earlier flags, the last event.
    pub(super) details: Vec<String>,
}

impl Statement {
    pub(super) fn of(content: &Content, replaces: Option<&Replaced>) -> Self {
        let assessment = &content.assessment;
        let (words, marks) = marks(content);
        let title = [vec![title(content)], words].concat().join(", ");
        let is_compared = assessment.decided().is_some();
        Statement {
            replaces: replaces.map(Replaced::sentence),
            doubts: doubts(content),
            title,
            step: match (assessment.flagged, is_compared) {
                (true, _) => RISE,
                (false, true) => NO_RISE,
                (false, false) => NOTHING,
            },
            marks,
            answer: phrases::answer(content),
            figures: figures(content),
            details: details(content),
        }
    }
}

/// Status and eye: `well above expected, right eye`.
fn title(content: &Content) -> String {
    let assessment = &content.assessment;
    let status = phrases::capital(&phrases::status(assessment.status));
    if assessment.flagged && !assessment.status.flagged() {
        // The notice says why.
        return format!("{status}, but above even the widest interval");
    }
    if assessment.decided_by == Some(DecidedBy::SinceEvent) {
        return format!("{status}, wider again since the last event");
    }
    match assessment.decided() {
        Some((by, _)) => match phrases::eye_named(content, by) {
            Some(eye) => format!("{status}, {eye}"),
            None => status,
        },
        None => status,
    }
}

/// Words in capitals behind the status, and a sentence for each.
fn marks(content: &Content) -> (Vec<String>, Vec<String>) {
    let (mut words, mut sentences) = (Vec::new(), Vec::new());
    let mut told = |word: &str, sentence: String| {
        words.push(word.to_owned());
        sentences.push(format!("{word}: {sentence}"));
    };
    let assessment = &content.assessment;
    let rests = assessment.decided().is_some() || assessment.flagged;
    if rests && content.basis() == Basis::Provisional {
        let who = match content.baseline.len() {
            1 => "at the earlier exam used. Label it",
            _ => "at any of the earlier exams used. Label each",
        };
        told(
            "PROVISIONAL",
            format!(
                "nobody has confirmed that the patient was well {who} as well or raised; an exam \
                 labelled raised is no longer used."
            ),
        );
    }
    for (code, word) in IN_THE_HEADLINE {
        if let Some(remark) = remarks(content).find(|remark| remark.code == code) {
            let text = match word {
                "PRELIMINARY REPORT" => "values may change.".to_owned(),
                _ => phrases::said(remark),
            };
            told(word, text);
        }
    }
    (words, sentences)
}

/// Remarks on the exam and on the reports that stand.
fn remarks(content: &Content) -> impl Iterator<Item = &Remark> {
    let reports = content.reports.iter();
    let standing = reports.filter(|report| report.superseded_by.is_empty());
    content
        .remarks
        .iter()
        .chain(standing.flat_map(|report| &report.remarks))
}

/// Doubts about what was measured.
fn doubts(content: &Content) -> Vec<String> {
    let notices = content.assessment.notices.iter();
    let doubts = notices.filter(|notice| notice.is_doubt() || **notice == Notice::FarFromOwnLevel);
    let sentences: Vec<&str> = doubts.map(|notice| notice.sentence()).collect();
    match sentences.is_empty() {
        true => Vec::new(),
        false => vec![format!("CHECK WHAT WAS MEASURED. {}", sentences.join(" "))],
    }
}

/// Today beside the narrowest exam since the event, where that decided.
fn nadir(content: &Content) -> Option<(&Nadir, &Row)> {
    let by = content.assessment.decided_by;
    let after = content.course.after_event.as_ref();
    // There may be no comparison with a baseline beside it.
    let (_, row) = phrases::named_rows(content).next()?;
    let nadir = after?.nadir.as_ref();
    let nadir = nadir.filter(|_| by == Some(DecidedBy::SinceEvent))?;
    Some((nadir, row))
}

/// The same as a sentence.
pub(super) fn nadir_said(content: &Content) -> Option<String> {
    let (nadir, row) = nadir(content)?;
    let name = phrases::capital(&phrases::row_name(content, DecidedBy::Both));
    Some(format!(
        "{name}: measured {} mm; narrowest since the event {} mm, on {}; change {} mm; a flag needs \
         {} mm.",
        numbers::mm(row.measured_mm),
        numbers::mm(row.measured_mm - nadir.mm),
        phrases::when(nadir.date, nadir.time),
        numbers::signed(nadir.mm),
        numbers::mm(nadir.limit_mm),
    ))
}

/// Numbers of the deciding row, or what was measured.
fn figures(content: &Content) -> Vec<(String, String)> {
    if let Some((nadir, row)) = nadir(content) {
        let name = phrases::row_name(content, DecidedBy::Both);
        let of = phrases::when(nadir.date, nadir.time);
        return vec![
            (
                format!("Measured, {name}"),
                millimetres(&numbers::mm(row.measured_mm)),
            ),
            (format!("Narrowest since the event, {of}"), {
                millimetres(&numbers::mm(row.measured_mm - nadir.mm))
            }),
            ("Change".to_owned(), millimetres(&numbers::signed(nadir.mm))),
            (
                "Change needed for a flag".to_owned(),
                millimetres(&numbers::mm(nadir.limit_mm)),
            ),
        ];
    }
    let decided = content.assessment.decided();
    if let Some((by, row)) = decided {
        return compared(&phrases::row_name(content, by), row);
    }
    let mut shown = phrases::named_rows(content).peekable();
    if let Some((name, row)) = shown.peek().filter(|(_, row)| row.too_wide.is_some()) {
        // The limits, without a change; each eye stands in the table.
        let mut figures = compared(&name.to_lowercase(), row);
        figures.truncate(2);
        return figures;
    }
    shown
        .flat_map(|(name, row)| compared(&name.to_lowercase(), row))
        .collect()
}

fn compared(name: &str, row: &Row) -> Vec<(String, String)> {
    let printed = Printed::of(row);
    let mut figures = vec![(format!("Measured, {name}"), millimetres(&printed.measured))];
    if let Some(Expected {
        mm,
        interval,
        change,
        percent,
        needed,
        ..
    }) = printed.expected
    {
        figures.extend([
            ("Expected".to_owned(), format!("{mm} mm ({interval})")),
            ("Change".to_owned(), format!("{change} mm ({percent} %)")),
            ("Change needed for a flag".to_owned(), millimetres(&needed)),
        ]);
    }
    figures
}

fn millimetres(number: &str) -> String {
    format!("{number} mm")
}

/// What explains the answer, a sentence or two each; empty ones are left out.
fn details(content: &Content) -> Vec<String> {
    let mut all = vec![phrases::chance(content), phrases::baseline(content)];
    let course = &content.course;
    all.extend(course.since_last.iter().map(|since| since.sentence()));
    all.extend(course.not_since_last.iter().map(|not| not.sentence()));
    all.extend(course.flags.iter().map(|flags| flags.sentence()));
    all.extend(course.after_event.iter().map(|event| event.sentence()));
    all.into_iter().filter(|one| !one.is_empty()).collect()
}
